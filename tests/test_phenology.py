"""Stage dates against printed worked examples, general libraries and properties. The source stands beside
each check."""

from __future__ import annotations

import math
import subprocess
import sys
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from planner.errors import UnknownName
from planner.heat import (
    HeatMethod,
    TemperatureCurve,
    accumulate,
    cool_night_factor,
    day_length,
    light_factor,
    maturity_group,
    relative_maturity,
)
from planner.phenology import Phenology, StageDate, StageOrderError, estimate_stages

CATALOG = Path(__file__).resolve().parents[1] / "catalog"
DATA: dict[str, Any] = yaml.safe_load((CATALOG / "phenology.yaml").read_text(encoding="utf-8"))
BIBLIOGRAPHY: dict[str, Any] = yaml.safe_load((CATALOG / "sources.yaml").read_text(encoding="utf-8"))["sources"]
PHENOLOGY = Phenology(DATA)
CORN_F = PHENOLOGY.methods["86-50-F"]
CORN_C = PHENOLOGY.methods["30-10-C"]
SOYBEAN = PHENOLOGY.scale("soybean")


def days(**given_dates: str) -> dict[str, date]:
    return {code: date.fromisoformat(text) for code, text in given_dates.items()}


def seasonal(year: int, mean: float, swing: float, half_range: float) -> dict[date, tuple[float, float]]:
    """A made-up year of temperatures (C): one cosine with its top on 19 July."""
    found = {}
    day = date(year, 1, 1)
    while day.year == year:
        middle = mean + swing * math.cos(2 * math.pi * (day.timetuple().tm_yday - 200) / 365)
        found[day] = (middle - half_range, middle + half_range)
        day += timedelta(days=1)
    return found


# --- degree days -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("high", "low", "printed"),
    [
        (90, 65, 25.5),  # three-day example of extension educators, county newspaper column, 2018
        (72, 46, 11.0),  # same
        (63, 42, 6.5),  # same
        (87, 63, 24.5),  # Ohio State University Extension 2023, 86/50 method
        (70, 50, 10.0),  # Iowa State University, Agronomy 541, lesson 2b
    ],
)
def test_printed_degree_days(high: float, low: float, printed: float) -> None:
    assert CORN_F.day(low, high) == pytest.approx(printed, abs=1e-9)


def test_three_day_sum_is_43() -> None:
    # three-day example of extension educators, 2018; the temperatures arrive in Celsius as from a weather
    # file
    fahrenheit = [(65, 90), (46, 72), (42, 63)]
    series = {
        date(2018, 4, 25) + timedelta(days=at): ((low - 32) / 1.8, (high - 32) / 1.8)
        for at, (low, high) in enumerate(fahrenheit)
    }
    run = list(accumulate(series, CORN_F, date(2018, 4, 25), date(2018, 4, 27)))
    assert [total for _, total in run] == pytest.approx([25.5, 36.5, 43.0])
    with pytest.raises(KeyError):
        list(accumulate(series, CORN_F, date(2018, 4, 25), date(2018, 4, 28)))


def test_largest_and_smallest_day() -> None:
    # Iowa State University, Agronomy 541: no day gives more than 36, none less than 0
    assert CORN_F.day(95, 110) == 36
    assert CORN_F.day(10, 30) == 0


def test_celsius_form_is_the_same_rule() -> None:
    # Iowa State University, Agronomy 541: 86/50 F printed as 30/10 C; 1 C = 1.8 F
    for low, high in ((5, 18), (12, 34), (18, 27), (-3, 8)):
        assert CORN_F.day_celsius(low, high) == pytest.approx(1.8 * CORN_C.day(low, high))


