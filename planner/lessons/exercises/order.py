"""Exercise ``order``: tanks that have to be put in an order without fault."""

from __future__ import annotations

from itertools import permutations

from planner.catalogue import Catalogue
from planner.lessons.exercises.answers import again, left, right_letters
from planner.lessons.exercises.bench import TRIES, Bench, weighty
from planner.lessons.exercises.exercise import LETTERS, Exercise, Item, Notes, Tank, tank_words

_STANDS: dict[tuple[int, str, str, tuple[str, ...]], bool] = {}


def make(bench: Bench) -> Exercise | None:
    """Tanks whose order decides: as given there is a fault, and another order has none."""
    count = 3 if bench.level < 3 else 4
    for _ in range(TRIES):
        tanks = _orderable(bench, count)
        if tanks is None or not all(_may_stand(bench, tank) for tank in tanks):
            continue
        orders = list(permutations(range(count)))
        sound = [order for order in orders if not weighty(bench.judge([tanks[at] for at in order]))]
        if not sound or len(sound) > len(orders) - 2:
            continue
        if tuple(range(count)) in sound:
            faulty = [order for order in orders if order not in sound]
            chosen = bench.rng.choice(faulty)
            tanks = tuple(tanks[at] for at in chosen)
            place = {old: new for new, old in enumerate(chosen)}
            sound = [tuple(place[at] for at in order) for order in sound]
        items = [Item(LETTERS[at], tank_words(tank, bench.catalogue)) for at, tank in enumerate(tanks)]
        key = sorted({" ".join(LETTERS[at] for at in order) for order in sound})
        return bench.exercise("order", items, key, tanks=tanks)
    return None


def _may_stand(bench: Bench, tank: Tank) -> bool:
    """Whether a tank is sound as the only pass: where it is not, no order can be (asked often, so remembered)."""
    names = tuple(active.name for active, _ in tank)
    key = (id(bench.catalogue), bench.parts.room.classroom, bench.parts.target, names)
    if key not in _STANDS:
        rules = {rule for rule, _ in weighty(bench.judge([tank]))}
        _STANDS[key] = not any(rule.startswith("MIX") for rule in rules)
    return _STANDS[key]


def _orderable(bench: Bench, count: int) -> tuple[Tank, ...] | None:
    """Two tanks of one group and others between which they could stand."""
    pairs = [group for group, members in bench.groups.items() if len(members) > 1]
    if not pairs:
        return None
    group = bench.rng.choice(pairs)
    one, other = bench.rng.sample(bench.groups[group], 2)
    tanks: list[Tank] = [((one, 1.0),), ((other, 1.0),)]
    others = [name for name in bench.groups if name != group]
    while len(tanks) < count:
        if bench.multi and bench.rng.random() < 0.5:
            tanks.append(((bench.rng.choice(bench.multi), 1.0),))
        elif others:
            tank: Tank = ((bench.rng.choice(bench.groups[bench.rng.choice(others)]), 1.0),)
            if bench.multi and bench.rng.random() < 0.5:
                tank = (*tank, (bench.rng.choice(bench.multi), 1.0))
            tanks.append(tank)
        else:
            return None
    return tuple(tanks)


def mark(exercise: Exercise, given: tuple[str, ...], catalogue: Catalogue) -> Notes:
    """The order is right if it leaves no breach and no caution."""
    found = again(exercise, [exercise.tanks[LETTERS.index(letter)] for letter in given], catalogue)
    if not weighty(found.report.findings):
        return [(True, f"{' '.join(given)} leaves no breach and no caution")]
    return [(False, f"{' '.join(given)} leaves: {left(found)}"), *right_letters(exercise)]
