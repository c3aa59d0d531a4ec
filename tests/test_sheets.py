"""Spreadsheets as people send them. The supplier's sheet of the invented scenario in twenty layouts, made here with
openpyxl (a general-purpose library) and with the csv module of the standard library; every one must give the very
passes of the YAML document, or be refused with the cell named. What is awkward about them is common practice, no
source. Day numbers of spreadsheets: ECMA-376, part 1, 18.17.4 (46205 is 2 July 2026: 1899-12-30 plus 46205 days).
"""

from __future__ import annotations

import csv
import datetime
import io
import json
import time
import zipfile
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from test_documents import programmes

from planner import cli, documents
from planner.catalogue import Catalogue, load
from planner.documents import cells, sheetdates, sheets, workbook
from planner.errors import InputError
from planner.model import CellRead, Pass, Place, Programme, SheetRead

SCENARIOS = Path(__file__).parents[1] / "shared" / "scenarios"
FIELD = SCENARIOS / "quarry-bottom.yaml"
SHOP = SCENARIOS / "farm-shop.yaml"
DAY = datetime.date


@cache
def catalogue() -> Catalogue:
    return load()


@cache
def expected() -> tuple[Pass, ...]:
    """The passes of the scenario, from its YAML document."""
    document = documents.load_programme(SCENARIOS / "solo-strobilurins-quarry-bottom.yaml", catalogue())
    return documents.bare(document).passes


HEAD = ["pass", "date", "stage", "product", "rate", "unit", "water", "droplets"]
ROWS: list[list[Any]] = [
    [1, DAY(2026, 7, 2), "R1", "Demo Alder 250 SC", 9, "fl oz/ac", "20 gal/ac", "medium"],
    [2, DAY(2026, 7, 18), "R3", "Demo Siskin 250 EC", 9, "fl oz/ac", "20 gal/ac", "medium"],
    [3, DAY(2026, 8, 6), "R5", "Demo Gneiss 225 SC", 9, "fl oz/ac", "20 gal/ac", "medium"],
]


def book(rows: list[list[Any]], change: Callable[[Any], None] | None = None) -> bytes:
    """A workbook of one sheet, written by openpyxl."""
    made = openpyxl.Workbook()
    for row in rows:
        made.active.append(row)
    if change is not None:
        change(made)
    target = io.BytesIO()
    made.save(target)
    return target.getvalue()


def text(rows: list[list[Any]], delimiter: str = ",") -> bytes:
    target = io.StringIO()
    csv.writer(target, delimiter=delimiter).writerows(rows)
    return target.getvalue().encode()


def column(rows: list[list[Any]], at: int, values: list[Any]) -> list[list[Any]]:
    return [[*row[:at], value, *row[at + 1 :]] for row, value in zip(rows, values, strict=True)]


def load_sheet(path: Path, content: bytes, columns: dict[str, str] | None = None) -> Programme:
    path.write_bytes(content)
    return documents.load_programme(path, catalogue(), field=FIELD, products=[SHOP], columns=columns)


def merged(made: Any) -> None:
    """A title over all columns, pass and date merged down over two rows of one tank."""
    sheet = made.active
    sheet.merge_cells("A1:H1")
    sheet.merge_cells("A5:A6")
    sheet.merge_cells("B5:B6")
    sheet.merge_cells("C5:C6")


def several(made: Any) -> None:
    made.active.title = "Plan"
    made.create_sheet("Prices").append(["Item", "Price"])
    made.create_sheet("old").append(HEAD)
    made["old"].sheet_state = "hidden"


def stray(made: Any) -> None:
    """A mark in the very last row, as formatting to the bottom leaves it."""
    made.active.cell(row=1_048_576, column=16_384).number_format = "0.00"


def hidden_row(made: Any) -> None:
    made.active.row_dimensions[3].hidden = True


US_TEXT = ["July 2, 2026", "18 Jul 2026", "2026/08/06"]
SERIALS = [46205, 46221, 46240]
BARE = [row[:5] + row[7:] for row in ROWS]  # no unit, no water
TITLES = [["Larkspur Hollow Farm (invented)"], ["Fungicide programme 2026", None, "Quarry Bottom"], []]

