"""Stage dates where something is missing: temperatures that end, days that nobody published, a maturity that is none.

What can still be said is worked out by hand from the numbers of ``catalog/phenology.yaml`` beside each check;
what cannot is left undated, never guessed.
"""

from __future__ import annotations

import copy
import math
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
import yaml

from planner.errors import UnknownName
from planner.phenology import estimate_stages
from planner.stage_scale import Phenology

CATALOG = Path(__file__).resolve().parents[1] / "catalog"
DATA: dict[str, Any] = yaml.safe_load((CATALOG / "phenology.yaml").read_text(encoding="utf-8"))
SHIPPED = Phenology(DATA)


def without_days(crop: str, *kept: tuple[str, str]) -> Phenology:
    """The shipped numbers, with only these rows of days between stages left for a crop."""
    data = copy.deepcopy(DATA)
    scale = data["scales"][crop]
    scale["days_between"] = [row for row in scale["days_between"] if (row["first"], row["last"]) in kept]
    return Phenology(data)


def steady(first: date, days: int, low: float, high: float) -> dict[date, tuple[float, float]]:
    return {first + timedelta(days=n): (low, high) for n in range(days)}


def test_a_method_in_celsius_takes_celsius_as_it_is() -> None:
    # 12 and 34 degrees held to 12 and 30, mean 21, less base 10: Iowa State University, Agronomy 541, rules 1 and 2
    assert SHIPPED.methods["30-10-C"].day_celsius(12.0, 34.0) == pytest.approx(11.0)


def test_a_phase_in_calendar_days_does_not_heed_the_weather() -> None:
    model = SHIPPED.scale("soybean").photothermal
    assert model is not None
    last = next(phase for phase in model.phases if phase.curve is None)
    assert (last.first, last.last) == ("R7", "R8")
    assert model.rate(last, "2", -5.0, 3.0, 9.0) == 1.0
    found = estimate_stages(
        SHIPPED.scale("soybean"), {"R7": date(2026, 9, 1)}, temperatures=steady(date(2026, 9, 2), 40, 4.0, 9.0),
        latitude=41.8, maturity_group="2",
    )  # fmt: skip
    assert found["R8"].date == date(2026, 9, 13)  # 12 days, whatever the weather


def test_a_given_stage_inside_a_phase_counts_the_shorter_phase_that_ends_there_as_done() -> None:
    # at 28 degrees day and night and 12 hours of light every day brings one photothermal day, so from a given R3 to R5
    # take fl_sd - fl_sh days: the phase R1 to R5 less the phase R1 to R3 (CROPGRO-Soybean generic group 2)
    numbers = DATA["photothermal"]["soybean"]["groups"]["2"]
    found = estimate_stages(
        SHIPPED.scale("soybean"), {"R3": date(2026, 9, 1)}, temperatures=steady(date(2026, 8, 1), 120, 28.0, 28.0),
        latitude=0.0, maturity_group="2",
    )  # fmt: skip
    assert (found["R5"].date - date(2026, 9, 1)).days == math.ceil(numbers["fl_sd"] - numbers["fl_sh"])


@pytest.mark.parametrize("more", [
    {"latitude": 41.8, "maturity_group": "12"},  # no such group in the published set
    {"latitude": None, "maturity_group": "late"},  # no number, so no line of relative maturity either
    {"latitude": None, "maturity_group": None},
])  # fmt: skip
def test_a_maturity_that_no_model_knows_leaves_the_published_days(more: dict[str, Any]) -> None:
    sown, warm = {"sown": date(2026, 5, 6)}, steady(date(2026, 5, 1), 150, 15.0, 28.0)
    found = estimate_stages(SHIPPED.scale("soybean"), sown, temperatures=warm, **more)
    plain = estimate_stages(SHIPPED.scale("soybean"), sown)
    assert found["R1"].date == plain["R1"].date and found["R1"].basis == plain["R1"].basis


def test_a_stage_between_two_sums_is_placed_by_days_and_without_days_not_at_all() -> None:
    # V9 of corn has no sum of its own: how far the crop is between V8 and V10 can only be told by days
    warm = steady(date(2026, 6, 1), 120, 60 / 1.8 - 32 / 1.8, 86 / 1.8 - 32 / 1.8)
    assert "VT" in estimate_stages(SHIPPED.scale("corn"), {"V9": date(2026, 6, 20)}, temperatures=warm)
    bare = estimate_stages(without_days("corn").scale("corn"), {"V9": date(2026, 6, 20)}, temperatures=warm)
    assert set(bare) == {"V9"}


def test_stages_after_the_last_temperature_need_published_days() -> None:
    # 23 degree days (86/50) on each of 30 days after sowing make 690: V6 at 602 is reached, V8 at 766 is not
    warm = steady(date(2026, 5, 1), 31, 60 / 1.8 - 32 / 1.8, 86 / 1.8 - 32 / 1.8)
    bare = estimate_stages(without_days("corn").scale("corn"), {"sown": date(2026, 5, 1)}, temperatures=warm)
    assert (bare["V6"].date - date(2026, 5, 1)).days == math.ceil(602 / 23)
    assert "V8" not in bare and "VT" not in bare
    whole = estimate_stages(SHIPPED.scale("corn"), {"sown": date(2026, 5, 1)}, temperatures=warm)
    assert "average days after the last temperatures" in whole["VT"].basis


def test_a_stage_inside_a_photothermal_phase_needs_days_to_be_placed() -> None:
    warm = steady(date(2026, 6, 1), 120, 18.0, 28.0)
    more: dict[str, Any] = {"temperatures": warm, "latitude": 41.8, "maturity_group": "2"}
    placed = estimate_stages(SHIPPED.scale("soybean"), {"V3": date(2026, 6, 10)}, **more)
    assert "photothermal" in placed["R1"].basis
    bare = estimate_stages(without_days("soybean").scale("soybean"), {"V3": date(2026, 6, 10)}, **more)
    assert "R1" not in bare  # how much of VE to R1 lies behind V3 is not known


def test_a_crop_of_the_users_own_is_dated_by_what_the_field_gives_alone() -> None:
    rye = SHIPPED.scale("rye", {"R1": 60, "R3": 70})
    assert set(estimate_stages(rye, {"R1": date(2026, 6, 1)})) == {"R1"}
    with pytest.raises(UnknownName, match="unknown crop 'rye'"):
        SHIPPED.scale("rye")


def falling_sums(data: Any) -> None:
    data["degree_days"]["stages"]["corn"]["sums"].reverse()


def a_length_that_no_group_has(data: Any) -> None:
    del data["photothermal"]["soybean"]["groups"]["2"]["fl_sh"]


def days_backwards(data: Any) -> None:
    row = data["scales"]["soybean"]["days_between"][0]
    row["first"], row["last"] = row["last"], row["first"]


@pytest.mark.parametrize("change, said", [
    (falling_sums, r"degree_days\.stages\.corn: the sums must rise from stage to stage"),
    (a_length_that_no_group_has, r"photothermal\.soybean\.groups\.2: 'fl_sh' is missing"),
    (days_backwards, r"scales\.soybean\.days_between: .* does not come before "),
])  # fmt: skip
def test_numbers_against_the_order_of_stages_are_refused(change: Any, said: str) -> None:
    data = copy.deepcopy(DATA)
    change(data)
    with pytest.raises(ValueError, match=said):
        Phenology(data)
