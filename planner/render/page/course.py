"""The course over seasons: one line per programme, seasons across, log-odds of resistance up; geometry only.

Lines differ by dashes and by the shape of their marks as well as by colour, and each carries its programme's letter
at its end. The left edge says the share of resistance that a height means.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from planner.model import Struct
from planner.render import words
from planner.render.chart import share
from planner.render.page.chart import PATTERNS
from planner.render.page.season import WIDE, Text

_LEFT = 185.0
_RIGHT = 120.0
_TOP = 30.0
_HIGH = 230.0
_TICKS = 5
_MARK = 4.5


class Course(Struct, frozen=True, kw_only=True):
    """One programme: path of its line, path of its marks, its name at the end, and its pattern from 0."""

    line: str
    marks: str
    name: Text
    tie: str  # from the line's end to its name
    span: str  # how far the end moves over the half-lives of a residue
    pattern: int


class Drawing(Struct, frozen=True, kw_only=True):
    """Everything that the template draws."""

    wide: float
    high: float
    left: float
    right: float
    top: float
    base: float
    shares: tuple[Text, ...]
    odds: tuple[Text, ...]
    seasons: tuple[Text, ...]
    courses: tuple[Course, ...]
    description: str


def draw(
    series: Mapping[str, Sequence[float]], order: Sequence[str], spans: Mapping[str, tuple[float, float]] | None = None
) -> Drawing | None:
    """The drawing of log-odds at season 0, 1, ...; None where there is nothing to draw.

    Args:
        series: name of a programme -> its log-odds, all of one length of at least two.
        order: names of all programmes, so that each keeps its pattern from one drawing to the next.
        spans: least and most log-odds at the last season, where they are known.
    """
    spans = spans or {}
    values = [value for one in series.values() for value in one] + [end for pair in spans.values() for end in pair]
    count = max((len(one) for one in series.values()), default=0)
    if count < 2:
        return None
    low, high = min(values), max(values)
    if high - low < 1e-9:
        high = low + 1.0
    right, base = WIDE - _RIGHT, _TOP + _HIGH

    def across(season: int) -> float:
        return round(_LEFT + season / (count - 1) * (right - _LEFT), 2)

    def up(value: float) -> float:
        return round(base - (value - low) / (high - low) * _HIGH, 2)

    every = max(1, -(-(count - 1) // 12))
    steps = [low + at * (high - low) / (_TICKS - 1) for at in range(_TICKS)]
    courses = []
    said = []
    for name, y in _apart({name: up(one[-1]) for name, one in series.items()}):
        one = series[name]
        points = [(across(season), up(value)) for season, value in enumerate(one)]
        pattern = order.index(name) % PATTERNS
        end_x, end_y = points[-1]
        courses.append(
            Course(
                line="M" + "L".join(f"{x:g} {height:g}" for x, height in points),
                marks="".join(_mark(pattern, x, height) for x, height in points[::every]),
                name=Text(x=end_x + 22, y=round(y + 4.5, 2), text=words.safe(name)),
                tie=f"M{end_x + 6:g} {end_y:g}L{end_x + 19:g} {y:g}",
                span=_span(end_x, *map(up, spans[name])) if name in spans else "",
                pattern=pattern,
            )
        )
        said.append(f"{words.safe(name)} from {share(one[0])} to {share(one[-1])}")
    return Drawing(
        wide=WIDE,
        high=base + 46,
        left=_LEFT,
        right=right,
        top=_TOP,
        base=base,
        shares=tuple(Text(x=_LEFT - 10, y=up(value) + 4.5, text=share(value), anchor="end") for value in steps),
        odds=tuple(Text(x=12, y=up(value) + 4.5, text=f"{value:.1f}") for value in steps),
        seasons=tuple(
            Text(x=across(season), y=base + 18, text=str(season), anchor="middle") for season in range(0, count, every)
        ),
        courses=tuple(courses),
        description=f"Share of resistance over {words.count(count - 1, 'season')}: {'; '.join(said)}.",
    )


def _span(x: float, low: float, high: float) -> str:
    """A bar with feet; nothing where the ends meet."""
    return "" if abs(low - high) < 2 else f"M{x - 4:g} {low:g}h8m-4 0V{high:g}m-4 0h8"


def _apart(ends: Mapping[str, float], gap: float = 16.0) -> list[tuple[str, float]]:
    """Names at their heights, moved down where two would touch, and back up where the last would leave the sheet."""
    placed: list[tuple[str, float]] = []
    for name, y in sorted(ends.items(), key=lambda pair: pair[1]):
        if placed and y < placed[-1][1] + gap:
            y = placed[-1][1] + gap
        placed.append((name, round(y, 2)))
    over = placed[-1][1] - (_TOP + _HIGH + 8) if placed else 0.0
    if over > 0:
        limit = float("inf")
        moved = []
        for name, y in reversed(placed):
            limit = min(y, _TOP + _HIGH + 8 if limit == float("inf") else limit - gap)
            moved.append((name, round(limit, 2)))
        placed = moved[::-1]
    return placed


def _mark(pattern: int, x: float, y: float) -> str:
    """A disc, square, triangle, diamond, cross or bar at a place, as path data."""
    r = _MARK
    a = r - 1.5  # arm of the cross
    return (
        f"M{x - r:g} {y:g}a{r} {r} 0 1 0 {2 * r} 0a{r} {r} 0 1 0 {-2 * r} 0",
        f"M{x - r:g} {y - r:g}h{2 * r}v{2 * r}h{-2 * r}z",
        f"M{x:g} {y - r - 1:g}l{r + 1} {2 * r + 1}h{-2 * r - 2}z",
        f"M{x:g} {y - r - 1.5:g}l{r + 1.5} {r + 1.5}l{-r - 1.5} {r + 1.5}l{-r - 1.5} {-r - 1.5}z",
        f"M{x - r:g} {y - 1.5:g}h{a}v{-a}h3v{a}h{a}v3h{-a}v{a}h-3v{-a}h{-a}z",
        f"M{x - 1.5:g} {y - r - 1:g}h3v{2 * r + 2}h-3z",
    )[pattern]
