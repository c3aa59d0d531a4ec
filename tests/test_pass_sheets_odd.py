"""Pass tables in odd layouts: what --map settles, what hidden, merged and empty cells mean, and refusals by cell."""

from __future__ import annotations

import datetime
import io
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from planner import documents
from planner.catalogue import Catalogue, load
from planner.documents import columns, csvtext, grid
from planner.errors import InputError
from planner.model import Programme

DAY = datetime.date
SHOP = """\
products: 1
products:
  - {name: Demo Alder 250 SC, actives: {azoxystrobin: 250 g/L}, label: {soybean: {rate: [0.4 L/ha, 1.0 L/ha]}}}
  - {name: Demo Birch 480 SC, actives: {prothioconazole: 480 g/L}, label: {soybean: {rate: [0.2 L/ha, 0.4 L/ha]}}}
"""


@cache
def catalogue() -> Catalogue:
    return load()


def read(folder: Path, name: str, content: bytes, columns: dict[str, str] | None = None) -> Programme:
    (folder / "shop.yaml").write_text(SHOP, encoding="utf-8")
    (folder / "field.yaml").write_text("field: 1\ncrop: soybean\nsown: 2026-05-06\n", encoding="utf-8")
    (folder / name).write_bytes(content)
    return documents.load_programme(
        folder / name, catalogue(), field=folder / "field.yaml", products=[folder / "shop.yaml"], columns=columns
    )


def csv(folder: Path, text: str, columns: dict[str, str] | None = None) -> Programme:
    return read(folder, "a.csv", text.encode(), columns)


def refused(folder: Path, text: str, columns: dict[str, str] | None = None) -> str:
    with pytest.raises(InputError) as caught:
        csv(folder, text, columns)
    return str(caught.value).replace(f"{folder}/", "")


def book(rows: list[list[Any]], change: Callable[[Any], None] = lambda sheet: None) -> bytes:
    made = openpyxl.Workbook()
    for row in rows:
        made.active.append(row)
    change(made.active)
    target = io.BytesIO()
    made.save(target)
    return target.getvalue()


def passes(found: Programme) -> list[tuple[Any, ...]]:
    return [(entry.date, *((item.product, item.rate) for item in entry.tank)) for entry in found.passes]


ALDER, BIRCH = "Demo Alder 250 SC", "Demo Birch 480 SC"
TWO = [(DAY(2026, 7, 1), (ALDER, 0.5)), (DAY(2026, 7, 15), (BIRCH, 0.3))]
HEAD = "Pass No.,Spray Date,Product Name,Use Rate,Units\n"


def test_two_columns_of_one_field_are_settled_by_map(tmp_path: Path) -> None:
    text = (
        f"Spray Date,Target Date,Product Name,Use Rate,Units\n"
        f"2026-07-01,2026-06-29,{ALDER},0.5,L/ha\n2026-07-15,2026-07-14,{BIRCH},0.3,L/ha\n"
    )
    assert "columns 'Spray Date' (A1) and 'Target Date' both hold 'date'" in refused(tmp_path, text)
    assert passes(csv(tmp_path, text, {"Spray Date": "date"})) == TWO
    planned = [DAY(2026, 6, 29), DAY(2026, 7, 14)]
    assert [one[0] for one in passes(csv(tmp_path, text, {"Target Date": "date"}))] == planned
    assert passes(csv(tmp_path, text, {"A": "date"})) == TWO  # by its letter


def test_map_of_a_heading_keeps_its_unit(tmp_path: Path) -> None:
    text = f"Spray Date,Product Name,Use Rate (L/ha)\n2026-07-01,{ALDER},0.5\n2026-07-15,{BIRCH},0.3\n"
    assert passes(csv(tmp_path, text, {"Use Rate (L/ha)": "rate"})) == TWO


def test_map_may_name_columns_that_only_other_tables_have(tmp_path: Path) -> None:
    text = f"Spray Date,Product Name,Use Rate,Units\n2026-07-01,{ALDER},0.5,L/ha\n2026-07-15,{BIRCH},0.3,L/ha\n"
    for other in ({"Cost": "price"}, {"Remarks": "ignore"}, {"Article": "rate"}):
        assert passes(csv(tmp_path, text, other)) == TWO, other
    said = refused(tmp_path, text, {"Sprey Date": "date"})
    assert "Sprey Date" in said and "did you mean 'Spray Date'?" in said


