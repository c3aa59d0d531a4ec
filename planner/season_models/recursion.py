"""Recursions without an epidemic: strain shares from the index, control in the field, degrees of
resistance, textbook forms."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from planner.selection import Spray, Strain, logit, relative_growth_days


@dataclass(frozen=True, slots=True)
class RecursionSeason:
    """Strain shares at the start of a season (what its sprays meet) and at its end."""

    year: int
    start: dict[str, float]
    end: dict[str, float]


def season_recursion(
    strains: Sequence[Strain],
    start: Mapping[str, float],
    landscape: Sequence[tuple[int, Sequence[tuple[float, Sequence[Spray]]]]],
    horizon: float,
    r: float,
    *,
    carry_over: float = 0.0,
) -> list[RecursionSeason]:
    """Strain shares over the seasons from the index: f_i -> f_i exp(r * growth days of i), renormalised.

    landscape: for each season its year and the programmes used in the region as (share of the area,
    sprays); shares sum to 1. Spores mix between fields within a season, so growth is averaged over the
    programmes.  r: growth rate per day, stated by the caller.  carry_over: share of next season's inoculum
    that comes from a bank of earlier seasons (resting bodies in soil), 0 <= carry_over < 1; the bank itself
    is refreshed at the same pace.
    Raises ValueError for shares that do not sum to 1 or strains without a start fraction.
    """
    names = [s.name for s in strains]
    if set(names) != set(start) or abs(sum(start.values()) - 1.0) > 1e-6:
        raise ValueError("each strain needs a start fraction, and they must sum to 1")
    if not 0.0 <= carry_over < 1.0:
        raise ValueError(f"carry_over is {carry_over}; write a share from 0 to below 1")
    now = {name: start[name] for name in names}
    bank = dict(now)
    found: list[RecursionSeason] = []
    for year, programmes in landscape:
        if abs(sum(share for share, _ in programmes) - 1.0) > 1e-6:
            raise ValueError(f"the area shares of {year} must sum to 1")
        gain = dict.fromkeys(names, 0.0)
        for share, sprays in programmes:
            for name, days in relative_growth_days(sprays, horizon, strains).items():
                gain[name] += share * days
        top = max(gain.values())
        weights = {name: now[name] * math.exp(r * (gain[name] - top)) for name in names}
        total = sum(weights.values())
        end = {name: w / total for name, w in weights.items()}
        found.append(RecursionSeason(year, dict(now), end))
        bank = {name: carry_over * bank[name] + (1.0 - carry_over) * end[name] for name in names}
        now = dict(bank)
    return found


def field_control(
    strains: Sequence[Strain], shares: Mapping[str, float], efficacy: Mapping[str, tuple[str, float]]
) -> float:
    """Control (0..1) of a treatment in a mixed population: 1 - sum over strains of share x prod (1 - q x
    efficacy).

    efficacy: active -> (group code, control of a fully sensitive population by that active).  Independent
    action (Colby 1967).
    """
    left = 0.0
    for strain in strains:
        kept = 1.0
        for active, (group, omega) in efficacy.items():
            kept *= 1.0 - strain.sensitivity.get(active, strain.sensitivity.get(group, 1.0)) * omega
        left += shares[strain.name] * kept
    return 1.0 - left


@dataclass(slots=True)
class SensitivityProfile:
    """A population spread over a curvature kappa: growth is multiplied by exp(-kappa C) while the residue
    is C.

    The shifting form used for azoles (Taylor & Cunniffe 2023, PLoS Comput. Biol. 19:e1010969, abstract and
    model files read).
    kappas: grid of curvatures, ascending.  shares: population on the grid (sums to 1).  mutation: share
    that moves to neighbouring curvatures each season, spread evenly to both sides.
    """

    kappas: list[float]
    shares: list[float]
    mutation: float = 0.0
    history: list[float] = field(default_factory=list)

    @classmethod
    def gamma(
        cls, mean: float, shape: float, *, most: float | None = None, points: int = 120, mutation: float = 0.0
    ) -> SensitivityProfile:
        """Start from a gamma distribution with this mean and shape, on ``points`` curvatures up to
        ``most``."""
        top = most if most is not None else 4.0 * mean
        grid = [top * (k + 0.5) / points for k in range(points)]
        density = [math.exp((shape - 1.0) * math.log(x) - shape * x / mean) for x in grid]
        total = sum(density)
        return cls(grid, [d / total for d in density], mutation)

    @property
    def mean(self) -> float:
        """Mean curvature: falls as the fungicide loses its grip."""
        return sum(k * f for k, f in zip(self.kappas, self.shares, strict=True))

    def season(self, exposures: Sequence[float], r: float, days: float) -> float:
        """Run one season; ``exposures[i]`` = integral of 1 - exp(-kappa_i C) dt in days.  Returns growth
        kept (0..1) of r x days.

        Shares move by exp(r x growth days), then mutate.  The return value is ln(epidemic) / (r days): 1 =
        as unsprayed.
        """
        weights = [f * math.exp(-r * e) for f, e in zip(self.shares, exposures, strict=True)]
        total = sum(weights)
        shares = [w / total for w in weights]
        if self.mutation:
            half = 0.5 * self.mutation
            last = len(shares) - 1
            shares = [
                (1.0 - self.mutation) * f + half * (shares[max(k - 1, 0)] + shares[min(k + 1, last)])
                for k, f in enumerate(shares)
            ]
        self.shares = shares
        kept = 1.0 + math.log(total) / (r * days)
        self.history.append(kept)
        return kept


def haploid_generations(f0: float, kill: float, target: float, *, exposed: float = 1.0) -> float:
    """Generations (a real number) for a resistant haploid to go from f0 to target, when a share ``exposed``
    of the sensitive meets a treatment that kills ``kill`` of them.  Odds grow by 1/(1 - exposed kill) a
    generation."""
    return (logit(target) - logit(f0)) / -math.log1p(-exposed * kill)


def diploid_generations(
    p0: float, kill: float, target: float, dominance: float, *, most: int = 1_000_000
) -> int:
    """Generations for a resistance allele to pass ``target`` in a random-mating diploid (one locus).

    Survival: RR 1, RS 1 - (1 - dominance) kill, SS 1 - kill; p' = (p^2 w_RR + p q w_RS) / mean.  The
    classic recursion for insects (Georghiou & Taylor 1977, from memory).
    """
    p = p0
    between = 1.0 - (1.0 - dominance) * kill
    for generation in range(most):
        if p >= target:
            return generation
        q = 1.0 - p
        mean = p * p + 2.0 * p * q * between + q * q * (1.0 - kill)
        p = (p * p + p * q * between) / mean
    raise ArithmeticError(f"the target {target} is not reached within {most} generations")
