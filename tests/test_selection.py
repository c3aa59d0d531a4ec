"""The selection index against derivations, published statements and independent quadrature.

Sources stand in shared/reference/resistance_checks.yaml beside each value: `published` values are from the
cited abstracts, `derivation` values follow from the equations, `prototype` values came from an independent
research prototype. SciPy's quadrature and exponential integral are the general-purpose judges. Every check
of that file is used here or in test_season_models.py; the last test counts them.
"""

from __future__ import annotations

import itertools
import math
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, special

from planner import selection as sel
from planner.selection import (
    Component,
    Spray,
    Strain,
    selection_days,
    selection_days_single,
    selection_days_solo,
)

HERE = Path(__file__).parent
REFERENCE = yaml.safe_load(
    (HERE.parent / "shared/reference/resistance_checks.yaml").read_text(encoding="utf-8")
)
CATALOGUE = yaml.safe_load((HERE.parent / "catalog/selection.yaml").read_text(encoding="utf-8"))
CHECKS: dict[str, dict[str, Any]] = {row["id"]: row for row in REFERENCE["checks"]}
SETS = REFERENCE["sets"]


def check(name: str) -> dict[str, Any]:
    """One row of resistance_checks.yaml."""
    return CHECKS[name]


def from_set(name: str, group: str, **kwargs: Any) -> Component:
    row = SETS[name]
    return Component(group, row["omega"], row["theta"], math.log(2) / row["lambda"], name, **kwargs)


HIGH = from_set("wheat_high_risk", "H")
LOW = from_set("wheat_low_risk", "L", at_risk=False)
GRAPE_HIGH = from_set("grape_high_risk", "H")
EPOXI = from_set("epoxiconazole_protectant", "3")
GS32, GS39, EMERGENCE, GS87 = 1456.0, 1700.0, 1212.0, 2900.0


def tank(day: float, *parts: tuple[Component, float]) -> list[Spray]:
    return [Spray(day, component, dose) for component, dose in parts if dose]


def wheat(first: tuple[float, float], second: tuple[float, float]) -> list[Spray]:
    """High- and low-risk dose at GS32 and GS39."""
    return tank(GS32, (HIGH, first[0]), (LOW, first[1])) + tank(GS39, (HIGH, second[0]), (LOW, second[1]))


def by_quadrature(
    sprays: list[Spray], group: str, start: float, end: float, q: float = 0.0, cost: float = 0.0
) -> float:
    """The definition of the index, written out again and integrated by SciPy (QUADPACK)."""

    def rate(t: float) -> float:
        resistant, sensitive = 1.0 - cost, 1.0
        for component in {s.component for s in sprays}:
            amount = sum(
                s.dose * 0.5 ** ((t - s.day) / component.half_life_days)
                for s in sprays
                if s.component == component and s.day <= t
            )
            eps = component.omega * (1.0 - math.exp(-component.theta * amount))
            sensitive *= 1.0 - eps
            resistant *= 1.0 - (q * eps if component.group == group else eps)
        return resistant - sensitive

    cuts = sorted({start, end, *(s.day for s in sprays if start < s.day < end)})
    total = 0.0
    for a, b in itertools.pairwise(cuts):
        # Halves keep the quadrature honest on long decays.
        pieces = np.linspace(a, b, 9)
        total += sum(
            integrate.quad(rate, x, y, epsabs=1e-12, epsrel=1e-12)[0] for x, y in itertools.pairwise(pieces)
        )
    return total


# --- the special function ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "x", [1e-12, 1e-6, 0.01, 0.3, 0.999, 1.0, 1.5, 1.999, 2.0, 3.7, 9.6, 25.0, 80.0, 700.0]
)
def test_exponential_integrals_agree_with_scipy(x: float) -> None:
    """SciPy special.exp1 (Cephes) is the judge; below 1e-3 Ein is compared with its own first terms, where
    gamma + ln x cancels."""
    assert sel.exponential_integral_e1(x) == pytest.approx(float(special.exp1(x)), rel=2e-14, abs=1e-300)
    expected = (
        float(np.euler_gamma + np.log(x) + special.exp1(x)) if x > 1e-3 else x - x * x / 4.0 + x**3 / 18.0
    )
    assert sel.ein(x) == pytest.approx(expected, rel=5e-14)


def test_exponential_integrals_refuse_what_has_no_value() -> None:
    assert sel.ein(0.0) == 0.0
    assert sel.exponential_integral_e1(1e4) == 0.0
    for bad in (-1.0, math.nan):
        with pytest.raises(ValueError, match="0 or more"):
            sel.ein(bad)
    with pytest.raises(ValueError, match="positive"):
        sel.exponential_integral_e1(0.0)


# --- residues and dose response ---------------------------------------------------------------------------


def test_half_lives_follow_from_the_published_decay() -> None:
    expect = check("half_life_high")["expect"]
    assert pytest.approx(expect["half_life"], abs=expect["tol"]) == HIGH.half_life_days
    expect = check("half_life_low")["expect"]
    assert pytest.approx(expect["half_life"], abs=expect["tol"]) == LOW.half_life_days
    expect = check("half_life_grape")["expect"]
    assert pytest.approx(expect["high_days"], abs=expect["tol"]) == GRAPE_HIGH.half_life_days
    assert (
        pytest.approx(expect["low_days"], abs=expect["tol"]) == from_set("grape_low_risk", "L").half_life_days
    )
    expect = check("half_life_epoxiconazole")["expect"]
    assert pytest.approx(expect["days"], abs=expect["tol"]) == EPOXI.half_life_days
    assert HIGH.decay == pytest.approx(SETS["wheat_high_risk"]["lambda"], rel=1e-15)


