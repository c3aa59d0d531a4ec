"""XLSX workbooks become grids, with a guard before anything is unpacked.

A workbook is a zip archive of XML (ECMA-376, part 1 and 2). Somebody else's may be built to fill memory or to
keep a machine busy, so sizes, ratios, numbers of cells and merged areas are looked at first.
"""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING, Any

from planner.documents.cells import address
from planner.documents.grid import Cell, Grid, cell_place
from planner.errors import InputError

if TYPE_CHECKING:
    import zipfile

MAGIC = b"PK\x03\x04"
_OLD = b"\xd0\xcf\x11\xe0"
# What a season's sheet never comes near; common practice, no source: keeps every refusal under a second, every
# reading under ten.
MOST_UNPACKED = 40_000_000
MOST_RATIO = 150
FREE_RATIO = 2_000_000  # up to this size nobody minds how well a part was packed
MOST_PARTS = 500
MOST_SHEETS = 40
MOST_CELLS = 40_000
MOST_MERGED = 20_000
MOST_ROWS = 20_000
MOST_TAGS = 600_000  # of all parts together
MOST_STYLES = 30_000
_MERGE = re.compile(
    rb"""<(?:\w+:)?mergeCell\s[^<>]{0,200}?ref\s*=\s*["']([A-Za-z]{1,3})([0-9]{1,7})(?::([A-Za-z]{1,3})([0-9]{1,7}))?"""
)
_ROW = re.compile(rb"<(?:\w+:)?row[\s/>]")
_SHEET = re.compile(rb"<(?:\w+:)?sheetData[\s/>]")
_STYLE = re.compile(rb"<(?:\w+:)?(?:xf|font|fill|border|dxf|numFmt|cellStyle)[\s/>]")
_CELL = re.compile(rb"<(?:\w+:)?c[\s/>]")
_CURE = "save the sheet anew as .xlsx or as CSV in UTF-8"


def is_workbook(content: bytes) -> bool:
    """Whether the bytes look like a workbook, also one that cannot be read."""
    return content.startswith((MAGIC, _OLD))


def read(content: bytes, name: str) -> tuple[list[Grid], list[str]]:
    """The sheets of a workbook that can be seen, in order, and the titles of those that cannot; values, not formulas.

    Raises:
        InputError: no workbook, one of another kind, damaged, or built to harm.
    """
    _guard(content, name)
    book = _load(content, name, values=False)
    if any(cell.data_type == "f" for sheet in book.worksheets for cell in _held(sheet)):
        formulas = {sheet.title: {cell.coordinate for cell in _held(sheet) if cell.data_type == "f"} for sheet in book}
        book = _load(content, name, values=True)
    else:
        formulas = {}
    shown = [sheet for sheet in book.worksheets if sheet.sheet_state == "visible"]
    from openpyxl.utils.datetime import CALENDAR_MAC_1904

    several = len(shown) > 1
    base_1904 = book.epoch == CALENDAR_MAC_1904
    grids = [
        _grid(sheet, name, sheet.title if several else "", formulas.get(sheet.title, set()), base_1904)
        for sheet in shown
    ]
    return grids, [sheet.title for sheet in book.worksheets if sheet.sheet_state != "visible"]


def _guard(content: bytes, name: str) -> None:
    if content.startswith(_OLD):
        raise InputError(name, "this is an old (.xls) or encrypted workbook", _CURE)
    import zipfile  # not needed by most runs

    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            parts = archive.infolist()
            _check_sizes(parts, name)
            names = {part.filename for part in parts}
            if "mimetype" in names and b"opendocument" in archive.read("mimetype")[:200]:
                raise InputError(name, "this is an OpenDocument file", "save the sheet as .xlsx or as CSV in UTF-8")
            if "[Content_Types].xml" not in names:
                raise InputError(name, "this zip archive is no workbook", _CURE)
            _check_xml(archive, parts, name)
    except InputError:
        raise
    except Exception as error:  # whatever a damaged archive makes zipfile say, the answer is the same
        raise InputError(name, f"this workbook is damaged ({_short(error)})", _CURE) from None


def _check_sizes(parts: list[zipfile.ZipInfo], name: str) -> None:
    """zipfile unpacks no more of a part than its entry says, so the entries can be believed as upper limits."""
    if len(parts) > MOST_PARTS:
        raise InputError(name, f"the workbook has {len(parts)} parts", _CURE)
    if any(part.flag_bits & 1 for part in parts):
        raise InputError(name, "the workbook is encrypted", "save it without a password")
    total = sum(part.file_size for part in parts)
    if total > MOST_UNPACKED:
        raise InputError(name, f"the workbook unpacks to {total // 1_000_000} MB", "send the sheet alone, " + _CURE)
    for part in parts:
        if part.file_size > FREE_RATIO and part.file_size > MOST_RATIO * max(part.compress_size, 1):
            raise InputError(name, f"'{part.filename[:60]}' in it is packed beyond belief", _CURE)


