"""Selection days of a programme: closed forms, and the exact integral from spray to spray."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from typing import TypeAlias

from msgspec.structs import replace

from planner.model import Struct
from planner.selection.expint import ein
from planner.selection.values import Component, Joined, Spray, Strain

# Gauss-Legendre panels.  On one panel the integrand is made of exp(-a exp(-z x)), entire in x but growing
# once the imaginary part of z x passes pi/2; with z (decay constant x panel length) at most 3 and 16 nodes
# the error bound of the Bernstein ellipse is about 1e-12, so a programme stays well inside 1e-9.
PANEL = 3.0
NODES = 16
# A residue whose theta * C is below this adds less than 1e-13 / lam days: the far tail is not worth a panel.
NEGLIGIBLE = 1e-13


def selection_days_single(
    component: Component, dose: float = 1.0, duration: float = math.inf, *, sensitivity: float = 0.0
) -> float:
    """Effective selection days of one spray on its own, in closed form.

    ESD = (1 - q) * omega/lam * [Ein(theta D) - Ein(theta D exp(-lam T))], T = ``duration`` in days (may be
    infinite).
    """
    lam = component.decay
    strength = component.theta * dose
    left = strength * math.exp(-lam * duration) if math.isfinite(duration) else 0.0
    return (1.0 - sensitivity) * component.omega / lam * (ein(strength) - ein(left))


def selection_days_solo(
    sprays: Iterable[Spray], horizon: float, *, start: float | None = None, sensitivity: float = 0.0
) -> float:
    """Closed form for any number of sprays of ONE component (residues add), from ``start`` to ``horizon``
    (days).

    Raises ValueError when the sprays hold more than one component: a mixture has no closed form.
    """
    programme = list(sprays)
    if len({spray.component for spray in programme}) > 1:
        raise ValueError(
            "the closed form is for one active only; use selection_days for a mixture or a rotation"
        )
    total = 0.0
    for _, length, active in intervals(programme, start, horizon):
        for component, concentration in active:
            total += selection_days_single(component, concentration, length, sensitivity=sensitivity)
    return total


Interval: TypeAlias = tuple[float, float, list[tuple[Component, float]]]


def intervals(sprays: Iterable[Spray], start: float | None, horizon: float) -> list[Interval]:
    """Split [start, horizon] at the sprays: (first day, length, [(component, residue on the first day),
    ...]).

    Sprays before ``start`` leave their residue; sprays after ``horizon`` do not count.
    """
    programme = sorted(sprays, key=lambda spray: spray.day)
    begin = start if start is not None else (programme[0].day if programme else 0.0)
    if math.isnan(horizon) or horizon < begin:
        raise ValueError(f"the season ends (day {horizon}) before it begins (day {begin})")
    residue: dict[Component, float] = {}
    found: list[Interval] = []
    now = programme[0].day if programme else horizon
    if begin < now:
        found.append((begin, min(now, horizon) - begin, []))
    index = 0
    count = len(programme)
    while index < count and programme[index].day <= horizon:
        day = programme[index].day
        if day > now:
            gap = day - now
            residue = {c: amount * math.exp(-c.decay * gap) for c, amount in residue.items()}
            now = day
        while index < count and programme[index].day == day:
            spray = programme[index]
            residue[spray.component] = residue.get(spray.component, 0.0) + spray.dose
            index += 1
        end = min(programme[index].day, horizon) if index < count else horizon
        first = max(now, begin)
        if end > first:
            aged = first - now
            active = [
                (c, amount * math.exp(-c.decay * aged) if aged else amount) for c, amount in residue.items()
            ]
            found.append((first, end - first, active))
    return found


@lru_cache(maxsize=8)
def legendre(count: int) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Nodes and weights of Gauss-Legendre quadrature on [0, 1] (Newton on the Legendre recurrence)."""
    nodes: list[float] = []
    weights: list[float] = []
    for i in range(1, count + 1):
        x = math.cos(math.pi * (i - 0.25) / (count + 0.5))
        slope = 1.0
        for _ in range(100):
            previous, value = 1.0, x
            for k in range(2, count + 1):
                previous, value = value, ((2 * k - 1) * x * value - (k - 1) * previous) / k
            slope = count * (x * value - previous) / (x * x - 1.0)
            step = value / slope
            x -= step
            if abs(step) < 1e-16:
                break
        nodes.append(0.5 * (1.0 + x))
        weights.append(1.0 / ((1.0 - x * x) * slope * slope))
    return tuple(nodes), tuple(weights)


