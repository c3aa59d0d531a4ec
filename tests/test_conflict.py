"""Impossible seasons of several kinds: the clash that is told holds, is minimal, has least number, and comes in time.

What is checked against: every plan of a small season audited by the rulebook (none is sound); the set without each of
its tags, and all smaller sets of tags, asked of a plain CP-SAT model with presolve and without assumptions.
"""

from __future__ import annotations

import itertools
import random
import sys
import time
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path

import pytest
from msgspec.structs import replace
from seasons import space_of

from planner.catalogue import Catalogue, load
from planner.documents import load_field, load_products
from planner.draft.compile import Tag
from planner.draft.conflict import Clash, clash, reasons
from planner.draft.front import draft
from planner.draft.options import MONEY, Column, Space
from planner.draft.solve import Search, Wanted
from planner.errors import NoProgramme
from planner.model import FieldTarget, Pass, Product, TankItem

pytest.importorskip("ortools")
sys.path.append(str(Path(__file__).parent / "benchmarks"))

FREE = Wanted()


@lru_cache(maxsize=1)
def catalogue() -> Catalogue:
    return load()


def scenario(**given: object) -> Space:
    field = load_field("shared/scenarios/quarry-bottom.yaml", catalogue())
    products = load_products("shared/scenarios/farm-shop.yaml", catalogue())
    return Space(field, products, catalogue(), **given)  # type: ignore[arg-type]


class Plain:
    """The same season's soft model, asked with presolve and without assumptions."""

    def __init__(self, space: Space, wanted: Wanted) -> None:
        self.search = Search(space, wanted, soft=True)
        self.tags = self.search.tags

    def holds(self, tags: Sequence[Tag]) -> bool:
        """Whether these tags can hold together."""
        from ortools.sat.python import cp_model

        model = self.search.compiled.model.clone()
        for tag in tags:
            index = self.search.compiler.literals[tag].index
            model.add(model.get_bool_var_from_proto_index(index) == 1)
        solver = cp_model.CpSolver()
        solver.parameters.num_workers = 1
        return solver.solve(model) in (cp_model.OPTIMAL, cp_model.FEASIBLE)


def check(space: Space, wanted: Wanted, found: Clash) -> None:
    """Clashing, minimal, and of least number."""
    plain = Plain(space, wanted)
    assert found.tags and found.minimal and found.least
    assert not plain.holds(found.tags)
    assert Search(space, wanted).best(("cost",)) is None
    for one in found.tags:
        assert plain.holds([tag for tag in found.tags if tag != one]), one


def labels(tags: Sequence[Tag]) -> list[str]:
    return [tag.rule for tag in tags]


# --- kinds of impossible season -------------------------------------------------------------------------------------


def test_passes_and_money() -> None:
    space, wanted = scenario(), Wanted(passes=(4, 4), budget=60.0)
    found = clash(space, wanted)
    assert labels(found.tags) == ["--passes", "--budget"]
    check(space, wanted, found)
    # four passes cost at least four tractor rides: 9 per ac is 22.24 per ha each (application of the field document)
    assert space.field.application.cost * 4 > 60.0


def test_money_and_no_bare_day() -> None:
    space, wanted = scenario(), Wanted(budget=100.0, most_bare=0)
    found = clash(space, wanted)
    assert labels(found.tags) == ["--budget", "cover"]
    check(space, wanted, found)


def test_avoid_list() -> None:
    space, wanted = scenario(avoid=["FRAC 3", "FRAC 7"]), Wanted(passes=(4, 4))
    wider = space.wider()
    found = clash(wider, wanted)
    assert {"--avoid", "--passes"} <= set(labels(found.tags))
    check(wider, wanted, found)
    lines = reasons(space, wanted)
    assert "--avoid: FRAC 3 is to be avoided" in lines and any(line.startswith("accept: [{rule: ") for line in lines)
    assert reasons(scenario(avoid=["FRAC 3", "FRAC 7"]), wanted) == lines  # the same, made afresh
    assert not any("pass 1" in line or "pass 2" in line for line in lines)  # no column's number is told as a pass


def test_more_passes_than_dates() -> None:
    space = scenario()
    wanted = Wanted(passes=(len(space.slots) + 1,) * 2)
    found = clash(space, wanted)
    assert labels(found.tags) == ["--passes"]
    check(space, wanted, found)
    assert any("spray dates have a pass to choose from" in line for line in reasons(space, wanted))