def test_dose_response_of_the_high_risk_fungicide() -> None:
    expect = check("dose_response_high")["expect"]
    for dose in (1.0, 0.5, 0.25):
        assert HIGH.efficacy(dose) == pytest.approx(expect[f"D_{dose}"], abs=expect["tol"])
    assert HIGH.dose_for(0.5) == pytest.approx(expect["D50"], abs=expect["tol"])
    assert HIGH.dose_for(0.9) == pytest.approx(expect["D90"], abs=expect["tol"])
    assert HIGH.dose_for(1.0) == math.inf


def test_dose_response_of_epoxiconazole() -> None:
    expect = check("dose_response_epoxiconazole")["expect"]
    assert EPOXI.efficacy(1.0) == pytest.approx(expect["protectant_D1"], abs=expect["tol"])
    assert EPOXI.efficacy(0.5) == pytest.approx(expect["protectant_D0.5"], abs=expect["tol"])
    eradicant = from_set("epoxiconazole_eradicant", "3")
    assert eradicant.efficacy(1.0) == pytest.approx(expect["eradicant_D1"], abs=expect["tol"])


# --- selection days ---------------------------------------------------------------------------------------


def test_one_spray_in_closed_form() -> None:
    expect = check("esd_single_spray_closed_form")["expect"]
    for dose in (1.0, 0.5):
        assert selection_days_single(HIGH, dose) == pytest.approx(expect[f"D_{dose}"], abs=expect["tol"])


def test_one_spray_inside_a_window_of_days() -> None:
    row = check("esd_finite_window_days")
    given_ = row["inputs"]
    component = Component("X", given_["omega"], given_["theta"], math.log(2) / given_["lambda"])
    for key, value in row["expect"].items():
        if found := re.fullmatch(r"T(\d+)_D([\d.]+)", key):
            days = selection_days_single(component, float(found[2]), float(found[1]))
            assert days == pytest.approx(value, abs=row["expect"]["tol"]), key


def test_one_spray_of_a_mixture() -> None:
    expect = check("esd_mixture_single_spray")["expect"]
    for key, value in expect.items():
        if found := re.fullmatch(r"H([\d.]+)_L([\d.]+)", key):
            sprays = tank(0.0, (HIGH, float(found[1])), (LOW, float(found[2])))
            assert selection_days(sprays, "H", 3000.0) == pytest.approx(value, abs=expect["tol"]), key


WHEAT_PROGRAMMES = {
    "HH_1.0": wheat((1, 0), (1, 0)),
    "HH_0.5": wheat((0.5, 0), (0.5, 0)),
    "H_once_1456": wheat((1, 0), (0, 0)),
    "mix_0.5_0.5": wheat((0.5, 0.5), (0.5, 0.5)),
    "mix_1_1": wheat((1, 1), (1, 1)),
    "H_then_L": wheat((1, 0), (0, 1)),
    "L_then_H": wheat((0, 1), (1, 0)),
    "mix_0.15_0.5": wheat((0.15, 0.5), (0.15, 0.5)),
}


@pytest.mark.parametrize("name", WHEAT_PROGRAMMES)
def test_wheat_programmes(name: str) -> None:
    expect = check("esd_wheat_programmes")["expect"]
    assert set(expect) - {"tol"} == set(WHEAT_PROGRAMMES)
    days = selection_days(WHEAT_PROGRAMMES[name], "H", GS87, start=EMERGENCE)
    assert days == pytest.approx(expect[name], abs=expect["tol"])


def test_doubling_a_saturating_dose_adds_one_half_life() -> None:
    expect = check("doubling_saturating_dose_adds_one_half_life")["expect"]
    gain = selection_days_single(HIGH, 2.0) - selection_days_single(HIGH, 1.0)
    assert gain == pytest.approx(expect["ESD_D2_minus_ESD_D1"], abs=expect["tol"])
    # The limit itself: omega ln2 / lam, one half-life, once the dose saturates.
    assert selection_days_single(HIGH, 40.0) - selection_days_single(HIGH, 20.0) == pytest.approx(
        HIGH.half_life_days, rel=1e-12
    )


@given(
    st.floats(0.05, 1.0),
    st.floats(0.5, 15.0),
    st.floats(2.0, 12.0),
    st.lists(st.tuples(st.floats(0.0, 60.0), st.floats(0.0, 1.5)), min_size=1, max_size=5),
    st.floats(0.0, 40.0),
)
@settings(max_examples=60, deadline=None)
def test_closed_form_and_piecewise_integral_agree_to_1e9(
    omega: float, theta: float, life: float, passes: list[tuple[float, float]], tail: float
) -> None:
    component = Component("3", omega, theta, life)
    sprays = [Spray(day, component, dose) for day, dose in passes]
    end = max(s.day for s in sprays) + tail
    assert selection_days(sprays, "3", end) == pytest.approx(selection_days_solo(sprays, end), abs=1e-9)
    assert selection_days(sprays, "3", math.inf) == pytest.approx(
        selection_days_solo(sprays, math.inf), abs=1e-9
    )


