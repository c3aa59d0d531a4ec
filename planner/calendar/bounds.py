"""Every reason why a pass cannot, or had better not, go on earlier or later than a day."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta

from planner.account import Account, PassState
from planner.calendar.rows import Bound
from planner.calendar.stages import stage_ends, when
from planner.spray import last_spray_date


def bounds_of(account: Account, state: PassState) -> Iterator[Bound]:
    """Bounds by label, by season, by best timing and by cover, in this order."""
    yield from _label_bounds(account, state)
    yield from _season_bounds(account, state)
    yield from _timing_bounds(account, state)
    yield from _cover_bounds(account, state)


def _label_bounds(account: Account, state: PassState) -> Iterator[Bound]:
    season, harvest = account.season, account.field.harvest
    for name in dict.fromkeys(item.product for item in state.entry.tank if item.product):
        product = account.programme.product(name)
        label = product.labels.get(account.crop.id) if product is not None else None
        if label is None:
            continue
        if label.first_stage:
            begin = when(season, label.first_stage)
            day = begin.latest if begin.estimated else begin.date
            if day is not None:
                yield Bound(side="first", kind="label", day=day, estimated=begin.estimated,
                            why=f"{name}: label from {label.first_stage}")  # fmt: skip
        if label.last_stage:
            end, guess = stage_ends(account, label.last_stage)
            if end is not None:
                yield Bound(side="last", kind="label", day=end, estimated=guess,
                            why=f"{name}: label until {label.last_stage}")  # fmt: skip
        if label.harvest_interval is not None and harvest is not None:
            yield Bound(side="last", kind="label", day=last_spray_date(harvest, label.harvest_interval),
                        estimated=False, why=f"{name}: {label.harvest_interval} days to harvest")  # fmt: skip
        if label.interval is not None:
            for other in account.all_states:
                if other.time.day is None or all(item.product != name for item in other.entry.tank):
                    continue
                gap = label.interval if other.number < state.number else -label.interval
                if other.number != state.number:
                    yield Bound(side="first" if gap > 0 else "last", kind="label",
                                day=date.fromordinal(other.time.day + gap), estimated=other.time.day_estimated,
                                why=f"{name}: {label.interval} days from pass {other.number}")  # fmt: skip


def _season_bounds(account: Account, state: PassState) -> Iterator[Bound]:
    field = account.field
    if field.sown is not None:
        yield Bound(side="first", kind="season", day=field.sown, why="sowing", estimated=False)
    if field.harvest is not None:
        yield Bound(side="last", kind="season", day=field.harvest, why="harvest", estimated=False)
    foliar = [one for one in account.all_states if one.entry.how == "foliar" and one.time.day is not None]
    before = [one for one in foliar if one.number < state.number]
    behind = [one for one in foliar if one.number > state.number]
    for side, near in (("first", before[-1:]), ("last", behind[:1])):
        for other in near:
            assert other.time.day is not None
            yield Bound(side=side, kind="season", day=date.fromordinal(other.time.day),  # type: ignore[arg-type]
                        why=f"pass {other.number}", estimated=other.time.day_estimated)  # fmt: skip


def _timing_bounds(account: Account, state: PassState) -> Iterator[Bound]:
    season = account.season
    for target in account.targets:
        best = target.target.best_timing
        if not best or not account.works(state, target):
            continue
        if target.target.timing_style == "continuous" and account.working(target)[0].number != state.number:
            continue  # its best timing is that of the first pass; later ones follow the cover
        begin = when(season, best[0])
        if begin.date is not None:
            yield Bound(side="first", kind="timing", day=begin.date, estimated=begin.estimated,
                        why=f"{target.name}: best timing begins at {best[0]}")  # fmt: skip
        after = account.season.following(best[-1])
        late = when(season, after.code) if after is not None else None
        if late is not None and late.date is not None:
            yield Bound(side="last", kind="timing", day=late.date - timedelta(days=1), estimated=late.estimated,
                        why=f"{target.name}: best timing ends with {best[-1]}")  # fmt: skip


def _cover_bounds(account: Account, state: PassState) -> Iterator[Bound]:
    """For a target that needs cover all through: the day on which the pass before it has faded."""
    for target in account.targets:
        if target.target.timing_style != "continuous" or not account.works(state, target):
            continue
        before = [
            one for one in account.working(target) if one.number < state.number and account.effective(one, target)[0]
        ]
        ends = [
            (end, one.number, one.time.day_estimated)
            for one in before
            for use in one.uses
            if account.effect(use, target).value and (end := account.cover_end(use, one, target)) is not None
        ]
        if ends:
            end, number, guessed = max(ends)
            yield Bound(side="last", kind="cover", day=date.fromordinal(end), estimated=guessed,
                        why=f"{target.name}: cover of pass {number} ends")  # fmt: skip
