"""A draft in the terminal: the named programmes side by side, their seasons, the balanced one in full, and why not."""

from __future__ import annotations

import datetime
import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from planner.draft import pass_reasons, practice
from planner.draft.options import MONEY, SELECTION
from planner.render import jsonout, strip, text, words
from planner.render.paper import Paper, Part

if TYPE_CHECKING:
    from rich.text import Text

    from planner.draft.front import Front
    from planner.draft.options import Space
    from planner.draft.result import Draft
    from planner.draft.solve import Answer
    from planner.draft.why_not import WhyNot
    from planner.model import AuditReport


def show(answer: Draft, *, width: int, units: str = "metric", explain: bool = False, versions: str = "") -> list[Text]:
    """The whole answer."""
    paper = Paper(width)
    front = answer.front
    balanced = front.named.get("balanced") or next(iter(front.named.values()))
    _verdict(answer, balanced, paper, units)
    paper.heading("side by side")
    _table(answer, paper, units)
    _seasons(answer, paper)
    if answer.top:
        paper.heading(
            f"{words.count(len(answer.top), 'programme')} that none beats on all three figures, those nearest to "
            "balanced, cheapest first"
        )
        rows = [_row(f"{at}", one, report, answer, units) for at, (one, report) in enumerate(answer.top, start=1)]
        paper.table(_HEADER, rows, right=(1, 2, 3, 4))
    _passes(balanced, answer, paper)
    _why(answer.why, paper, units, explain)
    paper.heading("the balanced programme in full")
    if balanced.columns:
        report = answer.reports.get("balanced") or next(iter(answer.reports.values()))
        known = front.space.catalogue.sources
        cited = {key: known[key].words for one in report.findings for key in one.sources if key in known}
        paper.lines.extend(
            text.audit(report, width=width, units=units, explain=explain, versions=versions, sources=cited)
        )
    else:
        paper.line(
            "no pass: nothing that can be bought covers a day that counts here, or nothing is asked for", indent=2
        )
    return paper.lines


ASIDE = "a pass is a tank mix on a date; mixes that others beat on their date stand aside"
MANY = 8  # passes that are told one by one
_HEADER = ("", "per area", "bare", "selection", "cautions", "passes")


def meaning(front: Front) -> str:
    """What the names in the table stand for."""
    return (
        f"the named programmes leave bare at most {front.part} of the days that can be covered; balanced: nearest to "
        "the best of all three figures at once, each as a share of its range, with bare days counted double and "
        "cautions against it"
    )


def _verdict(answer: Draft, balanced: Answer, paper: Paper, units: str) -> None:
    front = answer.front
    if not balanced.columns:
        no_targets = not front.space.account.targets
        paper.line(
            ("No pass: ", "head"),
            "the field names no targets, so nothing stands against the cost of a pass; add targets:"
            if no_targets
            else "no pass covers a day that counts here within what is asked for.",
        )
    else:
        number = words.count(len(balanced.columns), "pass", "passes")
        paper.line(("Balanced: ", "head"), f"{number}, no breach of any rule.")
    for line in _proof(front, units):
        paper.line((line, "quiet"))


def _proof(front: Front, units: str) -> list[str]:
    """What is proven of the named programmes, and how much of the front was worked out."""
    count = words.count(len(front.points), "programme")
    if front.stopped:
        return ["The search was stopped: these are the best found so far, not proven."]
    if front.long:
        return _long_proof(front, count)
    proof = "Sound, not proven best."
    if front.proven and front.over_all:
        proof = (
            f"Each named programme is proven best of its kind among all {front.weighed} passes that the labels allow"
        )
        proof += " (a pass is a tank mix on a date)."
    elif front.proven:
        of = f" of {front.allowed}" if front.allowed > front.weighed else ""
        proof = (
            f"Each named programme is proven best of its kind among the {front.weighed}{of} passes that were weighed"
        )
        proof += f" ({ASIDE})." if front.space.reduce else "."
    if not front.complete:
        return [
            proof,
            f"Of the programmes that none beats on all three figures {count} were worked out; there may be more.",
        ]
    step = words.amount(front.resolution.cost / MONEY, "area_cost", units)
    currency = f"{front.space.currency} " if front.space.currency else ""
    return [
        proof,
        f"None beats {count} on all three figures: that is all of them"
        f"{'' if front.over_all else ' among the passes weighed'}, told apart by {currency}{step}, "
        "a weighted bare day and a day of selection.",
    ]


