"""The selection chart: selection days per group as bars, one block per target; geometry only.

The line over a bar is the span that the half-life of a residue opens, where the report carries it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from planner.model import Struct
from planner.render import words
from planner.render.page.season import EDGE, LETTER, WIDE, Text
from planner.render.selection import figure

_LEFT = 250.0  # where the bars begin
_RIGHT = 150.0  # room for the figures
_ROW = 30.0


class Bar(Struct, frozen=True, kw_only=True):
    """One group on one target. ``low`` and ``high``: ends of the span, where there is one."""

    name: Text
    y: float
    wide: float
    low: float | None
    high: float | None
    value: Text


class Drawing(Struct, frozen=True, kw_only=True):
    """Everything that the template draws."""

    wide: float
    high: float
    left: float
    top: float
    heads: tuple[Text, ...]
    bars: tuple[Bar, ...]
    ticks: tuple[Text, ...]
    span: bool
    description: str


def draw(rows: Sequence[Mapping[str, Any]]) -> Drawing | None:
    """The chart of ``AuditReport.selection``; None where it has no rows."""
    if not rows:
        return None
    most = max(max(row["selection_days"], (row.get("band") or {}).get("high", 0.0)) for row in rows)
    step = _step(most)
    end = max(step, -(-most // step) * step)
    scale = (WIDE - _LEFT - _RIGHT) / end
    y = 6.0
    heads, bars, said = [], [], []
    blocks: dict[str, list[Mapping[str, Any]]] = {}
    for row in rows:
        blocks.setdefault(row["name"], []).append(row)
    for name, members in blocks.items():
        heads.append(Text(x=EDGE, y=y + 14, text=words.safe(name)))
        y += 22
        for row in members:
            days, band = row["selection_days"], row.get("band")
            tip = max(days, band["high"] if band else 0.0)
            label = words.safe(row.get("words") or row["group"])
            span = f" ({figure(band['low'])} to {figure(band['high'])})" if band else ""
            bars.append(
                Bar(
                    name=Text(x=_LEFT - 8, y=y + 17, text=_cut(label), anchor="end"),
                    y=y + 4,
                    wide=round(max(days * scale, 1), 2),
                    low=round(_LEFT + band["low"] * scale, 2) if band else None,
                    high=round(_LEFT + band["high"] * scale, 2) if band else None,
                    value=Text(x=round(_LEFT + tip * scale + 8, 2), y=y + 17, text=f"{figure(days)}{span}"),
                )
            )
            said.append(f"{label} against {words.safe(name)} {figure(days)} days{span}")
            y += _ROW
        y += 6
    marks = range(round(end / step) + 1)
    ticks = tuple(
        Text(x=round(_LEFT + mark * step * scale, 2), y=y + 16, text=f"{mark * step:g}", anchor="middle")
        for mark in marks
    )
    return Drawing(
        wide=WIDE,
        high=y + 40,
        left=_LEFT,
        top=y,
        heads=tuple(heads),
        bars=tuple(bars),
        ticks=ticks,
        span=any(row.get("band") for row in rows),
        description=f"Selection days of the season: {'; '.join(said)}.",
    )


def _step(most: float) -> float:
    """A round distance of ticks, so that there are three to eight."""
    size = 0.1
    while True:
        for factor in (1, 2, 5):
            if most / (size * factor) <= 8:
                return size * factor
        size *= 10


def _cut(text: str) -> str:
    room = int((_LEFT - 16) / LETTER)
    return text if len(text) <= room else text[: room - 1].rstrip() + "…"
