"""The drafter against exhaustive audits, a second solver and the shipped scenario.

What is checked against: every plan of a small season audited by the rulebook; clingo (an answer-set solver of another
family than CP-SAT) for larger ones where it is installed; the planner's own cover and account for the figures.
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Iterator
from dataclasses import replace
from functools import cache, lru_cache

import numpy as np
import pytest
from seasons import space_of

from planner.audit import audit
from planner.catalogue import Catalogue, load
from planner.draft.check import Checker
from planner.draft.compile import Compiler
from planner.draft.conflict import clash
from planner.draft.front import Front, balanced, draft
from planner.draft.options import MONEY, SELECTION, Column, Space
from planner.draft.scan import Resolution, Scan
from planner.draft.solve import Answer, Search, Wanted

pytest.importorskip("ortools")

SMALL = 100


@lru_cache(maxsize=1)
def catalogue() -> Catalogue:
    return load()


def plans(space: Space) -> Iterator[tuple[Column, ...]]:
    """Every programme that the columns allow, rules aside."""
    choices = [[None, *[column for column in columns if not column.kept]] for columns in space.by_slot]
    for plan in itertools.product(*choices):
        yield tuple(column for column in plan if column is not None)


@cache
def small(seed: int) -> Space:
    slots, products = ((2, 3), 3) if seed % 4 else ((4, 4), 2)
    return space_of(seed, catalogue(), slots=slots, products=products)


@cache
def clean(seed: int) -> tuple[Answer, ...]:
    """All sound plans of a small season with their figures, by the audit of every plan."""
    space = small(seed)
    search = Search(space)
    return tuple(search.answer(plan, True) for plan in plans(space) if not space.breaches(plan))


@pytest.mark.parametrize("decade", range(SMALL // 10))
def test_optimum_is_the_best_of_all_audited_plans(decade: int) -> None:
    for seed in range(decade * 10, decade * 10 + 10):
        space, sound = small(seed), clean(seed)
        search = Search(space)
        found = search.best(("bare", "cost", "selection"))
        assert found is not None and found.proven, seed
        assert (found.bare, found.cost) == min((a.bare, a.cost) for a in sound), seed
        two = [a.cost for a in sound if len(a.columns) >= 2]
        cheapest = Search(space, Wanted(passes=(2, 9))).best(("cost",))
        assert (cheapest.cost if cheapest else None) == (min(two) if two else None), seed


def test_no_sound_plan_is_forbidden() -> None:
    from ortools.sat.python import cp_model

    rng = random.Random(3)
    for seed in range(0, SMALL, 2):
        space, sound = small(seed), clean(seed)
        compiled = Compiler(space).build()
        for plan in rng.sample(sound, min(8, len(sound))):
            model = compiled.model.clone()
            numbers = {column.number for column in plan.columns}
            for number, literal in compiled.x.items():
                model.add(model.get_bool_var_from_proto_index(literal.index) == int(number in numbers))
            solver = cp_model.CpSolver()
            solver.parameters.num_workers = 1
            assert solver.solve(model) in (cp_model.OPTIMAL, cp_model.FEASIBLE), (seed, numbers)


@pytest.mark.parametrize("resolution", [Resolution(), Resolution(MONEY // 10, 1, 1)], ids=["shown", "finer"])
def test_front_is_the_exhaustive_front(resolution: Resolution) -> None:
    """Money, bare days and the whole programme's index of every audited plan, at the front's own steps and finer."""
    for seed in range(1, 80, 2):
        points = {resolution.of(a.point) for a in clean(seed)}
        exact = {
            one
            for one in points
            if not any(other != one and all(a <= b for a, b in zip(other, one, strict=True)) for other in points)
        }
        found = draft(small(seed), resolution=resolution)
        assert found.complete, seed
        assert {resolution.of(answer.point) for answer in found.points} == exact, seed


def test_named_programmes_are_the_best_of_all_audited_plans() -> None:
    for seed in range(0, 80, 2):
        sound = clean(seed)
        found = draft(small(seed))
        steps = found.resolution.of
        useful = [a for a in sound if a.bare <= found.most_bare]
        best, cheapest, gentlest = (found.named[name] for name in ("best covered", "cheapest", "gentlest"))
        assert steps(best.point)[1::-1] == min(steps(a.point)[1::-1] for a in sound), seed
        assert steps(cheapest.point) == min(steps(a.point) for a in useful), seed
        order = [(steps(a.point)[2], *steps(a.point)[1::-1]) for a in (gentlest, *useful)]
        assert order[0] == min(order), seed
        assert found.proven
        if not found.strict:
            worth = balanced(found)
            at = [int(worth(a.cost, a.bare, a.selection, a.cautions)) for a in (found.named["balanced"], *useful)]
            assert at[0] == min(at), seed


def test_front_holds_what_cp_sat_proves_best_on_larger_seasons() -> None:
    """The two searches share the rules and nothing else: least money under a cap on bare days, least bare days under a
    cap on money, at caps along the front."""
    rng = random.Random(8)
    for seed in range(8):
        space = space_of(seed, catalogue(), slots=(5, 7), products=5, reduce=True)
        found = draft(space)
        assert found.complete, seed
        steps = found.resolution.of
        points = [steps(a.point) for a in found.points]
        for cost, bare, _ in rng.sample(points, min(4, len(points))):
            search = Search(space, Wanted(most_bare=bare))
            cheapest = search.best(("cost",))
            assert cheapest is not None and steps(cheapest.point)[0] == min(p[0] for p in points if p[1] <= bare), seed
            search = Search(space, Wanted(budget=cost * found.resolution.cost / MONEY))
            covered = search.best(("bare",))
            assert covered is not None and covered.bare == min(p[1] for p in points if p[0] <= cost), seed


def test_a_scan_that_gives_up_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """What CP-SAT proves stays proven, the rest is told as not proven, and every programme is sound all the same."""
    monkeypatch.setattr("planner.draft.scan.MOST_LOOKED_AT", 0)
    space = space_of(3, catalogue(), slots=(4, 4), products=5)
    found = draft(space)
    assert not found.complete and not found.proven and not found.stopped
    assert set(found.named) == {"cheapest", "best covered", "gentlest", "balanced"}
    assert found.named["cheapest"].proven and not found.named["gentlest"].proven
    for answer in (*found.named.values(), *found.points):
        assert not space.breaches(answer.columns)


@pytest.mark.parametrize("at", ["every programme", "balanced"])
def test_an_interrupted_draft_gives_the_best_so_far(at: str) -> None:
    def told(line: str) -> None:
        if at in line:
            raise KeyboardInterrupt

    space = space_of(3, catalogue(), slots=(4, 4), products=5)
    found = draft(space, told=told)
    assert found.stopped and not found.proven
    assert set(found.named) == {"cheapest", "best covered", "gentlest", "balanced"}
    assert not any(space.breaches(answer.columns) for answer in found.named.values())


def test_rules_over_many_programmes_are_those_of_the_audit() -> None:
    """The numpy form of the rules lets through just the plans that the audit finds clean, where the model is whole."""
    seen = 0
    for seed in range(0, SMALL, 3):
        space = small(seed)
        search = Search(space)
        options = [[c.number for c in slot if c.number in search.compiled.x] for slot in space.by_slot]
        checker = Checker(search.compiler, options, [c.number for c in space.columns if c.slot < 0])
        every = np.array(list(itertools.product(*[range(len(slot) + 1) for slot in options])), dtype=np.int64)
        fine = np.ones(len(every), dtype=bool)
        for slots in range(1, len(options) + 1):
            fine &= checker.sound(every[:, :slots])
        sound = {tuple(c.number for c in a.columns) for a in clean(seed)}
        for row, told in zip(every, fine, strict=True):
            numbers = tuple(options[slot][way - 1] for slot, way in enumerate(row) if way)
            if search.compiled.complete:
                assert bool(told) == (numbers in sound), (seed, numbers)
            else:
                assert told or numbers not in sound, (seed, numbers)
        seen += len(every)
    assert seen > 1000


def test_index_of_many_programmes_is_that_of_the_audit() -> None:
    """The quadrature over slots beside the closed sweep of ``planner.exposure`` and the index in the audit."""
    rng = random.Random(4)
    for seed in range(0, 40, 2):
        space = small(seed)
        scan = Scan(Search(space))
        plans_ = [plan for plan in itertools.product(*[range(len(slot) + 1) for slot in scan.options]) if any(plan)]
        if not plans_:
            continue
        chosen = np.array(rng.sample(plans_, min(12, len(plans_))), dtype=np.int64)
        got = sum(scan.doses.stretch(chosen[:, :slots]) for slots in range(1, chosen.shape[1] + 1))
        for row, value in zip(chosen, got, strict=True):  # type: ignore[call-overload]
            columns = [scan.options[slot][way - 1] for slot, way in enumerate(row) if way]
            report = audit(space.programme(columns), catalogue())
            told = sum(one["selection_days"] for one in report.selection)
            assert abs(value - told) <= scan.doses.slack, (seed, row)
            assert space.index(columns) == round(told * SELECTION)


def test_the_whole_index_is_no_more_than_that_of_its_passes() -> None:
    """By ``planner.selection`` (1 - product <= sum): what CP-SAT minimises bounds the index from above."""
    for seed in range(0, SMALL, 2):
        for answer in clean(seed):
            groups = {use.group for c in answer.columns for use in c.uses.uses}
            account = small(seed).account
            if any(a != b and account.joined(a, b, "succession") for a in groups for b in groups):
                continue  # groups that share resistance are each counted with what the other adds
            assert answer.selection <= sum(c.selection for c in answer.columns) + len(answer.columns), seed


def test_mixes_that_stand_aside_at_first_are_not_lost() -> None:
    """The front is the same whether the draft begins with few mixes or with all of them."""
    told = 0
    for seed in range(40):
        whole = space_of(seed, catalogue(), slots=(2, 3), products=8, reduce=False)
        less = space_of(seed, catalogue(), slots=(2, 3), products=8, reduce=True)
        if len(less.columns) == len(whole.columns):
            continue
        told += 1
        every, some = ({found.resolution.of(a.point) for a in found.points} for found in (draft(whole), draft(less)))
        assert every == some, seed
    assert told >= 4


def test_the_view_audits_as_the_programme_does() -> None:
    """The drafter's quick look and the full audit by the default back end find the same breaches."""
    rng = random.Random(5)
    for seed in range(0, 40, 2):
        space = small(seed)
        every = [plan for plan in plans(space) if plan]
        for plan in rng.sample(every, min(4, len(every))):
            quick = sorted(one.rule for one in space.breaches(plan))
            full = audit(space.programme(plan), catalogue())
            assert quick == sorted(one.rule for one in full.findings if one.severity == "breach"), (seed, plan)


