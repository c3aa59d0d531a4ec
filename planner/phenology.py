"""When a crop reaches each growth stage: from given dates, daily temperatures, or published days between
stages.

Every estimate carries a spread and says what it rests on. Given dates overrule: what follows a given stage is
counted from it, and between two given dates the days are shared in the proportion of the published ones. The
numbers live in ``catalog/phenology.yaml`` (``stage_scale`` reads them); nothing here knows a crop.
"""

from __future__ import annotations

import datetime
import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from itertools import pairwise

from msgspec.structs import replace

from planner.errors import PlannerError
from planner.heat import Temperatures, maturity_group, relative_maturity
from planner.model import Struct
from planner.stage_days import DayTable, Offset, Proof
from planner.stage_heat import Weather, heat_run, photothermal_run
from planner.stage_scale import HARVEST, SOWN, HeatSum, HeatSums, Kind, Phenology, StageScale

__all__ = [
    "HARVEST",
    "SOWN",
    "Phenology",
    "StageDate",
    "StageOrderError",
    "StageScale",
    "check_order",
    "estimate_stages",
]


class StageOrderError(PlannerError, ValueError):
    """Two given dates contradict the order of the stages: ``first`` (on ``first_date``) must not lie after
    ``last``.
    """

    def __init__(self, first: str, first_date: date, last: str, last_date: date) -> None:
        self.first, self.first_date, self.last, self.last_date = first, first_date, last, last_date
        super().__init__(
            f"{first} on {first_date} lies after {last} on {last_date}; one of the two dates is wrong"
        )


def check_order(scale: StageScale, anchors: Mapping[str, date]) -> None:
    """Hold given dates against the order of the stages.

    Raises:
        StageOrderError: the first two neighbours that contradict it.
        UnknownName: a code that the crop does not have.
    """
    placed = sorted((scale.place(code), day, code) for code, day in anchors.items())
    line = [entry for entry in placed if scale.on_line(entry[0])]
    for (first_place, first_day, first), (last_place, last_day, last) in pairwise(line):
        if first_place < last_place and first_day > last_day:
            raise StageOrderError(first, first_day, last, last_day)


class StageDate(Struct, frozen=True):
    """The date of one stage.

    ``earliest`` and ``latest`` are the spread (equal to ``date`` where it was given). ``basis`` says in plain
    words what the date rests on; ``grade``, ``confidence`` and ``sources`` are those of its weakest part and
    of all its parts. ``on_line`` is False for a stage beside the main line: leave it out where dates are
    looked up by stage order.
    """

    code: str
    bbch: int
    date: datetime.date
    earliest: datetime.date
    latest: datetime.date
    estimated: bool
    basis: str
    on_line: bool = True
    grade: str = ""
    confidence: str | None = None
    sources: tuple[str, ...] = ()


# -------------------------------------------------------------------------------------------------


