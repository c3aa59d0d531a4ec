"""Exercises that the catalogue makes and the rules mark; one module per kind makes and marks it.

``make`` is deterministic: the same seed, level, crop and kind give the same exercise with the same catalogue. A fault
is planted into a season that audits without breach and caution, and the exercise is kept only when the audit finds
what was planted and nothing else of weight. ``mark`` never looks at the key: it runs the rules on the answer again.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from typing import TypeVar

from planner.catalogue import Catalogue
from planner.errors import NoProgramme, UnknownName
from planner.lessons.cast import cast, classrooms
from planner.lessons.exercises import faults, label, mend, order, partner, product
from planner.lessons.exercises.answers import read
from planner.lessons.exercises.bench import Bench, weighty
from planner.lessons.exercises.exercise import (
    KINDS,
    LETTERS,
    LEVELS,
    NONE,
    Exercise,
    Fact,
    Item,
    Kind,
    Mark,
    Nonsense,
    Notes,
    texts,
)
from planner.lessons.exercises.product import same_risk

__all__ = [
    "KINDS", "LETTERS", "LEVELS", "NONE", "Exercise", "Fact", "Item", "Kind", "Mark", "Nonsense", "make", "mark",
    "read", "same_risk", "texts", "weighty",
]  # fmt: skip

T = TypeVar("T")

MAKERS: dict[str, Callable[[Bench], Exercise | None]] = {
    "faults": faults.make,
    "mend": mend.make,
    "order": order.make,
    "partner": partner.make,
    "product": product.make,
    "label": label.make,
}
MARKERS: dict[Kind, Callable[[Exercise, tuple[str, ...], Catalogue], Notes]] = {
    "faults": faults.mark,
    "mend": mend.mark,
    "order": order.mark,
    "partner": partner.mark,
    "product": product.mark,
    "label": label.mark,
}


def make(catalogue: Catalogue, seed: int, *, level: int = 1, crop: str = "", kind: str = "") -> Exercise:
    """The exercise of a seed.

    Args:
        seed: any whole number; the same one gives the same exercise.
        level: 1 to 3.
        crop: crop id; empty: drawn by the seed.
        kind: one of ``KINDS``; empty: drawn by the seed.

    Raises:
        UnknownName: no such crop or kind.
        NoProgramme: the crop lacks the facts for every (or the asked) kind; the message says what.
    """
    if kind and kind not in KINDS:
        raise UnknownName("kind of exercise", kind, KINDS)
    if level not in LEVELS:
        raise UnknownName("level", str(level), [str(one) for one in LEVELS])
    if crop:
        crop = catalogue.crop(crop).id
        cast(catalogue, crop)
    rng = random.Random(f"{seed}/{level}/{crop}/{kind}")
    crops = [crop] if crop else _shuffled(rng, sorted(classrooms()))
    kinds = [kind] if kind else _shuffled(rng, KINDS)
    for one_kind in kinds:
        for one_crop in crops:
            targets = _shuffled(rng, [entry.target for entry in classrooms()[one_crop].targets])
            for target in targets:
                found = MAKERS[one_kind](Bench(catalogue, cast(catalogue, one_crop, target), rng, level, seed))
                if found is not None:
                    return found
    named = f"'{kind}' exercise" if kind else "exercise"
    where = f" on {crop}" if crop else ""
    raise NoProgramme(
        f"no {named} of level {level}{where} can be made: its published limits and rated actives leave no such season",
        ["choose another kind with --kind or another crop with --crop"],
    )


def _shuffled(rng: random.Random, things: Iterable[T]) -> list[T]:
    drawn = list(things)
    rng.shuffle(drawn)
    return drawn


def mark(exercise: Exercise, answer: str, catalogue: Catalogue) -> Mark:
    """Mark an answer by running the rules on what it means, and explain each miss.

    Raises:
        Nonsense: the answer cannot be read; ask again with its text as hint.
    """
    given = read(exercise, answer)
    notes = MARKERS[exercise.kind](exercise, given, catalogue)
    return Mark(all(right for right, _ in notes), tuple(notes))