def _long_proof(front: Front, count: str) -> list[str]:
    """The same of a season with too many dates for every programme to be looked at."""
    weighed = sum(not column.kept for column in front.space.columns)
    aside = ASIDE if front.space.reduce else "a pass is a tank mix on a date"
    if front.stood_aside:
        aside += f"; so do {front.stood_aside} tanks of three products, of which two cover as much"
    proven = [name for name, one in front.named.items() if one.proven]
    by_sum = [name for name in front.named if name in front.by_sum and name not in proven]
    rest = [name for name in front.named if name not in proven and name not in by_sum]
    told = []
    if proven:
        told.append(f"proven best of {'its' if len(proven) == 1 else 'their'} kind: {words.joined(proven)}")
    if by_sum:
        told.append(
            f"best by the sum of what each pass selects by itself, which is no less than what the whole programme "
            f"selects: {words.joined(by_sum)}"
        )
    if rest:
        told.append(f"sound, not proven best: {words.joined(rest)}")
    said = f"Of the {weighed} passes that were weighed ({aside}), {'; '.join(told)}."
    dates = sum(any(not column.kept for column in columns) for columns in front.space.by_slot)
    return [
        said,
        f"With {dates} dates not every programme can be looked at. Not the whole front: {count} of it, none of which "
        "another one found beats on all three figures.",
    ]


def _table(answer: Draft, paper: Paper, units: str) -> None:
    front = answer.front
    rows = [_row("no new pass", front.nothing, None, answer, units)]
    rows += [_row(name, one, answer.reports.get(name), answer, units) for name, one in front.named.items()]
    paper.table(_HEADER, rows, right=(1, 2, 3, 4))
    currency = front.space.currency or "money"
    paper.line(
        (
            f"per area: {currency} to pay; bare: target-days without known cover, a day counted once, twice or thrice "
            "for low, moderate or high pressure; selection: days on which survivors of a group gain under the "
            "programme as a whole, summed over groups and targets, as its audit gives them; cautions: what its audit "
            "says stands against it short of a breach",
            "quiet",
        ),
        indent=2,
    )
    if len(front.named) > 1:
        paper.line((meaning(front), "quiet"), indent=2)
    for name, report in answer.reports.items():
        if name == "balanced":
            days = [f"{row['name']} {_bare(row)}" for row in report.cover]
            paper.line(
                (f"days of the window that the balanced programme leaves bare: {words.joined(days)}", "quiet"), indent=2
            )
    for name, one in front.named.items():
        departs = practice.broken(front.space, one.columns) if one.columns else []
        if departs:
            paper.line((f"{name}: beside the rules, it {words.joined(departs)}", "quiet"), indent=2, hang=4)
    for name, one in front.named.items():
        stock = front.space.money(one.columns)[1]
        if stock:
            worth = words.amount(stock / MONEY, "area_cost", units)
            paper.line(
                (f"{name}: stock on hand worth {worth} is used first and is not in the price", "quiet"), indent=2
            )


def _bare(row: Mapping[str, Any]) -> str:
    """Bare days of one target's window, of how many."""
    if row["bare_days"] is None:
        return "not known"
    spans = [
        (datetime.date.fromisoformat(run["to"]) - datetime.date.fromisoformat(run["from"])).days + 1
        for run in row["days"]
    ]
    unknown = sum(length for length, run in zip(spans, row["days"], strict=True) if run["modes"] is None)
    return f"{row['bare_days']} of {sum(spans)}" + (f" ({unknown} not known)" if unknown else "")


def _row(name: str, one: Answer, report: AuditReport | None, answer: Draft, units: str) -> list[Part]:
    space = answer.front.space
    passes = "; ".join(
        f"{_when(space.slots[column.slot].day) if column.slot >= 0 else column.entry.how}: {_groups(column)}"
        for column in one.columns
    )
    if len(one.columns) > MANY:
        passes = _shorter(one, space)
    return [
        name,
        words.amount(one.cost / MONEY, "area_cost", units),
        str(one.bare),
        f"{one.selection / SELECTION:.1f} d",
        _cautions(report),
        passes or "-",
    ]


def _shorter(one: Answer, space: Space) -> str:
    """Many passes in few words: ``12 from 3 June to 26 August: 29, 4 x M03, M05``; their dates stand in the strip."""
    runs: list[list[str]] = []
    for column in one.columns:
        groups = _groups(column)
        if runs and runs[-1][0] == groups:
            runs[-1].append(groups)
        else:
            runs.append([groups])
    days = [space.slots[column.slot].day for column in one.columns if column.slot >= 0]
    told = ", ".join(f"{len(run)} x {run[0]}" if len(run) > 1 else run[0] for run in runs)
    return f"{len(one.columns)} from {_when(days[0])} to {_when(days[-1])}: {told}"


