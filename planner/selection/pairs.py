"""Strains that resist two partners at once, which no mixture of the two slows."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

from planner.model import Struct
from planner.selection.integral import Rival, gains, intervals, rival_of
from planner.selection.values import Joined, Spray


class PairSelection(Struct, frozen=True):
    """Selection in days for the strain resistant to both groups, and for each single-resistant one, against
    the sensitive."""

    first: str
    second: str
    both: float
    first_only: float
    second_only: float


def double_selection_days(
    sprays: Iterable[Spray],
    first: str,
    second: str,
    horizon: float,
    *,
    start: float | None = None,
    sensitivity: float = 0.0,
    joined: Mapping[str, Joined] | None = None,
) -> PairSelection:
    """Selection days for strains resistant to ``first``, to ``second`` and to both (never slowed by this
    mixture).

    The better a mixture controls, the larger ``both``: its own protection lapses once a doubly resistant
    strain is there.
    """
    ties = joined or {}
    one = rival_of(first, sensitivity, ties.get(first, ()), 0.0)
    two = rival_of(second, sensitivity, ties.get(second, ()), 0.0)
    # Where both tie in the same group, the lower sensitivity holds for the double-resistant strain.
    merged = {g: min(one.members.get(g, 1.0), two.members.get(g, 1.0)) for g in (*one.members, *two.members)}
    rows = gains(intervals(sprays, start, horizon), [one, two, Rival(merged)])
    a, b, ab = (math.fsum(row[k] for row in rows) for k in range(3))
    return PairSelection(first, second, ab, a, b)


def pairs_in_tank(sprays: Iterable[Spray]) -> list[tuple[str, str]]:
    """Pairs of at-risk groups that meet in one tank (same day), in order of appearance."""
    by_day: dict[float, dict[str, None]] = {}
    for spray in sorted(sprays, key=lambda s: s.day):
        if spray.component.at_risk and spray.dose > 0.0 and spray.component.omega > 0.0:
            by_day.setdefault(spray.day, {})[spray.component.group] = None
    pairs: dict[tuple[str, str], None] = {}
    for groups in by_day.values():
        names = sorted(groups)
        for i, one in enumerate(names):
            for two in names[i + 1 :]:
                pairs[one, two] = None
    return list(pairs)
