"""The formulas of tank, money, selection and season at the ends of what they take.

The integrals are checked by SciPy's quadrature, the roots in closed form.
"""

from __future__ import annotations

import copy
import dataclasses
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from scipy.integrate import quad

from planner import selection as sel
from planner.economics import break_even_gain
from planner.season_models import Treatment, effective_life, load_models, two_genotypes
from planner.season_models import season as season_module
from planner.selection import Component, Spray, selection_days
from planner.selection.batch import selection_days_batch
from planner.selection.defaults import SelectionDefaults
from planner.selection.odds import logit, seasons_to_fraction
from planner.spray import reentry_hours_by_toxicity, tank_loads

DATA: dict[str, Any] = yaml.safe_load(
    (Path(__file__).parent.parent / "catalog/selection.yaml").read_text(encoding="utf-8")
)
WHEAT, _GRAPE = load_models(DATA)


@pytest.mark.parametrize("rate", [-0.1, math.inf, math.nan])
def test_a_rate_that_is_no_amount_is_refused(rate: float) -> None:
    with pytest.raises(ValueError, match="the rate of Demo Larch must be a number of 0 or more"):
        tank_loads(10.0, 200.0, 3000.0, {"Demo Larch": rate})


@pytest.mark.parametrize("category", [0, 5])
def test_a_toxicity_category_that_is_none_is_refused(category: int) -> None:
    # categories I to IV: US EPA, 40 CFR 156.62 (from memory)
    with pytest.raises(ValueError, match=f"toxicity category must be 1, 2, 3 or 4, not {category}"):
        reentry_hours_by_toxicity({}, category)


@pytest.mark.parametrize(
    ("cost", "price", "said"),
    [(10.0, 0.0, "the grain price must be above 0"), (10.0, math.inf, "the grain price"), (-1.0, 8.0, "cost must")],
)
def test_no_gain_pays_at_such_a_price_or_cost(cost: float, price: float, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        break_even_gain(cost, price)
    assert break_even_gain(0.0, 8.0) == 0.0


# --- selection --------------------------------------------------------------------------------------------------------


def test_a_costly_strain_recedes_while_only_another_group_works() -> None:
    """Nothing of group A is on the leaf: its strain loses its cost of whatever growth group B leaves."""
    omega, theta, half, cost, end = 0.6, 7.0, 6.0, 0.1, 25.0
    lam = math.log(2) / half
    left = quad(lambda t: 1 - omega * (1 - math.exp(-theta * math.exp(-lam * t))), 0.0, end)[0]
    found = selection_days([Spray(0.0, Component("B", omega, theta, half))], "A", end, start=0.0, cost=cost)
    assert found == pytest.approx(-cost * left, rel=1e-6)


def test_a_strain_that_cannot_grow_at_all_is_refused() -> None:
    with pytest.raises(ValueError, match=r"fitness cost is 1\.0; write a share below 1"):
        selection_days([Spray(0.0, Component("A", 0.6, 7.0, 6.0))], "A", 25.0, cost=1.0)


def test_seasons_until_half_in_closed_form() -> None:
    """Log-odds go up by r x days a season: from 1 in 1000 to a half that is ln(999) / (0.1 x 20)."""
    assert seasons_to_fraction(0.1, 20.0, 1e-3, 0.5) == pytest.approx(math.log(999) / 2.0)
    assert logit(0.5) == 0.0
    assert seasons_to_fraction(0.1, 20.0, 0.6, 0.5) == 0.0  # already there
    assert seasons_to_fraction(0.1, 0.0, 1e-3, 0.5) == math.inf  # nothing selects
    assert seasons_to_fraction(None, 20.0, 1e-3, 0.5) is None
    with pytest.raises(ValueError, match=r"growth rate r is 0\.0; write a rate per day above 0"):
        seasons_to_fraction(0.0, 20.0, 1e-3, 0.5)


@pytest.mark.parametrize("band", [None, 5.0, [5.0], []])
def test_a_band_of_half_lives_needs_two(band: object) -> None:
    data = copy.deepcopy(DATA)
    data["half_life_days"]["band"] = band
    with pytest.raises(ValueError, match=r"half_life_days\.band is .*; write the half-lives to try, in days"):
        SelectionDefaults.from_mapping(data)


# --- seasons ----------------------------------------------------------------------------------------------------------


def test_a_life_longer_than_asked_for_is_the_number_asked_for() -> None:
    """Two full passes of both fungicides hold for more than two seasons; counting stops there."""
    passes = [Treatment(WHEAT.first_treatment, (1.0, 1.0)), Treatment(WHEAT.second_treatment, (1.0, 1.0))]
    assert effective_life(WHEAT, passes, most=2) == 2
    assert effective_life(WHEAT, [Treatment(WHEAT.first_treatment, (0.0, 0.0))], most=2) == 0


def test_wheat_keeps_its_leaves_green_until_flowering() -> None:
    """Senescence begins at GS61; at the end it is 0.005 + 0.1 per degree-day (the form in the model's text)."""
    assert WHEAT.senescence(WHEAT.senescence_start - 1.0) == 0.0
    assert WHEAT.senescence(WHEAT.end) == pytest.approx(0.005 + 0.1)


def test_a_season_that_cannot_be_integrated_is_no_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    class Failed:
        success = False
        message = "step size becomes too small"

    monkeypatch.setattr("scipy.integrate.solve_ivp", lambda *_, **__: Failed())
    with pytest.raises(ArithmeticError, match="the season could not be integrated: step size becomes too small"):
        season_module.simulate_season(WHEAT, [], (0.5, 0.5))


def test_a_model_without_fungicides_is_refused() -> None:
    data = copy.deepcopy(DATA)
    data["season_models"]["wheat"]["fungicides"] = []
    with pytest.raises(ValueError, match=r"season_models\.wheat lacks fungicides; write at least one"):
        load_models(data)


def test_a_fungicide_that_stops_latency_only_leaves_infection_as_it_is() -> None:
    late = dataclasses.replace(WHEAT.fungicides[0], infection=False, latent=True)
    model = dataclasses.replace(WHEAT, fungicides=(late, WHEAT.fungicides[1]))
    genotypes = two_genotypes(model)
    reach, ripen = season_module.left_by(model, genotypes, (1.0, 0.0), math.exp)
    assert reach == [1.0, 1.0]
    kept = 1.0 - late.omega * (1.0 - math.exp(-late.theta))
    assert ripen[0] == pytest.approx(kept) and ripen[1] == pytest.approx(1.0)


def test_a_batch_adds_nothing_where_the_group_is_not_on_the_leaf() -> None:
    """Programme 1 begins with group B alone, programme 2 has A alone; both equal the single index."""
    own, other = Component("A", 0.8, 9.0, 5.0), Component("B", 0.6, 7.0, 5.0)
    found = selection_days_batch(
        np.array([[0.0, 14.0], [0.0, 14.0]]),
        np.array([[[0.0, 1.0], [0.0, 1.0]], [[1.0, 0.0], [0.0, 0.0]]]),
        [own, other],
        "A",
        30.0,
    )
    assert found[0] == 0.0
    assert found[1] == pytest.approx(selection_days([Spray(0.0, own)], "A", 30.0), rel=1e-6)
    assert sel.selection_by_group([Spray(0.0, other)], 25.0, groups=["A", "B"])["A"] == 0.0
