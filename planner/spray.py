"""What the sprayer operator needs to know of a pass: loads, flow, mixing order, re-entry, harvest.

Arithmetic on plain numbers. Unless a name says otherwise: areas are hectares, carrier volumes litres per
hectare, tanks and spray litres, speeds km/h, widths metres, nozzle flow litres per minute, rates an amount
per hectare. Where two products or sources disagree the stricter or both are given; the
label and local rules decide.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from fractions import Fraction
from typing import Any, Literal, Protocol

FL_OZ_PER_GAL = 128

# 43,560 ft2 per acre x 12 in per ft x 60 min per h / 5,280 ft per mile (Stationary calibration method for
# boom sprayers, formulas)
US_FLOW = 43560 * 12 * 60 / 5280
# 10,000 m2 per ha x 60 min per h / 1,000 m per km (air-assisted sprayer user manual, page 21)
METRIC_FLOW = 10000 * 60 / 1000


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not (math.isfinite(value) and value > 0):
            raise ValueError(f"{name.replace('_', ' ')} must be a number above 0, not {value}")


# --- tank loads --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Load:
    """One filling of the tank: area (ha), spray (L, all the tank holds) and each product's amount."""

    number: int
    area: float
    spray: float
    products: Mapping[str, float]
    full: bool


@dataclass(frozen=True, slots=True)
class LoadPlan:
    """All loads of one pass over one field; every column of the loads adds up to the totals here."""

    loads: tuple[Load, ...]
    area: float
    spray: float
    products: Mapping[str, float]
    area_per_tank: float

    @property
    def full_loads(self) -> int:
        """Number of full tanks."""
        return sum(load.full for load in self.loads)


def tank_loads(area: float, volume: float, tank: float, rates: Mapping[str, float]) -> LoadPlan:
    """Full loads, then a short last one sized to what is left.

    Args:
        area: field area, ha.
        volume: carrier volume, L/ha.
        tank: usable tank volume, L.
        rates: amount per hectare of each product, in the unit in which the amounts are wanted (L, kg, g).

    Any consistent set of units works: acres, gallons per acre, gallons, fluid ounces per acre.

    Raises:
        ValueError: a value that is not above 0 (a rate may be 0).
    """
    _positive(area=area, carrier_volume=volume, tank=tank)
    for name, rate in rates.items():
        if not (math.isfinite(rate) and rate >= 0):
            raise ValueError(f"the rate of {name} must be a number of 0 or more, not {rate}")
    # exact fractions: a field that fills four tanks to the drop must not ask for a fifth of nothing
    whole, wide, big = (_exact(value) for value in (area, volume, tank))
    per_tank = big / wide
    full = int(whole / per_tank)
    rest = whole - full * per_tank
    sizes = [per_tank] * full + ([rest] if rest > 0 else [])
    loads = tuple(
        Load(
            number,
            float(size),
            float(size * wide),
            {name: float(_exact(rate) * size) for name, rate in rates.items()},
            number <= full,
        )
        for number, size in enumerate(sizes, 1)
    )
    totals = {name: float(_exact(rate) * whole) for name, rate in rates.items()}
    return LoadPlan(loads, area, float(whole * wide), totals, float(per_tank))


def _exact(value: float) -> Fraction:
    """The decimal that was written, not its binary neighbour: 0.1 is one tenth."""
    return Fraction(repr(float(value)))


# --- nozzle, speed, work rate ------------------------------------------------------------------


def nozzle_flow(volume: float, speed: float, spacing: float) -> float:
    """Flow of one nozzle in L/min = L/ha x km/h x m / 600 (spacing in m; with the boom's width: flow of the
    boom).

    Raises:
        ValueError: a value that is not above 0.
    """
    _positive(carrier_volume=volume, speed=speed, spacing=spacing)
    return volume * speed * spacing / METRIC_FLOW


def volume_from_flow(flow: float, speed: float, spacing: float) -> float:
    """Carrier volume in L/ha = 600 x L/min / (km/h x m)."""
    _positive(flow=flow, speed=speed, spacing=spacing)
    return METRIC_FLOW * flow / (speed * spacing)


def speed_from_flow(flow: float, volume: float, spacing: float) -> float:
    """Speed in km/h at which a nozzle of this flow (L/min) gives this volume (L/ha)."""
    _positive(flow=flow, carrier_volume=volume, spacing=spacing)
    return METRIC_FLOW * flow / (volume * spacing)


def nozzle_flow_us(gal_ac: float, mph: float, spacing_in: float) -> float:
    """Flow of one nozzle in US gal/min = gal/ac x mph x inches / 5940."""
    _positive(gallons_per_acre=gal_ac, speed=mph, spacing=spacing_in)
    return gal_ac * mph * spacing_in / US_FLOW


def volume_from_flow_us(gal_min: float, mph: float, spacing_in: float) -> float:
    """Carrier volume in US gal/ac = 5940 x gal/min / (mph x inches)."""
    _positive(flow=gal_min, speed=mph, spacing=spacing_in)
    return US_FLOW * gal_min / (mph * spacing_in)


