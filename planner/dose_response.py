"""Dose response and mixture arithmetic: the curves behind omega, theta and remaining sensitivity.

Sensitivity tests report an ED50 (or EC50) from a log-logistic or probit curve; lessons and notes turn two
of them into a resistance factor, and the control expected of a mixture into a product.  Fits use SciPy,
imported when a fit is asked for.

Sources: four-parameter log-logistic curve as commonly used for dose response (Ritz & Streibig 2005, J.
Stat. Softw. 12(5), recalled); probit analysis (Finney 1971, Probit Analysis, recalled); independent action
(Colby 1967, Weeds 15:20-22, recalled).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

__all__ = [
    "BinomialFit",
    "LogLogistic",
    "fit_binomial",
    "fit_log_logistic",
    "independent_action",
    "normal_cdf",
    "resistance_factor",
]


@dataclass(frozen=True, slots=True)
class LogLogistic:
    """Response = lower + (upper - lower) / (1 + (dose / ed50) ** slope); falls with dose for a positive
    slope."""

    slope: float
    lower: float
    upper: float
    ed50: float

    def response(self, dose: float) -> float:
        """Response at a dose (same unit as ed50), 0 or more."""
        if dose < 0.0:
            raise ValueError(f"dose is {dose}; write 0 or more")
        if dose == 0.0:
            return self.upper if self.slope > 0 else self.lower
        return self.lower + (self.upper - self.lower) / (1.0 + math.pow(dose / self.ed50, self.slope))

    def effective_dose(self, share: float) -> float:
        """Dose that takes away ``share`` (0 < share < 1) of the way from upper to lower."""
        if not 0.0 < share < 1.0:
            raise ValueError(f"share is {share}; write a share between 0 and 1")
        return self.ed50 * math.pow(share / (1.0 - share), 1.0 / self.slope)


def fit_log_logistic(doses: Sequence[float], responses: Sequence[float]) -> LogLogistic:
    """Least-squares fit of the four-parameter curve; doses and responses are one observation each.

    Raises ValueError for fewer than five observations or lengths that differ, ArithmeticError when no fit
    is found.
    """
    if len(doses) != len(responses) or len(doses) < 5:
        raise ValueError("a four-parameter curve needs at least five pairs of dose and response")
    import numpy as np
    from scipy.optimize import curve_fit

    x = np.asarray(doses, dtype=np.float64)
    y = np.asarray(responses, dtype=np.float64)
    positive = x[x > 0.0]
    if not len(positive):
        raise ValueError("a curve needs doses above 0")

    def curve(dose: Any, slope: float, lower: float, upper: float, log_ed50: float) -> Any:
        # The logarithm of the dose keeps ed50 positive while the fit searches; dose 0 gives the upper limit.
        scaled = np.exp(np.clip(slope * (np.log(np.maximum(dose, 1e-300)) - log_ed50), -700.0, 700.0))
        return lower + (upper - lower) / (1.0 + scaled)

    middle = float(np.exp(np.mean(np.log(positive))))
    begin = (1.5, float(y.min()), float(y.max()), math.log(middle))
    try:
        found, _ = curve_fit(curve, x, y, p0=begin, maxfev=20_000)
    except RuntimeError as problem:
        raise ArithmeticError(
            f"no log-logistic curve fits these {len(x)} observations: {problem}"
        ) from problem
    slope, lower, upper, log_ed50 = (float(v) for v in found)
    if slope < 0.0:
        slope, lower, upper = -slope, upper, lower
    return LogLogistic(slope, lower, upper, math.exp(log_ed50))


def normal_cdf(z: float) -> float:
    """Standard normal distribution function."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


@dataclass(frozen=True, slots=True)
class BinomialFit:
    """Share affected = F(intercept + slope * log10 dose), F normal (probit) or logistic (logit); deviance
    on n - 2."""

    link: str
    intercept: float
    slope: float
    deviance: float

    @property
    def ed50(self) -> float:
        """Dose that affects half."""
        return float(10.0 ** (-self.intercept / self.slope))

    def share(self, dose: float) -> float:
        """Share affected at a dose above 0; 0 at dose 0."""
        if dose <= 0.0:
            return 0.0
        z = self.intercept + self.slope * math.log10(dose)
        return normal_cdf(z) if self.link == "probit" else 1.0 / (1.0 + math.exp(-z))


def fit_binomial(
    doses: Sequence[float],
    totals: Sequence[int],
    affected: Sequence[int],
    link: Literal["probit", "logit"] = "probit",
) -> BinomialFit:
    """Maximum-likelihood fit of counts on log10 dose by iterated weighting (Fisher scoring); controls (dose
    0) are left out.

    Raises ValueError for counts that do not fit, ArithmeticError when the counts do not bend the curve (all
    or none affected).
    """
    if not len(doses) == len(totals) == len(affected):
        raise ValueError("doses, totals and affected need the same length")
    rows = [
        (math.log10(d), float(n), float(k))
        for d, n, k in zip(doses, totals, affected, strict=True)
        if d > 0.0
    ]
    if len({x for x, _, _ in rows}) < 2:
        raise ValueError("a line needs at least two doses above 0")
    if any(not 0.0 <= k <= n or n <= 0.0 for _, n, k in rows):
        raise ValueError("each count of affected must lie between 0 and its total")

    def at(z: float) -> tuple[float, float]:
        """Share and its slope in z."""
        if link == "probit":
            return normal_cdf(z), math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
        p = 1.0 / (1.0 + math.exp(-z))
        return p, p * (1.0 - p)

    a = b = 0.0
    for _ in range(200):
        sw = swx = swxx = swy = swxy = 0.0
        for x, n, k in rows:
            z = a + b * x
            p, density = at(max(-8.0, min(8.0, z)))
            spread = p * (1.0 - p)
            weight = n * density * density / spread
            working = z + (k / n - p) / density
            sw += weight
            swx += weight * x
            swxx += weight * x * x
            swy += weight * working
            swxy += weight * x * working
        det = sw * swxx - swx * swx
        if not det > 0.0:
            raise ArithmeticError("the counts do not determine a curve: all or none are affected")
        new_a, new_b = (swxx * swy - swx * swxy) / det, (sw * swxy - swx * swy) / det
        moved = abs(new_a - a) + abs(new_b - b)
        a, b = new_a, new_b
        if moved < 1e-12 * (1.0 + abs(a) + abs(b)):
            break
    else:
        raise ArithmeticError(
            "the counts do not determine a curve: the fit wanders off (all or none affected?)"
        )
    deviance = 0.0
    for x, n, k in rows:
        p, _ = at(a + b * x)
        if k > 0.0:
            deviance += 2.0 * k * math.log(k / (n * p))
        if k < n:
            deviance += 2.0 * (n - k) * math.log((n - k) / (n * (1.0 - p)))
    return BinomialFit(link, a, b, deviance)


def independent_action(efficacies: Sequence[float]) -> float:
    """Control expected of a mixture whose parts act independently: 1 - product of (1 - efficacy), shares
    0..1."""
    left = 1.0
    for efficacy in efficacies:
        if not 0.0 <= efficacy <= 1.0:
            raise ValueError(f"efficacy is {efficacy}; write a share from 0 to 1")
        left *= 1.0 - efficacy
    return 1.0 - left


def resistance_factor(ed50_resistant: float, ed50_sensitive: float) -> float:
    """How many times the dose a resistant population needs: ED50 over the ED50 of the sensitive baseline."""
    if not (ed50_resistant > 0.0 and ed50_sensitive > 0.0):
        raise ValueError("both ED50 values must be above 0")
    return ed50_resistant / ed50_sensitive
