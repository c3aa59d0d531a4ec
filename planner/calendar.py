"""The season of one field on the calendar: when each stage falls, when each disease can infect, and between which days
each pass and each product can go on.

Everything here is read off the one season and the one account that the audit uses, so a date that the calendar shows is
the date that a rule compares. What nothing dates is ``None`` and says why; no day is guessed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date, timedelta
from itertools import groupby
from typing import TYPE_CHECKING, Literal

import msgspec

from planner import cover, leaves
from planner.account import Account, PassState, TargetState
from planner.facts.make import listed
from planner.model import Day, Product, Programme, Struct
from planner.phenology import StageDate
from planner.season import Season, catalogue_code
from planner.spray import last_spray_date

if TYPE_CHECKING:
    from planner.catalogue import Catalogue

Side = Literal["first", "last"]
RestsOn = Literal[
    "given", "photothermal days", "degree days", "typical days", "between its neighbours", "the order of stages"
]


class StageRow(Struct, frozen=True, kw_only=True):
    """One stage. ``named``: the field, a target, a label or a pass speaks of it. ``earliest`` to ``latest``: spread."""

    code: str
    bbch: int
    name: str
    look_for: str
    date: Day
    earliest: Day
    latest: Day
    rests_on: RestsOn
    basis: str
    estimated: bool
    named: bool
    grade: str = ""
    confidence: str | None = None
    sources: tuple[str, ...] = ()


class Undated(Struct, frozen=True, kw_only=True):
    """Stages of the crop's scale that nothing dates, in order, and why; ``before``: the first dated one after them."""

    codes: tuple[str, ...]
    why: str
    before: When | None = None


class When(Struct, frozen=True, kw_only=True):
    """The day of one stage, with its spread; all None where nothing dates it."""

    stage: str
    date: Day | None
    earliest: Day | None
    latest: Day | None
    estimated: bool


class LeavesRow(Struct, frozen=True, kw_only=True):
    """Until when the crop unfolds leaves: surely until the first stage, none after the second; days by their spread."""

    sure: str
    last: str
    surely_until: Day | None
    none_after: Day | None
    estimated: tuple[bool, bool]
    grade: str
    sources: tuple[str, ...]


class NewLeaves(Struct, frozen=True, kw_only=True):
    """Days on which leaves that unfolded after a pass are bare against a target, while it still covers older ones."""

    target: str
    name: str
    first: Day
    last: Day
    sure: bool  # False: bare if the crop still unfolds leaves then


class TargetRow(Struct, frozen=True, kw_only=True):
    """One target: its infection window, its best timing, and what the user says of its pressure."""

    target: str
    name: str
    window: tuple[When, When] | None
    first: Day | None
    last: Day | None
    window_grade: str
    style: str
    best: tuple[When, ...]
    best_until: When | None  # the stage that follows the best timing: from here on a first pass is late
    follow_up_days: int | None
    timing_grade: str
    foliar_treatment: bool | None
    pressure: str | None
    cultivar: str | None
    raises: tuple[str, ...]
    lowers: tuple[str, ...]
    risk_raisers: tuple[str, ...]
    weather: str
    sources: tuple[str, ...]


class Bound(Struct, frozen=True, kw_only=True):
    """One reason why a pass cannot, or had better not, go on earlier (``first``) or later (``last``) than ``day``.

    ``kind``: ``label`` and ``season`` (sowing, harvest, the neighbouring passes) bind; ``timing`` (best timing of a
    target that the pass works against) and ``cover`` (the pass before it has faded) are what the disease asks.
    """

    side: Side
    kind: Literal["label", "season", "timing", "cover"]
    day: Day
    why: str
    estimated: bool


class Covered(Struct, frozen=True, kw_only=True):
    """Until which day a pass covers a target; ``last`` None: not known, and ``why``."""

    target: str
    name: str
    last: Day | None
    why: str


class PassRow(Struct, frozen=True, kw_only=True):
    """First and last day of one pass. ``first``/``last`` None with a ``note``: no day fits, or nothing bounds it."""

    number: int
    day: Day | None
    day_estimated: bool
    stage: str | None
    how: str
    first: Day | None
    last: Day | None
    first_stage: str
    last_stage: str
    allowed_first: Day | None  # by label and season alone
    allowed_last: Day | None
    bounds: tuple[Bound, ...]
    targets: tuple[str, ...]
    covers: tuple[Covered, ...]
    new_leaves: tuple[NewLeaves, ...]
    missing: tuple[str, ...]
    note: str