def speed_from_run(metres: float, seconds: float) -> float:
    """Speed in km/h over a measured course = m x 3.6 / s."""
    _positive(course=metres, time=seconds)
    return metres * 3.6 / seconds


def speed_from_run_us(feet: float, seconds: float) -> float:
    """Speed in mph over a measured course = ft x 60 / (s x 88)."""
    _positive(course=feet, time=seconds)
    return feet * 60.0 / (seconds * 88.0)


def work_rate(speed: float, boom: float) -> float:
    """Hectares per minute while spraying, from speed (km/h) and boom width (m); without turns and filling."""
    _positive(speed=speed, boom=boom)
    return speed * boom / METRIC_FLOW


def catch_flow_us(fluid_ounces_per_minute: float) -> float:
    """US gal/min from the fluid ounces that one nozzle gives in a minute."""
    _positive(catch=fluid_ounces_per_minute)
    return fluid_ounces_per_minute / FL_OZ_PER_GAL


def worn_nozzles(flows: Sequence[float], share: float) -> tuple[int, ...]:
    """Indices of nozzles whose flow is off the average by more than ``share``
    (``calibration.nozzle_wear.share``).
    """
    _positive(**{f"flow {number + 1}": flow for number, flow in enumerate(flows)})
    mean = math.fsum(flows) / len(flows) if flows else 0.0
    return tuple(at for at, flow in enumerate(flows) if abs(flow - mean) > share * mean)


def active_per_area(rate: float, content: float) -> float:
    """Active ingredient in g/ha from a rate (L/ha or kg/ha) and a content (g/L or g/kg)."""
    return rate * content


def active_per_area_us(fl_oz_ac: float, lb_gal: float) -> float:
    """Active ingredient in lb/ac from fluid ounces per acre and pounds per US gallon."""
    return fl_oz_ac / FL_OZ_PER_GAL * lb_gal


# --- coverage advice ---------------------------------------------------------------------------


class AdviceRow(Protocol):
    """A row of ``coverage.yaml`` (``planner.model.CoverageAdvice`` fits)."""

    @property
    def crop(self) -> str: ...
    @property
    def targets(self) -> tuple[str, ...]: ...
    @property
    def canopy(self) -> str: ...
    @property
    def droplets(self) -> tuple[str, ...]: ...
    @property
    def volume(self) -> tuple[float, float] | None: ...
    @property
    def volume_least(self) -> float | None: ...


@dataclass(frozen=True, slots=True)
class Coverage:
    """How droplets and volume compare with the published advice.

    ``droplets``: True inside, False outside, None where nothing was published or given. ``volume``:
    ``below``, ``within``, ``above`` or None. ``rows``: the advice compared with; sources that disagree stand
    side by side.
    """

    droplets: bool | None
    volume: Literal["below", "within", "above"] | None
    droplets_advised: tuple[str, ...]
    volume_advised: tuple[float, float] | None
    rows: tuple[AdviceRow, ...]


def coverage_rows(
    rows: Iterable[AdviceRow], crop: str, target: str, canopy: str | None = None
) -> tuple[AdviceRow, ...]:
    """The advice for a crop and target. With the canopy given: its rows and those for any canopy; else all of
    them.

    A row for the target by name beats a row for any target of the crop.
    """
    mine = [row for row in rows if row.crop == crop]
    named = [row for row in mine if target in row.targets] or [row for row in mine if "any" in row.targets]
    if canopy is None or canopy == "any":
        return tuple(named)
    return tuple(row for row in named if row.canopy in (canopy, "any"))


def compare_coverage(
    rows: Iterable[AdviceRow],
    crop: str,
    target: str,
    *,
    canopy: str | None = None,
    droplets: str | None = None,
    volume: float | None = None,
) -> Coverage:
    """Compare a pass with the published advice for one target.

    Args:
        droplets: ASABE S572 class code of the pass (``droplet_class`` turns words into codes).
        volume: carrier volume, L/ha.

    A pass is outside only where it fits none of the rows that apply: sources that disagree are all kept, and
        a source
    that found no gain above a smaller volume (``volume_least``) lowers the least volume.
    """
    found = coverage_rows(rows, crop, target, canopy)
    classes = tuple(dict.fromkeys(code for row in found for code in row.droplets))
    spans = [row.volume for row in found if row.volume is not None]
    floors = [row.volume_least for row in found if row.volume_least is not None] + [low for low, _ in spans]
    tops = [high for _, high in spans]
    advised = (min(floors), max(tops) if tops else math.inf) if floors else None
    where: Literal["below", "within", "above"] | None = None
    if advised is not None and volume is not None:
        # the rows print rounded figures (15 gal/ac as 140 L/ha): half a percent is rounding, not advice
        if volume < advised[0] * (1 - _ROUNDING):
            where = "below"
        elif volume > advised[1] * (1 + _ROUNDING):
            where = "above"
        else:
            where = "within"
    fits = None if droplets is None or not classes else droplets in classes
    return Coverage(fits, where, classes, advised, found)


_ROUNDING = 0.005


