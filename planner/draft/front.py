"""Which programmes to show: those that none beats on all three figures, and four of them by name.

The figures are money to pay per hectare, target-days without known cover weighted by pressure, and the selection index
of the whole programme (``planner.exposure``: summed over targets and groups, as its audit gives them).

CP-SAT says first whether a sound programme exists and which covers best for the least money. Everything else is asked
of the scan (``draft.scan``), which works with the index of the whole programme, in which passes act on each other, and
looks at every sound programme that could matter. Front and named programmes are exact at a resolution: money to a
whole unit of the currency, weighted days to a day, the index to a day. Of the programmes that are best by one figure
the one that is best by the next ones is named.

A season with more dates than the scan can handle rests on CP-SAT alone (``draft.long_season``), which gives the named
programmes and part of the front.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from planner.draft import every, long_season
from planner.draft.conflict import in_words, reasons
from planner.draft.options import Space
from planner.draft.scan import Figures, Resolution, Scan
from planner.draft.solve import Answer, Search, Stopped, Unsolved, Wanted, is_long
from planner.errors import NoProgramme

SCALE = 10_000  # shares of a range are counted in so many parts
MOST_SHARE = 8  # ranges: no figure of a sound programme lies further out than a few
WEIGHT = {"cost": 1, "bare": 2, "selection": 1}
MOST_SQUARED = 10**9
CAUTION = SCALE**2 // 2  # half of what a figure counts that lies a whole range off
# Programmes are compared that leave bare at most one part in so many of what can be covered. A long season asks for a
# spray a week because its disease forgives no gap (our reading, no source; nothing at all would always be cheapest).
PARTS, LONG_PARTS = 2, 10
TOLD_EVERY = 500_000  # beginnings between two lines of progress
FREE = Wanted()  # nothing asked beside the rules
FIGURES = ("cost", "bare", "selection")


@dataclass
class Front:
    """What a draft found. ``named`` is in the order cheapest, best covered, gentlest, balanced."""

    space: Space
    nothing: Answer
    named: dict[str, Answer] = field(default_factory=dict)
    points: list[Answer] = field(default_factory=list)
    complete: bool = False
    stopped: bool = False
    model_complete: bool = True
    left_to_audit: list[str] = field(default_factory=list)
    most_bare: int = 0
    strict: int = 0  # how much of good practice the balanced programme keeps beside the rules (``Wanted.strict``)
    looked_at: int = 0
    long: bool = False  # too many dates for every programme to be looked at (``draft.long_season``)
    stood_aside: int = 0  # tanks of three products that a long season leaves out
    by_sum: set[str] = field(default_factory=set)  # named programmes proven by the sum of what each pass selects
    resolution: Resolution = field(default_factory=Resolution)
    over_all: bool = False  # whether ``complete`` is said of every tank mix that the labels allow (``draft.every``)
    weighed: int = 0  # passes that were weighed, a pass being a tank mix on a date
    allowed: int = 0  # passes that the labels allow

    @property
    def part(self) -> str:
        """The part of what can be covered that a programme may leave bare to be compared, in words."""
        return "a tenth" if self.long else "half"

    def limit(self, least: int) -> None:
        """Set ``most_bare``, where the best cover leaves so many weighted days bare."""
        self.most_bare = least + max(0, self.nothing.bare - least) // (LONG_PARTS if self.long else PARTS)

    @property
    def proven(self) -> bool:
        """Whether every named programme is proven best of its kind."""
        return not self.stopped and all(answer.proven for answer in self.named.values())


def draft(
    space: Space,
    wanted: Wanted = FREE,
    *,
    seconds: float = 60.0,
    told: Callable[[str], None] | None = None,
    resolution: Resolution | None = None,
) -> Front:
    """Search the named programmes, then the front.

    Args:
        resolution: steps of the front's figures, where the planner's own are not wanted.

    Raises:
        NoProgramme: nothing satisfies the rules and wishes; the reasons are a smallest set that clashes.
    """
    say = told or (lambda _line: None)
    made = [one for one in space.breaches(space.kept) if one.rule != "LIM02"]  # more passes can only mend a share
    if made:
        raise NoProgramme(
            "the passes that are kept breach a rule by themselves, so no programme with them is sound", in_words(made)
        )
    end = time.monotonic() + seconds
    stood_aside = 0
    if is_long(space):
        space, stood_aside = long_season.thinned(space)
    search = Search(space, wanted, seconds=seconds)
    found = Front(space, search.answer(space.kept, True), long=search.long, stood_aside=stood_aside)
    found.left_to_audit = search.compiled.left_to_audit
    found.model_complete = search.compiled.complete
    scan: Scan | None = None
    try:
        _first(search, found, say, seconds)
        if found.long:
            _long(search, found, say, seconds, resolution)
            return found
        scan = Scan(search, seconds=seconds)
        found.resolution = scan.resolution = resolution or scan.resolution
        say("looking for every programme that none beats")
        _points(scan, found, say)
        whole = _every_mix(search, found, say, end - time.monotonic())
        say("looking for the balanced programme")
        _balanced(scan, found, seconds, whole)
    except (Stopped, KeyboardInterrupt):
        found.stopped = True
        if not found.named:
            raise NoProgramme(
                "the search was stopped before a sound programme was found", ["give it longer with --seconds"]
            ) from None
        if scan is not None and not found.points:
            found.points = scan.found.answers
        worth = balanced(found)
        best = min(
            [*found.named.values(), *found.points],
            key=lambda one: int(worth(one.cost, one.bare, one.selection, one.cautions)),
        )
        found.named.setdefault("balanced", replace(best, proven=False))
    return found


def _first(search: Search, found: Front, say: Callable[[str], None], seconds: float) -> None:
    """Named programmes as CP-SAT finds them. It minimises the sum of what each pass selects by itself, so that its
    gentlest one is a start only."""
    say("looking for the best covered programme")
    best = search.best(("bare", "cost", "selection", "cautions"))
    if best is None:
        raise NoProgramme("no programme can satisfy the rules", reasons(found.space, search.wanted))
    found.named["best covered"] = best
    found.limit(best.bare)
    say("looking for the cheapest and the gentlest programme")
    if found.long:
        _long_first(search, found, best)
        return
    useful = Search(found.space, replace(search.wanted, most_bare=found.most_bare), seconds=seconds)
    cheapest = useful.best(("cost", "bare", "selection", "cautions")) or best
    gentlest = useful.best(("selection", "bare", "cost", "cautions")) or best
    gentlest = replace(gentlest, proven=False)
    found.named = {"cheapest": cheapest, "best covered": best, "gentlest": gentlest}


def _long_first(search: Search, found: Front, best: Answer) -> None:
    """The cheapest and the gentlest of a long season, both from the model that is there."""
    order = ("selection", "bare", "cost", "cautions")
    with search.within(bare=found.most_bare):
        search.hint(best.columns)
        found.named["cheapest"] = _solved(search, ("cost", "bare", "selection", "cautions"), best)
        gentlest = _solved(search, order, best)
    found.by_sum = {"gentlest"} if gentlest.proven else set()
    # what no pass selects by itself no programme of such passes selects
    found.named["gentlest"] = replace(gentlest, proven=gentlest.proven and not long_season.summed(gentlest))
    found.named = {name: found.named[name] for name in ("cheapest", "best covered", "gentlest")}


def _solved(search: Search, order: tuple[str, ...], known: Answer) -> Answer:
    """The best by these figures, or the known programme where the search came to no other."""
    try:
        return search.best(order) or known
    except Unsolved:
        return replace(known, proven=False)


def _long(
    search: Search, found: Front, say: Callable[[str], None], seconds: float, resolution: Resolution | None
) -> None:
    """Some points of the front, and the named programmes that the search alone can give."""
    found.resolution = resolution or long_season.resolution_of(found.space)
    say("looking for the balanced programme")
    _long_balanced(search, found, seconds)
    say("looking for programmes that none beats")
    known = list(found.named.values())
    for points in long_season.points(search, known, found.most_bare, found.resolution):
        found.points = points
        say(f"{len(points)} programmes that none beats")
    _long_gentlest(found)


def _long_gentlest(found: Front) -> None:
    """The gentlest of all that were found, by the figures that are shown."""
    useful = [one for one in found.points if one.bare <= found.most_bare]
    steps = found.resolution.of
    best = min([found.named["gentlest"], *useful], key=lambda one: (steps(one.point)[2], *steps(one.point)[1::-1]))
    if steps(best.point)[2] < steps(found.named["gentlest"].point)[2]:
        found.by_sum.discard("gentlest")
    found.named["gentlest"] = best


def _long_balanced(search: Search, found: Front, seconds: float) -> None:
    """The balanced programme by the figure that a CP-SAT model can hold."""
    for strict in (2, 1, 0):
        wanted = replace(search.wanted, strict=strict, most_bare=found.most_bare)
        well = Search(found.space, wanted, seconds=seconds)
        try:
            answer = well.minimise(balance(well, found))
        except Unsolved:
            continue
        if answer is not None:
            found.strict = strict
            found.named["balanced"] = replace(answer, proven=False)
            found.by_sum |= {"balanced"} if answer.proven else set()
            return
    found.named["balanced"] = replace(found.named["best covered"], proven=False)


def _balanced(scan: Scan, found: Front, seconds: float, whole: tuple[every.Whole, Scan] | None) -> None:
    """The balanced programme, with as much of good practice beside the rules as a sound programme can keep; over the
    whole season where its front is known."""
    worth = balanced(found)
    known = [*found.named.values(), *found.points]
    for strict in (2, 1, 0):
        wanted = replace(scan.search.wanted, strict=strict)
        well = Scan(Search(scan.space, wanted, seconds=seconds), seconds=seconds) if strict else scan
        first = known if not strict and whole is None else []
        answer = well.best(worth, first, found.most_bare)
        found.looked_at += well.found.looked_at
        if whole is not None:
            season, all_ = whole
            first = [season.here(answer)] if answer is not None else []
            if strict:
                all_ = Scan(Search(season.space, wanted, seconds=seconds), seconds=seconds)
            answer = all_.best(worth, first if strict else [*known, *first], found.most_bare)
            found.looked_at += all_.found.looked_at
        if answer is not None:
            found.strict = strict
            found.named["balanced"] = answer
            break
    if whole is not None:
        found.space = whole[0].settled([*found.named.values(), *found.points])


def _every_mix(
    search: Search, found: Front, say: Callable[[str], None], seconds: float
) -> tuple[every.Whole, Scan] | None:
    """The front of every tank mix in the place of that of the few, and the named programmes from it."""
    if not found.complete:
        found.weighed = sum(not column.kept for column in found.space.columns)
        return None
    say("looking for programmes of other tank mixes that beat them")
    made = every.look(found, search, seconds, _progress(say))
    if made is not None:
        least = min(one.bare for one in found.points)
        found.limit(least)
        _name(found)
    return made


def _points(scan: Scan, found: Front, say: Callable[[str], None]) -> None:
    """The whole front, and the named programmes from it: of a figure's best, those best by the next figures."""
    made = scan.front(list(found.named.values()), _progress(say))
    found.points, found.complete = [replace(one, proven=made.complete) for one in made.answers], made.complete
    found.looked_at += made.looked_at
    if made.complete:
        _name(found)


