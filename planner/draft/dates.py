"""Spray dates that lie close enough for cover to go on from one to the next.

Where what can be bought protects for a week, dates twelve days apart leave bare days that no programme can mend. So the
dates of a long window are laid from its first day on with no gap longer than the protection, and as near as can be to
the stages that count.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise


def longest_gap(days: Sequence[int], taken: Sequence[int], last: int) -> int:
    """Days from one date (new or taken) to the next, at most; after the last one to the day after ``last``."""
    every = sorted({*days, *taken})
    if not every:
        return 0
    gaps = [later - earlier for earlier, later in pairwise(every)]
    return max([*gaps, last + 1 - every[-1]])


def spread(first: int, last: int, least: int, most: int, wanted: Sequence[int], taken: Sequence[int]) -> list[int]:
    """Dates from ``first`` to ``last`` (ordinals), ``least`` to ``most`` days apart.

    Of all such rows of dates the one is taken whose dates are nearest to the ``wanted`` days; a date more counts as
    much as one wanted day that is missed by a day more. Around a ``taken`` day ``least`` days are left free.
    """
    most = max(least, most)
    found: list[int] = []
    for begin, end in _free(first, last, least, taken):
        found += _row(begin, end, least, most, [day for day in wanted if begin <= day <= end])
    return found


def _free(first: int, last: int, least: int, taken: Sequence[int]) -> Iterator[tuple[int, int]]:
    """Stretches of days that lie far enough from every taken one."""
    begin = first
    for day in sorted(taken):
        if day + least <= begin:
            continue
        if begin <= min(day - least, last):
            yield begin, min(day - least, last)
        begin = day + least
    if begin <= last:
        yield begin, last


def _row(begin: int, end: int, least: int, most: int, wanted: Sequence[int]) -> list[int]:
    """The cheapest row from ``begin`` on whose last date lies less than ``most`` days before the end."""
    best: dict[int, tuple[int, int]] = {begin: (0, begin)}  # date -> what the row up to it costs, date before
    for day in range(begin + least, end + 1):
        ways = [
            (best[other][0] + 1 + _missed(other, day, wanted), other)
            for other in range(day - most, day - least + 1)
            if other in best
        ]
        if ways:
            best[day] = min(ways)
    at = min(
        (day for day in best if end - day < most),
        key=lambda day: (best[day][0] + sum(one - day for one in wanted if one > day), day),
    )
    row = [at]
    while at != begin:
        at = best[at][1]
        row.append(at)
    return row[::-1]


def _missed(one: int, other: int, wanted: Sequence[int]) -> int:
    """Days by which the wanted days between two neighbouring dates are missed."""
    return sum(min(day - one, other - day) for day in wanted if one < day < other)
