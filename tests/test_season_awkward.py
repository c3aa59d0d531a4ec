"""Seasons with little or odd dates: the calendar, what a move may do, and windows at the edge of the season.

Days between stages are the catalogue's (Fehr and Caviness 1977 for soybean: R1 to R2 3 days, R2 to R3 10 days); labels
and fields are invented. Everything else is counted on the calendar beside each check.
"""

from __future__ import annotations

from datetime import date
from functools import cache

import msgspec
import pytest

from planner import moves
from planner.calendar import Calendar, calendar
from planner.catalogue import Catalogue, load
from planner.errors import InputError
from planner.model import CropLabel, Field, FieldTarget, Pass, Place, Product, Programme, TankItem
from planner.season import Season


@cache
def catalogue() -> Catalogue:
    return load()


def season(field: Field, *passes: Pass) -> Season:
    return Season(field, catalogue().crop(field.crop), catalogue(), passes)


def spray(number: int, day: date | None = None, stage: str | None = None, product: str = "Demo Alder 250 SC") -> Pass:
    return Pass(number=number, date=day, stage=stage, tank=(TankItem(product=product, rate=0.5, unit="L/ha"),))


def product(label: CropLabel | None, crop: str = "soybean", name: str = "Demo Alder 250 SC") -> Product:
    return Product(name=name, actives={"azoxystrobin": 250.0}, labels={} if label is None else {crop: label})


def shown(field: Field, *passes: Pass, label: CropLabel | None = None) -> Calendar:
    return calendar(Programme(field=field, products=(product(label, field.crop),), passes=passes), catalogue())


# --- first and last day of a pass ----------------------------------------------------------------------------------


def test_a_product_without_a_label_bounds_no_day_and_says_so() -> None:
    field = Field(crop="soybean", sown=date(2026, 5, 6), harvest=date(2026, 10, 2))
    (row,) = shown(field, spray(1, date(2026, 7, 10))).passes
    assert row.missing == ("Demo Alder 250 SC: no label for soybean",)
    assert {bound.kind for bound in row.bounds} == {"season"}
    assert (row.first, row.last) == (date(2026, 5, 6), date(2026, 10, 2))


def test_neither_label_nor_dates_bound_nothing() -> None:
    field = Field(crop="soybean", stages={"R1": date(2026, 7, 1)})
    (row,) = shown(field, spray(1, date(2026, 7, 10))).passes
    assert row.note == "nothing bounds it: no label, no best timing and no dates"
    assert (row.first, row.last) == (None, None)


def test_each_part_of_a_label_bounds_for_itself() -> None:
    field = Field(crop="soybean", stages={"R1": date(2026, 7, 1), "R3": date(2026, 7, 14), "R4": date(2026, 7, 25)})
    for label, kinds in (
        (CropLabel(first_stage="R1"), {("first", date(2026, 7, 1))}),
        # the last day of R3 is the one before R4 begins
        (CropLabel(last_stage="R3"), {("last", date(2026, 7, 24))}),
        (CropLabel(harvest_interval=14), set()),  # no harvest date to count back from
    ):
        (row,) = shown(field, spray(1, date(2026, 7, 10)), label=label).passes
        assert {(bound.side, bound.day) for bound in row.bounds} == kinds, label


def test_a_label_that_ends_with_the_last_stage_of_all_ends_with_its_day() -> None:
    field = Field(crop="soybean", stages={"R7": date(2026, 9, 10), "R8": date(2026, 9, 20)})
    (row,) = shown(field, spray(1, date(2026, 9, 1)), label=CropLabel(last_stage="R8")).passes
    assert row.last == date(2026, 9, 20)


def test_an_estimate_of_the_next_stage_never_ends_a_label_before_its_own_stage_begins() -> None:
    # R2 follows R1 by 3 days on average, and sooner at the earliest: the label's R1 still holds on the day of R1 itself
    field = Field(crop="soybean", stages={"R1": date(2026, 7, 1)})
    (row,) = shown(field, spray(1, date(2026, 7, 1)), label=CropLabel(last_stage="R1")).passes
    assert row.last is not None and row.last >= date(2026, 7, 1)


def test_a_pass_before_everything_that_is_dated_says_so() -> None:
    field = Field(crop="soybean", stages={"R3": date(2026, 7, 14)}, sown=None)
    first = min(row.date for row in shown(field).stages)
    (row,) = shown(
        Field(crop="soybean", stages={"R3": date(2026, 7, 14)}, harvest=date(2026, 10, 1)),
        spray(1, first.replace(month=first.month - 2)),
        label=CropLabel(harvest_interval=200),
    ).passes
    # 200 days before 1 October are 15 March
    assert row.last == date(2026, 3, 15)
    assert row.last_stage == "before the first dated stage"


