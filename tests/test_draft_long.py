"""Seasons of more dates than every programme can be looked at for: their dates, and what CP-SAT finds of their front.

What is checked against: every row of dates of a short stretch; the exact front of small seasons (the scan of every
programme, itself held against every audited plan in ``test_draft``); and, on the shipped potato field, label and
published limits counted here by hand. FRAC's limits for potato: no more than two CAA sprays in a row (working group's
news of 2023), OSBPI never in a row and at most three a season in eleven or more sprays (recommendations of 2024).
"""

from __future__ import annotations

import itertools
import os
import random
from collections import Counter
from datetime import date
from functools import cache
from itertools import pairwise

import interrupted
import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from seasons import space_of

from planner.audit import audit
from planner.catalogue import Catalogue, load
from planner.documents import load_field, load_products
from planner.draft import dates, history, long_season, pass_reasons
from planner.draft.front import PARTS, Front, draft
from planner.draft.options import Space
from planner.draft.solve import Search, Wanted, is_long
from planner.model import Pass, Season, TankItem
from planner.render import draft as render
from planner.render import growth, words

pytest.importorskip("ortools")

FIELD, SHOP = "shared/scenarios/long-furrow.yaml", "shared/scenarios/potato-shop.yaml"


@cache
def catalogue() -> Catalogue:
    return load()


# --- dates ----------------------------------------------------------------------------------------------------------


@given(
    st.integers(1, 60),
    st.integers(5, 8),
    st.integers(0, 7),
    st.lists(st.integers(-3, 70), max_size=5),
    st.lists(st.integers(-10, 70), max_size=3),
)
def test_dates_lie_close_enough_and_keep_away_from_what_is_there(
    last: int, least: int, more: int, wanted: list[int], taken: list[int]
) -> None:
    most = least + more
    found = dates.spread(0, last, least, most, wanted, taken)
    assert found == sorted(set(found)) and all(0 <= day <= last for day in found)
    assert all(abs(day - other) >= least for day in found for other in taken)
    assert all(later - earlier >= least for earlier, later in pairwise(found))
    if not taken:
        assert found[0] == 0 and last - found[-1] < most
        assert all(later - earlier <= most for earlier, later in pairwise(found))