def _check_xml(archive: zipfile.ZipFile, parts: list[zipfile.ZipInfo], name: str) -> None:
    sheets = cells = merged = rows = tags = styles = 0
    for part in parts:
        xml = archive.read(part)  # every part: a workbook may call its sheets what it likes
        wide = xml.startswith((b"\xff\xfe<", b"\xfe\xff\x00<", b"\x00<", b"<\x00"))
        if wide or b"<!DOCTYPE" in xml or b"<!ENTITY" in xml:
            raise InputError(name, f"'{part.filename[:60]}' in it is XML of a kind that workbooks do not have", _CURE)
        tags += xml.count(b"<")
        sheets += len(_SHEET.findall(xml))
        styles += len(_STYLE.findall(xml))
        cells += len(_CELL.findall(xml))
        rows += len(_ROW.findall(xml))
        merged += sum(_area(found) for found in _MERGE.findall(xml))
    for count, most, what in (
        (sheets, MOST_SHEETS, "sheets"),
        (cells, MOST_CELLS, "cells"),
        (merged, MOST_MERGED, "merged cells"),
        (rows, MOST_ROWS, "rows"),
        (styles, MOST_STYLES, "styles"),
        (tags, MOST_TAGS, "XML tags"),
    ):
        if count > most:
            raise InputError(
                name, f"the workbook has {count} {what}, more than {most}", "send the sheet alone, " + _CURE
            )


def _area(found: tuple[bytes, bytes, bytes, bytes]) -> int:
    left, top, right, bottom = found
    if not right:
        return 1
    return (abs(_index(right) - _index(left)) + 1) * (abs(int(bottom) - int(top)) + 1)


def _index(letters: bytes) -> int:
    value = 0
    for letter in letters.upper():
        value = value * 26 + letter - 64
    return value


def _load(content: bytes, name: str, *, values: bool) -> Any:
    import warnings

    import openpyxl

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of styles and extensions that are of no use here
            book = openpyxl.load_workbook(io.BytesIO(content), data_only=values, keep_links=False)
    except Exception as error:  # openpyxl lets many kinds through for damaged files
        raise InputError(name, f"this workbook cannot be read ({_short(error)})", _CURE) from None
    if not book.worksheets:
        raise InputError(name, "the workbook has no sheets", _CURE)
    return book


def _held(sheet: Any) -> list[Any]:
    """The cells that hold something, by row and column.

    ``iter_rows`` would walk every cell up to the last one, and a stray mark in the last row makes that a million rows.
    """
    return [cell for _, cell in sorted(sheet._cells.items()) if getattr(cell, "value", None) is not None]


def _grid(sheet: Any, name: str, title: str, formulas: set[str], base_1904: bool) -> Grid:
    cells: dict[tuple[int, int], Cell] = {}
    held = {(cell.row, cell.column): cell for cell in _held(sheet)}
    empty = [cell for _, cell in sorted(sheet._cells.items()) if getattr(cell, "coordinate", "") in formulas]
    for cell in empty:
        held.setdefault((cell.row, cell.column), cell)
    for (row, column), cell in sorted(held.items()):
        if isinstance(cell.value, str) and not cell.value.strip():
            continue
        problem = ""
        if cell.data_type == "e":
            problem = f"this cell holds the error {cell.value}"
        elif cell.value is None:
            problem = "this cell holds a formula whose result is not stored"
        usual = isinstance(cell.value, (str, int, float, type(None))) or hasattr(cell.value, "isoformat")
        value = cell.value if usual else str(cell.value)
        cells[row, column] = Cell(
            value=value, row=row, column=column, place=cell_place(name, title, row, column), problem=problem
        )
    for area in sheet.merged_cells.ranges:
        first = cells.get((area.min_row, area.min_col))
        if first is None:
            continue
        # down only: a title merged across stands in one column, a pass number merged down counts for every row
        for row in range(area.min_row + 1, area.max_row + 1):
            cells[row, area.min_col] = Cell(
                value=first.value,
                row=row,
                column=area.min_col,
                place=cell_place(name, title, row, area.min_col),
                merged_from=address(area.min_row, area.min_col),
                problem=first.problem,
            )
    from openpyxl.utils import column_index_from_string

    columns: set[int] = set()
    for letter, dimension in sheet.column_dimensions.items():
        if dimension.hidden:
            first_column = dimension.min or column_index_from_string(letter)
            columns.update(range(first_column, min((dimension.max or first_column), first_column + 500) + 1))
    return Grid(
        name=name,
        sheet=title,
        cells=cells,
        hidden_rows=frozenset(row for row, dimension in sheet.row_dimensions.items() if dimension.hidden),
        hidden_columns=frozenset(columns),
        base_1904=base_1904,
    )


def _short(error: Exception) -> str:
    text = " ".join(str(error).split()) or type(error).__name__
    return text if len(text) <= 80 else f"{text[:77]}..."
