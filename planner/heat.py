"""What a day is worth to a crop: degree days, day length, photothermal days.

Pure arithmetic on plain numbers, standard library only; the thresholds and coefficients come from
``catalog/phenology.yaml``. Temperatures are degrees Celsius unless a method says Fahrenheit, day length is
hours, a latitude is degrees, north positive.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

Temperatures = Mapping[date, tuple[float, float]]
"""Daily (minimum, maximum) air temperature in degrees Celsius by date."""

Light = Literal["geometric", "sunrise", "civil"]

# Height of the sun's centre over the horizon, degrees, at which the day begins and ends. Sunrise: 34' of
# refraction and 16' of half a disc (Astronomical Almanac, explanatory notes); civil twilight: 6 degrees
# below.
SUN_HEIGHT: dict[Light, float] = {"geometric": 0.0, "sunrise": -0.833, "civil": -6.0}

_J2000 = date(2000, 1, 1).toordinal()
_ONE_DAY = timedelta(days=1)
HOURS = 24


def to_fahrenheit(celsius: float) -> float:
    """Degrees Celsius in degrees Fahrenheit."""
    return celsius * 9.0 / 5.0 + 32.0


def check_day(low: float, high: float) -> None:
    """Refuse a pair of daily temperatures that cannot be one.

    Raises:
        ValueError: not a finite number, or the minimum is above the maximum.
    """
    if not (math.isfinite(low) and math.isfinite(high)):
        raise ValueError(f"daily temperatures must be numbers, not {low} and {high}")
    if low > high:
        raise ValueError(f"daily minimum {low} is above the maximum {high}")


@dataclass(frozen=True, slots=True)
class HeatMethod:
    """How one day's degree days are counted: all temperatures in ``unit`` (``F`` or ``C``); no cap: ``cap``
    is None.
    """

    id: str
    unit: Literal["F", "C"]
    base: float
    floor: float
    cap: float | None
    grade: str = ""
    sources: tuple[str, ...] = ()

    def day(self, low: float, high: float) -> float:
        """Degree days of one day from its minimum and maximum, all in the method's own unit; never below 0.

        Both temperatures are first held between floor and cap (the averaging method with cap and floor; for
        corn printed as the 86/50 F rule: Iowa State University, Agronomy 541, lesson 2b).

        Raises:
            ValueError: not numbers, or minimum above maximum.
        """
        check_day(low, high)
        low, high = max(low, self.floor), max(high, self.floor)
        if self.cap is not None:
            low, high = min(low, self.cap), min(high, self.cap)
        return max(0.0, (low + high) / 2.0 - self.base)

    def day_celsius(self, low: float, high: float) -> float:
        """The same from temperatures in degrees Celsius; the answer stays in the method's unit."""
        if self.unit == "F":
            return self.day(to_fahrenheit(low), to_fahrenheit(high))
        return self.day(low, high)


def accumulate(
    temperatures: Temperatures, method: HeatMethod, first: date, last: date
) -> Iterator[tuple[date, float]]:
    """Running sum of degree days (the method's unit) from ``first`` to ``last``, both included.

    Args:
        temperatures: degrees Celsius by date.

    Raises:
        KeyError: a day between the two dates has no temperatures; the argument is the date.
    """
    total = 0.0
    day = first
    while day <= last:
        low, high = temperatures[day]
        total += method.day_celsius(low, high)
        yield day, total
        day += _ONE_DAY


def relative_maturity(text: str) -> float:
    """A soybean relative maturity as a number: ``1.1`` is 1.1, ``00.8`` is -0.2, ``000.5`` is -1.5, ``II`` is
    2.0.

    A decimal after 0, 00 or 000 counts in tenths of the group (``ndsu_r8_2016``; 00 lies one group below 0).

    Raises:
        ValueError: not a relative maturity.
    """
    word = text.strip().upper()
    if word in _ROMAN:
        return float(_ROMAN[word])
    head, _, tail = word.partition(".")
    if not head.isdigit() or (tail and not tail.isdigit()) or (head.startswith("0") and head.strip("0")):
        raise ValueError(
            f"'{text}' is not a maturity group; write 000, 00, 0, 1 ... 10, or with a decimal: 00.8, 2.4"
        )
    group = 1 - len(head) if not head.strip("0") else int(head)
    return group + (float(f"0.{tail}") if tail else 0.0)


