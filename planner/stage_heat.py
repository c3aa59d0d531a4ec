"""Stage dates from daily temperatures: degree-day sums and photothermal days, counted from one given date."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from datetime import date

from planner.heat import Temperatures, day_length
from planner.stage_days import DayTable, Offset, Proof
from planner.stage_scale import HeatSum, HeatSums, Phase, Photothermal, StageScale

# ----------------------------------------------------------------------------------------


class Weather:
    """Temperatures as an unbroken run of days from a given day on."""

    def __init__(self, temperatures: Temperatures) -> None:
        self._days = temperatures

    def get(self, day: int) -> tuple[float, float] | None:
        return self._days.get(date.fromordinal(day))

    def end(self, start: int) -> int:
        """Last day of the unbroken run that begins on the day after ``start``; ``start`` itself where it has
        no weather.
        """
        day = start
        while self.get(day + 1) is not None:
            day += 1
        return day


def heat_run(
    table: DayTable, scale: StageScale, heat: HeatSums, weather: Weather, anchor: float, day: int
) -> dict[float, Offset]:
    """Offsets in days from an anchor to each stage with a degree-day sum, from the temperatures after the
    anchor's day.
    """
    nodes = [(scale.place(heat.start), HeatSum(heat.start, 0.0, 0.0, 0.0, "read"))]
    nodes += [(scale.place(entry.stage), entry) for entry in heat.sums]
    done = _heat_done(table, nodes, anchor)
    end = weather.end(day)
    if done is None or end == day:
        return {}
    sums: list[float] = [0.0]
    for ordinal in range(day + 1, end + 1):
        low, high = weather.get(ordinal) or (0.0, 0.0)
        sums.append(sums[-1] + heat.method.day_celsius(low, high))

    def reached(target: float) -> float | None:
        at = bisect_left(sums, target - 1e-9)
        return float(at) if at < len(sums) else None

    found: dict[float, Offset] = {}
    previous, previous_sum = anchor, done
    proof = Proof().plus(heat.method.grade, None, heat.method.sources)
    for place, entry in nodes:
        if entry.sum <= done or place <= anchor:
            continue
        proof = proof.plus(entry.grade, None, entry.sources)
        target = entry.sum - done
        least, most = target * (1 - heat.unprinted_share), target * (1 + heat.unprinted_share)
        shrink = math.sqrt(target / entry.sum)
        # a range that ends at the sum itself (two sources that disagree) says nothing about that side
        if entry.least is not None and entry.least < entry.sum:
            least = target - (entry.sum - entry.least) * shrink
        if entry.most is not None and entry.most > entry.sum:
            most = target + (entry.most - entry.sum) * shrink
        at = reached(target)
        how = f"degree days, {entry.sum:g} {heat.method.unit} from {heat.start}"
        if at is not None:
            soonest = reached(least)
            longest = reached(most)
            rate = sums[-1] / (len(sums) - 1) or math.inf
            late = longest - at if longest is not None else max(len(sums) - 1 - at, (most - target) / rate)
            found[place] = Offset(at, at - (soonest if soonest is not None else at), late, how, proof)
        else:
            step = table.between(previous, place)
            if step is None or entry.sum <= previous_sum:
                break
            if previous in found and found[previous].days >= len(sums) - 1:
                base, share, before = found[previous].days, 1.0, found[previous]
            else:
                base = float(len(sums) - 1)
                share = (target - sums[-1]) / (entry.sum - previous_sum)
                before = found.get(previous, Offset(0.0, 0.0, 0.0, ""))
            share = min(1.0, max(0.0, share))
            found[place] = Offset(
                base + share * step.days,
                math.hypot(before.early, share * step.early),
                math.hypot(before.late, share * step.late),
                how + ", and average days after the last temperatures",
                proof.joined(step.proof),
            )
        previous, previous_sum = place, entry.sum
    return found


def _heat_done(table: DayTable, nodes: Sequence[tuple[float, HeatSum]], anchor: float) -> float | None:
    """Degree days already behind the crop at the anchor: the stage's own sum, else by days between the two
    stages around.
    """
    places = [place for place, _ in nodes]
    if anchor < places[0] or anchor > places[-1]:
        return None
    at = bisect_right(places, anchor) - 1
    low, entry = nodes[at]
    if low == anchor:
        return entry.sum
    high, above = nodes[at + 1]
    gone, whole = table.between(low, anchor), table.between(low, high)
    if gone is None or whole is None or whole.days <= 0:
        return None
    return entry.sum + (above.sum - entry.sum) * min(1.0, gone.days / whole.days)


def photothermal_run(
    table: DayTable,
    scale: StageScale,
    model: Photothermal,
    group: str,
    latitude: float,
    weather: Weather,
    anchor: float,
    day: int,
) -> dict[float, Offset]:
    """Offsets in days from an anchor to each stage of the photothermal model, from the temperatures after its
    day.
    """
    found: dict[float, Offset] = {}
    start = Offset(0.0, 0.0, 0.0, "")
    proof = Proof().plus(model.grade, None, model.sources)
    for phase in model.phases:
        first, last = scale.place(phase.first), scale.place(phase.last)
        if last <= anchor:
            continue
        length, done = model.length(phase, group), 0.0
        if first == anchor:
            before = start
        elif first in found:
            before = found[first]
        elif first < anchor:
            share = _phase_done(table, scale, model, group, phase, anchor)
            if share is None:
                continue
            before, done = start, length * share
        else:
            continue
        begin = day + round(before.days)
        how = f"photothermal days, maturity group {group}, latitude {latitude:g}"
        if phase.curve is None:
            found[last] = Offset(
                before.days + length - done, before.early, before.late, how, before.proof.joined(proof)
            )
            continue
        at, left = begin, length - done
        while left > 1e-9:
            pair = weather.get(at + 1)
            if pair is None:
                break
            hours = day_length(date.fromordinal(at + 1), latitude, model.light)
            left -= model.rate(phase, group, pair[0], pair[1], hours)
            at += 1
        spread = model.spread_days * math.sqrt((at - begin) / model.spread_per)
        if left <= 1e-9:
            found[last] = Offset(
                float(at - day), math.hypot(before.early, spread), math.hypot(before.late, spread), how,
                before.proof.joined(proof),
            )  # fmt: skip
            continue
        step = table.between(first, last)
        if step is None or step.days <= 0:
            continue
        share = min(1.0, left / length)
        found[last] = Offset(
            at - day + share * step.days,
            math.sqrt(before.early**2 + spread**2 + (share * step.early) ** 2),
            math.sqrt(before.late**2 + spread**2 + (share * step.late) ** 2),
            how + ", and average days after the last temperatures",
            before.proof.joined(proof).joined(step.proof),
        )
    return found


def _phase_done(
    table: DayTable, scale: StageScale, model: Photothermal, group: str, phase: Phase, anchor: float
) -> float | None:
    """Share of a phase that lies behind the crop at a stage inside it: by a shorter phase that ends there,
    else by days.
    """
    for other in model.phases:
        if other.first == phase.first and scale.place(other.last) == anchor and other.light == phase.light:
            return min(1.0, model.length(other, group) / model.length(phase, group))
    gone = table.between(scale.place(phase.first), anchor)
    whole = table.between(scale.place(phase.first), scale.place(phase.last))
    if gone is None or whole is None or whole.days <= 0:
        return None
    return min(1.0, max(0.0, gone.days / whole.days))
