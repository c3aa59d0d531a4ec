"""How spreadsheets were read: each row with its cells, what they were read as, and what was guessed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from planner.model import CellRead, RowRead, SheetRead
from planner.render.words import safe

MOST_TOLD = 40  # rows of one file on standard error; the rest is counted, and JSON and Markdown list them all
_UNSAID = ("product", "active", "date", "stage", "rate", "name", "content", "kind", "how")  # clear without the name


def lines(readings: Sequence[SheetRead]) -> list[str]:
    """A line for each row, for standard error: ``sheet.xlsx:A5:H5: pass 1, 2026-07-02 *, R1, ...``.

    What was not taken as it is written bears a star; the notices say what was done to it.
    """
    said: list[str] = []
    for reading in readings:
        told = reading.rows[:MOST_TOLD]
        said += [f"{reading.file}:{row.place}: read: {_row(row)}" for row in told]
        starred = [row for row in reading.rows[MOST_TOLD:] if any(cell.how for cell in row.cells)]
        said += [f"{reading.file}:{row.place}: read: {_row(row)}" for row in starred[:MOST_TOLD]]
        rest = len(reading.rows) - len(told) - len(starred[:MOST_TOLD])
        if rest:
            whole = "audit" if reading.holds == "passes" else "calendar FIELD --products"
            said.append(
                f"{reading.file}: {rest} more row{'s' if rest > 1 else ''} read as written; "
                f"'planner {whole} {reading.file} --format json' lists each cell"
            )
        if any(cell.how for row in reading.rows for cell in row.cells):
            said.append(f"{reading.file}: * guessed or converted, the notices say how")
    return said


def document(readings: Sequence[SheetRead]) -> list[dict[str, Any]]:
    """The same for JSON, whole: file, sheet, rows with each cell's address, field, reading and ``how``; remarks."""
    return [
        {
            "file": one.file,
            "sheet": one.sheet,
            "holds": one.holds,
            "rows": [
                {
                    "cells": row.place,
                    "read": [
                        {"cell": cell.cell, "field": cell.field, "read": cell.read, "how": cell.how or "as written"}
                        for cell in row.cells
                    ],
                }
                for row in one.rows
            ],
            "remarks": list(one.remarks),
        }
        for one in readings
    ]


def markdown(readings: Sequence[SheetRead]) -> list[str]:
    """The same as tables; none where everything came from YAML."""
    from planner.render.markdown import escape

    out: list[str] = []
    for one in readings:
        fields = list(dict.fromkeys(cell.field for row in one.rows for cell in row.cells))
        place = f"{one.file}, sheet {one.sheet}" if one.sheet else one.file
        out += [f"## How {escape(place)} was read", ""]
        out += ["| cells | " + " | ".join(field.replace("_", " ") for field in fields) + " |"]
        out += ["|---" * (len(fields) + 1) + "|"]
        for row in one.rows:
            by_field = {cell.field: cell for cell in row.cells}
            texts = [_whole(by_field[field]) if field in by_field else "" for field in fields]
            out.append(f"| {escape(row.place)} | " + " | ".join(escape(text) for text in texts) + " |")
        out += ["", *(f"- {escape(remark)}" for remark in one.remarks), ""] if one.remarks else [""]
    return out


def _row(row: RowRead) -> str:
    return ", ".join(_cell(cell) for cell in row.cells)


def _cell(cell: CellRead) -> str:
    said = cell.read if cell.field in _UNSAID else f"{cell.field.replace('_', ' ')} {cell.read}"
    return _marked(CellRead(cell=cell.cell, field=cell.field, read=said, how=cell.how), " *")


def _whole(cell: CellRead) -> str:
    return _marked(cell, f" ({safe(cell.how)})")


def _marked(cell: CellRead, mark: str) -> str:
    return safe(cell.read) + (mark if cell.how else "")
