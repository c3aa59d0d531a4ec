"""Documents that are nearly right: odd years, names that name no file, cells that hold what they should not.

Every refusal gives file and line (or cell) and what to write instead; what is only odd is read as it is meant.
"""

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
from planner.documents import csvtext
from planner.documents.dump import dump_products
from planner.errors import InputError
from planner.model import Product, Programme

DAY = datetime.date
SHOP = """\
products: 1
products:
  - {name: Demo Alder 250 SC, actives: {azoxystrobin: 250 g/L}, label: {soybean: {rate: [0.4 L/ha, 1.0 L/ha]}}}
  - {name: Demo Birch 480 SC, actives: {prothioconazole: 480 g/L}, label: {soybean: {rate: [0.2 L/ha, 0.4 L/ha]}}}
"""
PASS = "  - {date: 2026-07-01, tank: [{product: Demo Alder 250 SC, rate: 0.5 L/ha}]}\n"


@cache
def catalogue() -> Catalogue:
    return load()


def programme(folder: Path, text: str) -> Programme:
    (folder / "shop.yaml").write_text(SHOP, encoding="utf-8")
    (folder / "plan.yaml").write_text(text, encoding="utf-8")
    return documents.load_programme(folder / "plan.yaml", catalogue())


def sheet(folder: Path, name: str, content: bytes) -> Programme:
    (folder / "shop.yaml").write_text(SHOP, encoding="utf-8")
    (folder / "field.yaml").write_text("field: 1\ncrop: soybean\nsown: 2026-05-06\n", encoding="utf-8")
    (folder / name).write_bytes(content)
    return documents.load_programme(
        folder / name, catalogue(), field=folder / "field.yaml", products=[folder / "shop.yaml"]
    )


def refused(load_it: Callable[[], Any], folder: Path) -> str:
    with pytest.raises(InputError) as caught:
        load_it()
    return str(caught.value).replace(f"{folder}/", "")


# --- YAML documents --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text, said", [
    # a slip of the year: 441 days lie between 6 May 2026 and 21 July 2027
    ("programme: 1\nfield:\n  crop: soybean\n  sown: 2026-05-06\n  stages: {R1: 2027-07-21}\nproducts: shop.yaml\n"
     "passes:\n" + PASS,
     "plan.yaml:5: stage R1 on 2027-07-21 is 441 days after sowing on 2026-05-06; correct the year"),
    ("programme: 1\nfield: {crop: soybean, sown: 1026-05-06}\nproducts: shop.yaml\npasses:\n" + PASS,
     "plan.yaml:2: sown 1026-05-06 is not a year of this time"),
    # 731 days lie between the first of July 2026 and of July 2028 (2028 is a leap year)
    ("programme: 1\nfield: {crop: soybean}\nproducts: shop.yaml\npasses:\n" + PASS
     + "  - {date: 2028-07-01, tank: [{product: Demo Alder 250 SC, rate: 0.5 L/ha}]}\n",
     "plan.yaml:6: the passes span 731 days; correct the year: a programme is for one season"),
    ("programme: 1\nfield: ''\nproducts: shop.yaml\npasses:\n" + PASS,
     "plan.yaml:2: field names no file; write a file name, for example field: quarry.yaml"),
    (f"programme: 1\nfield: {'x' * 300}.yaml\nproducts: shop.yaml\npasses:\n{PASS}", "plan.yaml:2: "),
    ("programme: 1\nfield: {crop: soybean}\nproducts: shop.yaml\npasses:\n  -\n", "plan.yaml:5: "),
    ('programme: 1\nfield: {crop: soybean, "na\\x07me": x}\nproducts: shop.yaml\npasses:\n' + PASS,
     "plan.yaml:2: a control character stands in a key; remove it"),
    ("programme: 1\nfield: {crop: soybean,\n  stages: {R1: 2026-07-20,\n    R3: 2026-07-10}}\nproducts: shop.yaml\n"
     "passes:\n" + PASS, "plan.yaml:4: stage R1 comes before R3, but 2026-07-20 is after 2026-07-10"),
    ("programme: 1\nname: [a, b]\nfield: {crop: soybean}\nproducts: shop.yaml\npasses:\n" + PASS,
     "plan.yaml:2: 'name' takes text, not a list; write one text in a line"),
    ("programme: 1\nfield: {crop: soybean, latitude: north}\nproducts: shop.yaml\npasses:\n" + PASS,
     "plan.yaml:2: 'latitude' takes a number, not the text 'north'; write a number such as 43.5"),
    ("programme: 1\nfield: {crop: soybean, latitude: }\nproducts: shop.yaml\npasses:\n" + PASS, "plan.yaml:2: "),
    ("programme: 1\nfield: {crop: soybean}\nproducts: shop.yaml\npasses:\n" + PASS.replace("Demo Alder 250 SC", "Zzz"),
     "plan.yaml:5: unknown product 'Zzz'; add it to the product list, or correct the name"),
])  # fmt: skip
def test_what_is_nearly_right_is_refused_at_its_line(tmp_path: Path, text: str, said: str) -> None:
    assert refused(lambda: programme(tmp_path, text), tmp_path).startswith(said)