def test_closed_form_agrees_with_quadrature_to_1e9() -> None:
    for component in (Component("11", 1.0, 12.4, 3.0), Component("3", 0.71, 6.0, 10.0)):
        sprays = [Spray(0.0, component), Spray(9.0, component, 0.5), Spray(30.0, component)]
        for q in (0.0, 0.35):
            judge = by_quadrature(sprays, component.group, 0.0, 75.0, q)
            assert selection_days_solo(sprays, 75.0, sensitivity=q) == pytest.approx(judge, abs=1e-9)
            assert selection_days(sprays, component.group, 75.0, sensitivity=q) == pytest.approx(
                judge, abs=1e-9
            )


def random_programme(rng: np.random.Generator) -> list[Spray]:
    components = [
        Component("11", 0.9, 12.4, 3.0, "a"),
        Component("11", 0.6, 9.6, 8.0, "b"),
        Component("3", 0.7, 6.0, 10.0, "c"),
        Component("7", 0.8, 9.6, 5.5, "d"),
        Component("M05", 0.48, 9.9, 7.0, "e", at_risk=False),
    ]
    sprays = []
    for day in np.sort(rng.uniform(0.0, 70.0, rng.integers(1, 7))):
        for k in rng.choice(len(components), rng.integers(1, 4), replace=False):
            sprays.append(Spray(float(day), components[k], float(rng.choice([0.5, 1.0]))))
    return sprays


def test_programmes_agree_with_quadrature_to_1e9() -> None:
    """Mixtures, rotations, partial sensitivity, a fitness cost and a window that opens after the first
    pass."""
    rng = np.random.default_rng(5)
    for k in range(12):
        sprays = random_programme(rng)
        start, q, cost = (0.0, 0.0, 0.0) if k % 2 else (20.0, 0.3, 0.05)
        judge = by_quadrature(sprays, "11", start, 90.0, q, cost)
        assert selection_days(sprays, "11", 90.0, start=start, sensitivity=q, cost=cost) == pytest.approx(
            judge, abs=1e-9
        )


def test_one_sweep_equals_one_call_per_group_and_lists_groups_at_risk() -> None:
    rng = np.random.default_rng(6)
    for _ in range(20):
        sprays = random_programme(rng)
        swept = sel.selection_by_group(sprays, 90.0)
        assert "M05" not in swept
        for group, days in swept.items():
            assert days == pytest.approx(selection_days(sprays, group, 90.0), abs=1e-12)
    some = random_programme(rng)
    assert list(sel.selection_by_group(some, 90.0, groups=["7", "zz"])) == ["7", "zz"]
    assert sel.selection_by_group(some, 90.0, groups=["zz"])["zz"] == 0.0


def test_batch_equals_one_by_one() -> None:
    rng = np.random.default_rng(7)
    programmes = [random_programme(rng) for _ in range(40)] + [[]]
    days, doses, components = sel.pack_programmes(programmes)
    for q in (0.0, 0.4):
        batch = sel.selection_days_batch(days, doses, components, "11", 90.0, sensitivity=q, chunk=16)
        alone = [selection_days(p, "11", 90.0, sensitivity=q) for p in programmes]
        assert batch == pytest.approx(alone, abs=1e-9)
    tied = sel.selection_days_batch(days, doses, components, "11", 90.0, joined={"7": 0.5})
    assert tied == pytest.approx(
        [selection_days(p, "11", 90.0, joined={"7": 0.5}) for p in programmes], abs=1e-9
    )
    ends = 90.0 + np.arange(len(programmes))
    assert sel.selection_days_batch(days, doses, components, "3", ends)[5] == pytest.approx(
        selection_days(programmes[5], "3", 95.0), abs=1e-9
    )


def test_batch_refuses_shapes_that_do_not_fit() -> None:
    days, doses, components = sel.pack_programmes([[Spray(0.0, HIGH), Spray(9.0, LOW)]])
    with pytest.raises(ValueError, match="doses"):
        sel.selection_days_batch(days, doses[:, :, :1], components, "H", 90.0)
    with pytest.raises(ValueError, match="sorted"):
        sel.selection_days_batch(days[:, ::-1], doses, components, "H", 90.0)
    with pytest.raises(ValueError, match="finite"):
        sel.selection_days_batch(days, doses, components, "H", math.inf)
    assert (
        sel.selection_days_batch(np.zeros((3, 0)), np.zeros((3, 0, 2)), components, "H", 9.0).tolist()
        == [0.0] * 3
    )


# --- what must not select ---------------------------------------------------------------------------------


def test_no_spray_and_no_cost_selects_nothing() -> None:
    """Derivation no_spray_no_cost_constant, the index's side (the ODE's is in test_season_models.py)."""
    assert check("no_spray_no_cost_constant")["kind"] == "derivation"
    assert selection_days([], "H", 100.0) == 0.0
    assert sel.relative_growth_days([], 100.0, [Strain("R", {"H": 0.0})]) == {"R": 0.0}


def test_full_sensitivity_selects_nothing() -> None:
    assert "q=1" in check("full_sensitivity_no_selection")["expect"]
    for sprays in WHEAT_PROGRAMMES.values():
        assert selection_days(sprays, "H", GS87, sensitivity=1.0) == pytest.approx(0.0, abs=1e-12)
        assert sel.relative_growth_days(sprays, GS87, [Strain("same")]) == {"same": 0.0}


def test_multisite_alone_selects_nothing() -> None:
    assert check("multisite_only_no_selection")["kind"] == "derivation"
    assert selection_days(wheat((0, 1), (0, 1)), "H", GS87) == 0.0
    assert sel.selection_by_group(wheat((0, 1), (0, 1)), GS87) == {}


