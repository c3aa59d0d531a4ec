"""The answer of an audit in the terminal: the verdict, the one change, the season, the findings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from planner import __version__
from planner.model import SEVERITIES, AuditReport, Finding, NotAssessed
from planner.render import cautions, selection, strip, words
from planner.render import money as earnings
from planner.render.first import first_change
from planner.render.paper import Paper, Part

if TYPE_CHECKING:
    from rich.text import Text

_TONE = {"breach": "breach", "caution": "caution", "advice": "advice"}


def audit(
    report: AuditReport,
    *,
    width: int = 100,
    units: str = "metric",
    explain: bool = False,
    versions: str = "",
    sources: Mapping[str, str] | None = None,
    advisers: Mapping[str, str] | None = None,
) -> list[Text]:
    """One report as lines.

    Args:
        width: columns to fill.
        units: ``metric`` or ``us``.
        explain: the adviser's depth: evidence, caps and places of every finding.
        versions: the last line's first half (planner, catalogue, engine).
        sources: words of a bibliography key, for findings that name keys.
        advisers: the adviser's paragraph of each rule, printed with ``explain``.
    """
    paper = Paper(width)
    _head(report, paper, units)
    _season(report, paper, units)
    found = words.open_findings(report)
    if found:
        paper.heading(f"findings: {words.counts(found)}")
        told: dict[tuple[str, ...], Finding] = {}
        for finding in _ordered(found):
            _finding(finding, report, paper, units, explain, sources or {}, told)
            if explain and (advisers or {}).get(finding.rule):
                paper.field("adviser", (advisers or {})[finding.rule])
    _not_assessed(report.not_assessed, paper)
    _totals(report.totals, paper, units)
    selection.block(report.selection, report.totals.get("selection_gaps") or (), paper, explain=explain)
    _accepted(report, paper, units)
    _cautions(report, paper, explain)
    _foot(report, paper, versions)
    return paper.lines


def several(reports: Sequence[AuditReport], *, width: int, **options: Any) -> list[Text]:
    """Many reports: one line each in the order given, then in full only those that are not clean."""
    paper = Paper(width)
    odd = [report for report in reports if report.verdict != "clean"]
    paper.line((f"{words.count(len(reports), 'programme')}: ", "head"), _tally(reports))
    paper.blank()
    rows: list[list[Part]] = []
    for report in reports:
        tone = {"breaches": "breach", "cautions": "caution", "clean": "good"}[report.verdict]
        change = first_change(report)
        hint = f"{words.counts(words.open_findings(report)) or 'nothing found'}"
        if change is not None and report.verdict != "clean":
            hint += f"; first: {change.finding.rule} {words.passes(change.finding.passes)}"
        rows.append([(report.verdict, tone), title(report), report.programme.file, hint])
    paper.table(("verdict", "programme", "file", "findings"), rows)
    lines = paper.lines
    for report in odd:
        lines.extend(_rule(width))
        lines.extend(audit(report, width=width, **options))
    return lines


def _rule(width: int) -> list[Text]:
    paper = Paper(width)
    paper.raw("")
    paper.raw(("-" * min(width, 100), "quiet"))
    return paper.lines


def _tally(reports: Sequence[AuditReport]) -> str:
    parts = []
    for verdict, said in (("breaches", "with breaches"), ("cautions", "with cautions"), ("clean", "clean")):
        total = sum(1 for report in reports if report.verdict == verdict)
        if total:
            parts.append(f"{total} {said}")
    return words.joined(parts)


def title(report: AuditReport) -> str:
    """Name of the programme, or its file, or its field."""
    programme = report.programme
    return programme.name or programme.field.name or programme.file or "the programme"


def _head(report: AuditReport, paper: Paper, units: str) -> None:
    tone = {"breaches": "breach", "cautions": "caution", "clean": "good"}[report.verdict]
    paper.line((words.verdict(report), tone))
    change = first_change(report)
    if change is not None:
        finding = change.finding
        lead = "First change" if report.verdict != "clean" else "If you change one thing"
        eased = ""
        if change.eased:
            codes = words.joined(dict.fromkeys(one.rule for one in change.eased))
            eased = f" It also bears on {words.count(len(change.eased), 'other finding')} ({codes})."
        remedy = _sentence(words.in_units(words.dated(finding.remedy), units))
        paper.line(
            (f"{lead}, {words.where(finding, report)}: ", "head"),
            f"{remedy}{eased}",
            hang=2,
        )
    if report.not_assessed:
        paper.line(words.unchecked(report))
    field = report.programme.field
    about = [
        part
        for part in (
            title(report),
            f"field {field.name}" if field.name and field.name != title(report) else "",
            field.crop,
            words.amount(field.area, "area", units) if field.area else "",
            field.region or field.country or "",
        )
        if part
    ]
    paper.line((" - ".join(about), "quiet"))


def _sentence(text: str) -> str:
    text = text.strip()
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else text + "."


def _season(report: AuditReport, paper: Paper, units: str) -> None:
    paper.heading("the season")
    made = strip.make(report)
    if made is not None:
        strip.show(made, paper)
        paper.blank()
    codes = strip._codes(report)
    rows: list[list[Part]] = []
    for number, when, tank, water in strip.tanks(report, units):
        rows.append([str(number), when, "+".join(codes.get(number, [])) or "-", water or "-", tank])
    paper.table(("pass", "when", "groups", "water", "tank"), rows, right=(0,))


def _ordered(findings: Sequence[Finding]) -> list[Finding]:
    return sorted(
        findings,
        key=lambda one: (SEVERITIES.index(one.severity), min(one.passes, default=0), one.passes, one.rule),
    )


def _finding(
    finding: Finding,
    report: AuditReport,
    paper: Paper,
    units: str,
    explain: bool,
    sources: Mapping[str, str],
    told: dict[tuple[str, ...], Finding],
) -> None:
    """``told`` keeps what stood above, so that the same reason and sources are not printed twice in full."""

    def said(text: str) -> str:
        return words.in_units(words.dated(text), units)

    paper.blank()
    paper.line(
        (finding.severity, _TONE[finding.severity]),
        " ",
        (f"{finding.rule} {finding.name}", "head"),
        f"  {words.where(finding, report)}",
        hang=4,
    )
    paper.line(said(finding.message), indent=4)
    above = None if explain else told.setdefault((finding.rule, finding.why, *finding.sources), finding)
    again = above is not None and above is not finding
    if again and above is not None:
        same = ", with the same sources" if finding.sources else ""
        paper.field("why", f"as for {finding.rule} in {words.passes(above.passes)} above{same}")
    elif finding.why:
        paper.field("why", said(finding.why if explain else _short(finding.why)))
    if finding.remedy:
        paper.field("change", said(finding.remedy))
    numbers = words.evidence(finding.evidence, units, words.group_names(report)) if finding.evidence else ""
    if numbers:
        paper.field("numbers", numbers)
    if finding.sources and not again:
        named = finding.cited(sources) if explain else [sources.get(key, key) for key in finding.sources]
        paper.field("source", "; ".join(named))
    if finding.capped:
        paper.field("held at", f"{finding.severity}, because {finding.capped}")
    if explain and finding.place:
        paper.field("place", finding.place)


def _short(why: str) -> str:
    """The first two sentences: enough for the grower; the rest comes with --explain."""
    ends = [at + 1 for at in range(len(why) - 1) if why[at] in ".!?" and why[at + 1] in " \n"]
    return why[: ends[1]] if len(ends) > 1 else why


def _not_assessed(entries: Sequence[NotAssessed], paper: Paper) -> None:
    if not entries:
        return
    paper.heading(f"not assessed: {words.count(len(entries), 'point')} (supply the fact named and it is judged)")
    grouped: dict[str, list[NotAssessed]] = {}
    for entry in entries:
        grouped.setdefault(entry.reason, []).append(entry)
    for reason, members in grouped.items():
        rules = words.joined(dict.fromkeys(entry.rule for entry in members))
        numbers = sorted({number for entry in members for number in entry.passes})
        about = f" ({words.passes(numbers)})" if numbers else ""
        paper.line((f"{rules}{about}: ", "quiet"), words.dated(reason), indent=2, hang=6)


def _totals(totals: Mapping[str, Any], paper: Paper, units: str) -> None:
    actives, groups, cost = (totals.get(name) or {} for name in ("actives", "groups", "cost"))
    if not (actives or groups or cost):
        return
    paper.heading("totals of the season")
    if actives:
        rows: list[list[Part]] = []
        for name, entry in actives.items():
            dose = entry.get("g_per_ha")
            shown = words.amount(dose, "dose", units) if dose is not None else "not known"
            rows.append([shown, words.count(len(entry.get("passes", ())), "pass", "passes"), words.safe(name)])
        paper.table(("amount", "passes", "active"), rows, right=(0, 1))
    if groups:
        rows = []
        for code, entry in groups.items():
            share = entry.get("share")
            rows.append(
                [
                    words.count(len(entry.get("passes", ())), "pass", "passes"),
                    f"{100 * share:.0f} %" if share is not None else "",
                    entry.get("words") or code,
                ]
            )
        paper.table(("passes", "share", "group"), rows, right=(0, 1))
    if cost:
        paper.line(cost_words(cost, units), indent=2, hang=4)
    for line in earnings.lines(totals.get("money") or {}, units):
        paper.line(line, indent=2, hang=4)


def cost_words(cost: Mapping[str, Any], units: str) -> str:
    """Cost per area and for the field, and what it leaves out."""
    money = cost.get("currency") or ""
    parts = []
    if cost.get("per_ha") is not None:
        parts.append(f"cost {money} {words.amount(cost['per_ha'], 'area_cost', units)}".replace("  ", " "))
    if cost.get("total") is not None:
        parts.append(f"{money} {cost['total']:,.2f} for the field".strip())
    said = ", ".join(parts) or "cost not known"
    missing = cost.get("missing") or ()
    if missing:
        said += f"; left out, because no price is given: {words.joined(words.safe(name) for name in missing)}"
    return said


def _accepted(report: AuditReport, paper: Paper, units: str) -> None:
    kept = [finding for finding in report.findings if finding.accepted is not None]
    if not kept:
        return
    paper.heading(f"accepted departures: {len(kept)}")
    for finding in _ordered(kept):
        paper.line(
            (f"{finding.severity} {finding.rule} {finding.name}", "quiet"),
            f"  {words.where(finding, report)}: ",
            words.in_units(words.dated(finding.message), units),
            indent=2,
            hang=6,
        )
        paper.line(("reason given: ", "quiet"), finding.accepted or "", indent=6, hang=8)


def _cautions(report: AuditReport, paper: Paper, explain: bool) -> None:
    paper.heading("before anything is sprayed")
    for caution in cautions.load():
        paper.line((f"{caution.title}: ", "head"), caution.text, indent=2, hang=4)
        if explain:
            paper.line((f"source: {caution.source}", "quiet"), indent=4)
    if any(product.demo for product in report.programme.products):
        paper.line(
            ("invented products: ", "head"),
            "the product list is a demo; its names, labels and prices stand for nothing that is sold",
            indent=2,
            hang=4,
        )


def _foot(report: AuditReport, paper: Paper, versions: str) -> None:
    paper.blank()
    ran = f"{words.count(report.rules_run, 'rule')} run" + (f" by {report.engine}" if report.engine else "")
    check = f"; input {report.programme.checksum[:12]}" if report.programme.checksum else ""
    paper.line((f"{versions or version_words()}; {ran}{check}", "quiet"))
    found = report.findings
    if found:
        paper.line(
            ("next: ", "quiet"),
            f"planner explain {first_rule(report)}",
            ("   more depth: ", "quiet"),
            "--explain",
        )
    elif report.not_assessed:
        # one entry may stand for several rules ("LBL01-LBL10, MIX04"): the first of them is explained
        paper.line(("next: ", "quiet"), f"planner explain {report.not_assessed[0].rule[:5]}")
    else:
        paper.line(("next: ", "quiet"), "planner rules list")


def first_rule(report: AuditReport) -> str:
    """The rule that the first lines speak of."""
    change = first_change(report)
    return change.finding.rule if change is not None else report.findings[0].rule


def version_words() -> str:
    """Version for the last line, where nobody gives more."""
    return f"planner {__version__}"