@given(st.lists(st.tuples(st.floats(-30, 45), st.floats(0, 25)), min_size=1, max_size=60))
@settings(max_examples=60, deadline=None)
def test_degree_days_against_numpy(rows: list[tuple[float, float]]) -> None:
    """An independent array formulation: clip both, mean, less base (numpy as general library)."""
    low = np.array([row[0] for row in rows])
    high = low + np.array([row[1] for row in rows])
    expected = np.clip((np.clip(low, 10, 30) + np.clip(high, 10, 30)) / 2 - 10, 0, None).sum()
    total = sum(CORN_C.day(float(a), float(b)) for a, b in zip(low, high, strict=True))
    assert total == pytest.approx(float(expected), abs=1e-9)


def test_degree_days_against_a_general_library() -> None:
    """gddPy (PyPI, general degree-day library, test-only): daily average with both cut-offs. It holds the
    maximum only from above and the minimum only from below, so the grid keeps to days on which that is all
    there is to hold."""
    gdd = pytest.importorskip("gddPy", reason="gddPy is not installed (.ci/run installs it)").GDD
    for low in range(30, 87, 4):
        for high in range(max(low, 50), 111, 5):
            other = gdd(
                {
                    "min_temp": low,
                    "max_temp": high,
                    "min_temp_cutoff": 50,
                    "max_temp_cutoff": 86,
                    "threshold_low": 50,
                }
            )
            assert CORN_F.day(low, high) == pytest.approx(other.calcDailyAverage(True, True)), (low, high)


@pytest.mark.parametrize(("low", "high"), [(10, 9), (math.nan, 20), (5, math.inf)])
def test_impossible_temperatures_are_refused(low: float, high: float) -> None:
    with pytest.raises(ValueError, match="daily"):
        CORN_F.day(low, high)


# --- planting to R8 --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("maturity", "printed"),
    [
        ("00.8", 1694),
        ("0.5", 1890),
        ("1.1", 2058),
    ],  # NDSU Crop and Pest Report 2016, Predicting Soybean Maturity
)
def test_planting_to_r8(maturity: str, printed: float) -> None:
    line = SOYBEAN.maturity_line
    assert line is not None
    assert line.sum(relative_maturity(maturity)) == pytest.approx(printed)


def test_planting_to_r8_stays_inside_its_points() -> None:
    line = SOYBEAN.maturity_line
    assert line is not None
    with pytest.raises(ValueError, match="outside the published range"):
        line.sum(2.4)


def test_r8_falls_on_the_day_the_sum_is_reached() -> None:
    # 20 degree days (F) every day: 1890 are reached on day 95 after planting (arithmetic)
    series = {date(2026, 5, 1) + timedelta(days=at): (15.0, 245 / 9) for at in range(200)}
    assert CORN_F.day_celsius(15.0, 245 / 9) == pytest.approx(20.0)
    found = estimate_stages(SOYBEAN, days(sown="2026-05-01"), temperatures=series, maturity_group="0.5")
    assert (found["R8"].date - date(2026, 5, 1)).days == 95
    assert "degree days, 1890 F" in found["R8"].basis


# --- day length ------------------------------------------------------------------------------


@pytest.mark.parametrize("latitude", [-45.0, -20.0, 0.0, 33.4, 42.0, 49.9, 58.0])
@pytest.mark.parametrize("light", ["sunrise", "civil"])
def test_day_length_against_astral(latitude: float, light: str) -> None:
    """Almanac sunrise to sunset, and civil dawn to dusk, from the general library astral (test-only):
    within 3 minutes."""
    astral = pytest.importorskip("astral")
    sun = pytest.importorskip("astral.sun")
    place = astral.LocationInfo("here", "there", "UTC", latitude, 0.0).observer
    for month in range(1, 13):
        day = date(2026, month, 17)
        try:
            if light == "sunrise":
                length = sun.sunset(place, day) - sun.sunrise(place, day)
            else:
                length = sun.dusk(place, day, depression=6) - sun.dawn(place, day, depression=6)
        except ValueError:  # astral: the sun does not reach that height
            continue
        assert day_length(day, latitude, light) == pytest.approx(length.total_seconds() / 3600, abs=0.05)  # type: ignore[arg-type]


