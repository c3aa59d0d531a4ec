"""Dates and stages of one field in one season: when each stage falls, where each pass and each target's window lies.

A day is an ordinal (``date.toordinal``). Where a field gives no date at all, the calendar floats: the first stage that
a pass names is put on an arbitrary day, days *between* passes are then estimates and no date is ever shown.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Hashable
from datetime import date
from typing import TYPE_CHECKING
from weakref import WeakKeyDictionary

from planner.errors import InputError
from planner.model import Crop, Day, Field, Pass, Stage, Struct, Target
from planner.phenology import StageDate, StageOrderError, check_order, estimate_stages
from planner.stage_scale import Phenology, StageScale

if TYPE_CHECKING:
    from planner.catalogue import Catalogue

# keyed by the catalogue itself and dropped with it: the number of a freed object may come again
_SCALES: WeakKeyDictionary[Catalogue, dict[str, StageScale]] = WeakKeyDictionary()


def scale_of(catalogue: Catalogue, crop: Crop) -> StageScale:
    """The published numbers that date a crop's stages, read once per catalogue."""
    scales = _SCALES.setdefault(catalogue, {})
    if crop.id not in scales:
        stages = {stage.code: stage.bbch for stage in crop.stages}
        scales[crop.id] = Phenology(catalogue.phenology).scale(crop.id, stages)
    return scales[crop.id]


_DATES: WeakKeyDictionary[Catalogue, dict[Hashable, dict[str, StageDate]]] = WeakKeyDictionary()
_KEPT = 512  # calendars; a district audit meets the same field again and again


def _dates(catalogue: Catalogue, crop: Crop, field: Field, anchors: dict[str, Day]) -> dict[str, StageDate]:
    """Stage dates of a field; remembered, since many programmes are judged for one field."""
    given = {catalogue_code(catalogue, crop.id, code): day for code, day in anchors.items()}
    key = (
        crop.id,
        tuple(given.items()),
        field.latitude,
        field.maturity_group,
        field.type,
        field.temperatures,
    )
    kept = _DATES.setdefault(catalogue, {})
    found = kept.get(key)
    if found is None:
        if len(kept) >= _KEPT:
            kept.clear()
        found = kept[key] = estimate_stages(
            scale_of(catalogue, crop),
            given,
            temperatures={day: (low, high) for day, low, high in field.temperatures} or None,
            latitude=field.latitude,
            maturity_group=field.maturity_group,
            kind=field.type or None,
        )
    return found