class _Calendar:
    """The calendar of one field while it is being worked out."""

    def __init__(
        self,
        scale: StageScale,
        anchors: Mapping[str, date],
        temperatures: Temperatures | None,
        latitude: float | None,
        maturity: str | None,
        kind: Kind | None,
    ) -> None:
        self.scale = scale
        kind = kind or scale.kind(anchors.get(SOWN), latitude)
        sown_counts = scale.from_sowing == "yes" or (scale.from_sowing == "spring" and kind == "spring")
        self.table = DayTable(scale, kind, sown_counts)
        self.weather = Weather(temperatures or {})
        self.latitude = latitude
        self.group, self.heat = self._choose(temperatures, latitude, maturity)
        self.given: dict[float, int] = {}
        self.given_code: dict[float, str] = {}
        for code, day in anchors.items():
            place = scale.place(code)
            if place not in self.given or day.toordinal() < self.given[place]:
                self.given[place], self.given_code[place] = day.toordinal(), code
        line = sorted(place for place in self.given if scale.on_line(place))
        check_order(scale, anchors)
        self.bounds = line
        self.anchors = [place for place in line if sown_counts or place != 0.0]

    def _choose(
        self, temperatures: Temperatures | None, latitude: float | None, maturity: str | None
    ) -> tuple[str | None, HeatSums | None]:
        """The maturity group for the photothermal model, or else the degree-day sums; both None: days between
        stages.
        """
        if not temperatures:
            return None, None
        scale = self.scale
        if scale.photothermal is not None and latitude is not None and maturity is not None:
            group = maturity_group(maturity)
            if group in scale.photothermal.groups:
                return group, None
        if scale.heat is not None:
            return None, scale.heat
        line = scale.maturity_line
        if line is None or maturity is None:
            return None, None
        try:
            total = line.sum(relative_maturity(maturity))
        except ValueError:
            return None, None
        only = HeatSum(line.stage, total, grade=line.grade, sources=line.sources)
        return None, HeatSums(line.method, line.start, (only,), line.unprinted_share)

    def run(self, anchor: float) -> dict[float, Offset]:
        """Offsets to later stages by temperatures, or nothing."""
        day = self.given[anchor]
        if self.group is not None and self.scale.photothermal is not None and self.latitude is not None:
            return photothermal_run(
                self.table,
                self.scale,
                self.scale.photothermal,
                self.group,
                self.latitude,
                self.weather,
                anchor,
                day,
            )
        if self.heat is not None:
            start = self.scale.place(self.heat.start)
            if anchor < start:
                lead = self.table.between(anchor, start)
                if lead is None:
                    return {}
                later = heat_run(
                    self.table, self.scale, self.heat, self.weather, start, day + math.floor(lead.days + 0.5)
                )
                return {start: lead} | {
                    place: Offset(
                        lead.days + entry.days,
                        math.hypot(lead.early, entry.early),
                        math.hypot(lead.late, entry.late),
                        entry.how,
                        entry.proof.joined(lead.proof),
                    )
                    for place, entry in later.items()
                }
            return heat_run(self.table, self.scale, self.heat, self.weather, anchor, day)
        return {}

    def offsets(self, anchor: float, places: Sequence[float]) -> dict[float, Offset]:
        """Days from an anchor to each later place that can be counted from it."""
        modelled = self.run(anchor)
        if not modelled:
            steps = {place: self.table.between(anchor, place) for place in places}
            return {place: step for place, step in steps.items() if step is not None}
        known = {anchor: Offset(0.0, 0.0, 0.0, ""), **modelled}
        nodes = sorted(known)
        # leaves go on unfolding after first flower: a stage earlier in the scale is held at the next one
        for low, high in reversed(list(pairwise(nodes))):
            if known[low].days > known[high].days:
                known[low] = replace(
                    known[low], days=known[high].days, how=f"{known[low].how}, held by the order of stages"
                )
        found: dict[float, Offset] = {}
        for place in places:
            at = bisect_right(nodes, place) - 1
            low = nodes[at]
            if low == place:
                found[place] = known[place]
                continue
            step = self.table.between(low, place)
            if at + 1 < len(nodes):
                high = nodes[at + 1]
                whole = self.table.between(low, high)
                if step is None or whole is None or whole.days <= 0:
                    share = (place - low) / (high - low)
                else:
                    share = min(1.0, max(0.0, step.days / whole.days))
                a, b = known[low], known[high]
                found[place] = Offset(
                    a.days + share * (b.days - a.days),
                    math.sqrt((1 - share) * a.early**2 + share * b.early**2),
                    math.sqrt((1 - share) * a.late**2 + share * b.late**2),
                    f"{b.how}; days shared inside the phase",
                    a.proof.joined(b.proof) if step is None else a.proof.joined(b.proof).joined(step.proof),
                )
            elif step is not None:
                a = known[low]
                found[place] = Offset(
                    a.days + step.days,
                    math.hypot(a.early, step.early),
                    math.hypot(a.late, step.late),
                    f"{a.how}; then average days between stages" if a.how else step.how,
                    a.proof.joined(step.proof),
                )
        return found

    def name(self, place: float) -> str:
        """``R1 (2026-07-02)`` for an anchor."""
        return f"{self.given_code[place]} ({date.fromordinal(self.given[place])})"


class _Found(Struct, frozen=True):
    """A dated place: ordinal days, with fractions until the end."""

    day: float
    early: float
    late: float
    basis: str
    proof: Proof


