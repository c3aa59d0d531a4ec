"""The answer as Markdown, for notes and mail; the order and the words of the terminal."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from planner.model import AuditReport, Finding
from planner.render import cautions, reading, selection, strip, text, words
from planner.render.first import first_change
from planner.render.paper import Paper

if TYPE_CHECKING:
    from rich.text import Text

_MARKS = re.compile(r"([\\`*_\[\]<>|~])")
_ITEM = re.compile(r"^(\s*)([#+-]|\d+\.)(?=\s)")


def escape(value: object) -> str:
    """Text of others, so that nothing in it is read as Markdown or HTML.

    >>> escape("[m03] <b>")
    '\\\\[m03\\\\] \\\\<b\\\\>'
    """
    plain = _MARKS.sub(r"\\\1", words.safe(value).replace("&", "&amp;"))
    return _ITEM.sub(r"\1\\\2", plain)


def verbatim(lines: Sequence[Text]) -> str:
    """An answer of the terminal as it stands there: a block that nothing in it can end."""
    return "\n".join(["```text", *(line.plain.rstrip().replace("```", "'''") for line in lines), "```", ""])


def audit(
    reports: Sequence[AuditReport],
    *,
    units: str = "metric",
    versions: str = "",
    sources: Mapping[str, str] | None = None,
) -> str:
    """All reports, one after the other. ``sources`` words the bibliography keys that findings name."""
    return "\n---\n\n".join(_one(report, units, versions, sources or {}) for report in reports)


def _one(report: AuditReport, units: str, versions: str, sources: Mapping[str, str]) -> str:
    lines = [f"# {escape(text.title(report))}", "", f"**{escape(words.verdict(report))}**", ""]
    change = first_change(report)
    if change is not None:
        where = words.where(change.finding, report)
        remedy = text._sentence(_said(change.finding.remedy, units))
        lines += [f"First change, {escape(where)}: {escape(remedy)}", ""]
    if report.not_assessed:
        lines += [escape(words.unchecked(report)), ""]
    lines += _season(report, units)
    found = words.open_findings(report)
    if found:
        lines += ["## Findings", ""]
        for finding in text._ordered(found):
            lines += _finding(finding, report, units, sources)
    if report.not_assessed:
        lines += ["## Not assessed", ""]
        for entry in report.not_assessed:
            about = f" ({words.passes(entry.passes)})" if entry.passes else ""
            lines.append(f"- {escape(entry.rule)}{about}: {escape(words.dated(entry.reason))}")
        lines.append("")
    lines += _totals(report, units)
    lines += _selection(report)
    kept = [finding for finding in report.findings if finding.accepted is not None]
    if kept:
        lines += ["## Accepted departures", ""]
        for finding in text._ordered(kept):
            lines.append(
                f"- {finding.severity} {escape(finding.rule)} {escape(finding.name)}, "
                f"{escape(words.where(finding, report))}: {escape(_said(finding.message, units))} "
                f"Reason given: {escape(finding.accepted)}"
            )
        lines.append("")
    notices = [
        *report.programme.notices,
        *(one for one in report.notices if one not in report.programme.notices),
    ]
    if notices:
        lines += ["## Notices", "", *(f"- {escape(notice)}" for notice in notices), ""]
    lines += reading.markdown(report.programme.readings)
    lines += ["## Before anything is sprayed", ""]
    lines += [f"- **{escape(one.title)}**: {escape(one.text)} ({escape(one.source)})" for one in cautions.load()]
    if any(product.demo for product in report.programme.products):
        lines.append("- **invented products**: the product list is a demo and stands for nothing that is sold")
    foot = f"{versions or text.version_words()}; {words.count(report.rules_run, 'rule')} run by {report.engine}"
    check = f"; input checksum {report.programme.checksum}" if report.programme.checksum else ""
    lines += ["", escape(foot + check), ""]
    return "\n".join(lines)


def _said(value: str, units: str) -> str:
    return words.in_units(words.dated(value), units)


def _season(report: AuditReport, units: str) -> list[str]:
    lines = ["## Season", ""]
    made = strip.make(report)
    if made is not None:
        paper = Paper(100)
        strip.show(made, paper)
        lines += ["```text", *(line.plain.rstrip().replace("```", "'''") for line in paper.lines), "```", ""]
    lines += ["| pass | when | groups | water | tank |", "|---:|---|---|---|---|"]
    codes = strip._codes(report)
    for number, when, tank, water in strip.tanks(report, units):
        cells = (str(number), when, "+".join(codes.get(number, [])) or "-", water or "-", tank)
        lines.append("| " + " | ".join(escape(cell) for cell in cells) + " |")
    return [*lines, ""]


def _finding(finding: Finding, report: AuditReport, units: str, sources: Mapping[str, str]) -> list[str]:
    lines = [
        f"### {finding.severity}: {escape(finding.rule)} {escape(finding.name)}, "
        f"{escape(words.where(finding, report))}",
        "",
        escape(_said(finding.message, units)),
        "",
    ]
    numbers = words.evidence(finding.evidence, units, words.group_names(report)) if finding.evidence else ""
    held = f"{finding.severity}, because {finding.capped}" if finding.capped else ""
    for name, value in (
        ("why", finding.why),
        ("change", finding.remedy),
        ("numbers", numbers),
        ("source", "; ".join(finding.cited(sources))),
        ("held at", held),
    ):
        if value:
            lines.append(f"- {name}: {escape(_said(value, units))}")
    return [*lines, ""]


def _totals(report: AuditReport, units: str) -> list[str]:
    paper = Paper(100)
    text._totals(report.totals, paper, units)
    if not paper.lines:
        return []
    body = [line.plain.rstrip() for line in paper.lines[1:]]
    return ["## Totals", "", "```text", *(line.replace("```", "'''") for line in body), "```", ""]


def _selection(report: AuditReport) -> list[str]:
    gaps = report.totals.get("selection_gaps") or ()
    if not report.selection and not gaps:
        return []
    lines = [f"## {selection.HEADING.capitalize()}", ""]
    if report.selection:
        header, cells = selection.table(report.selection)
        marks = "|".join("---:" if at < len(header) - 1 else "---" for at in range(len(header)))
        lines += ["| " + " | ".join(header) + " |", f"|{marks}|"]
        lines += ["| " + " | ".join(escape(cell) for cell in row) + " |" for row in cells]
        lines.append("")
    said = [f"{gap['name']}: no figure, because {gap['why']}" for gap in gaps]
    lines += [f"- {escape(one)}" for one in (*said, *selection.remarks(report.selection))]
    if report.selection:
        lines += ["", escape(selection.SHORT_CAVEAT)]
    return [*lines, ""]