# name -> (file name, content, --map, part of a notice)
LAYOUTS: dict[str, tuple[str, bytes, dict[str, str], str]] = {
    "the contract's columns": ("a.xlsx", book([HEAD, *ROWS]), {}, "header in row 1, rows 2 to 4 read as 3 passes"),
    "the same as CSV": ("a.csv", text([HEAD, *ROWS]), {}, ""),
    "semicolons": ("a.csv", text([HEAD, *ROWS], ";"), {}, ""),
    "tabs": ("a.tsv", text([HEAD, *ROWS], "\t"), {}, ""),
    "columns in another order": ("a.xlsx", book([row[::-1] for row in [HEAD, *ROWS]]), {}, "pass from H"),
    "capitals and longer names": (
        "a.xlsx",
        book([["Pass No.", "Spray Date", "Growth Stage", "Product Name", "Use Rate", "Units", "Carrier Volume",
               "Spray quality"], *ROWS]),
        {}, "product from D",
    ),
    "extra columns": (
        "a.xlsx",
        book([[*HEAD, "Operator", "FRAC"], *[[*row, "Kim", "11"] for row in ROWS]]),
        {}, "column I 'Operator' is not read (I2:I4)",
    ),
    "date as text": ("a.xlsx", book([HEAD, *column(ROWS, 1, US_TEXT)]), {}, "B2 'July 2, 2026' as 2026-07-02"),
    # from here on awkward
    "title rows above": ("b.xlsx", book([*TITLES, HEAD, *ROWS]), {}, "C2 'Quarry Bottom' is above the header"),
    "title rows above, CSV": ("b.csv", text([*TITLES, HEAD, *ROWS]), {}, "A1 'Larkspur Hollow Farm (invented)'"),
    "day numbers": ("b.xlsx", book([HEAD, *column(ROWS, 1, SERIALS)]), {}, "B2:B4: day numbers of a spreadsheet"),
    "units in the heading": (
        "b.xlsx",
        book([["App", "Date", "Timing", "Material", "Rate fl oz/ac", "Droplets", "Water (gal/ac)"],
              *[[*row, 20] for row in BARE]]),
        {}, "rate from E",
    ),
    "units in a row of their own": (
        "b.csv",
        text([["Spray", "Date", "Stage", "Product", "Rate", "Droplet size", "Water"],
              ["", "", "", "", "(fl oz/ac)", "", "gal/ac"], *[[*row, 20] for row in BARE]]),
        {}, "row 2 is guessed to hold the units",
    ),
    "unit column without heading": (
        "b.xlsx",
        book([["Pass", "Date", "Stage", "Product", "Rate", None, "Water", "Droplets"], *ROWS]),
        {}, "column F has no heading; guessed",
    ),
    "no numbers of passes": (
        "b.xlsx", book([["When", *HEAD[2:]], *[row[1:] for row in ROWS]]), {}, "no column numbers the passes; guessed",
    ),
    "passes as T1, T2": ("b.xlsx", book([HEAD, *column(ROWS, 0, ["T1", "T2", "T3"])]), {}, "rows 2 to 4"),
    "passes as letters": (
        "b.xlsx", book([HEAD, *column(ROWS, 0, ["A", "B", "C"])]), {}, "guessed from the order: 'A' as pass 1",
    ),
    "total and remarks below": (
        "b.xlsx",
        book([HEAD, *ROWS, [], ["Total", None, None, None, 27], ["Note: prices without tax"]]),
        {}, "row 6 is not read: A6, E6 'Total'",
    ),
    "header repeated": ("b.xlsx", book([HEAD, *ROWS[:2], HEAD, ROWS[2]]), {}, "row 4 repeats the header"),
    "several sheets, one hidden": ("b.xlsx", book([HEAD, *ROWS], several), {}, "sheet 'old' is hidden and not read"),
    "a stray mark in the last cell": ("b.xlsx", book([HEAD, *ROWS], stray), {}, "rows 2 to 4"),
    "a hidden row": ("b.xlsx", book([HEAD, *ROWS], hidden_row), {}, "row 3 is hidden; it is read all the same"),
    "unknown headings with --map": (
        "b.xlsx",
        book([["Nr", "Dat.", "Stage", "Stuff", "How much", "Unit", "Water", "Droplets"], *ROWS]),
        {"Dat.": "date", "D": "product", "how much": "rate"}, "product from D",
    ),
    "order of day and month in the heading": (
        "b.csv",
        text([["Pass", "Date (dd/mm/yyyy)", *HEAD[2:]], *column(ROWS, 1, ["02/07/2026", "18/07/2026", "06/08/2026"])]),
        {}, "'06/08/2026' as 2026-08-06",
    ),
    "stage with its meaning": (
        "b.xlsx", book([HEAD, *column(ROWS, 2, ["R1 (beginning bloom)", "R3", "R5"])]), {}, "C2 'R1 (beginning bloom)'",
    ),
    "metric beside US": (
        "b.xlsx",
        book([[*HEAD[:4], "Rate (fl oz/ac)", "Rate (L/ha)", "Water", "Droplets"],
              *[[*row[:5], 0.658, *row[6:]] for row in ROWS]]),
        {}, "F2:F4: not read, a column to the left says it already",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", LAYOUTS)
def test_layouts_are_read_right(name: str, tmp_path: Path) -> None:
    file, content, columns, notice = LAYOUTS[name]
    programme = load_sheet(tmp_path / file, content, columns)
    assert documents.bare(programme).passes == expected()
    assert any(notice in one for one in programme.notices) or not notice, programme.notices


def test_there_are_enough_layouts() -> None:
    assert len(LAYOUTS) >= 20
    assert list(LAYOUTS).index("title rows above") <= len(LAYOUTS) - 12


def test_merged_cells_and_two_products_in_one_tank(tmp_path: Path) -> None:
    rows: list[list[Any]] = [
        ["Larkspur Hollow Farm, invented"],
        [],
        HEAD,
        ROWS[0],
        ROWS[1],
        [None, None, None, "Demo Hornbeam 480 SC", 3, "fl oz/ac"],
    ]
    programme = load_sheet(tmp_path / "m.xlsx", book(rows, merged))
    second = programme.passes[1]
    assert [item.product for item in second.tank] == ["Demo Siskin 250 EC", "Demo Hornbeam 480 SC"]
    assert second.date == DAY(2026, 7, 18)
    assert "A5 is merged with A6; its value holds for each row" in programme.notices
    loose = [HEAD, *ROWS[:2], ["", "", "", "Demo Hornbeam 480 SC", 3, "fl oz/ac"]]
    again = load_sheet(tmp_path / "m.csv", text([["Plan"], *loose]))
    assert documents.bare(again).passes == documents.bare(programme).passes
    assert "A5: empty, guessed to go on with the pass above" in again.notices
    one = [HEAD, ROWS[0], [*ROWS[1][:3], "Demo Siskin 250 EC + Demo Hornbeam 480 SC", "9 + 3", *ROWS[1][5:]]]
    assert documents.bare(load_sheet(tmp_path / "o.xlsx", book(one))).passes == documents.bare(programme).passes


def replaced(row: int, at: int, value: Any) -> list[list[Any]]:
    rows = [list(one) for one in ROWS]
    rows[row][at] = value
    return [HEAD, *rows]


# content, file, cell, part of the problem, part of the cure
REFUSED: dict[str, tuple[bytes, str, str, str, str]] = {
    "ambiguous date": (book(replaced(1, 1, "03/04/2026")), "c.xlsx", "B3", "can mean 3 April or 4 March", "2026-07-02"),
    "date without year": (book(replaced(1, 1, "18 July")), "c.xlsx", "B3", "names no year", "2026-07-02"),
    "year of two digits": (book(replaced(1, 1, "18/07/26")), "c.xlsx", "B3", "four digits", "2026-07-02"),
    "no date": (book(replaced(1, 1, "soon")), "c.xlsx", "B3", "is no date", "2026-07-02"),
    "number that is no day": (book(replaced(1, 1, 12)), "c.xlsx", "B3", "'12' is no date", "2026-07-02"),
    "unknown product": (book(replaced(1, 3, "Demo Nowhere")), "c.xlsx", "D3", "unknown product", "did you mean"),
    "rate without unit": (book(replaced(1, 5, None)), "c.xlsx", "E3", "rate 9 has no unit", "9 fl oz/ac"),
    "weight for a liquid": (book(replaced(1, 5, "oz/ac")), "c.xlsx", "E3", "is a liquid", "fl oz"),
    "rate as a range": (book(replaced(1, 4, "6-9")), "c.xlsx", "E3", "is no number", "L/ha"),
    "unknown stage": (book(replaced(1, 2, "R99")), "c.xlsx", "C3", "unknown stage", "R"),
    "unknown unit": (book(replaced(1, 5, "jugs/ac")), "c.xlsx", "E3", "unknown unit 'jugs/ac'", "fl oz/ac"),
    "formula without result": (book(replaced(1, 4, "=6+3")), "c.xlsx", "E3", "formula whose result is not", "value"),
    "formula error": (book(replaced(1, 4, "#REF!")), "c.xlsx", "E3", "holds the error #REF!", "value"),
    "product is empty": (book(replaced(1, 3, None)), "c.xlsx", "D3", "this cell is empty", "name the product"),
    "pass goes on later": (book([HEAD, ROWS[0], ROWS[1], ROWS[0]]), "c.xlsx", "A4", "goes on after",
                            "under each other"),
    "groups only": (
        book([["Pass", "Date", "FRAC group"], [1, DAY(2026, 7, 2), "11"], [2, DAY(2026, 7, 18), "3"]]),
        "c.xlsx", "C1", "names mode-of-action groups only", "product",
    ),
    "no date column": (book([["Pass", "Product", "Rate"], [1, "Demo Alder 250 SC", 9]]), "c.xlsx", "A1",
                       "'date' or 'stage' is missing", "date or stage"),
    "unknown headings": (book([["x", "y"], [1, 2]]), "c.xlsx", "A1", "no row names the columns", "product or active"),
    "two date columns": (
        book([[*HEAD, "Spray date"], *[[*row, row[1]] for row in ROWS]]), "c.xlsx", "I1", "both hold 'date'", "--map",
    ),
    "dates under an unknown heading": (
        book([["Pass", "Datum", *HEAD[2:]], *ROWS]), "c.xlsx", "B1", "looks like the date", '--map "Datum=date"',
    ),
    "rates under an unknown heading": (
        text([["Pass", "Date", "Stage", "Product", "How much"], [1, "2026-07-02", "R1", ROWS[0][3], "9 fl oz/ac"]]),
        "c.csv", "E1", "looks like the rate", '--map "How much=ignore"',
    ),
    "two sheets alike": (
        book([HEAD, *ROWS], lambda made: made.create_sheet("Copy").append(HEAD)), "c.xlsx", "Sheet!A1",
        "2 sheets look like a table", "keep one",
    ),
    "ambiguous date in CSV": (
        text([["Plan"], *replaced(1, 1, "03/04/2026")]), "c.csv", "B4", "can mean 3 April", "2026",
    ),
    "passes in columns, dates across": (
        text([["Product", "2026-07-02", "2026-07-18"], ["Demo Alder 250 SC", "9 fl oz/ac", ""]]), "c.csv", "B1",
        "side by side in columns", "one row per product",
    ),
    "passes in columns, headings down": (
        book([[None, "first", "second"], ["Date", DAY(2026, 7, 2), "later"], ["Product", "Demo Alder 250 SC", "x"],
              ["Rate", "9 fl oz/ac", "1"]]), "c.xlsx", "B2", "side by side in columns", "one row per product",
    ),
    "two rates, three products": (
        book([HEAD, [*ROWS[0][:3], "Demo Siskin 250 EC + Demo Marl 125 SC + Demo Osier 125 ME", "9 + 3", "fl oz/ac"]]),
        "c.xlsx", "E2", "3 products stand in one cell, 2 rates", "own row",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_layouts_are_refused_with_the_cell_named(name: str, tmp_path: Path) -> None:
    content, file, cell, problem, cure = REFUSED[name]
    with pytest.raises(InputError) as caught:
        load_sheet(tmp_path / file, content)
    assert str(caught.value).startswith(f"{tmp_path / file}:{cell}: "), str(caught.value)
    assert problem in caught.value.problem
    assert cure in caught.value.cure


@pytest.mark.parametrize(
    ("columns", "problem"),
    [
        ({"Stuff": "produce"}, "there is no field 'produce'"),
        ({"Nothing": "stage"}, "there is no column 'Nothing'"),
    ],
)
def test_wrong_maps(columns: dict[str, str], problem: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=problem):
        load_sheet(tmp_path / "w.xlsx", book([HEAD, *ROWS]), columns)


def test_a_column_may_be_left_out(tmp_path: Path) -> None:
    rows = [[*HEAD[:1], "Datum", *HEAD[2:]], *ROWS]
    programme = load_sheet(tmp_path / "i.xlsx", book(rows), {"Datum": "ignore"})
    assert [one.date for one in programme.passes] == [None, None, None]
    assert "column B 'Datum' is not read (B2:B4)" in programme.notices


# --- how each row was read --------------------------------------------------------------------------------------------

AWKWARD: list[list[Any]] = [
    ["Larkspur Hollow Farm, invented"],
    ["Date", "Stage", "Product", "Rate (fl oz/ac)", "Water", "Rep"],
    ["July 2, 2026", "R1", "Demo Alder 250 SC", 9, "20 gal/ac", "Kim"],
    [46221, "R3", "Demo Siskin 250 EC", 9, "20 gal/ac", "Kim"],
    [None, None, "Demo Hornbeam 480 SC", 3],
    ["Total", None, None, 21],
]


def test_every_row_is_told_with_its_cells(tmp_path: Path) -> None:
    """Each cell of the sheet is read, guessed or said not to be read; none is passed over in silence."""
    (read,) = load_sheet(tmp_path / "r.xlsx", book(AWKWARD)).readings
    assert [row.place for row in read.rows] == ["A3:F3", "A4:F4", "C5:D5"]
    told = {(cell.cell, cell.field): (cell.read, cell.how) for row in read.rows for cell in row.cells}
    assert told["A3", "date"] == ("2026-07-02", "from 'July 2, 2026'")
    assert told["A4", "date"] == ("2026-07-18", "from day number 46221")
    assert told["D5", "rate"] == ("3 fl oz/ac", "unit from the heading")
    assert told["C3", "product"] == ("Demo Alder 250 SC", "")
    assert [row.cells[0] for row in read.rows] == [
        CellRead(cell=cell, field="pass", read=number, how="guessed")
        for cell, number in (("A3", "1"), ("A4", "2"), ("A5", "2"))
    ]
    named = {cell for cell, _ in told}
    remarks = " ".join(read.remarks)
    filled = [
        cells.address(at, column) for at, row in enumerate(AWKWARD, 1) for column, value in enumerate(row, 1) if value
    ]
    heading = {cells.address(2, column + 1) for column in range(6)}
    ranges = {"F3", "F4"} if "F3:F4" in remarks else set()
    assert [cell for cell in filled if cell not in named | heading | ranges and cell not in remarks] == []


def test_a_table_read_by_line_is_told_by_line(tmp_path: Path) -> None:
    (read,) = load_sheet(tmp_path / "l.csv", text([HEAD, *ROWS])).readings
    assert [row.place for row in read.rows] == ["2", "3", "4"]
    assert [cell.read for cell in read.rows[0].cells][:3] == ["1", "2026-07-02", "R1"]


def test_everything_that_is_refused_is_told_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = [list(row) for row in AWKWARD]
    rows[2][1], rows[3][2], rows[4][3], rows[3][4] = "R99", "Demo Nowhere", "=1+2", "twenty"
    path = tmp_path / "bad.xlsx"
    path.write_bytes(book(rows))
    assert cli.main(["audit", str(path), "--field", str(FIELD), "--products", str(SHOP)]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert [line.removeprefix(f"{path}:").split(":")[0] for line in said.err.splitlines()] == ["B3", "C4", "E4", "D5"]
    lines = [[*HEAD], *[list(row) for row in ROWS]]
    lines[1][4], lines[2][3], lines[3][7] = "1,000", "Demo Nowhere", "huge"
    path = tmp_path / "bad.csv"
    path.write_bytes(text(lines))
    assert cli.main(["audit", str(path), "--field", str(FIELD), "--products", str(SHOP)]) == 2
    numbers = [line.removeprefix(f"{path}:").split(":")[0] for line in capsys.readouterr().err.splitlines()]
    assert numbers == ["2", "3", "4"]


def test_the_door_tells_each_row(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "r.xlsx"
    path.write_bytes(book(AWKWARD))
    told = [str(path), "--field", str(FIELD), "--products", str(SHOP)]
    for command in ("audit", "sheet", "calendar", "mend"):
        cli.main([command, *told])
        said = capsys.readouterr().err
        assert f"{path}:A3:F3: read: pass 1 *, 2026-07-02 *, R1, Demo Alder 250 SC, 9 fl oz/ac *" in said, command
        assert "* guessed or converted" in said
    for command in ("audit", "sheet", "calendar"):
        cli.main([command, *told, "--format", "json"])
        rows = json.loads(capsys.readouterr().out)["reading"][0]["rows"]
        assert rows[2]["read"][0] == {"cell": "A5", "field": "pass", "read": "2", "how": "guessed"}
        cli.main([command, *told, "--format", "markdown"])
        assert "| C5:D5 | 2 (guessed) |" in capsys.readouterr().out


def test_a_long_sheet_does_not_drown_the_answer(tmp_path: Path) -> None:
    from planner.render import reading

    rows = [["Product", "Active ingredient", "Price per L"]]
    rows += [[f"Demo Number {at} 250 SC", "azoxystrobin 250 g/L", at + 1] for at in range(300)]
    (tmp_path / "long.xlsx").write_bytes(book(rows))
    found: list[SheetRead] = []
    documents.load_products(tmp_path / "long.xlsx", catalogue(), readings=found)
    assert len(found[0].rows) == 300
    lines = reading.lines(found)
    assert len(lines) <= 2 * reading.MOST_TOLD + 2
    assert "more rows read as written" in " ".join(lines)


# --- dates ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "written",
    ["2026-07-02", "2026/07/02", "2026-07-02 00:00:00", "2 July 2026", "July 2, 2026", "2-Jul-26", "Jul 2 2026",
     "2nd July 2026", "Thu 2 July 2026", "Thursday, 2 July 2026", "2. July 2026", "2026 Jul 2", "2JUL2026"],
)  # fmt: skip
def test_dates_that_mean_one_day(written: str) -> None:
    assert sheetdates.from_text(written, Place()) == DAY(2026, 7, 2)


@given(day=st.dates(DAY(1951, 1, 1), DAY(2099, 12, 31)))
def test_day_numbers_are_those_of_a_spreadsheet(day: datetime.date) -> None:
    """openpyxl's conversion (1900 and 1904 date bases) as the outside judge."""
    from openpyxl.utils.datetime import CALENDAR_MAC_1904, to_excel

    assert sheetdates.from_serial(to_excel(day), Place()) == day
    assert sheetdates.from_serial(to_excel(day, epoch=CALENDAR_MAC_1904), Place(), base_1904=True) == day


@given(day=st.dates(DAY(1951, 1, 1), DAY(2099, 12, 31)), style=st.sampled_from(["%d/%m/%Y", "%m/%d/%Y", "%d.%m.%Y"]))
def test_numbers_are_read_where_one_day_is_meant(day: datetime.date, style: str) -> None:
    written = day.strftime(style)
    if day.day > 12 or day.day == day.month:
        assert sheetdates.from_text(written, Place()) == day
    else:
        with pytest.raises(InputError, match="can mean"):
            sheetdates.from_text(written, Place())
    assert sheetdates.from_text(written, Place(), day_first=style != "%m/%d/%Y") == day


# --- hostile files ----------------------------------------------------------------------------------------------------


def packed(parts: dict[str, bytes]) -> bytes:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return target.getvalue()


def with_sheet(xml: bytes) -> bytes:
    """A sound workbook whose sheet is replaced."""
    with zipfile.ZipFile(io.BytesIO(book([HEAD, *ROWS]))) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    return packed({**parts, "xl/worksheets/sheet1.xml": xml})


SHEET = b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>%s</sheetData>%s</worksheet>'
HOSTILE: dict[str, tuple[bytes, str]] = {
    "a zip bomb": (packed({"[Content_Types].xml": b"", "xl/worksheets/sheet1.xml": b" " * 60_000_000}), "unpacks to"),
    "packed beyond belief": (with_sheet(SHEET % (b" " * 20_000_000, b"")), "packed beyond belief"),
    "too many cells": (with_sheet(SHEET % (b"<row r='1'>" + b"<c r='A1'/>" * 150_000 + b"</row>", b"")), "cells"),
    "all cells merged": (
        with_sheet(SHEET % (b"", b"<mergeCells><mergeCell ref='A1:XFD1048576'/></mergeCells>")), "merged cells"),
    "merged cells without end": (with_sheet(SHEET % (b"<mergeCell " * 150_000, b"")), "cannot be read"),
    "rows without cells": (with_sheet(SHEET % (b"<row r='1' ht='9'/>" * 90_000, b"")), "rows"),
    "tags without end": (
        packed({"[Content_Types].xml": b"", **{f"a{number}": b"<x/>" * 300_000 for number in range(3)}}), "XML tags"),
    "styles without end": (
        packed({"[Content_Types].xml": b"", "xl/styles.xml": b"<xf/>" * 300_000}), " styles"),
    "entities": (with_sheet(b'<!DOCTYPE x [<!ENTITY a "b">]>' + SHEET % (b"&a;", b"")), "XML of a kind"),
    "too many parts": (packed({f"{number}": b"" for number in range(800)}), "800 parts"),
    "no workbook": (packed({"a.txt": b"hello"}), "no workbook"),
    "cut off": (book([HEAD, *ROWS])[:-400], "damaged"),
    "broken XML": (with_sheet(b"<worksheet"), "cannot be read"),
    "old workbook": (b"\xd0\xcf\x11\xe0" + bytes(2000), "old (.xls) or encrypted"),
    "OpenDocument": (
        packed({"mimetype": b"application/vnd.oasis.opendocument.spreadsheet", "content.xml": b""}), "OpenDocument"),
    "text named workbook": (b"hello", "columns"),
}  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_workbooks_are_refused_at_once(name: str, tmp_path: Path) -> None:
    content, problem = HOSTILE[name]
    start = time.perf_counter()
    with pytest.raises(InputError) as caught:
        load_sheet(tmp_path / "h.xlsx", content)
    assert problem in str(caught.value)
    assert len(str(caught.value)) < 400
    assert time.perf_counter() - start < 10


def test_the_largest_sheet_that_is_let_in_takes_no_ten_seconds(tmp_path: Path) -> None:
    wide = [[f"remark {number}" for number in range(40)] for _ in range(900)]
    content = book([HEAD, *ROWS, [], *wide])
    start = time.perf_counter()
    programme = load_sheet(tmp_path / "l.xlsx", content)
    assert documents.bare(programme).passes == expected()
    assert time.perf_counter() - start < 10


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_damage_is_one_clear_error(data: st.DataObject, tmp_path: Path) -> None:
    content = bytearray(documents.dump_xlsx(_written()))
    for _ in range(data.draw(st.integers(1, 8))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    try:
        sheets.programme(bytes(content), "d.xlsx")
    except InputError as error:
        assert "d.xlsx" in str(error)


@cache
def _written() -> Programme:
    return documents.load_programme(SCENARIOS / "sound-quarry-bottom.yaml", catalogue())


# --- writing and coming back ------------------------------------------------------------------------------------------


def again(programme: Programme, folder: Path, suffix: str) -> Programme:
    (folder / "field.yaml").write_text(documents.dump_field(programme.field))
    (folder / "shop.yaml").write_text(documents.dump_products(programme.products))
    path = folder / f"programme.{suffix}"
    if suffix == "xlsx":
        path.write_bytes(documents.dump_xlsx(programme))
    elif suffix == "csv":
        path.write_text(documents.dump_csv(programme))
    else:
        path.write_text(documents.dump_programme(programme))
    return documents.load_programme(
        path, catalogue(), field=folder / "field.yaml", products=[folder / "shop.yaml"] if programme.products else None
    )


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(programme=programmes(), suffix=st.sampled_from(["xlsx", "csv", "yaml"]))
def test_every_programme_comes_back_the_same(programme: Programme, suffix: str, tmp_path: Path) -> None:
    found = documents.bare(again(programme, tmp_path, suffix))
    wanted = documents.bare(programme)
    if not programme.name and suffix != "yaml":
        assert found.name == "programme"  # a table without a name is called after its file
        found = type(found)(**{**{key: getattr(found, key) for key in found.__struct_fields__}, "name": ""})
    assert found == wanted


@pytest.mark.parametrize(
    "name", sorted(path.name for path in SCENARIOS.glob("*.yaml") if "\nprogramme: 1" in path.read_text())
)
@pytest.mark.parametrize("suffix", ["xlsx", "csv", "yaml"])
def test_the_scenarios_come_back_the_same(name: str, suffix: str, tmp_path: Path) -> None:
    programme = documents.load_programme(SCENARIOS / name, catalogue())
    assert documents.bare(again(programme, tmp_path, suffix)) == documents.bare(programme)


def test_accepted_departures_come_along(tmp_path: Path) -> None:
    source = documents.dump_programme(_written()) + (
        "accept:\n  - {rule: ROT01, passes: [2, 3], reason: '=only stock left'}\n  - {rule: LIM01, reason: told to}\n"
    )
    (tmp_path / "p.yaml").write_text(source)
    programme = documents.load_programme(tmp_path / "p.yaml", catalogue())
    for suffix in ("xlsx", "csv"):
        assert documents.bare(again(programme, tmp_path, suffix)) == documents.bare(programme)


def test_the_same_programme_gives_the_same_bytes() -> None:
    first = documents.dump_xlsx(_written())
    time.sleep(1.1)  # a zip archive tells the time in steps of two seconds, a workbook in seconds
    assert documents.dump_xlsx(_written()) == first
    assert documents.dump_csv(_written()) == documents.dump_csv(_written())


@pytest.mark.parametrize("name", ["=cmd|' /C calc'!A0", "+1+1", "-2", "@SUM(A1)", "'=1"])
def test_no_cell_is_a_formula(name: str, tmp_path: Path) -> None:
    """Signs that begin a formula: OWASP, 'CSV injection' (recalled, high confidence)."""
    shop = f'products:\n  - {{name: "{name}", actives: {{azoxystrobin: 250 g/L}}}}\n'
    (tmp_path / "shop.yaml").write_text(shop)
    (tmp_path / "p.yaml").write_text(
        f'name: "{name}"\nfield: {{crop: soybean}}\nproducts: shop.yaml\n'
        f'passes:\n  - {{stage: R1, tank: [{{product: "{name}", rate: 0.6 L/ha}}]}}\n'
    )
    programme = documents.load_programme(tmp_path / "p.yaml", catalogue())
    made = openpyxl.load_workbook(io.BytesIO(documents.dump_xlsx(programme)))
    for row in made.active.iter_rows():
        for cell in row:
            assert cell.data_type != "f"
            assert not str(cell.value or "").startswith(("=", "+", "-", "@"))
    for line in csv.reader(io.StringIO(documents.dump_csv(programme))):
        assert not any(cell.startswith(("=", "+", "-", "@")) for cell in line)
    for suffix in ("xlsx", "csv"):
        assert documents.bare(again(programme, tmp_path, suffix)) == documents.bare(programme)


@given(text=st.text(max_size=12))
def test_marks_come_off_again(text: str) -> None:
    assert cells.unguarded(cells.plain(text)) == text


# --- product lists ----------------------------------------------------------------------------------------------------

LIST = [
    ["Price list 2026, invented"],
    ["Product", "Active ingredient", "Content (g/L)", "Price (USD/gal)", "In stock", "Crop", "Min rate (fl oz/ac)",
     "Max rate (fl oz/ac)", "Max applications", "Retreatment interval (d)", "Earliest stage", "Latest stage", "PHI (d)",
     "REI (h)", "Shelf"],
    ["Demo Alder 250 SC", "azoxystrobin", 250, 96, "12 gal", "Soybean", 6, 12, 2, 14, "V5", "R6", 14, 4, "3"],
    ["Demo Limewood 200 SC", "fluxapyroxad + difenoconazole", "75 + 125", 300, None, "soybean", 8, 14, 2, 14, "V5",
     "R6", 21, 12, None],
]  # fmt: skip


def test_a_price_list_is_the_product_list(tmp_path: Path) -> None:
    (tmp_path / "shop.yaml").write_text("""\
currency: USD
products:
  - name: Demo Alder 250 SC
    actives: {azoxystrobin: 250 g/L}
    price: 96 per gal
    on_hand: 12 gal
    label:
      soybean: {rate: [6 fl oz/ac, 12 fl oz/ac], applications: 2, interval: 14 d, stages: [V5, R6],
                harvest_interval: 14 d, reentry: 4 h}
  - name: Demo Limewood 200 SC
    actives: {fluxapyroxad: 75 g/L, difenoconazole: 125 g/L}
    price: 300 per gal
    label:
      soybean: {rate: [8 fl oz/ac, 14 fl oz/ac], applications: 2, interval: 14 d, stages: [V5, R6],
                harvest_interval: 21 d, reentry: 12 h}
""")
    wanted = documents.load_products(tmp_path / "shop.yaml", catalogue())
    split = [*LIST[:3], [*LIST[3][:1], "fluxapyroxad", 75, *LIST[3][3:]], ["", "difenoconazole", 125]]
    for name, content in (("a.xlsx", book(LIST)), ("a.csv", text(LIST)), ("b.xlsx", book(split))):
        (tmp_path / name).write_bytes(content)
        notices: list[str] = []
        found = documents.load_products(tmp_path / name, catalogue(), notices=notices)
        assert _without_places(found) == _without_places(wanted)
        assert any("column O 'Shelf' is not read" in one for one in notices), notices
        assert str(found[0].place).endswith(f"{name}:A3")


def _without_places(products: Any) -> Any:
    import msgspec

    data = json.loads(msgspec.json.encode(products))
    for one in data:
        one["place"] = None
        for label in one["labels"].values():
            label["place"] = None
    return data


@pytest.mark.parametrize(
    ("row", "at", "value", "cell", "problem"),
    [
        (2, 1, "azoxystrobbin", "C3", "unknown active"),
        (2, 2, None, "C3", "content of azoxystrobin is not given"),
        (2, 5, None, "F3", "names no crop"),
        (2, 5, "soya beans of sorts", "F3", "unknown crop"),
        (2, 6, 20, "G3", "least rate"),
        (2, 7, None, "H3", "go together"),
        (2, 8, "two", "I3", "is no number"),
        (2, 10, "R99", "K3", "unknown stage"),
        (3, 2, "75", "C4", "2 actives stand beside 1 contents"),
    ],
)
def test_slips_in_a_price_list(row: int, at: int, value: Any, cell: str, problem: str, tmp_path: Path) -> None:
    rows = [list(one) for one in LIST]
    rows[row][at] = value
    (tmp_path / "s.xlsx").write_bytes(book(rows))
    with pytest.raises(InputError) as caught:
        documents.load_products(tmp_path / "s.xlsx", catalogue())
    assert str(caught.value).startswith(f"{tmp_path / 's.xlsx'}:{cell}: "), str(caught.value)
    assert problem in str(caught.value)


# --- through the door (story 8 of the users' stories) -----------------------------------------------------------------


def test_is_my_suppliers_sheet_all_right(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sheet = tmp_path / "sheet.xlsx"
    sheet.write_bytes(book([*TITLES, [*HEAD, "Rep"], *[[*row, "x"] for row in ROWS]]))
    code = cli.main(["audit", str(sheet), "--field", str(FIELD), "--products", str(SHOP)])
    said = capsys.readouterr()
    assert code == 1  # three solo strobilurins in succession: the scenario's breach
    assert "breach" in said.out.splitlines()[0].casefold()
    assert "column I 'Rep' is not read (I5:I7)" in said.err
    assert "A1 'Larkspur Hollow Farm (invented)' is above the header and not read" in said.err


def test_map_through_the_door(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sheet = tmp_path / "sheet.xlsx"
    sheet.write_bytes(book([["Nr", "Date", "Stage", "Stuff", *HEAD[4:]], *ROWS]))
    told = ["audit", str(sheet), "--field", str(FIELD), "--products", str(SHOP)]
    assert cli.main(told) == 2
    assert "'Stuff'" in capsys.readouterr().err
    assert cli.main([*told, "--map", "Stuff=product"]) == 1
    assert cli.main([*told, "--map", "Stuff"]) == 2
    assert "is not COLUMN=FIELD" in capsys.readouterr().err


@pytest.mark.parametrize("command", ["audit", "draft", "mend", "compare", "calendar", "sheet"])
def test_every_command_that_reads_spreadsheets_takes_a_map(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet = tmp_path / "sheet.xlsx"
    sheet.write_bytes(book([["Nr", "Date", "Stage", "Stuff", *HEAD[4:]], *ROWS]))
    (tmp_path / "shop.xlsx").write_bytes(book([LIST[0], ["Jug", *LIST[1][1:]], *LIST[2:]]))
    field, shop = ["--field", str(FIELD)], ["--products", str(SHOP)]
    told = {
        "draft": [str(FIELD), "--products", str(tmp_path / "shop.xlsx"), "--passes", "1", "--seconds", "5"],
        "compare": [str(sheet), str(SCENARIOS / "sound-quarry-bottom.yaml"), *field, *shop],
    }.get(command, [str(sheet), *field, *shop])
    column = "Jug=name" if command == "draft" else "Stuff=product"
    assert cli.main([command, *told]) == 2
    assert column.split("=")[0] in capsys.readouterr().err
    assert cli.main([command, *told, "--map", column]) in (0, 1)


def test_a_map_holds_for_a_whole_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("a.xlsx", "b.xlsx"):
        (tmp_path / name).write_bytes(book([["Nr", "Date", "Stage", "Stuff", *HEAD[4:]], *ROWS]))
    told = ["audit", str(tmp_path), "--field", str(FIELD), "--products", str(SHOP)]
    assert cli.main(told) == 2
    assert cli.main([*told, "--map", "Stuff=product"]) == 1
    assert capsys.readouterr().err.splitlines()[-1] == "2 programmes: 2 with breaches"


def test_this_season_as_history(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["audit", str(SCENARIOS / "sound-quarry-bottom.yaml"), "--format", "history"]) == 0
    history = capsys.readouterr().out
    field = tmp_path / "next.yaml"
    field.write_text(f"crop: soybean\nsown: 2027-05-06\n{history}")
    seasons = documents.load_field(field, catalogue()).history
    assert [one.season for one in seasons] == ["2026", "2025", "2024"]
    assert seasons[0] == documents.history_entry(_written(), catalogue())


def test_sheets_write_workbooks(tmp_path: Path) -> None:
    made = tmp_path / "sheet.xlsx"
    assert cli.main(["sheet", str(SCENARIOS / "sound-quarry-bottom.yaml"), "--format", "xlsx", "-o", str(made)]) == 0
    rows = list(openpyxl.load_workbook(made).active.iter_rows(values_only=True))
    assert rows[0][:4] == ("pass", "date", "stage", "product")
    assert isinstance(rows[1][0], int)
    assert workbook.is_workbook(made.read_bytes())


def test_drafts_and_mended_programmes_are_spreadsheets_that_audit(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The answer of ``draft`` goes out as XLSX and comes back in as it is; the price list is a spreadsheet, too."""
    (tmp_path / "shop.xlsx").write_bytes(book(LIST))
    shop = str(tmp_path / "shop.xlsx")
    told = ["draft", str(FIELD), "--products", shop, "--passes", "1", "--seconds", "10"]
    plan = tmp_path / "plan.xlsx"
    assert cli.main([*told, "--format", "xlsx", "--output", str(plan)]) == 0
    assert "column O 'Shelf' is not read" in capsys.readouterr().err
    assert cli.main([*told, "--format", "csv"]) == 0
    (tmp_path / "plan.csv").write_text(capsys.readouterr().out)
    found = [
        documents.bare(documents.load_programme(tmp_path / name, catalogue(), field=FIELD, products=[shop]))
        for name in ("plan.xlsx", "plan.csv")
    ]
    assert found[0] == found[1]
    assert len(found[0].passes) == 1
    assert cli.main(["audit", str(plan), "--field", str(FIELD), "--products", shop]) == 0


@pytest.mark.parametrize(
    "command",
    [
        ["audit", str(SCENARIOS / "sound-quarry-bottom.yaml")],
        ["audit", *(str(SCENARIOS / f"{name}-quarry-bottom.yaml") for name in ("sound", "solo-strobilurins"))],
        ["sheet", str(SCENARIOS / "sound-quarry-bottom.yaml")],
        ["calendar", str(SCENARIOS / "sound-quarry-bottom.yaml")],
        ["calendar", str(FIELD), "--products", str(SHOP)],
        ["compare", *(str(SCENARIOS / f"{name}-quarry-bottom.yaml") for name in ("sound", "solo-strobilurins"))],
        ["mend", str(SCENARIOS / "solo-strobilurins-quarry-bottom.yaml")],
        [
            "draft",
            str(SCENARIOS / "heron-flat.yaml"),
            "--products",
            str(SHOP),
            "--passes",
            "1",
            "--target",
            "white-mold",
        ],
        ["explain", "FRAC 11"],
        ["catalog", "list", "actives"],
        ["catalog", "show", "R3"],
        ["rules", "list"],
        ["teach", "two-in-a-row"],
        ["teach", "--exercise", "1", "--seed", "7", "--print"],
    ],
    ids=lambda command: "-".join(command[:2]).replace("/", "_")[-30:],
)
def test_every_report_is_markdown_as_well(command: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """Read back by markdown-it-py, which keeps to CommonMark: a heading first, no HTML, every row of a table is one."""
    from markdown_it import MarkdownIt

    assert cli.main([*command, "--format", "markdown"]) in (0, 1)
    said = capsys.readouterr().out
    assert said.startswith("# ")
    assert "\x1b" not in said
    tokens = MarkdownIt("commonmark").enable("table").parse(said)
    assert (tokens[0].type, tokens[0].tag) == ("heading_open", "h1")
    inside = [child for token in tokens for child in token.children or ()]
    assert not [token for token in (*tokens, *inside) if token.type in ("html_block", "html_inline", "link_open")]
    shown = [line for line in said.splitlines() if line.startswith("| ")]
    rows = sum(token.type == "tr_open" for token in tokens)
    assert rows == len(shown)


def test_a_calendar_names_what_it_did_not_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "shop.xlsx").write_bytes(book(LIST))
    assert cli.main(["calendar", str(FIELD), "--products", str(tmp_path / "shop.xlsx")]) == 0
    assert "column O 'Shelf' is not read" in capsys.readouterr().err


JUNK = st.one_of(
    st.none(),
    st.sampled_from(
        ["pass", "date", "stage", "product", "active", "rate", "unit", "Rate (L/ha)", "FRAC", "Total", "R1", "R3", "65",
         "Demo Alder 250 SC", "azoxystrobin", "L/ha", "0,6", "1,000", "2 July 2026", "03/04/2026", "-", "'=1", "a + b",
         "1 + 2", "programme", "accept", "currency", "", "BBCH", "crop", "price", "250 g/L", "6-12"]
    ),
    st.integers(-3, 60_000),
    st.floats(allow_nan=False, allow_infinity=False),
    st.booleans(),
    st.dates(DAY(1901, 1, 1), DAY(2100, 1, 1)),
    st.times(),
    st.text(max_size=6),
)  # fmt: skip


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    rows=st.lists(st.lists(JUNK, max_size=7), max_size=8), headed=st.booleans(), kind=st.sampled_from(["xlsx", "csv"])
)
def test_any_sheet_is_read_or_refused(rows: list[list[Any]], headed: bool, kind: str, tmp_path: Path) -> None:
    """Whatever stands in the cells: a programme, or one InputError in a line that names the file."""
    from openpyxl.utils.exceptions import IllegalCharacterError

    whole = [["pass", "date", "stage", "product", "active", "rate", "unit"], *rows] if headed else rows
    try:
        content = book(whole) if kind == "xlsx" else text(whole)
    except (IllegalCharacterError, UnicodeEncodeError, csv.Error):
        return
    path = tmp_path / f"junk.{kind}"
    for load_it in (lambda: load_sheet(path, content), lambda: documents.load_products(path, catalogue())):
        path.write_bytes(content)
        try:
            load_it()
        except InputError as error:
            assert str(error).startswith(str(path))
            assert "\n" not in str(error)


@pytest.mark.parametrize(
    ("rows", "stages"),
    [
        ([["App", "BBCH", "Active ingredient", "Dose (g/ha)"], [1, 31, "azoxystrobin", 150],
          [2, 59, "metconazole", 90]], ["Z31", "Z59"]),
        ([["App", "Zadoks", "a.i.", "Rate", ""], ["T1", "39", "azoxystrobin", 150, "g/ha"]], ["Z39"]),
        ([["Spray", "Growth stage (Feekes)", "Common name", "Rate, lb/ac"], ["1st", 10.5, "azoxystrobin", 0.13]],
         ["F10.5"]),
    ],
)  # fmt: skip
def test_bare_actives_and_the_scales_of_stages(rows: list[list[Any]], stages: list[str], tmp_path: Path) -> None:
    """A number under 'BBCH', 'Zadoks' or 'Feekes' is a stage of that scale."""
    (tmp_path / "wheat.yaml").write_text("crop: wheat\n")
    for name, content in (("s.xlsx", book(rows)), ("s.csv", text(rows))):
        (tmp_path / name).write_bytes(content)
        found = documents.load_programme(tmp_path / name, catalogue(), field=tmp_path / "wheat.yaml")
        bbch = [catalogue().stage("wheat", one).bbch for one in stages]
        assert [catalogue().stage("wheat", str(one.stage)).bbch for one in found.passes] == bbch
        assert all(one.tank[0].dose and one.tank[0].dose > 80 for one in found.passes)


def test_a_workbook_on_standard_input(capsys: pytest.CaptureFixture[str]) -> None:
    found = documents.load_programme(
        "-", catalogue(), field=FIELD, products=[SHOP], stdin=io.BytesIO(book([*TITLES, HEAD, *ROWS]))
    )
    assert documents.bare(found).passes == expected()