class ProductRow(Struct, frozen=True, kw_only=True):
    """Between which days a listed product can go on this field, by label stage and by pre-harvest interval."""

    product: str
    on_label: bool
    first_stage: When | None
    last_stage: When | None
    last_by_stage: Day | None
    last_by_stage_estimated: bool
    harvest_interval: int | None
    last_by_harvest: Day | None
    last: Day | None
    sets: Literal["stage", "harvest", ""]
    missing: tuple[str, ...]


class Calendar(Struct, frozen=True, kw_only=True):
    """The whole answer. ``notices`` say what stands in the way of dates."""

    field: str
    crop: str
    programme: str
    sown: Day | None
    harvest: Day | None
    temperatures: tuple[Day, Day] | None
    stages: tuple[StageRow, ...]
    undated: tuple[Undated, ...]
    leaves: LeavesRow | None
    targets: tuple[TargetRow, ...]
    passes: tuple[PassRow, ...]
    products: tuple[ProductRow, ...]
    notices: tuple[str, ...]
    demo: bool = False


def calendar(programme: Programme, catalogue: Catalogue, *, account: Account | None = None) -> Calendar:
    """The calendar of a programme's field; a programme without passes gives that of the field alone.

    Raises:
        InputError: two given dates contradict the order of the stages.
        UnknownName: a name that the catalogue lacks.
    """
    account = account or Account(programme, catalogue)
    field, season = account.field, account.season
    passes = tuple(_pass(account, state) for state in account.all_states if state.entry.how == "foliar")
    temperatures = field.temperatures
    return Calendar(
        field=field.name,
        crop=account.crop.name,
        programme=programme.name if programme.passes else "",
        sown=field.sown,
        harvest=field.harvest,
        temperatures=(temperatures[0][0], temperatures[-1][0]) if temperatures else None,
        stages=tuple(_stages(account)) if not season.floating else (),
        undated=tuple(_undated(account)) if not season.floating else (),
        leaves=_leaves(account),
        targets=tuple(_target(account, target) for target in account.targets),
        passes=passes,
        products=tuple(_product(account, product) for product in programme.products),
        notices=tuple(_notices(account)),
        demo=any(product.demo for product in programme.products),
    )


# --- stages ---------------------------------------------------------------------------------------------------------


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


def _stages(account: Account) -> Iterator[StageRow]:
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


def _undated(account: Account) -> Iterator[Undated]:
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


def _leaves(account: Account) -> LeavesRow | None:
    found = leaves.growth(account)
    if found.stages is None:
        return None
    lasting = found.sure_until == leaves.FAR
    return LeavesRow(
        sure=found.stages[0],
        last=found.stages[1],
        surely_until=None if lasting else _date(found.sure_until),
        none_after=_date(found.none_after),
        estimated=found.estimated,
        grade=found.words,
        sources=found.sources,
    )


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


# --- targets --------------------------------------------------------------------------------------------------------


def _target(account: Account, target: TargetState) -> TargetRow:
    season, facts = account.season, target.target
    window = target.window
    dated = window is not None and not season.floating
    after = season.following(facts.best_timing[-1]) if facts.best_timing else None
    raises, lowers = pressure_words(account, target)
    return TargetRow(
        target=facts.id,
        name=facts.name,
        window=(when(season, facts.window[0]), when(season, facts.window[1])) if facts.window else None,
        first=_date(window.first) if dated and window is not None else None,
        last=_date(window.last) if dated and window is not None else None,
        window_grade=facts.window_backing.words,
        style=facts.timing_style.replace("_", "-"),
        best=tuple(when(season, code) for code in facts.best_timing),
        best_until=when(season, after.code) if after is not None else None,
        follow_up_days=facts.follow_up_days,
        timing_grade=facts.timing_backing.words if facts.best_timing else "",
        foliar_treatment=facts.foliar_treatment,
        pressure=target.entry.pressure,
        cultivar=target.entry.cultivar,
        raises=raises,
        lowers=lowers,
        risk_raisers=facts.risk_raisers,
        weather=facts.weather,
        sources=tuple(dict.fromkeys([*facts.window_backing.sources, *facts.timing_backing.sources])),
    )