def droplet_class(data: Mapping[str, Any], text: str) -> str:
    """Code of a droplet class written as a code or in words (``medium`` is ``M``); ``data`` is
    ``spraying.yaml``.

    Raises:
        ValueError: not a class of ASABE S572.
    """
    word = " ".join(text.replace("-", " ").replace("_", " ").split()).casefold()
    classes = data["droplets"]["classes"]
    for row in classes:
        if word in (row["name"], row["code"].casefold()):
            return str(row["code"])
    names = ", ".join(row["name"] for row in classes)
    raise ValueError(f"'{text}' is not a droplet class; write one of {names}")


# --- mixing order ------------------------------------------------------------------------------

_FORMULATION = re.compile(r"\b([A-Z]{1,3})\b(?=[^A-Za-z]*\Z)")


@dataclass(frozen=True, slots=True)
class MixStep:
    """One step of filling: what to add, and which of the products belong to it (none for a step of
    agitation).
    """

    letter: str
    text: str
    products: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class MixOrder:
    """Steps in order, and the products of unknown formulation: their labels alone say when they go in."""

    steps: tuple[MixStep, ...]
    unplaced: tuple[str, ...]


def formulation_of(name: str, known: Iterable[str]) -> str | None:
    """The formulation code at the end of a product's name (``... 250 SC`` is ``SC``), if it is one of
    ``known``.
    """
    match = _FORMULATION.search(name.strip())
    return match[1] if match is not None and match[1] in set(known) else None


def mixing_order(data: Mapping[str, Any], products: Mapping[str, str | None]) -> MixOrder:
    """Order of filling by formulation type. Directions on a label come first; this is the rule of thumb.

    Args:
        data: the parsed ``spraying.yaml``.
        products: product name -> formulation code, or None to read it off the end of the name.
    """
    order = data["mixing"]["order"]
    step_of = {code: row["step"] for row in order for code in row["formulations"]}
    placed: dict[int, list[str]] = {}
    unplaced: list[str] = []
    for name, given in products.items():
        code = given.upper() if given else formulation_of(name, step_of)
        step = step_of.get(code or "")
        if step is None:
            unplaced.append(name)
        else:
            placed.setdefault(step, []).append(name)
    last = max(placed, default=0)
    steps = []
    for row in sorted(order, key=lambda row: int(row["step"])):
        number, names = row["step"], placed.get(row["step"], [])
        # agitation belongs to the step before it
        if names or (not row["formulations"] and placed.get(number - 1) and number < last):
            steps.append(MixStep(row["letter"], row["add"], tuple(names)))
    return MixOrder(tuple(steps), tuple(unplaced))


# --- re-entry and harvest ----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Longest:
    """The longest of several intervals, the product that sets it, and those whose interval is not known.

    With ``unknown`` products the interval is a least: their labels may ask for more. ``value`` None: nothing
    is known.
    """

    value: float | None
    product: str | None
    unknown: tuple[str, ...]


def longest(intervals: Mapping[str, float | None]) -> Longest:
    """The longest interval of a tank mix, by product; None where a product's interval is not known.

    A mix has the longest re-entry interval of its partners (40 CFR 170.112 a(3)); harvest intervals work
    alike.

    Raises:
        ValueError: a negative interval.
    """
    for name, value in intervals.items():
        if value is not None and not (math.isfinite(value) and value >= 0):
            raise ValueError(f"the interval of {name} must be 0 or more, not {value}")
    known = {name: value for name, value in intervals.items() if value is not None}
    product = max(known, key=lambda name: known[name], default=None)
    unknown = tuple(name for name, value in intervals.items() if value is None)
    return Longest(known[product] if product is not None else None, product, unknown)


def reentry_hours_by_toxicity(data: Mapping[str, Any], worst_category: int) -> int:
    """Hours of re-entry where the label is silent, by the worst acute-toxicity category (1 to 4) of the
    active.

    48 h for category I, 24 h for II, 12 h otherwise (EPA reregistration text on interim intervals).

    Raises:
        ValueError: not a category.
    """
    if worst_category not in (1, 2, 3, 4):
        raise ValueError(f"toxicity category must be 1, 2, 3 or 4, not {worst_category}")
    for row in data["reentry"]["by_toxicity"]:
        if worst_category <= row["worst_category"]:
            return int(row["hours"])
    return int(data["reentry"]["by_toxicity"][-1]["hours"])


def reentry_after(finished: datetime, hours: float) -> datetime:
    """When people may enter the field again without the label's protective equipment."""
    return finished + timedelta(hours=hours)


def earliest_harvest(passed: Iterable[tuple[date, float | None]]) -> date | None:
    """First day on which the field may be harvested: pass dates with the days their labels ask for (None: not
    known).

    None where no pass has a known interval.
    """
    days = [day + timedelta(days=math.ceil(interval)) for day, interval in passed if interval is not None]
    return max(days, default=None)


def last_spray_date(harvest: date, harvest_interval: float) -> date:
    """Last day on which a product with this pre-harvest interval (days) may go on before a harvest date."""
    return harvest - timedelta(days=math.ceil(harvest_interval))
