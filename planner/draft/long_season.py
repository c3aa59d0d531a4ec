"""A season with more dates than every programme can be looked at for: what CP-SAT finds of its front.

Potatoes under late blight and vines under mildew are sprayed ten to fifteen times, a week or so apart. For such a
season the named programmes and some more points of the front come from the search alone (``draft.solve``): least money,
least bare days and least selection under caps on the other figures, in a fixed number of solves. CP-SAT adds up what
each pass selects by itself; the figures shown are those of the whole programme, so what it calls the gentlest is the
gentlest by that sum. Of all programmes found the ones are named that are best by the figures shown.
"""

from __future__ import annotations

import copy
from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace
from typing import Any

from planner.draft.options import Column, Space
from planner.draft.scan import STEPS, Found, Resolution
from planner.draft.solve import Answer, Search, Unsolved

LEVELS = 4  # caps on bare days, from the best cover to the most that a named programme may leave bare
QUESTION = 3.0  # of the solver's own time for one question; its answer is not told as proven
TWO = 2  # products in a tank that are held without question; modes of action that are told apart


def thinned(space: Space) -> tuple[Space, int]:
    """The season without tanks of three products of which two cover as many days of every target with as many modes of
    action (two or more counting as two), and how many those were."""
    dropped: set[int] = set()
    for columns in space.by_slot:
        marks = {frozenset(column.products): _marks(space, column) for column in columns}
        for column in columns:
            names = frozenset(column.products)
            if column.kept or len(names) <= TWO:
                continue
            whole = marks[names]
            if any(
                len(part) == TWO and part < names and all(map(_no_less, pair, whole)) for part, pair in marks.items()
            ):
                dropped.add(column.number)
    less = copy.copy(space)
    less.columns = [column for column in space.columns if column.number not in dropped]
    less.by_slot = [[column for column in columns if column.number not in dropped] for columns in space.by_slot]
    return less, len(dropped)


def _marks(space: Space, column: Column) -> list[tuple[int, frozenset[int]]]:
    """Of every target: working modes, and the days covered."""
    return [
        (
            min(TWO, space.account.working_groups(column.uses, target)),
            frozenset(day for first, last in column.spans.get(target.id, ()) for day in range(first, last + 1)),
        )
        for target in space.account.targets
    ]


def _no_less(pair: tuple[int, frozenset[int]], whole: tuple[int, frozenset[int]]) -> bool:
    return pair[0] >= whole[0] and pair[1] >= whole[1]


def resolution_of(space: Space) -> Resolution:
    """Steps of the figures, money told apart in no more steps than the scan of a shorter season does."""
    most = sum(max((column.cost for column in columns), default=0) for columns in space.by_slot)
    found = Resolution()
    while most > found.cost * STEPS:
        found = Resolution(cost=found.cost * 10)
    return found


def points(search: Search, known: Sequence[Answer], most_bare: int, resolution: Resolution) -> Iterator[list[Answer]]:
    """Programmes of which none beats another, those known among them: after each cap on bare days all found so far.

    Raises:
        Stopped: the clock ended it.
    """
    found = list(known)
    best = min(one.bare for one in known)
    for level in range(LEVELS + 1):
        found += _at(search, best + (most_bare - best) * level // LEVELS, found)
        yield front(found, resolution)


def _at(search: Search, most_bare: int, known: Sequence[Answer]) -> Iterator[Answer]:
    """The cheapest and the gentlest programme under a cap on bare days, and the cheapest with half of the difference
    between what these two select."""
    ends = []
    for order in (("cost", "selection", "bare", "cautions"), ("selection", "cost", "bare", "cautions")):
        with search.within(bare=most_bare):
            one = _found(search, order, [k for k in known if k.bare <= most_bare])
        if one is None:
            return
        ends.append(one)
        yield one
    dear, gentle = (summed(one) for one in ends)
    if dear - gentle > 1:
        with search.within(bare=most_bare, selection=(dear + gentle) // 2):
            half = _found(search, ("cost", "selection", "bare", "cautions"), ends[1:])
        if half is not None:
            yield half


def _found(search: Search, order: Sequence[str], known: Sequence[Answer]) -> Answer | None:
    if known:
        search.hint(min(known, key=lambda one: getattr(one, order[0])).columns)
    try:
        one = search.best(order)
    except Unsolved:
        return None
    return one and replace(one, proven=False)


class Asked:
    """The best programmes of a long season that hold what is asked for, as ``draft.scan`` gives them for a shorter one.

    Args:
        search: the model with the rules and wishes.
        objective: what is least in the best programme, as an expression of that model.
        begin: a programme to begin at.
    """

    def __init__(self, search: Search, objective: Any, begin: Answer) -> None:
        self.search, self.space, self.objective = search, search.space, objective
        self.found, self.begin = Found(complete=True), begin
        search.work = QUESTION
        search.hint(begin.columns)

    def best(self, force: Sequence[Column], without: Collection[int] = ()) -> Answer | None:
        """The best programme with one of these columns; ``proven`` by the sum of what its passes select.

        None where there is none, or none was found that keeps the good practice asked for.

        Raises:
            Stopped: the solver came to the end of its work or time.
        """
        search = self.search
        with search.holding(force, without):
            try:
                return search.minimise(self.objective)
            except Unsolved:
                if search.wanted.strict:  # ask with less of good practice
                    return None
                # little money leaves few ways: the cheapest is sooner found, and is a place to begin
                cheapest = search.best(("cost",))
            if cheapest is None:
                return None
            search.hint(cheapest.columns)
            try:
                return search.minimise(self.objective)
            except Unsolved:
                return cheapest
            finally:
                search.hint(self.begin.columns)


def summed(answer: Answer) -> int:
    """What the passes of a programme select each by itself, added up: what CP-SAT works with."""
    return sum(column.selection for column in answer.columns)


def front(answers: Sequence[Answer], resolution: Resolution) -> list[Answer]:
    """Those that none of the others beats at a resolution, the first of equals."""
    points: dict[tuple[int, int, int], Answer] = {}
    for one in answers:
        points.setdefault(resolution.of(one.point), one)
    return [
        points[at]
        for at in sorted(points)
        if not any(other != at and all(a <= b for a, b in zip(other, at, strict=True)) for other in points)
    ]


__all__ = ["Asked", "front", "points", "resolution_of", "summed", "thinned"]
