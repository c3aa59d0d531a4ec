"""The rules of a model over many programmes at once, in numpy: the same constraints that CP-SAT is given.

A programme is a row of choices, one per slot (0: no pass). While later slots are open a constraint throws a programme
out only when nothing that can still be chosen mends it, so that a beginning is dropped as soon as it is lost.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from planner.draft.compile import Compiler, Made, Row

if TYPE_CHECKING:
    from numpy.typing import NDArray

_LOW, _HIGH = -(2**62), 2**62
CHUNK = 4096  # programmes that are held against the rules together


@dataclass
class _Chain:
    """Runs that are followed together, slot by slot: columns of the quantities that lengthen, end or mark each run."""

    finals: list[int]  # the made variable at the end of each run
    steps: list[tuple[Any, Any]]  # hit and stop (or marked and stop), one column per run


@dataclass
class _Level:
    """What is looked at once the first ``slots`` are decided. Quantities are sums over the choices; the first ones are
    whole rows that have a most, then those that have a least."""

    plain: list[Any]  # per decided slot: choice x quantity that is a whole row
    other: list[Any]  # per decided slot: quantity x choice for the rest
    base: tuple[Any, Any]  # what columns that are part of every programme add
    high: Any
    low: Any
    ops: list[tuple[Made, int]]  # a made variable and the column of its quantity (-1: none)
    chains: list[tuple[str, _Chain]]
    partial: dict[int, int]  # a variable of kind 'any' not wholly decided -> column of its quantity
    rows: list[tuple[int, list[tuple[int, int]], tuple[int, ...], int, int]]


class Checker:
    """Looks at programmes of one compiled model. ``options``: for each slot the column numbers in the order of the
    choices 1, 2, ...; ``always``: columns that are part of every programme."""

    def __init__(self, compiler: Compiler, options: Sequence[Sequence[int]], always: Sequence[int] = ()) -> None:
        self.options = [list(numbers) for numbers in options]
        place = {
            compiler.x[number].index: (slot, at)
            for slot, numbers in enumerate(self.options)
            for at, number in enumerate(numbers, start=1)
        }
        self._place = place
        self._always = {compiler.x[number].index for number in always}
        self._made = {made.index: made for made in compiler.made}
        self._domain = {
            made.index: (min(domain), max(domain))
            for made in compiler.made
            if (domain := list(compiler.model.proto.variables[made.index].domain))
        }
        self._level: dict[int, int] = {index: slot + 1 for index, (slot, _) in place.items()}
        self._level |= dict.fromkeys(self._always, 0)
        known = set(self._level)
        for made in compiler.made:
            self._level[made.index] = max((self._level[_var(one)] for one in made.of), default=0)
            known.add(made.index)
        # a row on money or on bare days holds other variables; whoever calls looks at those figures himself
        rows = list(dict.fromkeys(row for row in compiler.rows() if all(var in known for var, _ in row.terms)))
        self.rows = [row for row in rows if all(_var(one) in known for one in row.given)]
        self._levels = [self._prepare(level) for level in range(1, len(self.options) + 1)]

    def sound(self, choices: NDArray[Any]) -> NDArray[Any]:
        """Which beginnings (programmes x decided slots) no rule has thrown out yet. Whoever calls has asked the same
        of the beginnings that are one slot shorter."""
        fine = self.plain(self.begun(choices[:, :-1]), choices[:, -1], choices.shape[1])
        fine[fine] = self.rest(choices[fine], np.flatnonzero(fine))
        return fine

    def begun(self, choices: NDArray[Any]) -> NDArray[Any]:
        """What beginnings bring along to the rules that are a sum with a bound (shape: beginnings x sums)."""
        slots = choices.shape[1]
        level = self._levels[slots]
        sums = np.repeat(level.base[0][None, :], len(choices), axis=0)
        for slot in range(slots):
            sums += level.plain[slot][choices[:, slot]]
        return sums

    def plain(self, begun: NDArray[Any], choice: NDArray[Any], slots: int) -> NDArray[Any]:
        """Those rules, when beginnings decide one slot more, so that ``slots`` are decided: a part of :meth:`sound`
        that is soon done."""
        level = self._levels[slots - 1]
        most = len(level.high)
        sums = begun + level.plain[slots - 1][choice]
        fine: NDArray[Any] = (sums[:, :most] <= level.high).all(axis=1)
        if len(level.low):
            fine &= (sums[:, most:] >= level.low).all(axis=1)
        return fine

    def rest(self, choices: NDArray[Any], parents: NDArray[Any]) -> NDArray[Any]:
        """The other part of :meth:`sound`. Rows with one number in ``parents`` are equal but for their last choice."""
        slots = choices.shape[1]
        level = self._levels[slots - 1]
        fine = np.ones(len(choices), dtype=bool)
        if not level.rows:
            return fine
        for at in range(0, len(choices), CHUNK):
            part = choices[at : at + CHUNK]
            _, first, back = np.unique(parents[at : at + CHUNK], return_index=True, return_inverse=True)
            before = np.repeat(level.base[1][:, None], len(first), axis=1)
            for slot in range(slots - 1):
                before += level.other[slot].take(part[first, slot], axis=1)
            rest = before.take(back, axis=1)
            rest += level.other[slots - 1].take(part[:, -1], axis=1)
            fine[at : at + CHUNK] = self._rest(level, rest)
        return fine

    def _rest(self, level: _Level, rest: NDArray[Any]) -> NDArray[Any]:
        """Rows with conditions or made variables; ``rest`` is quantity x programme."""
        count = rest.shape[1]
        left = np.ones(count, dtype=bool)
        values: dict[int, Any] = {}
        for how, chain in level.chains:
            self._follow(how, chain, rest, values)
        for made, column in level.ops:
            values[made.index] = self._value(made, values, rest[column] if column >= 0 else None, count)
        for column, terms, given, low, high in level.rows:
            total: Any = rest[column]
            for var, factor in terms:
                total = total + factor * values[var]
            broken = (total > high) if low <= _LOW else (total < low) | (total > high)
            for one in given:
                if one in level.partial and one not in values:
                    broken &= rest[level.partial[one]] > 0
                else:
                    broken &= values[_var(one)] == (0 if one < 0 else 1)
            left &= ~broken
        return left

    def clashes(self, first: int, second: int) -> tuple[NDArray[Any], NDArray[Any]]:
        """Pairs of choices on two slots that no sound programme holds (shape: choices x choices): as neighbours with no
        pass between them, and whatever lies between.

        Only rules are asked that further passes cannot mend: sums with a most, where all other slots add the least that
        they can, under conditions that the pair itself meets and that more passes do not undo; and runs, which passes
        before the pair only make longer.
        """
        level = self._levels[second]
        one, other = level.plain[first], level.plain[second]
        near = np.zeros((len(one), len(other)), dtype=bool)
        most = len(level.high)
        least = [table[:, :most].min(axis=0) for table in level.plain[:second]]
        around = level.base[0][:most] + sum(least[:first])
        between = sum(least[first + 1 :], np.zeros(most, dtype=np.int64))
        ever = np.zeros_like(near)
        for bound, found in ((level.high - around, near), (level.high - around - between, ever)):
            reach = one[:, :most].max(axis=0) + other[:, :most].max(axis=0)
            for row in np.flatnonzero(reach > bound):
                found |= one[:, row][:, None] + other[:, row][None, :] > bound[row]
        self._clashes_under(level, first, second, near, ever)
        return near | ever, ever

    def _clashes_under(self, level: _Level, first: int, second: int, near: NDArray[Any], ever: NDArray[Any]) -> None:
        """As :meth:`clashes`, for rows with conditions and for runs."""
        tables = level.other

        def pair(column: int) -> Any:
            return tables[first][column][:, None] + tables[second][column][None, :]

        runs: dict[int, tuple[str, list[tuple[int, int]]]] = {
            final: (how, [(int(hit[at]), int(stop[at])) for hit, stop in chain.steps])
            for how, chain in level.chains
            for at, final in enumerate(chain.finals)
        }
        known: dict[int, Any] = {}

        def run(index: int) -> Any:
            if index not in known:
                how, steps = runs[index]
                now = np.zeros(near.shape, dtype=np.int64)
                for hit, stop in steps:
                    if not any(tables[slot][column].any() for slot in (first, second) for column in (hit, stop)):
                        continue
                    now = now + pair(hit) if how == "after" else np.maximum(now, pair(hit))
                    now[pair(stop) > 0] = 0
                known[index] = now
            return known[index]

        somes = {made.index: column for made, column in level.ops if made.how == "any"} | level.partial
        for column, terms, given, low, high in level.rows:
            if low > _LOW or any(one not in somes and one not in runs for one in given):
                continue
            if any(var not in runs or runs[var][0] != "after" or factor < 0 for var, factor in terms):
                continue
            # the least that the slots before, between and the columns in every programme add
            others = int(level.base[1][column])
            before = sum(int(tables[slot][column].min()) for slot in range(first))
            between = sum(int(tables[slot][column].min()) for slot in range(first + 1, second))
            total = pair(column) + (others + before)
            for var, factor in terms:
                total = total + factor * run(var)
            broken = total > high
            later = total + between > high
            for one in given:
                holds = pair(somes[one]) > 0 if one in somes else run(one) > 0
                broken &= holds
                later &= holds
            near |= broken
            if not terms and all(one in somes for one in given):
                ever |= later

    def _follow(self, how: str, chain: _Chain, got: NDArray[Any], values: dict[int, Any]) -> None:
        """The length of each run after its last slot, or whether a marked pass is part of it."""
        now = np.zeros((len(chain.finals), got.shape[1]), dtype=got.dtype)
        for hit, stop in chain.steps:
            if how == "after":
                now += got[hit]
            else:
                np.maximum(now, got[hit], out=now)
            now[got[stop] > 0] = 0
        for at, index in enumerate(chain.finals):
            values[index] = now[at]

    def _value(self, made: Made, values: dict[int, Any], total: Any, count: int) -> Any:
        of = made.of
        if made.how == "sum":
            return total
        if made.how == "any":
            return (total > 0).astype(np.int64)
        if made.how == "one":
            return np.ones(count, dtype=np.int64)
        if made.how == "all":
            found = np.ones(count, dtype=np.int64)
            for one in of:
                found &= values[_var(one)] ^ (1 if one < 0 else 0)
            return found
        if made.how == "inside":
            number = values[of[0]]
            return ((number >= made.table[0]) & (number <= made.table[1])).astype(np.int64)
        if made.how == "table":
            return np.asarray(made.table, dtype=np.int64)[values[of[0]]]
        raise AssertionError(made.how)

    # --- what to look at on which level -----------------------------------------------------------------------------

    def _prepare(self, level: int) -> _Level:
        """Rows that the choice on the last decided slot can break, with what they need."""
        ids: dict[Any, int] = {}  # quantity -> column
        terms_of: list[list[tuple[int, int]]] = []
        plain: list[tuple[int, int, int]] = []
        special: list[tuple[int, list[tuple[int, int]], tuple[int, ...], int, int]] = []
        need: set[int] = set()
        partial: dict[int, int] = {}

        def quantity(key: Any, terms: list[tuple[int, int]]) -> int:
            if key not in ids:
                ids[key] = len(terms_of)
                terms_of.append(terms)
            return ids[key]

        for row in self.rows:
            found = self._row_at(row, level)
            if found is None:
                continue
            simple, aux, given, low, high = found
            column = quantity(row, simple)
            if not aux and not given:
                plain.append((column, low, high))
                continue
            special.append((column, aux, given, low, high))
            need |= {var for var, _ in aux}
            for one in given:
                if one >= 0 and self._level[one] > level:
                    partial[one] = quantity(("any", one), [(index, 1) for index in self._made[one].of])
                else:
                    need.add(_var(one))
        ops: list[tuple[Made, int]] = []
        runs: dict[tuple[str, int], list[list[tuple[int, int]]]] = {}
        finals: dict[tuple[str, int], list[int]] = {}
        for made in reversed(self._made.values()):
            if made.index not in need:
                continue
            if made.how in ("after", "held"):
                steps: list[tuple[int, int]] = []
                last: Made | None = made
                while last is not None:
                    pair = [self._made[index] for index in last.of[:2]]
                    columns = [quantity(("sum", p.index), [(index, 1) for index in p.of]) for p in pair]
                    steps.append((columns[0], columns[1]))
                    last = self._made[last.of[2]] if len(last.of) > 2 else None
                runs.setdefault((made.how, len(steps)), []).append(steps[::-1])
                finals.setdefault((made.how, len(steps)), []).append(made.index)
            elif made.how in ("sum", "any"):
                ops.append((made, quantity((made.how, made.index), [(index, 1) for index in made.of])))
            else:
                ops.append((made, -1))
                need |= {_var(index) for index in made.of}
        # whole rows stand first, those with a most before those with a least; one with both is two
        most = [(column, high) for column, _, high in plain if high < _HIGH]
        least = [(column, low) for column, low, _ in plain if low > _LOW]
        front = [column for column, _ in (*most, *least)]
        rest = [column for column in range(len(terms_of)) if column not in set(front)]
        order = [*front, *rest]
        place = {column: at for at, column in enumerate(rest)}
        tables = [np.zeros((len(self.options[slot]) + 1, len(order)), dtype=np.int64) for slot in range(level)]
        base = np.zeros(len(order), dtype=np.int64)
        for at, column in enumerate(order):
            for index, factor in terms_of[column]:
                if index in self._always:
                    base[at] += factor
                elif self._place[index][0] < level:
                    slot, way = self._place[index]
                    tables[slot][way, at] += factor
        biggest = int(np.abs(base).max(initial=0)) + sum(int(np.abs(table).max(initial=0)) for table in tables)
        kind = np.int32 if biggest < 2**31 else np.int64
        chains = [
            (
                how,
                _Chain(
                    finals[how, count],
                    [
                        (
                            np.array([place[steps[step][0]] for steps in many]),
                            np.array([place[steps[step][1]] for steps in many]),
                        )
                        for step in range(count)
                    ],
                ),
            )
            for (how, count), many in runs.items()
        ]
        return _Level(
            [np.ascontiguousarray(table[:, : len(front)], dtype=kind) for table in tables],
            [np.ascontiguousarray(table[:, len(front) :].T, dtype=kind) for table in tables],
            (base[: len(front)].astype(kind), base[len(front) :].astype(kind)),
            np.array([high for _, high in most], dtype=np.int64),
            np.array([low for _, low in least], dtype=np.int64),
            [(made, place[column] if column >= 0 else -1) for made, column in ops[::-1]],
            chains,
            {index: place[column] for index, column in partial.items()},
            [(place[column], aux, given, low, high) for column, aux, given, low, high in special],
        )

    def _row_at(
        self, row: Row, level: int
    ) -> tuple[list[tuple[int, int]], list[tuple[int, int]], tuple[int, ...], int, int] | None:
        """A row as it stands on a level: terms on columns, terms on made variables, conditions, bounds that leave room
        for what is open. None: nothing new is decided about it, or a condition is not decided."""
        simple = [(var, factor) for var, factor in row.terms if var in self._place or var in self._always]
        aux = [(var, factor) for var, factor in row.terms if var in self._made]
        given = []
        for one in row.given:
            made = self._made.get(one)
            # any of some columns is told as soon as one of them is chosen
            if self._level[_var(one)] > level and (made is None or made.how != "any"):
                return None
            given.append(one)
        touched = {self._level[var] for var, _ in row.terms}
        for one in row.given:
            touched.add(self._level[_var(one)])
            made = self._made.get(_var(one))
            if made is not None and made.how == "any":
                touched |= {self._level[index] for index in made.of}
        if level not in touched and not (level == 1 and 0 in touched):
            return None
        least, most = 0, 0
        open_: dict[int, tuple[int, int]] = {}
        for var, factor in simple:
            at = self._level[var]
            if at > level:
                low, high = open_.get(at, (0, 0))
                open_[at] = (min(low, factor), max(high, factor))
        for low, high in open_.values():
            least, most = least + low, most + high
        for var, factor in aux:
            if self._level[var] > level:
                ends = [factor * end for end in self._domain[var]]
                least, most = least + min(ends), most + max(ends)
        low = max(_LOW, row.low - most) if row.low > _LOW else _LOW
        high = min(_HIGH, row.high - least) if row.high < _HIGH else _HIGH
        decided = [(var, factor) for var, factor in aux if self._level[var] <= level]
        kept = [(var, factor) for var, factor in simple if self._level[var] <= level]
        return kept, decided, tuple(given), low, high


def _var(literal: int) -> int:
    """The variable of a literal."""
    return literal if literal >= 0 else -literal - 1