def _cautions(report: AuditReport | None) -> str:
    """Open cautions of a programme's audit, ``-`` where there are none or nothing was audited."""
    if report is None:
        return "-"
    return str(sum(1 for one in report.findings if one.severity == "caution" and one.accepted is None) or "-")


def _groups(column: Any) -> str:
    return "+".join(strip.short(group) for group in column.uses.by_group) or "-"


def _when(day: int) -> str:
    return words.day(datetime.date.fromordinal(day))


def _seasons(answer: Draft, paper: Paper) -> None:
    seen: set[tuple[int, ...]] = set()
    told: set[str] = set()
    for name, report in answer.reports.items():
        key = tuple(column.number for column in answer.front.named[name].columns)
        if key in seen or not key:
            continue
        seen.add(key)
        same = [other for other, one in answer.front.named.items() if tuple(c.number for c in one.columns) == key]
        made = strip.make(report)
        if made is not None:
            paper.heading(words.joined(same))
            strip.show(made, paper, told=told)


def _passes(balanced: Answer, answer: Draft, paper: Paper) -> None:
    """Pass by pass: why it is there, why on that day, with which modes, and what the next pass must avoid."""
    if not balanced.columns:
        return
    paper.heading("why these passes (the balanced programme)")
    shown = ""
    for name, kind, said in reason_rows(balanced, answer):
        if not name:
            paper.line((f"{kind}: ", "quiet"), said, indent=2, hang=4)
        elif name != shown:
            paper.line((f"{name}: ", "head"), said, indent=2, hang=5)
        else:
            paper.line((f"{kind}: ", "quiet"), said, indent=5, hang=7)
        shown = name


def reason_rows(balanced: Answer, answer: Draft) -> list[tuple[str, str, str]]:
    """Pass, what is told of it (why, why now, label, the next pass) and the words; last what is told of them all."""
    space = answer.front.space
    rows = []
    many = len(balanced.columns) > MANY
    for one in pass_reasons.of(space, balanced, brief=many):
        name = f"{one.number}. {_when(one.day)}, {one.near}"
        parts = [f"{each.target} with {words.joined(each.groups)} until {_when(each.until)}" for each in one.covers]
        kept = "already decided; " if one.kept else ""
        covers = "covers " + "; ".join(parts) if parts else "covers no target for certain"
        end = f"; without it {one.bare_without} more weighted days are bare" if one.bare_without > 0 else ""
        rows.append((name, "why", f"{kept}{covers}{end}"))
        if one.now and not one.kept:
            rows.append((name, "why now", "; ".join(one.now)))
        if one.label:
            rows.append((name, "label", "; ".join(one.label)))
        if one.avoid:
            rows.append((name, "the next pass", f"not led by {words.joined(one.avoid, 'or')} again"))
    departs = practice.broken(space, balanced.columns)
    modes = [
        f"{words.count(len(found), 'working mode')} on {target.name}"
        for target in space.view(balanced.columns).targets
        if (found := practice.working_modes(space, balanced.columns, target))
    ]
    if departs:
        rows.append(("", "good practice", f"this programme {words.joined(departs)}"))
    elif modes:
        said = f"{words.joined(modes)} over the season; no at-risk group twice in a row; the first pass as windows open"
        rows.append(("", "good practice", said))
    return rows


def _why(entries: list[WhyNot], paper: Paper, units: str, explain: bool = False) -> None:
    if not entries:
        return
    paper.heading("why not (set against the balanced programme)")
    proven = {entry.proven for entry in entries if entry.answer is not None}
    if proven:
        said = "the best programme with it: no sound one that holds it balances the three figures better"
        if False in proven:
            found = "the best programme with it that was found: sound, and not proven best"
            said = f"{said}; {found}" if True in proven else found
        paper.line((said, "quiet"), indent=2)
    for kind, said in (("product", "products"), ("group", "groups"), ("date", "spray dates")):
        chosen = [entry for entry in entries if entry.kind == kind]
        if not chosen:
            continue
        paper.line((said, "quiet"), indent=2)
        for entry in chosen:
            name = _when(int(entry.name)) if kind == "date" else entry.name
            paper.line((f"{name}: ", "head"), why_words(entry, units), indent=4, hang=8)
            if explain and entry.answer is not None:
                passes = [f"{day}: {' + '.join(tank)}" for day, tank in _tanks(entry.answer)]
                paper.line(("that programme: ", "quiet"), "; ".join(passes), indent=8, hang=10)


