"""How much an unknown half-life matters: the band of the index, and where a ranking of programmes flips
inside it."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence

from msgspec.structs import replace

from planner.model import Struct
from planner.selection.integral import selection_days
from planner.selection.values import Joined, Spray


class Band(Struct, frozen=True):
    """Selection days over a range of half-lives: (half-life, days) in order, with the least and the
    greatest."""

    group: str
    values: tuple[tuple[float, float], ...]

    @property
    def low(self) -> float:
        return min(days for _, days in self.values)

    @property
    def high(self) -> float:
        return max(days for _, days in self.values)


def _with_half_life(sprays: Iterable[Spray], half_life: float, fixed: Collection[str]) -> list[Spray]:
    """The programme with one common half-life for every active whose own is not known (``fixed`` names
    those that keep it)."""
    return [
        spray
        if spray.component.name in fixed
        else Spray(spray.day, replace(spray.component, half_life_days=half_life), spray.dose)
        for spray in sprays
    ]


HALF_LIVES: tuple[float, ...] = (3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0)
"""Days.  The published half-lives read for this project span 3.0 (grape, QoI-like) to 10.0 d (epoxiconazole
on wheat)."""


def selection_band(
    sprays: Iterable[Spray],
    group: str,
    horizon: float,
    *,
    half_lives: Sequence[float] = HALF_LIVES,
    fixed: Collection[str] = (),
    start: float | None = None,
    sensitivity: float = 0.0,
    joined: Joined = (),
    cost: float = 0.0,
) -> Band:
    """Selection days for each half-life of ``half_lives`` (days), the same for every active not named in
    ``fixed``."""
    programme = list(sprays)
    return Band(
        group,
        tuple(
            (
                h,
                selection_days(
                    _with_half_life(programme, h, fixed),
                    group,
                    horizon,
                    start=start,
                    sensitivity=sensitivity,
                    joined=joined,
                    cost=cost,
                ),
            )
            for h in half_lives
        ),
    )


class Flip(Struct, frozen=True):
    """Two programmes change places inside the band of half-lives.

    Below ``half_life`` (days) ``below`` selects less, above it the other one does.
    """

    group: str
    first: str
    second: str
    half_life: float
    below: str

    @property
    def statement(self) -> str:
        """The plain sentence to show."""
        other = self.second if self.below == self.first else self.first
        return (
            f"which of {self.first} and {self.second} selects less for resistance in group {self.group} "
            f"depends on how long the residues last: {self.below} below a half-life of about "
            f"{self.half_life:.1f} days, {other} above it"
        )


def flip_point(difference: Callable[[float], float], low: float, high: float) -> float:
    """Half-life (days, to 0.001) where ``difference`` changes sign between ``low`` and ``high``, by
    bisection."""
    sign = difference(low) > 0.0
    while high - low > 1e-3:
        middle = 0.5 * (low + high)
        if (difference(middle) > 0.0) == sign:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def ranking_flips(
    programmes: Mapping[str, Sequence[Spray]],
    group: str,
    horizon: float,
    *,
    half_lives: Sequence[float] = HALF_LIVES,
    fixed: Collection[str] = (),
    start: float | None = None,
    sensitivity: float = 0.0,
    joined: Joined = (),
    tolerance: float = 1e-9,
) -> list[Flip]:
    """Where the ranking of programmes by selection on ``group`` flips inside the band of half-lives (empty:
    it holds).

    A tie (difference within ``tolerance`` days) is no flip.  Each pair may flip more than once.
    """

    def days(name: str, half_life: float) -> float:
        return selection_days(
            _with_half_life(programmes[name], half_life, fixed),
            group,
            horizon,
            start=start,
            sensitivity=sensitivity,
            joined=joined,
        )

    grid = sorted(half_lives)
    table = {name: [days(name, h) for h in grid] for name in programmes}
    names = list(programmes)
    flips: list[Flip] = []
    for i, one in enumerate(names):
        for two in names[i + 1 :]:

            def difference(half_life: float, one: str = one, two: str = two) -> float:
                return days(one, half_life) - days(two, half_life)

            last: tuple[float, float] | None = None
            for h, a, b in zip(grid, table[one], table[two], strict=True):
                gap = a - b
                if abs(gap) <= tolerance:
                    continue
                if last is not None and (gap > 0.0) != (last[1] > 0.0):
                    at = flip_point(difference, last[0], h)
                    flips.append(Flip(group, one, two, at, one if last[1] < 0.0 else two))
                last = (h, gap)
    return flips
