"""Who is protected on which day: per target, the number of effective modes of action day by day."""

from __future__ import annotations

from datetime import date
from itertools import pairwise
from typing import Any

from planner.account import Account, PassState, TargetState

Span = tuple[int, int, str]  # first day, last day (ordinals, both covered), group key


def spans(account: Account, target: TargetState) -> tuple[list[Span], list[tuple[int, int]]]:
    """Stretches that an effective use covers, and stretches that only a use of unknown effect may cover."""
    covered: list[Span] = []
    open_: list[tuple[int, int]] = []
    for state in account.passes:
        day = state.time.day
        if day is None or account.works(state, target) is False:
            continue
        _add(account, state, target, day, covered, open_)
    return covered, open_


def _add(
    account: Account,
    state: PassState,
    target: TargetState,
    day: int,
    covered: list[Span],
    open_: list[tuple[int, int]],
) -> None:
    for use in state.uses:
        value = account.effect(use, target).value
        if value is False:
            continue
        end = account.cover_end(use, state, target)
        if value and end is not None and end > day:
            covered.append((day, end - 1, use.group))
        elif value is None or end is None:
            open_.append((day, (end or day + 1) - 1))


def days_of(account: Account, target: TargetState) -> list[tuple[int, int, int | None]]:
    """Runs of equal cover inside the window: first and last ordinal, number of modes (None: not known)."""
    window = target.window
    if window is None or window.first is None or window.last is None or window.last < window.first:
        return []
    covered, open_ = spans(account, target)
    edges = {window.first, window.last + 1}
    for first, last in [(span[0], span[1]) for span in covered] + open_:
        for edge in (first, last + 1):
            if window.first < edge <= window.last:
                edges.add(edge)
    marks = sorted(edges)
    runs: list[tuple[int, int, int | None]] = []
    for start, stop in pairwise(marks):
        groups: list[str] = []
        for first, last, group in covered:
            if first <= start <= last and not any(account.joined(group, other, "mixing") for other in groups):
                groups.append(group)
        unclear = any(first <= start <= last for first, last in open_)
        modes = None if not groups and unclear else len(groups)
        if runs and runs[-1][2] == modes:
            runs[-1] = (runs[-1][0], stop - 1, modes)
        else:
            runs.append((start, stop - 1, modes))
    return runs


def bare_days(account: Account, target: TargetState) -> int | None:
    """Days inside the window that nothing effective covers; None where the window has no dates."""
    if target.window is None or target.window.first is None or target.window.last is None:
        return None
    return sum(last - first + 1 for first, last, modes in days_of(account, target) if modes == 0)


def rows(account: Account) -> tuple[dict[str, Any], ...]:
    """Cover of every target, as the report carries it."""
    found = []
    for target in account.targets:
        window = target.window
        known = (
            window is not None and window.first is not None and window.last is not None and not account.season.floating
        )
        row: dict[str, Any] = {
            "target": target.id,
            "name": target.name,
            "window": [_iso(window.first), _iso(window.last)] if known and window is not None else None,
            "stages": [window.first_stage, window.last_stage] if window is not None else None,
            "estimated": window.estimated if window is not None else True,
            "style": target.target.timing_style,
            "pressure": target.entry.pressure,
            "bare_days": bare_days(account, target) if known else None,
            "days": [],
        }
        if known:
            row["days"] = [
                {"from": _iso(first), "to": _iso(last), "modes": modes}
                for first, last, modes in days_of(account, target)
            ]
        found.append(row)
    return tuple(found)


def _iso(day: int | None) -> str:
    assert day is not None
    return date.fromordinal(day).isoformat()