_PER_HA = re.compile(r"\b(\d+\.\d\d) (more|less) per ha\b")


def why_words(entry: WhyNot, units: str) -> str:
    """The rule that keeps something out, where one does, and the reason, money and amounts in these units."""

    def swap(found: re.Match[str]) -> str:
        value, _, per = words.amount(float(found[1]), "area_cost", units).partition(" ")
        return f"{value} {found[2]} {per}"

    said = words.in_units(_PER_HA.sub(swap, entry.reason), units)
    return f"{entry.rule} {said}" if entry.rule else said


def _tanks(one: Answer) -> list[tuple[str, tuple[str, ...]]]:
    """The day of each pass and what is in its tank."""
    return [
        (words.day(column.entry.date) if column.entry.date else column.entry.stage or column.entry.how, column.products)
        for column in one.columns
    ]


def as_json(answer: Draft) -> str:
    """The answer as JSON: named programmes with figures and audits, the front, and why not."""
    front = answer.front
    return jsonout.dump(
        {
            "field": front.space.field.name,
            "currency": front.space.currency,
            "proven": front.proven,
            "stopped": front.stopped,
            "front_complete": front.complete,
            # every tank mix that the labels allow, those weighed, or null where the front is not complete
            "front_over": ("all" if front.over_all else "weighed") if front.complete else None,
            "front_steps": {
                "cost_per_ha": front.resolution.cost / MONEY,
                "bare": front.resolution.bare,
                "selection_days": front.resolution.selection / SELECTION,
            },
            "passes_weighed": front.weighed or sum(not column.kept for column in front.space.columns),
            "passes_allowed": front.allowed or None,
            "rules_left_to_the_audit": front.left_to_audit,
            "no_pass": _figures(front.nothing, answer),
            "programmes": {
                name: {**_figures(one, answer), "audit": jsonout.document(answer.reports[name])}
                for name, one in front.named.items()
            },
            "reasons": [_reason(one) for one in _reasons(answer)],
            "departs_from_practice": _departs(answer),
            "front": [_figures(one, answer) for one in sorted(front.points, key=lambda point: point.point)],
            "why_not": [
                {
                    "kind": entry.kind,
                    "name": datetime.date.fromordinal(int(entry.name)).isoformat()
                    if entry.kind == "date"
                    else entry.name,
                    "rule": entry.rule or None,
                    "reason": entry.reason,
                    "more_cost_per_ha": entry.more_cost,
                    "more_bare": entry.more_bare,
                    "more_selection_days": entry.more_selection,
                    "proven": entry.proven,
                    "passes": [
                        {"date": column.entry.date, "products": list(column.products)}
                        for column in (entry.answer.columns if entry.answer is not None else ())
                    ],
                }
                for entry in answer.why
            ],
        }
    )


def _figures(one: Answer, answer: Draft) -> dict[str, Any]:
    space = answer.front.space
    return {
        "cost_per_ha": round(one.cost / MONEY, 4),
        "on_hand_per_ha": round(space.money(one.columns)[1] / MONEY, 4),
        "bare": one.bare,
        "selection_days": one.selection / SELECTION,
        "proven": one.proven,
        "passes": [
            {
                "date": datetime.date.fromordinal(space.slots[column.slot].day).isoformat()
                if column.slot >= 0
                else None,
                "products": list(column.products),
                "groups": list(column.uses.by_group),
                "kept": column.kept,
            }
            for column in one.columns
        ],
    }


def _shown(answer: Draft) -> Answer:
    return answer.front.named.get("balanced") or next(iter(answer.front.named.values()))


def _reasons(answer: Draft) -> list[pass_reasons.PassReason]:
    return pass_reasons.of(answer.front.space, _shown(answer))


def _departs(answer: Draft) -> list[str]:
    return practice.broken(answer.front.space, _shown(answer).columns)


def _reason(one: pass_reasons.PassReason) -> dict[str, Any]:
    return {
        "pass": one.number,
        "covers": [
            {
                "target": each.target,
                "groups": list(each.groups),
                "until": datetime.date.fromordinal(each.until).isoformat(),
            }
            for each in one.covers
        ],
        "bare_without": one.bare_without,
        "why_now": list(one.now),
        "label": list(one.label),
        "next_pass_not_led_by": list(one.avoid),
    }