def test_hidden_columns_are_read_and_said(tmp_path: Path) -> None:
    rows = [["Spray Date", "Product Name", "Use Rate", "Units"],
            [DAY(2026, 7, 1), ALDER, 0.5, "L/ha"], [DAY(2026, 7, 15), BIRCH, 0.3, "L/ha"]]  # fmt: skip

    def hide(sheet: Any) -> None:
        sheet.column_dimensions["A"].hidden = True

    found = read(tmp_path, "a.xlsx", book(rows, hide))
    assert passes(found) == TWO
    assert any("column A is hidden; it is read all the same" in notice for notice in found.notices)


def test_one_product_merged_over_several_rows_is_one_product(tmp_path: Path) -> None:
    rows = [["Pass No.", "Spray Date", "Product Name", "Use Rate", "Units", "Remarks"],
            [1, DAY(2026, 7, 1), ALDER, 0.5, "L/ha", "before noon"],
            [None, None, None, None, None, "or in the evening"],
            [2, DAY(2026, 7, 15), BIRCH, 0.3, "L/ha", None]]  # fmt: skip

    def merge(sheet: Any) -> None:
        for letter in "ABC":
            sheet.merge_cells(f"{letter}2:{letter}3")

    assert passes(read(tmp_path, "a.xlsx", book(rows, merge))) == TWO


@pytest.mark.parametrize("text, said", [
    (HEAD + f",2026-07-01,{ALDER},0.5,L/ha\n", "a.csv:A2: the first row has no pass number; fill in the cell"),
    (HEAD + f"1,2026-07-01,{ALDER},0.5,L/ha\n,2026-07-15,{BIRCH},0.3,L/ha\n",
     "a.csv:A3: this cell is empty, but date or stage differ from the row above; number the pass"),
    (HEAD + f"early,2026-07-01,{ALDER},0.5,L/ha\nlate,2026-07-15,{BIRCH},0.3,L/ha\nearly,2026-07-01,{BIRCH},0.3,L/ha\n",
     "a.csv:A4: pass 'early' goes on after another pass; put its rows together"),
    (f"Spray Date,Product Name,Use Rate,Units\n,{ALDER},0.5,L/ha\n",
     "a.csv:A2: the first row has neither date nor stage; fill in one"),
    (f"Spray Date,Product Name,Use Rate (L/ha),Units\n2026-07-01,{ALDER},0.5,fl oz/ac\n",
     "a.csv:D2: the unit 'fl oz/ac' differs from the heading's, 'L/ha'"),
    (f"Spray Date,Product Name,Use Rate,Units\n2026-07-01,{'x' * (grid.LONGEST_TEXT + 1)},0.5,L/ha\n",
     f"a.csv:B2: a cell has {grid.LONGEST_TEXT + 1} characters; write at most {grid.LONGEST_TEXT}"),
    (f"Spray Date,Product Name,Use Rate,Units\n2026-07-01,{ALDER},0.5,L/ha{',' * csvtext.MOST_COLUMNS}x\n",
     "a.csv:GV2: too many columns; keep the columns that are needed"),
    (f"accept,ROT01,2 and 3,no other stock\nSpray Date,Product Name,Use Rate,Units\n2026-07-01,{ALDER},0.5,L/ha\n",
     "a.csv:C1: passes '2 and 3' are no numbers; write for example 2, 3"),
    ("pass,date,product,rate,unit" + ",x" * csvtext.MOST_COLUMNS + "\n1,2026-07-01,a,1,L/ha\n",
     f"a.csv:1: {csvtext.MOST_COLUMNS + 5} columns are too many; keep the columns that are needed"),
])  # fmt: skip
def test_a_cell_that_leaves_doubt_is_named(tmp_path: Path, text: str, said: str) -> None:
    assert said in refused(tmp_path, text)


def test_empty_cells_far_to_the_right_of_any_layout_are_nothing(tmp_path: Path) -> None:
    text = f"Spray Date,Product Name,Use Rate,Units\n2026-07-01,{ALDER},0.5,L/ha{',' * (csvtext.MOST_COLUMNS + 3)}\n"
    assert passes(csv(tmp_path, text + f"2026-07-15,{BIRCH},0.3,L/ha\n")) == TWO


def test_the_compiled_headings_equal_fresh_ones() -> None:
    assert columns.build() == columns.column_words()