@given(st.integers(1, 365), st.floats(-50, 50))
def test_geometric_day_length_against_the_formula_of_the_model(day_of_year: int, latitude: float) -> None:
    """Spitters 1986 as the photothermal model's source prints it: declination -23.45 cos(2 pi (n + 10) /
    365), day 12 + 24 asin(tan delta tan phi) / pi. Its declination is a round figure, ours the
    almanac's: 0.15 h apart at 50 degrees at most."""
    day = date(2026, 1, 1) + timedelta(days=day_of_year - 1)
    delta = math.radians(-23.45 * math.cos(2 * math.pi * (day_of_year + 10) / 365))
    printed = 12 + 24 * math.asin(math.tan(delta) * math.tan(math.radians(latitude))) / math.pi
    assert day_length(day, latitude, "geometric") == pytest.approx(printed, abs=0.16)


def test_day_length_at_the_poles_and_out_of_range() -> None:
    assert day_length(date(2026, 6, 21), 90) == 24
    assert day_length(date(2026, 12, 21), 80) == 0
    with pytest.raises(ValueError, match="latitude"):
        day_length(date(2026, 6, 21), 91)


# --- photothermal days -----------------------------------------------------------------------


def test_photothermal_day_of_group_3() -> None:
    """22 C and 15 h: 0.8 x 0.544 = 0.4352, worked by hand from the public CROPGRO coefficients (agronomy
    notes, value 6)."""
    model = SOYBEAN.photothermal
    assert model is not None
    to_r1 = next(phase for phase in model.phases if (phase.first, phase.last) == ("VE", "R1"))
    numbers = model.groups["3"]
    assert to_r1.curve is not None
    assert to_r1.curve.at(22.0) == pytest.approx(0.8)
    assert light_factor(15.0, numbers["csdl"], numbers["ppsen"]) == pytest.approx(0.544)
    assert to_r1.curve.at(22.0) * light_factor(15.0, numbers["csdl"], numbers["ppsen"]) == pytest.approx(
        0.4352
    )
    # 22 C all day is warmer than the night threshold, so the day's rate is the same
    assert model.rate(to_r1, "3", 22.0, 22.0, 15.0) == pytest.approx(0.4352)


def test_cool_nights_slow_the_way_to_flower() -> None:
    # the same source: threshold 18 C, slope 0.028 per degree for group 3; 8 C: 1 - 0.028 x 10
    assert cool_night_factor(8.0, 18.0, 0.028) == pytest.approx(0.72)
    assert cool_night_factor(20.0, 18.0, 0.028) == 1.0


def test_curve_over_a_day_against_numpy() -> None:
    """The mean of the trapezoid over a cosine day, against numpy's interpolation on a fine grid."""
    curve = TemperatureCurve(6.0, 26.0, 30.0, 45.0)
    wave = np.cos(2 * np.pi * (np.arange(5000) + 0.5) / 5000)
    for low, high in ((2, 20), (15, 32), (22, 44), (27, 29), (-5, 5)):
        fine = np.interp((low + high) / 2 + (high - low) / 2 * wave, [6, 26, 30, 45], [0, 1, 1, 0]).mean()
        assert curve.over_day(low, high) == pytest.approx(float(fine), abs=0.005)


def test_constant_best_days_give_the_published_lengths() -> None:
    """28 C day and night at the equator (12 h, shorter than every critical length): each phase takes its
    published photothermal days, so group 3 flowers 19.0 thermal days after emergence and R7 to R8 takes 12
    days (coefficients of the public crop-model files)."""
    series = {date(2026, 1, 1) + timedelta(days=at): (28.0, 28.0) for at in range(200)}
    found = estimate_stages(
        SOYBEAN, days(sown="2026-01-01"), temperatures=series, latitude=0.0, maturity_group="3"
    )

    def after(first: str, last: str) -> int:
        return (found[last].date - found[first].date).days

    assert after("sown", "VE") == 4  # 3.6 thermal days
    assert after("VE", "V1") == 6
    assert after("VE", "R1") == 19
    assert after("R1", "R3") == 6
    assert after("R1", "R5") == 14
    assert after("R5", "R7") == 34  # 33.2
    assert after("R7", "R8") == 12