# --- notices --------------------------------------------------------------------------------------------------------


def test_a_crop_whose_days_nobody_published_says_that_nothing_could_be_estimated() -> None:
    found = shown(Field(crop="grapevine", sown=date(2026, 4, 1)))
    assert "no stage could be estimated from what is given" in found.notices


@pytest.mark.parametrize("more, said", [
    ({}, "the temperatures date no stage: give latitude and maturity_group, or the crop has no published sums"),
    ({"latitude": 52.0, "maturity_group": "2"},
     "the temperatures date no stage: no published sums for this crop, or none after the last given date"),
])  # fmt: skip
def test_temperatures_that_date_nothing_say_why(more: dict[str, object], said: str) -> None:
    warm = tuple((date.fromordinal(date(2026, 4, 1).toordinal() + n), 8.0, 20.0) for n in range(60))
    found = shown(msgspec.structs.replace(
        Field(crop="potato", sown=date(2026, 4, 1), stages={"BBCH09": date(2026, 5, 1)}, temperatures=warm), **more
    ))  # fmt: skip
    assert said in found.notices


# --- the calendar itself ---------------------------------------------------------------------------------------------


def test_days_and_stages_between_what_is_given() -> None:
    one = season(Field(crop="soybean", stages={"R1": date(2026, 7, 1), "R3": date(2026, 7, 15)}))
    assert one.day("R1") == (date(2026, 7, 1).toordinal(), False)
    # a BBCH code that is the same stage has the same given day
    assert one.day("BBCH61") == one.day("R1") if one.bbch("R1") == 61 else True
    assert one.given_range(date(2026, 7, 8).toordinal()) == (one.bbch("R1"), one.bbch("R3"))
    assert one.given_range(date(2026, 6, 1).toordinal()) == (0, one.bbch("R1"))
    assert one.given_range(date(2026, 8, 1).toordinal()) == (one.bbch("R3"), 99)
    assert one.show(date(2026, 7, 1).toordinal()) == "1 July"


def test_a_season_without_any_date_floats_and_binds_nothing() -> None:
    one = season(Field(crop="soybean"), spray(1, stage="R1"), spray(2, stage="R3"))
    assert one.floating
    assert one.given_range(date(2026, 7, 1).toordinal()) == (0, 99)
    assert one.show(date(2026, 7, 1).toordinal()) == ""
    first, second = (one.place(entry).day for entry in (spray(1, stage="R1"), spray(2, stage="R3")))
    assert first is not None and second is not None
    assert second - first == 13  # 3 + 10: Fehr and Caviness 1977


def test_a_pass_without_date_and_stage_lies_nowhere() -> None:
    one = season(Field(crop="soybean"), spray(1))
    assert one.floating and one.stages == {}
    found = one.place(spray(1))
    assert (found.day, found.bbch) == (None, None)


def test_the_last_stage_has_none_behind_it() -> None:
    one = season(Field(crop="soybean", sown=date(2026, 5, 6)))
    codes = [stage.code for stage in catalogue().crop("soybean").stages]
    following = one.following("R7")
    assert following is not None and one.bbch(following.code) > one.bbch("R7")
    assert one.following(codes[-1]) is None


@pytest.mark.parametrize("crop", ["soybean", "corn", "wheat", "barley", "potato", "sugar-beet", "grapevine"])
def test_no_window_reaches_past_the_harvest(crop: str) -> None:
    field = Field(crop=crop, sown=date(2026, 4, 10), harvest=date(2026, 8, 1))
    one = season(field)
    for target in catalogue().targets(crop).values():
        window = one.window(target)
        if window is not None and window.last is not None:
            assert window.last <= date(2026, 8, 1).toordinal(), target.id


def test_a_date_against_sowing_is_told_at_the_pass_that_gives_it() -> None:
    passes = [
        msgspec.structs.replace(one, place=Place(file="plan.yaml", line=line))
        for line, one in ((4, spray(1, date(2026, 7, 1), "R1")), (5, spray(2, date(2026, 8, 20), "R5")))
    ]
    with pytest.raises(InputError) as caught:
        season(Field(crop="soybean", sown=date(2026, 7, 10)), *passes)
    said = "plan.yaml:4: sown on 2026-07-10 lies after R1 on 2026-07-01; correct one of the two dates"
    assert str(caught.value) == said


