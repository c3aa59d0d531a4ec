"""The selection chart: selection days as bars, one block per target or per group and target; geometry only.

The line over a bar is the span that the half-life of a residue opens, where the answer carries it. Each programme
has a pattern of its own beside its colour, and every figure stands beside its bar as text.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from planner.model import Struct
from planner.render import words
from planner.render.page.season import EDGE, WIDE, Text, breadth
from planner.render.selection import figure

PATTERNS = 6  # of programmes; the template holds as many, a seventh programme begins again
_LEFT = 250.0  # where the bars begin at most
_RIGHT = 175.0  # room for the figures
_ROW = 27.0


class Entry(Struct, frozen=True, kw_only=True):
    """One bar to draw. ``days`` None: no bar, and ``said`` says why; ``low``, ``high``: ends of the span, if any.

    ``pattern``: a number from 0; ``said``: the figure in words.
    """

    name: str
    said: str
    days: float | None = None
    low: float | None = None
    high: float | None = None
    pattern: int = 0


class Block(Struct, frozen=True, kw_only=True):
    """Bars under one heading."""

    name: str
    entries: tuple[Entry, ...]


class Bar(Struct, frozen=True, kw_only=True):
    """One bar as drawn; ``wide`` 0: none."""

    name: Text
    y: float
    wide: float
    low: float | None
    high: float | None
    value: Text
    pattern: int


class Drawing(Struct, frozen=True, kw_only=True):
    """Everything that the template draws."""

    wide: float
    high: float
    left: float
    right: float
    top: float
    heads: tuple[Text, ...]
    bars: tuple[Bar, ...]
    ticks: tuple[Text, ...]
    rows: tuple[tuple[float, float], ...]  # top and bottom of each block's bars, between which the lines of ticks run
    span: bool
    key: tuple[tuple[int, str], ...]
    description: str


def of_audit(rows: Sequence[Mapping[str, Any]]) -> tuple[Block, ...]:
    """The blocks of ``AuditReport.selection``: one per target, one bar per group."""
    blocks: dict[str, list[Entry]] = {}
    for row in rows:
        blocks.setdefault(row["name"], []).append(_entry(row, str(row.get("words") or row["group"]), 0))
    return tuple(Block(name=name, entries=tuple(entries)) for name, entries in blocks.items())


def of_programmes(reports: Iterable[tuple[str, Sequence[Mapping[str, Any]]]]) -> tuple[Block, ...]:
    """One block per group and target, one bar per programme that uses the group; pairs of name and selection rows."""
    blocks: dict[str, list[Entry]] = {}
    for at, (name, rows) in enumerate(reports):
        for row in rows:
            about = f"{row.get('words') or row['group']} on {row['name']}"
            blocks.setdefault(about, []).append(_entry(row, name, at))
    return tuple(Block(name=name, entries=tuple(entries)) for name, entries in blocks.items())


def _entry(row: Mapping[str, Any], name: str, pattern: int) -> Entry:
    band = row.get("band") or {}
    days = row["selection_days"]
    span = f" ({figure(band['low'])} to {figure(band['high'])})" if band else ""
    return Entry(
        name=name,
        said=f"{figure(days)}{span}",
        days=days,
        low=band.get("low"),
        high=band.get("high"),
        pattern=pattern,
    )


def draw(blocks: Sequence[Block], *, key: Sequence[str] = ()) -> Drawing | None:
    """The chart; None where there is no block. ``key``: names of the programmes, in the order of their patterns."""
    if not blocks:
        return None
    entries = [entry for block in blocks for entry in block.entries]
    most = max((max(one.days or 0.0, one.high or 0.0) for one in entries), default=0.0)
    step = _step(most)
    end = max(step, -(-most // step) * step)
    longest = max(breadth(words.safe(one.name)) for one in entries) + EDGE + 14
    left = round(min(_LEFT, max(70.0, longest)), 2)
    scale = (WIDE - left - _RIGHT) / end
    y = 6.0
    heads, bars, said, rows = [], [], [], []
    for block in blocks:
        heads.append(Text(x=EDGE, y=y + 14, text=_cut(words.safe(block.name), WIDE), bold=True))
        y += 22
        begin = y
        for one in block.entries:
            tip = max(one.days or 0.0, one.high or 0.0)
            name = words.safe(one.name)
            bars.append(
                Bar(
                    name=Text(x=left - 8, y=y + 17, text=_cut(name, left), anchor="end"),
                    y=y + 4,
                    wide=round(max(one.days * scale, 1), 2) if one.days else 0.0,
                    low=round(left + one.low * scale, 2) if one.low is not None else None,
                    high=round(left + one.high * scale, 2) if one.high is not None else None,
                    value=Text(x=round(left + tip * scale + 8, 2), y=y + 17, text=words.safe(one.said)),
                    pattern=one.pattern % PATTERNS,
                )
            )
            said.append(f"{name}, {words.safe(block.name)}: {words.safe(one.said)}")
            y += _ROW
        rows.append((begin, y))
        y += 8
    ticks = tuple(
        Text(x=round(left + mark * step * scale, 2), y=y + 16, text=f"{mark * step:g}", anchor="middle")
        for mark in range(round(end / step) + 1)
    )
    return Drawing(
        wide=WIDE,
        high=y + 40,
        left=left,
        right=WIDE - _RIGHT,
        top=y,
        heads=tuple(heads),
        bars=tuple(bars),
        ticks=ticks,
        rows=tuple(rows),
        span=any(one.low is not None for one in entries),
        key=tuple((at % PATTERNS, words.safe(name)) for at, name in enumerate(key)),
        description=f"Selection days of the season. {'; '.join(said)}.",
    )


def _step(most: float) -> float:
    """A round distance of ticks, so that there are three to eight."""
    size = 0.1
    while True:
        for factor in (1, 2, 5):
            if most / (size * factor) <= 8:
                return size * factor
        size *= 10


def _cut(text: str, left: float) -> str:
    while breadth(text) > left - 16:
        text = text[: -max(2, len(text) - 80)].rstrip() + "…"
    return text