def test_model_beside_the_printed_days_to_r1_of_stoneville() -> None:
    """Printed: 42 days from an April planting to R1 for group IV, 17 more for group V (farm press summary
    of the Stoneville data, 2005). Temperatures here are made up after the place's climate (from memory), so
    this only asks for the right fortnight and the right order."""
    series = seasonal(2026, 17.5, 10.5, 5.8)
    start = date(2026, 4, 20)
    to_r1 = {}
    for group in ("IV", "V"):
        found = estimate_stages(
            SOYBEAN, {"sown": start}, temperatures=series, latitude=33.4, maturity_group=group
        )
        to_r1[group] = (found["R1"].date - start).days
    assert abs(to_r1["IV"] - 42) <= 7
    assert to_r1["IV"] < to_r1["V"] <= 59 + 7


@pytest.mark.parametrize(
    ("text", "number", "group"),
    [
        ("00.8", -0.2, "00"),
        ("0.5", 0.5, "0"),
        ("000", -2, "000"),
        ("IV", 4, "4"),
        ("2.7", 2.7, "2"),
        ("10", 10, "10"),
    ],
)
def test_maturity_groups(text: str, number: float, group: str) -> None:
    assert relative_maturity(text) == pytest.approx(number)
    assert maturity_group(text) == group


@pytest.mark.parametrize("text", ["", "early", "-1", "2..1", "07", "nan"])
def test_bad_maturity_groups_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match="maturity group"):
        relative_maturity(text)


# --- stages by published days ----------------------------------------------------------------


def test_sums_of_the_soybean_table() -> None:
    """Fehr and Caviness 1977, table of days between stages, averages summed (from memory)."""
    found = estimate_stages(SOYBEAN, days(R1="2026-07-01"))
    for code, after in {"R3": 13, "R5": 31, "R6": 46, "R8": 73}.items():
        assert (found[code].date - date(2026, 7, 1)).days == after, code


def test_corn_days_after_silking() -> None:
    """Clemson Cooperative Extension 2025: days after silking 10-14, 18-22, 24-28, 35-42, 55-65; dates
    inside, spread as printed."""
    found = estimate_stages(PHENOLOGY.scale("corn"), days(R1="2026-07-10"))
    for code, (low, high) in {
        "R2": (10, 14),
        "R3": (18, 22),
        "R4": (24, 28),
        "R5": (35, 42),
        "R6": (55, 65),
    }.items():
        entry = found[code]
        assert (entry.earliest - date(2026, 7, 10)).days == low
        assert (entry.latest - date(2026, 7, 10)).days == high
        assert entry.grade == "read"


def test_contract_example() -> None:
    """The field of the contract: given stages stand, the rest is estimated, ordered and inside its
    neighbours."""
    anchors = days(sown="2026-05-12", R1="2026-07-02", R3="2026-07-16", harvest="2026-09-30")
    found = estimate_stages(SOYBEAN, anchors)
    assert not found["R1"].estimated and found["R1"].date == date(2026, 7, 2)
    # R1 to R2 is 3 of the 13 days from R1 to R3; 14 days were seen: 3 days
    assert found["R2"].date == date(2026, 7, 5)
    assert found["R2"].estimated
    # harvest stands at R8
    assert found["R8"].date == date(2026, 9, 30)
    assert "R3 (2026-07-16)" in found["R5"].basis


def test_pair_of_given_dates_shares_the_days_in_proportion() -> None:
    # R3 to R5 is 18 days (9 + 9): half the days seen, whatever they are
    found = estimate_stages(SOYBEAN, days(R3="2026-07-01", R5="2026-07-31"))
    assert found["R4"].date == date(2026, 7, 16)


