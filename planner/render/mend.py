"""A mend in the terminal: what to change, pass by pass before and after, and the next best ways."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from planner.render import cautions, jsonout, strip, words
from planner.render.paper import Paper, Part

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.text import Text

    from planner.draft.mend import Mend, Mending
    from planner.model import Finding, Programme


def show(answer: Mending, *, width: int, units: str = "metric", explain: bool = False) -> list[Text]:
    """The whole answer."""
    paper = Paper(width)
    if not answer.mends:
        paper.line(("Nothing to mend: ", "good"), "the programme has no open breach.")
        paper.line(("planner audit shows what else is to be said of it", "quiet"))
        return paper.lines
    best = answer.mends[0]
    breaches = [one for one in answer.before.findings if one.severity == "breach" and one.accepted is None]
    count = words.count(best.edits, "change")
    ends = (
        f"{count} {'leaves' if best.edits == 1 else 'leave'} no breach; there {'was' if len(breaches) == 1 else 'were'}"
    )
    paper.line((f"{ends} {len(breaches)}.", "head"))
    proof = (
        "no fewer changes of the kinds that were tried do it"
        if best.proven and not answer.stopped
        else "not proven fewest"
    )
    paper.line((f"Sound by the audit; {proof}.", "quiet"))
    for at, one in enumerate(answer.mends):
        paper.heading("the fewest changes" if at == 0 else f"another way: {words.count(one.edits, 'change')}")
        _changes(one, paper, units, explain)
        if at == 0:
            _passes(answer, one, paper, units)
            made = strip.make(one.report)
            if made is not None:
                paper.heading("the season after")
                strip.show(made, paper)
    paper.heading("before anything is sprayed")
    for caution in cautions.load():
        paper.line((f"{caution.title}: ", "head"), caution.text, indent=2, hang=4)
    if any(product.demo for product in best.programme.products):
        paper.line(
            ("invented products: ", "head"), "the product list is a demo and stands for nothing that is sold", indent=2
        )
    return paper.lines


def _changes(one: Mend, paper: Paper, units: str, explain: bool) -> None:
    for change in one.changes:
        paper.line(
            (f"pass {change.passes}: ", "head"), words.in_units(words.dated(change.words), units), indent=2, hang=4
        )
        if change.removes:
            paper.line(("removes ", "quiet"), _rules(change.removes), indent=4, hang=6)
            if explain:
                for finding in change.removes:
                    paper.line(
                        f"{finding.rule}: {words.in_units(words.dated(finding.message), units)}", indent=6, hang=8
                    )
        else:
            paper.line(("needed together with the other changes", "quiet"), indent=4)
    left = words.counts(words.open_findings(one.report))
    paper.line((f"then: {left or 'nothing found'}; cost {one.cost:.2f} per ha", "quiet"), indent=2)


def _rules(findings: Sequence[Finding]) -> str:
    return words.joined(dict.fromkeys(f"{one.rule} {one.name}" for one in findings))


def _passes(answer: Mending, one: Mend, paper: Paper, units: str) -> None:
    changed = {change.passes for change in one.changes}
    for title, report in (("before", answer.before), ("after", one.report)):
        paper.heading(title)
        rows: list[list[Part]] = []
        for number, when, tank, water in strip.tanks(report, units):
            mark = "*" if title == "before" and number in changed else ""
            rows.append([f"{mark}{number}", when, water or "-", tank])
        if rows:
            paper.table(("pass", "when", "water", "tank"), rows, right=(0,))
        else:
            paper.line("no pass", indent=2)


def as_json(answer: Mending) -> str:
    """The answer as JSON: the audit before, and each way with its changes and audit."""
    return jsonout.dump(
        {
            "before": jsonout.document(answer.before),
            "stopped": answer.stopped,
            "mends": [
                {
                    "changes": one.edits,
                    "proven": one.proven and not answer.stopped,
                    "cost_per_ha": round(one.cost, 4),
                    "bare": one.bare,
                    "steps": [
                        {
                            "pass": change.passes,
                            "change": change.words,
                            "removes": [jsonout.finding(finding) for finding in change.removes],
                        }
                        for change in one.changes
                    ],
                    "passes": _tank_data(one.programme),
                    "audit": jsonout.document(one.report),
                }
                for one in answer.mends
            ],
        }
    )


def _tank_data(programme: Programme) -> list[dict[str, Any]]:
    return [
        {
            "pass": entry.number,
            "date": entry.date.isoformat() if entry.date else None,
            "stage": entry.stage,
            "tank": [
                {
                    "product": item.product,
                    "active": item.active,
                    "rate": item.rate,
                    "unit": item.unit,
                    "dose": item.dose,
                }
                for item in entry.tank
            ],
        }
        for entry in programme.passes
    ]
