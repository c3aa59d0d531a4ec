"""What selection days mean once a growth rate and a start fraction are stated."""

from __future__ import annotations

import math
from collections.abc import Mapping

from planner.selection.values import Strain


def growth_rate(r: float, efficacies: Mapping[str, float], strain: Strain) -> float:
    """Growth rate of a strain (per day) while the groups named hold the given efficacies: r (1 - cost) prod
    (1 - q eps)."""
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

    Infinite when the programme does not select for resistance (esd of 0 or less) and the target is not
    reached yet. The number holds only under the limits in the module text and must be shown with r and f0.
    """
    if r is None or f0 is None:
        return None
    if r <= 0.0:
        raise ValueError(f"growth rate r is {r}; write a rate per day above 0")
    distance = logit(target) - logit(f0)
    if distance <= 0.0:
        return 0.0
    return distance / (r * esd) if esd > 0.0 else math.inf
