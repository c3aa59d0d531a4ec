"""Dates as people write them in spreadsheets: read where they can mean one day only.

Order of day and month differs between countries, so ``03/04/2026`` is refused and ``13/04/2026`` is not.
"""

from __future__ import annotations

import datetime
import re

from planner.documents.names import iso_date
from planner.errors import InputError
from planner.model import Day, Place

CURE = "write it as year-month-day, for example 2026-07-02"
_TIME = re.compile(r"[T ]00:00(?::00(?:\.0+)?)?Z?\Z")
_NUMBERS = re.compile(r"([0-9]{1,4})\s*[./\-]\s*([0-9]{1,2})\s*[./\-]\s*([0-9]{1,4})\.?\Z")
_NAMED = re.compile(
    r"(?:(?P<day>[0-9]{1,2})(?:st|nd|rd|th)?[\s.\-/]*(?:of\s+)?(?P<month>[a-z]{3,9})\.?"
    r"|(?P<month2>[a-z]{3,9})\.?[\s\-/]*(?P<day2>[0-9]{1,2})(?:st|nd|rd|th)?)"
    r"[\s,.\-/]*(?P<year>[0-9]{4}|'?[0-9]{2})?\Z"
)
_YEAR_NAMED = re.compile(r"(?P<year>[0-9]{4})[\s\-/]+(?P<month>[a-z]{3,9})\.?[\s\-/]+(?P<day>[0-9]{1,2})\Z")
_WEEKDAY = re.compile(r"(?:mon|tue|wed|thu|fri|sat|sun)[a-z]*[.,]?\s+")
LOOKS_LIKE = re.compile(r"[0-9]{1,4}[./\-][0-9]{1,2}[./\-][0-9]{1,4}\.?(?:[ t][0-9:.]+)?\Z")
_MONTHS = (  # English names only
    *("january", "february", "march", "april", "may", "june"),
    *("july", "august", "september", "october", "november", "december"),
)
# a spreadsheet counts days from 1899-12-30, or from 1904-01-01 (ECMA-376, part 1, 18.17.4.1)
_MOST_SERIAL = 100_000
_FIRST_YEAR, _LAST_YEAR = 1950, 2100
_BASE, _BASE_1904 = datetime.date(1899, 12, 30), datetime.date(1904, 1, 1)


def from_serial(number: float, place: Place, *, base_1904: bool = False) -> Day:
    """The day of a spreadsheet's day number.

    Raises:
        InputError: the number is no day of this time.
    """
    first = _BASE_1904 if base_1904 else _BASE
    day = first + datetime.timedelta(days=int(number)) if 0 <= number <= _MOST_SERIAL else first
    if not _FIRST_YEAR <= day.year <= _LAST_YEAR:
        raise InputError(place, f"date '{number:g}' is no date that the planner reads", CURE)
    return day


def from_text(text: str, place: Place, *, day_first: bool | None = None) -> Day:
    """The day that ``text`` means.

    Args:
        day_first: order of day and month, where the heading says it.

    Raises:
        InputError: no date, no year, or one that can mean two days.

    >>> from_text("2 July 2026", Place()).isoformat(), from_text("07/13/2026", Place()).isoformat()
    ('2026-07-02', '2026-07-13')
    """
    short = _TIME.sub("", text.strip())
    day = iso_date(short)
    if day is not None:
        return day
    folded = _WEEKDAY.sub("", short.casefold(), count=1)
    named = _NAMED.match(folded) or _YEAR_NAMED.match(folded)
    if named:
        return _named(named, text, place)
    numbers = _NUMBERS.match(folded)
    if numbers:
        return _numbers(numbers, text, place, day_first)
    raise InputError(place, f"date '{text}' is no date that the planner reads", CURE)


def _named(found: re.Match[str], text: str, place: Place) -> Day:
    parts = found.groupdict()
    name = parts.get("month") or parts.get("month2") or ""
    month = next((at for at, full in enumerate(_MONTHS, 1) if full.startswith(name) or name == "sept" == full[:4]), 0)
    if not month:
        raise InputError(place, f"date '{text}' names no month that the planner reads", CURE)
    year = (parts["year"] or "").lstrip("'")
    if not year:
        raise InputError(place, f"date '{text}' names no year", CURE)
    day = int(parts.get("day") or parts["day2"] or 0)
    return _day(int(year) if len(year) == 4 else 2000 + int(year), month, day, text, place)


def _numbers(found: re.Match[str], text: str, place: Place, day_first: bool | None) -> Day:
    first, second, third = found.groups()
    if len(first) == 4:
        return _day(int(first), int(second), int(third), text, place)
    if len(third) != 4 or len(first) > 2:
        raise InputError(place, f"date '{text}' does not say its year in four digits", CURE)
    one, two, year = int(first), int(second), int(third)
    if day_first is None:
        if one <= 12 and two <= 12 and one != two:
            either = [f"{day} {_MONTHS[month - 1].capitalize()}" for day, month in ((one, two), (two, one)) if month]
            raise InputError(place, f"date '{text}' can mean {' or '.join(either)}", CURE)
        day_first = one > 12
    return _day(year, two if day_first else one, one if day_first else two, text, place)


def _day(year: int, month: int, day: int, text: str, place: Place) -> Day:
    try:
        return datetime.date(year, month, day)
    except ValueError:
        raise InputError(place, f"date '{text}' is not in the calendar", CURE) from None