def _progress(say: Callable[[str], None]) -> Callable[[int, int], None]:
    """A line now and then."""
    told = [0]

    def progress(looked_at: int, points: int) -> None:
        if looked_at >= told[0] + TOLD_EVERY:
            told[0] = looked_at
            say(f"{points} programmes that none beats, {looked_at} beginnings looked at")

    return progress


def _name(found: Front) -> None:
    useful = [one for one in found.points if one.bare <= found.most_bare]
    for name, order in (("cheapest", (0, 1, 2)), ("best covered", (1, 0, 2)), ("gentlest", (2, 1, 0))):
        if useful:
            steps = [found.resolution.of(one.point) for one in useful]
            at = min(range(len(useful)), key=lambda one: [steps[one][figure] for figure in order])
            found.named[name] = useful[at]


def _ranges(found: Front) -> dict[str, tuple[int, int]]:
    """Least and most of each figure between doing nothing and the best cover."""
    low, high = found.nothing, found.named["best covered"]
    return {
        name: (min(getattr(low, name), getattr(high, name)), max(getattr(low, name), getattr(high, name), 1))
        for name in FIGURES
    }


def balanced(found: Front) -> Figures:
    """How far a programme lies from the best of all three figures at once: the sum of the squares of their shares.

    A share is the figure over its range between doing nothing and the best cover, so that the least is the compromise
    solution of multi-objective programming (M. Zeleny, Compromise programming, in: Multiple Criteria Decision Making,
    1973; from memory). Bare days count double, for a spray is bought for its cover, and a caution counts ``CAUTION``
    (both our reading, no source).
    """
    import numpy as np

    ranges = _ranges(found)

    def worth(cost: Any, bare: Any, selection: Any, cautions: Any) -> Any:
        whole = cautions * CAUTION
        for name, value in (("cost", cost), ("bare", bare), ("selection", selection)):
            low, high = ranges[name]
            share = -(-((value - low) * SCALE * WEIGHT[name]) // max(1, high - low))
            # a range may be next to nothing (stock on hand pays for all): squares must stay within 64 bits
            whole = whole + np.clip(share, 0, MOST_SQUARED) ** 2
        return whole

    return worth


def balance(search: Search, found: Front) -> Any:
    """Nearly the same figure in a CP-SAT model: a square lies on or over its tangents, ten to a range, and selection is
    the sum of what each pass would select by itself, an upper bound of the whole programme's index, over the range of
    such sums."""
    model = search.compiled.model
    whole: Any = search.compiled.cautions * CAUTION
    sums = [long_season.summed(one) for one in (found.nothing, found.named["best covered"])]
    for name, (low, high) in {**_ranges(found), "selection": (min(sums), max(*sums, 1))}.items():
        span = max(1, high - low)
        # a range may be small beside what can be chosen: nothing is forbidden here, it only counts
        most = max(MOST_SHARE, -(-(search.end_of(name) - low) * WEIGHT[name] // span)) * SCALE
        share = model.new_int_var(0, most, f"share {name}")
        # the least whole share that is not below the figure's own
        model.add(share * span >= (search.expression(name) - low) * SCALE * WEIGHT[name])
        square = model.new_int_var(0, 2 * MOST_SHARE * SCALE * most, f"square {name}")
        for tenth in range(1, 10 * MOST_SHARE):
            at = tenth * SCALE // 10
            model.add(square >= 2 * at * share - at * at)
        whole = whole + square
    return whole
