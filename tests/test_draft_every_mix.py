"""The front over every tank mix that the labels allow, held against the audit of every plan, and the bounds and pair
tables that let the scan leave so much unlooked at, held against whole programmes.

Shops are made so that reduction bites: several invented products of the same groups with tight label limits and stock.
What is checked against: the rulebook's audit of every plan (nothing reduced), and the index that an audit gives.
"""

from __future__ import annotations

import itertools
import json
import random
from functools import cache
from typing import Any

import numpy as np
import pytest
from seasons import field_of, space_of

from planner.catalogue import Catalogue, load
from planner.draft import every
from planner.draft.front import draft
from planner.draft.options import SELECTION, Space
from planner.draft.result import Draft
from planner.draft.scan import Archive, Scan
from planner.draft.solve import Answer, Search
from planner.model import CropLabel, Product
from planner.render import draft as render

pytest.importorskip("ortools")

MOST_PLANS = 600  # of one season; each is audited
SEASONS = 32
Point = tuple[int, int, int]


@cache
def catalogue() -> Catalogue:
    return load()


def alike_shop(rng: random.Random, field: Any, count: int) -> tuple[Product, ...]:
    """Products of two groups, a few actives in each, that differ in price, limits and what is on hand."""
    by_group: dict[str, list[str]] = {}
    for active in catalogue().actives.values():
        if active.kind == "fungicide" and active.group in ("FRAC 3", "FRAC 7", "FRAC 11", "FRAC M05"):
            by_group.setdefault(active.group, []).append(active.name)
    groups = rng.sample(sorted(by_group), 2)
    pool = {group: rng.sample(sorted(by_group[group]), min(2, len(by_group[group]))) for group in groups}
    found = []
    for number in range(count):
        actives = [rng.choice(pool[groups[number % 2]])]
        if rng.random() < 0.15:
            actives.append(rng.choice(pool[groups[1 - number % 2]]))
        rating = rng.choice(("good", "good", "very good"))
        label = CropLabel(
            rate_least=0.5,
            rate_most=1.0,
            applications=rng.choice((1, 1, 2, None)),
            active_total={actives[0]: rng.choice((100.0, 150.0, 250.0))} if rng.random() < 0.6 else {},
            interval=rng.choice((None, 7, 14, 21)),
            consecutive=rng.choice((None, 1, 2)),
            protection=rng.choice((7.0, 10.0, 14.0)),
            targets={entry.target: rating for entry in field.targets or ()},
        )
        found.append(
            Product(
                name=f"Demo Alike {number}",
                actives=dict.fromkeys(actives, 100.0),
                price=float(rng.randint(5, 40)),
                on_hand=rng.choice((None, None, 5.0, 10.0)),
                labels={field.crop: label},
                demo=True,
            )
        )
    return tuple(found)


def biting(seed: int) -> Space:
    """A season of 2 to 4 dates whose shop holds much that is alike."""
    rng = random.Random(9000 + seed)
    field = field_of(rng, catalogue(), targets=2)
    dates = rng.choice((2, 2, 3, 3, 4))
    shop = alike_shop(rng, field, {2: 8, 3: 5, 4: 4}[dates])
    probe = Space(field, shop[:1], catalogue())
    windows = [target.window for target in probe.account.targets if target.window is not None]
    first = min(window.first for window in windows if window.first is not None)
    last = max(window.last for window in windows if window.last is not None)
    days = list(range(first, last + 1, rng.randint(6, 12)))[:dates] or [first]
    return Space(field, shop, catalogue(), slots=days, most_in_tank=2)


@cache
def seasons() -> list[tuple[int, Space, Space]]:
    """Seasons in which the quick look leaves mixes aside, each as it is first scanned and whole."""
    found = []
    for seed in range(400):
        few = biting(seed)
        whole = few.whole()
        plans = 1
        for columns in whole.by_slot:
            plans *= len(columns) + 1
        if len(few.columns) < len(whole.columns) and plans <= MOST_PLANS:
            found.append((seed, few, whole))
        if len(found) == SEASONS:
            return found
    raise AssertionError(f"only {len(found)} seasons in which reduction bites")


@cache
def sound(seed: int) -> tuple[Answer, ...]:
    """Every plan of every mix that the audit finds clean, with its figures."""
    whole = next(one for number, _, one in seasons() if number == seed)
    search = Search(whole)
    choices = [[None, *columns] for columns in whole.by_slot]
    plans = (tuple(c for c in plan if c is not None) for plan in itertools.product(*choices))
    return tuple(search.answer(plan, True) for plan in plans if not whole.breaches(plan))