def test_label_days_against_the_window() -> None:
    """White mold is open from R1 to R3; a label that starts at R5 leaves no day of it."""
    base = scenario()
    field = replace(base.field, targets=(FieldTarget(target="sclerotinia-stem-rot", pressure="high"),))
    chert = next(one for one in base.products if one.name == "Demo Chert 70 WG")
    late = relabelled(chert, first_stage="R5", last_stage="R6")
    space, wanted = Space(field, (late,), catalogue()), Wanted(passes=(1, 1))
    lines = reasons(space, wanted)
    assert any(line.startswith("LBL07: Demo Chert 70 WG") and "starts at R5" in line for line in lines), lines
    assert any(line.startswith("--passes") for line in lines)
    check(space.wider(), wanted, clash(space.wider(), wanted))


def test_harvest_interval_against_the_window() -> None:
    base = scenario()
    long = tuple(
        relabelled(one, harvest_interval=120)
        for one in base.products
        if one.name in ("Demo Whinchat 430 SC", "Demo Chert 70 WG")
    )
    space = Space(base.field, long, catalogue(), slots=[slot.day for slot in base.slots])
    lines = reasons(space, Wanted(passes=(1, 9)))
    assert any(line.startswith("LBL08") and "120 days before harvest" in line for line in lines), lines


def test_season_limit_of_the_only_label() -> None:
    base = scenario()
    chert = next(one for one in base.products if one.name == "Demo Chert 70 WG")
    only = relabelled(chert, applications=1, first_stage="R1", last_stage="R6", consecutive=None)
    space, wanted = Space(base.field, (only,), catalogue()), Wanted(passes=(2, 9))
    found = clash(space, wanted)
    assert labels(found.tags) == ["LBL04", "--passes"]
    check(space, wanted, found)


def test_kept_pass_and_the_rest() -> None:
    """A label's one application is sprayed already: another pass has to be something else, and nothing else is sold."""
    base = scenario()
    chert = next(one for one in base.products if one.name == "Demo Chert 70 WG")
    only = relabelled(chert, applications=1, first_stage="R1", last_stage="R6", consecutive=None)
    item = TankItem(product=only.name, rate=only.labels["soybean"].rate_most, unit=only.amount_unit)
    made = Pass(number=1, date=base.field.stages["R1"], tank=(item,), water=base.field.application.water)
    space, wanted = Space(base.field, (only,), catalogue(), keep=(made,)), Wanted(passes=(2, 2))
    found = clash(space, wanted)
    assert labels(found.tags) == ["LBL04", "--passes"]
    check(space, wanted, found)


def test_a_possible_season_has_no_clash() -> None:
    assert clash(scenario(), Wanted(passes=(3, 3))).tags == ()


def relabelled(product: Product, **changes: object) -> Product:
    label = product.labels["soybean"]
    return replace(product, labels={"soybean": replace(label, **changes)})  # type: ignore[return-value]


# --- against every plan and every smaller set -----------------------------------------------------------------------


def sound(space: Space, wanted: Wanted) -> bool:
    """Whether some plan satisfies the wishes and every rule, by the audit of every plan."""
    choices: list[list[Column | None]] = [[None, *columns] for columns in space.by_slot]
    for plan in itertools.product(*choices):
        chosen = [column for column in plan if column is not None]
        if wanted.passes and not wanted.passes[0] <= len(chosen) <= wanted.passes[1]:
            continue
        if wanted.budget and space.money(chosen)[0] > round(wanted.budget * MONEY):
            continue
        if not space.breaches(chosen):
            return True
    return False


def test_random_impossible_seasons_against_every_plan() -> None:
    told = with_rules = 0
    for seed in range(120):
        slots, products = ((2, 3), 3) if seed % 4 else ((4, 4), 2)
        space = space_of(seed, catalogue(), slots=slots, products=products)
        rng = random.Random(seed)
        least = len(space.slots)
        wanted = Wanted(passes=(least, least), budget=rng.choice((None, 25.0 * least)))
        found = clash(space, wanted)
        if not found.tags:
            continue
        told += 1
        with_rules += any(not tag.rule.startswith("--") for tag in found.tags)
        check(space, wanted, found)
        assert not sound(space, wanted), seed
        if told == 25:
            break
    assert told == 25 and with_rules >= 10