def test_figures_of_the_model_are_those_of_the_programme() -> None:
    for seed in range(0, 40, 3):
        search = Search(small(seed))
        found = search.best(("bare", "cost"))
        assert found is not None
        search.compiled.model.add(search.compiled.bare <= found.bare - 1)
        assert search.best(("cost",)) is None
        assert found.cost == small(seed).money(found.columns)[0]


def test_same_input_same_programmes() -> None:
    def once() -> list[object]:
        space = space_of(8, catalogue(), slots=(3, 4), products=4, reduce=True)
        found = draft(space)
        return [(name, a.point, [c.number for c in a.columns]) for name, a in found.named.items()]

    assert once() == once()


def test_too_many_passes_names_the_rules_that_clash() -> None:
    told = 0
    for seed in range(0, 60, 4):
        space = small(seed)
        wanted = Wanted(passes=(4, 4))
        if Search(space, wanted).best(("cost",)) is not None or not space.columns:
            continue
        tags = list(clash(space, wanted).tags)
        assert tags, seed
        assert any(tag.rule == "--passes" for tag in tags), seed
        told += 1
        # smallest: with any one of them left out a programme exists
        search = Search(space, wanted, soft=True)
        literals = search.compiler.literals
        for one in tags:
            search.compiled.model.clear_assumptions()
            search.compiled.model.add_assumptions([literals[tag] for tag in tags if tag != one])
            assert search._solve(0)[0] is not None, (seed, one)
        told += 1
    assert told >= 3


