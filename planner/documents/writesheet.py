"""A programme becomes a spreadsheet that ``load_programme`` takes back: CSV text or an XLSX workbook.

Rows above the header carry what belongs to the whole programme (name, currency, accepted departures). Field and
products are documents of their own and are named on the command line. Same programme, same bytes.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from typing import Any

from planner.documents.cells import plain, unguarded
from planner.documents.table import COLUMNS
from planner.model import Day, Pass, Programme, TankItem
from planner.quantities import exact

_NUMBERS = ("pass", "rate")
_WIDTHS = {"product": 28, "active": 20, "date": 12, "water": 14}
_STAMP = (1980, 1, 1, 0, 0, 0)  # the earliest that a zip archive can say: nothing in the bytes tells the time
_MODIFIED = re.compile(rb"(<dcterms:(created|modified)[^>]*>)[^<]*(</dcterms:)")

Line = dict[str, Any]


def dump_csv(programme: Programme) -> str:
    """CSV text (RFC 4180, line ends LF) of the passes, one row per product in a tank."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    for cells in _above(programme):
        writer.writerow([plain(cell) for cell in cells])
    writer.writerow(COLUMNS)
    for line in _lines(programme):
        writer.writerow([plain(_text(line.get(name))) for name in COLUMNS])
    return text.getvalue()


def dump_xlsx(programme: Programme) -> bytes:
    """An XLSX workbook of one sheet with the same rows: numbers as numbers, dates as dates."""
    import openpyxl
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Programme"
    bold = Font(bold=True)
    row = 0
    for cells in _above(programme):
        row += 1
        for column, text in enumerate(cells, 1):
            _write(sheet, row, column, text)
    row += 1
    for column, name in enumerate(COLUMNS, 1):
        _write(sheet, row, column, name).font = bold
        sheet.column_dimensions[get_column_letter(column)].width = _WIDTHS.get(name, 10)
    sheet.freeze_panes = f"A{row + 1}"
    for line in _lines(programme):
        row += 1
        for column, name in enumerate(COLUMNS, 1):
            value = line.get(name)
            if value is not None:
                _write(sheet, row, column, _number(value) if name in _NUMBERS else value)
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToHeight = 0
    sheet.sheet_properties.pageSetUpPr = openpyxl.worksheet.properties.PageSetupProperties(fitToPage=True)
    target = io.BytesIO()
    book.save(target)
    return _timeless(target.getvalue())


def csv_to_xlsx(text: str, title: str) -> bytes:
    """A workbook of one sheet with the rows of CSV text that was made here: cells that are numbers become numbers.

    Args:
        title: name of the sheet.
    """
    import openpyxl
    from openpyxl.styles import Font

    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = title
    for row, cells in enumerate(csv.reader(io.StringIO(text)), 1):
        for column, cell in enumerate(cells, 1):
            if not cell:
                continue
            number = row > 1 and re.fullmatch(r"-?[0-9]{1,15}(?:\.[0-9]{1,15})?", cell) is not None
            made = _write(sheet, row, column, _number(cell) if number else unguarded(cell))
            if row == 1:
                made.font = Font(bold=True)
    sheet.freeze_panes = "A2"
    target = io.BytesIO()
    book.save(target)
    return _timeless(target.getvalue())


def _above(programme: Programme) -> Iterator[tuple[str, ...]]:
    if programme.name:
        yield ("programme", programme.name)
    if programme.currency:
        yield ("currency", programme.currency)
    for entry in programme.accept:
        yield ("accept", entry.rule, ", ".join(map(str, entry.passes)) or "all", entry.reason)


def _lines(programme: Programme) -> Iterator[Line]:
    for entry in programme.passes:
        for at, item in enumerate(entry.tank):
            yield {**(_pass(entry) if at == 0 else {}), "pass": str(entry.number), **_item(item)}


def _pass(entry: Pass) -> Line:
    return {
        "date": entry.date,
        "stage": entry.stage,
        "water": exact(entry.water, "water") if entry.water is not None else None,
        "droplets": entry.droplets,
        "how": entry.how if entry.how != "foliar" else None,
        "canopy": entry.canopy,
    }


def _item(item: TankItem) -> Line:
    amount = item.rate if item.product is not None else item.dose
    dimension = "dose" if item.product is None else "liquid_rate" if item.unit == "L/ha" else "solid_rate"
    number, unit = exact(amount, dimension).split(" ", 1) if amount is not None else (None, None)
    return {"product": item.product, "active": item.active, "rate": number, "unit": unit}


def _text(value: object) -> str:
    return value.isoformat() if isinstance(value, Day) else "" if value is None else str(value)


def _number(text: str) -> float | int | str:
    """A number where the workbook keeps all its digits (it writes 16 of them), else text."""
    if re.fullmatch(r"[0-9]+", text) and len(text) < 16:
        return int(text)
    value = float(text)
    return value if float(f"{value:.16g}") == value else text


def _write(sheet: Any, row: int, column: int, value: Any) -> Any:
    cell = sheet.cell(row=row, column=column)
    if isinstance(value, str):
        cell.value = plain(value)
        cell.data_type = "s"  # never a formula
    else:
        cell.value = value
        if isinstance(value, Day):
            cell.number_format = "yyyy-mm-dd"
    return cell


def _timeless(content: bytes) -> bytes:
    """The workbook without the time of writing, parts in a fixed order, stored: the same bytes everywhere."""
    import zipfile  # not needed by most runs

    target = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as source, zipfile.ZipFile(target, "w", zipfile.ZIP_STORED) as archive:
        for name in sorted(source.namelist(), key=lambda part: (part != "[Content_Types].xml", part)):
            data = source.read(name)
            if name == "docProps/core.xml":
                data = _MODIFIED.sub(rb"\g<1>1980-01-01T00:00:00Z\g<3>", data)
            part = zipfile.ZipInfo(name, _STAMP)
            part.external_attr = 0o600 << 16
            part.create_system = 3
            archive.writestr(part, data)
    return target.getvalue()
