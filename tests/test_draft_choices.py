"""What a draft may choose from, before anything is searched: products that cannot be planned with and why, and days.

Products, labels and prices are invented; stage days are given, so every day here is counted on the calendar.
"""

from __future__ import annotations

from datetime import date
from functools import cache
from itertools import pairwise
from typing import Any

import msgspec
import pytest

from planner.catalogue import Catalogue, load
from planner.draft.mend import mend
from planner.draft.options import SPACING, Space
from planner.errors import InputError
from planner.model import Application, CropLabel, Field, FieldTarget, Pass, Place, Product, Programme, TankItem

TARGET = "frogeye-leaf-spot"
LABEL = CropLabel(
    rate_least=0.4, rate_most=1.0, harvest_interval=21, first_stage="R1", last_stage="R5", targets={TARGET: "good"}
)
FIELD = Field(
    crop="soybean",
    stages={"R1": date(2026, 7, 1), "R3": date(2026, 7, 15), "R5": date(2026, 8, 5), "R6": date(2026, 8, 25)},
    harvest=date(2026, 9, 30),
    targets=(FieldTarget(target=TARGET, pressure="high"),),
    application=Application(cost=20.0, water=150.0),
)


@cache
def catalogue() -> Catalogue:
    return load()


def product(name: str = "Demo Alder", label: CropLabel | None = LABEL, crop: str = "soybean", **more: Any) -> Product:
    values: dict[str, Any] = {"actives": {"prothioconazole": 250.0}, "price": 40.0, **more}
    return Product(name=name, labels={} if label is None else {crop: label}, **values)


def space(*products: Product, field: Field = FIELD, **more: Any) -> Space:
    return Space(field, products, catalogue(), **more)


def days(one: Space) -> list[date]:
    return [date.fromordinal(slot.day) for slot in one.slots]


@pytest.mark.parametrize("bad, reason", [
    (product("B", actives={"glyphosate": 360.0}), "it holds no fungicide"),
    (product("B", label=None), "its label is not in the product list; copy the label to plan with it"),
    (product("B", crop="wheat"), "LBL01: its label lacks soybean"),
    (product("B", label=CropLabel(targets={TARGET: "good"})), "its label gives no full rate; add rate: [least, most]"),
    (product("B", price=None), "it has no price, so it cannot be weighed; add price"),
])  # fmt: skip
def test_a_product_that_cannot_be_planned_with_says_why(bad: Product, reason: str) -> None:
    one = space(product(), bad)
    assert one.refused == {"B": reason}
    assert all("B" not in column.products for column in one.columns)
    assert any("Demo Alder" in column.products for column in one.columns)


@pytest.mark.parametrize("avoid", ["B", "boscalid", "FRAC 7"])
def test_what_is_avoided_by_product_active_or_group_makes_no_pass(avoid: str) -> None:
    one = space(product(), product("B", actives={"boscalid": 500.0}), avoid=[avoid])
    assert one.refused == {"B": f"{avoid} is to be avoided"}


def test_a_field_without_any_date_cannot_be_planned() -> None:
    with pytest.raises(InputError) as caught:
        undated = msgspec.structs.replace(FIELD, stages={}, harvest=None, place=Place(file="f.yaml", line=1))
        space(product(), field=undated)
    assert str(caught.value) == (
        "f.yaml:1: the field has no dates, so no spray date can be planned; "
        "add sown: 2026-05-12, or stages: {R1: 2026-07-02}"
    )


def test_days_begin_with_the_window_and_end_with_it_or_with_the_last_label() -> None:
    # frogeye leaf spot infects from R1 to R6: 1 July to 25 August; 21 days before 30 September are 9 September
    found = days(space(product()))
    assert found[0] == date(2026, 7, 1) and found[-1] <= date(2026, 8, 25)
    assert all((later - earlier).days >= SPACING for earlier, later in pairwise(found))
    # a harvest on 28 July leaves no day after the 7th
    early = msgspec.structs.replace(
        FIELD, stages={"R1": date(2026, 7, 1)}, harvest=date(2026, 7, 28), application=Application()
    )
    assert max(days(space(product(), field=early))) <= date(2026, 7, 7)


def test_a_harvest_that_leaves_no_day_leaves_no_slot() -> None:
    gone = msgspec.structs.replace(FIELD, stages={"R1": date(2026, 7, 1)}, harvest=date(2026, 7, 15))
    assert days(space(product(), field=gone)) == []  # 21 days before harvest the window is not yet open


def test_without_targets_the_days_run_over_the_stages_and_without_harvest_to_their_end() -> None:
    plain = msgspec.structs.replace(FIELD, targets=None, harvest=None)
    one = space(product(), field=plain)
    dated = [entry.date for code, entry in one.season.stages.items() if code not in ("sown", "harvest")]
    assert days(one)[0] == min(dated) and days(one)[-1] <= max(dated)
    assert any("Demo Alder" in column.products for column in one.columns)  # judged by groups alone


def test_a_label_that_asks_for_more_water_than_the_field_gets_keeps_the_product_off() -> None:
    thirsty = msgspec.structs.replace(LABEL, water=200.0)
    one = space(product(label=thirsty))
    assert one.allowed(one.products[0], thirsty, date(2026, 7, 15).toordinal()) == (
        "LBL10: the field is sprayed with less water than its label asks (200 L/ha)"
    )
    assert one.allowed(one.products[0], LABEL, date(2026, 7, 15).toordinal()) == ""
    assert one.allowed(one.products[0], LABEL, date(2026, 6, 1).toordinal()) == "LBL07: its label starts at R1"
    # 9 September is the last day; on the 10th 20 days are left
    assert "LBL08: 20 days are left to harvest and its label asks 21" in one.allowed(
        one.products[0], msgspec.structs.replace(LABEL, last_stage=None), date(2026, 9, 10).toordinal()
    )


def kept(number: int, day: date | None, how: Any = "foliar", rate: float = 0.8) -> Pass:
    tank = (TankItem(product="Demo Alder", rate=rate, unit="L/ha"),)
    return Pass(number=number, date=day, how=how, tank=tank)


def test_kept_passes_hold_their_day_and_new_ones_keep_away_from_it() -> None:
    one = space(product(), keep=[kept(1, date(2026, 5, 6), how="seed"), kept(2, date(2026, 7, 10))])
    assert [column.slot >= 0 for column in one.kept] == [False, True]  # the seed treatment lies on no day of spraying
    new = [slot.day for slot in one.slots if not slot.kept]
    # a draft goes on after what is done
    assert new and min(new) >= date(2026, 7, 10).toordinal() + SPACING


def test_a_kept_pass_without_a_day_is_refused() -> None:
    with pytest.raises(InputError, match="pass 1: a pass that is kept needs a date; add date: 2026-07-02"):
        space(product(), keep=[kept(1, None)])


def test_a_pass_without_a_day_cannot_be_mended() -> None:
    undated = Programme(field=FIELD, products=(product(),), passes=(kept(1, None, rate=1.4),))
    with pytest.raises(InputError, match="pass 1: this pass has no day that can be told, so it cannot be mended"):
        mend(undated, catalogue(), seconds=5)
