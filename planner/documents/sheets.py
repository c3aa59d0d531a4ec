"""The door for spreadsheets: CSV and XLSX files become the table of a programme, or the data of a product list.

A CSV file that has the contract's own header is read strictly, by line. Every other sheet is read as it comes, by
cell: see ``layout``, ``passsheet`` and ``productsheet``.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from planner.documents.csvtext import DELIMITERS, Row, Table, decode, read_csv
from planner.documents.files import suffix
from planner.documents.table import COLUMNS, rows_told
from planner.errors import InputError, nearest

if TYPE_CHECKING:  # what most runs do not need is imported where it is needed: a short command has a tenth of a second
    from planner.documents.passsheet import Sheet
    from planner.documents.productsheet import ProductSheet

_SUFFIXES = (".csv", ".tsv", ".tab")
_CONTRACT_SHARE = 3  # so many of the contract's column names in the first line make a table that is read strictly


def is_sheet(source: str | Path, content: bytes) -> bool:
    """Whether a document is a table: by its first bytes, else by its name, else (standard input) by its first line."""
    ending = suffix(source).casefold()
    if ending in (".yaml", ".yml"):
        return False
    from planner.documents import workbook
    from planner.documents.columns import heading

    if ending in (*_SUFFIXES, ".xlsx", ".xlsm") or workbook.is_workbook(content):
        return True
    cells = _first_line(content)
    return len(cells) > 1 and sum(cell in COLUMNS or heading(cell, "programme") is not None for cell in cells) >= 2


def programme(content: bytes, name: str, mapping: Mapping[str, str] | None = None) -> Sheet:
    """The passes of a CSV or XLSX file.

    Args:
        mapping: column (heading or letters) -> field, for headings that the planner does not know.

    Raises:
        InputError: what is wrong, with the cell's address (or, under the contract's own header, the line).
    """
    from planner.documents import grid, passsheet, workbook

    if workbook.is_workbook(content):
        grids, hidden = workbook.read(content, name)
        sheet = passsheet.read(grids, mapping)
        return _with(sheet, hidden)
    if not mapping and _is_contract(content, name):
        table = read_csv(content, name)
        table = _dated(table)
        return passsheet.Sheet(table=table, rows=rows_told(table))
    return passsheet.read([grid.from_csv(content, name)], mapping)


def product_list(content: bytes, name: str, mapping: Mapping[str, str] | None = None) -> ProductSheet:
    """The products of a CSV or XLSX file, as the data of a product list.

    Raises:
        InputError: what is wrong, with the cell's address.
    """
    from planner.documents import grid, productsheet, workbook

    if workbook.is_workbook(content):
        grids, _ = workbook.read(content, name)
        return productsheet.read(grids, mapping)
    return productsheet.read([grid.from_csv(content, name)], mapping)


def _with(sheet: Sheet, hidden: list[str]) -> Sheet:
    import msgspec

    if not hidden:
        return sheet
    remarks = (*sheet.remarks, *(f"sheet '{title}' is hidden and not read" for title in hidden))
    return msgspec.structs.replace(sheet, remarks=remarks)


def _first_line(content: bytes) -> list[str]:
    """The cells of the first line that holds something, in lower case."""
    wide = content.startswith((b"\xff\xfe", b"\xfe\xff"))
    head = content[:8192].decode("utf-16" if wide else "utf-8-sig", "replace")
    line = next((line for line in head.splitlines() if line.strip(" \t,;")), "")
    mark = max(DELIMITERS, key=line.count)
    return [cell.strip(' "').casefold() for cell in line.split(mark)]


def _is_contract(content: bytes, name: str) -> bool:
    """Whether the first line is the contract's header, so that a slip in it is answered as such."""
    from planner.documents.columns import heading

    text = decode(content, name)
    cells = [cell for cell in _first_line(content) if cell]
    exact = [cell for cell in cells if cell in COLUMNS]
    other = [cell for cell in cells if cell not in COLUMNS]
    if not text.strip(" \t\r\n,;"):
        return True  # empty: the strict reader says so
    said = [heading(cell, "programme") for cell in other]
    new = [one for one in said if one is not None and (one.unit or one.field not in exact)]
    # a heading like none of ours may hold what is missing: the free reader looks into its cells
    strange = [cell for cell, one in zip(other, said, strict=True) if one is None and not nearest(cell, COLUMNS)]
    if strange and not {"date", "rate"} <= set(exact):
        return False
    return len(exact) >= _CONTRACT_SHARE and not new


def _dated(table: Table) -> Table:
    """Dates that can mean one day only in the form that documents have; marks that ``plain`` set taken off.

    Dates that can mean two days are left for the error that comes.
    """
    from planner.documents import sheetdates
    from planner.documents.cells import unguarded

    date = next((at for at, title in enumerate(table.header) if title.casefold() == "date"), None)
    rows = []
    for row in table.rows:
        cells = [unguarded(cell) for cell in row.cells]
        if date is not None and cells[date]:
            with contextlib.suppress(InputError):
                cells[date] = sheetdates.from_text(cells[date], row.place).isoformat()
        rows.append(Row(place=row.place, cells=tuple(cells), places=row.places))
    return Table(name=table.name, delimiter=table.delimiter, header=table.header, place=table.place, rows=tuple(rows))
