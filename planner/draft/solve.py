"""The search: CP-SAT with one worker and a fixed seed, and the loop that holds every answer against the audit.

``lexicographic`` gives a programme that is best on one figure, ties broken by the next ones. A programme that the
model allows and the audit does not is taken out by a no-good cut; the loop ends by itself or at ``MOST_CUTS``.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from planner.draft import history
from planner.draft.compile import Compiled, Compiler, Tag
from planner.draft.options import MONEY, Column, Space

SEED = 7
MOST_CUTS = 300
Objective = str  # cost, bare, selection, passes, cautions


@dataclass(frozen=True)
class Wanted:
    """What the user asks of a programme beside the rules."""

    passes: tuple[int, int] | None = None  # least and most number of passes, kept ones included
    budget: float | None = None  # money per hectare to pay
    force: frozenset[int] = frozenset()  # one of these columns must be chosen
    most_bare: int | None = None  # most weighted bare days
    # 1: no group twice in a row even where that is a caution, two modes on targets at high pressure; 2: no group twice
    # in a row at all, none where resistance to it is reported, the first pass as windows open, one at the first
    # published stage
    strict: int = 0


@dataclass(frozen=True)
class Answer:
    """One programme with its three figures; ``proven`` where the search closed."""

    columns: tuple[Column, ...]
    cost: int
    bare: int
    selection: int
    cautions: int
    proven: bool

    @property
    def point(self) -> tuple[int, int, int]:
        """Cost (1/MONEY per hectare), weighted bare days, selection index of the whole programme (tenths of days)."""
        return (self.cost, self.bare, self.selection)


class Stopped(Exception):
    """The user or the clock ended the search before the proof."""


@dataclass
class Search:
    """One model, solved again and again; cuts and points found stay in it."""

    space: Space
    wanted: Wanted = Wanted()
    seconds: float = 30.0
    told: Callable[[str], None] | None = None
    soft: bool = False
    solves: int = 0
    cuts: int = 0
    compiler: Compiler = field(init=False)
    compiled: Compiled = field(init=False)
    _end: float = field(init=False)

    def __post_init__(self) -> None:
        self._end = time.monotonic() + self.seconds
        self.compiler = Compiler(self.space, soft=self.soft, strict=self.wanted.strict)
        self.compiled = self.compiler.build()
        self._want()

    def _want(self) -> None:
        model, x = self.compiled.model, self.compiled.x
        wanted = self.wanted
        kept = sum(1 for column in self.space.kept)
        if wanted.passes is not None:
            least, most = wanted.passes
            words = f"{least}" if least == most else f"{least} to {most}"
            tag = Tag("--passes", f"{words} passes are asked for")
            self.compiler.add(tag, self.compiled.passes + kept >= least)
            self.compiler.add(tag, self.compiled.passes + kept <= most)
        if wanted.budget is not None:
            tag = Tag("--budget", f"no more than {wanted.budget:g} per hectare may be spent")
            self.compiler.add(tag, self.compiled.cost <= round(wanted.budget * MONEY))
        if wanted.most_bare is not None:
            tag = Tag("cover", f"no more than {wanted.most_bare} weighted days may be left bare")
            self.compiler.add(tag, self.compiled.bare <= wanted.most_bare)
        self.tags = list(self.compiler.tags)
        if wanted.force:
            model.add_bool_or([x[number] for number in sorted(wanted.force) if number in x])

    # --- solving ----------------------------------------------------------------------------------------------------

    def expression(self, name: Objective) -> Any:
        """The figure of this name in the model."""
        return getattr(self.compiled, name)

    def _solve(self, objective: Any) -> tuple[list[Column] | None, bool]:
        from ortools.sat.python import cp_model

        left = self._end - time.monotonic()
        if left <= 0:
            raise Stopped
        solver = cp_model.CpSolver()
        solver.parameters.num_workers = 1
        solver.parameters.random_seed = SEED
        solver.parameters.cp_model_presolve = False
        solver.parameters.max_time_in_seconds = left
        solver.parameters.catch_sigint_signal = False
        self.compiled.model.minimize(objective)
        self.solves += 1
        status = solver.solve(self.compiled.model)
        if status in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            chosen = [
                column
                for column in self.space.columns
                if column.number in self.compiled.x and solver.boolean_value(self.compiled.x[column.number])
            ]
            return chosen, status == cp_model.OPTIMAL
        if status == cp_model.INFEASIBLE:
            return None, True
        raise Stopped

    def best(self, order: Sequence[Objective], weights: dict[str, int] | None = None) -> Answer | None:
        """The best programme by the first figure, then the next ones; None where there is none.

        Raises:
            Stopped: the time is over before a programme was found.
        """
        objective = (
            self._weighted(order)
            if weights is None
            else sum(weight * self.expression(name) for name, weight in weights.items())
        )
        return self.minimise(objective)

    def minimise(self, objective: Any) -> Answer | None:
        """The programme that is least on an expression of the model and that the audit passes."""
        while True:
            chosen, proven = self._solve(objective)
            if chosen is None:
                return None
            if not self.space.breaches(chosen):
                return self.answer(chosen, proven)
            self.forbid(chosen)

    def _weighted(self, order: Sequence[Objective]) -> Any:
        """One figure that puts the first of the order before the rest: each weighs more than all after it together."""
        most = self._most()
        whole: Any = 0
        weight = 1
        for name in reversed(order):
            whole = whole + weight * self.expression(name)
            weight *= most[name] + 1
        return whole

    def _most(self) -> dict[str, int]:
        slots = self.space.by_slot
        sums = {
            "cost": sum(max((c.cost for c in columns), default=0) for columns in slots),
            "selection": sum(max((c.selection for c in columns), default=0) for columns in slots),
            "cautions": 1 + sum(max((c.cautions for c in columns), default=0) for columns in slots),
        }
        return {**sums, "bare": self.space.bare([]), "passes": len(slots)}

    def forbid(self, chosen: Sequence[Column]) -> None:
        """Take one programme out of the model."""
        self.cuts += 1
        if self.cuts > MOST_CUTS:
            raise Stopped
        x = self.compiled.x
        numbers = {column.number for column in chosen}
        self.compiled.model.add_bool_or([~x[n] if n in numbers else x[n] for n in x])

    def beat(self, point: tuple[int, int, int]) -> None:
        """Only programmes that are better than a point on at least one of the three figures are wanted from now on."""
        model = self.compiled.model
        better = [model.new_bool_var("") for _ in point]
        for name, value, literal in zip(("cost", "bare", "selection"), point, better, strict=True):
            model.add(self.expression(name) <= value - 1).only_enforce_if(literal)
        model.add_bool_or(better)

    def answer(self, chosen: Sequence[Column], proven: bool) -> Answer:
        """A programme with its figures, worked out from the columns and not from the model."""
        columns = tuple(sorted(chosen, key=lambda column: (column.slot, column.number)))
        return Answer(
            columns,
            self.space.money(columns)[0],
            self.space.bare(columns),
            self.space.index(columns),
            sum(column.cautions for column in columns if not column.kept) + history.repeated(self.compiler, columns),
            proven,
        )
