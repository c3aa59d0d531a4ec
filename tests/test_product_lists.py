"""Product lists as spreadsheets: what each heading and cell means, and every refusal with its cell.

Products and labels are invented. 1 gal = 3.785411784 L and 1 ac = 0.40468564224 ha (NIST Handbook 44, Appendix C).
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from planner import documents
from planner.catalogue import Catalogue, load
from planner.documents import columns
from planner.errors import InputError, RulebookError
from planner.model import Product

L_PER_GAL, HA_PER_AC = 3.785411784, 0.40468564224


@cache
def catalogue() -> Catalogue:
    return load()


def products(folder: Path, text: str) -> tuple[Product, ...]:
    path = folder / "shop.csv"
    path.write_text(text, encoding="utf-8")
    return documents.load_products(path, catalogue())


def refused(folder: Path, text: str) -> str:
    with pytest.raises(InputError) as caught:
        products(folder, text)
    return str(caught.value).replace(f"{folder}/", "")


def test_a_list_with_ranges_prices_and_marks_is_read_as_it_is_meant(tmp_path: Path) -> None:
    found = products(tmp_path, (
        "Product,Active Ingredient,Concentration (g/L),Price (per L),Currency,In Stock,Demo,Crop,Label Rate (L/ha),"
        "Max applications,PHI (d),Stage from,Stage to\n"
        "Demo Alder 250 SC,azoxystrobin,250,41.00,cad,60 L,yes,Soybean,0.4-1.0,2,14,V5,R6\n"
        ",,,,,,,Wheat,0.8,1,,,\n"
        "Demo Birch 480 SC,prothioconazole,480,,,,no,Soybean,0.2 to 0.4 L/ha,,,,\n"
    ))  # fmt: skip
    alder, birch = found
    assert alder.actives == {"azoxystrobin": 250.0} and birch.actives == {"prothioconazole": 480.0}
    assert (alder.price, alder.currency, alder.on_hand, alder.demo) == (41.0, "CAD", 60.0, True)
    assert (birch.price, birch.demo) == (None, False)
    soybean, wheat = alder.labels["soybean"], alder.labels["wheat"]
    assert (soybean.rate_least, soybean.rate_most) == (0.4, 1.0)
    assert (soybean.applications, soybean.harvest_interval) == (2, 14)
    assert (soybean.first_stage, soybean.last_stage) == ("V5", "R6")
    assert (wheat.rate_least, wheat.rate_most, wheat.applications) == (0.8, 0.8, 1)  # one rate is least and most
    assert (birch.labels["soybean"].rate_least, birch.labels["soybean"].rate_most) == (0.2, 0.4)


def test_a_price_may_carry_its_currency_and_its_unit(tmp_path: Path) -> None:
    found = products(tmp_path, (
        "Product,Actives,Price\n"
        "Demo Alder 250 SC,azoxystrobin 250 g/L,CAD 41.00 per L\n"
        "Demo Birch 480 SC,prothioconazole 480 g/L,100 CAD/gal\n"
    ))  # fmt: skip
    assert [one.currency for one in found] == ["CAD", "CAD"]
    assert found[0].price == pytest.approx(41.0)
    assert found[1].price == pytest.approx(100 / L_PER_GAL)


def test_us_rates_of_a_heading_are_read_in_it(tmp_path: Path) -> None:
    text = "Product,Actives,Crop,Label Rate (fl oz/ac)\nDemo Alder 250 SC,azoxystrobin 250 g/L,soybean,6 - 12\n"
    (label,) = (one.labels["soybean"] for one in products(tmp_path, text))
    # 128 fl oz are a gallon
    assert label.rate_least == pytest.approx(6 / 128 * L_PER_GAL / HA_PER_AC, rel=1e-9)
    assert label.rate_most == pytest.approx(12 / 128 * L_PER_GAL / HA_PER_AC, rel=1e-9)


def test_a_row_of_remarks_before_the_first_product_is_told_and_left(tmp_path: Path) -> None:
    path = tmp_path / "shop.csv"
    path.write_text(
        "Product,Actives,Crop\n,prices are without tax,\nDemo Alder 250 SC,azoxystrobin 250 g/L,\n", encoding="utf-8"
    )
    notices: list[str] = []
    found = documents.load_products(path, catalogue(), notices=notices)
    assert [one.name for one in found] == ["Demo Alder 250 SC"]
    assert any("'prices are without tax' is not read" in notice for notice in notices)


HEAD = "Product,Actives,Content,Kind,Price,Currency,Crop,Rate,Applications,First stage,Last stage\n"
ALDER = "Demo Alder 250 SC,azoxystrobin,250 g/L"


@pytest.mark.parametrize("rows, said", [
    ([f"{ALDER},fungicide,,,soybean,0.4-1.0 L/ha,,R1,"], "shop.csv:K2: first and last stage go together; fill in both"),
    ([f"{ALDER},fungicide,,,soybean,0.4-1.0 L/ha,,,R5"], "shop.csv:J2: first and last stage go together; fill in both"),
    ([f"{ALDER},fungicide,,,soybean,0.4-1.0 L/ha,two,,"], "shop.csv:I2: applications 'two' is no number; write for"),
    ([f"{ALDER},fungicide,,,,0.4-1.0 L/ha,,,"],
     "shop.csv:G2: the label of 'Demo Alder 250 SC' names no crop; add a column 'crop'"),
    ([f"{ALDER},fungicide,,,soybean,0.4-1.0 L/ha,,,", f"{ALDER},fungicide,,,soybean,0.4-1.2 L/ha,,,"],
     "shop.csv:H3: rate differs from what a row above says; write one of them"),
    ([f"{ALDER},fungicide,,,,,,,", f"{ALDER},herbicide,,,,,,,"],
     "shop.csv:D3: kind 'herbicide' differs from 'fungicide' above for 'Demo Alder 250 SC'; write one of them"),
    ([f"{ALDER},,,,,,,,", "Demo Alder 250 SC,azoxystrobin,200 g/L,,,,,,,,"],
     "shop.csv:B3: azoxystrobin stands twice with different contents; correct one of the two"),
    (["Demo Alder 250 SC,azoxystrobin + boscalid,250 g/L,,,,,,,,"],
     "shop.csv:C2: 2 actives stand beside 1 contents; write one content for each active"),
    (["Demo Alder 250 SC,azoxystrobin,,,,,,,,,"],
     "shop.csv:C2: the content of azoxystrobin is not given; write azoxystrobin 250 g/L"),
    ([f"{ALDER},,41 per L,CAD,,,,,", "Demo Birch 480 SC,boscalid,480 g/L,,30 per L,USD,,,,,"],
     "shop.csv:F3: prices are in CAD and USD; write one list for each currency"),
    ([], "shop.csv:A1: the list has no rows below its header; add one per product"),
])  # fmt: skip
def test_a_cell_that_cannot_be_read_is_named(tmp_path: Path, rows: list[str], said: str) -> None:
    assert refused(tmp_path, HEAD + "".join(f"{row}\n" for row in rows)).startswith(said)


def test_least_and_most_rate_go_together(tmp_path: Path) -> None:
    head = "Product,Actives,Crop,Min rate,Max rate\n"
    row = "Demo Alder 250 SC,azoxystrobin 250 g/L,soybean"
    assert refused(tmp_path, f"{head}{row},0.4 L/ha,\n").startswith("shop.csv:E2: least and most rate go together")
    assert refused(tmp_path, f"{head}{row},,1 L/ha\n").startswith("shop.csv:D2: least and most rate go together")
    (found,) = products(tmp_path, f"{head}{row},0.4 L/ha,1 L/ha\n")
    assert (found.labels["soybean"].rate_least, found.labels["soybean"].rate_most) == (0.4, 1.0)


@pytest.mark.parametrize("change, line, said", [
    (("  product: [product, product name,", "  product: [product, spray date, product name,"),
     "  product:", "'spray date' stands for date and product; give it to one"),
    (("version: 1", "version: one"),
     "version:", "'version' takes a whole number, not the text 'one'; write a number such as 2"),
    (("grade: practice\n", "grade: practice\ngrades: practice\n"),
     "grades:", "unknown key 'grades'; did you mean grade?"),
    (("grade: practice\n", ""), "version:", "'the file' lacks 'grade'; add grade: ..."),
    (("  date: [date,", "  date: [3,"), "  date:", "'date' takes text, not the value 3; write text, in quotes where"),
])  # fmt: skip
def test_a_slip_in_the_table_of_headings_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change: tuple[str, str], line: str, said: str
) -> None:
    shipped = Path(__file__).resolve().parents[1] / "catalog" / "columns.yaml"
    text = shipped.read_text(encoding="utf-8")
    assert change[0] in text
    changed = text.replace(*change, 1)
    (tmp_path / "columns.yaml").write_text(changed, encoding="utf-8")
    monkeypatch.setattr(columns.places, "folder", lambda name: tmp_path)
    with pytest.raises(RulebookError) as caught:
        columns.build()
    number = next(at for at, text in enumerate(changed.splitlines(), start=1) if text.startswith(line))
    assert str(caught.value).startswith(f"{tmp_path / 'columns.yaml'}:{number}: {said}")