def maturity_group(text: str) -> str:
    """The maturity group that a relative maturity falls in: ``2.7`` is ``2``, ``00.8`` is ``00``, ``IV`` is
    ``4``.

    Raises:
        ValueError: not a maturity group.
    """
    group = math.floor(relative_maturity(text))
    return "0" * (1 - group) if group <= 0 else str(group)


_ROMAN = {"I": 1, "II": 2, "III": 3, "IV": 4, "V": 5, "VI": 6, "VII": 7, "VIII": 8, "IX": 9, "X": 10}


def sun_declination(day: date) -> float:
    """Declination of the sun at noon UT, degrees (Astronomical Almanac, low-precision formulas; within 0.01
    degree to 2050).
    """
    days = day.toordinal() - _J2000
    anomaly = math.radians(357.528 + 0.9856003 * days)
    longitude = math.radians(
        280.460 + 0.9856474 * days + 1.915 * math.sin(anomaly) + 0.020 * math.sin(2.0 * anomaly)
    )
    tilt = math.radians(23.439 - 0.0000004 * days)
    return math.degrees(math.asin(math.sin(tilt) * math.sin(longitude)))


def day_length(day: date, latitude: float, light: Light = "sunrise") -> float:
    """Hours of daylight, 0 to 24.

    Args:
        latitude: degrees, north positive.
        light: ``sunrise`` as in an almanac; ``civil`` with both civil twilights; ``geometric`` by the sun's
            centre without refraction, which the soybean photothermal coefficients were fitted with (Spitters
            1986).

    Raises:
        ValueError: latitude outside -90 to 90.
    """
    if not -90.0 <= latitude <= 90.0:
        raise ValueError(f"latitude {latitude} is not between -90 and 90")
    phi = math.radians(latitude)
    delta = math.radians(sun_declination(day))
    across = math.cos(phi) * math.cos(delta)
    above = math.sin(math.radians(SUN_HEIGHT[light])) - math.sin(phi) * math.sin(delta)
    if across < 1e-12:
        return 0.0 if above > 0 else 24.0
    return 24.0 / math.pi * math.acos(min(1.0, max(-1.0, above / across)))


@dataclass(frozen=True, slots=True)
class TemperatureCurve:
    """A trapezoid in degrees C: 0 to ``base``, up to 1 at ``low``, 1 to ``high``, 0 at ``ceiling``."""

    base: float
    low: float
    high: float
    ceiling: float

    def at(self, temperature: float) -> float:
        """Rate from 0 to 1 at one temperature."""
        if temperature <= self.base or temperature >= self.ceiling:
            return 0.0
        if temperature < self.low:
            return (temperature - self.base) / (self.low - self.base)
        if temperature > self.high:
            return (self.ceiling - temperature) / (self.ceiling - self.high)
        return 1.0

    def over_day(self, low: float, high: float) -> float:
        """Mean rate of a day whose hours swing as one cosine between minimum and maximum.

        Raises:
            ValueError: not numbers, or minimum above maximum.
        """
        check_day(low, high)
        middle, swing = (high + low) / 2.0, (high - low) / 2.0
        if middle - swing >= self.low and middle + swing <= self.high:
            return 1.0
        return sum(self.at(middle + swing * wave) for wave in _DAY_WAVE) / HOURS


_DAY_WAVE = tuple(math.cos(2.0 * math.pi * (hour + 0.5) / HOURS) for hour in range(HOURS))


def light_factor(hours: float, critical: float, sensitivity: float) -> float:
    """Rate from 0 to 1 for a short-day plant: 1 up to the critical day length (h), less ``sensitivity`` (1/h)
    above it.
    """
    return min(1.0, max(0.0, 1.0 - sensitivity * (hours - critical)))


def cool_night_factor(low: float, threshold: float, slope: float) -> float:
    """Rate from 0 to 1: 1 where the minimum (C) is at or above ``threshold``, less ``slope`` (1/C) for each
    degree below.
    """
    return min(1.0, max(0.0, 1.0 - slope * max(0.0, threshold - low)))
