"""Amounts with units, against NIST Handbook 44, Appendix C, and conversions that extension prints.

Exact definitions used here: 1 US gal = 3.785411784 L, 1 acre = 0.40468564224 ha, 1 lb = 0.45359237 kg,
1 mile = 1.609344 km (NIST Handbook 44, Appendix C; Special Publication 811, Appendix B).
"""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner import quantities
from planner.errors import InputError
from planner.model import Place

GAL = Fraction("3.785411784")  # L
ACRE = Fraction("0.40468564224")  # ha
LB = Fraction("0.45359237")  # kg

# text, dimension, what the definitions give
EXACT = [
    ("10 gal/ac", "water", 10 * GAL / ACRE),
    ("1 fl oz/ac", "liquid_rate", GAL / 128 / ACRE),
    ("1 pt/ac", "liquid_rate", GAL / 8 / ACRE),
    ("1 qt/ac", "liquid_rate", GAL / 4 / ACRE),
    ("1 lb/ac", "solid_rate", LB / ACRE),
    ("1 lb/ac", "dose", 1000 * LB / ACRE),
    ("1 oz/ac", "dose", 1000 * LB / 16 / ACRE),
    ("1 lb/gal", "liquid_content", 1000 * LB / GAL),
    ("1 mph", "speed", Fraction("1.609344")),
    ("70 ac", "area", 70 * ACRE),
    ("90 ft", "boom", 90 * Fraction("0.3048")),
    ("20 in", "spacing", 20 * Fraction("0.0254")),
    ("1000 gal", "tank", 1000 * GAL),
    ("9 per ac", "area_cost", 9 / ACRE),
    ("155 per gal", "liquid_price", 155 / GAL),
    ("27 per lb", "solid_price", 27 / LB),
    ("480 per t", "grain_price", Fraction(480, 1000)),
    ("3.4 t/ha", "grain_yield", Fraction(3400)),
    ("0.07 kg/ha", "dose", Fraction(70)),
    ("0.5 kg/ha", "season_total", Fraction(500)),
    ("25 % w/w", "solid_content", Fraction(250)),
    ("25 % w/v", "liquid_content", Fraction(250)),
    ("2 weeks", "days", Fraction(14)),
    ("2 d", "hours", Fraction(48)),
    ("60 L", "liquid_stock", Fraction(60)),
    ("500 mL/ha", "liquid_rate", Fraction(1, 2)),
]

# text, dimension, printed value, what half a unit of its last digit is
PRINTED = [
    ("1 gal/ac", "water", 9.35, 0.005),  # Kansas State University, soils laboratory manual, 2021
    ("1 lb/ac", "solid_rate", 1.12, 0.005),  # same
    ("1 lb/gal", "liquid_content", 119.826, 0.0005),  # same
    ("12 gal/ac", "water", 112, 0.5),  # Iowa State University, nozzle and carrier trials, 2006-2009
    ("18 gal/ac", "water", 168, 0.5),  # same
    ("20 gal/ac", "water", 187, 0.5),  # same; Crop Protection Network, FHB application guide, 2018
    ("10 gal/ac", "water", 93.5, 0.05),  # Crop Protection Network, 2018
    ("6 mph", "speed", 9.7, 0.05),  # same
    ("2.08 lb/gal", "liquid_content", 249.2, 0.05),  # US federal label of a 250 g/L azoxystrobin SC
    ("6.0 lb/gal", "liquid_content", 719.0, 0.05),  # chlorothalonil 720 g/L, from the NIST definitions
]


@pytest.mark.parametrize(("text", "dimension", "expected"), EXACT, ids=lambda value: str(value))
def test_definitions_of_nist(text: str, dimension: str, expected: Fraction) -> None:
    assert quantities.read(text, dimension) == pytest.approx(float(expected), rel=1e-15)


@pytest.mark.parametrize(("text", "dimension", "printed", "half"), PRINTED, ids=lambda value: str(value))
def test_printed_conversions(text: str, dimension: str, printed: float, half: float) -> None:
    assert abs(quantities.read(text, dimension) - printed) <= half * 1.000001


