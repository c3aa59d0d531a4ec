"""Who is protected on which day: per target, the number of effective modes of action day by day.

Every use that works counts from its pass for its days of protection (the label's, else the lower end of the published
ones: ``Account.cover_end``). A day's figure is about the leaves that the pass met. For what unfolds later
``new_leaves`` counts only modes whose published mobility takes them there, and is ``None`` where no source says so.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date
from functools import lru_cache
from typing import Any

from planner.account import Account, Cap, PassState, TargetState, Use
from planner.model import Truth

Span = tuple[int, int, str]  # first day, last day (ordinals, both covered), group key
Run = tuple[int, int, int | None]  # first day, last day, modes (None: not known)
_Lasting = tuple[PassState, Use, int, int | None, Truth]  # day, end of cover (None: not known), effective

# Does the active reach leaves that unfold after the pass? From catalog/mobility.yaml: a contact active "stays on the
# surface; new growth needs repeat sprays" (read); a systemic one "moves up and down" (read; that this takes it into
# leaves to come is our reading). Of the other classes the sources say how far they move within a leaf, and no more.
_REACHES_NEW_LEAVES: dict[str, bool] = {"contact": False, "systemic": True}


def reaches_new_leaves(mobility: str) -> Truth:
    """Whether an active of this mobility protects leaves that unfold after the pass; None: no source says."""
    return _REACHES_NEW_LEAVES.get(mobility)


def spans(account: Account, target: TargetState) -> tuple[list[Span], list[tuple[int, int]]]:
    """Stretches that an effective use covers, and stretches on which only a use of unknown effect (or days) does."""
    return _spans(_uses(account, target))


def _spans(uses: Iterable[_Lasting]) -> tuple[list[Span], list[tuple[int, int]]]:
    covered: list[Span] = []
    open_: list[tuple[int, int]] = []
    for _, use, day, end, value in uses:
        if value and end is not None and end > day:
            covered.append((day, end - 1, use.group))
        elif value is None or (value and end is None):
            open_.append((day, (end or day + 1) - 1))
    return covered, open_


def _uses(account: Account, target: TargetState) -> Iterator[_Lasting]:
    """Uses of the passes that may work against the target: day, end of cover (not covered any more), effective."""
    for state in account.passes:
        day = state.time.day
        if day is None or account.works(state, target) is False:
            continue
        for use in state.uses:
            yield state, use, day, account.cover_end(use, state, target), account.effect(use, target).value


def days_of(account: Account, target: TargetState) -> list[Run]:
    """Runs of equal cover inside the window: first and last ordinal, number of modes (None: not known)."""
    covered, open_ = spans(account, target)
    return _runs(account, target, covered, open_)


def _runs(account: Account, target: TargetState, covered: list[Span], open_: list[tuple[int, int]]) -> list[Run]:
    window = target.window
    if window is None or window.first is None or window.last is None or window.last < window.first:
        return []
    first, stop = window.first, window.last + 1
    changes: dict[int, list[tuple[str, int]]] = {}
    names = _names(account, covered)
    for begin, last, group in [(a, b, names[key]) for a, b, key in covered] + [(a, b, "") for a, b in open_]:
        begin, end = max(begin, first), min(last + 1, stop)
        if begin < end:
            changes.setdefault(begin, []).append((group, 1))
            changes.setdefault(end, []).append((group, -1))
    marks = sorted({first, stop, *changes})
    standing: dict[str, int] = {}
    runs: list[Run] = []
    for at, begin in enumerate(marks[:-1]):
        for group, step in changes.get(begin, ()):
            standing[group] = standing.get(group, 0) + step
        modes: int | None = sum(1 for group, number in standing.items() if group and number > 0)
        if modes == 0 and standing.get("", 0) > 0:
            modes = None
        if runs and runs[-1][2] == modes:
            runs[-1] = (runs[-1][0], marks[at + 1] - 1, modes)
        else:
            runs.append((begin, marks[at + 1] - 1, modes))
    return runs


def _names(account: Account, covered: list[Span]) -> dict[str, str]:
    """One name for all groups that count as one mode of action."""
    found: dict[str, str] = {}
    for _, _, group in covered:
        if group not in found:
            found[group] = next((name for key, name in found.items() if account.joined(group, key, "mixing")), group)
    return found


def bare_days(account: Account, target: TargetState, runs: list[Run] | None = None) -> int | None:
    """Days inside the window that nothing effective covers; None where the window has no dates."""
    if target.window is None or target.window.first is None or target.window.last is None:
        return None
    runs = days_of(account, target) if runs is None else runs
    return sum(last - first + 1 for first, last, modes in runs if modes == 0)


def rows(account: Account, *, detail: bool = True) -> tuple[dict[str, Any], ...]:
    """Cover of every target, as the report carries it (shape: planner/render/__init__.py).

    ``detail`` adds ``uses`` (each active that may work: days, what they rest on, class, report, mobility, rate) and, in
    each run of days, ``new_leaves``.
    """
    found = []
    for target in account.targets:
        window = target.window
        dated = window is not None and window.first is not None and window.last is not None
        known = dated and not account.season.floating
        uses = list(_uses(account, target)) if known else []
        runs = _runs(account, target, *_spans(uses)) if known else []
        row: dict[str, Any] = {
            "target": target.id,
            "name": target.name,
            "window": [_iso(window.first), _iso(window.last)] if known and window is not None else None,
            "stages": [window.first_stage, window.last_stage] if window is not None else None,
            "estimated": window.estimated if window is not None else True,
            "style": target.target.timing_style,
            "pressure": target.entry.pressure,
            "bare_days": bare_days(account, target, runs) if known else None,
            "days": [],
        }
        if known:
            row["days"] = [{"from": _iso(first), "to": _iso(last), "modes": modes} for first, last, modes in runs]
            if detail:
                moving, unsure = _by_growth(uses)
                for run, (first, last, _) in zip(row["days"], runs, strict=True):
                    run["new_leaves"] = _on_new_leaves(account, first, last, moving, unsure)
                row["uses"] = [_use_row(account, state, use, target, day, end) for state, use, day, end, _ in uses]
        found.append(row)
    return tuple(found)


# --- leaves that unfold after the pass ------------------------------------------------------------------------------


def _by_growth(uses: Iterable[_Lasting]) -> tuple[list[Span], list[tuple[int, int]]]:
    """Stretches on which an effective use reaches new leaves, and those on which no source says whether one does."""
    moving: list[Span] = []
    unsure: list[tuple[int, int]] = []
    for _, use, day, end, value in uses:
        reach = reaches_new_leaves(use.active.mobility)
        if value is False or reach is False:
            continue
        if value and reach and end is not None and end > day:
            moving.append((day, end - 1, use.group))
        else:
            unsure.append((day, (end or day + 1) - 1))
    return moving, unsure


def _on_new_leaves(
    account: Account, first: int, last: int, moving: list[Span], unsure: list[tuple[int, int]]
) -> int | None:
    """The least number of modes on new leaves over a run of days; None where it is not known on some day of it."""
    if any(begin <= last and end >= first for begin, end in unsure):
        return None
    names = _names(account, moving)
    return len({names[group] for begin, end, group in moving if begin <= first and end >= last})


# --- what each use rests on -----------------------------------------------------------------------------------------


def _use_row(
    account: Account, state: PassState, use: Use, target: TargetState, day: int, end: int | None
) -> dict[str, Any]:
    effect = account.effect(use, target)
    least = use.label.rate_least if use.label is not None else None
    rate = use.item.rate
    share = rate / least if rate is not None and least else None
    return {
        "pass": use.number,
        "active": use.active.name,
        "product": use.item.product,
        "group": use.group,
        "from": _iso(day),
        "to": _iso(end - 1) if end is not None and end > day else None,
        "rests_on": _days_rest_on(account, state, use, target),
        "effective": effect.value,
        "because": _because(account, use, target),
        "mobility": use.active.mobility or None,
        "new_leaves": reaches_new_leaves(use.active.mobility),
        "rate_below_label": None if share is None else share < 1 - 1e-9,
        "share_of_least_rate": None if share is None else round(share, 3),
    }


def _days_rest_on(account: Account, state: PassState, use: Use, target: TargetState) -> str:
    row = account.protection(use, state, target)
    if row is None:
        return "no published days of protection"
    days = f"{row.least:g} days" if row.least == row.most else f"{row.least:g} of {row.least:g} to {row.most:g} days"
    if row.kind == "label":
        return f"{row.least:g} days, the label"
    return f"{days}, {row.kind} ({row.backing.words})"


def _because(account: Account, use: Use, target: TargetState) -> str:
    effect = account.effect(use, target)
    basis = {"label": "the label", "active": "the active's rating", "group": "its group's rating"}
    if effect.standing.level == "lost":
        return f"no longer works here: {effect.standing.words}"
    if effect.rated.rank is None:
        return f"its rating on {target.name} is not known"
    said = f"{effect.rated.words} by {basis.get(effect.rated.basis, effect.rated.basis)}"
    if effect.standing.level == "reduced":
        said += f"; works less well than it did: {effect.standing.words}"
    return said + _grade(effect.cap)


def _grade(cap: Cap) -> str:
    return f" ({cap.reason})" if cap.reason else ""


@lru_cache(maxsize=4096)
def _iso(day: int | None) -> str:
    assert day is not None
    return date.fromordinal(day).isoformat()
