"""Daily least and most temperatures of a field: a CSV file of ``day, min, max`` with the unit in the
header.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path

from planner.documents.csvtext import Table, decimal, read_csv
from planner.documents.files import Files, display
from planner.documents.names import DATE_CURE, iso_date
from planner.errors import InputError
from planner.model import Day, Place

LEAST, MOST = -60.0, 60.0  # Celsius; colder and hotter than any field (common practice, no source)
_HEADER = re.compile(r"(day|date|min|max|least|most|tmin|tmax)[\s_(\[]*°?\s*(c|f|celsius|fahrenheit)?[)\]]*\Z")
_ROLE = {
    "day": "day",
    "date": "day",
    "min": "min",
    "least": "min",
    "tmin": "min",
    "max": "max",
    "most": "max",
    "tmax": "max",
}
_CURE = "begin the file with the line day,min C,max C (or F)"


def read_temperatures(path: Path, files: Files) -> tuple[tuple[Day, float, float], ...]:
    """Day, least and most temperature in Celsius, in order of days.

    Raises:
        InputError: no header with units, a day missing, doubled or out of order, a temperature that
        cannot be.
    """
    name = display(path)
    table = read_csv(files.read(path), name)
    columns, unit = _columns(table, name)
    rows = []
    for row in table.rows:
        place = row.place
        written = row.cells[columns["day"]]
        day = iso_date(written)
        if day is None:
            raise InputError(place, f"'{written}' is no date", DATE_CURE)
        least, most = (_temperature(row.cells[columns[key]], key, place, table.delimiter) for key in ("min", "max"))
        rows.append((place, day, least, most))
    if not rows:
        raise InputError(name, "the file holds no days", _CURE)
    return rows_of(rows, unit)


def rows_of(rows: Sequence[tuple[Place, Day, float, float]], unit: str) -> tuple[tuple[Day, float, float], ...]:
    """Checked days in Celsius.

    Raises:
        InputError: as ``read_temperatures``.
    """
    result: list[tuple[Day, float, float]] = []
    for place, day, least, most in rows:
        if result and day <= result[-1][0]:
            raise InputError(place, f"{day} stands after {result[-1][0]}", "give each day once, in order")
        if result and day != result[-1][0] + timedelta(days=1):
            missing = result[-1][0] + timedelta(days=1)
            raise InputError(place, f"{missing} is missing before {day}", "fill in the missing days")
        if unit == "F":
            least, most = (round((value - 32) * 5 / 9, 6) for value in (least, most))
        for value in (least, most):
            if not LEAST <= value <= MOST:
                raise InputError(
                    place,
                    f"{day}: {value:g} degrees C is not believable",
                    "check the number, and the unit in the header",
                )
        if least > most:
            raise InputError(place, f"{day}: the least temperature is above the most", "exchange the two")
        result.append((day, least, most))
    return tuple(result)


def _columns(table: Table, name: str) -> tuple[dict[str, int], str]:
    columns: dict[str, int] = {}
    units: set[str] = set()
    for index, title in enumerate(table.header):
        found = _HEADER.match(title.strip().casefold())
        if not found:
            raise InputError(table.place, f"unknown column '{title}'", _CURE)
        role = _ROLE[found.group(1)]
        if role in columns:
            raise InputError(table.place, f"column '{title}' is given twice", _CURE)
        columns[role] = index
        if role != "day":
            units.add((found.group(2) or "").upper()[:1])
    missing = [role for role in ("day", "min", "max") if role not in columns]
    if missing:
        raise InputError(table.place, f"column '{missing[0]}' is missing", _CURE)
    if len(units) != 1 or units == {""}:
        raise InputError(table.place, "the header does not give one unit for the temperatures", _CURE)
    return columns, units.pop()


def _temperature(text: str, key: str, place: Place, delimiter: str) -> float:
    clean = decimal(text, delimiter)
    if clean is None or not re.fullmatch(r"[+-]?[0-9]{1,3}(\.[0-9]{1,6})?", clean):
        raise InputError(place, f"{key} '{text}' is no temperature", "write a number, for example 21.5")
    return float(clean)
