"""``planner sheet`` end to end: amounts that add up, loads, flow, order of filling, dates and money.

The formulas' printed worked examples stand in test_spray.py; here the same figures must come out of a document. Unit
definitions: NIST Handbook 44, Appendix C (acre, US gallon, pound, mile, inch).
"""

from __future__ import annotations

import csv
import datetime
import io
import json
import re
from collections.abc import Callable
from datetime import date
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner import cli, quantities
from planner import sheet as sheets
from planner.catalogue import Catalogue, load
from planner.documents import load_programme
from planner.model import Application, Programme
from planner.render import blocks, console
from planner.render import sheet as render

ROOT = Path(__file__).resolve().parents[1]
FARM = ROOT / "shared" / "scenarios"
Golden = Callable[[str, str], None]
L_PER_GAL, HA_PER_AC, KG_PER_LB = 3.785411784, 0.40468564224, 0.45359237
BUSHEL_60_LB = 60 * KG_PER_LB / HA_PER_AC  # kg/ha of one bushel per acre: soybean and wheat
VERSIONS = "planner 0.0, catalogue of the test"


@cache
def catalogue() -> Catalogue:
    return load()


@cache
def demo(name: str = "sound-quarry-bottom") -> Programme:
    return load_programme(FARM / f"{name}.yaml", catalogue())


def text(programme: Programme, units: str = "metric", width: int = 100) -> str:
    found = sheets.sheet(programme, catalogue(), units)  # type: ignore[arg-type]
    return console.plain(blocks.to_text(render.page(found, versions=VERSIONS), width))


def with_application(**changes: Any) -> Programme:
    field = demo().field
    application = msgspec.structs.replace(field.application, **changes)
    return msgspec.structs.replace(demo(), field=msgspec.structs.replace(field, application=application))


# --- loads and amounts --------------------------------------------------------------------------


def test_worked_sheet_of_the_demo_in_us_units() -> None:
    # 70 ac at 20 gal/ac from a 1,000 gal tank: 50 ac per tank, one full load and a short one of 20 ac (by hand);
    # 16 fl oz/ac: 800 and 320 fl oz, 1,120 in all = 8 gal 96 fl oz
    entry = sheets.sheet(demo(), catalogue(), "us").passes[0]
    assert entry.loads is not None
    assert (entry.loads.number, entry.loads.full) == (2, 1)
    assert entry.loads.area_per_full / HA_PER_AC == pytest.approx(50)
    assert entry.loads.last_area is not None and entry.loads.last_area / HA_PER_AC == pytest.approx(20)
    portion = entry.items[0].portion
    assert (portion.unit, portion.full, portion.last, portion.total) == ("fl oz", 800, 320, 1120)
    assert "8 gal 96 fl oz" in text(demo(), "us") and "6 gal 32 fl oz" in text(demo(), "us")


def test_a_field_that_fills_whole_tanks_has_no_last_load() -> None:
    # 100 ac at 20 gal/ac from 1,000 gal: exactly two tanks, though acres and gallons are no round hectares and litres
    loads = sheets.loads_of(100 * HA_PER_AC, 20 * L_PER_GAL / HA_PER_AC, 1000 * L_PER_GAL)
    assert (loads.number, loads.full, loads.last_area) == (2, 2, None)


def test_printed_single_load() -> None:
    # Alberta Agdex 606-1, page 11: 30 ac at 40 L/ac is 1,200 L; one part-filled load of a 2,000 L tank
    loads = sheets.loads_of(30 * HA_PER_AC, 40 / HA_PER_AC, 2000)
    assert (loads.number, loads.full) == (1, 0) and loads.spray == pytest.approx(1200)


rates = st.floats(0.01, 10, allow_nan=False).map(lambda value: round(value, 4))


@settings(max_examples=200, deadline=None)
@given(rates, st.floats(1, 400), st.floats(50, 400), st.floats(200, 6000), st.sampled_from(["L", "kg", "g"]),
       st.sampled_from(["metric", "us"]))  # fmt: skip
def test_the_printed_loads_add_up_to_the_printed_total(
    rate: float, area: float, water: float, tank: float, base: str, units: Any
) -> None:
    # needs.md story 24: per load, and the sum is the field's total, in the figures that are printed
    loads = sheets.loads_of(area, water, tank)
    found = sheets.portion(rate, loads, area, base, units)
    assert found.total is not None
    added = (found.full or Decimal(0)) * loads.full + (found.last or Decimal(0))
    assert added == found.total
    factor = {
        ("L", "metric"): 1, ("kg", "metric"): 1, ("g", "metric"): 1,
        ("L", "us"): 128 / L_PER_GAL, ("kg", "us"): 16 / KG_PER_LB, ("g", "us"): 16 / KG_PER_LB / 1000,
    }[base, units]  # fmt: skip
    exact = rate * area * factor
    # three figures or half of a thousandth for each load
    assert float(found.total) == pytest.approx(exact, rel=6e-4, abs=5e-4 * (loads.number + 1))