def test_bushels_weigh_what_the_crop_weighs() -> None:
    # NIST Handbook 44, Appendix C: 60 lb soybean and wheat, 56 lb corn; 67.2511 and 62.7677 kg/ha per bu/ac
    soybean, corn = float(60 * LB), float(56 * LB)
    assert quantities.read("50 bu/ac", "grain_yield", bushel_kg=soybean) / 50 == pytest.approx(67.2511, abs=5e-5)
    assert quantities.read("50 bu/ac", "grain_yield", bushel_kg=corn) / 50 == pytest.approx(62.7677, abs=5e-5)
    assert quantities.read("9 per bu", "grain_price", bushel_kg=soybean) == pytest.approx(float(9 / (60 * LB)))
    assert quantities.show(3362.55, "grain_yield", "us", bushel_kg=soybean) == "50 bu/ac"
    assert quantities.show(3362.55, "grain_yield", "us") == "3000 lb/ac"
    with pytest.raises(InputError) as caught:
        quantities.read("50 bu/ac", "grain_yield", crop="grapevine", name="yield")
    assert "no bushel weight is known for grapevine" in caught.value.problem
    assert caught.value.cure == "write 3.4 t/ha"


def test_active_per_area_as_extension_works_it() -> None:
    # 6 fl oz/ac of a 2.08 lb/gal product: 0.0975 lb/ac = 109.3 g/ha (worked by our collector)
    rate = quantities.read("6 fl oz/ac", "liquid_rate")
    content = quantities.read("2.08 lb/gal", "liquid_content")
    assert rate * content == pytest.approx(109.3, abs=0.05)
    assert quantities.convert(rate * content, "dose", "us")[0] == pytest.approx(0.0975, abs=5e-5)


@pytest.mark.parametrize(
    "text",
    [
        "8 fl oz/ac",
        "8 fl. oz./ac",
        "8 floz/acre",
        "8 FL OZ / A",
        "8 fluid ounces per acre",
        " 8  fl  oz/ac ",
        "8.0 fl oz/ac",
    ],
)
def test_spellings_of_one_amount(text: str) -> None:
    assert quantities.read(text, "liquid_rate") == quantities.read("8 fl oz/ac", "liquid_rate")


def test_two_measures_of_a_rate() -> None:
    assert quantities.read_any("0.5 kg/ha", ("liquid_rate", "solid_rate")) == (0.5, "solid_rate")
    assert quantities.read_any("0.5 L/ha", ("liquid_rate", "solid_rate")) == (0.5, "liquid_rate")


# text, dimension, part of the problem, part of the cure
WRONG = [
    ("28", "area", "area 28 has no unit", "write 28 ha or 28 ac"),
    ("0.6", "liquid_rate", "has no unit", "write 0.6 L/ha or 0.6 fl oz/ac"),
    ("10 flz/ac", "liquid_rate", "unknown unit 'flz/ac'", "did you mean fl oz/ac?"),
    ("10 L/hectar", "liquid_rate", "unknown unit", "did you mean L/ha?"),
    ("9 per buu", "grain_price", "unknown unit 'per buu'", "did you mean per bu?"),
    ("-3 L/ha", "liquid_rate", "-3 L/ha is negative", "write between 0.005 and 50 L/ha"),
    ("0 L/ha", "liquid_rate", "is 0 L/ha", "between"),
    ("10000 L/ha", "liquid_rate", "too large for a rate of liquid product", "between 0.005 and 50 L/ha"),
    ("2000 fl oz/ac", "liquid_rate", "too large", "fl oz/ac"),
    ("0.0001 kg/ha", "solid_rate", "too small", "write between 0.002 and 50 kg/ha"),
    ("2000 g/kg", "solid_content", "too large", "write between 0.1 and 1000 g/kg"),
    (
        "10 ha",
        "liquid_rate",
        "in ha, which does not fit a rate of liquid product",
        "write 0.6 L/ha or 8 fl oz/ac",
    ),
    ("1,200 L", "tank", "comma or space in its number", "decimal point"),
    ("0,6 L/ha", "liquid_rate", "comma or space in its number", "decimal point"),
    ("1 200 L", "tank", "comma or space in its number", "1200"),
    ("much", "area", "does not begin with a number", "write 28 ha or 70 ac"),
    ("", "area", "does not begin with a number", "write 28 ha or 70 ac"),
    ("25 %", "liquid_content", "can mean two things", "% w/w"),
    ("1 ton/ac", "grain_yield", "can mean two things", "write t for 1000 kg"),
    ("1e3 L", "tank", "unknown unit", "3000 L or 800 gal"),
    ("5 L/ha/d", "liquid_rate", "unknown unit", "write 0.6 L/ha"),
    ("9" * 400 + " ha", "area", "too many digits", "28 ha"),
    ("inf ha", "area", "does not begin with a number", "28 ha"),
    ("22 per ha per d", "area_cost", "unknown unit", "22 per ha"),
    ("- L/ha", "liquid_rate", "does not begin with a number", "0.6 L/ha"),
]


