"""Which programmes to show: those that none beats on all three figures, and four of them by name.

The figures are money to pay per hectare, target-days without known cover weighted by pressure, and selection (the sum
over passes of the effective selection days that each pass would have by itself, ``planner.exposure``; the index of the
whole programme, in which passes act on each other, stands in its audit). All three are whole numbers in the model.

Every programme of the front costs one solve: it is the best of those that beat each one found before on at least one
figure. The front is exact when that ends by itself, and said not to be complete when it stops at ``MOST_POINTS``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from planner.draft.conflict import in_words, reasons
from planner.draft.options import Space
from planner.draft.solve import Answer, Search, Stopped, Wanted
from planner.errors import NoProgramme

MOST_POINTS = 24
SCALE = 10_000
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
    strict: bool = False
    solves: int = 0

    @property
    def proven(self) -> bool:
        """Whether every named programme is proven best of its kind."""
        return not self.stopped and all(answer.proven for answer in self.named.values())


def draft(
    space: Space,
    wanted: Wanted = FREE,
    *,
    seconds: float = 60.0,
    most_points: int = MOST_POINTS,
    told: Callable[[str], None] | None = None,
) -> Front:
    """Search the named programmes, then the front.

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
    try:
        _named(space, wanted, search, found, say, seconds)
        _points(search, found, say, most_points)
    except (Stopped, KeyboardInterrupt):
        found.stopped = True
        if not found.named:
            raise NoProgramme(
                "the search was stopped before a sound programme was found", ["give it longer with --seconds"]
            ) from None
    found.solves = search.solves
    return found


def _named(
    space: Space, wanted: Wanted, search: Search, found: Front, say: Callable[[str], None], seconds: float
) -> None:
    say("looking for the best covered programme")
    best = search.best(("bare", "cost", "selection", "cautions"))
    if best is None:
        raise NoProgramme("no programme can satisfy the rules", reasons(space, wanted))
    found.named["best covered"] = best
    # nothing at all is always cheapest: a programme is compared when it leaves at most half of what can be covered bare
    found.most_bare = best.bare + max(0, found.nothing.bare - best.bare) // 2
    useful = Search(space, replace(wanted, most_bare=found.most_bare), seconds=seconds)
    say("looking for the cheapest and the gentlest programme")
    cheapest = useful.best(("cost", "bare", "selection", "cautions"))
    gentlest = useful.best(("selection", "bare", "cost", "cautions"))
    strict = Search(space, replace(wanted, most_bare=found.most_bare, strict=True), seconds=seconds)
    say("looking for the balanced programme")
    balanced = _balanced(strict, found, best)
    found.strict = balanced is not None
    if balanced is None:
        balanced = _balanced(useful, found, best)
    named = {"cheapest": cheapest, "best covered": best, "gentlest": gentlest, "balanced": balanced}
    found.named = {name: answer for name, answer in named.items() if answer is not None}


def _ranges(found: Front, best: Answer) -> dict[str, tuple[int, int]]:
    """Least and most of each figure between doing nothing and the best cover."""
    low, high = found.nothing, best
    return {
        name: (min(getattr(low, name), getattr(high, name)), max(getattr(low, name), getattr(high, name), 1))
        for name in FIGURES
    }


def _balanced(search: Search, found: Front, best: Answer) -> Answer | None:
    """The programme whose worst figure, each as a share of its range, is least; then the least sum of shares."""
    return search.minimise(balance(search, found, best))


def balance(search: Search, found: Front, best: Answer) -> Any:
    """That objective. Bare days count double (our reading, no source: a spray is bought for its cover)."""
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


def _points(search: Search, found: Front, say: Callable[[str], None], most: int) -> None:
    """The front, one solve each."""
    best = found.named["best covered"]
    weights: dict[str, int] = {}
    ranges = _ranges(found, best)
    widest = max(high - low for low, high in ranges.values()) or 1
    for name, (low, high) in ranges.items():
        weights[name] = max(1, widest // max(1, high - low))
    weights = {name: 100 * weight for name, weight in weights.items()} | {"cautions": 1}
    while len(found.points) < most:
        answer = search.best((), weights)
        if answer is None:
            found.complete = True
            return
        found.points.append(answer)
        search.beat(answer.point)
        if len(found.points) % 5 == 0:
            say(f"{len(found.points)} programmes that none beats, {search.solves} searches")