def estimate_stages(
    scale: StageScale,
    anchors: Mapping[str, date],
    *,
    temperatures: Temperatures | None = None,
    latitude: float | None = None,
    maturity_group: str | None = None,
    kind: Kind | None = None,
    codes: Iterable[str] = (),
) -> dict[str, StageDate]:
    """The date of every stage of a crop that can be dated, with its spread and what it rests on.

    Args:
        scale: the crop's stages and published numbers.
        anchors: given dates by stage code; also ``sown`` and ``harvest``. Observed and expected dates count
            alike.
        temperatures: daily (minimum, maximum) in degrees C by date. Days after an anchor must follow without
            a hole to be used; beyond the last one the published days between stages take over.
        latitude: degrees, north positive; needed for photothermal days.
        maturity_group: soybean maturity group or relative maturity (``III``, ``2.4``, ``00.8``).
        kind: winter or spring crop; by the month of sowing if not given. A winter crop is never counted from
            sowing.
        codes: further stage codes to date (``BBCH34``, ``Z41``).

    Returns:
        Stage code -> StageDate in the order of the scale, with ``sown`` (only if given) and ``harvest``. A
        stage that
        nothing dates is missing: no row, no guess. Without a later given date, all later estimates move with
            a given
        stage day by day (as long as no temperatures are used).

    Raises:
        StageOrderError: two given dates contradict the order of the stages.
        UnknownName: a code that the crop does not have.
        ValueError: impossible temperatures, latitude or maturity group.
    """
    calendar = _Calendar(scale, anchors, temperatures, latitude, maturity_group, kind)
    wanted = {code: scale.place(code) for code in (SOWN, *scale.stages, *codes, *anchors, HARVEST)}
    end = scale.place(HARVEST)
    places = sorted(
        {place for place in wanted.values() if scale.on_line(place) and 0.0 < place <= end}
        - set(calendar.given)
    )
    found = _by_anchors(calendar, places)
    _by_neighbours(calendar, places, found)
    _keep_order(calendar, places, found)
    _beside(calendar, {place for place in wanted.values() if not scale.on_line(place)}, found)

    dates: dict[str, StageDate] = {}
    for code, place in sorted(wanted.items(), key=lambda item: item[1]):
        if code in anchors:
            day = anchors[code]
            dates[code] = StageDate(
                code, scale.bbch(code), day, day, day, False, "given for the field", scale.on_line(place)
            )
        elif place in calendar.given and scale.place(calendar.given_code[place]) == place:
            day = date.fromordinal(calendar.given[place])
            basis = f"same stage as {calendar.name(place)}, given for the field"
            dates[code] = StageDate(code, scale.bbch(code), day, day, day, False, basis, scale.on_line(place))
        elif place in found:
            entry = found[place]
            middle = math.floor(entry.day + 0.5)
            dates[code] = StageDate(
                code,
                scale.bbch(code),
                date.fromordinal(middle),
                date.fromordinal(middle - math.ceil(entry.early - 1e-9)),
                date.fromordinal(middle + math.ceil(entry.late - 1e-9)),
                True,
                entry.basis,
                scale.on_line(place),
                entry.proof.grade,
                entry.proof.confidence,
                entry.proof.sources,
            )
    return dates


def _by_anchors(calendar: _Calendar, places: Sequence[float]) -> dict[float, _Found]:
    """Date every place that can be counted from a given date, or shared between two."""
    found: dict[float, _Found] = {}
    anchors = calendar.anchors
    edges: list[tuple[float | None, float | None]] = list(
        zip([None, *anchors], [*anchors, None], strict=True)
    )
    for first, last in edges:
        inside = [p for p in places if (first is None or p > first) and (last is None or p < last)]
        if not inside:
            continue
        ahead: dict[float, Offset] = {}
        if first is not None:
            ahead = calendar.offsets(first, [*inside, last] if last is not None else inside)
        for place in inside:
            entry = _one(calendar, first, last, place, ahead)
            if entry is not None:
                found[place] = entry
    return found


def _one(
    calendar: _Calendar, first: float | None, last: float | None, place: float, ahead: Mapping[float, Offset]
) -> _Found | None:
    here = ahead.get(place)
    if first is not None and here is not None:
        day = calendar.given[first]
        if last is None:
            way = f"{_days(here.days)} after {calendar.name(first)}: {here.how}"
            return _Found(day + here.days, here.early, here.late, way, here.proof)
        span = calendar.given[last] - day
        whole = ahead.get(last)
        if whole is not None and whole.days > 0:
            return _shared(calendar, first, last, place, here, whole)
        days = min(here.days, float(span))
        way = f"{_days(days)} after {calendar.name(first)}: {here.how}"
        return _Found(day + days, min(here.early, days), min(here.late, span - days), way, here.proof)
    if last is None:
        return None
    back = calendar.table.between(last, place)
    if back is None:
        return None
    day = calendar.given[last]
    room = day - max((calendar.given[bound] for bound in calendar.bounds if bound < place), default=-math.inf)
    days = min(-back.days, room)
    way = f"{_days(days)} before {calendar.name(last)}: {back.how}"
    return _Found(day - days, min(back.early, room - days), min(back.late, days), way, back.proof)


