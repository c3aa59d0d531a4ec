"""The season of one field on the calendar: when each stage falls, when each disease can infect, and between which days
each pass and each product can go on.

Everything here is read off the one season and the one account that the audit uses, so a date that the calendar shows is
the date that a rule compares. What nothing dates is ``None`` and says why; no day is guessed.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from planner.account import Account
from planner.calendar.passes import pass_row
from planner.calendar.products import product_row
from planner.calendar.rows import (
    Bound,
    Calendar,
    Covered,
    LeavesRow,
    NewLeaves,
    PassRow,
    ProductRow,
    StageRow,
    TargetRow,
    Undated,
    When,
)
from planner.calendar.stages import leaves_row, rests_on, stage_rows, stage_words, undated_rows, when
from planner.calendar.targets import pressure_words, target_row
from planner.model import Programme

if TYPE_CHECKING:
    from planner.catalogue import Catalogue

__all__ = [
    "Bound", "Calendar", "Covered", "LeavesRow", "NewLeaves", "PassRow", "ProductRow", "StageRow", "TargetRow",
    "Undated", "When", "calendar", "pressure_words", "rests_on", "stage_words", "when",
]  # fmt: skip


def calendar(programme: Programme, catalogue: Catalogue, *, account: Account | None = None) -> Calendar:
    """The calendar of a programme's field; a programme without passes gives that of the field alone.

    Raises:
        InputError: two given dates contradict the order of the stages.
        UnknownName: a name that the catalogue lacks.
    """
    account = account or Account(programme, catalogue)
    field, season = account.field, account.season
    passes = tuple(pass_row(account, state) for state in account.all_states if state.entry.how == "foliar")
    temperatures = field.temperatures
    return Calendar(
        field=field.name,
        crop=account.crop.name,
        programme=programme.name if programme.passes else "",
        sown=field.sown,
        harvest=field.harvest,
        temperatures=(temperatures[0][0], temperatures[-1][0]) if temperatures else None,
        stages=tuple(stage_rows(account)) if not season.floating else (),
        undated=tuple(undated_rows(account)) if not season.floating else (),
        leaves=leaves_row(account),
        targets=tuple(target_row(account, target) for target in account.targets),
        passes=passes,
        products=tuple(product_row(account, product) for product in programme.products),
        notices=tuple(_notices(account)),
        demo=any(product.demo for product in programme.products),
    )


# --- what stands in the way -----------------------------------------------------------------------------------------


def _notices(account: Account) -> Iterator[str]:
    season, field = account.season, account.field
    if season.floating or not season.stages:
        yield "nothing is dated: give the sowing date, an observed stage or the harvest date"
        return
    if all(entry.estimated for code, entry in season.stages.items() if code not in ("sown", "harvest")):
        yield "no stage is given; every stage date is an estimate, and one observed date would tighten all later ones"
    if field.harvest is None:
        yield "no harvest date is given, so no last day by pre-harvest interval"
    if not account.targets:
        yield "no targets are given, so no infection windows"
    if field.temperatures and not any(
        rests_on(entry) in ("photothermal days", "degree days") for entry in season.stages.values()
    ):
        yield _unused_temperatures(account)
    if (
        field.sown is not None
        and field.type != "spring"
        and not any(entry.estimated for code, entry in season.stages.items() if code not in ("sown", "harvest"))
    ):
        yield "no stage could be estimated from what is given"


def _unused_temperatures(account: Account) -> str:
    if account.field.maturity_group is None or account.field.latitude is None:
        return "the temperatures date no stage: give latitude and maturity_group, or the crop has no published sums"
    return "the temperatures date no stage: no published sums for this crop, or none after the last given date"
