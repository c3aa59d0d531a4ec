"""Cover day by day: counted by hand on small seasons, and held against a plain numpy count on random ones.

The days of protection, ratings and reports are the catalogue's or the invented labels'; what is checked here is the
count. Sources of the facts stand beside each check.
"""

from __future__ import annotations

import datetime
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner import cover
from planner.account import Account
from planner.catalogue import Catalogue, load
from planner.documents import load_field, load_products
from planner.model import Field, Pass, Product, Programme, TankItem

FARM = Path(__file__).resolve().parents[1] / "shared" / "scenarios"


@cache
def catalogue() -> Catalogue:
    return load()


@cache
def field() -> Field:
    return load_field(FARM / "quarry-bottom.yaml", catalogue())


@cache
def shop() -> tuple[Product, ...]:
    return load_products(FARM / "farm-shop.yaml", catalogue())


def programme(passes: list[tuple[date, list[str]]], **changes: Any) -> Programme:
    """Passes of listed products at the least label rate, or of bare actives (names without ``Demo``)."""
    made = []
    for number, (day, names) in enumerate(passes, 1):
        tank = []
        for name in names:
            product = next((one for one in shop() if one.name == name), None)
            if product is None:
                tank.append(TankItem(active=name, dose=100.0))
            else:
                rate = product.labels["soybean"].rate_least
                tank.append(TankItem(product=name, rate=rate, unit=product.amount_unit))
        made.append(Pass(number=number, date=day, tank=tuple(tank)))
    return Programme(field=field(), products=shop(), passes=tuple(made), **changes)


def row(account: Account, target: str) -> dict[str, Any]:
    return next(one for one in cover.rows(account) if one["target"] == target)


def per_day(entry: dict[str, Any], key: str = "modes") -> dict[date, int | None]:
    found: dict[date, int | None] = {}
    for run in entry["days"]:
        day, last = date.fromisoformat(run["from"]), date.fromisoformat(run["to"])
        while day <= last:
            found[day] = run[key]
            day += datetime.timedelta(days=1)
    return found


# --- by hand ----------------------------------------------------------------------------------


def test_a_label_s_days_are_counted_from_the_pass() -> None:
    # invented label of Demo Godwit 500 SC: protection 14 d, so 30 June to 13 July; white mold's window ends at R3
    account = Account(programme([(date(2026, 6, 30), ["Demo Godwit 500 SC"])]), catalogue())
    entry = row(account, "sclerotinia-stem-rot")
    days = per_day(entry)
    assert [day for day, modes in days.items() if modes] == [
        date(2026, 6, 30) + datetime.timedelta(days=n) for n in range(14)
    ]
    assert entry["bare_days"] == sum(1 for modes in days.values() if modes == 0) == 5
    (use,) = entry["uses"]
    assert use["rests_on"] == "14 days, the label" and use["effective"] is True
    assert (use["from"], use["to"]) == ("2026-06-30", "2026-07-13")


def test_published_days_where_the_label_says_none() -> None:
    # bare boscalid (group 7): lower end of 14 to 21 days for a solo SDHI (catalogue: common practice, no source)
    account = Account(programme([(date(2026, 6, 30), ["boscalid"])]), catalogue())
    (use,) = row(account, "sclerotinia-stem-rot")["uses"]
    assert use["to"] == "2026-07-13" and "14 of 14 to 21 days" in use["rests_on"]
    assert use["rate_below_label"] is None  # no label, so nothing to hold the rate against


def test_two_groups_are_two_modes_and_one_group_twice_is_one() -> None:
    both = Account(programme([(date(2026, 7, 18), ["Demo Hornbeam 480 SC", "Demo Schist 540 SC"])]), catalogue())
    once = Account(programme([(date(2026, 7, 18), ["Demo Dunlin 250 EC", "Demo Spindle 300 SC"])]), catalogue())
    assert per_day(row(both, "frogeye-leaf-spot"))[date(2026, 7, 20)] == 2
    assert per_day(row(once, "frogeye-leaf-spot"))[date(2026, 7, 20)] == 1


def test_a_group_with_reported_resistance_is_no_mode() -> None:
    # frogeye leaf spot resistant to group 11 in Illinois since 2010 (catalogue, resistance reports)
    account = Account(programme([(date(2026, 7, 18), ["Demo Siskin 250 EC"])]), catalogue())
    entry = row(account, "frogeye-leaf-spot")
    assert set(per_day(entry).values()) == {0}
    (use,) = entry["uses"]
    assert use["effective"] is False and "no longer works here" in use["because"] and "2010" in use["because"]


def test_an_unknown_rating_leaves_the_days_open() -> None:
    account = Account(programme([(date(2026, 7, 18), ["Demo Godwit 500 SC"])]), catalogue())
    days = per_day(row(account, "frogeye-leaf-spot"))
    known = catalogue().ratings("soybean", "frogeye-leaf-spot")
    assert not any("fluazinam" in entry.actives for entry in known)
    assert set(days.values()) <= {0, None}


def test_a_rate_below_the_label_is_shown() -> None:
    whole = programme([(date(2026, 7, 18), ["Demo Hornbeam 480 SC"])])
    item = msgspec.structs.replace(whole.passes[0].tank[0], rate=(whole.passes[0].tank[0].rate or 0) * 0.5)
    cut = msgspec.structs.replace(whole, passes=(msgspec.structs.replace(whole.passes[0], tank=(item,)),))
    (use,) = row(Account(cut, catalogue()), "frogeye-leaf-spot")["uses"]
    assert use["rate_below_label"] is True and use["share_of_least_rate"] == 0.5
    (use,) = row(Account(whole, catalogue()), "frogeye-leaf-spot")["uses"]
    assert use["rate_below_label"] is False