@given(st.decimals(0, 100000, places=1))
def test_gallons_and_ounces_print_the_same_amount(value: Decimal) -> None:
    # 128 fl oz in a US gallon (NIST Handbook 44, Appendix C)
    shown = render.amount(value, "fl oz").replace(",", "")
    gallons = re.search(r"(\d+) gal", shown)
    ounces = re.search(r"([\d.]+) fl oz", shown)
    whole = Decimal(gallons[1]) * 128 if gallons else Decimal(0)
    assert whole + (Decimal(ounces[1]) if ounces else 0) == value


@settings(max_examples=100)
@given(st.floats(0.2, 40, allow_nan=False), st.sampled_from(["liquid_rate", "solid_rate", "dose", "water"]))
def test_units_go_there_and_back_to_the_printed_figures(value: float, dimension: str) -> None:
    value = value if dimension != "water" else value + 1
    there = quantities.show(value, dimension, "us")
    back = quantities.read(there, dimension)
    assert quantities.show(back, dimension, "us") == there
    assert back == pytest.approx(value, rel=6e-3)  # three figures are printed
    assert quantities.read(quantities.exact(value, dimension), dimension) == value


def test_metric_and_us_sheets_are_one_job() -> None:
    metric, us = (sheets.sheet(demo(), catalogue(), units) for units in ("metric", "us"))  # type: ignore[arg-type]
    for one, other in zip(metric.passes, us.passes, strict=True):
        for left, right in zip(one.items, other.items, strict=True):
            assert left.portion.total is not None and right.portion.total is not None
            litres = float(right.portion.total) / 128 * L_PER_GAL
            assert float(left.portion.total) == pytest.approx(litres, rel=1e-3)


# --- flow -----------------------------------------------------------------------------------------


def test_flow_by_both_formulas() -> None:
    # worked by the collector from mph x inches x gal/ac / 5940: 20 gal/ac, 6 mph, 20 in: 0.404 gal/min
    flow = sheets.flow_of(20 * L_PER_GAL / HA_PER_AC, 6 * 1.609344, 20 * 0.0254)
    assert flow.gal_min == pytest.approx(0.404, abs=5e-4)
    # Air-assisted sprayer user manual, page 21: 8 km/h, 12 m, 100 L/ha: 16 L/min
    assert sheets.flow_of(100, 8, 12).l_min == pytest.approx(16)


@given(st.floats(30, 500), st.floats(3, 30), st.floats(0.2, 1.5))
def test_the_two_formulas_agree(water: float, speed: float, spacing: float) -> None:
    flow = sheets.flow_of(water, speed, spacing)
    assert flow.gal_min * L_PER_GAL == pytest.approx(flow.l_min, rel=1e-9)


# --- filling, re-entry, harvest ---------------------------------------------------------------------


def test_dry_products_go_in_before_liquid_ones() -> None:
    # WALES: wettable powders and granules, agitate, liquid flowables, emulsifiable, surfactants (catalogue, read)
    entry = sheets.sheet(demo("over-label-heron-flat"), catalogue()).passes[0]
    assert [step.letter for step in entry.steps] == ["W", "A", "L"]
    assert entry.steps[0].products == ("Demo Chert 70 WG",)


def test_reentry_is_the_longest_partner_s() -> None:
    # 40 CFR 170.112 a(3): more than one product in the tank, the longest interval; 1 August plus 48 h, from day's end
    entry = sheets.sheet(demo("over-label-heron-flat"), catalogue()).passes[2]
    assert (entry.reentry_hours, entry.reentry_by) == (48, "Demo Godwit 500 SC")
    assert entry.reentry_until == datetime.datetime(2026, 8, 4, 0, 0)


def test_earliest_harvest_is_counted_from_the_pass() -> None:
    found = sheets.sheet(demo(), catalogue())
    assert found.passes[1].harvest_from == date(2026, 8, 15)  # invented label: 21 days from 25 July
    assert found.earliest_harvest == date(2026, 8, 31)  # 21 days from 10 August
    late = sheets.sheet(demo("over-label-heron-flat"), catalogue())
    assert late.passes[3].harvest_from == date(2026, 10, 15) and "too soon" in text(demo("over-label-heron-flat"))


# --- coverage ---------------------------------------------------------------------------------------