def test_least_number_against_all_smaller_sets() -> None:
    tried = 0
    for seed in range(60):
        space = space_of(seed, catalogue(), slots=(2, 3), products=3)
        wanted = Wanted(passes=(len(space.slots), 9), budget=30.0 * len(space.slots))
        found = clash(space, wanted)
        plain = Plain(space, wanted)
        if len(found.tags) < 3 or len(plain.tags) > 30:
            continue
        tried += 1
        for smaller in itertools.combinations(plain.tags, 2):
            assert plain.holds(smaller), (seed, smaller)
        if tried == 2:
            break
    assert tried


def test_a_large_impossible_season_is_told_in_time() -> None:
    """8 slots x 40 options, the size of the issue; processor time, model building included."""
    import bench_draft

    field = load_field("shared/scenarios/quarry-bottom.yaml", catalogue())
    space = bench_draft.make(catalogue(), field, 8, 40)
    wanted = Wanted(passes=(8, 8), budget=40.0)
    begin = time.process_time()
    found = clash(space, wanted)
    assert time.process_time() - begin < 5.0
    assert found.least and found == clash(space, wanted)


# --- what is told when the work is cut short, and what is told of kept passes ----------------------------------------


def test_each_stage_that_is_cut_short_tells_no_more_than_is_proven() -> None:
    """More and more of the solver's own time: first all tags, then fewer, each rule needed, each tag needed, least."""
    import bench_draft

    field = load_field("shared/scenarios/quarry-bottom.yaml", catalogue())
    space = bench_draft.make(catalogue(), field, 8, 40)
    wanted = Wanted(passes=(8, 8), budget=40.0)
    plain = Plain(space, wanted)
    seen = set()
    size = len(plain.tags)
    for work in (0.001, 0.1, 0.2, 0.4, 1.5):
        found = clash(space, wanted, work=work)
        seen.add((found.minimal, found.least, found.by_rule))
        assert len(found.tags) <= size and not plain.holds(found.tags)
        size = len(found.tags)
        if found.by_rule:
            for rule in {tag.rule for tag in found.tags}:
                assert plain.holds([tag for tag in found.tags if tag.rule != rule])
        if found.minimal:
            for one in found.tags:
                assert plain.holds([tag for tag in found.tags if tag != one])
    assert seen == {(False, False, False), (False, False, True), (True, False, False), (True, True, False)}
    assert clash(space, wanted, seconds=0.0).tags == tuple(plain.tags)


def test_words_of_a_clash_that_is_cut_short() -> None:
    import bench_draft

    field = load_field("shared/scenarios/quarry-bottom.yaml", catalogue())
    space = bench_draft.make(catalogue(), field, 8, 40)
    wanted = Wanted(passes=(8, 8), budget=40.0)
    none = reasons(space, wanted, work=0.001)
    assert any("and 1 more of this rule" in line or "more of this rule)" in line for line in none)
    assert "these clash; it is not proven that each of them is needed" in none
    by_rule = reasons(space, wanted, work=0.2)
    assert "these rules and wishes clash, and with any one of them left out the rest can hold together" in by_rule
    whole = reasons(space, wanted)
    assert "leave any one of these out and the rest can hold together; no smaller set clashes" in whole


def test_kept_passes_that_breach_by_themselves_are_told_with_the_line_to_paste() -> None:
    """Two applications of a label that allows one (LBL04): nothing that is added can mend that."""
    base = scenario()
    chert = next(one for one in base.products if one.name == "Demo Chert 70 WG")
    only = relabelled(chert, applications=1, first_stage="R1", last_stage="R6", consecutive=None)
    item = TankItem(product=only.name, rate=only.labels["soybean"].rate_most, unit=only.amount_unit)
    water = base.field.application.water
    made = tuple(
        Pass(number=number, date=base.field.stages[stage], tank=(item,), water=water)
        for number, stage in ((1, "R1"), (2, "R3"))
    )
    with pytest.raises(NoProgramme) as caught:
        draft(Space(base.field, (only,), catalogue(), keep=made))
    lines = caught.value.reasons
    assert any(line.startswith("LBL04 ") for line in lines)
    assert any("accept: [" in line and "rule: LBL04, passes: [1, 2]" in line for line in lines)
    # asked for the reasons of a season that the model allows, the audit's own are told
    space = Space(base.field, (only,), catalogue(), keep=made[:1])
    assert reasons(space, FREE) == []
