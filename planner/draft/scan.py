"""Every sound programme looked at, slot by slot, in numpy: the exact front, or the best programme by some figure.

A programme grows slot by slot. A beginning is dropped when a rule has thrown it out (``draft.check``, the constraints
of the CP-SAT model), or when whatever may follow is beaten by a programme that is known: its cost can only grow, its
bare days fall no further than the passes to come can cover, and the index of the whole programme never falls below
what the days so far add up to (``draft.dose``). What is left at the end is held against the audit before it counts.

The front is exact at a resolution (``Resolution``): two programmes that do not differ by a whole step are one point.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Container, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from planner.draft.ahead import Ahead
from planner.draft.check import Checker
from planner.draft.dose import Doses, Look
from planner.draft.options import MONEY, PRESSURE_WEIGHT, SELECTION, Column
from planner.draft.solve import Answer, Search, Stopped

if TYPE_CHECKING:
    from numpy.typing import NDArray

GROWN = 32768  # about as many beginnings are made together
PARENTS = 2048  # as many are grown together at most
MATRIX = 100_000  # beginnings x ends that are looked at together
TOGETHER = 16  # times as many are multiplied out together
ROUGH = 0.001  # days; bounds are multiplied out in single precision, which is at most half as far off
MOST_LOOKED_AT = 10_000_000  # beginnings; then the scan stops and says that the front is not complete
AUDIT_WEIGHS = 200  # a programme that only the audit throws out takes about as long as so many beginnings
STEPS = 5000  # money is told apart in at most so many steps


@dataclass(frozen=True)
class Resolution:
    """Steps of the three figures: money in 1/MONEY per hectare, weighted bare days, tenths of selection days."""

    cost: int = MONEY
    bare: int = 1
    selection: int = SELECTION

    def of(self, point: Sequence[int]) -> tuple[int, int, int]:
        """A point in whole steps, each figure rounded up."""
        return (-(-point[0] // self.cost), -(-point[1] // self.bare), -(-point[2] // self.selection))


@dataclass
class Found:
    """What a scan found. ``complete``: nothing was left unlooked at."""

    answers: list[Answer] = field(default_factory=list)
    complete: bool = False
    looked_at: int = 0
    audited: int = 0


class Archive:
    """Points that none of the others beats, in steps, with tables of the least index by cost and bare days and of the
    least cost by bare days and index. ``most_...``: beyond them figures are told apart no more."""

    def __init__(self, resolution: Resolution, most_cost: int, most_bare: int, most_index: int) -> None:
        self.resolution = resolution
        self.points: dict[tuple[int, int, int], Answer] = {}
        self.changes = 0
        self.edge = (-(-most_cost // resolution.cost), -(-most_bare // resolution.bare))
        self.least = np.full((self.edge[0] + 1, self.edge[1] + 1), 2**30, dtype=np.int64)
        self.last = -(-most_index // resolution.selection)
        self.spent = np.full((self.edge[1] + 1, self.last + 1), 2**30 * resolution.cost, dtype=np.int64)

    def beaten(
        self, cost: NDArray[Any], bare: NDArray[Any], index: NDArray[Any], cautions: NDArray[Any]
    ) -> NDArray[Any]:
        """Whether a known point is as good or better on all three figures (money, weighted days, tenths of days)."""
        at = np.minimum(-(-cost // self.resolution.cost), self.edge[0])
        days = np.minimum(-(-bare // self.resolution.bare), self.edge[1])
        found: NDArray[Any] = self.least[at, days] <= -(-index // self.resolution.selection)
        return found

    def room(self, bare: NDArray[Any], index: NDArray[Any]) -> NDArray[Any]:
        """The most money at which no known point is as good or better, for weighted days and tenths of days."""
        days = np.minimum(-(-bare // self.resolution.bare), self.edge[1])
        days *= self.last + 1
        at = -(-index // self.resolution.selection)
        np.minimum(at, self.last, out=at)
        at += days
        found: NDArray[Any] = self.spent.ravel().take(at)
        return found

    def add(self, answer: Answer) -> None:
        """Take a point in, and out what it beats."""
        point = self.resolution.of(answer.point)
        cost, bare, index = min(point[0], self.edge[0]), min(point[1], self.edge[1]), point[2]
        if self.least[cost, bare] <= index:
            return
        for other in list(self.points):
            if all(a <= b for a, b in zip(point, other, strict=True)):
                del self.points[other]
        self.points[point] = answer
        self.changes += 1
        part = self.least[cost:, bare:]
        np.minimum(part, index, out=part)
        part = self.spent[bare:, min(index, self.last) :]
        np.minimum(part, (cost - 1) * self.resolution.cost, out=part)


Figures = Callable[[Any, Any, Any, Any], Any]  # money, bare days, index, cautions to one number; grows with each


_ANY = 2**62


class Best:
    """The one programme that is least by some figure of it; of equals the one found first."""

    def __init__(self, worth: Figures) -> None:
        self.worth = worth
        self.least: int | None = None
        self.answer: Answer | None = None
        self.changes = 0

    def beaten(
        self, cost: NDArray[Any], bare: NDArray[Any], index: NDArray[Any], cautions: NDArray[Any]
    ) -> NDArray[Any]:
        """Whether the best that is known is no worse."""
        if self.least is None:
            return np.zeros(np.broadcast_shapes(np.shape(cost), np.shape(index)), dtype=bool)
        found: NDArray[Any] = self.worth(cost, bare, index, cautions) >= self.least
        return found

    def add(self, answer: Answer) -> None:
        """Take it where it is better."""
        worth = int(self.worth(answer.cost, answer.bare, answer.selection, answer.cautions))
        if self.least is None or worth < self.least:
            self.least, self.answer = worth, answer
            self.changes += 1


@dataclass
class _Part:
    """Beginnings that are grown together: choices, the three figures so far, and what is left on the leaves."""

    choices: NDArray[Any]
    cost: NDArray[Any]
    index: NDArray[Any]
    cautions: NDArray[Any]
    cover: NDArray[Any]  # programmes x words of days
    past: NDArray[Any]  # programmes x targets: the same number where the target met the same until now
    rows: NDArray[Any]  # programmes x targets: row of that target's look
    looks: list[Look]  # for each target what it meets of the days to come if nothing more is sprayed
    room: NDArray[Any]  # programmes x kinds of pass on the next slot: the most money that one may cost (``_room``)
    when: int  # what was known then (``changes`` of the goal)


class Scan:
    """The search over one model (rules, wishes and, where asked, the strict ones). Same input, same answer: only the
    clock can end it elsewhere, and then it says so."""

    def __init__(self, search: Search, *, seconds: float = 60.0) -> None:
        self.search, self.space = search, search.space
        self._end = time.monotonic() + seconds
        self._force: list[Any] = []
        self._clashes: dict[tuple[int, int], tuple[Any, Any]] = {}  # by two slots: choices that exclude each other
        self._late = False  # whether points are audited at the end only
        self.found = Found()
        space = self.space
        x = search.compiled.x
        self.options: list[list[Column]] = [[c for c in columns if c.number in x] for columns in space.by_slot]
        self._ways = self._all_ways()
        self.always = [column for column in space.columns if column.slot < 0]
        self.checker = Checker(
            search.compiler, [[c.number for c in slot] for slot in self.options], [c.number for c in self.always]
        )
        self.doses = Doses(
            [slot.day for slot in space.slots],
            [[space.met(column) for column in slot] for slot in self.options],
            space.joined,
        )
        self.cautions = [
            np.array([0, *[0 if c.kept else c.cautions for c in slot]], dtype=np.int64) for slot in self.options
        ]
        self._money()
        self._days()
        self._ahead()
        pays = [
            cost - np.minimum(used, self.free) @ self.price for cost, used in zip(self.cost, self.used, strict=True)
        ]
        self.ends = Ahead(self.doses, pays, self.cover, self._ways)
        self.most_cost = sum(max((c.cost for c in slot), default=0) for slot in self.options) + self.fixed
        self.most_index = sum(max((c.selection for c in slot), default=0) for slot in self.options)
        self.resolution = Resolution()
        while self.most_cost > self.resolution.cost * STEPS:
            self.resolution = Resolution(cost=self.resolution.cost * 10)

    # --- figures ----------------------------------------------------------------------------------------------------

    def _money(self) -> None:
        space = self.space
        self.stocked = [product for product in space.products if space.on_hand(product)]
        self.free = np.array([space.on_hand(product) for product in self.stocked], dtype=np.int64)
        self.price = np.array([space.unit_price(product) for product in self.stocked], dtype=np.int64)
        self.cost = [np.array([0, *[c.cost for c in slot]], dtype=np.int64) for slot in self.options]
        self.used = [
            np.array(
                [[0] * len(self.stocked), *[[c.amounts.get(p.name, 0) for p in self.stocked] for c in slot]],
                dtype=np.int64,
            ).reshape(len(slot) + 1, len(self.stocked))
            for slot in self.options
        ]
        self.fixed = sum(column.cost for column in self.always)
        self.fixed_use = np.array(
            [sum(c.amounts.get(p.name, 0) for c in self.always) for p in self.stocked], dtype=np.int64
        )

    def _paid(self, choices: NDArray[Any], whole: NDArray[Any]) -> NDArray[Any]:
        """Money to pay: it never falls when a pass is added, for stock is worth no more than its product."""
        if not self.stocked:
            return whole
        used = np.repeat(self.fixed_use[None, :], len(choices), axis=0)
        for slot in range(choices.shape[1]):
            used += self.used[slot][choices[:, slot]]
        paid: NDArray[Any] = whole - np.minimum(used, self.free) @ self.price
        return paid

    def _days(self) -> None:
        """Days of all windows as bits, a word of 64 holding days of one target, and what a day of the word weighs."""
        self.words: list[tuple[str, int, int]] = []  # target, first day, days
        for target in self.space.account.targets:
            window = target.window
            if window is None or window.first is None or window.through is None:
                continue
            for first in range(window.first, window.through + 1, 64):
                self.words.append((target.id, first, min(64, window.through + 1 - first)))
        weight = {target.id: PRESSURE_WEIGHT[target.entry.pressure] for target in self.space.account.targets}
        self.weight = np.array([weight[target] for target, _, _ in self.words], dtype=np.int64)
        self.full = np.array([(1 << days) - 1 for _, _, days in self.words], dtype=np.uint64)
        self.cover = [
            np.array([self._bits(None), *[self._bits(column) for column in slot]], dtype=np.uint64).reshape(
                len(slot) + 1, len(self.words)
            )
            for slot in self.options
        ]
        self.whole = int((np.bitwise_count(self.full).astype(np.int64) * self.weight).sum())
        caps = self.search.compiler.most_bare_days
        self.caps = [
            (np.array([one == target for one, _, _ in self.words]), most) for target, most in sorted(caps.items())
        ]

    def _bits(self, column: Column | None) -> list[int]:
        found = []
        for target, first, days in self.words:
            word = 0
            for begin, last in column.spans.get(target, ()) if column is not None else ():
                low, high = max(begin, first), min(last, first + days - 1)
                if low <= high:
                    word |= ((1 << (high - low + 1)) - 1) << (low - first)
            found.append(word)
        return found

    def _bare(self, cover: NDArray[Any]) -> NDArray[Any]:
        open_ = np.bitwise_count(~cover & self.full).astype(np.int64)
        bare: NDArray[Any] = open_ @ self.weight
        return bare

    def _ahead(self, force: Sequence[NDArray[Any]] = ()) -> None:
        """What the slots from each one on can still cover, and the most weighted days for each sum of money.

        ``force``: for each slot which choices are forced; then the same for what ends with one of them, and the fewest
        cautions that one brings.
        """
        slots = len(self.options)
        self.reach = np.zeros((slots + 1, len(self.words)), dtype=np.uint64)
        self.gains: list[list[tuple[int, int]]] = [[(0, 0)] for _ in range(slots + 1)]
        self.forced: list[list[tuple[int, int]]] = [[] for _ in range(slots + 1)]
        self.forced_cautions = [0] * (slots + 1)
        for slot in range(slots - 1, -1, -1):
            ways = self._ways[slot]
            self.reach[slot] = self.reach[slot + 1] | np.bitwise_or.reduce(self.cover[slot][ways], axis=0)
            pairs = self._pairs(slot, ways)
            self.gains[slot] = _undominated((c + d, g + h) for c, g in self.gains[slot + 1] for d, h in pairs)
            if force:
                held = ways[force[slot][ways]]
                here = [(c + d, g + h) for c, g in self.gains[slot + 1] for d, h in self._pairs(slot, held)]
                later = [(c + d, g + h) for c, g in self.forced[slot + 1] for d, h in pairs]
                fewest = [int(self.cautions[slot][held].min())] if len(held) else []
                if self.forced[slot + 1]:
                    fewest.append(self.forced_cautions[slot + 1])
                self.forced[slot] = _undominated([*here, *later])
                self.forced_cautions[slot] = min(fewest, default=0)

    def _pairs(self, slot: int, ways: NDArray[Any]) -> list[tuple[int, int]]:
        """Least money and most weighted days of some choices, those that none of them beats."""
        pays = self.cost[slot][ways] - np.minimum(self.used[slot][ways], self.free) @ self.price
        covers = np.bitwise_count(self.cover[slot][ways] & self.full).astype(np.int64) @ self.weight
        return _undominated(zip(pays.tolist(), covers.tolist(), strict=True))

    def _all_ways(self, without: Container[int] = ()) -> list[NDArray[Any]]:
        """For each slot the choices that a programme may make there."""
        return [
            np.array(
                [*([] if slot.kept else [0]), *[at for at, c in enumerate(ways, start=1) if c.number not in without]],
                dtype=np.int64,
            )
            for slot, ways in zip(self.space.slots, self.options, strict=True)
        ]

    # --- the search -------------------------------------------------------------------------------------------------

    def front(
        self,
        known: Sequence[Answer] = (),
        told: Callable[[int, int], None] | None = None,
        most: int | None = None,
    ) -> Found:
        """Everything that none beats. ``known``: programmes found otherwise. No more than about ``most`` beginnings are
        looked at.

        Raises:
            Stopped: the clock ended it; ``self.found`` holds what was found until then.
        """
        most_bare = self.search.wanted.most_bare
        looked_at = 0
        for late in (True, False):
            archive = Archive(self.resolution, self.most_cost, self.whole, self.most_index)
            self.found = Found(looked_at=looked_at)
            self._late = late
            try:
                self._run(archive, known, most_bare, told, archive.points, most)
            finally:
                points = [archive.points[point] for point in sorted(archive.points)]
                sound = [one for one in points if not late or one in known or not self.space.breaches(one.columns)]
                self.found.answers = sound
            if len(sound) == len(points):
                break
            # the audit throws out what the constraints let through, so it has to be asked before one beats others
            self.found.complete, looked_at = False, self.found.looked_at
        return self.found

    def best(
        self,
        worth: Figures,
        known: Sequence[Answer] = (),
        most_bare: int | None = None,
        force: Sequence[Column] = (),
        without: Container[int] = (),
        most: int | None = None,
    ) -> Answer | None:
        """The programme that is least by a figure that grows with money, bare days, index and cautions; ``proven``
        where everything was looked at. One of ``force`` is part of it, no column with a number of ``without`` is; no
        more than about ``most`` beginnings are looked at.

        Raises:
            Stopped: the clock ended it.
        """
        best = Best(worth)
        self.found, self._late = Found(), False
        numbers = {column.number for column in force}
        if force:
            self._force = [np.array([False, *[c.number in numbers for c in slot]]) for slot in self.options]
        self._ways = self._all_ways(without)
        self._ahead(self._force)
        try:
            known = [one for one in known if most_bare is None or one.bare <= most_bare]
            self._run(best, known, most_bare, most=most)
        finally:
            self._force = []
            self._ways = self._all_ways()
            self._ahead()
        return best.answer and replace(best.answer, proven=self.found.complete)

    def _run(
        self,
        goal: Archive | Best,
        known: Sequence[Answer],
        most_bare: int | None,
        told: Callable[[int, int], None] | None = None,
        points: dict[Any, Any] | None = None,
        most: int | None = None,
    ) -> None:
        self._goal, self._most_bare = goal, most_bare
        for answer in known:
            goal.add(answer)
        start = _Part(
            np.zeros((1, 0), dtype=np.int64),
            np.array([self.fixed], dtype=np.int64),
            np.zeros(1),
            np.zeros(1, dtype=np.int64),
            np.zeros((1, len(self.words)), dtype=np.uint64),
            np.zeros((1, len(self.doses.targets)), dtype=np.int64),
            np.zeros((1, len(self.doses.targets)), dtype=np.int64),
            self.doses.bare(),
            np.zeros((1, 0), dtype=np.int64),
            -1,
        )
        stack = [start]
        while stack:
            if self.found.looked_at > (most or MOST_LOOKED_AT):
                return
            if time.monotonic() > self._end:
                raise Stopped
            part = stack.pop()
            if part.choices.shape[1] == len(self.options):
                self._leaves(part)
                continue
            part = self._grown(part)
            if told is not None:
                told(self.found.looked_at, len(points or ()))
            stack += [_only(part, slice(at, at + PARENTS)) for at in range(0, len(part.choices), PARENTS)]
        self.found.complete = True

    def _grown(self, part: _Part) -> _Part:
        """All ways to decide one more slot that are not lost."""
        slot = part.choices.shape[1]
        ways = self._ways[slot]
        if self.ends.ends[slot] is None:
            may = np.ones((len(part.choices), len(ways)), dtype=bool)
        else:
            if part.when != self._goal.changes:  # what is known has grown since
                part.room = self._room(part)
            may = self.ends.pays[slot][ways] <= part.room[:, self.ends.of[slot][ways]]
            still = may.any(axis=1)
            part, may = _only(part, still), may[still]
        self._apart(part.choices, ways, may)
        begun = self.checker.begun(part.choices)
        fill = np.cumsum(may.sum(axis=1))
        made = []
        begin = 0
        while begin < len(may):
            before = int(fill[begin - 1]) if begin else 0
            stop = max(begin + 1, int(np.searchsorted(fill, before + GROWN, side="right")))
            parents, way = np.nonzero(may[begin:stop])
            if len(parents):
                made.append(self._next(part, begun, parents + begin, ways[way]))
            begin = stop
        return _together(made) if made else _only(self._with(part, np.zeros(0, dtype=np.int64), ways[:0]), slice(0))

    def _next(self, part: _Part, begun: NDArray[Any], parents: NDArray[Any], choice: NDArray[Any]) -> _Part:
        """These beginnings with these choices on the next slot, without those that are lost."""
        slot = part.choices.shape[1]
        self.found.looked_at += len(choice)
        # the cheap looks first
        fine = self.checker.plain(begun[parents], choice, slot + 1)
        parents = parents[fine]
        grown = self._with(part, parents, choice[fine])
        fine = ~self._lost(grown)
        grown = _only(grown, fine)
        grown = _only(grown, self.checker.rest(grown.choices, parents[fine]))
        grown.looks, grown.rows, grown.past = self.doses.look(grown.choices, grown.past)
        grown.index = grown.index + self.doses.added(grown.looks, grown.rows, slot)
        if slot + 1 < len(self.options) and self.ends.ends[slot + 1] is not None:
            grown.room = self._room(grown)
            return _only(grown, (grown.room >= self.ends.least[slot + 1]).any(axis=1))
        return _only(grown, ~self._lost(grown))

    def _apart(self, choices: NDArray[Any], ways: NDArray[Any], may: NDArray[Any]) -> None:
        """Take out of ``may`` (beginnings x ways) what no rule lets follow a pass that the beginning holds."""
        slots = choices.shape[1]
        later = np.zeros(len(choices), dtype=bool)  # whether a pass lies between
        for slot in range(slots - 1, -1, -1):
            if (slot, slots) not in self._clashes:
                self._clashes[slot, slots] = self.checker.clashes(slot, slots)
            here = choices[:, slot] > 0
            for which, table in zip((here & ~later, here & later), self._clashes[slot, slots], strict=True):
                rows = np.flatnonzero(which)
                if len(rows) and table.any():
                    may[rows] &= ~table[np.ix_(choices[rows, slot], ways)]
            later |= here

    def _with(self, part: _Part, parents: NDArray[Any], choice: NDArray[Any]) -> _Part:
        slot = part.choices.shape[1]
        return _Part(
            np.column_stack([part.choices[parents], choice]),
            part.cost[parents] + self.cost[slot][choice],
            part.index[parents],
            part.cautions[parents] + self.cautions[slot][choice],
            part.cover[parents] | self.cover[slot][choice],
            part.past[parents],
            part.rows[parents],
            part.looks,
            np.zeros((len(parents), 0), dtype=np.int64),
            self._goal.changes,
        )

    def _room(self, part: _Part) -> NDArray[Any]:
        """The most money that a pass on the next slot may cost, by its kind, so that an end that starts with it is not
        beaten (shape: beginnings x kinds; below 0: no end is left)."""
        slot = part.choices.shape[1]
        ends = self.ends.ends[slot]
        found = np.full((len(part.choices), len(self.ends.least[slot])), -1, dtype=np.int64)
        if not len(found):
            return found
        paid = self._paid(part.choices, part.cost)
        bare = np.column_stack([self._bare(part.cover | one) for one in ends.cover])
        # an end that is beaten after the best of every figure is beaten after all
        tables = []
        index = np.full(len(ends.cost), part.index.min())
        before = 0
        for at, (target, look) in enumerate(zip(self.doses.targets, part.looks, strict=True)):
            here = target.columns(slot)
            columns = slice(before + here.start, before + here.stop)
            used, row = np.unique(part.rows[:, at], return_inverse=True)
            states = np.concatenate([look.days[used, here], look.left[used, here]], axis=1)
            bounds = np.concatenate([ends.keep[:, columns], ends.add[:, columns]], axis=1)
            tables.append((states.astype(np.float32), bounds.astype(np.float32).T, row))
            index = index + look.days[used, here].min(axis=0) @ ends.keep[:, columns].T
            index = index + look.left[used, here].min(axis=0) @ ends.add[:, columns].T
            before += here.stop
        cost = paid.min() + ends.cost + self.ends.least[slot][ends.kind]
        which = np.flatnonzero(
            ~self._goal.beaten(cost, bare.min(axis=0)[ends.covered], self._least(index), part.cautions.min())
        )
        if not len(which):
            return found
        ends = ends.only(which)
        tables = [(states, np.ascontiguousarray(bounds[:, which]), row) for states, bounds, row in tables]
        begins = np.flatnonzero(np.diff(ends.kind, prepend=-1))
        kinds = ends.kind[begins]
        least = self.ends.least[slot][ends.kind]
        rows = max(1, MATRIX // len(which))
        more: list[tuple[Any, Any]] = []
        for at in range(0, len(found), rows):
            here = slice(at, at + rows)
            if at % (rows * TOGETHER) == 0:  # beginnings of one state are worked out together
                more = [
                    (states[used] @ bounds, np.concatenate([np.zeros(at, dtype=np.int64), found_at]))
                    for states, bounds, row in tables
                    for used, found_at in [np.unique(row[at : at + rows * TOGETHER], return_inverse=True)]
                ]
            whole = np.repeat(part.index[here, None] - ROUGH, len(which), axis=1)
            for table, row in more:
                whole += table[row[here]]
            index = self._least(whole)
            if isinstance(self._goal, Archive):
                room = self._goal.room(bare[here][:, ends.covered], index)
                room -= ends.cost
                room -= paid[here, None]
            else:
                cost = paid[here, None] + (ends.cost + least)
                beaten = self._goal.beaten(cost, bare[here][:, ends.covered], index, part.cautions[here, None])
                room = np.where(beaten, -1, _ANY)
            found[here, kinds] = np.maximum.reduceat(room, begins, axis=1)
        return found

    def _lost(self, part: _Part) -> NDArray[Any]:
        """Beginnings of which no end can be on the front."""
        slot = part.choices.shape[1]
        paid = self._paid(part.choices, part.cost)
        index = self._least(part.index)
        now = self._bare(part.cover)
        best = self._bare(part.cover | self.reach[slot])
        wanted = self.search.wanted
        lost = np.zeros(len(now), dtype=bool)
        if wanted.budget is not None:
            lost |= paid > round(wanted.budget * MONEY)
        if self._most_bare is not None:
            lost |= best > self._most_bare
        for mask, most in self.caps:
            open_ = np.bitwise_count(~(part.cover | self.reach[slot]) & self.full)[:, mask].sum(axis=1)
            lost |= open_ > most
        has = np.ones(len(now), dtype=bool)
        if self._force:
            has[:] = False
            for at in range(slot):
                has |= self._force[at][part.choices[:, at]]
        self._beaten(np.flatnonzero(~lost & has), self.gains[slot], 0, paid, now, best, index, part, lost)
        if self._force:
            left = np.flatnonzero(~lost & ~has)
            self._beaten(left, self.forced[slot], self.forced_cautions[slot], paid, now, best, index, part, lost)
        return lost

    def _beaten(
        self,
        open_at: NDArray[Any],
        gains: list[tuple[int, int]],
        cautions: int,
        paid: NDArray[Any],
        now: NDArray[Any],
        best: NDArray[Any],
        index: NDArray[Any],
        part: _Part,
        lost: NDArray[Any],
    ) -> None:
        """What may follow, from no pass to the most that money can cover: lost is where all of it is beaten."""
        lost[open_at] = True
        for cost, gain in gains:
            if not len(open_at):
                break
            bare = np.maximum(best[open_at], now[open_at] - gain)
            beaten = self._goal.beaten(paid[open_at] + cost, bare, index[open_at], part.cautions[open_at] + cautions)
            lost[open_at[~beaten]] = False
            open_at = open_at[beaten]

    def _least(self, index: NDArray[Any]) -> NDArray[Any]:
        """The least whole tenths of days that a programme's index can be when it is shown."""
        days = np.maximum(index - self.doses.slack, 0.0)
        found: NDArray[Any] = np.ceil(days * SELECTION - 0.5).astype(np.int64)
        return found

    def _leaves(self, part: _Part) -> None:
        """Whole programmes: those that none known beats are audited and taken in."""
        if not len(part.choices):
            return
        paid, bare = self._paid(part.choices, part.cost), self._bare(part.cover)
        index = self._least(part.index)
        # the promising first, so that they beat the rest
        for at in np.lexsort((paid, paid // self.resolution.cost + bare + index // SELECTION)):
            one = slice(at, at + 1)
            if self._goal.beaten(paid[one], bare[one], index[one], part.cautions[one])[0]:
                continue
            columns = [self.options[slot][way - 1] for slot, way in enumerate(part.choices[at]) if way]
            answer = self.search.answer([*self.always, *columns], True)
            figures = (answer.cost, answer.bare, answer.selection, answer.cautions)
            if self._goal.beaten(*(np.array([value]) for value in figures))[0]:
                continue
            self.found.audited += not self._late
            if self._late or not self.space.breaches(answer.columns):
                self._goal.add(answer)
            else:
                self.found.looked_at += AUDIT_WEIGHS


_ARRAYS = ("choices", "cost", "index", "cautions", "cover", "past", "rows", "room")


def _only(part: _Part, keep: Any) -> _Part:
    arrays = {name: getattr(part, name)[keep] for name in _ARRAYS}
    return _Part(**arrays, looks=part.looks, when=part.when)


def _together(parts: Sequence[_Part]) -> _Part:
    """Parts as one, with those rows of the looks that are still asked for."""
    rows = np.concatenate([part.rows for part in parts])
    past = np.concatenate([part.past for part in parts])
    looks = []
    for at in range(rows.shape[1]):
        kept = []
        begin = before = number = 0
        for part in parts:
            end = begin + len(part.rows)
            used, rows[begin:end, at] = np.unique(part.rows[:, at], return_inverse=True)
            rows[begin:end, at] += before
            past[begin:end, at] += number
            kept.append(part.looks[at].only(used))
            begin, before = end, before + len(used)
            number += int(part.past[:, at].max(initial=-1)) + 1
        looks.append(kept[0].joined(kept[1:]))
    arrays = {name: np.concatenate([getattr(part, name) for part in parts]) for name in _ARRAYS}
    arrays |= {"past": past, "rows": rows}
    return _Part(**arrays, looks=looks, when=min(part.when for part in parts))


def _undominated(pairs: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    """Pairs of money and days of which none has fewer days for no less money, in the order of money."""
    kept: list[tuple[int, int]] = []
    for cost, gain in sorted(set(pairs), key=lambda pair: (pair[0], -pair[1])):
        if not kept or gain > kept[-1][1]:
            kept.append((cost, gain))
    return kept