def test_barley_emergence_is_as_printed() -> None:
    # fertiliser adviser page: 21-28 days in March; inside the spread of the row of 17 days (11 to 34)
    found = estimate_stages(PHENOLOGY.scale("barley"), days(sown="2026-03-15"))["BBCH09"]
    assert found.earliest <= date(2026, 3, 15) + timedelta(days=21)
    assert date(2026, 3, 15) + timedelta(days=28) <= found.latest


def test_wheat_benchmarks_of_britain() -> None:
    # AHDB Wheat growth guide 2018, benchmark dates (from memory): 10 April first node, 19 May flag leaf
    found = estimate_stages(PHENOLOGY.scale("wheat"), days(sown="2025-10-01", Z31="2026-04-10"))
    assert found["Z39"].date == date(2026, 5, 19)


@pytest.mark.parametrize(
    ("crop", "sown"), [("wheat", "2025-10-01"), ("barley", "2025-09-25"), ("grapevine", "2026-01-01")]
)
def test_winter_cereals_and_vines_are_never_counted_from_sowing(crop: str, sown: str) -> None:
    # with nothing but the sowing date nothing else is dated, temperatures or not
    for temperatures in (None, seasonal(2025, 9, 9, 4) | seasonal(2026, 9, 9, 4)):
        found = estimate_stages(PHENOLOGY.scale(crop), days(sown=sown), temperatures=temperatures)
        assert set(found) == {"sown"}


def test_winter_wheat_is_counted_back_from_harvest() -> None:
    found = estimate_stages(PHENOLOGY.scale("wheat"), days(sown="2025-10-01", harvest="2026-07-20"))
    assert found["Z87"].date == date(2026, 7, 8)  # 12 days before harvest, common practice, no source
    assert "before harvest" in found["Z39"].basis


def test_southern_winter_wheat_is_sown_in_may() -> None:
    scale = PHENOLOGY.scale("wheat")
    assert set(estimate_stages(scale, days(sown="2026-05-15"), latitude=-35.0)) == {"sown"}
    assert "Z39" in estimate_stages(scale, days(sown="2026-05-15"), latitude=48.0)
    assert "Z39" in estimate_stages(scale, days(sown="2026-05-15"), latitude=-35.0, kind="spring")


def test_potato_tubers_stand_beside_the_line() -> None:
    # University of Nebraska CropWatch: three weeks to emergence, tuber initiation three weeks after it,
    # before the canopy closes
    found = estimate_stages(PHENOLOGY.scale("potato"), days(sown="2026-04-10"))
    assert (found["BBCH40"].date - found["BBCH09"].date).days == 21
    assert not found["BBCH40"].on_line
    assert found["BBCH40"].date < found["BBCH39"].date


def test_a_stage_that_nothing_dates_is_missing() -> None:
    found = estimate_stages(PHENOLOGY.scale("sugar-beet"), days(sown="2026-04-20"))
    assert "BBCH49" not in found and "harvest" not in found
    assert "BBCH39" in found


def test_extra_codes_and_the_catalogue_s_own_stages() -> None:
    scale = PHENOLOGY.scale("wheat", {"F9": 39, "F10.5.1": 61})
    found = estimate_stages(scale, {"F9": date(2026, 5, 19)}, codes=("BBCH41", "Z43"))
    assert found["Z39"].date == found["F9"].date and not found["Z39"].estimated
    assert found["F10.5.1"].date == found["Z61"].date
    assert found["F9"].date < found["BBCH41"].date < found["Z43"].date < found["Z45"].date
    with pytest.raises(UnknownName):
        estimate_stages(scale, {"R3": date(2026, 7, 1)})


def test_contradicting_dates_are_refused() -> None:
    with pytest.raises(StageOrderError) as caught:
        estimate_stages(SOYBEAN, days(R1="2026-07-20", R3="2026-07-16"))
    assert (caught.value.first, caught.value.last) == ("R1", "R3")
    assert "2026-07-20" in str(caught.value)


# --- properties ------------------------------------------------------------------------------