@lru_cache(maxsize=4096)
def _decay_table(z: float) -> tuple[float, ...]:
    """exp(-z x) at the quadrature nodes of one panel."""
    return tuple([math.exp(-z * x) for x in legendre(NODES)[0]])


class Rival(Struct, frozen=True):
    """A resistant strain held against the fully sensitive one: q per group, and its cost."""

    members: Mapping[str, float]
    cost: float = 0.0


def gains(intervals: Sequence[Interval], rivals: Sequence[Rival]) -> list[list[float]]:
    """Days by which each rival gets ahead of the sensitive strain, per interval: result[interval][rival].

    Raises ValueError for an endless interval with a fitness cost (the integral does not exist).
    """
    weights = legendre(NODES)[1]
    exp = math.exp
    result: list[list[float]] = []
    for _, length, active in intervals:
        row = [0.0] * len(rivals)
        result.append(row)
        alive = [
            (c, c.theta * amount, c.decay)
            for c, amount in active
            if c.omega > 0.0 and c.theta * amount > NEGLIGIBLE
        ]
        # Past this time no residue matters any more; only a fitness cost goes on working.
        reach = max((math.log(strength / NEGLIGIBLE) / lam for _, strength, lam in alive), default=0.0)
        span = min(length, reach)
        rest = length - span
        if rest > 0.0:
            for k, rival in enumerate(rivals):
                if rival.cost:
                    if math.isinf(rest):
                        raise ValueError(
                            "a fitness cost works all season: give a horizon that is not infinite"
                        )
                    row[k] -= rival.cost * rest
        if span <= 0.0 or not alive:
            continue
        panels = max(1, math.ceil(max(lam for _, _, lam in alive) * span / PANEL))
        width = span / panels
        scaled = [weight * width for weight in weights]
        for p in range(panels):
            by_group: dict[str, list[float]] = {}
            by_part: list[tuple[str, list[float]]] = []
            for component, strength, lam in alive:
                x = -(strength * exp(-lam * width * p) if p else strength)
                if x > -NEGLIGIBLE:
                    continue
                omega = component.omega
                floor = 1.0 - omega
                part = [floor + omega * exp(x * e) for e in _decay_table(lam * width)]
                group = component.group
                by_part.append((group, part))
                known = by_group.get(group)
                by_group[group] = part if known is None else [a * b for a, b in zip(known, part, strict=True)]
            for k, rival in enumerate(rivals):
                members = rival.members
                inside: list[float] | None = None
                outside = scaled
                for group, survivors in by_group.items():
                    if group in members:
                        inside = (
                            survivors
                            if inside is None
                            else [a * b for a, b in zip(inside, survivors, strict=True)]
                        )
                    else:
                        outside = [a * b for a, b in zip(outside, survivors, strict=True)]
                kept = 1.0 - rival.cost
                if inside is None:
                    if rival.cost:
                        row[k] -= rival.cost * sum(outside)
                    continue
                if any(members[group] for group in by_group if group in members):
                    ahead = [kept] * NODES
                    for group, part in by_part:
                        q = members.get(group, 0.0)
                        if q:
                            ahead = [a * (1.0 - q * (1.0 - s)) for a, s in zip(ahead, part, strict=True)]
                    row[k] += sum([w * (a - s) for w, a, s in zip(outside, ahead, inside, strict=True)])
                else:
                    row[k] += sum([w * (kept - s) for w, s in zip(outside, inside, strict=True)])
    return result


