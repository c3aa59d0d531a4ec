"""The published numbers that date the stages of a crop: read from ``catalog/phenology.yaml``, checked, and
made into objects.

A *place* is a position on the line of stages: the BBCH code, 0 for sowing, half a step behind
``harvest_bbch`` for harvest. Stages whose codes do not follow each other in time (potato tubers) stand
*beside* the line and date no other stage.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any, Literal

from msgspec.structs import replace

from planner.errors import UnknownName
from planner.heat import HeatMethod, Light, TemperatureCurve, cool_night_factor, light_factor
from planner.model import Struct

SOWN = "sown"
HARVEST = "harvest"
Kind = Literal["winter", "spring"]

_PLAIN_CODE = re.compile(r"(?:BBCH|GS|Z)\s*([0-9]{1,2})\Z", re.IGNORECASE)
# how far each grade may be trusted, weakest last; an estimate is as good as its weakest part
GRADES = ("read", "our reading", "practice", "recalled", "unknown")
CONFIDENCES = (None, "high", "medium", "low")


class DayStep(Struct, frozen=True):
    """Published days from one stage to a later one: average, least and most."""

    first: str
    last: str
    average: float
    least: float
    most: float
    kind: Kind | None = None
    grade: str = "unknown"
    confidence: str | None = None
    sources: tuple[str, ...] = ()


class HeatSum(Struct, frozen=True):
    """Degree days from the start of counting to a stage; ``least`` and ``most`` None where no range was
    printed.
    """

    stage: str
    sum: float
    least: float | None = None
    most: float | None = None
    grade: str = "unknown"
    sources: tuple[str, ...] = ()


class HeatSums(Struct, frozen=True):
    """Published degree-day sums of one crop, counted by ``method`` from the stage ``start``."""

    method: HeatMethod
    start: str
    sums: tuple[HeatSum, ...]
    unprinted_share: float
    """Spread, as a share of the sum, of a stage without a printed range."""


class MaturityLine(Struct, frozen=True):
    """A straight line from relative maturity to the degree-day sum of one stage, inside ``valid``."""

    method: HeatMethod
    start: str
    stage: str
    at_0: float
    per_unit: float
    valid: tuple[float, float]
    unprinted_share: float
    grade: str
    sources: tuple[str, ...]

    def sum(self, maturity: float) -> float:
        """Degree days from ``start`` to ``stage`` (the method's unit) for a relative maturity.

        Raises:
            ValueError: the relative maturity lies outside the published points.
        """
        low, high = self.valid
        if not low - 1e-9 <= maturity <= high + 1e-9:
            raise ValueError(
                f"relative maturity {maturity:g} is outside the published range {low:g} to {high:g}"
            )
        return self.at_0 + self.per_unit * maturity


class Phase(Struct, frozen=True):
    """A stretch of development: its length in photothermal days (a number or a column of the groups) and its
    rates.

    ``curve`` None means calendar days; ``light`` is ``before`` or ``after`` first flower, or empty.
    """

    first: str
    last: str
    length: float | str
    curve: TemperatureCurve | None
    light: str = ""
    cool_nights: bool = False


class Photothermal(Struct, frozen=True):
    """A published photothermal model: phases in order, coefficients by maturity group, spread of each phase
    in days.
    """

    phases: tuple[Phase, ...]
    groups: Mapping[str, Mapping[str, float]]
    light: Light
    spread_days: float
    """Spread of a date ``spread_per`` days ahead; its square grows with the days."""
    spread_per: float
    grade: str
    sources: tuple[str, ...]

    def rate(self, phase: Phase, group: str, low: float, high: float, hours: float) -> float:
        """Photothermal days that one day brings in a phase.

        Args:
            group: a key of ``groups``.
            low, high: daily minimum and maximum, degrees C.
            hours: day length by ``light``.
        """
        if phase.curve is None:
            return 1.0
        numbers = self.groups[group]
        rate = phase.curve.over_day(low, high)
        if phase.light:
            critical = numbers["csdl"] - (numbers["r1ppo"] if phase.light == "after" else 0.0)
            rate *= light_factor(hours, critical, numbers["ppsen"])
        if phase.cool_nights:
            rate *= cool_night_factor(low, numbers["optbi"], numbers["slobi"])
        return rate

    def length(self, phase: Phase, group: str) -> float:
        """Length of a phase in photothermal days for a maturity group."""
        return self.groups[group][phase.length] if isinstance(phase.length, str) else phase.length


class StageScale(Struct, frozen=True):
    """Everything needed to date the stages of one crop; made by ``Phenology.scale``."""

    crop: str
    stages: Mapping[str, int]
    places: Mapping[str, float]
    beside: tuple[tuple[float, float], ...]
    harvest_bbch: int
    from_sowing: Literal["yes", "no", "spring"]
    winter_months: tuple[int, ...]
    steps: tuple[DayStep, ...]
    heat: HeatSums | None = None
    photothermal: Photothermal | None = None
    maturity_line: MaturityLine | None = None

    def bbch(self, code: str) -> int:
        """BBCH code of a stage of this crop; ``sown`` is 0, ``harvest`` is ``harvest_bbch``.

        Raises:
            UnknownName: the crop has no such stage.
        """
        if code == SOWN:
            return 0
        if code == HARVEST:
            return self.harvest_bbch
        if code in self.stages:
            return self.stages[code]
        match = _PLAIN_CODE.match(code)
        if match is None:
            raise UnknownName("stage", code, (*self.stages, SOWN, HARVEST))
        return int(match[1])

    def place(self, code: str) -> float:
        """Position of a stage on the line (raises UnknownName)."""
        if code == HARVEST:
            return self.harvest_bbch + 0.5
        return self.places.get(code, float(self.bbch(code)))

    def on_line(self, place: float) -> bool:
        """False for a position beside the main line."""
        return not any(first <= place <= last for first, last in self.beside)

    def kind(self, sown: date | None, latitude: float | None) -> Kind | None:
        """Winter or spring crop by the month of sowing; None where the scale makes no difference or nothing
        was given.
        """
        if self.from_sowing != "spring" or sown is None:
            return None
        month = sown.month if latitude is None or latitude >= 0 else (sown.month + 5) % 12 + 1
        return "winter" if month in self.winter_months else "spring"


class Phenology:
    """The parsed ``catalog/phenology.yaml``."""

    def __init__(self, data: Mapping[str, Any]) -> None:
        """Take the parsed file (plain dicts, lists, numbers and texts).

        Raises:
            ValueError: a value is missing or impossible; the message names the place inside the file.
        """
        heat = data["degree_days"]
        self.methods: dict[str, HeatMethod] = {row["id"]: self._method(row) for row in heat["methods"]}
        self._share = float(heat["unprinted_spread"]["share"])
        self._heat = {crop: self._heat_sums(crop, row) for crop, row in heat["stages"].items()}
        self._lines = {crop: self._line(crop, row) for crop, row in heat["maturity_lines"].items()}
        self._light = {crop: self._photothermal(crop, row) for crop, row in data["photothermal"].items()}
        self._scales = {crop: self._scale(crop, row) for crop, row in data["scales"].items()}

    @property
    def crops(self) -> tuple[str, ...]:
        """Crop ids with a scale."""
        return tuple(self._scales)

    def scale(self, crop: str, stages: Mapping[str, int] | None = None) -> StageScale:
        """The scale of a crop; ``stages`` (code -> BBCH) adds to, and overrules, the stage table of the file.

        A crop that is not in the file but has stages (one of the user's own) has no published days: its stages
        are dated by what the field gives alone.

        Raises:
            UnknownName: no such crop, and no stages.
        """
        if crop not in self._scales:
            if stages:
                return StageScale(crop, dict(stages), {}, (), 99, "yes", (), ())
            raise UnknownName("crop", crop, self._scales)
        scale = self._scales[crop]
        return replace(scale, stages={**scale.stages, **stages}) if stages else scale

    def _sources_of(self, row: Mapping[str, Any], where: str, key: str = "source") -> tuple[str, ...]:
        given = row.get(key, ())
        if not given:
            raise ValueError(f"{where}: a source is missing")
        return (given,) if isinstance(given, str) else tuple(given)

    def _method(self, row: Mapping[str, Any]) -> HeatMethod:
        cap = row["cap"]
        return HeatMethod(
            row["id"],
            row["unit"],
            float(row["base"]),
            float(row["floor"]),
            None if cap is None else float(cap),
            row["grade"],
            self._sources_of(row, f"degree_days.methods {row['id']}"),
        )

    def _heat_sums(self, crop: str, row: Mapping[str, Any]) -> HeatSums:
        sums = []
        for entry in row["sums"]:
            least, most = entry.get("range", (None, None))
            sources = self._sources_of(entry, f"degree_days.stages.{crop} {entry['stage']}")
            sums.append(HeatSum(entry["stage"], float(entry["sum"]), least, most, entry["grade"], sources))
        if [entry.sum for entry in sums] != sorted(entry.sum for entry in sums):
            raise ValueError(f"degree_days.stages.{crop}: the sums must rise from stage to stage")
        return HeatSums(self.methods[row["method"]], row["from"], tuple(sums), self._share)

    def _line(self, crop: str, row: Mapping[str, Any]) -> MaturityLine:
        low, high = row["valid"]
        return MaturityLine(
            self.methods[row["method"]],
            row["from"],
            row["stage"],
            float(row["at_0"]),
            float(row["per_unit"]),
            (float(low), float(high)),
            self._share,
            weakest((row["grade"], row["method_grade"])),
            self._sources_of(row, f"degree_days.maturity_lines.{crop}"),
        )

    def _photothermal(self, crop: str, row: Mapping[str, Any]) -> Photothermal:
        curves = {
            name: TemperatureCurve(
                float(curve["base"]),
                float(curve["optimum"][0]),
                float(curve["optimum"][1]),
                float(curve["ceiling"]),
            )
            for name, curve in row["curves"].items()
        }
        phases = tuple(
            Phase(
                entry["first"],
                entry["last"],
                entry["length"],
                None if entry["curve"] is None else curves[entry["curve"]],
                entry.get("light", ""),
                bool(entry.get("cool_nights", False)),
            )
            for entry in row["phases"]
        )
        for group, numbers in row["groups"].items():
            for phase in phases:
                if isinstance(phase.length, str) and phase.length not in numbers:
                    raise ValueError(f"photothermal.{crop}.groups.{group}: '{phase.length}' is missing")
        return Photothermal(
            phases,
            {
                group: {name: float(number) for name, number in numbers.items()}
                for group, numbers in row["groups"].items()
            },
            row["day_length"]["light"],
            float(row["spread"]["days"]),
            float(row["spread"]["per_days"]),
            row["grade"],
            self._sources_of(row, f"photothermal.{crop}"),
        )

    def _scale(self, crop: str, row: Mapping[str, Any]) -> StageScale:
        steps = []
        for entry in row["days_between"]:
            where = f"scales.{crop}.days_between {entry['first']} to {entry['last']}"
            least, most = entry["range"]
            if not 0 <= least <= entry["average"] <= most:
                raise ValueError(
                    f"{where}: the average must lie inside the range, and no range may start below 0"
                )
            steps.append(
                DayStep(
                    entry["first"],
                    entry["last"],
                    float(entry["average"]),
                    float(least),
                    float(most),
                    entry.get("kind"),
                    entry["grade"],
                    entry.get("confidence"),
                    self._sources_of(entry, where),
                )
            )
        scale = StageScale(
            crop,
            dict(row["stages"]),
            {code: float(place) for code, place in row.get("places", {}).items()},
            tuple((float(first), float(last)) for first, last in row.get("beside", ())),
            int(row["harvest_bbch"]),
            row["from_sowing"],
            tuple(row.get("winter_sown_months", ())),
            tuple(steps),
            self._heat.get(crop),
            self._light.get(crop),
            self._lines.get(crop),
        )
        for step in steps:
            if scale.place(step.first) >= scale.place(step.last):
                raise ValueError(f"scales.{crop}.days_between: {step.first} does not come before {step.last}")
        return scale


def weakest(grades: Iterable[str]) -> str:
    return max(grades, key=lambda grade: GRADES.index(grade) if grade in GRADES else len(GRADES))