# --- leaves that unfold after the pass ----------------------------------------------------------


@pytest.mark.parametrize(
    ("mobility", "reaches"),
    [
        ("contact", False),  # stays on the surface, new growth needs repeat sprays (catalog/mobility.yaml, read)
        ("systemic", True),  # moves up and down (read; into leaves to come: our reading)
        ("xylem mobile", None),  # toward the tips within the leaf: nothing said of leaves to come
        ("translaminar", None),
        ("locally systemic", None),
        ("", None),
    ],
)
def test_what_the_sources_say_of_new_leaves(mobility: str, reaches: bool | None) -> None:
    assert cover.reaches_new_leaves(mobility) is reaches


def test_a_contact_active_protects_no_leaf_that_unfolds_later() -> None:
    chlorothalonil = "Demo Tuff 720 SC"
    account = Account(programme([(date(2026, 7, 18), [chlorothalonil])]), catalogue())
    for entry in cover.rows(account):
        for run in entry["days"]:
            if run["modes"]:
                assert run["new_leaves"] == 0
        for use in entry.get("uses", ()):
            assert use["mobility"] == "contact" and use["new_leaves"] is False


def test_new_leaves_of_a_mobile_active_are_not_known() -> None:
    # group 3 moves toward leaf tips "and new growth within the leaf": leaves that unfold later are not spoken of
    account = Account(programme([(date(2026, 7, 18), ["Demo Hornbeam 480 SC"])]), catalogue())
    covered = [run for run in row(account, "frogeye-leaf-spot")["days"] if run["modes"]]
    assert covered and all(run["new_leaves"] is None for run in covered)


# --- against a plain count ----------------------------------------------------------------------

NAMES = [one.name for one in shop() if one.kind == "fungicide" and "soybean" in one.labels] + ["boscalid", "fluopyram"]
seasons = st.lists(
    st.tuples(
        st.integers(0, 90).map(lambda n: date(2026, 6, 15) + datetime.timedelta(days=n)),
        st.lists(st.sampled_from(NAMES), min_size=1, max_size=3, unique=True),
    ),
    min_size=1,
    max_size=8,
).map(lambda found: sorted(found, key=lambda one: one[0]))


def counted(account: Account, target: Any) -> np.ndarray | None:
    """The same count with one boolean array per group: modes (-1: not known) of each day of the window."""
    window = target.window
    if window is None or window.first is None or window.last is None:
        return None
    days = np.arange(window.first, window.last + 1)
    groups: dict[str, np.ndarray] = {}
    open_ = np.zeros(len(days), dtype=bool)
    for state in account.passes:
        if state.time.day is None or account.works(state, target) is False:
            continue
        for use in state.uses:
            value, end = account.effect(use, target).value, account.cover_end(use, state, target)
            if value is False:
                continue
            if value and end is not None:
                name = next((key for key in groups if account.joined(key, use.group, "mixing")), use.group)
                groups.setdefault(name, np.zeros(len(days), dtype=bool))
                groups[name] |= (days >= state.time.day) & (days < end)
            else:
                open_ |= (days >= state.time.day) & (days < (end or state.time.day + 1))
    total = np.sum(list(groups.values()), axis=0) if groups else np.zeros(len(days), dtype=int)
    return np.where((total == 0) & open_, -1, total)


@settings(max_examples=60, deadline=None)
@given(seasons)
def test_cover_is_the_plain_count(season: list[tuple[date, list[str]]]) -> None:
    account = Account(programme(season), catalogue())
    for target in account.targets:
        plain = counted(account, target)
        assert plain is not None
        found = per_day(row(account, target.id))
        assert [-1 if modes is None else modes for modes in found.values()] == plain.tolist()
        assert row(account, target.id)["bare_days"] == int(np.sum(plain == 0))


@settings(max_examples=60, deadline=None)
@given(seasons, st.data())
def test_cover_never_grows_when_a_pass_is_removed(season: list[tuple[date, list[str]]], data: st.DataObject) -> None:
    gone = data.draw(st.integers(0, len(season) - 1))
    fewer = season[:gone] + season[gone + 1 :]
    with_it, without = (Account(programme(one), catalogue()) for one in (season, fewer))
    for target in with_it.targets:
        before, after = per_day(row(with_it, target.id)), per_day(row(without, target.id))
        assert before.keys() == after.keys()  # the window is the field's, not the passes'
        for day, modes in after.items():
            if modes is not None:
                assert (before[day] or 0) >= modes
            else:
                assert before[day] is None or before[day]  # a day that may be covered was not bare before


def test_a_season_without_dates_has_no_days() -> None:
    bare = msgspec.structs.replace(field(), sown=None, harvest=None, stages={})
    one = msgspec.structs.replace(
        programme([(date(2026, 7, 1), ["boscalid"])]),
        field=bare,
        passes=(Pass(number=1, stage="R1", tank=(TankItem(active="boscalid", dose=200.0),)),),
    )
    for entry in cover.rows(Account(one, catalogue())):
        assert entry["days"] == [] and entry["bare_days"] is None and entry["window"] is None
