"""What may still follow a beginning, at the least: money, days covered and selection of every end that it can have.

A beginning is lost when every end of it is beaten, so all ends are bounded. An end is a pass, or none, on each of the
slots to come. Passes that cover the same days and select alike are one kind, at the price of the cheapest; the rules
are left aside. So an end can only look too good here, never too bad.

The selection of a programme is, per target and at-risk group, the integral over days of o (1 - s), where o is what the
other groups let survive and s what the group itself does. Let B be what the beginning left on the leaves and E what the
end adds; each alone gives oB (1 - sB) and oE (1 - sE). Together, on any day::

    o (1 - s)  >=  oE . oB (1 - sB)  +  oB aB . oE (1 - sE)

where aB is exp(-strength x residue) of the group's actives in B: the share that survives where an active could stop
all. Why: the others act apart, so o = oB oE. If no active is in both, s = sB sE and 1 - s = (1 - sB) + sB (1 - sE), and
sB >= aB. If an active is in both its residues add up; with w the most that it stops, A and B the exps of the two,
s = 1 - w + w A B = sB - A w (1 - B) = sB - A (1 - sE), and A = aB. Several actives of a group follow one by one.

On a piece of days residues only fall, so oB, oE and aB are least on its first day. Summed over the pieces that gives
``keep`` x (days that B adds alone) + ``add`` x (oB aB on the first day), with ``keep`` the least oE and ``add`` the
days that E adds alone: two products of matrices for all beginnings and ends. An end of several passes is bounded by the
same inequality, its first pass in the place of B. Ends that differ little become one with the lesser of each figure and
the days that any of them covers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from planner.draft.dose import Doses, Look

if TYPE_CHECKING:
    from numpy.typing import NDArray

MOST_TAILS = 32  # ends of the slots after the next one that are told apart
FROM = 2
BLOCK, PAIRS = 256, 4096  # how many ends, and pairs of ends, are held against each other together
CLOSE = 1e-9  # days; far inside what ``Doses.slack`` leaves
_TABLES = ("days", "others", "left")
_Rows = tuple[Any, Any, Any, Any]  # cost, cover, keep, add: a row for each end


@dataclass
class Ends:
    """Ends from one slot on, in the order of the kind of their pass on that slot."""

    cost: NDArray[Any]  # least money to pay after this slot
    cover: NDArray[Any]  # different covers x words of days
    covered: NDArray[Any]  # end -> cover
    keep: NDArray[Any]  # ends x columns
    add: NDArray[Any]
    kind: NDArray[Any]

    def only(self, which: NDArray[Any]) -> Ends:
        """Some of them."""
        return Ends(
            self.cost[which], self.cover, self.covered[which], self.keep[which], self.add[which], self.kind[which]
        )


class Ahead:
    """Ends from each slot on (``ends``), the least money of each kind of pass there (``least``), the kind of a choice
    (``of``) and its least money (``pays``). Columns are those of the looks of all targets side by side.

    The first ``FROM`` slots have none: beginnings are few there, and their ends many.

    Args:
        pays: per slot the least money of each choice.
        cover: per slot the days of each choice, choices x words.
        ways: per slot the choices that there are.
    """

    def __init__(
        self,
        doses: Doses,
        pays: Sequence[NDArray[Any]],
        cover: Sequence[NDArray[Any]],
        ways: Sequence[NDArray[Any]],
    ) -> None:
        slots = len(pays)
        columns = sum(target.columns(0).stop for target in doses.targets)
        self.ends: list[Any] = []
        self.pays = pays
        self.least: list[Any] = []
        self.of: list[Any] = []
        words = cover[0].shape[1] if slots else 0
        nothing = (np.zeros(1, dtype=np.int64), np.zeros((1, words), dtype=np.uint64))
        tail: _Rows = (*nothing, np.ones((1, columns)), np.zeros((1, columns)))
        for slot in range(slots - 1, min(FROM, slots) - 1, -1):
            looked = _alone(doses, slot, len(pays[slot]))
            kinds, of = _kinds(pays[slot], cover[slot], ways[slot], looked)
            parts = []
            for pay, at in kinds:
                cost, days, keep, add = tail
                parts.append(
                    _unbeaten(
                        (
                            cost + pay,
                            days | cover[slot][at],
                            keep * looked.others[at],
                            keep * looked.days[at] + looked.left[at] * add,
                        )
                    )
                )
            cost, days, keep, add = (np.concatenate([part[at] for part in parts]) for at in range(4))
            covers, covered = np.unique(days, axis=0, return_inverse=True)
            self.ends.append(
                Ends(
                    cost - np.repeat([pay for pay, _ in kinds], [len(part[0]) for part in parts]),
                    covers,
                    covered.reshape(-1),
                    keep,
                    add,
                    np.repeat(np.arange(len(parts)), [len(part[0]) for part in parts]),
                )
            )
            self.least.append(np.array([pay for pay, _ in kinds], dtype=np.int64))
            self.of.append(of)
            tail = _merged(_unbeaten((cost, days, keep, add)))
        for found in (self.ends, self.least, self.of):
            found += [None] * (slots - len(found))
            found.reverse()


def _alone(doses: Doses, slot: int, count: int) -> Look:
    """Every choice on a slot by itself, the columns of all targets side by side."""
    chosen = np.zeros((count, slot + 1), dtype=np.int64)
    chosen[:, slot] = np.arange(count)
    looks, rows, _ = doses.look(chosen, np.zeros((count, len(doses.targets)), dtype=np.int64))
    tables = [[getattr(look, name)[row] for look, row in zip(looks, rows.T, strict=True)] for name in _TABLES]
    return Look(*(np.concatenate([np.zeros((count, 0)), *table], axis=1) for table in tables))


def _kinds(
    pays: NDArray[Any], cover: NDArray[Any], ways: NDArray[Any], looked: Look
) -> tuple[list[tuple[int, int]], NDArray[Any]]:
    """Choices that cover and select alike: their least money and one of them; and the kind of each choice."""
    tables = [np.round(getattr(looked, name), 9) + 0.0 for name in _TABLES]
    kinds: list[tuple[int, int]] = []
    known: dict[bytes, int] = {}
    of = np.zeros(len(pays), dtype=np.int64)
    for choice in ways.tolist():
        key = b"".join([cover[choice].tobytes(), *(table[choice].tobytes() for table in tables)])
        number = known.setdefault(key, len(kinds))
        if number == len(kinds):
            kinds.append((int(pays[choice]), choice))
        elif pays[choice] < kinds[number][0]:
            kinds[number] = (int(pays[choice]), kinds[number][1])
        of[choice] = number
    return kinds, of


def _unbeaten(rows: _Rows) -> _Rows:
    """Without ends that another one is never worse than."""
    cost, cover, keep, add = rows
    sums = np.column_stack([keep.sum(axis=1), add.sum(axis=1)])
    order = np.lexsort((sums[:, 0] + sums[:, 1], cost))
    cost, cover, keep, add, sums = cost[order], cover[order], keep[order], add[order], sums[order]
    both = np.concatenate([keep, add], axis=1)
    fine = np.ones(len(cost), dtype=bool)
    for begin in range(0, len(cost), BLOCK):
        here = slice(begin, min(begin + BLOCK, len(cost)))
        before = np.flatnonzero(fine[: here.stop])
        may = before[:, None] < np.arange(here.start, here.stop)[None, :]
        for word in range(cover.shape[1]):
            may &= (cover[None, here, word] & ~cover[before, None, word]) == 0
        for column in range(2):
            may &= sums[before, None, column] <= sums[None, here, column] + CLOSE
        better, worse = np.nonzero(may)
        lesser = np.ones(len(better), dtype=bool)
        for at in range(0, len(better), PAIRS):
            part = slice(at, at + PAIRS)
            lesser[part] = (both[before[better[part]]] <= both[worse[part] + begin] + CLOSE).all(axis=1)
        fine[worse[lesser] + begin] = False
    return cost[fine], cover[fine], keep[fine], add[fine]


def _merged(rows: _Rows) -> _Rows:
    """At most ``MOST_TAILS`` ends: those that cover the same days for about the same money are made one, in ever wider
    steps of money, at last whatever they cover."""
    wide = max(1, int(rows[0].max()) // 500)
    same_cover = True
    while len(rows[0]) > MOST_TAILS:
        together: dict[Any, list[int]] = {}
        for at, (cost, cover) in enumerate(zip(rows[0], rows[1], strict=True)):
            together.setdefault((cover.tobytes() if same_cover else b"", int(cost) // wide), []).append(at)
        if len(together) < len(rows[0]):
            cost, cover, keep, add = rows
            groups = list(together.values())
            rows = _unbeaten(
                (
                    np.array([cost[one].min() for one in groups]),
                    np.array([np.bitwise_or.reduce(cover[one], axis=0) for one in groups]),
                    np.array([keep[one].min(axis=0) for one in groups]),
                    np.array([add[one].min(axis=0) for one in groups]),
                )
            )
        same_cover = same_cover and wide <= int(rows[0].max())
        wide *= 2
    return rows
