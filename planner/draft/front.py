"""Which programmes to show: those that none beats on all three figures, and four of them by name.

The figures are money to pay per hectare, target-days without known cover weighted by pressure, and the selection index
of the whole programme (``planner.exposure``: summed over targets and groups, as its audit gives them).

CP-SAT says first whether a sound programme exists and which covers best for the least money. Everything else is asked
of the scan (``draft.scan``), which works with the index of the whole programme, in which passes act on each other, and
looks at every sound programme that could matter. Named programmes and front are exact at a resolution: money to a
whole unit of the currency, weighted days to a day, the index to a day; who is best by one figure is told apart by the
next ones and at last by the finer money.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from planner.draft.conflict import in_words, reasons
from planner.draft.options import Space
from planner.draft.scan import Figures, Resolution, Scan
from planner.draft.solve import Answer, Search, Stopped, Wanted
from planner.errors import NoProgramme

SCALE = 10_000
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
    resolution: Resolution = field(default_factory=Resolution)

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
    search = Search(space, wanted, seconds=seconds)
    found = Front(space, search.answer(space.kept, True))
    found.left_to_audit = search.compiled.left_to_audit
    found.model_complete = search.compiled.complete
    scan: Scan | None = None
    try:
        say("looking for the best covered programme")
        first = search.best(("bare", "cost", "selection", "cautions"))
        if first is None:
            raise NoProgramme("no programme can satisfy the rules", reasons(space, wanted))
        found.named["best covered"] = first
        scan = Scan(search, seconds=seconds)
        if resolution is not None:
            scan.resolution = resolution
        found.resolution = scan.resolution
        _named(scan, found, first, say, seconds)
        _points(scan, found, say)
    except (Stopped, KeyboardInterrupt):
        found.stopped = True
        if not found.named:
            raise NoProgramme(
                "the search was stopped before a sound programme was found", ["give it longer with --seconds"]
            ) from None
        found.points = scan.found.answers if scan is not None else []
    return found


def _named(scan: Scan, found: Front, first: Answer, say: Callable[[str], None], seconds: float) -> None:
    space, wanted = found.space, scan.search.wanted
    in_order = _in_order(scan)
    best = scan.best(in_order(("bare", "cost", "selection")), [first]) or first
    found.named["best covered"] = best
    found.looked_at += scan.found.looked_at
    # nothing at all is always cheapest: a programme is compared when it leaves at most half of what can be covered bare
    found.most_bare = best.bare + max(0, found.nothing.bare - best.bare) // 2
    say("looking for the cheapest and the gentlest programme")
    cheapest = scan.best(in_order(("cost", "bare", "selection")), [best], found.most_bare) or best
    found.looked_at += scan.found.looked_at
    gentlest = scan.best(in_order(("selection", "bare", "cost")), [best, cheapest], found.most_bare) or best
    found.looked_at += scan.found.looked_at
    found.named = {"cheapest": cheapest, "best covered": best, "gentlest": gentlest}
    say("looking for the balanced programme")
    worth = balanced(found, best)
    answer: Answer | None = None
    for strict in (2, 1):
        well = Scan(Search(space, replace(wanted, strict=strict), seconds=seconds), seconds=seconds)
        answer = well.best(worth, most_bare=found.most_bare)
        found.looked_at += well.found.looked_at
        if answer is not None:
            found.strict = strict
            break
    if answer is None:
        answer = scan.best(worth, [best, cheapest, gentlest], found.most_bare) or best
        found.looked_at += scan.found.looked_at
    found.named["balanced"] = answer


def _in_order(scan: Scan) -> Callable[[Sequence[str]], Figures]:
    """Makes one whole number of figures in steps of the resolution, the first before all that follow; then the finer
    figures in the same order decide."""
    steps = {"cost": scan.resolution.cost, "bare": scan.resolution.bare, "selection": scan.resolution.selection}
    most = {"cost": scan.most_cost // steps["cost"] + 2, "bare": scan.whole // steps["bare"] + 2, "selection": 10_000}

    def made(order: Sequence[str]) -> Figures:
        def worth(cost: Any, bare: Any, selection: Any, cautions: Any) -> Any:
            figures = {"cost": cost, "bare": bare, "selection": selection}
            whole = 0
            for name in order:
                whole = whole * most[name] + -(-figures[name] // steps[name])
            return whole * steps["cost"] + (cost - 1) % steps["cost"]

        return worth

    return made


def _ranges(found: Front, best: Answer) -> dict[str, tuple[int, int]]:
    """Least and most of each figure between doing nothing and the best cover."""
    low, high = found.nothing, best
    return {
        name: (min(getattr(low, name), getattr(high, name)), max(getattr(low, name), getattr(high, name), 1))
        for name in FIGURES
    }


def balanced(found: Front, best: Answer) -> Figures:
    """The worst figure, each as a share of its range, then the sum of shares; a caution weighs a tenth of a range.

    Bare days count double (our reading, no source: a spray is bought for its cover).
    """
    import numpy as np

    ranges = _ranges(found, best)

    def worth(cost: Any, bare: Any, selection: Any, cautions: Any) -> Any:
        shares = []
        for name, value in (("cost", cost), ("bare", bare), ("selection", selection)):
            low, high = ranges[name]
            share = -(-((value - low) * SCALE * (2 if name == "bare" else 1)) // max(1, high - low))
            shares.append(np.maximum(share, 0))
        worst = np.maximum(np.maximum(shares[0], shares[1]), shares[2])
        return worst * 300 + sum(shares) + cautions * 30 * SCALE

    return worth


def balance(search: Search, found: Front, best: Answer) -> Any:
    """The same figure in a CP-SAT model, where selection is the sum of what each pass would select by itself: an upper
    bound of the whole programme's index."""
    model = search.compiled.model
    worst = model.new_int_var(0, 100 * SCALE, "worst")
    whole: Any = 0
    for name, (low, high) in _ranges(found, best).items():
        span = max(1, high - low)
        share = model.new_int_var(0, 100 * SCALE, f"share {name}")
        # the least whole share that is not below the figure's own
        model.add(share * span >= (search.expression(name) - low) * SCALE * (2 if name == "bare" else 1))
        model.add(worst >= share)
        whole = whole + share
    return worst * 300 + whole + search.compiled.cautions * 30 * SCALE


def _points(scan: Scan, found: Front, say: Callable[[str], None]) -> None:
    """The whole front."""
    say("looking for every programme that none beats")
    told = [0]

    def progress(looked_at: int, points: int) -> None:
        if looked_at >= told[0] + TOLD_EVERY:
            told[0] = looked_at
            say(f"{points} programmes that none beats, {looked_at} beginnings looked at")

    made = scan.front(list(found.named.values()), progress)
    found.looked_at += made.looked_at
    found.points, found.complete = made.answers, made.complete