def test_coverage_advice_by_target_and_canopy_keeps_both_sources() -> None:
    # small droplets, plenty of water: common practice, no source. The read advice for white mold in an open canopy is
    # fine or medium; North Dakota's 10 gal/ac stands beside Michigan's 15 to 20
    entry = sheets.sheet(demo(), catalogue()).passes[0]
    (advice,) = entry.advice
    assert advice.droplets_advised == ("F", "M") and advice.droplets_fit is True
    assert any("North Dakota" in note for note in advice.notes)
    assert any(note.startswith("open canopy") for note in advice.notes)
    assert len(advice.sources) > 1


# --- shopping list ----------------------------------------------------------------------------------


def test_stock_is_used_first_and_shown_apart() -> None:
    found = sheets.sheet(demo("over-label-heron-flat"), catalogue())
    (alder,) = [one for one in found.shopping if one.product == "Demo Alder 250 SC"]
    assert alder.needed is not None and alder.on_hand is not None and alder.buy is not None
    assert alder.needed == alder.from_stock + alder.buy  # type: ignore[operator]
    assert float(alder.on_hand) == pytest.approx(12 * L_PER_GAL, rel=1e-3)  # 12 gal in the invented list
    price = 96 / L_PER_GAL
    assert alder.buy_cost == pytest.approx(float(alder.buy) * price) and alder.stock_value is not None
    assert found.stock_value == pytest.approx(alder.stock_value)
    shown = text(demo("over-label-heron-flat"))
    assert "from stock" in shown and "taken from stock" in shown


def test_shopping_list_is_the_sum_of_the_passes() -> None:
    found = sheets.sheet(demo("over-label-heron-flat"), catalogue(), "us")
    for one in found.shopping:
        uses = [i.portion.total for p in found.passes for i in p.items if i.name == one.product]
        assert one.needed == sum(uses)  # type: ignore[arg-type]


def test_list_and_applications_are_the_season_s_cost() -> None:
    found = sheets.sheet(demo(), catalogue())
    assert found.buy_cost is not None and found.application_cost is not None
    assert found.buy_cost + found.application_cost == pytest.approx(found.cost["total"], rel=1e-3)


# --- money (story 5) --------------------------------------------------------------------------------


def test_break_even_of_pass_and_season_by_hand() -> None:
    # pass 1: 1 pt/ac of 330 USD/gal = 41.25, application 9.00; 50.25 / 10.60 = 4.74 bu/ac
    money = sheets.sheet(demo(), catalogue()).money
    assert money["passes"][0]["break_even"] / BUSHEL_60_LB == pytest.approx(50.25 / 10.60, rel=1e-3)
    assert money["break_even"] == pytest.approx(sum(one["break_even"] for one in money["passes"]), abs=0.05)
    shown = text(demo(), "us")
    assert "4.7 bu/ac" in shown and "9.9 bu/ac" in shown


def test_the_published_mean_stands_with_its_uncertainty() -> None:
    # Plant Disease 105:1382 (2021): 110 kg/ha over 240 trials, mean only in the abstract that was read
    shown = text(demo()).replace("\n    ", " ")
    assert "110 kg/ha" in shown and "240 trials" in shown
    assert "the mean only, no interval" in shown and "Leaving a pass out is a permitted answer" in shown


@pytest.mark.parametrize("units", ["metric", "us"])
@pytest.mark.parametrize("name", ["sound-quarry-bottom", "sound-mill-piece", "solo-strobilurins-quarry-bottom"])
def test_no_sheet_urges_a_spray(name: str, units: str) -> None:
    urging = r"\b(should spray|must spray|spray now|worth it|recommended|you need to|pays off|cheap insurance)\b"
    assert not re.search(urging, text(demo(name), units), re.IGNORECASE)
    assert "permitted answer" in text(demo(name), units).replace("\n    ", " ")


# --- what is missing --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "said", "gone"),
    [
        ({"tank": None}, "application: tank", "loads:"),
        ({"speed": None}, "application: speed", "nozzle flow:"),
        ({"spacing": None}, "application: spacing", "nozzle flow:"),
        ({"cost": None}, "application: cost", "of that, the applications"),
    ],
)
def test_what_the_field_lacks_is_said_and_not_made_up(change: dict[str, Any], said: str, gone: str) -> None:
    shown = text(with_application(**change))
    assert said in shown and gone not in shown


