"""Programmes side by side: passes, money, findings, cover, limits and what they select for.

The first programme is the one that the others are held against. A difference that hangs on an unknown fact is told as
"not assessed", with the fact to supply; no programme is called the better one on such a ground.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from planner import compare_cover, compare_findings, compare_money, compare_selection, exposure
from planner.account import Account
from planner.audit import report, rules_of
from planner.catalogue import Catalogue
from planner.compare_selection import SEASONS, Side, listed
from planner.engine import Backend
from planner.errors import InputError
from planner.model import AuditReport, Programme, Struct

NEAR = 7
"""Days. Passes of two programmes that lie so close share a row (a matter of print, no source)."""

LABELS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


class Comparison(Struct, frozen=True, kw_only=True):
    """The whole answer; every part is plain data."""

    reports: tuple[AuditReport, ...]
    labels: tuple[str, ...]
    programmes: tuple[dict[str, Any], ...]
    passes: tuple[dict[str, Any], ...]
    cost: tuple[dict[str, Any], ...]
    findings: tuple[dict[str, Any], ...]
    cover: tuple[dict[str, Any], ...]
    selection: tuple[dict[str, Any], ...]
    limits: tuple[dict[str, Any], ...]
    forecast: dict[str, Any] | None
    summary: tuple[dict[str, Any], ...]
    notices: tuple[str, ...]
    rests_on: dict[str, dict[str, Any]]
    bushel_kg: float | None
    sources: dict[str, str]


def compare(
    programmes: Sequence[Programme],
    catalogue: Catalogue,
    *,
    backend: Backend = "auto",
    rules: Sequence[Path | str] = (),
    growth_rate: float | None = None,
    start_fraction: float | None = None,
    seasons: int = SEASONS,
) -> Comparison:
    """Hold programmes against the first of them.

    Args:
        programmes: two or more, with field and products loaded.
        growth_rate, start_fraction: per day, and the resistant fraction at the start; both or neither. Only with both
            is anything said about seasons.
        seasons: how many seasons the predicted course covers.

    Raises:
        InputError: fewer than two or more than 26 programmes, or programmes for different crops.
        ValueError: a growth rate or a fraction that cannot be.
        EngineError: the rule engine failed.
    """
    _check(programmes)
    book = rules_of(tuple(rules))
    accounts = [Account(programme, catalogue) for programme in programmes]
    reports = tuple(report(account, book, backend=backend, detail=True) for account in accounts)
    sides = [Side(label, account) for label, account in zip(LABELS, accounts, strict=False)]
    found = compare_selection.rows(sides)
    course = None
    if growth_rate is not None and start_fraction is not None:
        course = compare_selection.forecast(found, growth_rate, start_fraction, seasons)
    for row in found:
        row["passes"] = {one.side.label: compare_selection.passes(one) for one in row.pop("_cells")}
    covers = tuple(compare_cover.rows(sides, reports))
    costs = tuple(compare_money.costs(sides, reports))
    limits = tuple(compare_findings.limits(sides, reports))
    return Comparison(
        reports=reports,
        labels=tuple(side.label for side in sides),
        programmes=tuple(_about(side, one) for side, one in zip(sides, reports, strict=True)),
        passes=tuple(_passes(sides, reports)),
        cost=costs,
        findings=tuple(
            compare_findings.findings(sides[0], reports[0], side, one)
            for side, one in zip(sides[1:], reports[1:], strict=True)
        ),
        cover=covers,
        selection=tuple(found),
        limits=limits,
        forecast=course,
        summary=tuple(_summary(sides[0], side, found, covers) for side in sides[1:]),
        notices=tuple(_notices(programmes)),
        rests_on=exposure.rests_on(catalogue),
        bushel_kg=accounts[0].crop.bushel_kg,
        sources=compare_findings.sources(limits, reports, catalogue),
    )


def _check(programmes: Sequence[Programme]) -> None:
    if len(programmes) < 2:
        raise InputError("planner", "one programme alone cannot be compared", "name two or more programmes")
    if len(programmes) > len(LABELS):
        raise InputError("planner", f"{len(programmes)} programmes at once", f"name {len(LABELS)} or fewer")
    first = programmes[0]
    for other in programmes[1:]:
        if other.field.crop != first.field.crop:
            raise InputError(
                other.file or other.name,
                f"is for {other.field.crop}, while {first.file or first.name} is for {first.field.crop}",
                "compare programmes for one crop",
            )


def _about(side: Side, one: AuditReport) -> dict[str, Any]:
    programme = one.programme
    open_ = Counter(finding.severity for finding in one.findings if finding.accepted is None)
    return {
        "label": side.label,
        "name": programme.name or programme.field.name or programme.file,
        "file": programme.file,
        "field": programme.field.name,
        "checksum": programme.checksum,
        "verdict": one.verdict,
        "findings": {severity: open_.get(severity, 0) for severity in ("breach", "caution", "advice")},
        "not_assessed": len(one.not_assessed),
        "passes": len(programme.passes),
        "cost": {key: one.totals["cost"][key] for key in ("per_ha", "total", "currency", "missing")},
        "groups": {code: entry["passes"] for code, entry in one.totals["groups"].items()},
    }


def _notices(programmes: Sequence[Programme]) -> Iterator[str]:
    first = programmes[0].field
    for label, programme in zip(LABELS[1:], programmes[1:], strict=False):
        if programme.field != first:
            yield (
                f"{label} is for another field document than A; targets, dates and prices are each read from its own "
                "field, so part of a difference may be the field's"
            )


# --- pass by pass ---------------------------------------------------------------------------------------------------


def _passes(sides: Sequence[Side], reports: Sequence[AuditReport]) -> list[dict[str, Any]]:
    """Rows of passes that lie within a week of each other, one of each programme at most; undated ones by number."""
    waiting = [
        (state.time.day if state.time.day is not None else 10**7 + state.number, at, state)
        for at, side in enumerate(sides)
        for state in side.account.all_states
    ]
    rows: list[tuple[int, dict[int, Any]]] = []
    for day, at, state in sorted(waiting, key=lambda entry: entry[:2]):
        if rows and at not in rows[-1][1] and day - rows[-1][0] <= NEAR:
            rows[-1][1][at] = state
        else:
            rows.append((day, {at: state}))
    found = []
    for number, (_, row) in enumerate(rows, start=1):
        cells = [_pass(side, row[at], reports[at]) if at in row else None for at, side in enumerate(sides)]
        found.append({"row": number, "cells": cells, "notes": _pass_notes(sides, cells)})
    return found


def _pass(side: Side, state: Any, report_: AuditReport) -> dict[str, Any]:
    entry, account = state.entry, side.account
    cost = report_.totals["cost"]
    money = next((one["per_ha"] for one in cost["passes"] if one["pass"] == entry.number), None)
    return {
        "programme": side.label,
        "pass": entry.number,
        "date": entry.date.isoformat() if entry.date else None,
        "stage": entry.stage,
        "how": entry.how,
        "groups": list(state.by_group),
        "words": [account.group_words(group) for group in state.by_group],
        "actives": list(dict.fromkeys(use.active.name for use in state.uses)),
        "products": list(dict.fromkeys(item.product for item in entry.tank if item.product)),
        "per_ha": None if cost["missing"] else money,  # with a price missing somewhere, a pass's sum may lack it
        "works_on": {
            target.id: account.working_groups(state, target)
            for target in account.targets
            if account.works(state, target) is not False
        },
    }


def _pass_notes(sides: Sequence[Side], cells: Sequence[dict[str, Any] | None]) -> list[str]:
    """What is different between the first programme's pass and each other one, in words."""
    first, found = cells[0], []
    there = [cell["programme"] for cell in cells if cell is not None]
    if len(there) == 1:
        return [f"only {there[0]} has a pass here"]
    for side, other in zip(sides[1:], cells[1:], strict=True):
        if first is None and other is None:
            continue
        if first is None or other is None:
            found.append(f"{sides[0].label if first is None else side.label} has no pass here")
            continue
        words = dict(zip(first["groups"], first["words"], strict=True)) | dict(
            zip(other["groups"], other["words"], strict=True)
        )
        gone = [words[group] for group in first["groups"] if group not in other["groups"]]
        new = [words[group] for group in other["groups"] if group not in first["groups"]]
        parts = [f"{' and '.join(new)} added"] if new else []
        parts += [f"{' and '.join(gone)} left out"] if gone else []
        if not parts and (first["products"], first["actives"]) != (other["products"], other["actives"]):
            parts = ["the product changed, the group did not"]
        if parts:
            found.append(f"{side.label} against {sides[0].label}: {', '.join(parts)}")
    return list(dict.fromkeys(found))