def test_stock_on_hand_is_not_paid_again() -> None:
    for seed in range(60):
        space = small(seed)
        stocked = [product for product in space.products if space.on_hand(product)]
        for column in space.columns:
            if len(column.products) == 1 and column.products[0] in {product.name for product in stocked}:
                cost, stock = space.money([column])
                assert stock > 0
                assert abs(cost + stock - column.cost) <= 1
                assert cost / MONEY == pytest.approx(20.0, abs=0.02)  # 10 L on 10 ha: the whole tank is on hand
                return
    pytest.fail("no season with stock")


# --- the shipped scenario -------------------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def scenario() -> object:
    from planner.documents import load_field, load_products

    field = load_field("shared/scenarios/quarry-bottom.yaml", catalogue())
    products = load_products("shared/scenarios/farm-shop.yaml", catalogue())
    space = Space(field, products, catalogue())
    return draft(space)


def test_scenario_drafts_have_no_breach_and_make_sense() -> None:
    found = scenario()
    space = found.space  # type: ignore[attr-defined]
    assert set(found.named) == {"cheapest", "best covered", "gentlest", "balanced"}  # type: ignore[attr-defined]
    for answer in found.named.values():  # type: ignore[attr-defined]
        report = audit(space.programme(answer.columns), catalogue())
        assert not [one for one in report.findings if one.severity == "breach"]
        assert answer.proven
        harvest = space.field.harvest.toordinal()
        for column in answer.columns:
            for name in column.products:
                label = next(p for p in space.products if p.name == name).labels["soybean"]
                assert harvest - space.slots[column.slot].day >= (label.harvest_interval or 0)
                item = next(item for item in column.entry.tank if item.product == name)
                assert label.rate_least <= item.rate <= label.rate_most


