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

from planner.draft.check import Checker
from planner.draft.dose import Doses
from planner.draft.options import MONEY, PRESSURE_WEIGHT, SELECTION, Column
from planner.draft.solve import Answer, Search, Stopped

if TYPE_CHECKING:
    from numpy.typing import NDArray

CHUNK = 4096  # programmes that are held against the rules together
GROWN = 32768  # about as many beginnings are made together
MOST_LOOKED_AT = 20_000_000  # beginnings; then the scan stops and says that the front is not complete
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
    """Points that none of the others beats, in steps, with a table of the least index by cost and bare days."""

    def __init__(self, resolution: Resolution, most_cost: int, most_bare: int) -> None:
        self.resolution = resolution
        self.points: dict[tuple[int, int, int], Answer] = {}
        self.edge = (-(-most_cost // resolution.cost), -(-most_bare // resolution.bare))
        self.least = np.full((self.edge[0] + 1, self.edge[1] + 1), 2**30, dtype=np.int64)

    def beaten(
        self, cost: NDArray[Any], bare: NDArray[Any], index: NDArray[Any], cautions: NDArray[Any]
    ) -> NDArray[Any]:
        """Whether a known point is as good or better on all three figures (money, weighted days, tenths of days)."""
        at = np.minimum(-(-cost // self.resolution.cost), self.edge[0])
        days = np.minimum(-(-bare // self.resolution.bare), self.edge[1])
        found: NDArray[Any] = self.least[at, days] <= -(-index // self.resolution.selection)
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
        part = self.least[cost:, bare:]
        np.minimum(part, index, out=part)


Figures = Callable[[Any, Any, Any, Any], Any]  # money, bare days, index, cautions to one number; grows with each


class Best:
    """The one programme that is least by some figure of it; of equals the one found first."""

    def __init__(self, worth: Figures) -> None:
        self.worth = worth
        self.least: int | None = None
        self.answer: Answer | None = None

    def beaten(
        self, cost: NDArray[Any], bare: NDArray[Any], index: NDArray[Any], cautions: NDArray[Any]
    ) -> NDArray[Any]:
        """Whether the best that is known is no worse."""
        if self.least is None:
            return np.zeros(len(cost), dtype=bool)
        found: NDArray[Any] = self.worth(cost, bare, index, cautions) >= self.least
        return found

    def add(self, answer: Answer) -> None:
        """Take it where it is better."""
        worth = int(self.worth(answer.cost, answer.bare, answer.selection, answer.cautions))
        if self.least is None or worth < self.least:
            self.least, self.answer = worth, answer


@dataclass
class _Part:
    """Beginnings that are grown together: choices, and the three figures so far."""

    choices: NDArray[Any]
    cost: NDArray[Any]
    index: NDArray[Any]
    cautions: NDArray[Any]
    cover: NDArray[Any]  # programmes x words of days


class Scan:
    """The search over one model (rules, wishes and, where asked, the strict ones). Same input, same answer: only the
    clock can end it elsewhere, and then it says so."""

    def __init__(self, search: Search, *, seconds: float = 60.0) -> None:
        self.search, self.space = search, search.space
        self._end = time.monotonic() + seconds
        self._force: list[Any] = []
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
        self.most_cost = sum(max((c.cost for c in slot), default=0) for slot in self.options) + self.fixed
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

    def front(self, known: Sequence[Answer] = (), told: Callable[[int, int], None] | None = None) -> Found:
        """Everything that none beats. ``known``: programmes found otherwise.

        Raises:
            Stopped: the clock ended it; ``self.found`` holds what was found until then.
        """
        most_bare = self.search.wanted.most_bare
        looked_at = 0
        for late in (True, False):
            archive = Archive(self.resolution, self.most_cost, self.whole)
            self.found = Found(looked_at=looked_at)
            self._late = late
            try:
                self._run(archive, known, most_bare, told, archive.points)
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
            size = max(1, GROWN // (len(self.options[part.choices.shape[1] - 1]) + 1))
            stack += [_only(part, slice(at, at + size)) for at in range(0, len(part.choices), size)]
        self.found.complete = True

    def _grown(self, part: _Part) -> _Part:
        """All ways to decide one more slot that are not lost."""
        slot = part.choices.shape[1]
        ways = self._ways[slot]
        parents = np.repeat(np.arange(len(part.choices)), len(ways))
        choice = np.tile(ways, len(part.choices))
        self.found.looked_at += len(choice)
        grown = _Part(
            np.column_stack([part.choices[parents], choice]),
            part.cost[parents] + self.cost[slot][choice],
            part.index[parents],
            part.cautions[parents] + self.cautions[slot][choice],
            part.cover[parents] | self.cover[slot][choice],
        )
        # the cheap looks first, the rules last
        grown = _only(grown, ~self._lost(grown))
        if len(grown.choices):
            grown.index = grown.index + self.doses.stretch(grown.choices)
            grown = _only(grown, ~self._lost(grown))
        return _only(grown, self._sound(grown))

    def _sound(self, part: _Part) -> NDArray[Any]:
        found = np.ones(len(part.choices), dtype=bool)
        for at in range(0, len(part.choices), CHUNK):
            found[at : at + CHUNK] = self.checker.sound(part.choices[at : at + CHUNK])
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


def _only(part: _Part, keep: Any) -> _Part:
    return _Part(part.choices[keep], part.cost[keep], part.index[keep], part.cautions[keep], part.cover[keep])


def _undominated(pairs: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    """Pairs of money and days of which none has fewer days for no less money, in the order of money."""
    kept: list[tuple[int, int]] = []
    for cost, gain in sorted(set(pairs), key=lambda pair: (pair[0], -pair[1])):
        if not kept or gain > kept[-1][1]:
            kept.append((cost, gain))
    return kept