# --- log-odds ---------------------------------------------------------------------------------------------


def test_log_odds_move_in_a_straight_line() -> None:
    """d/dt ln(R/S) = gR - gS: iterate the two strains as numbers and compare with r x selection days,
    whatever f0."""
    assert "gR - gS" in check("logit_linear")["expect"]
    sprays = wheat((1, 1), (1, 0))
    r = 0.006
    esd = selection_days(sprays, "H", GS87, start=EMERGENCE)
    growth = sel.relative_growth_days(sprays, GS87, [Strain("R", {"H": 0.0})], start=EMERGENCE)["R"]
    assert growth == pytest.approx(esd, abs=1e-10)
    for f0 in (1e-8, 1e-3, 0.4):
        odds = f0 / (1 - f0) * math.exp(r * growth)
        end = odds / (1 + odds)
        assert sel.logit(end) - sel.logit(f0) == pytest.approx(sel.log_odds_change(r, esd), rel=1e-9)
    strain = Strain("R", {"A": 0.0})
    gap = sel.growth_rate(0.2, {"A": 0.7}, strain) - sel.growth_rate(0.2, {"A": 0.7}, Strain("S"))
    assert gap == pytest.approx(0.2 * 0.7, rel=1e-12)


def test_solo_sprays_far_apart_add_up() -> None:
    assert check("additivity")["kind"] == "derivation"
    short = Component("11", 0.8, 9.6, 3.0)
    one = selection_days([Spray(0.0, short)], "11", math.inf)
    many = [Spray(400.0 * k, short) for k in range(4)]
    assert selection_days(many, "11", math.inf) == pytest.approx(4.0 * one, abs=1e-9)
    # Overlapping residues give less than the sum: the second spray meets a residue that already works.
    assert selection_days([Spray(0.0, short), Spray(7.0, short)], "11", math.inf) < 2.0 * one


def test_alternation_at_equal_windows_halves_selection() -> None:
    assert "half" in check("alternation_half")["expect"]
    a = Component("11", 0.8, 9.6, 3.0)
    b = Component("3", 0.7, 6.0, 3.0)
    days = [300.0 * k for k in range(6)]
    solo = selection_days([Spray(day, a) for day in days], "11", 1800.0)
    turns = [Spray(day, a if k % 2 == 0 else b) for k, day in enumerate(days)]
    assert selection_days(turns, "11", 1800.0) == pytest.approx(0.5 * solo, abs=1e-9)
    without_b = [s for s in turns if s.component is a]
    assert selection_days(without_b, "11", 1800.0) == pytest.approx(0.5 * solo, abs=1e-9)


def test_rotation_buys_calendar_time_not_uses() -> None:
    """Skylakakis (abstract; year from memory): with fit mutants alternation delays in calendar time, not in
    number of uses."""
    assert check("rotation_same_number_of_A_sprays")["kind"] == "published"
    a = Component("11", 0.8, 9.6, 3.0)
    b = Component("3", 0.7, 6.0, 3.0)
    every = selection_days([Spray(0.0, a)], "11", 300.0)
    r, f0, target = 0.2, 1e-6, 0.5
    uses = sel.seasons_to_fraction(r, every, f0, target)
    # One A a year against A every second year, B in between.
    two_years = selection_days([Spray(0.0, a), Spray(300.0, b)], "11", 600.0, start=0.0)
    years = sel.seasons_to_fraction(r, two_years, f0, target)
    assert uses is not None and years is not None
    assert years == pytest.approx(
        uses, rel=1e-9
    )  # as many two-year turns, so as many A sprays, over twice the years


def test_growth_of_strains_under_two_partners() -> None:
    row = check("order_of_strains_two_partners")
    g, want = row["inputs"], row["expect"]
    eps = {"A": g["epsA"], "B": g["epsB"]}
    for name, strain in {
        "gSS": Strain("SS"),
        "gSR_resistant_to_B_only": Strain("SR", {"B": 0.0}),
        "gRS_resistant_to_A_only": Strain("RS", {"A": 0.0}),
        "gRR": Strain("RR", {"A": 0.0, "B": 0.0}),
    }.items():
        assert sel.growth_rate(g["r"], eps, strain) == pytest.approx(want[name], abs=want["tol"])


@pytest.mark.parametrize("eps_b", [0.0, 0.2, 0.499, 0.5, 0.501, 0.9])
def test_partner_of_constant_effect_discounts_by_its_efficacy(eps_b: float) -> None:
    """psi = 1 - epsB; a mixture at full dose beats every-other-spray alternation exactly when epsB > 0.5
    (Shaw, abstract)."""
    assert "0.5" in check("psi_same_stage")["expect"]
    a = Component("11", 0.8, 9.6, 3.0, "a")
    steady = Component(
        "M05", eps_b, 60.0, 1e9, "b", at_risk=False
    )  # saturated and lasting: a constant efficacy
    solo = selection_days([Spray(0.0, a)], "11", 300.0)
    psi = selection_days([Spray(0.0, a), Spray(0.0, steady)], "11", 300.0) / solo
    assert psi == pytest.approx(1.0 - eps_b, abs=1e-9)
    if eps_b != 0.5:
        assert (psi < 0.5) == (eps_b > 0.5)


