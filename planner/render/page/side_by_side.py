"""The page of ``planner compare``: the difference first, the seasons below each other, then each audit.

It says what the command's text renderer says, in the same order; nothing is judged here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from planner.exposure import CAVEAT, RATES
from planner.model import AuditReport, Source
from planner.render import words
from planner.render.page import (
    Bars,
    First,
    Items,
    Judged,
    Link,
    Part,
    Prose,
    Seasons,
    Section,
    Sourced,
    Table,
    chart,
    page,
)
from planner.render.page.answers import capital, cells_of, drawn_of, firsts, name_of
from planner.render.selection import figure

if TYPE_CHECKING:
    from planner.compare import Comparison

_BESIDE = 3
"""Programmes that have a column each; more stand below each other (a matter of print)."""


def compare(
    one: Comparison, *, units: str, versions: str, rules: str = "", sources: Mapping[str, Source] | None = None
) -> str:
    """The page of ``planner compare``: the difference first, the seasons below each other, then each audit."""
    from planner.render import compare as render
    from planner.render.page import view

    lead = render._lead(one, units)
    sides = list(zip(one.labels, one.reports, strict=True))
    changes = [change for label, report in sides[:_BESIDE] for change in verdict_of(label, report, units)]
    if len(sides) > _BESIDE:
        rest = words.joined(f"{label} ({words.counts(words.open_findings(one)) or 'none'})" for label, one in sides)
        changes = [*changes[:1], ("Findings", f"{rest}. Each audit below says what to change first.", "")]
    seasons: list[Part] = []
    for label, report in sides:
        seasons += [Prose(text=name_of(report), lead=f"{label}:"), *drawn_of(report, f"Season of {label}")]
    notices = (Items(items=tuple(f"Notice: {text}" for text in one.notices)),) if one.notices else ()
    found = [
        Section(title="In short", parts=(Items(items=tuple(capital(line) for line in lead[1:])),)),
        Section(title="The programmes", parts=(_programmes(one, units), *notices)),
        Section(title="The seasons", parts=tuple(seasons)),
        Section(title="Pass by pass", parts=(_passes(one, units),)),
        Section(
            title="Cover and working modes",
            parts=tuple(
                Table(caption=name, header=("Programme", *head[1:]), rows=cells_of(body), right=(1,))
                for name, head, body in render._cover(one)
            ),
        ),
        Section(title="How hard each selects for resistance", parts=_selects(one)),
    ]
    if one.forecast is not None:
        parts: list[Part] = [Prose(text=render.FORECAST_CAVEAT, caveat=True)]
        for row in one.selection:
            parts += _course(one, row)
        found.append(Section(title=capital(render._forecast_title(one.forecast)), parts=tuple(parts)))
    for entry in one.findings:
        found += _changes(one, entry, units)
    found.append(Section(title="Published limits that tell the programmes apart", parts=_limits(one)))
    return page(
        kind="Programmes side by side",
        title=words.joined(map(name_of, one.reports))
        if len(one.reports) <= _BESIDE
        else f"{len(one.reports)} programmes side by side",
        verdict=lead[0] if lead else "",
        first=changes,
        about=view.about(one.reports[0], units),
        sections=found,
        judged=[
            Judged(report=report, prefix=f"{label}-", title=f"{label}: {name_of(report)}", leave_out=("selection",))
            for label, report in sides
        ],
        units=units,
        versions=versions,
        rules=rules,
        sources=sources,
    )


def verdict_of(label: str, report: AuditReport, units: str) -> tuple[First, ...]:
    """The verdict on one programme with what to change first in it."""
    verdict = words.verdict(report).rstrip(".")
    lead = f"{label}, {verdict[:1].lower()}{verdict[1:].replace(':', ',', 1)}"
    begin = "Change first, " if report.verdict != "clean" else "If you change one thing, "
    return firsts(report, units, f"{label}-", lead, begin) or ((lead, "Nothing calls for a change.", ""),)


def _programmes(one: Comparison, units: str) -> Table:
    """One row per programme: name, verdict in words, passes, cost."""
    from planner.render import compare as render

    _, rows = render._programmes(one, units)
    per = "per ac" if units == "us" else "per ha"
    cells = []
    for (label, passes, cost, name, _), report in zip(rows, one.reports, strict=True):
        told = words.verdict(report)
        cells.append((label, Link(text=name, anchor=f"{label}-programme"), told, passes.partition(" ")[0], cost))
    head = ("", "Programme", "Verdict", "Passes", "Cost")
    return Table(
        caption=f"Programmes side by side, cost {per}",
        header=head,
        rows=tuple((*row[:4], row[4].replace(f" {per}", "")) for row in cells),
        right=(3, 4),
        quiet=True,
    )


def _passes(one: Comparison, units: str) -> Table:
    """Passes that lie close together in one row, in lines: day, groups, tank, cost."""
    from planner.render import compare as render

    beside, below = [], []
    for number, row in enumerate(one.passes, 1):
        cells: list[tuple[str, ...]] = []
        for label, cell in zip(one.labels, row["cells"], strict=True):
            if cell is None:
                cells.append(("no pass here",))
                continue
            head, when, codes, *rest = render._pass_cell(cell, one, units).replace(": ", "; ", 1).split("; ")
            group = codes if codes.startswith("no ") else f"group {codes}"
            cells.append((f"Pass {head}, {when}" if when else f"Pass {head}", group, *rest))
            below.append((str(number), label, cells[-1][0], group, tuple(rest)))
        beside.append((*cells, tuple(row["notes"])))
    if len(one.labels) > _BESIDE:
        header = ("Row", "Programme", "Pass", "Groups", "Tank and cost")
        return Table(caption="Passes that lie close together", header=header, rows=tuple(below), quiet=True)
    return Table(
        caption="Passes side by side",
        header=(*one.labels, "What differs"),
        rows=tuple(beside),
        quiet=True,
        headed=False,
        even=True,
    )


_STATES = {"none": "not used", "lost": "no longer works here", "not assessed": "not assessed"}


def _selects(one: Comparison) -> tuple[Part, ...]:
    """Bars per group and target, one for each programme, with the caveat, the figures, and what drives them."""
    from planner.render import compare as render

    blocks = []
    for row in one.selection:
        entries = []
        for at, cell in enumerate(row["cells"]):
            band, span, shown = cell["band"] or {}, cell["range"], render._days(cell)
            ranged = span is not None and figure(span[0]) != figure(span[1])
            known = cell["state"] not in _STATES
            entries.append(
                chart.Entry(
                    name=cell["programme"],
                    said=shown.replace("-", " to ") if known else _STATES[cell["state"]],
                    days=(span[0] if ranged else cell["days"]) if known else None,
                    low=(span[0] if ranged else band.get("low")) if known else None,
                    high=(span[1] if ranged else band.get("high")) if known else None,
                    pattern=at,
                )
            )
        blocks.append(chart.Block(name=f"{row['words']} on {row['name']}", entries=tuple(entries)))
    key = tuple(f"{label}: {name_of(report)}" for label, report in zip(one.labels, one.reports, strict=True))
    head, days = render._selection(one)
    table = Table(
        caption="Selection days, each programme beside the first",
        header=(head[-1], *head[:-1]),
        rows=tuple((row[-1], *row[:-1]) for row in days),
        right=tuple(range(1, len(head))),
    )
    if len(one.labels) > _BESIDE:  # one row per programme, since no sheet of paper is wide enough
        table = Table(
            caption="Selection days, each programme beside the first",
            header=("Group and target", "Programme", "Days", f"Against {one.labels[0]}"),
            rows=tuple(
                (row[-1], label, row[at if not at else 2 * at - 1], row[2 * at] if at else "")
                for row in days
                for at, label in enumerate(one.labels)
            ),
            right=(2, 3),
        )
    told = _joined(render._selection_words(one, explain=False))
    return (
        Bars(blocks=tuple(blocks), label="Selection days by group, target and programme", key=key),
        Prose(text=f"{CAVEAT} {RATES}", caveat=True),
        *((table,) if days else ()),
        Items(items=tuple(capital(line) for line in told)),
    )


def _joined(lines: Sequence[str]) -> list[str]:
    """Lines that hang under the one before (two spaces) put into its sentence."""
    found: list[str] = []
    for line in lines:
        if line.startswith("  ") and found:
            found[-1] = f"{found[-1].rstrip('.')}, {line.strip()}"
        else:
            found.append(line.strip())
    return found


def _course(one: Comparison, row: Mapping[str, Any]) -> list[Part]:
    """The course over seasons of one group on one target, drawn where some programme moves it."""
    assert one.forecast is not None
    series = [
        entry for entry in one.forecast["series"] if (entry["target"], entry["group"]) == (row["target"], row["group"])
    ]
    drawn = [(entry["programme"], tuple(entry["log_odds"])) for entry in series if entry["log_odds"]]
    told = [f"{entry['programme']}: not assessed, {entry['why']}" for entry in series if not entry["log_odds"]]
    moves = any(values[-1] > values[0] for _, values in drawn)
    if not (moves or told):
        return []
    name = f"{row['words']} on {row['name']}"
    spans = tuple(
        (entry["programme"], (entry["log_odds_band"][0][-1], entry["log_odds_band"][1][-1]))
        for entry in series
        if entry["log_odds"] and entry["log_odds_band"]
    )
    parts: list[Part] = [Prose(text="", lead=name)]
    if moves:
        parts.append(Seasons(series=tuple(drawn), order=one.labels, label=f"Course over seasons: {name}", spans=spans))
    return [*parts, *([Items(items=tuple(told))] if told else [])]


def _limits(one: Comparison) -> tuple[Part, ...]:
    """Published rows that programmes meet or miss differently: the row with its source, then what holds in each."""
    from planner.render import compare as render
    from planner.render.page.view import plain_rules, sentence

    rows: list[tuple[Any, ...]] = []
    for row in one.limits:
        if len({(cell["holds"], cell["finding"]) for cell in row["cells"]}) < 2:
            continue
        about = f"{row['year']}, {words.joined(row['place'])}, {row['grade']}"
        said: dict[str, list[str]] = {}
        for cell in row["cells"]:
            said.setdefault(plain_rules(render._limit_cell(cell)), []).append(cell["programme"])
        told = tuple(f"{words.joined(names)}: {what}" for what, names in said.items())
        rows.append((Sourced(text=sentence(row["text"]), sources=tuple(row["sources"])), about, told))
    rest = len(one.limits) - len(rows)
    more = f"{words.count(rest, 'more limit')} met or missed alike." if rest else ""
    if not rows:
        return (Prose(text=f"None: the limits that hold are met or missed alike. {more}".strip()),)
    header = ("Limit", "Year, place, grade", "What rests on it")
    table = Table(caption="Published limits, by programme", header=header, rows=tuple(rows), quiet=True, headed=False)
    return (table, *((Prose(text=more),) if more else ()))


def _changes(one: Comparison, entry: Mapping[str, Any], units: str) -> list[Section]:
    """Findings that vanish, come, change or cannot be judged, each leading to its card in its programme's audit."""
    from planner.render.page import view

    label, beside = entry["programme"], entry["beside"]
    reports = dict(zip(one.labels, one.reports, strict=True))
    found = []
    for key, title, owner in (
        ("vanish", f"Findings that vanish, {label} against {beside}", beside),
        ("unsure", f"Findings of {beside} that could not be judged in {label}", beside),
        ("new", f"New findings, {label} against {beside}", label),
        ("changed", f"Findings that weigh differently, {label} against {beside}", beside),
    ):
        if not entry[key]:
            continue
        prefix = f"{owner}-"
        at = view.anchors(reports[owner], prefix)
        known: dict[tuple[Any, ...], str] = {}
        for finding in reports[owner].findings:
            known.setdefault((finding.rule, finding.passes, finding.message), at[id(finding)])
        rows = []
        for item in entry[key]:
            name = f"{item['rule']} {item['name'].replace('-', ' ')}"
            anchor = known.get((item["rule"], tuple(item["passes"]), item["message"]), f"{prefix}findings")
            more = f", then {item['then']}" if "then" in item else ""
            kept = " (accepted)" if item["accepted"] is not None else ""
            why = (f"Not assessed: {item['reason']}",) if "reason" in item else ()
            said = view.sentence(view.said(item["message"], units))
            rows.append(
                (
                    f"{capital(item['severity'])}{more}{kept}",
                    Link(text=name, anchor=anchor),
                    words.joined(map(str, item["passes"])) or "the season",
                    (said, *why),
                )
            )
        header = ("Weight", "Finding", "Passes", "What")
        found.append(Section(title=title, parts=(Table(caption=title, header=header, rows=tuple(rows), quiet=True),)))
    return found
