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

from planner import cover, leaves
from planner.account import Account
from planner.catalogue import Catalogue, load
from planner.documents import load_field, load_products
from planner.model import Field, FieldTarget, Pass, Product, Programme, TankItem

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
    ("active", "reaches"),
    [
        # Iowa State extension, Fungicides, terminology: new growth is unprotected by contacts, partly by xylem-mobile
        # actives (catalog/mobility.yaml, read)
        ("chlorothalonil", False),
        ("mancozeb", False),
        ("difenoconazole", None),
        ("azoxystrobin", None),
        ("phosphorous acid", True),  # moves up and down (read); that this takes it into leaves to come is our reading
        ("fluazinam", None),  # no source read here names its mobility
    ],
)
def test_what_the_sources_say_of_new_leaves(active: str, reaches: bool | None) -> None:
    assert leaves.reached(catalogue().active(active)) is reaches


@pytest.mark.parametrize(
    ("crop", "sure", "last"),
    [
        # the flag leaf is the last leaf (Zadoks, Chang and Konzak 1974, from memory): out at Z39
        ("wheat", "Z37", "Z39"),
        ("barley", "Z37", "Z39"),
        ("corn", "V12", "VT"),  # all leaves are out when the tassel is (Ritchie, Hanway and Benson 1986, from memory)
        ("soybean", "R1", "R6"),  # nodes go on forming after R1 (Fehr and Caviness 1977, from memory)
        ("sugar-beet", "BBCH49", "BBCH49"),  # until it is lifted (general agronomy, from memory)
    ],
)
def test_until_when_crops_unfold_leaves(crop: str, sure: str, last: str) -> None:
    found = catalogue().crop(crop).leaves
    assert found is not None and (found.sure, found.last) == (sure, last)
    assert found.backing.grade == "recalled"  # no page was read that says it


def season_of(crop: str, target: str, passes: list[tuple[date, list[str]]], **changes: Any) -> Account:
    """An account of bare actives on a field with given stages, in the United States."""
    own = Field(crop=crop, country="US", targets=(FieldTarget(target=target, pressure="high"),), **changes)
    made = tuple(
        Pass(number=number, date=day, tank=tuple(TankItem(active=name, dose=100.0) for name in names))
        for number, (day, names) in enumerate(passes, 1)
    )
    return Account(Programme(field=own, passes=made), catalogue())


POTATO = {
    "BBCH09": date(2026, 5, 25),
    "BBCH31": date(2026, 6, 15),
    "BBCH39": date(2026, 7, 1),
    "BBCH91": date(2026, 8, 25),
}


def test_new_leaves_are_bare_the_day_after_a_contact_spray() -> None:
    # chlorothalonil on potato, 15 June: lower end of 7 to 10 days (common practice, no source), to 21 June. The haulm
    # grows until the rows close at least, 1 July here (catalogue, recalled), so from 16 June on new leaves are bare
    account = season_of(
        "potato", "late-blight", [(date(2026, 6, 15), ["chlorothalonil"])], stages=POTATO, harvest=date(2026, 9, 20)
    )
    entry = row(account, "late-blight")
    assert entry["growth"]["bare"] == [{"from": "2026-06-16", "to": "2026-06-21", "sure": True, "passes": [1]}]
    assert entry["growth"]["bare_days"] == 6 and entry["growth"]["days_not_known"] == 0
    assert [run["new_leaves"] for run in entry["days"] if run["modes"]] == [0]
    assert cover.bare_on_new_leaves(account, account.targets[0]) == [
        cover.Bare(date(2026, 6, 16).toordinal(), date(2026, 6, 21).toordinal(), True, (1,))
    ]


def test_after_row_closure_they_are_bare_if_any_unfold() -> None:
    account = season_of(
        "potato", "late-blight", [(date(2026, 7, 10), ["chlorothalonil"])], stages=POTATO, harvest=date(2026, 9, 20)
    )
    growth = row(account, "late-blight")["growth"]
    assert [(one["from"], one["sure"]) for one in growth["bare"]] == [("2026-07-11", False)]
    assert (growth["bare_days"], growth["bare_days_if_leaves_unfold"]) == (0, 6)