@given(
    st.floats(0.0, 1.0), st.floats(0.5, 15.0), st.floats(1.0, 20.0), st.floats(0.0, 1.0), st.floats(0.0, 30.0)
)
@settings(max_examples=80, deadline=None)
def test_partner_never_raises_single_resistance(
    omega: float, theta: float, life: float, dose: float, day: float
) -> None:
    """Levick, South & Hastings 2017 (abstract): a partner always slows resistance to A at the same A dose."""
    assert check("partner_never_raises_single_resistance")["kind"] == "published"
    a = [Spray(0.0, HIGH_DAYS), Spray(14.0, HIGH_DAYS)]
    with_partner = [*a, Spray(day, Component("3", omega, theta, life), dose)]
    assert (
        selection_days(with_partner, "11", 60.0, start=0.0)
        <= selection_days(a, "11", 60.0, start=0.0) + 1e-10
    )


HIGH_DAYS = Component("11", 1.0, 9.6, 5.5, "azoxystrobin")


def test_a_mixture_can_lose_to_a_sequence() -> None:
    """Levick, South & Hastings 2017 (abstract): mixtures slow each single resistance, yet may last less
    than a sequence.

    Index form: a mixture of two equal actives of efficacy eps lasts 1/(1 - eps) of one alone, a sequence
    twice as long as one alone, as long as no doubly resistant strain is about; so the sequence wins below
    eps = 0.5 and always once RR is common.
    """
    expect = check("mixture_can_lose_to_sequence")["expect"]
    assert expect["example_mixture_years"] < expect["example_sequence_years"]
    assert expect["of_rest_favour_sequence"] + expect["of_rest_favour_mixture"] == pytest.approx(1.0)
    r = 0.2
    for eps, mixture_wins in ((0.3, False), (0.8, True)):
        eff = {"A": eps, "B": eps}
        alone = sel.growth_rate(r, {"A": eps}, Strain("R", {"A": 0.0})) - sel.growth_rate(
            r, {"A": eps}, Strain("S")
        )
        mixed = sel.growth_rate(r, eff, Strain("R", {"A": 0.0})) - sel.growth_rate(r, eff, Strain("S"))
        double = sel.growth_rate(r, eff, Strain("RR", {"A": 0.0, "B": 0.0})) - sel.growth_rate(
            r, eff, Strain("S")
        )
        assert (1.0 / mixed > 2.0 / alone) == mixture_wins
        assert double > alone > mixed  # RR is never slowed, whatever the partner


def test_partner_of_the_same_code_is_no_partner() -> None:
    assert "never lowers" in check("same_code_partner_is_no_partner")["expect"]
    a = [Spray(0.0, HIGH_DAYS), Spray(14.0, HIGH_DAYS)]
    before = selection_days(a, "11", 60.0)
    last = before
    for dose in (0.1, 0.3, 1.0, 2.0):
        twin = Component("11", 0.7, 9.6, 5.5, "pyraclostrobin")
        now = selection_days([*a, Spray(0.0, twin, dose)], "11", 60.0)
        assert now > last
        last = now
    assert (
        selection_days([*a, Spray(0.0, Component("11A", 0.7, 9.6, 5.5))], "11", 60.0, joined=("11A",))
        > before
    )
    # The same code seen as a partner would have looked like a saving: that is what joining prevents.
    assert selection_days([*a, Spray(0.0, Component("11A", 0.7, 9.6, 5.5))], "11", 60.0) < before


def test_cost_balances_selection_at_the_efficacy() -> None:
    assert check("cost_balance")["kind"] == "derivation"
    for eps_a in (0.2, 0.55):
        for eps_b in (0.0, 0.4, 0.9):
            eff = {"A": eps_a, "B": eps_b}
            resistant = sel.growth_rate(0.2, eff, Strain("R", {"A": 0.0}, cost=eps_a))
            assert resistant == pytest.approx(sel.growth_rate(0.2, eff, Strain("S")), rel=1e-12)
    assert selection_days([], "11", 40.0, cost=0.3, start=0.0) == pytest.approx(-0.3 * 40.0, rel=1e-12)
    with pytest.raises(ValueError, match="horizon"):
        selection_days([Spray(0.0, HIGH_DAYS)], "11", math.inf, cost=0.1)
    judge = by_quadrature([Spray(0.0, HIGH_DAYS)], "11", 0.0, 400.0, 0.0, 0.2)
    assert selection_days([Spray(0.0, HIGH_DAYS)], "11", 400.0, cost=0.2) == pytest.approx(judge, abs=1e-8)


def test_seasons_need_a_stated_rate_and_start() -> None:
    row = check("seasons_formula")
    g, want = row["inputs"], row["expect"]
    seasons = sel.seasons_to_fraction(1.0, g["delta_logit_per_season"], g["f0"], g["target"])
    assert seasons == pytest.approx(want["seasons"], abs=want["tol"])
    assert sel.seasons_to_fraction(None, 20.0, 1e-5, 0.5) is None
    assert sel.seasons_to_fraction(0.2, 20.0, None, 0.5) is None
    assert sel.seasons_to_fraction(0.2, 0.0, 1e-5, 0.5) == math.inf
    assert sel.seasons_to_fraction(0.2, 20.0, 0.6, 0.5) == 0.0
    for f0 in (0.0, 1.0):
        with pytest.raises(ValueError, match="between 0 and 1"):
            sel.seasons_to_fraction(0.2, 20.0, f0, 0.5)