def unbeaten(points: set[Point]) -> set[Point]:
    return {
        one
        for one in points
        if not any(other != one and all(a <= b for a, b in zip(other, one, strict=True)) for other in points)
    }


@pytest.mark.parametrize("part", range(4))
def test_front_is_the_exhaustive_front_over_every_mix(part: int) -> None:
    for seed, few, whole in seasons()[part::4]:
        found = draft(few)
        steps = found.resolution.of
        assert found.complete and found.over_all and found.proven, seed
        assert found.weighed == found.allowed == len(whole.columns), seed
        exact = unbeaten({steps(a.point) for a in sound(seed)})
        assert {steps(answer.point) for answer in found.points} == exact, seed
        for answer in found.points:
            # what is shown is a programme of the season that the answer holds, with these very figures
            assert not found.space.breaches(answer.columns), seed
            assert (answer.cost, answer.bare) == (
                found.space.money(answer.columns)[0],
                found.space.bare(answer.columns),
            )
            assert answer.selection == found.space.index(answer.columns)


def test_named_programmes_are_the_best_of_every_mix() -> None:
    for seed, few, _ in seasons()[::2]:
        found = draft(few)
        steps = found.resolution.of
        least = min(a.bare for a in sound(seed))
        assert found.named["best covered"].bare == least, seed
        assert found.most_bare == least + max(0, found.nothing.bare - least) // 2, seed
        useful = [a for a in sound(seed) if a.bare <= found.most_bare]
        assert steps(found.named["cheapest"].point) == min(steps(a.point) for a in useful), seed
        assert steps(found.named["gentlest"].point)[2] == min(steps(a.point)[2] for a in useful), seed


def test_the_quick_look_alone_would_miss_points(monkeypatch: pytest.MonkeyPatch) -> None:
    """Else the test of the whole front could not fail; and what only the mixes weighed give says so."""
    monkeypatch.setattr(every, "MOST_LOOKED_AT", 1)
    monkeypatch.setattr("planner.draft.scan.PARENTS", 1)
    monkeypatch.setattr("planner.draft.scan.GROWN", 1)
    missed = told = 0
    for seed, few, _ in seasons()[::2]:
        found = draft(few)
        if found.over_all:
            continue  # the whole season was looked at before the count was read
        told += 1
        assert found.complete and found.weighed < found.allowed, seed
        exact = unbeaten({found.resolution.of(a.point) for a in sound(seed)})
        missed += {found.resolution.of(a.point) for a in found.points} != exact
    assert told >= 10 and missed >= 2


def test_the_answer_says_what_the_front_is_over(monkeypatch: pytest.MonkeyPatch) -> None:
    few = seasons()[0][1]

    def said() -> tuple[Any, str]:
        found = draft(few)
        answer = Draft(found, {}, [], [])
        return json.loads(render.as_json(Draft(found, _reports(found), [], []))), " ".join(
            render._proof(answer.front, "si")
        )

    data, words = said()
    assert data["front_complete"] and data["front_over"] == "all"
    assert data["passes_weighed"] == data["passes_allowed"]
    assert f"among all {data['passes_allowed']} passes that the labels allow" in words
    monkeypatch.setattr(every, "MOST_LOOKED_AT", -1)
    data, words = said()
    assert data["front_complete"] and data["front_over"] == "weighed"
    assert data["passes_weighed"] < data["passes_allowed"]
    assert f"among the {data['passes_weighed']} of {data['passes_allowed']} passes that were weighed" in words
    monkeypatch.setattr("planner.draft.scan.MOST_LOOKED_AT", -1)
    data, words = said()
    assert not data["front_complete"] and data["front_over"] is None
    assert "there may be more" in words


def _reports(found: Any) -> dict[str, Any]:
    from planner.audit import audit

    return {name: audit(found.space.programme(one.columns), catalogue()) for name, one in found.named.items()}


def test_same_season_same_front() -> None:
    few = seasons()[1][1]
    once, again = ([(a.point, [(c.slot, c.products) for c in a.columns]) for a in draft(few).points] for _ in range(2))
    assert once == again


# --- what the scan leaves unlooked at, against whole programmes -----------------------------------------------------