def test_dates_are_nearest_to_the_wanted_days_of_all_rows() -> None:
    """Every row of dates of a stretch is written out; the docstring of ``spread`` says what the best one is."""
    rng = random.Random(6)
    for _ in range(25):
        last, least = rng.randint(12, 24), rng.randint(4, 6)
        most = least + rng.randint(0, 4)
        wanted = sorted(rng.sample(range(last + 1), 3))
        rows = [
            (0, *row)
            for count in range(last // least + 1)
            for row in itertools.combinations(range(1, last + 1), count)
            if all(least <= b - a <= most for a, b in pairwise((0, *row))) and last - (0, *row)[-1] < most
        ]

        def worth(row: tuple[int, ...], wanted: list[int] = wanted) -> int:
            return len(row) - 1 + sum(min(abs(day - one) for one in row) for day in wanted)

        found = dates.spread(0, last, least, most, wanted, ())
        assert tuple(found) in rows
        assert worth(tuple(found)) == min(map(worth, rows))


def _days(field: str, shop: str) -> list[str]:
    space = Space(load_field(field, catalogue()), load_products(shop, catalogue()), catalogue())
    return [date.fromordinal(slot.day).isoformat()[5:] for slot in space.slots]


def test_a_season_that_eight_dates_cover_keeps_its_dates() -> None:
    """Labels of the soybean and wheat shop protect for two weeks, and its dates lie less than that apart."""
    shop = "shared/scenarios/farm-shop.yaml"
    assert _days("shared/scenarios/quarry-bottom.yaml", shop) == (
        ["06-28", "07-06", "07-16", "07-27", "08-06", "08-15", "08-23"]
    )
    assert _days("shared/scenarios/heron-flat.yaml", shop) == (
        ["07-02", "07-10", "07-20", "08-01", "08-12", "08-19", "08-27"]
    )
    assert _days("shared/scenarios/mill-piece.yaml", shop) == (
        ["04-04", "04-14", "04-21", "05-03", "05-12", "05-25", "06-06"]
    )


def test_potato_dates_lie_as_far_apart_as_its_labels_protect() -> None:
    """Seven days by most of the labels, so a pass every week from emergence on; a published stage lies three days from
    one of them at most."""
    space = season()
    days = [slot.day for slot in space.slots]
    assert len(days) == 13 and {later - earlier for earlier, later in pairwise(days)} == {7}
    for target in space.account.targets:
        for code in target.target.best_timing:
            assert min(abs(day - space.season.day(code)[0]) for day in days) <= 3  # type: ignore[operator]
    assert is_long(space)


def test_short_protection_brings_dates_closer_only_where_a_label_lets_passes_follow() -> None:
    field = load_field(FIELD, catalogue())
    for interval, apart in ((5, 5), (7, 7)):
        shop = []
        for one in load_products(SHOP, catalogue()):
            label = msgspec.structs.replace(one.labels["potato"], protection=5.0, interval=interval)
            shop.append(msgspec.structs.replace(one, labels={"potato": label}))
        gaps = {b.day - a.day for a, b in pairwise(Space(field, shop[:2], catalogue()).slots)}
        assert gaps == {apart}


def test_what_is_left_of_a_season_is_laid_as_close() -> None:
    """With six passes made, eight dates would do, and they still lie a week apart after the last of them."""
    tank = (TankItem(product="Demo Harebell 75 DF", rate=2.0, unit="kg/ha"),)
    made = [Pass(number=at + 1, date=date(2026, 6, 3 + 9 * at), tank=tank) for at in range(3)]
    space = Space(load_field(FIELD, catalogue()), load_products(SHOP, catalogue()), catalogue(), keep=made)
    new = [slot.day for slot in space.slots if not slot.kept]
    assert {later - earlier for earlier, later in pairwise([date(2026, 6, 21).toordinal(), *new])} == {7}


# --- the search -----------------------------------------------------------------------------------------------------


def test_a_season_is_long_by_its_dates_alone() -> None:
    for count, told in ((8, False), (9, True)):
        one_each = [columns[0] for columns in season().by_slot[:count]]
        assert is_long(season().part(one_each)) is told


def test_small_seasons_by_the_search_of_long_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    """Set against the exact front: cheapest and best covered are the same, nothing beats the exact front, what is told
    as proven is, and every programme is sound."""
    same = 0
    for seed in range(0, 24, 2):
        space = space_of(seed, catalogue(), slots=(3, 4), products=4)
        exact = draft(space)
        with monkeypatch.context() as patch:
            patch.setattr("planner.draft.solve.MOST_SCANNED", 0)
            patch.setattr("planner.draft.front.LONG_PARTS", PARTS)  # as much may be left bare as in a short season
            found = draft(space)
            again = draft(space)
        if not found.long:
            continue  # no date has anything to choose
        assert exact.complete and not found.complete and not found.stopped
        steps = exact.resolution.of
        for name, order in (("cheapest", (0, 1)), ("best covered", (1, 0))):
            one, other = (steps(front.named[name].point) for front in (found, exact))
            assert [one[at] for at in order] == [other[at] for at in order], (seed, name)
            assert found.named[name].proven
        if found.named["gentlest"].proven:
            assert steps(found.named["gentlest"].point)[2::-1] == steps(exact.named["gentlest"].point)[2::-1], seed
        points = [steps(answer.point) for answer in exact.points]
        for answer in (*found.points, *found.named.values()):
            assert not space.breaches(answer.columns)
            assert any(all(a <= b for a, b in zip(one, steps(answer.point), strict=True)) for one in points), seed
        shown = [(name, answer.point, [c.number for c in answer.columns]) for name, answer in found.named.items()]
        assert shown == [(name, a.point, [c.number for c in a.columns]) for name, a in again.named.items()]
        same += len({steps(answer.point) for answer in found.points} & set(points))
    assert same > 30


def test_caps_and_wishes_last_as_long_as_their_block() -> None:
    space = space_of(3, catalogue(), slots=(4, 4), products=5)
    search = Search(space)
    free = search.best(("bare", "cost"))
    assert free is not None and free.cost
    with search.within(cost=free.cost // 2):
        cheap = search.best(("bare", "cost"))
    assert cheap is not None and cheap.cost <= free.cost // 2 and cheap.bare >= free.bare
    rest = [column for column in space.columns if column not in free.columns and not column.barred]
    with search.holding(rest[:1], {free.columns[0].number}):
        other = search.best(("bare", "cost"))
    assert other is not None and rest[0] in other.columns and free.columns[0] not in other.columns
    after = search.best(("bare", "cost"))
    assert after is not None and after.point == free.point


def test_last_season_is_counted_as_it_is_laid_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Both forms of the same wish: a programme of two passes that is not last season's, whatever that was."""
    space = space_of(8, catalogue(), slots=(4, 4), products=4)
    for column in space.columns:
        groups = tuple(sorted(column.uses.by_group))
        if not groups:
            continue
        last = Season(season="2025", crop=space.field.crop, groups=(groups, groups))
        space.account.field = msgspec.structs.replace(space.field, history=(last,))
        for strict in (0, 1):
            told = []
            for most in (100, 0):
                monkeypatch.setattr("planner.draft.history.MOST_WAYS", most)
                search = Search(space, Wanted(passes=(2, 2), strict=strict))
                assert history.last_sequence(search.compiler) == [list(groups)] * 2
                best = search.best(("cautions", "cost"))
                told.append(None if best is None else (best.cautions, best.cost))
            assert told[0] == told[1], (groups, strict)


# --- the shipped potato field ---------------------------------------------------------------------------------------


@cache
def season() -> Space:
    return Space(load_field(FIELD, catalogue()), load_products(SHOP, catalogue()), catalogue())


@cache
def potatoes() -> Front:
    return draft(season(), seconds=600.0)


def test_potato_drafts_are_sound_by_the_engine_and_by_hand() -> None:
    found = potatoes()
    space = found.space
    assert found.long and not found.stopped and not found.complete and found.strict
    assert {name for name, one in found.named.items() if one.proven} >= {"cheapest", "best covered"}
    for answer in (*found.named.values(), *found.points):
        assert not [
            one for one in audit(space.programme(answer.columns), catalogue()).findings if one.severity == "breach"
        ]
        days: dict[str, list[int]] = {}
        grams: Counter[str] = Counter()
        for column in answer.columns:
            for item in column.entry.tank:
                product = next(one for one in space.products if one.name == item.product)
                days.setdefault(product.name, []).append(space.slots[column.slot].day)
                for active, content in product.actives.items():
                    grams[active] += (item.rate or 0.0) * content
        for product in space.products:
            label, used = product.labels["potato"], sorted(days.get(product.name, []))
            assert label.applications is not None and label.interval is not None and label.harvest_interval is not None
            assert len(used) <= label.applications
            assert all(later - earlier >= label.interval for earlier, later in pairwise(used))
            assert all(space.field.harvest.toordinal() - day >= label.harvest_interval for day in used)  # type: ignore[union-attr]
            assert all(grams[active] <= most + 0.001 for active, most in label.active_total.items())
        codes = [set(column.uses.codes) for column in answer.columns]
        assert not any(all("40" in one for one in codes[at : at + 3]) for at in range(len(codes) - 2))
        assert not any("49" in one and "49" in other for one, other in pairwise(codes))
        assert sum("49" in one for one in codes) <= 3


def test_potatoes_can_be_covered_all_season_and_the_balanced_programme_begins_in_time() -> None:
    """Common practice, no source: cover from emergence on, two modes on late blight, none at risk twice in a row."""
    found = potatoes()
    best = found.named["best covered"]
    assert best.bare == 0 and len(best.columns) >= 12
    balanced = found.named["balanced"]
    report = audit(found.space.programme(balanced.columns), catalogue())
    assert not [one for one in report.findings if one.rule in ("ROT01", "ROT02") and one.severity != "advice"]
    blight = found.space.account.targets[0]
    assert blight.id == "late-blight" and blight.window is not None and blight.window.first is not None
    assert found.space.slots[balanced.columns[0].slot].day <= blight.window.first
    assert len({group for column in balanced.columns for group in column.uses.by_group}) >= 2


def test_no_tank_stands_aside_that_covers_more_than_two_of_its_products() -> None:
    space = season()
    less, aside = long_season.thinned(space)
    kept = {column.number for column in less.columns}
    gone = [column for column in space.columns if column.number not in kept]
    assert aside == len(gone) and all(len(column.products) == 3 for column in gone)
    tanks = {(column.slot, frozenset(column.products)): column for column in less.columns}
    for column in random.Random(2).sample(gone, 40):
        pairs = [tanks.get((column.slot, frozenset(two))) for two in itertools.combinations(column.products, 2)]
        spans = {target: _covered(column.spans[target]) for target in column.spans}
        assert any(
            pair is not None and all(spans[target] <= _covered(pair.spans.get(target, ())) for target in spans)
            for pair in pairs
        )


def _covered(spans: tuple[tuple[int, int], ...]) -> set[int]:
    return {day for first, last in spans for day in range(first, last + 1)}


@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_ctrl_c_in_a_long_season_gives_the_best_so_far() -> None:
    """While the solver runs as well: it is asked to stop at once."""
    out = interrupted.answer(["draft", FIELD, "--products", SHOP], "programmes that none beats", 0.3, within=30.0)
    assert "not proven" in out and "balanced" in out and "why not" not in out


# --- in words -------------------------------------------------------------------------------------------------------


def test_what_is_proven_of_a_long_season_is_said() -> None:
    first, second = render._proof(potatoes(), "metric")
    assert "proven best of their kind: cheapest and best covered" in first
    assert "tanks of three products" in first and "by the sum of what each pass selects by itself" in first
    assert "With 13 dates" in second and "Not the whole front" in second


def test_many_passes_are_told_in_few_words() -> None:
    best = potatoes().named["best covered"]
    said = render._shorter(best, potatoes().space)
    assert said.startswith(f"{len(best.columns)} from 3 June to 26 August: ") and len(said) < 120
    told = said.partition(": ")[2].split(", ")
    assert sum(int(one.partition(" x ")[0]) if " x " in one else 1 for one in told) == len(best.columns)
    plain = pass_reasons.of(potatoes().space, best)
    brief = pass_reasons.of(potatoes().space, best, brief=True)
    assert [one.bare_without for one in plain] == [one.bare_without for one in brief]
    assert sum(len(one.now) for one in brief) < sum(len(one.now) for one in plain)
    assert any("late blight and early blight" in line for one in brief for line in one.now)


def test_many_stretches_of_bare_leaves_are_added_up() -> None:
    stretches = [
        {"from": f"2026-07-{at:02}", "to": f"2026-07-{at + 2:02}", "passes": [at], "sure": at < 7}
        for at in range(1, 26, 3)
    ]
    said = growth.bare(stretches)
    assert said == (
        "new leaves are bare on 27 days between 1 July and 27 July (after passes 1, 4, 7, 10, 13, 16, 19, 22 and 25, "
        "from 7 July on if any unfold then)"
    )
    assert growth.bare(stretches[:2]).count("from") == 2


def test_passes_in_a_row_are_told_by_the_first_and_the_last() -> None:
    assert words.passes([1, 2, 3]) == "passes 1, 2 and 3"
    assert words.passes([1, 2, 3, 4, 7, 8]) == "passes 1 to 4, 7 and 8"


def test_stages_of_dates_come_in_the_order_of_the_leaves() -> None:
    """Tubers begin (BBCH40) while the rows still close (BBCH35): a date is named by the leaves."""
    near = [slot.near.lstrip("~") for slot in season().slots]
    codes = [int(code.removeprefix("BBCH")) for code in near if code]
    assert codes == sorted(codes) and not any(40 <= code < 50 for code in codes)
