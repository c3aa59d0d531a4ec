"""What drives the number: which pass, which missing partner, which partner that fades too soon."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable

from msgspec.structs import replace

from planner.model import Struct
from planner.selection.integral import gains, intervals, rival_of, selection_days
from planner.selection.values import Component, Joined, Spray


class PassShare(Struct, frozen=True):
    """What the stretch from one pass to the next adds to a group's selection days.

    day, groups: the pass.  uses_group: the group is in this tank.  days: what the stretch adds; the
    stretches sum to the total.  exposure: the same without any partner anywhere.  partner_saves: what
    partners would take off if their residues lasted as long as the group's own.  fading_costs: what is lost
    of that because they fade sooner (the naked tail). days = exposure - partner_saves + fading_costs.
    without: how much lower the total is when this pass goes on without the group.  alone: the group goes on
    in this tank with nothing else that works on the target.  missing_partner_costs: how much lower the
    total is when a pass that is alone carries the reference partner at its full label rate; None when the
    pass is not alone or no reference is known.
    """

    day: float
    groups: tuple[str, ...]
    uses_group: bool
    days: float
    exposure: float
    partner_saves: float
    fading_costs: float
    without: float
    alone: bool
    missing_partner_costs: float | None


class Attribution(Struct, frozen=True):
    """A group's selection days taken apart: total = exposure - partner_saves + fading_costs, in days."""

    group: str
    total: float
    exposure: float
    partner_saves: float
    fading_costs: float
    passes: tuple[PassShare, ...]
    reference: Component | None


class Driver(Struct, frozen=True):
    """One cause of a difference between two programmes, in selection days (second minus first, signed).

    cause: ``exposure`` (more, larger or wider spaced uses of the group), ``partners`` (what partners take
    off) or ``fading`` (partners that fade sooner than the group).  day: the pass at which the programme that
    stands worse on this cause shows it most; None where neither shows any.  in_second: that programme is
    the second one.
    """

    cause: str
    days: float
    day: float | None
    in_second: bool


def drivers(first: Attribution, second: Attribution) -> tuple[Driver, ...]:
    """Why the second programme selects more or less than the first, largest cause first; the days sum to
    second.total - first.total.  Raises ValueError for attributions of different groups."""
    if first.group != second.group:
        raise ValueError(f"the two programmes are taken apart for groups {first.group} and {second.group}")
    causes: dict[str, tuple[float, Callable[[PassShare], float]]] = {
        "exposure": (second.exposure - first.exposure, lambda p: p.exposure),
        "partners": (first.partner_saves - second.partner_saves, lambda p: p.exposure - p.partner_saves),
        "fading": (second.fading_costs - first.fading_costs, lambda p: p.fading_costs),
    }
    found: list[Driver] = []
    for cause, (days, of) in causes.items():
        worse = second if days > 0.0 else first
        most = max(worse.passes, key=of, default=None)
        day = most.day if most is not None and of(most) > 0.0 else None
        found.append(Driver(cause, days, day, worse is second))
    return tuple(sorted(found, key=lambda driver: -abs(driver.days)))


def strongest_partner(
    programmes: Iterable[Iterable[Spray]], group: str, joined: Joined = ()
) -> Component | None:
    """The partner with the greatest omega (then the longest half-life) outside the group, over all
    programmes; None if none."""
    members = {group, *joined}
    best: Component | None = None
    for sprays in programmes:
        for spray in sprays:
            c = spray.component
            if c.group in members or c.omega <= 0.0:
                continue
            if best is None or (c.omega, c.half_life_days, c.name) > (
                best.omega,
                best.half_life_days,
                best.name,
            ):
                best = c
    return best


def attribute(
    sprays: Iterable[Spray],
    group: str,
    horizon: float,
    *,
    start: float | None = None,
    sensitivity: float = 0.0,
    joined: Joined = (),
    reference: Component | None = None,
) -> Attribution:
    """Take a group's selection days apart by pass and by cause, so that a comparison can name what drives a
    difference.

    reference: the partner assumed where one is missing (full label rate); default the strongest one in the
    programme. Two programmes differ by exactly the differences of exposure, partner_saves and fading_costs.
    """
    programme = sorted(sprays, key=lambda s: s.day)
    members = {group, *joined}
    rival = rival_of(group, sensitivity, joined, 0.0)
    if reference is None:
        reference = strongest_partner([programme], group, joined)
    own = [s.component.half_life_days for s in programme if s.component.group in members]
    longest = max(own, default=0.0)

    def rows(changed: list[Spray]) -> dict[float, float]:
        # Whatever is changed in thought, the cuts stay at the real passes: a placeholder of no effect keeps
        # each day.
        held = changed + [Spray(day, _NOTHING) for day in days]
        cuts = intervals(held, start, horizon)
        return {first: row[0] for (first, _, _), row in zip(cuts, gains(cuts, [rival]), strict=True)}

    def lasting(spray: Spray) -> Spray:
        c = spray.component
        if c.group in members or c.half_life_days >= longest:
            return spray
        return Spray(spray.day, replace(c, half_life_days=longest), spray.dose)

    days = list(dict.fromkeys(s.day for s in programme))
    real = rows(programme)
    bare = rows([s for s in programme if s.component.group in members])
    ideal = rows([lasting(s) for s in programme])
    total = math.fsum(real.values())
    shares: list[PassShare] = []
    begin = start if start is not None else (days[0] if days else 0.0)
    for k, day in enumerate(days):
        tank = [s for s in programme if s.day == day]
        until = days[k + 1] if k + 1 < len(days) else math.inf
        starts = [first for first in real if (max(day, begin) <= first < until)]
        got, naked, full = (math.fsum(table[first] for first in starts) for table in (real, bare, ideal))
        uses = any(s.component.group in members and s.dose > 0.0 and s.component.omega > 0.0 for s in tank)
        alone = uses and not any(
            s.component.group not in members and s.dose > 0.0 and s.component.omega > 0.0 for s in tank
        )
        missing: float | None = None
        if alone and reference is not None:
            missing = total - selection_days(
                [*programme, Spray(day, reference)],
                group,
                horizon,
                start=begin,
                sensitivity=sensitivity,
                joined=joined,
            )
        kept = [s for s in programme if not (s.day == day and s.component.group in members)]
        without = (
            total - selection_days(kept, group, horizon, start=begin, sensitivity=sensitivity, joined=joined)
            if uses
            else 0.0
        )
        shares.append(
            PassShare(
                day,
                tuple(dict.fromkeys(s.component.group for s in tank)),
                uses,
                got,
                naked,
                naked - full,
                got - full,
                without,
                alone,
                missing,
            )
        )
    exposure, best = math.fsum(bare.values()), math.fsum(ideal.values())
    return Attribution(group, total, exposure, exposure - best, total - best, tuple(shares), reference)


_NOTHING = Component("", 0.0, 1.0, 1.0, at_risk=False)