def test_a_second_pass_meets_the_leaves_of_its_day() -> None:
    passes = [(date(2026, 6, 15), ["chlorothalonil"]), (date(2026, 6, 20), ["mancozeb"])]
    growth = row(season_of("potato", "late-blight", passes, stages=POTATO, harvest=date(2026, 9, 20)), "late-blight")[
        "growth"
    ]
    assert [(one["from"], one["to"], one["passes"]) for one in growth["bare"]] == [
        ("2026-06-16", "2026-06-19", [1]),
        ("2026-06-21", "2026-06-21", [1, 2]),
        ("2026-06-22", "2026-06-26", [2]),
    ]


def test_an_active_that_moves_up_and_down_protects_leaves_to_come() -> None:
    # phosphonates on downy mildew of vine: rated by group in the catalogue, 7 to 14 days (recalled)
    stages = {"BBCH53": date(2026, 5, 20), "BBCH60": date(2026, 6, 8)}
    account = season_of("grapevine", "downy-mildew", [(date(2026, 6, 1), ["phosphorous acid"])], stages=stages)
    entry = row(account, "downy-mildew")
    covered = [run for run in entry["days"] if run["modes"]]
    assert covered and [run["new_leaves"] for run in covered] == [1] and entry["growth"]["bare"] == []


def test_no_new_growth_after_the_flag_leaf() -> None:
    # wheat unfolds no leaf after Z39: a contact active at Z45 protects every leaf there is
    stages = {"Z31": date(2026, 4, 10), "Z39": date(2026, 5, 19)}
    late = season_of("wheat", "septoria-tritici-blotch", [(date(2026, 5, 25), ["chlorothalonil"])], stages=stages)
    early = season_of("wheat", "septoria-tritici-blotch", [(date(2026, 5, 1), ["chlorothalonil"])], stages=stages)
    for account, expected in ((late, None), (early, 0)):
        entry = row(account, "septoria-tritici-blotch")
        (use,) = entry["uses"]
        runs = [run for run in entry["days"] if run["from"] == use["from"]]
        assert runs and [run["new_leaves"] for run in runs] == [
            run["modes"] if expected is None else expected for run in runs
        ]


def test_estimated_stages_count_at_the_careful_end_of_their_spread() -> None:
    stages = {"Z31": date(2026, 4, 10)}
    account = season_of("wheat", "septoria-tritici-blotch", [(date(2026, 5, 25), ["chlorothalonil"])], stages=stages)
    flag = account.season.stages["Z39"]
    assert flag.estimated and flag.earliest < flag.date < flag.latest
    assert leaves.growth(account).none_after == flag.latest.toordinal()


def test_without_dates_new_growth_is_not_known() -> None:
    account = season_of("wheat", "septoria-tritici-blotch", [(date(2026, 5, 25), ["chlorothalonil"])])
    found = leaves.growth(account)
    assert found.after(date(2026, 5, 25).toordinal()) is None and found.stages == ("Z37", "Z39")


# --- rates under the label ----------------------------------------------------------------------


def cut_to(share: float, day: date = date(2026, 7, 18)) -> Programme:
    whole = programme([(day, ["Demo Hornbeam 480 SC"])])
    item = msgspec.structs.replace(whole.passes[0].tank[0], rate=(whole.passes[0].tank[0].rate or 0) * share)
    return msgspec.structs.replace(whole, passes=(msgspec.structs.replace(whole.passes[0], tank=(item,)),))


def test_a_cut_rate_is_never_full_cover() -> None:
    # labels and tables give days for label rates only (our reading): not known to the end of full cover, bare after
    full, cut = (Account(cut_to(share), catalogue()) for share in (1.0, 0.5))
    whole, less = (per_day(row(account, "frogeye-leaf-spot")) for account in (full, cut))
    assert [day for day, modes in whole.items() if modes] == [day for day, modes in less.items() if modes is None]
    assert [day for day, modes in whole.items() if modes == 0] == [day for day, modes in less.items() if modes == 0]
    (use,) = row(cut, "frogeye-leaf-spot")["uses"]
    assert use["to"] is None and use["to_at_most"] == row(full, "frogeye-leaf-spot")["uses"][0]["to"]
    assert "50% of the label's least rate" in use["rests_on"]