# --- the whole ------------------------------------------------------------------------------------------------------


def _summary(one: Side, two: Side, rows: Sequence[dict[str, Any]], covers: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Who selects less over all targets and groups, only where nothing unknown and no turn stands in the way."""
    first, other = one.label, two.label
    told = [(row, entry) for row in rows for entry in row["against"] if entry["programme"] == other]
    less = [row for row, entry in told if entry["verdict"] == "less"]
    more = [row for row, entry in told if entry["verdict"] == "more"]
    turns = [entry for _, entry in told if entry["verdict"] == "turns"]
    open_ = [entry for _, entry in told if entry["verdict"] == "not assessed"]
    verdict, text = "same", f"{first} and {other} select alike on every group and target, as far as the figures go"
    if not told:
        verdict, text = (
            "not assessed",
            (
                "what the programmes select for is not assessed: name the field's targets, and use products that are "
                "rated on them"
            ),
        )
    elif open_:
        verdict = "not assessed"
        count = f"{len(open_)} of {len(told)} differences" if len(told) > 1 else "the difference"
        text = f"which of {first} and {other} selects less over all is not assessed: {count} hangs on an unknown fact"
    elif turns:
        verdict = "turns"
        text = (
            f"which of {first} and {other} selects less depends on how long the residues last, which is not known "
            "well enough to name one"
        )
    elif less and more:
        verdict = "mixed"
        text = f"neither selects less throughout: {other} less for {_named(less)}, more for {_named(more)}"
    elif less:
        verdict, text = "less", f"{other} selects less than {first} for {_named(less)}, and nowhere more"
    elif more:
        verdict, text = "more", f"{other} selects more than {first} for {_named(more)}, and nowhere less"
    cover = _cover_words(first, other, covers)
    cover += [entry["text"] for _, entry in told if entry["verdict"] == "lost"]
    cover += [said for side in (one, two) for said in _cut(side)]
    return {"programme": other, "beside": first, "verdict": verdict, "text": text, "cover": cover}


def _cut(side: Side) -> list[str]:
    """Rates below the label: they lower the figure of their own group, which must not be read as advice."""
    found: dict[str, list[int]] = {}
    for state in side.account.passes:
        for use in state.uses:
            least = use.label.rate_least if use.label is not None else None
            if least and use.item.rate is not None and use.item.product and use.item.rate < least * (1 - 1e-9):
                found.setdefault(use.item.product, []).append(state.number)
    return [
        f"{side.label} puts {product} below its label's least rate (pass {listed(map(str, dict.fromkeys(numbers)))}); "
        "a lower figure from a cut rate is no reason to cut one: the label's rates stand"
        for product, numbers in found.items()
    ]


def _named(rows: Sequence[dict[str, Any]]) -> str:
    by_target: dict[str, list[str]] = {}
    for row in rows:
        by_target.setdefault(row["name"], []).append(row["words"])
    return "; ".join(f"{listed(groups)} on {name}" for name, groups in by_target.items())


def _cover_words(first: str, other: str, covers: Sequence[dict[str, Any]]) -> list[str]:
    """How the cover stands beside it: an index bought with bare leaves is no gain."""
    found = []
    for row in covers:
        one = next(entry for entry in row["against"] if entry["programme"] == other)
        if one["bare_days"] is None:
            found.append(f"bare days on {row['name']}: not assessed, because {one['not_assessed']}")
        elif one["bare_days"]:
            much = abs(one["bare_days"])
            days = f"{much} day" if much == 1 else f"{much} days"
            more = "more" if one["bare_days"] > 0 else "fewer"
            found.append(f"{other} leaves {row['name']} bare on {days} {more} than {first}")
    return found