def test_a_bare_active_has_an_amount_but_no_label_order_or_price() -> None:
    path = FARM / "sound-quarry-bottom.yaml"
    content = path.read_text(encoding="utf-8").replace(
        "{product: Demo Godwit 500 SC, rate: 1 pt/ac}", "{active: fluazinam, dose: 500 g/ha}"
    )
    beside = load_programme("-", catalogue(), field=FARM / "quarry-bottom.yaml", products=[FARM / "farm-shop.yaml"],
                            stdin=io.BytesIO(content.encode()))  # fmt: skip
    entry = sheets.sheet(beside, catalogue()).passes[0]
    assert entry.items[0].portion.unit == "g" and entry.items[0].portion.total is not None
    assert entry.reentry_hours is None and entry.steps == ()
    assert any("no product is named" in text for text in entry.missing)


def test_an_empty_application_still_gives_a_sheet() -> None:
    field = msgspec.structs.replace(demo().field, application=Application(), area=None, grain_price=None)
    shown = text(msgspec.structs.replace(demo(), field=field))
    assert "the field gives no area" in shown and "what a pass must earn is not known" in shown


# --- forms and exit codes ---------------------------------------------------------------------------


def test_text(golden: Golden) -> None:
    golden("sheet-us.txt", text(demo(), "us"))


def test_text_of_a_programme_with_breaches(golden: Golden) -> None:
    golden("sheet-breaches.txt", text(demo("over-label-heron-flat"), width=80))


def test_csv(golden: Golden) -> None:
    golden("sheet.csv", render.table(sheets.sheet(demo("over-label-heron-flat"), catalogue())))


def run(*words: Any) -> int:
    return cli.main(["sheet", *map(str, words)])


def test_exit_codes(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(FARM / "sound-quarry-bottom.yaml") == 0
    assert run(FARM / "over-label-heron-flat.yaml") == 1
    assert run(FARM / "quarry-bottom.yaml") == 2
    assert capsys.readouterr().err


def test_every_form_is_written(capsys: pytest.CaptureFixture[str]) -> None:
    for form in ("json", "markdown", "csv"):
        assert run(FARM / "sound-quarry-bottom.yaml", "--format", form, "--units", "us") == 0
        out = capsys.readouterr().out
        if form == "json":
            data = json.loads(out)
            assert data["passes"][0]["items"][0]["portion"] == {
                "unit": "fl oz",
                "total": 1120,
                "full": 800,
                "last": 320,
            }
            assert data["before_spraying"]
        elif form == "csv":
            rows = list(csv.DictReader(io.StringIO(out)))
            assert [row["pass"] for row in rows] == ["1", "2", "3", "season", "season", "season"]
            for row in rows[:3]:
                full = Decimal(row["amount_full_load"]) * int(row["full_loads"])
                assert full + Decimal(row["amount_last_load"]) == Decimal(row["amount_field"])
        else:
            assert out.startswith("# spray sheet") and "| product |" in out


def test_cautions_stand_on_every_sheet() -> None:
    for name in ("sound-quarry-bottom", "over-label-heron-flat"):
        shown = text(demo(name))
        for word in (
            "the label decides",
            "protective equipment",
            "re-entry",
            "bees",
            "local rules",
            "invented products",
        ):
            assert word in shown


def test_a_name_that_a_spreadsheet_would_run() -> None:
    found = sheets.sheet(demo(), catalogue())
    evil = msgspec.structs.replace(found.shopping[0], product="=1+1")
    assert "'=1+1" in render.table(msgspec.structs.replace(found, shopping=(evil,)))


def test_a_seed_treatment_has_amounts_but_no_loads() -> None:
    first = msgspec.structs.replace(demo().passes[0], how="seed", date=date(2026, 5, 6), stage=None, water=None)
    programme = msgspec.structs.replace(demo(), passes=(first, *demo().passes[1:]))
    entry = sheets.sheet(programme, catalogue()).passes[0]
    assert entry.loads is None and entry.water is None and entry.steps == () and entry.advice == ()
    assert entry.items[0].portion.total is not None and entry.flow is None


@pytest.mark.parametrize("width", [40, 80, 120])
def test_the_page_keeps_its_width(width: int) -> None:
    for line in text(demo("over-label-heron-flat"), "us", width).splitlines():
        assert len(line) <= width or " " not in line.strip() or "  " in line.strip()  # a table or one long word


def test_a_range_of_volumes_is_told_in_the_reader_s_units() -> None:
    # 1 gal/ac = 9.354 L/ha (NIST Handbook 44, Appendix C): 100 and 150 L/ha are 10.7 and 16.0
    from planner.render import words

    assert words.in_units("air assistance 100 to 150 L/ha", "us") == "air assistance 10.7 gal/ac to 16 gal/ac"
    assert words.in_units("air assistance 100 to 150 L/ha", "metric") == "air assistance 100 to 150 L/ha"