LINE = {crop: [code for code, _ in sorted(PHENOLOGY.scale(crop).stages.items(), key=lambda item: item[1])]
        for crop in PHENOLOGY.crops}  # fmt: skip


@st.composite
def fields(draw: st.DrawFn) -> tuple[str, dict[str, date]]:
    """A crop and up to three given stages in order, maybe with sowing; no harvest."""
    crop = draw(st.sampled_from(sorted(PHENOLOGY.crops)))
    scale = PHENOLOGY.scale(crop)
    codes = [
        code
        for code in LINE[crop]
        if scale.on_line(scale.place(code)) and scale.place(code) < scale.place("harvest")
    ]
    chosen = draw(st.lists(st.sampled_from(codes), min_size=1, max_size=3, unique_by=scale.place))
    day = date(2026, 5, 1)
    anchors = {"sown": day} if draw(st.booleans()) else {}
    for code in sorted(chosen, key=scale.place):
        day += timedelta(days=draw(st.integers(0, 60)))
        anchors[code] = day
    return crop, anchors


def later(found: dict[str, StageDate], crop: str, code: str) -> dict[str, StageDate]:
    scale = PHENOLOGY.scale(crop)
    return {
        key: entry for key, entry in found.items() if entry.on_line and scale.place(key) > scale.place(code)
    }


@given(fields(), st.integers(1, 40))
@settings(max_examples=200, deadline=None)
def test_moving_the_last_given_stage_moves_all_later_estimates(
    field: tuple[str, dict[str, date]], n: int
) -> None:
    crop, anchors = field
    scale = PHENOLOGY.scale(crop)
    last = max((code for code in anchors if code != "sown"), key=scale.place)
    before = later(estimate_stages(scale, anchors), crop, last)
    moved = later(estimate_stages(scale, anchors | {last: anchors[last] + timedelta(days=n)}), crop, last)
    assert before.keys() == moved.keys()
    for code, entry in before.items():
        for side in ("date", "earliest", "latest"):
            assert getattr(moved[code], side) - getattr(entry, side) == timedelta(days=n), code


@given(fields())
@settings(max_examples=200, deadline=None)
def test_dates_keep_the_order_of_the_scale_and_lie_in_their_spread(
    field: tuple[str, dict[str, date]],
) -> None:
    crop, anchors = field
    scale = PHENOLOGY.scale(crop)
    found = estimate_stages(scale, anchors)
    line = sorted(
        (entry for entry in found.values() if entry.on_line), key=lambda entry: scale.place(entry.code)
    )
    assert [entry.date for entry in line] == sorted(entry.date for entry in line)
    for entry in found.values():
        assert entry.earliest <= entry.date <= entry.latest
        assert entry.basis
        if entry.code in anchors:
            assert not entry.estimated and entry.earliest == entry.latest == anchors[entry.code]
        if entry.estimated:
            assert entry.grade and (entry.sources or "no published days" in entry.basis)


@given(fields(), st.floats(8, 24), st.floats(4, 16), st.integers(0, 250))
@settings(max_examples=60, deadline=None)
def test_temperatures_keep_the_order_too(
    field: tuple[str, dict[str, date]], mean: float, swing: float, kept: int
) -> None:
    crop, anchors = field
    scale = PHENOLOGY.scale(crop)
    series = {
        day: pair for day, pair in seasonal(2026, mean, swing, 6.0).items() if day.timetuple().tm_yday <= kept
    }
    found = estimate_stages(scale, anchors, temperatures=series, latitude=43.0, maturity_group="2.1")
    line = sorted(
        (entry for entry in found.values() if entry.on_line), key=lambda entry: scale.place(entry.code)
    )
    assert [entry.date for entry in line] == sorted(entry.date for entry in line)
    assert all(entry.earliest <= entry.date <= entry.latest for entry in found.values())


