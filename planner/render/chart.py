"""A small chart in plain characters: one letter per programme, seasons across, log-odds up."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

HEIGHT = 11


def lines(series: Mapping[str, Sequence[float]], *, height: int = HEIGHT, width: int = 100) -> list[str]:
    """The chart as lines of text.

    Args:
        series: letter -> values (log-odds) at season 0, 1, ...; all of one length, at least two values.
        height: rows of the drawing.
        width: columns that it may take; seasons move together where there are many.

    Each row names its log-odds and the share of resistance that they mean; ``*`` is where programmes meet.
    """
    values = [value for one in series.values() for value in one]
    if not values:
        return []
    low, high = min(values), max(values)
    if high - low < 1e-9:
        high = low + 1.0
    count = max(len(one) for one in series.values())
    step = max(1, min(4, (width - 24) // count))
    every = -(-3 // step)  # seasons between two numbers below, so that they stay apart
    grid = [[" "] * (step * count) for _ in range(height)]
    for letter, one in series.items():
        for season, value in enumerate(one):
            row = round((high - value) / (high - low) * (height - 1))
            held = grid[row][season * step]
            grid[row][season * step] = letter if held in (" ", letter) else "*"
    drawn = [f"{'log-odds':>9}  {'resistant':>11}"]
    for at, row_ in enumerate(grid):
        value = high - at * (high - low) / (height - 1)
        drawn.append(f"{value:9.1f}  {share(value):>11} |{''.join(row_).rstrip()}")
    drawn.append(f"{'':22} +{'-' * (step * count - step + 1)}")
    numbers = "".join(f"{season:<{step * every}}" for season in range(0, count, every))
    drawn.append(f"{'season':>22}  {numbers.rstrip()}")
    if any("*" in row_ for row_ in grid):
        drawn.append(f"{'':24}* where programmes meet")
    return drawn


def share(log_odds: float) -> str:
    """Log-odds as a share in words: ``1 in 10000``, ``23 %``, ``all but 1 in 500``.

    >>> share(0.0), share(-9.2102)
    ('50 %', '1 in 10000')
    """
    fraction = 1.0 / (1.0 + math.exp(-log_odds)) if log_odds > -700 else 0.0
    if fraction < 0.01:
        return f"1 in {float(f'{math.exp(-log_odds) + 1.0:.3g}'):.0f}" if log_odds > -30 else "under 1e-13"
    return f"{100 * fraction:.0f} %" if fraction < 0.995 else "over 99 %"