@pytest.mark.parametrize(("text", "dimension", "problem", "cure"), WRONG, ids=lambda value: str(value)[:24])
def test_wrong_amounts(text: str, dimension: str, problem: str, cure: str) -> None:
    place = Place(file="field.yaml", line=7)
    with pytest.raises(InputError) as caught:
        quantities.read(text, dimension, place=place, name="area" if dimension == "area" else "amount")
    assert caught.value.place == place
    assert problem in caught.value.problem
    assert cure in caught.value.cure


def test_zero_where_it_makes_sense() -> None:
    assert quantities.read("0 d", "days") == 0
    assert quantities.read("0 per ha", "area_cost") == 0
    assert quantities.read("0 L", "liquid_stock") == 0


def test_printing() -> None:
    assert quantities.show(0.6, "liquid_rate") == "0.6 L/ha"
    assert quantities.show(0.6, "liquid_rate", "us") == "8.21 fl oz/ac"
    assert quantities.show(187.07912457912457, "water") == "187 L/ha"
    assert quantities.show(187.07912457912457, "water", "us") == "20 gal/ac"
    assert quantities.show(41, "liquid_price") == "41.00 per L"
    assert quantities.show(1234567, "liquid_stock") == "1234567 L"
    assert quantities.show(0, "days") == "0 d"
    assert quantities.show(12.07008, "speed", "us") == "7.5 mph"
    assert quantities.show(9.353956228956228, "water", digits=6) == "9.35396 L/ha"


DIMENSIONS = sorted(quantities.table().dimensions)


@pytest.mark.parametrize("dimension", DIMENSIONS)
def test_every_dimension_reads_its_own_examples(dimension: str) -> None:
    entry = quantities.table().dimensions[dimension]
    for text in entry.examples:
        bushel = 27.2155 if "bu" in text else None
        value = quantities.read(text, dimension, bushel_kg=bushel)
        assert entry.least <= value <= entry.most
    assert entry.digits or entry.decimals


@given(st.sampled_from(DIMENSIONS), st.floats(0, 1))
def test_exact_text_reads_back_to_the_same_number(dimension: str, share: float) -> None:
    entry = quantities.table().dimensions[dimension]
    value = math.exp(math.log(entry.least) + share * (math.log(entry.most) - math.log(entry.least)))
    value = min(max(value, entry.least), entry.most)
    assert quantities.read(quantities.exact(value, dimension), dimension) == value


@given(st.sampled_from(DIMENSIONS), st.floats(0.001, 0.999), st.sampled_from(["metric", "us"]))
def test_printed_text_reads_back_to_the_printed_precision(dimension: str, share: float, system: str) -> None:
    entry = quantities.table().dimensions[dimension]
    value = math.exp(math.log(entry.least) + share * (math.log(entry.most) - math.log(entry.least)))
    text = quantities.show(value, dimension, system, 6, bushel_kg=27.2155)  # type: ignore[arg-type]
    try:
        again = quantities.read(text, dimension, bushel_kg=27.2155)
    except InputError:  # rounding at the very edge of the range
        assert value < entry.least * 1.00001 or value > entry.most * 0.99999
        return
    assert again == pytest.approx(value, rel=1e-5)
    assert quantities.show(again, dimension, system, 6, bushel_kg=27.2155) == text  # type: ignore[arg-type]


@given(st.text(max_size=30), st.sampled_from(DIMENSIONS))
def test_any_text_is_an_amount_or_one_clear_error(text: str, dimension: str) -> None:
    try:
        value = quantities.read(text, dimension)
    except InputError as error:
        assert error.problem
        assert error.cure
    else:
        assert math.isfinite(value)


def test_compiled_table_equals_a_fresh_one() -> None:
    assert quantities.table() == quantities.build()