def test_scenario_balanced_is_what_a_plant_pathologist_would_sign() -> None:
    """Common practice, no source: two modes on a target at high pressure, no group twice in a row, in time."""
    found = scenario()
    space, answer = found.space, found.named["balanced"]  # type: ignore[attr-defined]
    report = audit(space.programme(answer.columns), catalogue())
    assert found.strict  # type: ignore[attr-defined]
    assert not [one for one in report.findings if one.rule in ("ROT01", "ROT02") and one.severity != "advice"]
    account = space.view(answer.columns)
    for target in account.targets:
        if target.entry.pressure == "high":
            modes = {
                use.group
                for state in account.working(target)
                for use in state.uses
                if account.effect(use, target).value
            }
            assert len(modes) >= 2
            assert account.working(target)[0].time.day <= target.window.first


def test_balanced_stays_within_64_bits_where_a_range_is_next_to_nothing() -> None:
    """Stock on hand may pay for the whole of the best cover, and then any money is far out of the range of cost."""
    space = small(0)
    nothing = Search(space).answer([], True)
    free = replace(nothing, bare=0)
    found = Front(space, nothing, {"best covered": free})
    worth = balanced(found)
    dear = int(worth(np.array([10**9 * MONEY]), np.array([0]), np.array([0]), np.array([0]))[0])
    cheap = int(worth(np.array([1]), np.array([0]), np.array([0]), np.array([0]))[0])
    assert dear > cheap > 0
