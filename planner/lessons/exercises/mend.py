"""Exercise ``mend``: a season with one fault, and changes of one pass of which one mends it."""

from __future__ import annotations

from collections.abc import Iterator

from planner.catalogue import Catalogue
from planner.lessons.exercises.answers import again, left, right_letters
from planner.lessons.exercises.bench import TRIES, Bench, put, weighty
from planner.lessons.exercises.exercise import LETTERS, Exercise, Item, Notes, Tank, tank_words
from planner.lessons.exercises.planting import plant


def make(bench: Bench) -> Exercise | None:
    """A season with one fault and changes of one pass; at least one mends it, at least one does not."""
    count = 3 if bench.level == 1 else 4
    for attempt in range(TRIES):
        base = bench.sound(count)
        planted = base and plant(bench, base, 1, rates=attempt > TRIES // 2)
        if not planted:
            continue
        tanks, _faults = planted
        good: list[tuple[int, Tank]] = []
        bad: list[tuple[int, Tank]] = []
        for at, tank in _changes(bench, tanks):
            (bad if weighty(bench.judge(put(tanks, {at: tank}))) else good).append((at, tank))
            if good and len(good) + len(bad) >= 6 + 2 * bench.level and len(bad) >= 1 + bench.level:
                break
        if not good or len(bad) < 1 + bench.level:
            continue
        shown = [*good[:1], *bad[: 1 + bench.level]]
        bench.rng.shuffle(shown)
        items = [
            Item(
                LETTERS[i],
                f"pass {at + 1} becomes {tank_words(tank, bench.catalogue)}",
                tanks=put(tanks, {at: tank}),
            )
            for i, (at, tank) in enumerate(shown)
        ]
        key = [item.letter for item, one in zip(items, shown, strict=True) if one in good]
        return bench.exercise("mend", items, key, tanks=tanks)
    return None


def _changes(bench: Bench, tanks: tuple[Tank, ...]) -> Iterator[tuple[int, Tank]]:
    """Single changes in random order, none twice."""
    seen: set[tuple[int, tuple[str, ...]]] = set()
    for _ in range(TRIES):
        at = bench.rng.randrange(len(tanks))
        draw = bench.rng.random()
        if bench.multi and draw < 0.25:
            tank: Tank = ((bench.rng.choice(bench.multi), 1.0),)
        elif bench.multi and draw < 0.6:
            tank = ((bench.rng.choice(bench.risky), 1.0), (bench.rng.choice(bench.multi), 1.0))
        else:
            tank = ((bench.rng.choice(bench.risky), 1.0),)
        names = tuple(active.name for active, _ in tank)
        if (at, names) not in seen and names != tuple(active.name for active, _ in tanks[at]):
            seen.add((at, names))
            yield at, tank


def mark(exercise: Exercise, given: tuple[str, ...], catalogue: Catalogue) -> Notes:
    """The change is right if no breach and no caution is left."""
    item = next(one for one in exercise.items if one.letter == given[0])
    before, after = again(exercise, exercise.tanks, catalogue), again(exercise, item.tanks, catalogue)
    if not weighty(after.report.findings):
        return [(True, f"{item.letter} mends it; gone: {left(before)}")]
    return [(False, f"{item.letter} leaves: {left(after)}"), *right_letters(exercise)]