def pressure_words(account: Account, target: TargetState) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What on this field speaks for more, and for less, pressure than the user gives; what is given is not changed.

    Cultivar rating as the user gives it; field history: a crop that the catalogue lists the pathogen on stood here
    before, and the pathogen survives on the field (the target's own sourced statement). A history without such a crop
    speaks for nothing: the list of hosts is not complete.
    """
    raises: list[str] = []
    lowers: list[str] = []
    if target.entry.cultivar == "susceptible":
        raises.append("the cultivar is given as susceptible")
    elif target.entry.cultivar == "resistant":
        lowers.append("the cultivar is given as resistant")
    if target.target.survives_on_field:
        hosts: dict[str, list[str]] = {}
        for season in account.field.history:
            if season.crop == account.crop.id or _hosts(account, season.crop, target.target.pathogen):
                hosts.setdefault(season.crop, []).append(season.season)
        for crop, seasons in hosts.items():
            raises.append(f"{crop.replace('-', ' ')} stood here in {', '.join(seasons)}, and it survives on the field")
    return tuple(raises), tuple(lowers)


def _hosts(account: Account, crop: str, pathogen: str) -> bool:
    """Whether the catalogue lists the pathogen on a crop that stood here; of crops that it lacks nothing is said."""
    catalogue = account.catalogue
    return crop in catalogue.crops and any(other.pathogen == pathogen for other in catalogue.targets(crop).values())


# --- products -------------------------------------------------------------------------------------------------------


def _product(account: Account, product: Product) -> ProductRow:
    season, label = account.season, product.labels.get(account.crop.id)
    if label is None:
        return ProductRow(
            product=product.name, on_label=False, first_stage=None, last_stage=None, last_by_stage=None,
            last_by_stage_estimated=False, harvest_interval=None, last_by_harvest=None, last=None, sets="",
            missing=(f"the list has no label of it for {account.crop.name}",),
        )  # fmt: skip
    missing: list[str] = []
    first = when(season, label.first_stage) if label.first_stage else None
    last = when(season, label.last_stage) if label.last_stage else None
    by_stage, guessed = _stage_ends(account, label.last_stage) if label.last_stage else (None, False)
    if last is None:
        missing.append("the list gives no last stage")
    elif by_stage is None:
        missing.append(f"nothing dates {last.stage}")
    by_harvest = None
    if label.harvest_interval is None:
        missing.append("the list gives no pre-harvest interval")
    elif account.field.harvest is None:
        missing.append(f"the field gives no harvest date to count {label.harvest_interval} days back from")
    else:
        by_harvest = last_spray_date(account.field.harvest, label.harvest_interval)
    days = [day for day in (by_stage, by_harvest) if day is not None]
    final = min(days, default=None)
    sets: Literal["stage", "harvest", ""] = "" if final is None else "harvest" if final == by_harvest else "stage"
    return ProductRow(
        product=product.name,
        on_label=True,
        first_stage=first,
        last_stage=last,
        last_by_stage=by_stage,
        last_by_stage_estimated=guessed,
        harvest_interval=label.harvest_interval,
        last_by_harvest=by_harvest,
        last=final,
        sets=sets,
        missing=tuple(missing),
    )


def _stage_ends(account: Account, code: str) -> tuple[Day | None, bool]:
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


# --- passes ---------------------------------------------------------------------------------------------------------


def _pass(account: Account, state: PassState) -> PassRow:
    season = account.season
    day = state.time.day if not season.floating else None
    bounds = tuple(_bounds(account, state)) if not season.floating else ()
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
        day=_date(day),
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
        yield Covered(target=target.id, name=target.name, last=_date(max(ends) - 1) if ends else None, why=why)


def _new_leaves(account: Account, state: PassState) -> Iterator[NewLeaves]:
    until = leaves.growth(account)
    for target in account.targets:
        for bare in cover.bare_on_new_leaves(account, target, until):
            if bare.passes[-1:] == (state.number,):  # told with the last of the passes that hold then
                yield NewLeaves(
                    target=target.id, name=target.name, sure=bare.sure,
                    first=date.fromordinal(bare.first), last=date.fromordinal(bare.last),
                )  # fmt: skip


def _span(bounds: Iterable[Bound], kinds: Sequence[str]) -> tuple[Day | None, Day | None]:
    used = [bound for bound in bounds if bound.kind in kinds]
    return (
        max((bound.day for bound in used if bound.side == "first"), default=None),
        min((bound.day for bound in used if bound.side == "last"), default=None),
    )


def _empty(span: tuple[Day | None, Day | None]) -> bool:
    return span[0] is not None and span[1] is not None and span[0] > span[1]


def _bounds(account: Account, state: PassState) -> Iterator[Bound]:
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
            end, guess = _stage_ends(account, label.last_stage)
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


def _date(day: int | None) -> Day | None:
    return date.fromordinal(day) if day is not None else None