@given(st.floats(0.5, 6.0), st.sampled_from(["soybean", "corn"]))
@settings(max_examples=40, deadline=None)
def test_a_warmer_season_is_never_later(warmer: float, crop: str) -> None:
    """Below the optimum of every curve more warmth never delays a stage (definition of the curves and
    sums)."""
    scale = PHENOLOGY.scale(crop)
    cool = seasonal(2026, 8.0, 11.0, 5.0)
    warm = {day: (low + warmer, high + warmer) for day, (low, high) in cool.items()}
    assume(max(high for _, high in warm.values()) <= 30.0)
    one, two = (
        estimate_stages(
            scale, days(sown="2026-05-10"), temperatures=series, latitude=45.0, maturity_group="1"
        )
        for series in (cool, warm)
    )
    for code in ("VE", "V3", "R1", "R3", "R5"):
        assert two[code].date <= one[code].date


def test_corn_by_heat_sums() -> None:
    """20 degree days (F) each day: the printed sums 110, 1200 and 1900 are reached after 6, 60 and 95 days
    (arithmetic on the sums of Purdue and Wisconsin); a given VT restarts the count."""
    series = {date(2026, 5, 1) + timedelta(days=at): (15.0, 245 / 9) for at in range(200)}
    scale = PHENOLOGY.scale("corn")
    found = estimate_stages(scale, days(sown="2026-05-01"), temperatures=series)
    assert [(found[code].date - date(2026, 5, 1)).days for code in ("VE", "VT", "R4")] == [6, 60, 95]
    later_vt = estimate_stages(scale, days(sown="2026-05-01", VT="2026-07-10"), temperatures=series)
    assert (later_vt["R4"].date - date(2026, 7, 10)).days == 35  # (1900 - 1200) / 20


def test_temperatures_that_end_early_hand_over_to_the_published_days() -> None:
    series = {day: pair for day, pair in seasonal(2026, 9.5, 14.5, 5.8).items() if day < date(2026, 6, 10)}
    found = estimate_stages(
        SOYBEAN, days(sown="2026-05-12"), temperatures=series, latitude=42.0, maturity_group="2"
    )
    assert "average days" not in found["VE"].basis
    assert "average days after the last temperatures" in found["R1"].basis
    assert found["R1"].latest - found["R1"].earliest > found["VE"].latest - found["VE"].earliest


# --- the data file ---------------------------------------------------------------------------


def test_every_value_has_a_source_that_resolves_and_a_grade() -> None:
    graded = 0

    def walk(node: Any, where: str) -> None:
        nonlocal graded
        if isinstance(node, dict):
            if "source" in node:
                keys = [node["source"]] if isinstance(node["source"], str) else node["source"]
                assert all(key in BIBLIOGRAPHY for key in keys), where
                assert node.get("grade") in {"read", "recalled", "practice", "our reading"}, where
                graded += 1
            for key, value in node.items():
                walk(value, f"{where}.{key}")
        elif isinstance(node, list):
            for at, value in enumerate(node):
                walk(value, f"{where}[{at}]")

    walk(DATA, "")
    assert graded > 80


def test_a_bad_file_is_refused_with_the_place() -> None:
    broken = yaml.safe_load((CATALOG / "phenology.yaml").read_text(encoding="utf-8"))
    broken["scales"]["soybean"]["days_between"][0]["range"] = [12, 15]
    with pytest.raises(ValueError, match=r"scales\.soybean\.days_between sown to VE"):
        Phenology(broken)
    broken = yaml.safe_load((CATALOG / "phenology.yaml").read_text(encoding="utf-8"))
    del broken["degree_days"]["methods"][0]["source"]
    with pytest.raises(ValueError, match=r"degree_days\.methods 86-50-F: a source is missing"):
        Phenology(broken)


def test_heat_method_without_cap() -> None:
    assert HeatMethod("x", "C", 0, 0, None).day(20, 50) == 35


def test_import_stays_light() -> None:
    """Process start-up counts: none of the numeric packages is drawn in."""
    code = (
        "import sys, planner.phenology, planner.spray, planner.economics;"
        "print([m for m in ('numpy', 'scipy', 'pandas') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