def test_a_tenfold_rarer_start_buys_a_fixed_time() -> None:
    assert "ln(10)" in check("start_frequency_decade")["expect"]
    r, esd = 0.1, 17.0
    a, b = (sel.seasons_to_fraction(r, esd, f0, 0.5) for f0 in (1e-7, 1e-6))
    assert a is not None and b is not None
    assert a - b == pytest.approx(math.log(10) / (r * esd), rel=1e-5)


def test_a_partner_that_fades_sooner_costs() -> None:
    """Levy, Levi & Cohen (abstract; authors and year from memory): a partner must last as long as the at-
    risk active."""
    assert check("naked_tail")["kind"] == "published"
    days = [
        selection_days([Spray(0.0, HIGH_DAYS), Spray(0.0, Component("M05", 0.6, 9.9, life))], "11", math.inf)
        for life in (0.5, 1.0, 2.0, 4.0, 5.5, 8.0, 20.0)
    ]
    assert days == sorted(days, reverse=True)
    # Same decay and theta: the partner's discount at any time is its efficacy then; the total falls well
    # below solo.
    solo = selection_days_single(HIGH_DAYS)
    assert days[4] < 0.75 * solo < days[0]


def test_principle_score_and_detection_times_are_carried_as_published() -> None:
    """Facts for the teaching text; nothing here can compute them (abstracts read)."""
    assert check("principle_score")["expect"] == {"agreement": 0.84, "experimental_contradiction": 0.05}
    assert check("detection_times")["expect"] == {
        "cases": 61,
        "years_range": [2, 24],
        "variance_explained": 0.61,
    }


def test_more_dose_never_selects_less() -> None:
    """van den Bosch et al. 2011 (abstract): 11 experiments, 2 exceptions; no model shows lower dose raising
    selection."""
    expect = check("dose_experiments")["expect"]
    assert expect["exceptions"] < expect["peer_reviewed"] + expect["other"]
    days = [selection_days_single(HIGH, dose) for dose in (0.05, 0.1, 0.25, 0.5, 1.0, 2.0)]
    assert days == sorted(days)
    # Splitting one dose in two, far apart, selects more (design text: nearly twice one half dose).
    split = selection_days([Spray(0.0, HIGH, 0.5), Spray(900.0, HIGH, 0.5)], "H", math.inf)
    assert split > selection_days_single(HIGH, 1.0)
    assert split == pytest.approx(2.0 * selection_days_single(HIGH, 0.5), rel=0.01)


def test_nothing_here_proposes_a_rate_below_the_label() -> None:
    """FRAC banana recommendations (read): each component at a rate that controls on its own. The module has
    no search over doses, and the reference partner of an explanation goes in at its full label rate."""
    assert "never proposes" in check("label_dose_guard")["expect"]
    public = [getattr(sel, name) for name in sel.__all__]
    assert not [f for f in public if callable(f) and re.search("optim|best|adjust|reduce", f.__name__)]
    solo = [Spray(0.0, HIGH_DAYS)]
    partner = Component("M05", 0.6, 9.9, 5.5, "mancozeb", at_risk=False)
    found = sel.attribute(solo, "11", 40.0, reference=partner)
    full = selection_days([*solo, Spray(0.0, partner, 1.0)], "11", 40.0)
    assert found.passes[0].missing_partner_costs == pytest.approx(found.total - full, abs=1e-12)


# --- two resistances --------------------------------------------------------------------------------------


def test_double_resistance_is_reported_apart() -> None:
    a, b = Component("11", 0.9, 9.6, 5.5, "a"), Component("3", 0.7, 9.6, 5.5, "b")
    mix = [Spray(day, c) for day in (0.0, 14.0) for c in (a, b)]
    pair = sel.double_selection_days(mix, "11", "3", 40.0)
    assert pair.first_only == pytest.approx(selection_days(mix, "11", 40.0), abs=1e-12)
    assert pair.second_only == pytest.approx(selection_days(mix, "3", 40.0), abs=1e-12)
    joint = sel.relative_growth_days(mix, 40.0, [Strain("RR", {"11": 0.0, "3": 0.0})])["RR"]
    assert pair.both == pytest.approx(joint, abs=1e-10)
    assert pair.both > selection_days([s for s in mix if s.component is a], "11", 40.0) > pair.first_only
    assert sel.pairs_in_tank(mix) == [("11", "3")]
    assert sel.pairs_in_tank([Spray(0.0, a), Spray(14.0, b)]) == []
    assert sel.pairs_in_tank([Spray(0.0, a), Spray(0.0, LOW)]) == []


def test_incomplete_cross_resistance_inside_a_group() -> None:
    """q by active name beats q by group; a joined group may keep part of its sensitivity."""
    lost, kept = (
        Component("3", 0.7, 9.6, 5.5, "tebuconazole"),
        Component("3", 0.8, 9.6, 5.5, "prothioconazole"),
    )
    sprays = [Spray(0.0, lost), Spray(14.0, kept)]
    strain = Strain("shifted", {"3": 0.0, "prothioconazole": 0.6})
    days = sel.relative_growth_days(sprays, 40.0, [strain])["shifted"]
    judge = by_quadrature([Spray(0.0, Component("x", 0.7, 9.6, 5.5)), Spray(14.0, kept)], "x", 0.0, 40.0)
    assert 0.0 < judge < days < selection_days(sprays, "3", 40.0)
    with_tie = selection_days([Spray(0.0, Component("21", 0.7, 9.6, 5.5))], "11", 40.0, joined={"21": 0.5})
    assert with_tie == pytest.approx(
        0.5 * selection_days_single(Component("21", 0.7, 9.6, 5.5), 1.0, 40.0), abs=1e-9
    )


