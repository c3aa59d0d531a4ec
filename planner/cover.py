"""Who is protected on which day: per target, the number of effective modes of action day by day.

Every use that works counts from its pass for its days of protection (the label's, else the lower end of the published
ones: ``Account.cover_end``). A day's figure is about the leaves that the pass met, and it is the measure of findings.

New growth has a figure of its own (``new_leaves``): leaves that unfold after a pass are protected only by actives whose
published mobility takes them there, and by any active once the crop unfolds leaves no more (``planner.leaves``).

A rate under the label's least has no known days: labels and tables give days for label rates only. From such a pass to
the day on which full cover would end the count is not known; after that day the crop is bare. An active without any
published days leaves the days after its pass open. Neither is ever counted as cover, nor its days as bare.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date
from functools import lru_cache
from typing import Any, NamedTuple

from planner.account import Account, Cap, PassState, TargetState, Use
from planner.leaves import FAR, Growth, growth, reached
from planner.model import Protection, Truth
from planner.season import Window

Span = tuple[int, int, str]  # first day, last day (ordinals, both covered), group key
Open = tuple[int, int]  # first day, last day on which cover is not known
Run = tuple[int, int, int | None]  # first day, last day, modes (None: not known)
Both = tuple[int, int, int | None, int | None]  # the same, and modes on new leaves
# day of the pass, first day not covered (None: not known), first day surely not covered, effective
_Lasting = tuple[PassState, Use, int, int | None, int, Truth]


def spans(account: Account, target: TargetState) -> tuple[list[Span], list[Open]]:
    """Stretches that an effective use covers, and stretches on which only a use of unknown effect (or days) does."""
    return _spans(_uses(account, target))


def _spans(uses: Iterable[_Lasting]) -> tuple[list[Span], list[Open]]:
    covered: list[Span] = []
    open_: list[Open] = []
    for _, use, day, end, latest, value in uses:
        if value and end is not None:
            if end > day:
                covered.append((day, end - 1, use.group))
        elif value is not False:
            open_.append((day, (latest if end is None else end) - 1))
    return covered, open_


def _uses(account: Account, target: TargetState) -> Iterator[_Lasting]:
    """Uses of the passes that may work against the target, with their days and effect."""
    for state in account.passes:
        day = state.time.day
        if day is None or account.works(state, target) is False:
            continue
        for use in state.uses:
            end = account.cover_end(use, state, target)
            latest = end if end is not None else account.longest_end(use, state, target) or FAR
            yield state, use, day, end, latest, account.effect(use, target).value


def days_of(account: Account, target: TargetState) -> list[Run]:
    """Runs of equal cover inside the window: first and last ordinal, number of modes (None: not known).

    A window whose end is not dated is counted to its last dated stage.
    """
    covered, open_ = spans(account, target)
    return _runs(account, target, covered, open_)


def _runs(
    account: Account, target: TargetState, covered: list[Span], open_: list[Open], last: int | None = None
) -> list[Run]:
    """``days_of`` over these stretches, to ``last`` where the end of the window is not dated."""
    window = target.window
    if window is None or window.first is None:
        return []
    first, last = window.first, window.through if last is None else last
    if last is None or last < first:
        return []
    stop = last + 1
    names = _names(account, covered)
    events: list[tuple[int, int, str]] = []  # day, 1 begins or -1 ends, group (empty: cover that is not known)
    for begin, last, group in [*((a, b, names[key]) for a, b, key in covered), *((a, b, "") for a, b in open_)]:
        begin, end = begin if begin > first else first, last + 1 if last < stop else stop
        if begin < end:
            events += ((begin, 1, group), (end, -1, group))
    events.sort()
    standing: dict[str, int] = {}
    number = unknown = 0
    at = first
    runs: list[Run] = [(first, first - 1, -1)]  # an empty run to begin with
    for day, step, group in [*events, (stop, 0, "")]:
        if day > at:
            modes = None if unknown and not number else number
            if runs[-1][2] == modes:
                runs[-1] = (runs[-1][0], day - 1, modes)
            else:
                runs.append((at, day - 1, modes))
            at = day
        if not group:
            unknown += step
        else:
            standing[group] = now = standing.get(group, 0) + step
            number += (step > 0 and now == 1) - (step < 0 and now == 0)
    return runs[1:]


def _names(account: Account, covered: list[Span]) -> dict[str, str]:
    """One name for all groups that count as one mode of action."""
    found: dict[str, str] = {}
    for _, _, group in covered:
        if group not in found:
            found[group] = next((name for key, name in found.items() if account.joined(group, key, "mixing")), group)
    return found


def bare_days(account: Account, target: TargetState, runs: list[Run] | None = None) -> int | None:
    """Days inside the window that nothing effective covers; None where the window has no dates."""
    if target.window is None or target.window.first is None or target.window.through is None:
        return None
    runs = days_of(account, target) if runs is None else runs
    return sum(last - first + 1 for first, last, modes in runs if modes == 0)


def rows(account: Account, *, detail: bool = True) -> tuple[dict[str, Any], ...]:
    """Cover of every target, as the report carries it (shape: planner/render/__init__.py).

    ``detail`` adds ``uses`` (each active that may work: days, what they rest on, class, report, mobility, rate) and
    ``growth`` (until when the crop unfolds leaves, and from which day to which new leaves are bare), and ``new_leaves``
    in each run of days.
    """
    found = []
    until = growth(account) if detail and account.targets else Growth()
    rests: dict[int, str] = {}
    for target in account.targets:
        window = target.window
        first, last, sure_to = _days_shown(account, target)
        known = first is not None and last is not None
        uses = list(_uses(account, target)) if known else []
        runs = _open_after(_runs(account, target, *_spans(uses), last), sure_to) if known else []
        row: dict[str, Any] = {
            "target": target.id,
            "name": target.name,
            "window": [_iso(first), _iso(last)] if known else None,
            "stages": [window.first_stage, window.last_stage] if window is not None else None,
            "estimated": window.estimated if window is not None else True,
            "style": target.target.timing_style,
            "pressure": target.entry.pressure,
            "bare_days": sum(end - begin + 1 for begin, end, modes in runs if modes == 0) if known else None,
            "days": [],
        }
        if window is not None and (not known or window.last is None):
            row["not_dated"] = _not_dated(account, window)
        if known:
            row["days"] = [{"from": _iso(first), "to": _iso(last), "modes": modes} for first, last, modes in runs]
            if detail:
                young = _open_after(_runs(account, target, *_on_new_leaves(uses, until), last), sure_to)
                both = _both(runs, young)
                for run, least in zip(row["days"], _least(runs, both), strict=True):
                    run["new_leaves"] = least
                row["growth"] = _growth_row(until, uses, young, both)
                row["uses"] = [_use_row(account, target, rests, *one) for one in uses]
        found.append(row)
    return tuple(found)


def _days_shown(account: Account, target: TargetState) -> tuple[int | None, int | None, int | None]:
    """First and last day of a target's row, and the last that is surely told; None where nothing dates it.

    Where only the end of the window is not dated, the row goes on to the last dated stage before it, and further as far
    as a pass covers: up to there the window was open, after it nobody can say that a day without cover is a bare one.
    """
    window = target.window
    if window is None or window.first is None or account.season.floating:
        return None, None, None
    if window.last is not None:
        return window.first, window.last, window.last
    sure_to = window.through
    if sure_to is None:
        return None, None, None
    covered, _ = spans(account, target)
    return window.first, max([sure_to, *(last for _, last, _ in covered)]), sure_to


def _open_after(runs: list[Run], sure_to: int | None) -> list[Run]:
    """Runs in which days after ``sure_to`` without cover are not known instead of bare."""
    if sure_to is None or not runs or runs[-1][1] <= sure_to:
        return runs
    found: list[Run] = []
    for first, last, modes in runs:
        cut = [(first, min(last, sure_to), modes), (max(first, sure_to + 1), last, modes or None)]
        for run in cut:
            if run[0] > run[1]:
                continue
            if found and found[-1][2] == run[2]:
                found[-1] = (found[-1][0], run[1], run[2])
            else:
                found.append(run)
    return found


def _not_dated(account: Account, window: Window) -> str:
    """Why a window has no days, and what would give it some."""
    if account.season.floating:
        return "the season has no dates"
    lacking = [
        stage for stage, day in ((window.first_stage, window.first), (window.last_stage, window.last)) if day is None
    ]
    cure = (
        "its date" if account.field.harvest is not None or window.last is not None else "its date or the harvest date"
    )
    return f"nothing dates {' and '.join(lacking)}; give {cure}"


# --- leaves that unfold after the pass ------------------------------------------------------------------------------


class Bare(NamedTuple):
    """Days on which leaves that unfolded after these passes are bare, while older ones are still protected."""

    first: int
    last: int
    sure: bool  # False: bare if the crop still unfolds leaves then, which nobody can say
    passes: tuple[int, ...]  # whose actives protect the older leaves


def bare_on_new_leaves(account: Account, target: TargetState, until: Growth | None = None) -> list[Bare]:
    """When new leaves are bare against a target, day by day inside its window; empty where nothing dates that."""
    if account.season.floating:
        return []
    until = growth(account) if until is None else until
    uses = list(_uses(account, target))
    runs = _runs(account, target, *_spans(uses))
    return _bare(until, uses, _both(runs, _runs(account, target, *_on_new_leaves(uses, until))))


def _on_new_leaves(uses: Iterable[_Lasting], until: Growth) -> tuple[list[Span], list[Open]]:
    """The stretches of ``spans`` as they stand on the leaves that unfold last.

    On the day of a pass all leaves there are have been met. After it those to come are protected by an active that
    moves into them, and by any active where none are to come; in part, or not known, leaves the stretch open.
    """
    covered: list[Span] = []
    open_: list[Open] = []
    for _, use, day, end, latest, value in uses:
        if value is False:
            continue
        last = (latest if end is None else end) - 1
        if last < day:
            continue
        sure = value is True and end is not None
        reach = True if until.after(day) is False else reached(use.active)
        if not sure:
            open_.append((day, last if reach is not False else day))
        elif reach:
            covered.append((day, last, use.group))
        else:
            covered.append((day, day, use.group))
            if reach is None and last > day:
                open_.append((day + 1, last))
    return covered, open_


def _both(runs: list[Run], young: list[Run]) -> list[Both]:
    """Two counts over the same days as one list of stretches: modes on the leaves that were met, on new leaves."""
    found: list[Both] = []
    at = 0
    for first, last, modes in runs:
        while young[at][0] < first and young[at][1] < first:
            at += 1
        while True:
            begin, end, count = young[at]
            found.append((max(begin, first), min(end, last), modes, count))
            if end >= last:
                break
            at += 1
    return found


def _least(runs: list[Run], both: list[Both]) -> Iterator[int | None]:
    """For each run the least number of modes on new leaves on a day of it; None where a day is not known and none 0."""
    at = 0
    for _, last, _ in runs:
        counts: list[int | None] = []
        while at < len(both) and both[at][1] <= last:
            counts.append(both[at][3])
            at += 1
        if 0 in counts:
            yield 0
        else:
            yield None if None in counts else min(count for count in counts if count is not None)


def _bare(until: Growth, uses: list[_Lasting], both: list[Both]) -> list[Bare]:
    return [
        bare
        for first, last, modes, count in both
        if modes and count == 0
        for bare in _bare_by_pass(until, uses, first, last)
    ]


def _bare_by_pass(until: Growth, uses: list[_Lasting], first: int, last: int) -> Iterator[Bare]:
    """One stretch, cut where another pass protects the older leaves, neighbours of one kind joined."""
    holding = [(day, end, use.number) for _, use, day, end, _, value in uses if value and end is not None]
    marks = sorted({first, last + 1, *(day for span in holding for day in span[:2] if first < day <= last)})
    before: Bare | None = None
    for at, begin in enumerate(marks[:-1]):
        on = [(day, number) for day, end, number in holding if day <= begin < end]
        sure = any(until.after(day) for day, _ in on)
        passes = tuple(sorted({number for _, number in on}))
        if before is not None and (before.sure, before.passes) == (sure, passes):
            before = before._replace(last=marks[at + 1] - 1)
        else:
            if before is not None:
                yield before
            before = Bare(begin, marks[at + 1] - 1, sure, passes)
    if before is not None:
        yield before


def _growth_row(until: Growth, uses: list[_Lasting], young: list[Run], both: list[Both]) -> dict[str, Any]:
    bare = _bare(until, uses, both)
    open_days = sum(last - first + 1 for first, last, modes, count in both if modes and count is None)
    return {
        "stages": list(until.stages) if until.stages else None,
        "surely_until": _iso(until.sure_until) if until.sure_until not in (None, FAR) else None,
        "none_after": _iso(until.none_after) if until.none_after is not None else None,
        "estimated": list(until.estimated),
        "rests_on": until.words or "no source says until when the crop unfolds leaves",
        "days": [{"from": _iso(first), "to": _iso(last), "modes": modes} for first, last, modes in young],
        "bare": [
            {"from": _iso(one.first), "to": _iso(one.last), "sure": one.sure, "passes": list(one.passes)}
            for one in bare
        ],
        "bare_days": sum(one.last - one.first + 1 for one in bare if one.sure),
        "bare_days_if_leaves_unfold": sum(one.last - one.first + 1 for one in bare if not one.sure),
        "days_not_known": open_days,
    }


# --- what each use rests on -----------------------------------------------------------------------------------------


def _use_row(
    account: Account,
    target: TargetState,
    rests: dict[int, str],
    state: PassState,
    use: Use,
    day: int,
    end: int | None,
    latest: int,
    effective: Truth,
) -> dict[str, Any]:
    least = use.label.rate_least if use.label is not None else None
    rate = use.item.rate
    share = rate / least if rate is not None and least else None
    days = account.protection(use, state, target)
    words = rests.get(id(days))
    if words is None:
        words = rests[id(days)] = _days_rest_on(days)
    if use.cut and share is not None:
        words = f"not known at {share:.0%} of the label's least rate ({words}, for label rates)"
    return {
        "pass": use.number,
        "active": use.active.name,
        "product": use.item.product,
        "group": use.group,
        "from": _iso(day),
        "to": _iso(end - 1) if end is not None and end > day else None,
        "to_at_most": _iso(latest - 1) if end is None and latest not in (FAR, day) else None,
        "rests_on": words,
        "effective": effective,
        "because": _because(account, use, target),
        "mobility": use.active.mobility or None,
        "new_leaves": reached(use.active),
        "rate_below_label": None if share is None else use.cut,
        "share_of_least_rate": None if share is None else round(share, 3),
    }


def _days_rest_on(row: Protection | None) -> str:
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
