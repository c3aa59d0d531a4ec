"""First and last day of each pass, what it covers until when, and where its leaves are bare."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date

from planner import cover, leaves
from planner.account import Account, PassState
from planner.calendar.bounds import bounds_of
from planner.calendar.rows import Bound, Covered, NewLeaves, PassRow
from planner.calendar.stages import day_of, stage_words
from planner.facts.make import listed
from planner.model import Day


def pass_row(account: Account, state: PassState) -> PassRow:
    """The row of a pass; where its bounds leave no day, cover gives way first, then best timing, and a note says so."""
    season = account.season
    day = state.time.day if not season.floating else None
    bounds = tuple(bounds_of(account, state)) if not season.floating else ()
    served = [target for target in account.targets if account.works(state, target)]
    allowed = _span(bounds, ("label", "season"))
    note = ""
    span = _span(bounds, ("label", "season", "timing", "cover"))
    if _empty(span):
        span = _span(bounds, ("label", "season", "timing"))
        note = "no day keeps the cover unbroken as well; the window leaves a gap in the cover"
    if _empty(span):
        span = allowed
        note = "no day fits label, neighbouring passes and best timing together; these are label and passes alone"
    if _empty(span):
        span = (None, None)
        note = "label and neighbouring passes leave no day"
    elif not bounds:
        note = "nothing bounds it: no label, no best timing and no dates"
    return PassRow(
        number=state.number,
        day=day_of(day),
        day_estimated=state.time.day_estimated,
        stage=state.entry.stage,
        how=state.entry.how,
        first=span[0],
        last=span[1],
        first_stage=stage_words(season, span[0]),
        last_stage=stage_words(season, span[1]),
        allowed_first=allowed[0],
        allowed_last=allowed[1],
        bounds=tuple(sorted(bounds, key=lambda one: (one.side, one.day, one.kind, one.why))),
        targets=tuple(target.id for target in served),
        covers=tuple(_covers(account, state)),
        new_leaves=tuple(_new_leaves(account, state)),
        missing=tuple(_missing(account, state)),
        note=note,
    )


def _span(bounds: Iterable[Bound], kinds: Sequence[str]) -> tuple[Day | None, Day | None]:
    used = [bound for bound in bounds if bound.kind in kinds]
    return (
        max((bound.day for bound in used if bound.side == "first"), default=None),
        min((bound.day for bound in used if bound.side == "last"), default=None),
    )


def _empty(span: tuple[Day | None, Day | None]) -> bool:
    return span[0] is not None and span[1] is not None and span[0] > span[1]


def _covers(account: Account, state: PassState) -> Iterator[Covered]:
    """The last day on which the pass still covers each target that it controls, by the published days."""
    if account.season.floating or state.time.day is None:
        return
    for target in account.targets:
        if not account.works(state, target) or not account.effective(state, target)[0]:
            continue
        working = [use for use in state.uses if account.effect(use, target).value] or state.uses
        ends = [end for use in working if (end := account.cover_end(use, state, target)) is not None]
        why = ""
        if not ends:
            cut = [use.shown for use in working if use.cut]
            why = f"{listed(cut)} goes on under its label's least rate" if cut else "no published days of protection"
        yield Covered(target=target.id, name=target.name, last=day_of(max(ends) - 1) if ends else None, why=why)


def _new_leaves(account: Account, state: PassState) -> Iterator[NewLeaves]:
    until = leaves.growth(account)
    for target in account.targets:
        for bare in cover.bare_on_new_leaves(account, target, until):
            if bare.passes[-1:] == (state.number,):  # told with the last of the passes that hold then
                yield NewLeaves(
                    target=target.id, name=target.name, sure=bare.sure,
                    first=date.fromordinal(bare.first), last=date.fromordinal(bare.last),
                )  # fmt: skip


def _missing(account: Account, state: PassState) -> Iterator[str]:
    for item in state.entry.tank:
        if item.product is None:
            yield f"{item.active}: no product named, so no label to read"
            continue
        product = account.programme.product(item.product)
        label = product.labels.get(account.crop.id) if product is not None else None
        if label is None:
            yield f"{item.product}: no label for {account.crop.name}"
            continue
        lacking = [
            words
            for value, words in (
                (label.first_stage, "first stage"),
                (label.last_stage, "last stage"),
                (label.harvest_interval, "pre-harvest interval"),
            )
            if value is None
        ]
        if lacking:
            yield f"{item.product}: the list gives no {' and no '.join(lacking)}"
    if account.field.harvest is None:
        yield "the field gives no harvest date"