def rival_of(group: str, sensitivity: float, joined: Joined, cost: float) -> Rival:
    """The strain resistant to a group and to what is joined to it."""
    if not 0.0 <= sensitivity <= 1.0:
        raise ValueError(
            f"remaining sensitivity is {sensitivity}; write a share from 0 (immune) to 1 (fully sensitive)"
        )
    if not cost < 1.0:
        raise ValueError(f"fitness cost is {cost}; write a share below 1")
    members = dict(joined) if isinstance(joined, Mapping) else dict.fromkeys(joined, sensitivity)
    members[group] = sensitivity
    return Rival(members, cost)


def selection_days(
    sprays: Iterable[Spray],
    group: str,
    horizon: float,
    *,
    start: float | None = None,
    sensitivity: float = 0.0,
    joined: Joined = (),
    cost: float = 0.0,
) -> float:
    """Effective selection days of ``group`` over a programme, from ``start`` to ``horizon`` (days; horizon
    may be infinite).

    start: first day that counts (where the target's window opens); default the first spray.  Earlier sprays
    leave residue.
    sensitivity: q that the resistant strain has left, 0 immune .. 1 fully sensitive.
    joined: groups that share the resistance, at the same q, or a mapping group -> q for partial cross-
    resistance.
    cost: fitness cost of the resistant strain; the result may then be negative (resistance recedes).

    Raises ValueError for a horizon before the start, q outside 0..1, a cost of 1 or more, or a cost without
    a finite horizon.
    """
    rows = gains(intervals(sprays, start, horizon), [rival_of(group, sensitivity, joined, cost)])
    return math.fsum(row[0] for row in rows)


def selection_by_group(
    sprays: Iterable[Spray],
    horizon: float,
    *,
    groups: Iterable[str] | None = None,
    start: float | None = None,
    sensitivity: Mapping[str, float] | None = None,
    joined: Mapping[str, Joined] | None = None,
    cost: float = 0.0,
) -> dict[str, float]:
    """Effective selection days of several groups in one sweep (the audit's call): group -> days.

    groups: default the groups with an at-risk component, in the order of their first spray.  sensitivity:
    group -> q (default 0).  joined: group -> the groups that share its resistance.
    """
    programme = list(sprays)
    if groups is None:
        wanted = list(
            dict.fromkeys(
                s.component.group for s in sorted(programme, key=lambda s: s.day) if s.component.at_risk
            )
        )
    else:
        wanted = list(groups)
    q = sensitivity or {}
    ties = joined or {}
    rivals = [rival_of(group, q.get(group, 0.0), ties.get(group, ()), cost) for group in wanted]
    rows = gains(intervals(programme, start, horizon), rivals)
    return {group: math.fsum(row[k] for row in rows) for k, group in enumerate(wanted)}


def relative_growth_days(
    sprays: Iterable[Spray], horizon: float, strains: Iterable[Strain], *, start: float | None = None
) -> dict[str, float]:
    """Days by which each strain gets ahead of the fully sensitive, cost-free one: strain name -> days.

    Serves recursions with many strains; sensitivities may be given per active (incomplete cross-resistance
    inside a group).
    """
    programme = list(sprays)
    found: dict[str, float] = {}
    for strain in strains:
        # Each active becomes its own group here, because one group may hold several q.
        keyed = [
            Spray(s.day, replace(s.component, group=f"{s.component.group}/{s.component.name}"), s.dose)
            for s in programme
        ]
        members = {
            new.component.group: strain.q(old.component) for new, old in zip(keyed, programme, strict=True)
        }
        members = {group: q for group, q in members.items() if q != 1.0}
        rows = gains(intervals(keyed, start, horizon), [Rival(members, strain.cost)])
        found[strain.name] = math.fsum(row[0] for row in rows)
    return found
