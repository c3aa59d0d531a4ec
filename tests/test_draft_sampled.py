"""No plan that the engine finds clean is forbidden by the drafter's CP-SAT model: sampled plans of small and large
seasons.

Every sampled plan is audited through durable-rules; a clean one must satisfy the model with its columns fixed. Run
``PYTHONPATH=. python tests/test_draft_sampled.py --plans 10000`` for the full count (about five minutes); the suite
runs a few hundred.
"""

from __future__ import annotations

import argparse
import random
import sys
from collections.abc import Iterator
from pathlib import Path

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).resolve().parents[1]), str(Path(__file__).resolve().parent)]

import pytest
from seasons import large_season, space_of

from planner.audit import audit
from planner.catalogue import Catalogue, load
from planner.draft.compile import Compiler
from planner.draft.options import Column, Space

pytest.importorskip("ortools")

PER_SEASON = 40  # clean plans at most
TRIES = 400  # plans drawn per season at most


def seasons(known: Catalogue) -> Iterator[Space]:
    """Small seasons and, every third time, one of 5 to 8 slots and up to 40 options a slot."""
    seed = 0
    while True:
        if seed % 3 == 2:
            yield large_season(4 * seed, known)[1]
        else:
            yield space_of(5000 + seed, known, slots=(2, 6), products=5)
        seed += 1


def clean_plans(space: Space, rng: random.Random, most: int) -> Iterator[tuple[Column, ...]]:
    """Different plans without a breach, by the full audit; how many slots are used is drawn first."""
    seen: set[tuple[int, ...]] = set()
    slots = [columns for columns in space.by_slot if columns]
    for _ in range(TRIES):
        if len(seen) >= most or not slots:
            return
        used = sorted(rng.sample(range(len(slots)), rng.randint(1, len(slots))))
        plan = tuple(rng.choice(slots[at]) for at in used)
        key = tuple(column.number for column in plan)
        if key in seen or space.breaches(plan):
            continue
        report = audit(space.programme(plan), space.catalogue)
        if any(one.severity == "breach" for one in report.findings):
            continue
        seen.add(key)
        yield plan


class Model:
    """The drafter's model of one season; the columns of a plan are fixed, solved, and set free again."""

    def __init__(self, space: Space) -> None:
        self.compiled = Compiler(space).build()
        self.variables = self.compiled.model.proto.variables

    def allows(self, plan: tuple[Column, ...]) -> bool:
        """Whether the model has a solution with exactly these columns."""
        from ortools.sat.python import cp_model

        numbers = {column.number for column in plan}
        if not numbers <= set(self.compiled.x):
            return False
        for number, literal in self.compiled.x.items():
            value = int(number in numbers)
            domain = self.variables[literal.index].domain
            domain[0] = domain[1] = value
        solver = cp_model.CpSolver()
        solver.parameters.num_workers = 1
        solver.parameters.cp_model_presolve = False
        return solver.solve(self.compiled.model) in (cp_model.OPTIMAL, cp_model.FEASIBLE)


def sample(plans: int, known: Catalogue) -> tuple[int, int, list[str]]:
    """Number of clean plans, of seasons, and the plans that the model forbids."""
    rng = random.Random(17)
    clean = 0
    forbidden: list[str] = []
    for tried, space in enumerate(seasons(known), start=1):
        model = Model(space)
        for plan in clean_plans(space, rng, min(PER_SEASON, plans - clean)):
            clean += 1
            if not model.allows(plan):
                forbidden.append(f"{space.field.crop}: {[(c.slot, c.products) for c in plan]}")
        if clean >= plans:
            return clean, tried, forbidden
    raise AssertionError


def test_no_sampled_clean_plan_is_forbidden() -> None:
    clean, tried, forbidden = sample(400, load())
    assert clean == 400 and tried >= 10
    assert not forbidden


def test_the_check_would_see_a_forbidden_plan() -> None:
    rng = random.Random(1)
    space = large_season(8, load())[1]
    model = Model(space)
    plans = [tuple(rng.choice(columns) for columns in space.by_slot if columns) for _ in range(30)]
    flawed = [plan for plan in plans if space.breaches(plan)]
    assert len(flawed) >= 10
    assert sum(model.allows(plan) for plan in flawed) <= len(flawed) // 10  # what is left to the audit


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plans", type=int, default=10_000)
    given = parser.parse_args()
    found, count, wrong = sample(given.plans, load())
    print(f"{found} clean plans of {count} seasons, {len(wrong)} forbidden by the model")
    print("\n".join(wrong))
    raise SystemExit(bool(wrong))