def test_the_label_s_least_rate_is_no_cut() -> None:
    assert not Account(cut_to(1.0), catalogue()).passes[0].uses[0].cut
    assert Account(cut_to(0.999), catalogue()).passes[0].uses[0].cut


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
                open_ |= (days >= state.time.day) & (days < (end or 10**7))  # none published: open to the end
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


def counted_on_new_leaves(account: Account, target: Any) -> np.ndarray:
    """Modes on the leaf that unfolded last, day by day, leaf by leaf: which passes met it, which actives reach it."""
    window, until = target.window, leaves.growth(account)
    found = []
    for day in range(window.first, window.last + 1):
        sure: set[str] = set()
        open_ = False
        for state in account.passes:
            if state.time.day is None or state.time.day > day or account.works(state, target) is False:
                continue
            # the youngest leaf has unfolded today, or as late as leaves unfold; was it there on the day of the pass?
            met = state.time.day == day or (until.none_after is not None and state.time.day >= until.none_after)
            for use in state.uses:
                value, end = account.effect(use, target).value, account.cover_end(use, state, target)
                if value is False or (end is not None and day >= end):
                    continue
                reach = True if met else leaves.reached(use.active)
                if reach is False:
                    continue
                if value and reach and end is not None:
                    sure.add(next((key for key in sure if account.joined(key, use.group, "mixing")), use.group))
                else:
                    open_ = True
        found.append(-1 if open_ and not sure else len(sure))
    return np.array(found)


@settings(max_examples=40, deadline=None)
@given(seasons)
def test_new_leaves_are_the_plain_count_and_never_better_off_than_old_ones(
    season: list[tuple[date, list[str]]],
) -> None:
    account = Account(programme(season), catalogue())
    for target in account.targets:
        entry = row(account, target.id)
        old, young = per_day(entry), per_day(entry["growth"])
        assert [-1 if modes is None else modes for modes in young.values()] == counted_on_new_leaves(
            account, target
        ).tolist()
        for day, modes in young.items():
            treated = old[day]
            assert modes is None or treated is None or modes <= treated
        bare = {
            day
            for one in entry["growth"]["bare"]
            for day in old
            if date.fromisoformat(one["from"]) <= day <= date.fromisoformat(one["to"])
        }
        assert bare == {day for day, modes in young.items() if modes == 0 and old[day]}


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


def blight(harvest: date | None) -> Programme:
    """Potato against late blight, three passes; its window ends 14 days before lifting (catalogue, read)."""
    field_ = Field(
        crop="potato",
        sown=date(2026, 4, 18),
        harvest=harvest,
        targets=(FieldTarget(target="late-blight", pressure="high"),),
    )
    passes = tuple(
        Pass(number=at, date=day, tank=(TankItem(active="fluazinam", dose=200.0),))
        for at, day in enumerate((date(2026, 6, 10), date(2026, 7, 20), date(2026, 8, 20)), 1)
    )
    return Programme(field=field_, passes=passes)


def test_a_window_without_a_dated_end_is_told_as_far_as_anything_dates_it() -> None:
    """Days after the last dated stage count where a pass covers them and are not known, never bare, where none does."""
    account = Account(blight(None), catalogue())
    (row,) = cover.rows(account)
    (target,) = account.targets
    assert target.window is not None and target.window.last is None
    sure_to = account.season.stages["BBCH91"].date
    assert target.window.through == sure_to.toordinal()
    assert row["not_dated"] == "nothing dates BBCH95; give its date or the harvest date"
    assert row["window"][1] > "2026-08-20"  # the third pass stands in it
    after = [run for run in row["days"] if run["to"] > sure_to.isoformat()]
    assert [run["modes"] for run in after] == [None, 1]
    assert row["bare_days"] == sum(
        (date.fromisoformat(run["to"]) - date.fromisoformat(run["from"])).days + 1
        for run in row["days"]
        if run["modes"] == 0
    )
    (dated,) = cover.rows(Account(blight(date(2026, 9, 20)), catalogue()))
    assert "not_dated" not in dated and dated["window"][1] <= "2026-09-06"
    assert None not in [run["modes"] for run in dated["days"]]
