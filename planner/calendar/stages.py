"""When each stage falls, what its date rests on, and until when the crop unfolds leaves."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from itertools import groupby

import msgspec

from planner import leaves
from planner.account import Account
from planner.calendar.rows import LeavesRow, RestsOn, StageRow, Undated, When
from planner.model import Day
from planner.phenology import StageDate
from planner.season import Season, catalogue_code


def when(season: Season, stage: str) -> When:
    """The day of a stage with its spread; one that only its neighbours date may lie anywhere between them."""
    entry = None if season.floating else season.stages.get(stage)
    if entry is not None:
        return When(
            stage=stage, date=entry.date, earliest=entry.earliest, latest=entry.latest, estimated=entry.estimated
        )
    if season.field.sown is not None and not season.floating and season.bbch(stage) == 0:  # the seed as it is sown
        sown = season.field.sown
        return When(stage=stage, date=sown, earliest=sown, latest=sown, estimated=False)
    day, estimated = (None, True) if season.floating else season.day(stage)
    shown = date.fromordinal(day) if day is not None else None
    spread = season.between(season.bbch(stage)) if shown is not None and estimated else None
    earliest, latest = spread or ((None, None) if estimated else (shown, shown))
    return When(stage=stage, date=shown, earliest=earliest, latest=latest, estimated=estimated)


def stage_ends(account: Account, code: str) -> tuple[Day | None, bool]:
    """The last day on which the crop is still at a label's last stage, and whether that is an estimate.

    The day before the next stage; where that one is an estimate, before its earliest day, but never before the stage
    itself begins: an estimate must not stretch a label.
    """
    season = account.season
    begins = when(season, code)
    after = account.season.following(code)
    behind = when(season, after.code) if after is not None else None
    if behind is None or behind.date is None:
        return begins.date, begins.estimated
    if not behind.estimated:
        end = behind.date - timedelta(days=1)
    elif behind.earliest is not None:
        end = behind.earliest - timedelta(days=1)
    else:
        return begins.date, begins.estimated
    if begins.date is not None and end < begins.date:
        return begins.date, begins.estimated
    return end, behind.estimated


def stage_words(season: Season, day: Day | None) -> str:
    """The stage on a day as its calendar has it: ``R3``, ``R3 to R4``, or BBCH numbers beyond the dated stages."""
    if day is None or season.floating:
        return ""
    spot = day.toordinal()
    dated = [
        (entry.date.toordinal(), entry.bbch, code)
        for code, entry in season.stages.items()
        if entry.on_line and code not in ("sown", "harvest")
    ]
    reached = [entry for entry in sorted(dated) if entry[0] <= spot]
    if not reached:
        return "before the first dated stage"
    return reached[-1][2]


def day_of(day: int | None) -> Day | None:
    """A day by its ordinal."""
    return date.fromordinal(day) if day is not None else None


# --- rows -----------------------------------------------------------------------------------------------------------


def stage_rows(account: Account) -> Iterator[StageRow]:
    """Every dated stage, in the order of the season."""
    known = {stage.code: stage for stage in account.crop.stages}
    named = _named(account)
    for code, entry in account.season.stages.items():
        stage = known.get(code)
        yield StageRow(
            code=code,
            bbch=entry.bbch,
            name=stage.name if stage else {"sown": "sowing", "harvest": "harvest"}.get(code, ""),
            look_for=stage.look_for if stage else "",
            date=entry.date,
            earliest=entry.earliest,
            latest=entry.latest,
            rests_on=rests_on(entry),
            basis=entry.basis,
            estimated=entry.estimated,
            named=code in named,
            grade=entry.grade,
            confidence=entry.confidence,
            sources=entry.sources,
        )


def rests_on(entry: StageDate) -> RestsOn:
    """What a stage date rests on, in a word or two; its ``basis`` says it at length."""
    if not entry.estimated:
        return "given"
    for words in ("photothermal days", "degree days"):
        if words in entry.basis:
            return words
    if "average days between stages" in entry.basis:
        return "typical days"
    return "between its neighbours" if "shared by BBCH" in entry.basis else "the order of stages"


def _named(account: Account) -> set[str]:
    """Stages that somebody speaks of: the field, a target's window or best timing, a label, a pass."""
    season, crop = account.season, account.crop
    found = {catalogue_code(account.catalogue, crop.id, code) for code in season.anchors} | {"sown", "harvest"}
    for target in account.targets:
        found.update(target.target.window or ())
        found.update(target.target.best_timing)
    for product in account.programme.products:
        label = product.labels.get(crop.id)
        if label is not None:
            found.update(code for code in (label.first_stage, label.last_stage) if code)
    found.update(entry.stage for entry in account.programme.passes if entry.stage)
    return found


def undated_rows(account: Account) -> Iterator[Undated]:
    """What no published days reach, stages that follow each other together; stages of one BBCH code as ``F3 / Z26``."""
    season, crop = account.season, account.crop
    dated = [entry for code, entry in season.stages.items() if entry.on_line and code not in ("sown", "harvest")]
    if not season.stages:
        return
    kept_out = not dated and account.field.sown is not None and (not crop.from_sowing or bool(crop.from_sowing_kinds))
    ripe = _dated_by_harvest(account)
    groups: dict[tuple[int, bool], list[str]] = {}
    for bbch, members in groupby(crop.stages, key=lambda stage: stage.bbch):
        codes = [stage.code for stage in members if stage.code not in season.stages]
        if codes and season.day(codes[0])[0] is None:
            after = min((entry.bbch for entry in dated if entry.bbch > bbch), default=100)
            groups.setdefault((after, codes[0] in ripe), []).append(" / ".join(codes))
    for (after, counted), names in groups.items():
        behind = next((entry.code for entry in dated if entry.bbch == after), None)
        why = f"no source for the days to {'it' if len(names) == 1 else 'them'}; give an observed date"
        if counted:
            why = "counted back from harvest; give the harvest date"
        elif kept_out:
            why = "not counted from sowing in this crop; give an observed stage"
        yield Undated(codes=tuple(names), why=why, before=when(season, behind) if behind else None)


def _dated_by_harvest(account: Account) -> set[str]:
    """Stages that nothing dates, and that a harvest date would date (tried with one far enough behind)."""
    season = account.season
    if account.field.harvest is not None or not season.stages:
        return set()
    last = max(entry.latest for entry in season.stages.values())
    field = msgspec.structs.replace(account.field, harvest=last + timedelta(days=60))
    tried = Season(field, account.crop, account.catalogue, account.programme.passes)
    return {stage.code for stage in account.crop.stages if tried.day(stage.code)[0] is not None}


def leaves_row(account: Account) -> LeavesRow | None:
    """Until when leaves unfold; None where no source says it of this crop."""
    found = leaves.growth(account)
    if found.stages is None:
        return None
    lasting = found.sure_until == leaves.FAR
    return LeavesRow(
        sure=found.stages[0],
        last=found.stages[1],
        surely_until=None if lasting else day_of(found.sure_until),
        none_after=day_of(found.none_after),
        estimated=found.estimated,
        grade=found.words,
        sources=found.sources,
    )
