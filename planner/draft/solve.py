"""The search: CP-SAT with one worker and a fixed seed, and the loop that holds every answer against the audit.

``best`` gives a programme that is best on one figure, ties broken by the next ones. A programme that the model allows
and the audit does not is taken out by a no-good cut; the loop ends by itself or at ``MOST_CUTS``.

A long season (:func:`is_long`) has too many programmes for every one to be looked at (``draft.scan``), so it rests on
this search alone. There a solve ends after ``WORK`` in the solver's own deterministic time, so that the same season
gives the same answer on every machine, and says whether it was proven by then.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from planner.draft import history
from planner.draft.compile import Compiled, Compiler, Tag
from planner.draft.options import MONEY, Column, Space

SEED = 7
MOST_CUTS = 300
MOST_SCANNED = 8  # dates with a choice; with more of them every programme is too many to look at
WORK = 8.0  # deterministic seconds of one solve of a long season; about three times as many on a present-day core
HEARD = 0.1  # seconds between two looks at whether the user wants to stop
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


def is_long(space: Space) -> bool:
    """Whether a season has more dates to choose for than the scan of all programmes can handle."""
    return sum(any(not column.kept for column in columns) for columns in space.by_slot) > MOST_SCANNED


class Stopped(Exception):
    """The user or the clock ended the search before the proof."""


class Unsolved(Stopped):
    """A solve of a long season came to the end of its work before it had a programme; the next one may do better."""


@dataclass
class Search:
    """One model, solved again and again; cuts and points found stay in it."""

    space: Space
    wanted: Wanted = Wanted()
    seconds: float = 30.0
    told: Callable[[str], None] | None = None
    soft: bool = False
    work: float = WORK  # of one solve of a long season
    solves: int = 0
    cuts: int = 0
    compiler: Compiler = field(init=False)
    compiled: Compiled = field(init=False)
    long: bool = field(init=False)
    _end: float = field(init=False)
    _most_of: dict[str, Any] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        self._end = time.monotonic() + self.seconds
        self.long = is_long(self.space)
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

    @contextmanager
    def within(self, **most: int) -> Iterator[None]:
        """Only programmes with no more than so much of these figures, as long as the block lasts."""
        model = self.compiled.model
        for name, value in most.items():
            if name not in self._most_of:
                self._most_of[name] = model.new_int_var(0, self.end_of(name), f"most {name}")
                model.add(self.expression(name) <= self._most_of[name])
            value = min(value, self.end_of(name))
            self._allow(name, value, value)
        try:
            yield
        finally:
            for name in most:
                self._allow(name, 0, self.end_of(name))

    @contextmanager
    def holding(self, columns: Sequence[Column], without: Collection[int] = ()) -> Iterator[None]:
        """Only programmes with one of these columns and none of those of these numbers, as long as the block lasts."""
        model, x = self.compiled.model, self.compiled.x
        wish = model.new_bool_var("")
        model.add_bool_or([x[one.number] for one in columns if one.number in x]).only_enforce_if(wish)
        spared = [x[number] for number in sorted(without) if number in x]
        self._set(wish, 1, 1)
        for one in spared:
            self._set(one, 0, 0)
        try:
            yield
        finally:
            self._set(wish, 0, 0)
            for one in spared:
                self._set(one, 0, 1)

    def _allow(self, name: str, low: int, high: int) -> None:
        self._set(self._most_of[name], low, high)

    def _set(self, variable: Any, low: int, high: int) -> None:
        domain = self.compiled.model.proto.variables[variable.index].domain
        domain[0], domain[1] = low, high

    def end_of(self, name: str) -> int:
        """More than a figure can come to."""
        early = (column for column in self.space.columns if column.slot < 0)
        return self._most()[name] + 1 + sum(getattr(column, name, 0) for column in early)

    def hint(self, columns: Sequence[Column]) -> None:
        """Let the next solves begin at a programme that is known."""
        model = self.compiled.model
        model.clear_hints()  # type: ignore[no-untyped-call]
        numbers = {column.number for column in columns}
        for number, literal in self.compiled.x.items():
            model.add_hint(literal, number in numbers)

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
        if self.long:
            # measured on 13 dates x 125 tanks: half of the time without these went into probing and cuts
            solver.parameters.cp_model_probing_level = 0
            solver.parameters.cut_level = 0
            solver.parameters.max_deterministic_time = self.work
            status = _heard(solver, self.compiled.model)
        else:
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
        raise Unsolved if self.long and time.monotonic() < self._end else Stopped

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


def _heard(solver: Any, model: Any) -> Any:
    """Solve while listening to Ctrl-C, which else is heard only when the solver comes back."""
    told: list[Any] = []
    worker = threading.Thread(target=lambda: told.append(solver.solve(model)), daemon=True)
    worker.start()
    try:
        while worker.is_alive():
            worker.join(HEARD)
    except KeyboardInterrupt:
        solver.stop_search()
        worker.join()
        raise
    return told[0]