# --- band and flips ---------------------------------------------------------------------------------------


def test_band_spans_the_published_half_lives() -> None:
    sprays = [Spray(0.0, HIGH_DAYS), Spray(21.0, HIGH_DAYS)]
    band = sel.selection_band(sprays, "11", 60.0)
    assert [h for h, _ in band.values] == [3, 4, 5, 6, 7, 8, 9, 10]
    assert band.low < selection_days(sprays, "11", 60.0) < band.high
    fixed = sel.selection_band(sprays, "11", 60.0, fixed={"azoxystrobin"})
    assert fixed.low == fixed.high


def at_half_life(sprays: list[Spray], life: float) -> float:
    changed = [
        Spray(
            s.day,
            Component(s.component.group, s.component.omega, s.component.theta, life, s.component.name),
            s.dose,
        )
        for s in sprays
    ]
    return selection_days(changed, "11", 60.0)


def test_a_flip_inside_the_band_is_said_plainly() -> None:
    """Three passes a week apart against two a month apart: short residues make passes count, long ones the
    days they span."""
    a = Component("11", 0.9, 9.6, 5.5, "a")
    close = [Spray(day, a) for day in (0.0, 7.0, 14.0)]
    apart = [Spray(day, a) for day in (0.0, 30.0)]
    assert at_half_life(close, 3.0) > at_half_life(apart, 3.0)
    (flip,) = sel.ranking_flips(
        {"three close": close, "two apart": apart}, "11", 60.0, half_lives=(3, 4, 5, 6)
    )
    assert flip.below == "two apart" and 3.0 < flip.half_life < 6.0
    assert at_half_life(close, flip.half_life) == pytest.approx(at_half_life(apart, flip.half_life), abs=0.01)
    assert flip.statement == (
        "which of three close and two apart selects less for resistance in group 11 "
        "depends on how long the residues last: two apart "
        f"below a half-life of about {flip.half_life:.1f} days, three close above it"
    )
    assert (
        sel.ranking_flips({"one": [Spray(0.0, a)], "two": [Spray(0.0, a), Spray(21.0, a)]}, "11", 60.0) == []
    )
    assert sel.ranking_flips({"one": close, "same": list(close)}, "11", 60.0) == []


def test_flip_point_is_where_the_two_programmes_tie() -> None:
    """A middling partner: alternation is gentler while residues are short, the mixture once A's first
    residue outlives the interval."""
    a, partner = Component("11", 0.9, 9.6, 5.5, "a"), Component("3", 0.6, 9.6, 5.5, "b")
    mixture = [Spray(day, c) for day in (0.0, 14.0) for c in (a, partner)]
    turns = [Spray(0.0, a), Spray(14.0, partner)]
    (flip,) = sel.ranking_flips({"mixture": mixture, "alternation": turns}, "11", 60.0)
    assert flip.below == "alternation" and 7.0 < flip.half_life < 8.0
    assert at_half_life(mixture, flip.half_life) == pytest.approx(
        at_half_life(turns, flip.half_life), abs=0.01
    )
    assert sel.flip_point(lambda x: x - 5.25, 3.0, 10.0) == pytest.approx(5.25, abs=1e-3)


# --- attribution ------------------------------------------------------------------------------------------


def test_attribution_adds_up_and_names_the_cause() -> None:
    rng = np.random.default_rng(8)
    for _ in range(15):
        sprays = random_programme(rng)
        found = sel.attribute(sprays, "11", 90.0)
        assert found.total == pytest.approx(selection_days(sprays, "11", 90.0), abs=1e-9)
        assert found.total == pytest.approx(
            found.exposure - found.partner_saves + found.fading_costs, abs=1e-9
        )
        assert sum(p.days for p in found.passes) == pytest.approx(found.total, abs=1e-9)
        for p in found.passes:
            assert p.days == pytest.approx(p.exposure - p.partner_saves + p.fading_costs, abs=1e-9)
            assert p.fading_costs >= -1e-9
            assert p.missing_partner_costs is None or p.missing_partner_costs >= -1e-9


def test_attribution_of_a_solo_pass_and_a_fading_partner() -> None:
    a = Component("11", 0.9, 9.6, 8.0, "a")
    fading = Component("M05", 0.6, 9.9, 3.0, "m", at_risk=False)
    sprays = [Spray(0.0, a), Spray(21.0, a), Spray(21.0, fading)]
    found = sel.attribute(sprays, "11", 60.0)
    first, second = found.passes
    assert first.alone and not second.alone
    assert first.missing_partner_costs is not None and first.missing_partner_costs > 0
    assert second.missing_partner_costs is None
    assert second.fading_costs > 1.0  # the naked tail: 3 days against 8
    assert first.fading_costs == 0.0 and found.reference == fading
    assert first.without > 0.0 and second.groups == ("11", "M05")
    lasting = [s if s.component is a else Spray(21.0, Component("M05", 0.6, 9.9, 8.0)) for s in sprays]
    assert found.fading_costs == pytest.approx(found.total - selection_days(lasting, "11", 60.0), abs=1e-9)
    alone = sel.attribute([Spray(0.0, a)], "11", 60.0)
    assert alone.reference is None and alone.passes[0].missing_partner_costs is None
    windowed = sel.attribute(sprays, "11", 60.0, start=10.0)
    assert sum(p.days for p in windowed.passes) == pytest.approx(
        selection_days(sprays, "11", 60.0, start=10.0), abs=1e-9
    )