def test_a_bbch_code_is_dated_by_the_stage_it_is_or_between_two() -> None:
    one = season(Field(crop="soybean", stages={"R1": date(2026, 7, 1), "R3": date(2026, 7, 15)}))
    given, later = one.bbch("R1"), one.bbch("R4")
    assert one.day_of_bbch(given) == (date(2026, 7, 1).toordinal(), False)
    assert one.day_of_bbch(later) == (one.stages["R4"].date.toordinal(), True)
    assert one.day_of_bbch(one.bbch("R8") + 1) == (None, True)  # past the last stage that can be dated
    nothing = season(Field(crop="soybean"), spray(1, date(2026, 7, 1)))
    assert nothing.day_of_bbch(given) == (None, True)
    assert nothing.stage_on(date(2026, 7, 1).toordinal()) == (None, True)


def test_a_target_without_published_stages_has_no_window() -> None:
    one = season(Field(crop="soybean", sown=date(2026, 5, 6)))
    target = msgspec.structs.replace(catalogue().target("soybean", "frogeye-leaf-spot"), window=None)
    assert one.window(target) is None


# --- moves ----------------------------------------------------------------------------------------------------------

FIELD = Field(
    crop="soybean", sown=date(2026, 5, 6), stages={"R1": date(2026, 7, 1)}, harvest=date(2026, 10, 2),
    targets=(FieldTarget(target="frogeye-leaf-spot", pressure="high"),),
)  # fmt: skip


def programme(*passes: Pass, field: Field = FIELD) -> Programme:
    return Programme(field=field, products=(product(CropLabel()),), passes=passes)


def test_a_pass_named_twice_is_refused() -> None:
    with pytest.raises(InputError, match="--move: pass 2 is moved twice; name each pass once"):
        moves.read(["1=+7d", "2=+1d", "2=2026-07-20"])


def test_a_date_that_is_none_is_refused() -> None:
    with pytest.raises(InputError, match="'2026-02-30' is no date"):
        moves.read(["1=2026-02-30"])


def test_a_pass_without_a_day_cannot_be_moved() -> None:
    floating = programme(spray(1, stage="R1"), spray(2, stage="R3"), field=Field(crop="soybean"))
    with pytest.raises(InputError, match="pass 2 has no day to move; give the pass a date"):
        moves.move(floating, catalogue(), {2: 7})


def test_a_pass_stays_between_sowing_and_harvest() -> None:
    plan = programme(spray(1, date(2026, 7, 2)))
    with pytest.raises(InputError, match="pass 1 on 2026-05-05 would lie before sowing on 2026-05-06"):
        moves.move(plan, catalogue(), {1: date(2026, 5, 5)})
    with pytest.raises(InputError, match="pass 1 on 2026-10-03 would lie after harvest on 2026-10-02"):
        moves.move(plan, catalogue(), {1: date(2026, 10, 3)})
    assert moves.move(plan, catalogue(), {1: date(2026, 10, 2)}).shifts


def test_a_seed_treatment_is_not_in_the_way_of_a_move() -> None:
    seed = msgspec.structs.replace(spray(1, date(2026, 5, 1)), how="seed")
    moved = moves.move(programme(seed, spray(2, date(2026, 7, 2))), catalogue(), {2: 3})
    assert [shift.number for shift in moved.shifts] == [2]


def test_stage_dates_that_a_pass_lends_stay_when_the_pass_moves() -> None:
    # the field gives no stage, so pass 2 lends one: 15 July is R3. Moved by a fortnight the pass is no longer at R3
    # (R3 to R4 takes 9 days on average, Fehr and Caviness 1977), and R3 stays where it was
    bare = msgspec.structs.replace(FIELD, stages={})
    plan = programme(spray(1, date(2026, 7, 2)), spray(2, date(2026, 7, 15), "R3"), field=bare)
    (shift,) = moves.move(plan, catalogue(), {2: 14}).shifts
    assert (shift.before, shift.after) == (date(2026, 7, 15), date(2026, 7, 29))
    held = season(msgspec.structs.replace(FIELD, stages={"R3": date(2026, 7, 15)}))
    low, _ = held.stage_on(date(2026, 7, 29).toordinal())
    assert low is not None and low[0] > held.bbch("R3")
    assert shift.stage_before == "R3" and shift.stage_after != "R3"
