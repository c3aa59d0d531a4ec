"""Whether fewer changes could do, were some passes changed in more ways than a mend combines on one pass.

Such a pass is left open: nothing is known of it but its price, the least number of changes that it takes. It is part of
no row that forbids, and stands wherever a pass can help (between two uses of a group, among the passes of which a share
is taken). Every rule of the compiled model is kept as far as it holds whatever the open passes are; where even that
leaves no way with fewer changes, there is none.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from planner.draft.compile import Made, Row
from planner.draft.options import Column
from planner.draft.solve import SEED, Search

if TYPE_CHECKING:
    from ortools.sat.python import cp_model

_FAR = 2**62  # beyond every bound that a rule gives
WORK = 20.0  # deterministic seconds for one number of open passes


def none_with_fewer(search: Search, changes: int, price: int, fixed: frozenset[int]) -> bool:
    """Whether it is proven that no programme with fewer changes is sound, if some passes take ``price`` or more.

    Args:
        search: the model of all ways to treat each pass with fewer than ``price`` changes.
        changes: the number to be beaten.
        fixed: passes of the programme that stay as they are.
    """
    return all(
        _Relaxed(search, open_, fixed).impossible(changes - 1 - price * open_)
        for open_ in range(1, (changes - 1) // price + 1)
    )


class _Relaxed:
    """The rules of a model with so many open passes."""

    def __init__(self, search: Search, open_: int, fixed: frozenset[int]) -> None:
        from ortools.sat.python import cp_model

        self.open, compiler = open_, search.compiler
        self.model: cp_model.CpModel = cp_model.CpModel()
        self.domain = cp_model.Domain
        self.x = {column.number: self.model.new_bool_var("") for column in compiler.columns}
        self.columns: list[Column] = compiler.columns
        self.low: dict[int, Any] = {}  # of a variable of the compiled model: the least that it can be
        self.high: dict[int, Any] = {}
        self.runs: dict[int, Any] = {}  # length of a run over the passes that are known
        self.of_x = {compiler.x[column.number].index for column in compiler.columns}
        for column in compiler.columns:
            index = compiler.x[column.number].index
            self.low[index] = self.high[index] = self.x[column.number]
            if column.kept:
                self.model.add(self.x[column.number] == 1)
        for made in compiler.made:
            self._make(made)
        for row in compiler.rows():
            self._row(row)
        self._passes(search, fixed)

    def impossible(self, most: int) -> bool:
        """Whether no way is left with so many changes on the passes that are known."""
        from ortools.sat.python import cp_model

        self.model.add(self.changes <= most)
        solver = cp_model.CpSolver()
        solver.parameters.num_workers = 1
        solver.parameters.random_seed = SEED
        solver.parameters.max_deterministic_time = WORK
        solver.parameters.catch_sigint_signal = False
        return bool(solver.solve(self.model) == cp_model.INFEASIBLE)

    def _passes(self, search: Search, fixed: frozenset[int]) -> None:
        """Every pass in one way, left out, or open; one pass to a date."""
        by_slot: dict[int, list[Any]] = {}
        by_origin: dict[int, list[Column]] = {c.variant.origin: [] for c in search.space.columns if c.variant}
        for column in self.columns:
            if column.slot >= 0:
                by_slot.setdefault(column.slot, []).append(self.x[column.number])
            if column.variant is not None:
                by_origin.setdefault(column.variant.origin, []).append(column)
        for literals in by_slot.values():
            self.model.add_at_most_one(literals)
        left_open = {origin: self.model.new_bool_var("") for origin in by_origin}
        self.model.add(sum(left_open.values()) == self.open)
        changes: Any = 0
        for origin, columns in by_origin.items():
            known = sum(self.x[column.number] for column in columns)
            self.model.add(known + left_open[origin] <= 1)
            changes = changes + 1 - known - left_open[origin]
            changes = changes + sum(c.variant.edits * self.x[c.number] for c in columns if c.variant is not None)
            if origin in fixed:
                self.model.add(known == 1)
        self.changes = changes

    # --- what holds whatever the open passes are ---------------------------------------------------------------------

    def _make(self, made: Made) -> None:
        """Bounds of a variable that others make."""
        model, index = self.model, made.index
        if made.how == "sum":
            known = sum(self.low[one] for one in made.of)
            self.low[index], self.high[index] = known, known + self.open
        elif made.how == "any":
            low = model.new_bool_var("")
            model.add_max_equality(low, [self.low[one] for one in made.of])
            self.low[index], self.high[index] = low, 1
        elif made.how == "all":
            self.low[index], self.high[index] = self._all([self._surely(one) for one in made.of]), 1
        elif made.how == "one":
            self.low[index] = self.high[index] = 1
        elif made.how == "inside":
            of, (low_, high_) = made.of[0], made.table
            ends = [self._within(self.low[of], low_, _FAR), self._within(self.high[of], -_FAR, high_)]
            self.low[index], self.high[index] = self._all(ends), 1
        elif made.how == "table":
            self.low[index] = self._element(self.low[made.of[0]], made.table, min)
            self.high[index] = self._element(self.low[made.of[0]], made.table, max)
        elif made.how == "after":
            self._run(made)
        else:  # held: a pass with the product may have gone out of the run
            self.low[index], self.high[index] = 0, 1

    def _run(self, made: Made) -> None:
        """A run over the passes that are known; what it is in truth an open pass may have cut."""
        model = self.model
        hit, stop = (self.low[one] for one in made.of[:2])
        before = self.runs[made.of[2]] if len(made.of) > 2 else 0
        after = model.new_int_var(0, len(self.columns), "")
        going = model.new_bool_var("")
        model.add(stop == 0).only_enforce_if(going)
        model.add(stop >= 1).only_enforce_if(~going)
        model.add(after == before + hit).only_enforce_if(going)
        model.add(after == 0).only_enforce_if(~going)
        self.runs[made.index] = after
        self.low[made.index], self.high[made.index] = 0, len(self.columns)

    def _row(self, row: Row) -> None:
        """A rule, as far as it holds: what forbids is counted as low as it can be, what relieves as high."""
        given = self._all([self._surely(one) for one in row.given])
        if isinstance(given, int) and not given:
            return
        for sign, most in ((1, row.high), (-1, -row.low)):
            if abs(most) >= _FAR:
                continue
            terms = [(var, sign * factor) for var, factor in row.terms]
            if len(terms) == 1 and terms[0][0] in self.runs and terms[0][1] == 1:
                # each open pass cuts a run once at most, and every part of it is held by the rule
                bounded = self.runs[terms[0][0]] <= most * (self.open + 1)
            else:
                least = sum(factor * (self.low[var] if factor > 0 else self.high[var]) for var, factor in terms)
                relief = max([-factor for var, factor in terms if factor < 0 and var in self.of_x], default=0)
                bounded = least <= most + relief * self.open
            if bounded is True:
                continue
            constraint = self.model.add(bounded)
            if not isinstance(given, int):
                constraint.only_enforce_if(given)

    def _surely(self, literal: int) -> Any:
        """That a literal of the compiled model is true whatever the open passes are; 0 or 1 where that is known."""
        if literal >= 0:
            return self.low[literal]
        high = self.high[-literal - 1]
        return 1 - high if isinstance(high, int) else ~high

    def _all(self, literals: Sequence[Any]) -> Any:
        """That all hold; 0 or 1 where that is known."""
        unknown = [one for one in literals if not isinstance(one, int)]
        if any(isinstance(one, int) and not one for one in literals):
            return 0
        if len(unknown) < 2:
            return unknown[0] if unknown else 1
        whole = self.model.new_bool_var("")
        self.model.add_bool_and(unknown).only_enforce_if(whole)
        self.model.add_bool_or([*[~one for one in unknown], whole])
        return whole

    def _within(self, number: Any, low: int, high: int) -> Any:
        """A literal that says whether a number lies within bounds; 0 or 1 where that is known."""
        if isinstance(number, int):
            return int(low <= number <= high)
        inside = self.model.new_bool_var("")
        domain = self.domain(low, high)
        self.model.add_linear_expression_in_domain(number, domain).only_enforce_if(inside)
        self.model.add_linear_expression_in_domain(number, domain.complement()).only_enforce_if(~inside)
        return inside

    def _element(self, number: Any, table: Sequence[int], best: Any) -> Any:
        """The least or most of a table from a number on, as far as the open passes reach."""
        reach = [int(best(table[at : at + self.open + 1])) for at in range(len(table))]
        value = self.model.new_int_var(min(reach), max(reach), "")
        place = self.model.new_int_var(0, len(table) - 1, "")
        self.model.add(place == number)
        self.model.add_element(place, reach, value)
        return value


__all__ = ["none_with_fewer"]
