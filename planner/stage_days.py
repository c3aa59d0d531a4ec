"""The published days between stages as one line: where each stage lies in days, and how sure that is."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence

from planner.model import Struct
from planner.stage_scale import CONFIDENCES, SOWN, DayStep, Kind, StageScale, weakest

# --------------------------------------------------------------------------------------------------


class Proof(Struct, frozen=True):
    """Weakest grade and all sources of the parts an estimate is made of."""

    grade: str = "read"
    confidence: str | None = None
    sources: tuple[str, ...] = ()

    def plus(self, grade: str, confidence: str | None, sources: Sequence[str]) -> Proof:
        return Proof(
            weakest((self.grade, grade)),
            max(self.confidence, confidence, key=CONFIDENCES.index),
            self.sources + tuple(source for source in sources if source not in self.sources),
        )

    def joined(self, other: Proof) -> Proof:
        return self.plus(other.grade, other.confidence, other.sources)


class Offset(Struct, frozen=True):
    """Days from an anchor to a place, the spread either side, and what they rest on."""

    days: float
    early: float
    late: float
    how: str
    proof: Proof = Proof()


class DayTable:
    """The published days between stages as one line: where each place lies in days, and the spread between
    two places.
    """

    def __init__(self, scale: StageScale, kind: Kind | None, sown_counts: bool) -> None:
        steps = [
            (scale.place(step.first), scale.place(step.last), step)
            for step in scale.steps
            if (step.kind is None or step.kind == kind) and (sown_counts or step.first != SOWN)
        ]
        self._beside = {
            last: (first, step) for first, last, step in reversed(steps) if not scale.on_line(last)
        }
        line = [entry for entry in steps if scale.on_line(entry[0]) and scale.on_line(entry[1])]
        line.sort(key=lambda entry: entry[1] - entry[0])  # stable: equal spans keep the order of the file
        group: dict[float, float] = {}

        def root(place: float) -> float:
            while group.setdefault(place, place) != place:
                place = group[place]
            return place

        self._links: dict[float, list[tuple[float, bool, DayStep]]] = {}
        for first, last, step in line:
            if root(first) == root(last):
                continue  # a second row for a pair that nearer rows join already
            group[root(last)] = root(first)
            self._links.setdefault(first, []).append((last, True, step))
            self._links.setdefault(last, []).append((first, False, step))
        self._part = {place: root(place) for place in self._links}
        self._days: dict[float, float] = {}
        for start in sorted(self._links):
            if start not in self._days:
                self._spread_out(start)
        self._nodes = sorted(self._days)
        # a row may put a stage behind one that follows it in the scale: the order of the scale holds
        latest: dict[float, float] = {}
        for place in reversed(self._nodes):
            part = self._part[place]
            self._days[place] = latest[part] = min(self._days[place], latest.get(part, math.inf))

    def _spread_out(self, start: float) -> None:
        self._days[start] = 0.0
        queue = [start]
        while queue:
            place = queue.pop()
            for other, forward, step in self._links[place]:
                if other not in self._days:
                    self._days[other] = self._days[place] + (step.average if forward else -step.average)
                    queue.append(other)

    def _around(self, place: float) -> tuple[float, float] | None:
        """The two places with a row between which ``place`` lies, where both belong to one part."""
        at = bisect_left(self._nodes, place)
        if at < len(self._nodes) and self._nodes[at] == place:
            return place, place
        if at == 0 or at == len(self._nodes):
            return None
        low, high = self._nodes[at - 1], self._nodes[at]
        return (low, high) if self._part[low] == self._part[high] else None

    def at(self, place: float) -> tuple[float, float] | None:
        """Part and days of a place (days count from an arbitrary zero of the part), straight between rows;
        None: no row.
        """
        around = self._around(place)
        if around is None:
            return None
        low, high = around
        share = (place - low) / (high - low) if high > low else 0.0
        return self._part[low], self._days[low] + share * (self._days[high] - self._days[low])

    def between(self, start: float, end: float) -> Offset | None:
        """Days from one place to another (negative: back) with spread; None where no rows join them."""
        first, last = self.at(start), self.at(end)
        if first is None or last is None or first[0] != last[0]:
            return None
        begin, finish = self._around(start), self._around(end)
        assert begin is not None and finish is not None
        early, late, proof = self._path(begin, start, finish, end)
        gap = (
            sum(self._gap(around, place) for around, place in ((begin, start), (finish, end)))
            if start != end
            else 0.0
        )
        days = last[1] - first[1]
        how = "average days between stages" if gap == 0 else "average days between stages, shared by BBCH"
        return Offset(days, math.hypot(early, gap), math.hypot(late, gap), how, proof)

    def _gap(self, around: tuple[float, float], place: float) -> float:
        low, high = around
        if low == high:
            return 0.0
        share = (place - low) / (high - low)
        return min(share, 1.0 - share) * (self._days[high] - self._days[low])

    def _path(
        self, begin: tuple[float, float], start: float, finish: tuple[float, float], end: float
    ) -> tuple[float, float, Proof]:
        """Spread before and after along the rows that join two places, each row taken as independent of the
        others.
        """
        near = begin[0] if start - begin[0] <= begin[1] - start else begin[1]
        weights = [(finish[0], 1.0)]
        if finish[1] > finish[0]:
            share = (end - finish[0]) / (finish[1] - finish[0])
            weights = [(finish[0], 1.0 - share), (finish[1], share)]
        early = late = 0.0
        proof = Proof()
        for low, high in (begin, finish):  # a stage placed between two rows rests on them
            for _, step in self._walk(low, high):
                proof = proof.plus(step.grade, step.confidence, step.sources)
        for place, weight in weights:
            for forward, step in self._walk(near, place):
                short, long = step.average - step.least, step.most - step.average
                if not forward:
                    short, long = long, short
                early += weight * short**2
                late += weight * long**2
                proof = proof.plus(step.grade, step.confidence, step.sources)
        return math.sqrt(early), math.sqrt(late), proof

    def _walk(self, start: float, end: float) -> list[tuple[bool, DayStep]]:
        came: dict[float, tuple[float, bool, DayStep] | None] = {start: None}
        queue = [start]
        while queue and end not in came:
            place = queue.pop()
            for other, forward, step in self._links[place]:
                if other not in came:
                    came[other] = (place, forward, step)
                    queue.append(other)
        path: list[tuple[bool, DayStep]] = []
        link = came[end]
        while link is not None:
            path.append((link[1], link[2]))
            link = came[link[0]]
        return path

    def beside(self, place: float) -> tuple[float, DayStep] | None:
        """The row that dates a place beside the line, and the place it counts from."""
        return self._beside.get(place)
