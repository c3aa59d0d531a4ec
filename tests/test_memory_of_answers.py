"""An answer never depends on what was judged before it, however little is kept; and growth of leaves by day.

The programmes are invented. What is held against what: the same audit with and without anything remembered.
"""

from __future__ import annotations

import random
from datetime import date
from itertools import product as every

import msgspec
import pytest

from planner import memo
from planner.account import Account
from planner.audit import audit
from planner.catalogue import Catalogue, load
from planner.facts import dates
from planner.leaves import Growth, growth
from planner.model import Field, FieldTarget, Pass, Programme, TankItem

ACTIVES = ("azoxystrobin", "prothioconazole", "boscalid", "mancozeb", "metconazole", "pyraclostrobin")


def programme(seed: int, target: str | None, region: str | None) -> Programme:
    rng = random.Random(seed)
    passes = tuple(
        Pass(number=number, date=day,
             tank=tuple(TankItem(active=name, dose=100.0) for name in rng.sample(ACTIVES, rng.randint(1, 3))))
        for number, day in enumerate((date(2026, 7, 1), date(2026, 7, 18), date(2026, 8, 3)), 1)
    )  # fmt: skip
    field = Field(
        crop="soybean", country="US", region=region, stages={"R1": date(2026, 7, 1), "R3": date(2026, 7, 15)},
        targets=None if target is None else (FieldTarget(target=target, pressure="high"),),
    )  # fmt: skip
    return Programme(field=field, passes=passes)


PLANS = [
    programme(seed, target, region)
    for seed, (target, region) in enumerate(every((None, "frogeye-leaf-spot", "sclerotinia-stem-rot"), (None, "US-IL")))
]


def answers(catalogue: Catalogue, order: list[int]) -> dict[int, bytes]:
    return {at: msgspec.json.encode(audit(PLANS[at], catalogue)) for at in order}


@pytest.mark.parametrize("grounds, parts", [(memo.GROUNDS, memo.PARTS), (2, memo.PARTS), (memo.GROUNDS, 7), (1, 1)])
def test_the_order_of_programmes_and_what_is_kept_of_them_change_no_answer(
    monkeypatch: pytest.MonkeyPatch, grounds: int, parts: int
) -> None:
    plain = answers(load(), list(range(len(PLANS))))
    monkeypatch.setattr(memo, "GROUNDS", grounds)
    monkeypatch.setattr(memo, "PARTS", parts)
    catalogue = load()
    order = [0, 5, 2, 0, 4, 1, 3, 3, 5, 2]
    assert answers(catalogue, order) == plain
    assert answers(catalogue, order[::-1]) == plain


# --- leaves ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("day, unfold", [(9, True), (10, None), (15, None), (19, None), (20, False), (30, False)])
def test_leaves_unfold_surely_before_one_day_and_not_after_another(day: int, unfold: bool | None) -> None:
    assert Growth(sure_until=10, none_after=20).after(day) is unfold


def test_a_crop_of_which_no_source_says_when_leaves_end_leaves_it_open() -> None:
    account = Account(PLANS[0], load())
    account.crop = msgspec.structs.replace(account.crop, leaves=None)
    found = growth(account)
    assert found == Growth()
    assert found.after(date(2026, 7, 1).toordinal()) is None


def test_a_floating_season_dates_no_leaves_but_names_the_stages() -> None:
    bare = Programme(field=Field(crop="soybean"), passes=(
        Pass(number=1, stage="R1", tank=(TankItem(active="azoxystrobin", dose=100.0),)),
    ))  # fmt: skip
    found = growth(Account(bare, load()))
    assert found.stages is not None and (found.sure_until, found.none_after) == (None, None)


# --- days in words ---------------------------------------------------------------------------------------------------


def test_days_in_words_are_silent_where_nothing_is_dated() -> None:
    targets = (FieldTarget(target="frogeye-leaf-spot"),)
    tank = (TankItem(active="azoxystrobin", dose=100.0),)
    floating = Account(
        Programme(field=Field(crop="soybean", targets=targets), passes=(Pass(number=1, stage="R3", tank=tank),)), load()
    )
    assert dates.of_pass(floating, floating.passes[0]) == ""
    assert dates.dated(floating, first=1, last=None) == {}
    assert dates.of_window(floating, floating.targets[0]) == "" == dates.window_dates(floating, floating.targets[0])
    dated = Account(PLANS[2], load())
    assert dates.of_pass(dated, dated.passes[1]) == "18 July"
    assert dates.dated(dated, first=date(2026, 7, 1).toordinal(), last=None) == {"first": "2026-07-01"}
    # R1 is given; R6, where the window of frogeye leaf spot ends, is an estimate
    assert dates.of_window(dated, dated.targets[0]).startswith("1 July to ~")
    assert dates.window_dates(dated, dated.targets[0]).startswith("2026-07-01 to 2026-")
