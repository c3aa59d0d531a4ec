"""What the index works on: components with their residue and effect, sprays, strains."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from typing import TypeAlias

from planner.model import Struct

LN2 = math.log(2.0)


class Component(Struct, frozen=True):
    """One active ingredient as a given target meets it.

    group: mode-of-action code (text).  omega: greatest share of pathogen growth blocked, 0..1.  theta:
    curvature of the dose response, per full label rate.  half_life_days: half-life of the working residue,
    days.  name: the active's common name; two actives of one group are two components and act
    independently, two sprays of one active add their residues.
    at_risk: False for multi-site and low-risk actives, which discount others but are not selected against
    themselves.

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
            raise ValueError(
                f"half-life of {self.label} is {self.half_life_days}; write a number of days above 0"
            )

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
        """Concentration that reaches ``share`` (0..1) of omega; infinite for 1.  A teaching figure, never a
        rate to advise."""
        if not 0.0 <= share <= 1.0:
            raise ValueError(f"share is {share}; write a share of omega from 0 to 1")
        return math.inf if share == 1.0 else -math.log1p(-share) / self.theta


class Spray(Struct, frozen=True):
    """One component going on: day (any origin), dose as a fraction of its full label rate (1.0 = full).

    A tank mix is several sprays of one day.  Raises ValueError for a day that is not finite or a negative
    dose.
    """

    day: float
    component: Component
    dose: float = 1.0

    def __post_init__(self) -> None:
        if not math.isfinite(self.day):
            raise ValueError(f"day of a spray of {self.component.label} is {self.day}; write a finite day")
        if not (self.dose >= 0.0 and math.isfinite(self.dose)):
            raise ValueError(
                f"dose of {self.component.label} is {self.dose}; "
                "write a fraction of the label rate, 0 or more"
            )


class Strain(Struct, frozen=True):
    """A strain by what it has left of its sensitivity.

    sensitivity: group code or active name -> q (0 immune, 1 fully sensitive); a name beats its group, what
    is not named is 1.
    cost: fitness cost, the share of growth lost without any fungicide (0 = none).
    """

    name: str
    sensitivity: Mapping[str, float] = {}
    cost: float = 0.0

    def q(self, component: Component) -> float:
        """Remaining sensitivity of this strain to a component."""
        by_name = self.sensitivity.get(component.name) if component.name else None
        return self.sensitivity.get(component.group, 1.0) if by_name is None else by_name


Joined: TypeAlias = Collection[str] | Mapping[str, float]
