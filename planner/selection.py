"""How hard a spray programme selects for resistance: the closed-form index.

Why this module exists: counting sprays is a poor guide.  What selects is the time during which a resistant strain
grows and a sensitive one does not (selection coefficient x exposure time: van den Bosch, Oliver, van den Berg & Paveley
2014, Annu. Rev. Phytopathol. 52:175-195, abstract read).  The equations here are the short form of that principle; the
derivation, the parameters and the checks are in ``shared/reference/resistance_checks.yaml`` and ``catalog/selection.yaml``.

Residue, effect and growth (dose is a fraction of the full label rate, time in days; any other unit of time may be used,
degree-days for instance, if half-lives and days of spraying use it too)::

    C_c(t)   = sum over sprays of c:  dose * exp(-lam_c * (t - t_spray))          lam = ln 2 / half-life
    eps_c(t) = omega_c * (1 - exp(-theta_c * C_c(t)))                              share of pathogen growth blocked
    g_i(t)   = r * (1 - cost_i) * product over c of (1 - q_ic * eps_c(t))          growth rate of strain i

``q`` is what a strain has left of its sensitivity: 1 fully sensitive, 0 immune.  Actives of one group share it, and so do
groups joined by cross-resistance.  The **effective selection days** of a group are the days of undisturbed growth by which
the resistant strain gets ahead of the sensitive one in a season::

    ESD_A = integral of (1 - cost) * prod_A (1 - q eps) * prod_rest (1 - eps)  -  prod_all (1 - eps)   dt

The log-odds of resistance move by ``r * ESD_A`` a season; a ranking of programmes never depends on ``r``.

Limits that whoever shows a number must state: actives act independently; no weather, no refuge and no migration; one
target at a time; whether disease is still controlled is not answered here (``planner.season_models`` does); how resistance
first arises is not modelled.  The index ranks programmes against one target, it does not forecast years.

No function here searches over doses or proposes one: doses are what the user's programme says (label rates), and the only
spray that an explanation adds in thought, a reference partner, goes in at its full label rate.

Everything is a pure function over plain values.  The module imports only the standard library, so that an audit starts
quickly; numpy is imported inside the batch functions.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any, TypeAlias

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    FloatArray: TypeAlias = NDArray[np.float64]

__all__ = [
    "Attribution", "Band", "Component", "Flip", "PairSelection", "PassShare", "SelectionDefaults", "Spray", "Strain",
    "attribute", "double_selection_days", "ein", "exponential_integral_e1", "flip_point", "growth_rate", "log_odds_change",
    "logit", "pack_programmes", "pairs_in_tank", "ranking_flips", "relative_growth_days", "seasons_to_fraction",
    "selection_band", "selection_by_group", "selection_days", "selection_days_batch", "selection_days_single",
    "selection_days_solo",
]

EULER_GAMMA = 0.57721566490153286061
LN2 = math.log(2.0)

# Gauss-Legendre panels.  On one panel the integrand is made of exp(-a exp(-z x)), entire in x but growing once the
# imaginary part of z x passes pi/2; with z (decay constant x panel length) at most 3 and 16 nodes the error bound of the
# Bernstein ellipse is about 1e-12, so a programme stays well inside 1e-9.
_PANEL = 3.0
_NODES = 16
# A residue whose theta * C is below this adds less than 1e-13 / lam days: the far tail is not worth a panel.
_NEGLIGIBLE = 1e-13


# ------------------------------------------------------------------------------------------------------------------
# plain values


@dataclass(frozen=True, slots=True)
class Component:
    """One active ingredient as a given target meets it.

    group: mode-of-action code (text).  omega: greatest share of pathogen growth blocked, 0..1.  theta: curvature of the dose
    response, per full label rate.  half_life_days: half-life of the working residue, days.  name: the active's common name;
    two actives of one group are two components and act independently, two sprays of one active add their residues.
    at_risk: False for multi-site and low-risk actives, which discount others but are not selected against themselves.

    Raises ValueError for values outside these ranges.
    """

    group: str
    omega: float
    theta: float
    half_life_days: float
    name: str = ""
    at_risk: bool = True

    def __post_init__(self) -> None:
        if not 0.0 <= self.omega <= 1.0:
            raise ValueError(f"omega of {self.label} is {self.omega}; write a share from 0 to 1")
        if not (self.theta > 0.0 and math.isfinite(self.theta)):
            raise ValueError(f"theta of {self.label} is {self.theta}; write a number above 0")
        if not (self.half_life_days > 0.0 and math.isfinite(self.half_life_days)):
            raise ValueError(f"half-life of {self.label} is {self.half_life_days}; write a number of days above 0")

    @property
    def label(self) -> str:
        """Name for messages: the active, or its group where no name was given."""
        return self.name or f"group {self.group}"

    @property
    def decay(self) -> float:
        """Decay constant lam = ln 2 / half-life, per day."""
        return LN2 / self.half_life_days

    def efficacy(self, concentration: float) -> float:
        """eps: share of growth blocked at a concentration (fraction of the full label rate)."""
        return -self.omega * math.expm1(-self.theta * concentration)

    def dose_for(self, share: float) -> float:
        """Concentration that reaches ``share`` (0..1) of omega; infinite for 1.  A teaching figure, never a rate to advise."""
        if not 0.0 <= share <= 1.0:
            raise ValueError(f"share is {share}; write a share of omega from 0 to 1")
        return math.inf if share == 1.0 else -math.log1p(-share) / self.theta


@dataclass(frozen=True, slots=True)
class Spray:
    """One component going on: day (any origin), dose as a fraction of its full label rate (1.0 = full).

    A tank mix is several sprays of one day.  Raises ValueError for a day that is not finite or a negative dose.
    """

    day: float
    component: Component
    dose: float = 1.0

    def __post_init__(self) -> None:
        if not math.isfinite(self.day):
            raise ValueError(f"day of a spray of {self.component.label} is {self.day}; write a finite day")
        if not (self.dose >= 0.0 and math.isfinite(self.dose)):
            raise ValueError(f"dose of {self.component.label} is {self.dose}; write a fraction of the label rate, 0 or more")


@dataclass(frozen=True, slots=True)
class Strain:
    """A strain by what it has left of its sensitivity.

    sensitivity: group code or active name -> q (0 immune, 1 fully sensitive); a name beats its group, what is not named is 1.
    cost: fitness cost, the share of growth lost without any fungicide (0 = none).
    """

    name: str
    sensitivity: Mapping[str, float] = field(default_factory=dict)
    cost: float = 0.0

    def q(self, component: Component) -> float:
        """Remaining sensitivity of this strain to a component."""
        by_name = self.sensitivity.get(component.name) if component.name else None
        return self.sensitivity.get(component.group, 1.0) if by_name is None else by_name


Joined: TypeAlias = Collection[str] | Mapping[str, float]


# ------------------------------------------------------------------------------------------------------------------
# the exponential integral, without SciPy


def exponential_integral_e1(x: float) -> float:
    """E1(x) = integral from x to infinity of exp(-u)/u du, x > 0, to about 1e-15 relative.

    Source: Abramowitz & Stegun 1964, 5.1.11 (series) and 5.1.22 (continued fraction), from memory; checked against SciPy
    in the tests.
    """
    if not x > 0.0:
        raise ValueError(f"E1 needs a positive argument, not {x}")
    if x > 745.0:
        return 0.0
    if x < 1.0:
        return ein(x) - EULER_GAMMA - math.log(x)
    # Modified Lentz evaluation of exp(-x) / (x + 1 - 1/(x + 3 - 4/(x + 5 - ...))).
    b = x + 1.0
    c = 1e300
    d = 1.0 / b
    h = d
    for i in range(1, 400):
        a = -float(i * i)
        b += 2.0
        d = 1.0 / (a * d + b)
        c = b + a / c
        step = c * d
        h *= step
        if abs(step - 1.0) < 1e-16:
            break
    return h * math.exp(-x)


def ein(x: float) -> float:
    """Ein(x) = integral from 0 to x of (1 - exp(-u))/u du for x >= 0, to about 1e-15 relative.

    Below 2 by the all-positive series exp(-x) * sum H_k x^k / k! (no cancellation), above it by gamma + ln x + E1(x).
    """
    if x < 0.0 or math.isnan(x):
        raise ValueError(f"Ein is used for arguments of 0 or more, not {x}")
    if x < 2.0:
        total = 0.0
        power = 1.0
        harmonic = 0.0
        for k in range(1, 60):
            power *= x / k
            harmonic += 1.0 / k
            term = power * harmonic
            total += term
            if term < 1e-17 * total:
                break
        return math.exp(-x) * total
    return EULER_GAMMA + math.log(x) + exponential_integral_e1(x)


# ------------------------------------------------------------------------------------------------------------------
# closed forms


def selection_days_single(component: Component, dose: float = 1.0, duration: float = math.inf, *,
                          sensitivity: float = 0.0) -> float:
    """Effective selection days of one spray on its own, in closed form.

    ESD = (1 - q) * omega/lam * [Ein(theta D) - Ein(theta D exp(-lam T))], T = ``duration`` in days (may be infinite).
    """
    lam = component.decay
    strength = component.theta * dose
    left = strength * math.exp(-lam * duration) if math.isfinite(duration) else 0.0
    return (1.0 - sensitivity) * component.omega / lam * (ein(strength) - ein(left))


def selection_days_solo(sprays: Iterable[Spray], horizon: float, *, start: float | None = None,
                        sensitivity: float = 0.0) -> float:
    """Closed form for any number of sprays of ONE component (residues add), from ``start`` to ``horizon`` (days).

    Raises ValueError when the sprays hold more than one component: a mixture has no closed form.
    """
    programme = list(sprays)
    if len({spray.component for spray in programme}) > 1:
        raise ValueError("the closed form is for one active only; use selection_days for a mixture or a rotation")
    total = 0.0
    for _, length, active in _intervals(programme, start, horizon):
        for component, concentration in active:
            total += selection_days_single(component, concentration, length, sensitivity=sensitivity)
    return total


# ------------------------------------------------------------------------------------------------------------------
# programmes: exact piecewise integral

_Interval: TypeAlias = tuple[float, float, list[tuple[Component, float]]]


def _intervals(sprays: Iterable[Spray], start: float | None, horizon: float) -> list[_Interval]:
    """Split [start, horizon] at the sprays: (first day, length, [(component, residue on the first day), ...]).

    Sprays before ``start`` leave their residue; sprays after ``horizon`` do not count.
    """
    programme = sorted(sprays, key=lambda spray: spray.day)
    begin = start if start is not None else (programme[0].day if programme else 0.0)
    if math.isnan(horizon) or horizon < begin:
        raise ValueError(f"the season ends (day {horizon}) before it begins (day {begin})")
    residue: dict[Component, float] = {}
    found: list[_Interval] = []
    now = programme[0].day if programme else begin
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
            active = [(c, amount * math.exp(-c.decay * aged) if aged else amount) for c, amount in residue.items()]
            found.append((first, end - first, active))
    return found


@lru_cache(maxsize=8)
def _legendre(count: int) -> tuple[tuple[float, ...], tuple[float, ...]]:
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
    return tuple([math.exp(-z * x) for x in _legendre(_NODES)[0]])


@dataclass(frozen=True, slots=True)
class _Rival:
    """A resistant strain held against the fully sensitive one: q per group, and its cost."""

    members: Mapping[str, float]
    cost: float = 0.0


def _gains(intervals: Sequence[_Interval], rivals: Sequence[_Rival]) -> list[list[float]]:
    """Days by which each rival gets ahead of the sensitive strain, per interval: result[interval][rival].

    Raises ValueError for an endless interval with a fitness cost (the integral does not exist).
    """
    weights = _legendre(_NODES)[1]
    exp = math.exp
    result: list[list[float]] = []
    for _, length, active in intervals:
        row = [0.0] * len(rivals)
        result.append(row)
        alive = [(c, c.theta * amount, c.decay) for c, amount in active if c.omega > 0.0 and c.theta * amount > _NEGLIGIBLE]
        # Past this time no residue matters any more; only a fitness cost goes on working.
        reach = max((math.log(strength / _NEGLIGIBLE) / lam for _, strength, lam in alive), default=0.0)
        span = min(length, reach)
        rest = length - span
        if rest > 0.0:
            for k, rival in enumerate(rivals):
                if rival.cost:
                    if math.isinf(rest):
                        raise ValueError("a fitness cost works all season: give a horizon that is not infinite")
                    row[k] -= rival.cost * rest
        if span <= 0.0 or not alive:
            continue
        panels = max(1, math.ceil(max(lam for _, _, lam in alive) * span / _PANEL))
        width = span / panels
        scaled = [weight * width for weight in weights]
        for p in range(panels):
            by_group: dict[str, list[float]] = {}
            by_part: list[tuple[str, list[float]]] = []
            for component, strength, lam in alive:
                x = -(strength * exp(-lam * width * p) if p else strength)
                if x > -_NEGLIGIBLE:
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
                        inside = survivors if inside is None else [a * b for a, b in zip(inside, survivors, strict=True)]
                    else:
                        outside = [a * b for a, b in zip(outside, survivors, strict=True)]
                kept = 1.0 - rival.cost
                if inside is None:
                    if rival.cost:
                        row[k] -= rival.cost * sum(outside)
                    continue
                if any(members[group] for group in by_group if group in members):
                    ahead = [kept] * _NODES
                    for group, part in by_part:
                        q = members.get(group, 0.0)
                        if q:
                            ahead = [a * (1.0 - q * (1.0 - s)) for a, s in zip(ahead, part, strict=True)]
                    row[k] += sum([w * (a - s) for w, a, s in zip(outside, ahead, inside, strict=True)])
                else:
                    row[k] += sum([w * (kept - s) for w, s in zip(outside, inside, strict=True)])
    return result


def _rival(group: str, sensitivity: float, joined: Joined, cost: float) -> _Rival:
    """The strain resistant to a group and to what is joined to it."""
    if not 0.0 <= sensitivity <= 1.0:
        raise ValueError(f"remaining sensitivity is {sensitivity}; write a share from 0 (immune) to 1 (fully sensitive)")
    if not cost < 1.0:
        raise ValueError(f"fitness cost is {cost}; write a share below 1")
    members = dict(joined) if isinstance(joined, Mapping) else dict.fromkeys(joined, sensitivity)
    members[group] = sensitivity
    return _Rival(members, cost)


def selection_days(sprays: Iterable[Spray], group: str, horizon: float, *, start: float | None = None,
                   sensitivity: float = 0.0, joined: Joined = (), cost: float = 0.0) -> float:
    """Effective selection days of ``group`` over a programme, from ``start`` to ``horizon`` (days; horizon may be infinite).

    start: first day that counts (where the target's window opens); default the first spray.  Earlier sprays leave residue.
    sensitivity: q that the resistant strain has left, 0 immune .. 1 fully sensitive.
    joined: groups that share the resistance, at the same q, or a mapping group -> q for partial cross-resistance.
    cost: fitness cost of the resistant strain; the result may then be negative (resistance recedes).

    Raises ValueError for a horizon before the start, q outside 0..1, a cost of 1 or more, or a cost without a finite horizon.
    """
    rows = _gains(_intervals(sprays, start, horizon), [_rival(group, sensitivity, joined, cost)])
    return math.fsum(row[0] for row in rows)


def selection_by_group(sprays: Iterable[Spray], horizon: float, *, groups: Iterable[str] | None = None,
                       start: float | None = None, sensitivity: Mapping[str, float] | None = None,
                       joined: Mapping[str, Joined] | None = None, cost: float = 0.0) -> dict[str, float]:
    """Effective selection days of several groups in one sweep (the audit's call): group -> days.

    groups: default the groups with an at-risk component, in the order of their first spray.  sensitivity: group -> q
    (default 0).  joined: group -> the groups that share its resistance.
    """
    programme = list(sprays)
    if groups is None:
        wanted = list(dict.fromkeys(s.component.group for s in sorted(programme, key=lambda s: s.day) if s.component.at_risk))
    else:
        wanted = list(groups)
    q = sensitivity or {}
    ties = joined or {}
    rivals = [_rival(group, q.get(group, 0.0), ties.get(group, ()), cost) for group in wanted]
    rows = _gains(_intervals(programme, start, horizon), rivals)
    return {group: math.fsum(row[k] for row in rows) for k, group in enumerate(wanted)}


def relative_growth_days(sprays: Iterable[Spray], horizon: float, strains: Iterable[Strain], *,
                         start: float | None = None) -> dict[str, float]:
    """Days by which each strain gets ahead of the fully sensitive, cost-free one: strain name -> days.

    Serves recursions with many strains; sensitivities may be given per active (incomplete cross-resistance inside a group).
    """
    programme = list(sprays)
    found: dict[str, float] = {}
    for strain in strains:
        # Each active becomes its own group here, because one group may hold several q.
        keyed = [Spray(s.day, replace(s.component, group=f"{s.component.group}/{s.component.name}"), s.dose) for s in programme]
        members = {new.component.group: strain.q(old.component) for new, old in zip(keyed, programme, strict=True)}
        members = {group: q for group, q in members.items() if q != 1.0}
        rows = _gains(_intervals(keyed, start, horizon), [_Rival(members, strain.cost)])
        found[strain.name] = math.fsum(row[0] for row in rows)
    return found


# ------------------------------------------------------------------------------------------------------------------
# strains resistant to two partners


@dataclass(frozen=True, slots=True)
class PairSelection:
    """Selection in days for the strain resistant to both groups, and for each single-resistant one, against the sensitive."""

    first: str
    second: str
    both: float
    first_only: float
    second_only: float


def double_selection_days(sprays: Iterable[Spray], first: str, second: str, horizon: float, *, start: float | None = None,
                          sensitivity: float = 0.0, joined: Mapping[str, Joined] | None = None) -> PairSelection:
    """Selection days for strains resistant to ``first``, to ``second`` and to both (never slowed by this mixture).

    The better a mixture controls, the larger ``both``: its own protection lapses once a doubly resistant strain is there.
    """
    ties = joined or {}
    one = _rival(first, sensitivity, ties.get(first, ()), 0.0)
    two = _rival(second, sensitivity, ties.get(second, ()), 0.0)
    # Where both tie in the same group, the lower sensitivity holds for the double-resistant strain.
    merged = {g: min(one.members.get(g, 1.0), two.members.get(g, 1.0)) for g in (*one.members, *two.members)}
    rows = _gains(_intervals(sprays, start, horizon), [one, two, _Rival(merged)])
    a, b, ab = (math.fsum(row[k] for row in rows) for k in range(3))
    return PairSelection(first, second, ab, a, b)


def pairs_in_tank(sprays: Iterable[Spray]) -> list[tuple[str, str]]:
    """Pairs of at-risk groups that meet in one tank (same day), in order of appearance."""
    by_day: dict[float, dict[str, None]] = {}
    for spray in sorted(sprays, key=lambda s: s.day):
        if spray.component.at_risk and spray.dose > 0.0 and spray.component.omega > 0.0:
            by_day.setdefault(spray.day, {})[spray.component.group] = None
    pairs: dict[tuple[str, str], None] = {}
    for groups in by_day.values():
        names = sorted(groups)
        for i, one in enumerate(names):
            for two in names[i + 1:]:
                pairs[one, two] = None
    return list(pairs)


# ------------------------------------------------------------------------------------------------------------------
# what the days mean, once growth rate and start are stated


def growth_rate(r: float, efficacies: Mapping[str, float], strain: Strain) -> float:
    """Growth rate of a strain (per day) while the groups named hold the given efficacies: r (1 - cost) prod (1 - q eps)."""
    rate = r * (1.0 - strain.cost)
    for group, eps in efficacies.items():
        rate *= 1.0 - strain.sensitivity.get(group, 1.0) * eps
    return rate


def logit(fraction: float) -> float:
    """ln(p / (1 - p)).  Raises ValueError outside 0 < p < 1."""
    if not 0.0 < fraction < 1.0:
        raise ValueError(f"a fraction between 0 and 1 is needed, not {fraction}")
    return math.log(fraction) - math.log1p(-fraction)


def log_odds_change(r: float, esd: float) -> float:
    """Change in the log-odds of resistance over a season: r (per day) x effective selection days."""
    return r * esd


def seasons_to_fraction(r: float | None, esd: float, f0: float | None, target: float) -> float | None:
    """Seasons until the resistant fraction reaches ``target``; None unless the user states both r and f0.

    Infinite when the programme does not select for resistance (esd of 0 or less) and the target is not reached yet.
    The number holds only under the limits in the module text and must be shown with r and f0.
    """
    if r is None or f0 is None:
        return None
    if r <= 0.0:
        raise ValueError(f"growth rate r is {r}; write a rate per day above 0")
    distance = logit(target) - logit(f0)
    if distance <= 0.0:
        return 0.0
    return distance / (r * esd) if esd > 0.0 else math.inf


# ------------------------------------------------------------------------------------------------------------------
# how much an unknown half-life matters


@dataclass(frozen=True, slots=True)
class Band:
    """Selection days over a range of half-lives: (half-life, days) in order, with the least and the greatest."""

    group: str
    values: tuple[tuple[float, float], ...]

    @property
    def low(self) -> float:
        return min(days for _, days in self.values)

    @property
    def high(self) -> float:
        return max(days for _, days in self.values)


def _with_half_life(sprays: Iterable[Spray], half_life: float, fixed: Collection[str]) -> list[Spray]:
    """The programme with one common half-life for every active whose own is not known (``fixed`` names those that keep it)."""
    return [
        spray if spray.component.name in fixed
        else Spray(spray.day, replace(spray.component, half_life_days=half_life), spray.dose)
        for spray in sprays
    ]


HALF_LIVES: tuple[float, ...] = (3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0)
"""Days.  The published half-lives read for this project span 3.0 (grape, QoI-like) to 10.0 d (epoxiconazole on wheat)."""


def selection_band(sprays: Iterable[Spray], group: str, horizon: float, *, half_lives: Sequence[float] = HALF_LIVES,
                   fixed: Collection[str] = (), start: float | None = None, sensitivity: float = 0.0,
                   joined: Joined = (), cost: float = 0.0) -> Band:
    """Selection days for each half-life of ``half_lives`` (days), the same for every active not named in ``fixed``."""
    programme = list(sprays)
    return Band(group, tuple(
        (h, selection_days(_with_half_life(programme, h, fixed), group, horizon, start=start, sensitivity=sensitivity,
                           joined=joined, cost=cost))
        for h in half_lives))


@dataclass(frozen=True, slots=True)
class Flip:
    """Two programmes change places inside the band of half-lives.

    Below ``half_life`` (days) ``below`` selects less, above it the other one does.
    """

    group: str
    first: str
    second: str
    half_life: float
    below: str

    @property
    def statement(self) -> str:
        """The plain sentence to show."""
        other = self.second if self.below == self.first else self.first
        return (f"which of {self.first} and {self.second} selects less for resistance in group {self.group} depends on how "
                f"long the residues last: {self.below} below a half-life of about {self.half_life:.1f} days, {other} above it")


def flip_point(difference: Callable[[float], float], low: float, high: float) -> float:
    """Half-life (days, to 0.001) where ``difference`` changes sign between ``low`` and ``high``, by bisection."""
    sign = difference(low) > 0.0
    while high - low > 1e-3:
        middle = 0.5 * (low + high)
        if (difference(middle) > 0.0) == sign:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def ranking_flips(programmes: Mapping[str, Sequence[Spray]], group: str, horizon: float, *,
                  half_lives: Sequence[float] = HALF_LIVES, fixed: Collection[str] = (), start: float | None = None,
                  sensitivity: float = 0.0, joined: Joined = (), tolerance: float = 1e-9) -> list[Flip]:
    """Where the ranking of programmes by selection on ``group`` flips inside the band of half-lives (empty: it holds).

    A tie (difference within ``tolerance`` days) is no flip.  Each pair may flip more than once.
    """
    def days(name: str, half_life: float) -> float:
        return selection_days(_with_half_life(programmes[name], half_life, fixed), group, horizon, start=start,
                              sensitivity=sensitivity, joined=joined)

    grid = sorted(half_lives)
    table = {name: [days(name, h) for h in grid] for name in programmes}
    names = list(programmes)
    flips: list[Flip] = []
    for i, one in enumerate(names):
        for two in names[i + 1:]:
            last: tuple[float, float] | None = None
            for h, a, b in zip(grid, table[one], table[two], strict=True):
                gap = a - b
                if abs(gap) <= tolerance:
                    continue
                if last is not None and (gap > 0.0) != (last[1] > 0.0):
                    at = flip_point(lambda x, p=one, q=two: days(p, x) - days(q, x), last[0], h)  # type: ignore[misc]
                    flips.append(Flip(group, one, two, at, one if last[1] < 0.0 else two))
                last = (h, gap)
    return flips


# ------------------------------------------------------------------------------------------------------------------
# what drives the number


@dataclass(frozen=True, slots=True)
class PassShare:
    """What the stretch from one pass to the next adds to a group's selection days.

    day, groups: the pass.  uses_group: the group is in this tank.  days: what the stretch adds; the stretches sum to the
    total.  exposure: the same without any partner anywhere.  partner_saves: what partners would take off if their residues
    lasted as long as the group's own.  fading_costs: what is lost of that because they fade sooner (the naked tail).
    days = exposure - partner_saves + fading_costs.  without: how much lower the total is when this pass goes on without the
    group.  alone: the group goes on in this tank with nothing else that works on the target.  missing_partner_costs: how
    much lower the total is when a pass that is alone carries the reference partner at its full label rate; None when the
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


@dataclass(frozen=True, slots=True)
class Attribution:
    """A group's selection days taken apart: total = exposure - partner_saves + fading_costs, in days."""

    group: str
    total: float
    exposure: float
    partner_saves: float
    fading_costs: float
    passes: tuple[PassShare, ...]
    reference: Component | None


def strongest_partner(programmes: Iterable[Iterable[Spray]], group: str, joined: Joined = ()) -> Component | None:
    """The partner with the greatest omega (then the longest half-life) outside the group, over all programmes; None if none."""
    members = {group, *joined}
    best: Component | None = None
    for sprays in programmes:
        for spray in sprays:
            c = spray.component
            if c.group in members or c.omega <= 0.0:
                continue
            if best is None or (c.omega, c.half_life_days, c.name) > (best.omega, best.half_life_days, best.name):
                best = c
    return best


def attribute(sprays: Iterable[Spray], group: str, horizon: float, *, start: float | None = None, sensitivity: float = 0.0,
              joined: Joined = (), reference: Component | None = None) -> Attribution:
    """Take a group's selection days apart by pass and by cause, so that a comparison can name what drives a difference.

    reference: the partner assumed where one is missing (full label rate); default the strongest one in the programme.
    Two programmes differ by exactly the differences of exposure, partner_saves and fading_costs.
    """
    programme = sorted(sprays, key=lambda s: s.day)
    members = {group, *joined}
    rival = _rival(group, sensitivity, joined, 0.0)
    if reference is None:
        reference = strongest_partner([programme], group, joined)
    own = [s.component.half_life_days for s in programme if s.component.group in members]
    longest = max(own, default=0.0)

    def rows(changed: list[Spray]) -> dict[float, float]:
        # Whatever is changed in thought, the cuts stay at the real passes: a placeholder of no effect keeps each day.
        held = changed + [Spray(day, _NOTHING) for day in days]
        cuts = _intervals(held, start, horizon)
        return {first: row[0] for (first, _, _), row in zip(cuts, _gains(cuts, [rival]), strict=True)}

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
        alone = uses and not any(s.component.group not in members and s.dose > 0.0 and s.component.omega > 0.0 for s in tank)
        missing: float | None = None
        if alone and reference is not None:
            missing = total - selection_days([*programme, Spray(day, reference)], group, horizon, start=begin,
                                             sensitivity=sensitivity, joined=joined)
        kept = [s for s in programme if not (s.day == day and s.component.group in members)]
        without = total - selection_days(kept, group, horizon, start=begin, sensitivity=sensitivity, joined=joined) if uses else 0.0
        shares.append(PassShare(day, tuple(dict.fromkeys(s.component.group for s in tank)), uses, got, naked, naked - full,
                                got - full, without, alone, missing))
    exposure, best = math.fsum(bare.values()), math.fsum(ideal.values())
    return Attribution(group, total, exposure, exposure - best, total - best, tuple(shares), reference)


_NOTHING = Component("", 0.0, 1.0, 1.0, at_risk=False)


# ------------------------------------------------------------------------------------------------------------------
# many programmes at once


def pack_programmes(programmes: Sequence[Sequence[Spray]]) -> tuple[FloatArray, FloatArray, tuple[Component, ...]]:
    """Programmes as arrays for the batch: days (P, S) and doses (P, S, C), padded with doses of 0, and the components.

    P programmes, S passes of the longest, C different components.  The days of a programme are sorted; padding repeats its
    last day.
    """
    import numpy as np

    components = tuple(dict.fromkeys(s.component for sprays in programmes for s in sprays))
    index = {c: k for k, c in enumerate(components)}
    calendars = [sorted({s.day for s in sprays}) for sprays in programmes]
    width = max((len(days) for days in calendars), default=0)
    days = np.zeros((len(programmes), width))
    doses = np.zeros((len(programmes), width, len(components)))
    for p, (sprays, calendar) in enumerate(zip(programmes, calendars, strict=True)):
        for k, day in enumerate(calendar):
            days[p, k] = day
        if calendar:
            days[p, len(calendar):] = calendar[-1]
        place = {day: k for k, day in enumerate(calendar)}
        for s in sprays:
            doses[p, place[s.day], index[s.component]] += s.dose
    return days, doses, components


def selection_days_batch(days: FloatArray, doses: FloatArray, components: Sequence[Component], group: str,
                         horizon: float | FloatArray, *, sensitivity: float = 0.0, joined: Joined = (),
                         nodes: int = 16, chunk: int = 2048) -> FloatArray:
    """Selection days of ``group`` for many programmes at once, shape (P,), counted from each programme's first pass.

    days (P, S), sorted along S; doses (P, S, C) as fractions of the label rate; components: C of them; horizon: one finite
    day or (P,).  Fully vectorised; ``chunk`` programmes at a time keep the work inside the processor's cache.
    Raises ValueError for shapes that do not fit, unsorted days, or a horizon before a pass or without end.
    """
    import numpy as np

    when = np.asarray(days, dtype=np.float64)
    amount = np.asarray(doses, dtype=np.float64)
    if when.ndim != 2 or amount.shape != (*when.shape, len(components)):
        raise ValueError(f"days must be (P, S) and doses (P, S, {len(components)}), not {when.shape} and {amount.shape}")
    count, passes = when.shape
    ends = np.broadcast_to(np.asarray(horizon, dtype=np.float64), (count,))
    if not np.all(np.isfinite(ends)):
        raise ValueError("the batch needs a finite horizon")
    if passes == 0:
        return np.zeros(count)
    lengths = np.diff(when, axis=1, append=ends[:, None])
    if np.any(lengths < 0.0):
        raise ValueError("days must be sorted and the horizon must not come before the last pass")
    q_of = _rival(group, sensitivity, joined, 0.0).members
    omega = np.array([c.omega for c in components])
    theta = np.array([c.theta for c in components])
    lam = np.array([c.decay for c in components])
    decays, kind = np.unique(lam, return_inverse=True)
    fastest = float(lam.max()) if len(components) else 0.0
    # Equal panels for a slot over all programmes: at most 3 decay constants long, as in the single-programme path.
    panels = np.maximum(1, np.ceil(fastest * lengths.max(axis=0) / _PANEL)).astype(int)
    x, w = (np.asarray(values) for values in _legendre(nodes))
    total = np.zeros(count)
    in_group = [c.group in q_of for c in components]
    for low in range(0, count, chunk):
        part = slice(low, min(low + chunk, count))
        residue = np.zeros((part.stop - part.start, len(components)))
        sums = np.zeros(part.stop - part.start)
        for s in range(passes):
            residue = residue + amount[part, s, :]
            length = lengths[part, s]
            used = np.flatnonzero((omega > 0.0) & np.any(residue > 0.0, axis=0))
            if any(in_group[c] for c in used):
                n = int(panels[s])
                # Composite nodes of the slot on [0, 1]: (n * nodes,), then time since the slot began (programme, node).
                grid = ((np.arange(n)[:, None] + x[None, :]) / n).ravel()
                weight = np.tile(w / n, n)
                time = length[:, None] * grid[None, :]
                fade: dict[int, FloatArray] = {}
                sensitive: FloatArray | None = None
                resistant: FloatArray | None = None
                partner: FloatArray | None = None
                for c in used:
                    label = int(kind[c])
                    if label not in fade:
                        fade[label] = np.exp(-decays[label] * time)
                    block = np.exp((-theta[c] * residue[:, c])[:, None] * fade[label])
                    block *= omega[c]
                    block += 1.0 - omega[c]
                    if in_group[c]:
                        q = q_of[components[c].group]
                        left = 1.0 - q * (1.0 - block) if q else None
                        if left is not None:
                            resistant = left if resistant is None else resistant * left
                        sensitive = block if sensitive is None else sensitive * block
                    else:
                        partner = block if partner is None else partner * block
                assert sensitive is not None
                gain = (1.0 if resistant is None else resistant) - sensitive
                if partner is not None:
                    gain *= partner
                sums += length * (gain @ weight)
            residue = residue * np.exp(-lam[None, :] * length[:, None])
        total[part] = sums
    return total


# ------------------------------------------------------------------------------------------------------------------
# defaults from the catalogue


@dataclass(frozen=True, slots=True)
class SelectionDefaults:
    """Values of catalog/selection.yaml: omega by efficacy class, theta, half-life and its band, each with source and grade.

    omega: class or word (``VG``, ``very good``) -> share.  grounds: value name -> {"source", "grade", "note"} to show.
    """

    omega: Mapping[str, float]
    theta: float
    theta_multisite: float
    half_life_days: float
    half_life_band: tuple[float, ...]
    grounds: Mapping[str, Mapping[str, str]]

    @classmethod
    def from_mapping(cls, data: Mapping[str, Any], where: str = "catalog/selection.yaml") -> SelectionDefaults:
        """Build from the parsed catalogue file.  Raises ValueError that names the key and what to write instead."""
        def number(path: str, value: Any, low: float, high: float) -> float:
            if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= float(value) <= high:
                raise ValueError(f"{where}: {path} is {value!r}; write a number from {low:g} to {high:g}")
            return float(value)

        def entry(key: str) -> Mapping[str, Any]:
            value = data.get(key)
            if not isinstance(value, Mapping):
                raise ValueError(f"{where}: {key} is missing; write a mapping with its value, source and grade")
            for need in ("source", "grade"):
                if not isinstance(value.get(need), str):
                    raise ValueError(f"{where}: {key} lacks {need}; every value carries its source and grade")
            return value

        grounds: dict[str, dict[str, str]] = {}
        shares: dict[str, float] = {}
        classes = entry("omega_by_class")
        for name, row in classes.get("classes", {}).items():
            share = number(f"omega_by_class.{name}", row.get("omega"), 0.0, 1.0)
            for word in (name, *row.get("also", ())):
                shares[str(word).lower()] = share
        if not shares:
            raise ValueError(f"{where}: omega_by_class.classes is empty; write at least one class with its omega")
        values: dict[str, float] = {}
        for key, high in (("theta", 1000.0), ("theta_multisite", 1000.0), ("half_life_days", 365.0)):
            values[key] = number(f"{key}.value", entry(key).get("value"), 1e-6, high)
        band = entry("half_life_days").get("band")
        if not isinstance(band, Sequence) or len(band) < 2:
            raise ValueError(f"{where}: half_life_days.band is {band!r}; write the half-lives to try, shortest first, in days")
        lives = tuple(number("half_life_days.band", h, 1e-6, 365.0) for h in band)
        for key in ("omega_by_class", "theta", "theta_multisite", "half_life_days"):
            row = entry(key)
            grounds[key] = {name: str(row[name]) for name in ("source", "grade", "note") if name in row}
        return cls(shares, values["theta"], values["theta_multisite"], values["half_life_days"], tuple(sorted(lives)), grounds)

    def omega_of(self, rating: str | None) -> float | None:
        """Omega of an efficacy class; the lower end of a double class (``G-VG``); None when the rating is not known."""
        if rating is None:
            return None
        text = rating.strip().lower()
        if text in self.omega:
            return self.omega[text]
        parts = [part.strip() for part in text.replace(" to ", "-").split("-")]
        if len(parts) > 1 and all(part in self.omega for part in parts):
            return min(self.omega[part] for part in parts)
        return None

    def component(self, group: str, rating: str | None, *, name: str = "", at_risk: bool = True, multisite: bool = False,
                  half_life_days: float | None = None) -> Component | None:
        """A component from an efficacy class on the target; None when the class is unknown (the index is then not assessed)."""
        omega = self.omega_of(rating)
        if omega is None:
            return None
        return Component(group, omega, self.theta_multisite if multisite else self.theta,
                         self.half_life_days if half_life_days is None else half_life_days, name, at_risk and not multisite)
