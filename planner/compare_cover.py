"""Bare days and working modes of programmes, per target."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from typing import Any

from planner.account import Account, TargetState
from planner.compare_selection import Side, listed
from planner.model import AuditReport


def rows(sides: Sequence[Side], reports: Sequence[AuditReport]) -> Iterator[dict[str, Any]]:
    """Per target: bare days and working modes of each programme, and the difference where it can be told."""
    names = {t.id: t.name for side in sides for t in side.account.targets}
    for target, name in names.items():
        cells = [_cover_cell(side, one, target) for side, one in zip(sides, reports, strict=True)]
        differences = []
        for other in cells[1:]:
            low = _less(other, cells[0])
            differences.append(
                {
                    "programme": other["programme"],
                    "beside": cells[0]["programme"],
                    "bare_days": low if isinstance(low, int) else None,
                    "not_assessed": low if isinstance(low, str) else "",
                }
            )
        yield {"target": target, "name": name, "cells": cells, "against": differences}


def _cover_cell(side: Side, one: AuditReport, target: str) -> dict[str, Any]:
    row = next((entry for entry in one.cover if entry["target"] == target), None)
    state = next((entry for entry in side.account.targets if entry.id == target), None)
    found: dict[str, Any] = {"programme": side.label, "window": None, "bare_days": None, "unknown_days": 0}
    if row is None or state is None:
        return {**found, "modes": [], "per_pass": {}, "why": f"the field of {side.label} does not name it as a target"}
    found["window"], found["bare_days"] = row["window"], row["bare_days"]
    found["unknown_days"] = sum(_length(run) for run in row["days"] if run["modes"] is None)
    working, open_ = _modes(side.account, state)
    return {
        **found,
        "modes": [side.account.group_words(group) for group in working],
        "modes_unknown": open_,
        "per_pass": {
            one.number: side.account.working_groups(one, state)
            for one in side.account.passes
            if side.account.works(one, state) is not False
        },
        "why": "" if row["window"] else "its window has no dates here",
    }


def _modes(account: Account, target: TargetState) -> tuple[list[str], list[str]]:
    """Groups that work on a target over the season (joined ones once), and actives that may work on it."""
    groups: list[str] = []
    open_: dict[str, None] = {}
    for state in account.passes:
        if account.works(state, target) is False:
            continue
        for use in state.uses:
            value = account.effect(use, target).value
            if value is None:
                open_[use.active.name] = None
            elif value and not any(account.joined(use.group, other, "mixing") for other in groups):
                groups.append(use.group)
    return groups, list(open_)


def _length(run: dict[str, Any]) -> int:
    return (date.fromisoformat(run["to"]) - date.fromisoformat(run["from"])).days + 1


def _less(other: dict[str, Any], first: dict[str, Any]) -> int | str:
    """Bare days of one programme less those of the first, or why that cannot be told."""
    for one in (first, other):
        if one["bare_days"] is None:
            return one["why"] or "its window has no dates here"
    if first["window"] != other["window"]:
        return "the windows are not the same days"
    if (first["unknown_days"], first["bare_days"]) != (other["unknown_days"], other["bare_days"]):
        for one in (first, other):
            if one["unknown_days"]:
                actives = listed(one.get("modes_unknown") or ())
                doubt = f"whether {actives} works" if actives else "for how long its actives protect"
                return f"on {one['unknown_days']} days of {one['programme']} it is not known {doubt}"
    return int(other["bare_days"]) - int(first["bare_days"])