def longer(seed: int) -> Scan:
    return Scan(Search(space_of(seed, catalogue(), slots=(4, 6), products=5)))


def test_no_end_is_better_than_its_bound() -> None:
    """Any programme, sound or not: cut anywhere, its rest costs no less, covers no more and selects no less than one of
    the ends that start with a pass of its kind. The index is that of ``planner.exposure``."""
    rng = random.Random(12)
    seen = near = 0
    for seed in range(24):
        scan = longer(seed)
        for _ in range(6):
            row = np.array([[rng.randrange(len(slot) + 1) for slot in scan.options]], dtype=np.int64)
            columns = [scan.options[slot][way - 1] for slot, way in enumerate(row[0]) if way]
            index = scan.space.index(columns) / SELECTION
            so_far = sum(scan.doses.stretch(row[:, :slots])[0] for slots in range(1, 3))
            past = np.zeros((1, len(scan.doses.targets)), dtype=np.int64)
            for cut in range(2, len(scan.options)):
                ends = scan.ends.ends[cut]
                looks, _, _ = scan.doses.look(row[:, :cut], past)
                at, bounds = 0, np.full(len(ends.cost), so_far)
                for target, look in zip(scan.doses.targets, looks, strict=True):
                    here = target.columns(cut)
                    part = slice(at + here.start, at + here.stop)
                    bounds += ends.keep[:, part] @ look.days[0, here] + ends.add[:, part] @ look.left[0, here]
                    at += here.stop
                rest = range(cut, len(scan.options))
                cover = np.bitwise_or.reduce([scan.cover[slot][row[0, slot]] for slot in rest])
                pays = sum(int(scan.ends.pays[slot][row[0, slot]]) for slot in rest[1:])
                fits = (
                    (ends.kind == scan.ends.of[cut][row[0, cut]])
                    & (ends.cost <= pays)
                    & ((cover & ~ends.cover[ends.covered]) == 0).all(axis=1)
                    & (bounds <= index + scan.doses.slack + 0.05)
                )
                assert fits.any(), (seed, row, cut)
                near += bool((bounds[fits] > 0.5 * index).any())
                so_far += scan.doses.stretch(row[:, : cut + 1])[0]
                seen += 1
    assert seen > 200 and near > seen // 3  # a bound of nothing would hold as well


def test_no_sound_programme_holds_a_pair_that_clashes() -> None:
    pairs = clashes = 0
    for seed, _, whole in seasons()[:16]:
        scan = Scan(Search(whole))
        tables = {
            (first, second): scan.checker.clashes(first, second)
            for second in range(len(scan.options))
            for first in range(second)
        }
        clashes += sum(int(near.sum()) for near, _ in tables.values())
        place = {c.number: (slot, at) for slot, ways in enumerate(scan.options) for at, c in enumerate(ways, start=1)}
        for answer in sound(seed):
            held = sorted(place[c.number] for c in answer.columns if c.number in place)
            for (first, one), (second, other) in itertools.combinations(held, 2):
                near, ever = tables[first, second]
                between = any(first < slot < second for slot, _ in held)
                assert not (ever if between else near)[one, other], (seed, answer.point)
                pairs += 1
    assert pairs > 300 and clashes > 300


def test_the_index_that_the_scan_carries_along_is_that_of_the_audit(monkeypatch: pytest.MonkeyPatch) -> None:
    """With nothing known to beat anything, every programme reaches the end; actives that act alike are not mixed up."""
    ended: list[tuple[Any, float]] = []

    def leaves(_self: Scan, part: Any) -> None:
        ended.extend(zip(part.choices.tolist(), part.index.tolist(), strict=True))

    monkeypatch.setattr(Scan, "_leaves", leaves)
    monkeypatch.setattr(
        Archive, "beaten", lambda *figures: np.zeros(np.broadcast_shapes(*map(np.shape, figures[1:])), bool)
    )
    monkeypatch.setattr(Archive, "room", lambda _self, bare, _index: np.full(np.shape(bare), 2**60))
    rng = random.Random(6)
    for seed, _, whole in seasons()[::2]:
        scan = Scan(Search(whole))
        ended.clear()
        scan.front()
        assert len(ended) >= len(sound(seed))
        for row, index in rng.sample(ended, min(150, len(ended))):
            columns = [scan.options[slot][way - 1] for slot, way in enumerate(row) if way]
            assert abs(index - whole.index(columns) / SELECTION) <= scan.doses.slack + 0.05, (seed, row)