def _shared(
    calendar: _Calendar, first: float, last: float, place: float, here: Offset, whole: Offset
) -> _Found:
    """Share the days between two given dates in the proportion of the published or modelled ones."""
    span = calendar.given[last] - calendar.given[first]
    share = min(1.0, max(0.0, here.days / whole.days))
    squeeze = span / whole.days
    # what is left to the later date, as a spread seen from there: early here means long there
    rest_early = math.sqrt(max(whole.late**2 - here.late**2, (whole.late * (1 - share)) ** 2))
    rest_late = math.sqrt(max(whole.early**2 - here.early**2, (whole.early * (1 - share)) ** 2))
    early = squeeze * _joined(here.early, rest_early)
    late = squeeze * _joined(here.late, rest_late)
    days = share * span
    way = f"days from {calendar.name(first)} to {calendar.name(last)}, shared in proportion to: {here.how}"
    return _Found(
        calendar.given[first] + days,
        min(early, days),
        min(late, span - days),
        way,
        here.proof.joined(whole.proof),
    )


def _joined(one: float, other: float) -> float:
    """Spread of a date that is held from both sides."""
    return one * other / math.hypot(one, other) if one and other else 0.0


def _by_neighbours(calendar: _Calendar, places: Sequence[float], found: dict[float, _Found]) -> None:
    """A stage without any row, between two dated ones: share the days by BBCH."""
    given = {place: _Found(float(calendar.given[place]), 0.0, 0.0, "", Proof()) for place in calendar.anchors}
    dated = sorted((given | found).items())
    keys = [place for place, _ in dated]
    for place in places:
        at = bisect_left(keys, place)
        if place in found or at == 0 or at == len(keys):
            continue
        (low, a), (high, b) = dated[at - 1], dated[at]
        share = (place - low) / (high - low)
        day = a.day + share * (b.day - a.day)
        # nothing was published for this stage: it may lie anywhere between its neighbours
        found[place] = _Found(
            day,
            max(0.0, day - (a.day - a.early)),
            max(0.0, b.day + b.late - day),
            "no published days for this stage: shared by BBCH between its dated neighbours",
            a.proof.joined(b.proof).plus("our reading", "low", ()),
        )


def _keep_order(calendar: _Calendar, places: Sequence[float], found: dict[float, _Found]) -> None:
    """No estimate may lie before an earlier stage or after a later given one."""
    latest = -math.inf
    bounds = sorted(calendar.bounds)
    for place in places:
        if place not in found:
            continue
        at = bisect_right(bounds, place)
        low = max([latest] + [float(calendar.given[bound]) for bound in bounds[:at]])
        high = min((float(calendar.given[bound]) for bound in bounds[at:]), default=math.inf)
        entry = found[place]
        day = min(max(entry.day, low), high)
        if day != entry.day:
            entry = replace(entry, day=day, basis=entry.basis + "; held by the order of the stages")
        latest = day
        first = max([-math.inf] + [float(calendar.given[bound]) for bound in bounds[:at]])
        found[place] = replace(entry, early=min(entry.early, day - first), late=min(entry.late, high - day))


def _beside(calendar: _Calendar, places: Iterable[float], found: dict[float, _Found]) -> None:
    """A stage beside the line is dated by its own row only."""
    for place in places:
        row = calendar.table.beside(place)
        if row is None or place in calendar.given:
            continue
        start, step = row
        proof = Proof().plus(step.grade, step.confidence, step.sources)
        if start in calendar.given:
            base = _Found(float(calendar.given[start]), 0.0, 0.0, "", Proof())
            name = calendar.name(start)
        elif start in found:
            base, name = found[start], f"{step.first}, itself estimated"
        else:
            continue
        found[place] = _Found(
            base.day + step.average,
            math.hypot(base.early, step.average - step.least),
            math.hypot(base.late, step.most - step.average),
            f"{_days(step.average)} after {name}: average days between stages",
            base.proof.joined(proof),
        )


def _days(days: float) -> str:
    whole = math.floor(days + 0.5)
    return "1 day" if whole == 1 else f"{whole} days"
