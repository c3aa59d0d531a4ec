"""What every benchmark shares: medians, least times, rows, growth. No benchmark asserts a time."""

from __future__ import annotations

import math
import statistics
import time
from collections.abc import Callable, Iterable, Sequence
from typing import Any, TypeVar

Item = TypeVar("Item")


def median(work: Callable[[], object], repeat: int = 9, inner: int = 1) -> float:
    """Median seconds of one call over ``repeat`` runs of ``inner`` calls."""
    found = []
    for _ in range(repeat):
        begin = time.perf_counter()
        for _ in range(inner):
            work()
        found.append((time.perf_counter() - begin) / inner)
    return statistics.median(found)


def each(
    work: Callable[[Item], object], items: Iterable[Item], before: Callable[[], object] | None = None
) -> float:
    """Median seconds of one call for one item; ``before`` is called before each and not timed."""
    found = []
    for item in items:
        if before is not None:
            before()
        begin = time.perf_counter()
        work(item)
        found.append(time.perf_counter() - begin)
    return statistics.median(found)


def best(work: Callable[[], object], repeat: int = 9, inner: int = 1) -> float:
    """Least seconds of one call over ``repeat`` runs of ``inner`` calls."""
    found = math.inf
    for _ in range(repeat):
        begin = time.perf_counter()
        for _ in range(inner):
            work()
        found = min(found, (time.perf_counter() - begin) / inner)
    return found


def row(name: str, ours: float, peer: float, note: str, unit: str = "s") -> dict[str, Any]:
    """One line of the table."""
    return {
        "name": name,
        "ours": ours,
        "peer": peer,
        "ratio": ours / peer if peer else math.nan,
        "unit": unit,
        "note": note,
    }


def exponent(sizes: Sequence[int], seconds: Sequence[float]) -> float:
    """Growth exponent: slope of log time on log size (1 is linear)."""
    xs, ys = [math.log(size) for size in sizes], [math.log(second) for second in seconds]
    mx, my = statistics.mean(xs), statistics.mean(ys)
    return sum((x - mx) * (y - my) for x, y in zip(xs, ys, strict=True)) / sum((x - mx) ** 2 for x in xs)
