"""Faults that are planted into a sound season; the audit has to find what was planted and nothing else of weight.

Each planter gives the season with its fault, or None where the season or the disease does not take it.
"""

from __future__ import annotations

from collections.abc import Callable

from planner.lessons.cast import LEAST_SHARE
from planner.lessons.exercises.bench import Bench, put, weighty
from planner.lessons.exercises.exercise import Fault, Tank

Planted = tuple[tuple[Tank, ...], Fault]


def plant(
    bench: Bench, tanks: tuple[Tank, ...], count: int, *, rates: bool = True
) -> tuple[tuple[Tank, ...], set[Fault]] | None:
    """Plant ``count`` faults (``rates``: also of rates); None where the audit finds other than was planted."""
    planters: list[Callable[[Bench, tuple[Tank, ...]], Planted | None]] = [_repeat, _alone, _one_group, _monotone]
    if rates:
        planters += [_cut, _over]
    bench.rng.shuffle(planters)
    planted: set[Fault] = set()
    for planter in planters:
        if len(planted) == count:
            break
        found = planter(bench, tanks)
        if found is None:
            continue
        changed, fault = found
        if weighty(bench.judge(changed)) == planted | {fault}:
            tanks, planted = changed, planted | {fault}
    return (tanks, planted) if len(planted) == count else None


def _repeat(bench: Bench, tanks: tuple[Tank, ...]) -> Planted | None:
    """Two passes in a row of one group, the second under another name."""
    pairs = [group for group, members in bench.groups.items() if len(members) > 1]
    if not pairs:
        return None
    at = bench.rng.randrange(len(tanks) - 1)
    one, other = bench.rng.sample(bench.groups[bench.rng.choice(pairs)], 2)
    return put(tanks, {at: ((one, 1.0),), at + 1: ((other, 1.0),)}), ("ROT01", (at + 1, at + 2))


def _alone(bench: Bench, tanks: tuple[Tank, ...]) -> Planted | None:
    """An at-risk active loses its partner."""
    mixed = [at for at, tank in enumerate(tanks) if len(tank) > 1]
    if not mixed:
        return None
    at = bench.rng.choice(mixed)
    return put(tanks, {at: tanks[at][:1]}), ("MIX01", (at + 1,))


def _one_group(bench: Bench, tanks: tuple[Tank, ...]) -> Planted | None:
    """Two actives of one group in a tank."""
    pairs = [members for members in bench.groups.values() if len(members) > 1]
    if not pairs:
        return None
    at = bench.rng.randrange(len(tanks))
    one, other = bench.rng.sample(bench.rng.choice(pairs), 2)
    return put(tanks, {at: ((one, 1.0), (other, 1.0))}), ("MIX02", (at + 1,))


def _cut(bench: Bench, tanks: tuple[Tank, ...]) -> Planted | None:
    """A rate below the label."""
    return _rate(bench, tanks, round(LEAST_SHARE - 0.3, 2), "LBL03")


def _over(bench: Bench, tanks: tuple[Tank, ...]) -> Planted | None:
    """A rate above the label."""
    return _rate(bench, tanks, 1.25, "LBL02")


def _rate(bench: Bench, tanks: tuple[Tank, ...], share: float, rule: str) -> Planted:
    at = bench.rng.randrange(len(tanks))
    tank = list(tanks[at])
    which = bench.rng.randrange(len(tank))
    tank[which] = (tank[which][0], share)
    return put(tanks, {at: tuple(tank)}), (rule, (at + 1,))


def _monotone(bench: Bench, tanks: tuple[Tank, ...]) -> Planted | None:
    """One mix in every pass."""
    mixed = [tank for tank in tanks if len(tank) > 1]
    if not mixed or len(tanks) < 3:
        return None
    tank = bench.rng.choice(mixed)
    return tuple(tank for _ in tanks), ("ROT03", tuple(range(1, len(tanks) + 1)))