def test_temperatures_with_a_column_twice_are_refused(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("day,min C,min C\n2026-05-01,8,20\n", encoding="utf-8")
    text = "programme: 1\nfield: {crop: soybean, temperatures: t.csv}\nproducts: shop.yaml\npasses:\n" + PASS
    assert refused(lambda: programme(tmp_path, text), tmp_path).startswith("t.csv:1: column 'min C' is given twice")


def test_products_of_two_currencies_do_not_go_into_one_list() -> None:
    ours = Product(name="A", actives={"azoxystrobin": 250.0}, price=41.0, currency="CAD")
    theirs = Product(name="B", actives={"azoxystrobin": 250.0}, price=30.0, currency="USD")
    with pytest.raises(InputError) as caught:
        dump_products([ours, theirs])
    assert str(caught.value) == "product list: products of several currencies; write one list for each currency"
    assert "currency: CAD" in dump_products([ours])


# --- CSV -------------------------------------------------------------------------------------------------------------

HEAD = "pass,date,product,rate,unit\n"  # the columns of the contract: lines are named
OTHER = "Pass No.,Spray Date,Product Name,Use Rate,Units\n"  # another layout: cells are named


@pytest.mark.parametrize("content, said", [
    (HEAD + "1,2026-02-30,Demo Alder 250 SC,0.5,L/ha\n", "a.csv:2: date '2026-02-30' is not in the calendar"),
    (HEAD + "1,2026-07-01,Demo Alder 250 SC,\"0,5,5\",L/ha\n", "a.csv:2: rate '0,5,5': the comma may be a decimal"),
    (OTHER + "1,2026-02-30,Demo Alder 250 SC,0.5,L/ha\n", "a.csv:B2: date '2026-02-30' is not in the calendar"),
    (OTHER + "1,3 juillet 2026,Demo Alder 250 SC,0.5,L/ha\n",
     "a.csv:B2: date '3 juillet 2026' names no month that the planner reads"),
    (OTHER + "1,31 June 2026,Demo Alder 250 SC,0.5,L/ha\n", "a.csv:B2: date '31 June 2026' is not in the calendar"),
    (OTHER + "1,2026-07-01,Demo Alder 250 SC,\"0,5,5\",L/ha\n", "a.csv:D2: "),
    (HEAD + "1,2026-07-01,Demo Alder 250 SC,0.5,L/ha" + "," * csvtext.MOST_COLUMNS + "x\n", "a.csv:"),
    (HEAD + "\n" * (csvtext.MOST_LINES + 1), f"a.csv: the table has more than {csvtext.MOST_LINES} lines"),
    (HEAD + "1,,,,\n" * (csvtext.MOST_ROWS + 1),
     f"a.csv:{csvtext.MOST_ROWS + 2}: the table has more than {csvtext.MOST_ROWS} rows; split it into smaller files"),
    (OTHER + "\n" * (csvtext.MOST_ROWS + 1), f"a.csv: the table has more than {csvtext.MOST_ROWS} rows"),
])  # fmt: skip
def test_a_table_that_is_nearly_right_is_refused_at_its_cell(tmp_path: Path, content: str, said: str) -> None:
    assert refused(lambda: sheet(tmp_path, "a.csv", content.encode()), tmp_path).startswith(said)


def test_empty_cells_far_to_the_right_are_nothing(tmp_path: Path) -> None:
    row = "1,2026-07-01,Demo Alder 250 SC,0.5,L/ha" + "," * (csvtext.MOST_COLUMNS + 5)
    found = sheet(tmp_path, "a.csv", (HEAD + row + "\n").encode())
    assert [entry.date for entry in found.passes] == [DAY(2026, 7, 1)]


def test_a_cut_off_utf_16_is_told(tmp_path: Path) -> None:
    content = (HEAD + "1,2026-07-01,Demo Alder 250 SC,0.5,L/ha\n").encode("utf-16")
    assert sheet(tmp_path, "a.csv", content).passes
    assert refused(lambda: sheet(tmp_path, "a.csv", content[:-1]), tmp_path) == (
        "a.csv: the file is text in a damaged UTF-16; save it as CSV in UTF-8"
    )


# --- workbooks -------------------------------------------------------------------------------------------------------


def book(change: Callable[[Any], None]) -> bytes:
    made = openpyxl.Workbook()
    made.active.append(["pass", "date", "product", "rate", "unit"])
    made.active.append([1, DAY(2026, 7, 1), "Demo Alder 250 SC", 0.5, "L/ha"])
    made.active.append([2, DAY(2026, 7, 15), "Demo Birch 480 SC", 0.3, "L/ha"])
    change(made.active)
    target = io.BytesIO()
    made.save(target)
    return target.getvalue()


def blanks(one: Any) -> None:
    one["G3"] = "   "


def empty_merge(one: Any) -> None:
    one.merge_cells("H2:H3")


def hidden_column(one: Any) -> None:
    one["G1"], one["G2"] = "note", "x"
    one.column_dimensions["G"].hidden = True


@pytest.mark.parametrize("change", [blanks, empty_merge, hidden_column])
def test_what_nobody_sees_in_a_workbook_changes_nothing(tmp_path: Path, change: Callable[[Any], None]) -> None:
    plain = sheet(tmp_path, "a.xlsx", book(lambda one: None))
    found = sheet(tmp_path, "a.xlsx", book(change))
    assert documents.bare(found).passes == documents.bare(plain).passes
    assert [entry.date for entry in found.passes] == [DAY(2026, 7, 1), DAY(2026, 7, 15)]


def test_an_encrypted_workbook_is_told(tmp_path: Path) -> None:
    content = bytearray(book(lambda one: None))
    # bit 0 of the flags in the central directory's first entry: PKWARE APPNOTE 6.3, sections 4.3.12 and 4.4.4
    at = content.index(b"PK\x01\x02")
    content[at + 8] |= 1
    assert refused(lambda: sheet(tmp_path, "a.xlsx", bytes(content)), tmp_path) == (
        "a.xlsx: the workbook is encrypted; save it without a password"
    )


# --- writing ---------------------------------------------------------------------------------------------------------


def test_a_seed_treatment_and_a_plan_without_products_are_written_as_they_are_read(tmp_path: Path) -> None:
    text = (
        "programme: 1\nfield: {crop: soybean, sown: 2026-05-06}\npasses:\n"
        "  - {date: 2026-05-06, how: seed, tank: [{active: azoxystrobin, dose: 10 g/ha}]}\n"
    )
    (tmp_path / "plan.yaml").write_text(text, encoding="utf-8")
    found = documents.load_programme(tmp_path / "plan.yaml", catalogue())
    written = documents.dump_programme(found)
    assert "how: seed" in written and "products" not in written
    (tmp_path / "again.yaml").write_text(written, encoding="utf-8")
    again = documents.load_programme(tmp_path / "again.yaml", catalogue())
    assert documents.bare(again).passes == documents.bare(found).passes
    assert "products" not in documents.dump_programme(found, products=[])
    assert "products: shop.yaml" in documents.dump_programme(found, products=["shop.yaml"])