_MONTHS = (  # strftime takes ten times as long, and a finding names several days
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip

FLOATING_DAY = date(2001, 6, 1)  # any day will do: only differences are used


class PassTime(Struct, frozen=True):
    """When a pass goes on. ``day`` ordinal or None; ``bbch`` the least and most stage it can be at, or None."""

    day: int | None
    day_estimated: bool
    bbch: tuple[int, int] | None
    bbch_estimated: bool


class Window(Struct, frozen=True):
    """When a target infects the crop: first and last day (ordinals, None unknown) and first and last BBCH stage."""

    first_bbch: int
    last_bbch: int
    first: int | None
    last: int | None
    estimated: bool
    first_stage: str
    last_stage: str
    last_estimated: bool = True
    surely_open: tuple[int, int] | None = None  # days on which the window is open by any estimate within its spread
    dated_to: int | None = None  # the last dated stage inside the window, where nothing dates its end

    @property
    def through(self) -> int | None:
        """The last day that can be told to lie inside: the window's end, else the last dated stage before it.

        After it nobody can say whether a day without cover is a bare one, so such days are never counted.
        """
        return self.last if self.last is not None else self.dated_to


class Season:
    """The calendar of one field: stage dates by code, and the stage on a day."""

    def __init__(self, field: Field, crop: Crop, catalogue: Catalogue, passes: tuple[Pass, ...] = ()) -> None:
        self.field = field
        self.crop = crop
        self._catalogue = catalogue
        anchors = _anchors(field, passes)
        # a calendar floats only where nothing is dated: real and floating days cannot be compared
        self.floating = not anchors and all(entry.date is None for entry in passes)
        if self.floating:
            stage = next((entry.stage for entry in passes if entry.stage), None)
            if stage is not None:
                anchors = {stage: FLOATING_DAY}
        self.anchors = anchors
        scale = scale_of(catalogue, crop)
        given = {catalogue_code(catalogue, crop.id, code): day for code, day in anchors.items()}
        try:
            check_order(scale, given)
        except StageOrderError as error:
            raise _at_its_place(error, field, passes) from None
        self.stages: dict[str, StageDate] = _dates(catalogue, crop, field, anchors) if anchors else {}
        ordered = sorted(
            (entry.bbch, entry.date.toordinal(), entry.estimated)
            for code, entry in self.stages.items()
            if entry.on_line and code not in ("sown", "harvest")
        )
        self._bbch = [entry[0] for entry in ordered]
        self._days = [entry[1] for entry in ordered]
        self._given = [(bbch, day) for bbch, day, estimated in ordered if not estimated]
        self._ranges: dict[int, tuple[int, int]] = {}

    def bbch(self, code: str) -> int:
        """BBCH order of a stage code of this crop (raises UnknownName)."""
        return self._catalogue.stage(self.crop.id, code).bbch

    def day(self, code: str) -> tuple[int | None, bool]:
        """The day of a stage and whether it is an estimate; (None, True) where nothing is known."""
        entry = self.stages.get(code)
        if entry is not None:
            return entry.date.toordinal(), entry.estimated or self.floating
        return self.day_of_bbch(self.bbch(code))

    def day_of_bbch(self, bbch: int) -> tuple[int | None, bool]:
        """The day on which the crop reaches a BBCH stage, straight between the stages that have a date."""
        for given, day in self._given:
            if given == bbch:
                return day, self.floating
        if not self._bbch:
            return None, True
        at = bisect_right(self._bbch, bbch)
        if at and self._bbch[at - 1] == bbch:
            return self._days[at - 1], True
        if at == 0 or at == len(self._bbch):
            return None, True
        low, high = self._bbch[at - 1], self._bbch[at]
        share = (bbch - low) / (high - low)
        return round(self._days[at - 1] + share * (self._days[at] - self._days[at - 1])), True

    def between(self, bbch: int) -> tuple[date, date] | None:
        """Days of the dated stages around an undated one, each at the outer end of its spread; None where one lacks."""
        dated = sorted(
            (entry for code, entry in self.stages.items() if entry.on_line and code not in ("sown", "harvest")),
            key=lambda entry: entry.bbch,
        )
        before = [entry for entry in dated if entry.bbch < bbch]
        after = [entry for entry in dated if entry.bbch > bbch]
        return (before[-1].earliest, after[0].latest) if before and after else None

    def stage_on(self, day: int) -> tuple[tuple[int, int] | None, bool]:
        """Least and most BBCH stage on a day, and whether that rests on an estimate."""
        for bbch, given in self._given:
            if given == day and not self.floating:
                return (bbch, bbch), False
        if not self._days:
            return None, True
        days = self._days
        at = bisect_right(days, day)
        if at == 0:
            return (0, self._bbch[0]), True
        if at == len(days):
            return (self._bbch[-1], 99), True
        low, high = self._bbch[at - 1], self._bbch[at]
        span = days[at] - days[at - 1]
        middle = round(low + (high - low) * (day - days[at - 1]) / span) if span else low
        return (middle, middle), True

    def given_range(self, day: int) -> tuple[int, int]:
        """Least and most BBCH stage on a day by the given dates alone (0..99 where none binds it)."""
        if self.floating:
            return (0, 99)
        found = self._ranges.get(day)  # a draft asks for the same few days thousands of times
        if found is None:
            low = max((bbch for bbch, given in self._given if given <= day), default=0)
            high = min((bbch for bbch, given in self._given if given >= day), default=99)
            found = self._ranges[day] = (low, max(low, high))
        return found

    def following(self, code: str) -> Stage | None:
        """The next stage in time on the same scale, past stages beside the main line (tubers); None at the end."""
        scale = scale_of(self._catalogue, self.crop)
        after = self._catalogue.stage_after(self.crop.id, code)
        while after is not None:
            if scale.on_line(scale.place(after.code)):
                return after
            after = self._catalogue.stage_after(self.crop.id, after.code)
        return None

    def place(self, entry: Pass) -> PassTime:
        """Where one pass lies: its own stage holds for it; a date alone is given the stage of that day."""
        day = entry.date.toordinal() if entry.date is not None else None
        estimated = False
        if day is None and entry.stage is not None:
            day, estimated = self.day(entry.stage)
        if entry.stage is not None:
            bbch = self.bbch(entry.stage)
            return PassTime(day, estimated, (bbch, bbch), False)
        if day is None:
            return PassTime(None, True, None, True)
        stage, guess = self.stage_on(day)
        return PassTime(day, estimated, stage, guess)

    def window(self, target: Target) -> Window | None:
        """The infection window of a target on this field; None where its stages are not known."""
        if target.window is None:
            return None
        first_stage, last_stage = target.window
        first_bbch, last_bbch = self.bbch(first_stage), self.bbch(last_stage)
        first, first_guess = self.day(first_stage)
        last, last_guess = self.day(last_stage)
        harvest = self.field.harvest
        if harvest is not None and target.window_end_before_harvest is not None:
            end = harvest.toordinal() - target.window_end_before_harvest
            if last is None or end < last:
                last, last_guess = end, False
        if harvest is not None and last is not None and last > harvest.toordinal():
            last, last_guess = harvest.toordinal(), False
        guess = first_guess or last_guess or self.floating
        sure = None if self.floating else self._surely_open(first_stage, last_stage, first, last, last_guess)
        return Window(
            first_bbch,
            last_bbch,
            first,
            last,
            guess,
            first_stage,
            last_stage,
            last_guess or self.floating,
            sure,
            self._last_dated(first, last_bbch) if last is None else None,
        )

    def _last_dated(self, first: int | None, bbch: int) -> int | None:
        """The day of the last dated stage up to a BBCH stage, on or after the first day."""
        days = self._days[: bisect_right(self._bbch, bbch)]
        return max((day for day in days if first is not None and day >= first), default=None)

    def _surely_open(
        self, first_stage: str, last_stage: str, first: int | None, last: int | None, last_guess: bool
    ) -> tuple[int, int] | None:
        """The days on which the window is open even where its estimated ends lie at the near end of their spread."""
        begin, end = self.stages.get(first_stage), self.stages.get(last_stage)
        opened = begin.latest.toordinal() if begin is not None else None
        closes = last if last is not None and not last_guess else end.earliest.toordinal() if end is not None else None
        if opened is None or closes is None or first is None:
            return None
        return (opened, closes) if opened <= closes else None

    def show(self, day: int | None) -> str:
        """A day as ``2 July``; an empty text where it is not known or the calendar floats."""
        if day is None or self.floating:
            return ""
        shown = date.fromordinal(day)
        return f"{shown.day} {_MONTHS[shown.month - 1]}"


def catalogue_code(catalogue: Catalogue, crop: str, code: str) -> str:
    """The catalogue's spelling of a stage, leaving the anchors ``sown`` and ``harvest`` alone."""
    return code if code in ("sown", "harvest") else catalogue.stage(crop, code).code


def _at_its_place(error: StageOrderError, field: Field, passes: tuple[Pass, ...]) -> InputError:
    """The clash of two given dates as an error at the pass that gives one of them, else at the field."""
    place = field.place
    for entry in passes:
        if entry.stage in (error.first, error.last) and entry.stage not in field.stages:
            place = entry.place
    return InputError(place, f"{error.first} on {error.first_date} lies after {error.last} on {error.last_date}", _CURE)


_CURE = "correct one of the two dates"


def _anchors(field: Field, passes: tuple[Pass, ...]) -> dict[str, Day]:
    """Everything that fixes the calendar: given stages, sowing, harvest; else the passes that name date and stage."""
    anchors: dict[str, Day] = dict(field.stages)
    if not anchors:
        for entry in passes:
            if entry.date is not None and entry.stage is not None and entry.how == "foliar":
                anchors.setdefault(entry.stage, entry.date)
    if field.sown is not None:
        anchors["sown"] = field.sown
    if field.harvest is not None:
        anchors["harvest"] = field.harvest
    return anchors