def test_drivers_of_a_difference_add_up_and_point_at_a_pass() -> None:
    a = Component("11", 0.9, 9.6, 8.0, "a")
    partner = Component("M05", 0.6, 9.9, 3.0, "m", at_risk=False)
    solo = sel.attribute([Spray(0.0, a), Spray(21.0, a)], "11", 60.0)
    mixed = sel.attribute([Spray(0.0, a), Spray(21.0, a), Spray(21.0, partner)], "11", 60.0)
    causes = sel.drivers(solo, mixed)
    assert sum(d.days for d in causes) == pytest.approx(mixed.total - solo.total, abs=1e-9)
    assert causes[0].cause == "partners" and causes[0].days < 0.0 and not causes[0].in_second
    by_cause = {d.cause: d for d in causes}
    assert by_cause["exposure"].days == pytest.approx(0.0, abs=1e-9)
    assert by_cause["fading"].days > 0.0 and by_cause["fading"].day == 21.0 and by_cause["fading"].in_second
    with pytest.raises(ValueError, match="taken apart for groups"):
        sel.drivers(solo, sel.attribute([Spray(0.0, a)], "3", 60.0))


# --- input, defaults, start-up ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bad", "says"),
    [
        (lambda: Component("3", 1.2, 9.6, 5.0), "omega of group 3 is 1.2"),
        (lambda: Component("3", math.nan, 9.6, 5.0), "omega"),
        (lambda: Component("3", 0.5, 0.0, 5.0), "theta"),
        (lambda: Component("3", 0.5, 9.6, math.inf, "x"), "half-life of x"),
        (lambda: Spray(math.nan, HIGH), "day"),
        (lambda: Spray(0.0, HIGH, -0.1), "dose of wheat_high_risk"),
        (lambda: selection_days([Spray(5.0, HIGH)], "H", 4.0), "ends"),
        (lambda: selection_days([], "H", 4.0, sensitivity=1.5), "sensitivity"),
        (lambda: selection_days_solo([Spray(0.0, HIGH), Spray(0.0, LOW)], 9.0), "one active only"),
        (lambda: HIGH.dose_for(1.1), "share"),
    ],
)
def test_bad_values_are_refused_in_words(bad: Any, says: str) -> None:
    with pytest.raises(ValueError, match=re.escape(says)):
        bad()


def test_defaults_come_from_the_catalogue_with_their_grades() -> None:
    defaults = sel.SelectionDefaults.from_mapping(CATALOGUE)
    assert defaults.theta == 9.6 and defaults.half_life_days == 5.5
    assert defaults.half_life_band == (3, 4, 5, 6, 7, 8, 9, 10)
    assert defaults.omega_of("VG") == defaults.omega_of("very good") == 0.77
    assert defaults.omega_of("G-VG") == defaults.omega_of("G")  # the lower end, as the contract says
    assert (
        defaults.omega_of("unknown") is None
        and defaults.omega_of(None) is None
        and defaults.omega_of("U") is None
    )
    assert defaults.grounds["theta"]["grade"] == "read"
    assert defaults.grounds["omega_by_class"]["grade"] == "our reading"
    component = defaults.component("M05", "fair", name="chlorothalonil", multisite=True)
    assert component is not None and not component.at_risk and component.theta == 9.9
    assert defaults.component("11", "unknown") is None
    for name, row in SETS.items():
        if name != "sources":
            assert CATALOGUE["published_sets"][name]["theta"] == row["theta"]
            assert CATALOGUE["published_sets"][name]["lambda"] == row["lambda"]


@pytest.mark.parametrize(
    ("key", "value", "says"),
    [
        ("theta", None, "theta is missing"),
        ("theta", {"value": "x", "source": "s", "grade": "read"}, "theta.value is 'x'"),
        ("half_life_days", {"value": 5, "grade": "read"}, "half_life_days lacks source"),
        ("omega_by_class", {"source": "s", "grade": "read", "classes": {}}, "classes is empty"),
    ],
)
def test_a_broken_catalogue_is_refused_in_words(key: str, value: Any, says: str) -> None:
    with pytest.raises(ValueError, match=re.escape(says)):
        sel.SelectionDefaults.from_mapping({**CATALOGUE, key: value})


def test_the_index_needs_neither_numpy_nor_scipy() -> None:
    """The audit process must start quickly: a single programme is computed with the standard library
    alone."""
    code = (
        "import sys; from planner.selection import *\n"
        "c=Component('11',.9,9.6,5.5); print(selection_days([Spray(0.0,c),Spray(14.0,c)],'11',60.0))\n"
        "assert 'numpy' not in sys.modules and 'scipy' not in sys.modules"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=HERE.parent, check=False
    )
    assert done.returncode == 0, done.stderr
    assert float(done.stdout) > 0


def test_every_check_of_the_reference_file_is_used() -> None:
    used = set()
    for name in ("test_selection.py", "test_season_models.py"):
        used |= set(re.findall(r'check\("([A-Za-z0-9_]+)"\)', (HERE / name).read_text(encoding="utf-8")))
    assert len(CHECKS) == 50
    assert set(CHECKS) - used == set()
    assert used - set(CHECKS) == set()
