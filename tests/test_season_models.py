"""Season models against published results, an independent integrator and field trials.

Equations and values: Elderfield et al. 2018 (see catalog/selection.yaml for how they were read). Expected
numbers: shared/reference/resistance_checks.yaml; `prototype` rows came from a research prototype written
before this code. The independent integrator is SciPy's DOP853 on a right-hand side written out again here,
with numbers typed from the table in the notes. Field evidence: shared/reference/trial_trends.yaml (open
Brazilian trials).
"""

from __future__ import annotations

import math
import time
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from scipy.integrate import solve_ivp
from scipy.optimize import least_squares
from scipy.stats import pearsonr, spearmanr

from planner import selection as sel
from planner.season_models import (
    Fungicide,
    GrapeModel,
    SensitivityProfile,
    Treatment,
    WheatModel,
    diploid_generations,
    disease_free,
    effective_life,
    effective_lives,
    field_control,
    four_genotypes,
    haploid_generations,
    load_models,
    recombine,
    run_seasons,
    season_recursion,
    simulate_batch,
    simulate_season,
    two_genotypes,
)
from planner.selection import Component, Spray, Strain

HERE = Path(__file__).parent
REFERENCE = yaml.safe_load(
    (HERE.parent / "shared/reference/resistance_checks.yaml").read_text(encoding="utf-8")
)
TRIALS = yaml.safe_load((HERE.parent / "shared/reference/trial_trends.yaml").read_text(encoding="utf-8"))
CHECKS: dict[str, dict[str, Any]] = {row["id"]: row for row in REFERENCE["checks"]}
WHEAT, GRAPE = load_models(
    yaml.safe_load((HERE.parent / "catalog/selection.yaml").read_text(encoding="utf-8"))
)


def check(name: str) -> dict[str, Any]:
    """One row of resistance_checks.yaml."""
    return CHECKS[name]


def passes(
    model: WheatModel | GrapeModel, first: tuple[float, float], second: tuple[float, float]
) -> list[Treatment]:
    return [Treatment(model.first_treatment, first), Treatment(model.second_treatment, second)]


def solo(*times: float, dose: float = 1.0) -> list[Treatment]:
    return [Treatment(t, (dose, 0.0)) for t in times]


PROGRAMMES = {
    "HH_1.0": ((1, 0), (1, 0)),
    "HH_0.5": ((0.5, 0), (0.5, 0)),
    "H_once_1456": ((1, 0), (0, 0)),
    "H_once_1700": ((0, 0), (1, 0)),
    "mix_1_1": ((1, 1), (1, 1)),
    "mix_0.5_0.5": ((0.5, 0.5), (0.5, 0.5)),
    "H_then_L": ((1, 0), (0, 1)),
    "L_then_H": ((0, 1), (1, 0)),
    "mix_0.25_1": ((0.25, 1), (0.25, 1)),
    "mix_0.15_0.5": ((0.15, 0.5), (0.15, 0.5)),
}


@cache
def wheat(name: str) -> Any:
    return simulate_season(WHEAT, passes(WHEAT, *PROGRAMMES[name]))


def ln_sr(treatments: list[Treatment], **kwargs: Any) -> float:
    return math.log(simulate_season(WHEAT, treatments, **kwargs).selection_ratio)


# --- season 1 ---------------------------------------------------------------------------------------------


def test_wheat_baselines() -> None:
    expect = check("wheat_baselines")["expect"]
    assert disease_free(WHEAT) == pytest.approx(expect["disease_free_HAD"], abs=0.05)
    assert simulate_season(WHEAT).control == pytest.approx(expect["untreated_fraction"], abs=expect["tol"])


@pytest.mark.parametrize(
    "name",
    ["HH_1.0", "HH_0.5", "H_once_1456", "H_once_1700", "mix_1_1", "mix_0.5_0.5", "H_then_L", "L_then_H"],
)
def test_selection_ratio_in_the_first_season(name: str) -> None:
    expect = check("selection_ratio_season1")["expect"]
    assert wheat(name).selection_ratio == pytest.approx(expect[name], rel=expect["tol_rel"])


def test_no_spray_leaves_the_fraction_alone() -> None:
    assert "within 1e-9" in check("no_spray_no_cost_constant")["expect"]
    for model in (WHEAT, GRAPE):
        for f0 in (1e-10, 1e-3, 0.4):
            season = simulate_season(model, [], (1 - f0, f0), rtol=1e-9)
            assert season.selection_ratio == pytest.approx(1.0, abs=2e-9 if f0 > 1e-6 else 1e-8)


def test_low_risk_alone_selects_nothing() -> None:
    assert "selection ratio 1" in check("multisite_only_no_selection")["expect"]
    for model in (WHEAT, GRAPE):
        season = simulate_season(model, passes(model, (0, 1), (0, 1)))
        assert season.selection_ratio == pytest.approx(1.0, abs=5e-4)


def test_full_sensitivity_selects_nothing() -> None:
    assert check("full_sensitivity_no_selection")["kind"] == "derivation"
    strains = two_genotypes(WHEAT, sensitivity=1.0)
    assert ln_sr(solo(1456, 1700), genotypes=strains) == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("key", ["f0_1e-8", "f0_1e-4", "f0_0.01", "f0_0.1", "f0_0.5"])
def test_logit_change_hardly_depends_on_the_start(key: str) -> None:
    expect = check("logit_change_independent_of_f0_ode")["expect"]
    f0 = float(key[3:])
    season = simulate_season(WHEAT, solo(1456, 1700), (1 - f0, f0))
    assert season.log_odds_change == pytest.approx(expect[key], abs=expect["tol"])


def test_alternation_halves_selection_roughly() -> None:
    expect = check("alternation_half_ode")["expect"]
    whole = math.log(wheat("HH_1.0").selection_ratio)
    assert math.log(wheat("H_then_L").selection_ratio) / whole == pytest.approx(
        expect["HL_over_HH"], abs=expect["tol"]
    )
    assert math.log(wheat("L_then_H").selection_ratio) / whole == pytest.approx(
        expect["LH_over_HH"], abs=expect["tol"]
    )


@pytest.mark.parametrize("omega", [0.30, 0.48, 0.60, 0.80])
def test_what_a_partner_on_infection_saves(omega: float) -> None:
    expect = check("psi_ode")["expect"]
    partner = Fungicide("partner", omega, 9.9, 0.00691, latent=False)
    model = WheatModel(
        **{
            **{k: getattr(WHEAT, k) for k in WheatModel.__dataclass_fields__},
            "fungicides": (WHEAT.fungicides[0], partner),
        }
    )
    psi = math.log(simulate_season(model, passes(model, (1, 1), (1, 1))).selection_ratio) / math.log(
        wheat("HH_1.0").selection_ratio
    )
    assert psi == pytest.approx(expect[f"omega_{omega:.2f}"], abs=expect["tol"])


def test_selection_rises_with_dose() -> None:
    expect = check("dose_monotone")["expect"]
    found = []
    for dose in (0.05, 0.1, 0.25, 0.5, 1, 2):
        found.append(ln_sr(solo(1456, dose=dose)))
        assert found[-1] == pytest.approx(expect[f"D{dose}"], abs=expect["tol"])
    assert found == sorted(found)


def test_splitting_raises_selection() -> None:
    """One full dose, two halves, four quarters. The note does not say when the quarters go on: between GS32
    and GS39 they give less than the prototype's figure, between GS32 and GS61 more, and always more than
    two halves."""
    expect = check("splitting_raises_selection")["expect"]
    one, two = ln_sr(solo(1700)), ln_sr(solo(1456, 1700, dose=0.5))
    assert one == pytest.approx(expect["one_D1_at_1700"], abs=expect["tol"])
    assert two == pytest.approx(expect["two_D0.5"], abs=expect["tol"])
    narrow, wide = (
        ln_sr(solo(*times, dose=0.25)) for times in ((1456, 1537, 1619, 1700), (1456, 1659, 1862, 2066))
    )
    assert one < two < narrow < expect["four_D0.25"] < wide


def test_more_sprays_select_more() -> None:
    expect = check("more_sprays_more_selection")["expect"]
    assert ln_sr(solo(1456)) == pytest.approx(expect["one"], abs=expect["tol"])
    assert ln_sr(solo(1456, 1700)) == pytest.approx(expect["two"], abs=expect["tol"])
    assert ln_sr(solo(1456, 1700, 2066)) == pytest.approx(expect["three"], abs=expect["tol"])


@pytest.mark.parametrize("cost", [0.1, 0.2, 0.3])
def test_a_cost_without_a_spray_pushes_resistance_back(cost: float) -> None:
    expect = check("cost_without_spray")["expect"]
    assert ln_sr([], genotypes=two_genotypes(WHEAT, cost=cost)) == pytest.approx(
        expect[f"cost_{cost}"], abs=expect["tol"]
    )


def test_one_spray_can_be_sustainable_where_two_are_not() -> None:
    """Mikaberidze et al. 2014 (abstract): with a cost there is a use without selection; the figures are the
    prototype's."""
    strains = two_genotypes(WHEAT, cost=0.3)
    assert ln_sr(solo(1456), genotypes=strains) < 0.0 < ln_sr(solo(1456, 1700), genotypes=strains)


@pytest.mark.parametrize("q", [0, 0.25, 0.5, 0.9, 1])
def test_partial_resistance_scales_selection(q: float) -> None:
    expect = check("partial_resistance_scales")["expect"]
    assert ln_sr(solo(1456, 1700), genotypes=two_genotypes(WHEAT, sensitivity=q)) == pytest.approx(
        expect[f"q{q}"], abs=expect["tol"]
    )


def test_grape_programmes() -> None:
    expect = check("grape_ordering")["expect"]
    cases = {
        "solo": "HH_1.0",
        "H_then_L": "H_then_L",
        "mix_0.5_0.5": "mix_0.5_0.5",
        "L_then_H": "L_then_H",
        "mix_1_1": "mix_1_1",
    }
    for key, name in cases.items():
        found = math.log(simulate_season(GRAPE, passes(GRAPE, *PROGRAMMES[name])).selection_ratio)
        assert found == pytest.approx(expect[key], abs=expect["tol"]), key


# --- an independent integrator ----------------------------------------------------------------------------


def independent_wheat(
    h: tuple[float, float], low: tuple[float, float], f0: float, rtol: float
) -> tuple[float, float]:
    """The wheat season written out again as one system with fungicide as state; SciPy DOP853. Returns ln SR
    and duration."""

    def rhs(t: float, y: np.ndarray) -> list[float]:
        s, er, es, ir, is_, rem, pr, ps, ch, cl, _ = y
        area = s + er + es + ir + is_ + rem
        sig = 0.005 * (t - 2066) / 834 + 0.1 * math.exp(-0.02 * (2900 - t)) if t >= 2066 else 0.0
        eh, el = 1 - math.exp(-9.6 * ch), 0.48 * (1 - math.exp(-9.9 * cl))
        fr = 1.56e-2 * s / area * (1 - el) * (ir + pr)
        fs = 1.56e-2 * s / area * (1 - el) * (1 - eh) * (is_ + ps)
        return [
            1.26e-2 * (4.2 - area) - sig * s - fr - fs,
            fr - sig * er - er / 266,
            fs - sig * es - (1 - eh) * es / 266,
            er / 266 - ir / 456,
            (1 - eh) * es / 266 - is_ / 456,
            (ir + is_) / 456 + sig * (s + er + es),
            -8.5e-3 * pr,
            -8.5e-3 * ps,
            -1.11e-2 * ch,
            -6.91e-3 * cl,
            s + er + es if t >= 2066 else 0.0,
        ]

    y = np.array([0.05, 0, 0, 0, 0, 0, 1.09e-2 * f0, 1.09e-2 * (1 - f0), 0, 0, 0], dtype=float)
    for begin, end in ((1212, 1456), (1456, 1700), (1700, 2066), (2066, 2900)):
        if begin in (1456, 1700):
            y[8] += h[begin == 1700]
            y[9] += low[begin == 1700]
        y = solve_ivp(rhs, (begin, end), y, method="DOP853", rtol=rtol, atol=1e-18).y[:, -1]
    return math.log(y[3] / (y[3] + y[4]) / f0), float(y[10])


@pytest.mark.parametrize(("rtol", "agree"), [(1e-6, 1e-4), (1e-10, 1e-6)])
def test_the_season_agrees_with_an_independent_integrator(rtol: float, agree: float) -> None:
    for f0 in (1e-4, 0.1):
        for h, low in (((1, 1), (0, 0)), ((1, 0), (0, 1)), ((0.3, 0.3), (1, 1))):
            change, duration = independent_wheat(h, low, f0, rtol)
            mine = simulate_season(
                WHEAT, passes(WHEAT, (h[0], low[0]), (h[1], low[1])), (1 - f0, f0), rtol=min(rtol, 1e-9)
            )
            assert math.log(mine.selection_ratio) == pytest.approx(change, abs=agree)
            assert mine.healthy == pytest.approx(duration, rel=agree)


def test_methods_and_tolerances_agree() -> None:
    for model in (WHEAT, GRAPE):
        plan = passes(model, (1, 0.5), (0.5, 1))
        judge = simulate_season(model, plan, method="Radau", rtol=1e-7)
        assert simulate_season(model, plan, method="DOP853", rtol=1e-9).log_odds_change == pytest.approx(
            judge.log_odds_change, abs=2e-5
        )
        assert simulate_season(model, plan).log_odds_change == pytest.approx(judge.log_odds_change, abs=2e-5)


def test_the_batch_agrees_with_one_by_one() -> None:
    rng = np.random.default_rng(3)
    for model, tol in ((WHEAT, 2e-5), (GRAPE, 2e-4)):
        doses = rng.choice([0.0, 0.3, 1.0], (6, 2, 2))
        f0 = np.array([1e-10, 1e-6, 1e-3, 0.01, 0.1, 0.5])
        ends, control = simulate_batch(
            model, (model.first_treatment, model.second_treatment), doses, np.array([1 - f0, f0])
        )
        for p in range(6):
            plan = [
                Treatment(t, tuple(map(float, d)))
                for t, d in zip((model.first_treatment, model.second_treatment), doses[p], strict=True)
            ]
            alone = simulate_season(model, plan, (1 - float(f0[p]), float(f0[p])))
            assert ends[1, p] / f0[p] == pytest.approx(alone.selection_ratio, rel=tol)
            assert control[p] == pytest.approx(alone.control, abs=tol)


def test_a_season_is_quick_enough_to_teach_with() -> None:
    """Not a timed assertion on the 50 ms of the issue (the benchmark shows that): it must only never become
    unusable."""
    begin = time.perf_counter()
    wheat.cache_clear()
    wheat("mix_1_1")
    assert time.perf_counter() - begin < 5.0


# --- index and model --------------------------------------------------------------------------------------

TIMES = (1334.0, 1456.0, 1700.0, 1900.0, 2066.0)


def random_doses(seed: int, count: int) -> np.ndarray:
    """0 to 4 sprays at the times above, doses mixed, with and without partner: (P, T, 2)."""
    rng = np.random.default_rng(seed)
    doses = np.zeros((count, len(TIMES), 2))
    for p in range(count):
        for k in rng.choice(len(TIMES), rng.integers(0, 5), replace=False):
            doses[p, k] = rng.choice([0.0, 0.25, 0.5, 1.0]), rng.choice([0.0, 0.0, 0.5, 1.0])
    return doses


@cache
def index_and_model(seed: int, count: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """ln SR of the model, index, index without partner discount, number of at-risk sprays."""
    doses = random_doses(seed, count)
    f0 = np.full(count, 1e-10)
    ends, _ = simulate_batch(WHEAT, TIMES, doses, np.array([1 - f0, f0]))
    high = Component("H", 1.0, 9.6, math.log(2) / 0.0111)
    low = Component("L", 0.48, 9.9, math.log(2) / 0.00691, at_risk=False)
    days = np.tile(np.array(TIMES), (count, 1))
    index = sel.selection_days_batch(days, doses, (high, low), "H", 2900.0)
    bare = sel.selection_days_batch(days, doses * np.array([1.0, 0.0]), (high, low), "H", 2900.0)
    return np.log(ends[1] / 1e-10), index, bare, (doses[:, :, 0] > 0).sum(axis=1)


def test_index_ranks_200_random_wheat_programmes_as_the_model_does() -> None:
    """Issue: rank correlation at least 0.95 over 200 random programmes, fixed seed."""
    model, index, _, _ = index_and_model(2026, 200)
    assert spearmanr(model, index).statistic >= 0.95
    assert pearsonr(model, index).statistic >= 0.95


def test_index_beats_poorer_stand_ins() -> None:
    """The prototype's 72 programmes cannot be redrawn (another generator), so its values are held as about,
    its order exactly."""
    row = check("index_vs_ode_rank")["expect"]
    model, index, bare, count = index_and_model(1, 72)
    with_partner, without, counting = (spearmanr(model, other).statistic for other in (index, bare, count))
    assert with_partner >= row["spearman_ESD_with_partner_discount_min"]
    assert with_partner > without > counting
    assert without == pytest.approx(row["spearman_without_discount_about"], abs=0.08)
    # Counting sprays is the poorest guide here too, by a margin that depends on how often partners and cut
    # doses were drawn.
    assert row["spearman_spray_count_about"] - 0.05 < counting < with_partner - 0.03
    slope = float(np.sum(model * index) / np.sum(index * index))
    assert slope == pytest.approx(row["slope_per_dd"], rel=0.12)


# --- many seasons -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("key", ["f0_1e-4", "f0_1e-5", "f0_1e-6", "f0_1e-10"])
def test_effective_life_of_the_high_risk_fungicide_alone(key: str) -> None:
    """Hobbelen, Paveley & van den Bosch 2011 (abstract): 3-4 seasons alone. Reproduced from 1e-4 and 1e-5."""
    expect = check("effective_life_solo_prototype")["expect"]
    assert effective_life(WHEAT, solo(1456, 1700), float(key[3:])) == expect[key]
    published = check("effective_life_hobbelen")["expect"]["solo_high_risk_seasons"]
    if key in ("f0_1e-4", "f0_1e-5"):
        assert expect[key] in published


def test_effective_lives_of_the_table() -> None:
    expect = check("effective_life_table")["expect"]
    doses = np.array([PROGRAMMES[name] for name in expect], dtype=float)
    lives = effective_lives(WHEAT, (1456.0, 1700.0), doses)
    assert dict(zip(expect, lives.tolist(), strict=True)) == expect
    assert effective_life(WHEAT, passes(WHEAT, *PROGRAMMES["mix_1_1"])) == expect["mix_1_1"]


@cache
def dose_grid_lives() -> dict[str, np.ndarray]:
    """Best effective life over a 10 x 11 dose grid at an equal seasonal cap. Dose is a teaching variable
    here, never advice."""
    high, low = (a.ravel() for a in np.meshgrid(np.arange(1, 11) / 10, np.arange(0, 11) / 10, indexing="ij"))
    none = np.zeros_like(high)

    def plan(first: tuple[np.ndarray, np.ndarray], second: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
        return np.stack([np.stack(first, -1), np.stack(second, -1)], 1)

    parts = {
        "mixture": plan((high / 2, low / 2), (high / 2, low / 2)),
        "alternation_HL": plan((high, none), (none, low)),
        "alternation_LH": plan((none, low), (high, none)),
        "solo": plan((high / 2, none), (high / 2, none)),
    }
    lives = effective_lives(WHEAT, (1456.0, 1700.0), np.concatenate(list(parts.values())), step=8.0)
    return dict(zip(parts, np.split(lives, len(parts)), strict=True))


def test_best_use_at_equal_dose_is_the_mixture_then_alternation_then_solo() -> None:
    """Conclusion of Elderfield et al. 2018 (title from memory), reproduced; figures are the prototype's."""
    lives = dose_grid_lives()
    assert {name: int(found.max()) for name, found in lives.items()} == check("ordering_best_dose")["expect"]
    # Why: a mixture keeps control over far more of the dose plane (notes: 68 of 110 pairs, alternation 31
    # to 39).
    assert [int((lives[k] > 0).sum()) for k in ("mixture", "alternation_LH", "alternation_HL")] == [
        68,
        31,
        39,
    ]


def test_no_blanket_claim_for_mixtures() -> None:
    """At equal FULL dose alternation lasts as long as a mixture with this weak partner, or longer: no
    `mixtures always win`."""
    expect = check("effective_life_table")["expect"]
    assert expect["L_then_H"] > expect["H_then_L"] > expect["mix_1_1"] > expect["HH_1.0"]


def test_published_life_of_the_best_mixture_is_not_reproduced() -> None:
    """Hobbelen et al. 2011 (abstract) give 12 seasons for full low-risk dose and just enough high-risk
    dose. This model gives more, with the published parameters; start fraction, dose steps and partner there
    were not readable. Kept as a documented difference."""
    published = check("effective_life_hobbelen")["expect"]["best_mixture_seasons_max"]
    low = simulate_season(WHEAT, passes(WHEAT, (0, 1), (0, 1)), (0.9999, 1e-4))
    assert not low.controlled  # the low-risk partner alone does not do
    for f0, prototype in ((1e-4, 17), (1e-5, 19)):
        seasons = adjusted_life(f0)
        assert seasons > published
        assert abs(seasons - prototype) <= 3


def adjusted_life(f0: float) -> int:
    """Full low-risk dose; each season the smallest of 40 high-risk doses that keeps control."""
    steps = np.arange(0, 41) / 40
    doses = np.zeros((len(steps), 2, 2))
    doses[:, :, 0] = steps[:, None]
    doses[:, :, 1] = 1.0
    now = f0
    for season in range(60):
        ends, control = simulate_batch(
            WHEAT,
            (1456.0, 1700.0),
            doses,
            np.array([np.full(len(steps), 1 - now), np.full(len(steps), now)]),
            step=8.0,
        )
        enough = np.flatnonzero(control >= 0.95)
        if not len(enough):
            return season
        now = float(ends[1, enough[0]])
    return 60


def test_stopping_growth_at_flowering_changes_no_life() -> None:
    model = WheatModel(
        **{**{k: getattr(WHEAT, k) for k in WheatModel.__dataclass_fields__}, "growth_stops": True}
    )
    doses = np.array([PROGRAMMES[n] for n in ("HH_1.0", "H_then_L", "L_then_H")], dtype=float)
    assert effective_lives(model, (1456.0, 1700.0), doses).tolist() == [8, 16, 17]


def test_fewer_sprays_yield_more_in_the_long_run() -> None:
    """Taylor & Cunniffe 2023, PLoS Comput Biol 19:e1010969 (abstract), direction only: it holds in the two-
    strain model too."""
    assert "long run" in check("fewer_sprays_long_run")["expect"]
    plans = [solo(1700), solo(1700, 2066), solo(1456, 1700, 2066)]
    kept = [np.cumsum([s.control for s in run_seasons(WHEAT, plan, (1 - 1e-4, 1e-4), 12)]) for plan in plans]
    assert kept[0][1] < kept[1][1] < kept[2][1]  # two seasons: more sprays, more yield
    assert kept[0][11] > kept[1][11] > kept[2][11]  # twelve seasons: fewer sprays, more yield


def test_shifting_sensitivity_shows_the_same_turn() -> None:
    """The form for resistance by degrees: decay (6.91e-3 + 1.11e-2)/2 (notes, section 7); start spread and
    mutation are our reading."""
    life = math.log(2) / ((6.91e-3 + 1.11e-2) / 2)
    disease = []
    for times in ((1700.0,), (1700.0, 2066.0), (1456.0, 1700.0, 2066.0)):
        population = SensitivityProfile.gamma(6.0, 4.0)
        exposures = [
            sel.selection_days_solo(
                [Spray(t, Component("3", 1.0, k, life)) for t in times], 2900.0, start=1212.0
            )
            for k in population.kappas
        ]
        means = [population.mean]
        for _ in range(20):
            population.season(exposures, 0.0061, 1688.0)
            means.append(population.mean)
        assert means == sorted(
            means, reverse=True
        )  # without mutation the mean curvature can only fall (derivation)
        assert sum(population.shares) == pytest.approx(1.0, abs=1e-12)
        disease.append(population.history)
    assert disease[0][0] > disease[1][0] > disease[2][0]
    assert disease[0][14] < disease[1][14] < disease[2][14]
    mixed = SensitivityProfile.gamma(6.0, 4.0, mutation=0.2)
    mixed.season([0.0] * len(mixed.kappas), 0.006, 1688.0)
    assert sum(mixed.shares) == pytest.approx(1.0, abs=1e-12)


# --- four strains -----------------------------------------------------------------------------------------


def two_at_risk() -> WheatModel:
    """Taylor & Cunniffe 2023: both fungicides high risk (omega 1, theta 9.6, lam 1.11e-2)."""
    base = {k: getattr(WHEAT, k) for k in WheatModel.__dataclass_fields__}
    return WheatModel(**{**base, "fungicides": (WHEAT.fungicides[0], WHEAT.fungicides[0])})


def test_a_mixture_slows_each_resistance_but_never_the_double_one() -> None:
    model = two_at_risk()
    start = (1 - 2e-6 - 1e-10, 1e-6, 1e-6, 1e-10)
    mixed = simulate_season(model, passes(model, (1, 1), (1, 1)), start, genotypes=four_genotypes())
    alone = simulate_season(model, passes(model, (1, 0), (1, 0)), start, genotypes=four_genotypes())
    gain = [math.log(e / s) for e, s in zip(mixed.fractions, start, strict=True)]
    first_alone = math.log(alone.fractions[1] / start[1])
    assert gain[1] < first_alone < gain[3]
    assert gain[1] == pytest.approx(gain[2], abs=1e-6)  # the two fungicides are alike


def test_recombination_keeps_frequencies_and_breaks_association() -> None:
    start = (0.7, 0.1, 0.05, 0.15)
    for share in (0.0, 0.4, 1.0):
        ss, rs, sr, rr = recombine(start, share)
        assert ss + rs + sr + rr == pytest.approx(1.0)
        assert rs + rr == pytest.approx(0.25) and sr + rr == pytest.approx(0.2)
    assert recombine(start, 1.0)[3] == pytest.approx(0.25 * 0.2)
    seasons = run_seasons(
        two_at_risk(),
        passes(two_at_risk(), (1, 1), (1, 1)),
        (0.98, 0.01, 0.0099, 1e-4),
        2,
        genotypes=four_genotypes(),
        recombining=0.5,
    )
    assert sum(seasons[1].fractions) == pytest.approx(1.0)


def test_a_rotation_of_plans_over_the_years() -> None:
    """Two plans in turn: season 2 runs the second plan from the end of season 1."""
    first, second = solo(1456, 1700), passes(WHEAT, (0, 1), (0, 1))
    turned = run_seasons(WHEAT, [first, second], (1 - 1e-6, 1e-6), 3)
    assert turned[1].fractions[1] == pytest.approx(
        turned[0].fractions[1], rel=1e-4
    )  # the low-risk season selects nothing
    assert turned[2].log_odds_change == pytest.approx(turned[0].log_odds_change, abs=1e-3)


# --- textbook recursions ----------------------------------------------------------------------------------


def test_haploid_generations() -> None:
    row = check("haploid_generations")
    g, want = row["inputs"], row["expect"]
    assert haploid_generations(g["f0"], g["kill"], g["target"]) == pytest.approx(
        want["fully_exposed"], abs=want["tol"]
    )
    assert haploid_generations(g["f0"], g["kill"], g["target"], exposed=0.5) == pytest.approx(
        want["half_exposed"], abs=want["tol"]
    )


@pytest.mark.parametrize(("key", "dominance"), [("h0", 0.0), ("h0.1", 0.1), ("h0.5", 0.5), ("h1", 1.0)])
def test_diploid_dominance(key: str, dominance: float) -> None:
    row = check("diploid_dominance")
    g = row["inputs"]
    assert diploid_generations(g["p0"], g["kill"], g["target"], dominance) == row["expect"][key]


def test_diploid_recursion_gives_up_in_words() -> None:
    with pytest.raises(ArithmeticError, match="not reached"):
        diploid_generations(1e-3, 0.0, 0.5, 0.5, most=10)


# --- bad input --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bad", "says"),
    [
        (lambda: simulate_season(WHEAT, [Treatment(1456, (1.0,))]), "a dose for each"),
        (lambda: simulate_season(WHEAT, [Treatment(1456, (-1.0, 0.0))]), "fractions of the label rate"),
        (lambda: simulate_season(WHEAT, [Treatment(10, (1.0, 0.0))]), "outside the season"),
        (lambda: simulate_season(WHEAT, [], (0.5, 0.6)), "sum to 1"),
        (lambda: simulate_season(WHEAT, [], (1.0,)), "as many start fractions"),
        (lambda: simulate_season(two_at_risk(), genotypes=four_genotypes()), "start fraction of each"),
        (lambda: simulate_batch(WHEAT, (1456.0,), np.zeros((2, 2, 2)), np.ones((2, 2))), "doses must be"),
        (lambda: simulate_batch(WHEAT, (1456.0,), np.zeros((2, 1, 2)), np.ones((3, 2))), "fractions must be"),
        (lambda: load_models({}), "season_models.wheat is missing"),
        (lambda: load_models({"season_models": {"wheat": {"start": 1}}}), "lacks first_treatment"),
        (lambda: season_recursion([Strain("S")], {"T": 1.0}, [], 10.0, 0.1), "start fraction"),
        (
            lambda: season_recursion([Strain("S")], {"S": 1.0}, [(2005, [(0.5, [])])], 10.0, 0.1),
            "area shares of 2005",
        ),
        (lambda: season_recursion([Strain("S")], {"S": 1.0}, [], 10.0, 0.1, carry_over=1.0), "carry_over"),
    ],
)
def test_bad_values_are_refused_in_words(bad: Any, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        bad()


# --- field evidence: soybean rust in Brazil ---------------------------------------------------------------

RUST = TRIALS["assumptions"]["rust"]
SERIES = {
    row["id"].removeprefix("rust_br_"): row for row in TRIALS["trends"] if row["id"].startswith("rust_br_")
}
GROUP = {
    active: group
    for row in SERIES.values()
    for active, group in zip(row["actives"], row["groups"], strict=True)
}


def fresh_control(active: str) -> float:
    """Control of a fully sensitive population by one active, as stated in the assumptions."""
    table = RUST["start_control"]
    return float(table.get(active, table["group_11"] if GROUP[active] == "11" else table["other_group_3"]))


@cache
def rust_shares(r: float, f3: float, f11: float, q3: float, alone: tuple[float, ...] = ()) -> tuple[Any, ...]:
    """Strain shares 2005-2014 in the stated landscape: solo triazole and a mixture of groups 11 and 3."""
    life, theta = 5.5, 9.6
    parts = {
        name: Component(GROUP[name], fresh_control(name), theta, life, name)
        for name in ("tebuconazole", "cyproconazole", "azoxystrobin")
    }
    days = RUST["passes"]["days"]
    single = [Spray(float(d), parts["tebuconazole"]) for d in days]
    mixture = [Spray(float(d), parts[name]) for d in days for name in ("cyproconazole", "azoxystrobin")]
    shares = alone or tuple(RUST["landscape"]["alone"].values())
    start = {"S": (1 - f3) * (1 - f11), "D": f3 * (1 - f11), "Q": f11 * (1 - f3), "DQ": f3 * f11}
    plan = [(2005 + k, [(share, single), (1 - share, mixture)]) for k, share in enumerate(shares)]
    return tuple(season_recursion(rust_strains(q3), start, plan, float(RUST["horizon_days"]), r))


def rust_strains(q3: float) -> list[Strain]:
    q11 = RUST["q_group_11"]
    return [Strain("S"), Strain("D", {"3": q3}), Strain("Q", dict(q11)), Strain("DQ", {"3": q3, **q11})]


def predicted(name: str, seasons: tuple[Any, ...], q3: float) -> dict[int, float]:
    efficacy = {active: (GROUP[active], fresh_control(active)) for active in SERIES[name]["actives"]}
    return {s.year: field_control(rust_strains(q3), s.start, efficacy) for s in seasons}


def observed(name: str) -> dict[int, float]:
    return {int(year): percent / 100 for year, percent in SERIES[name]["control_by_year"].items()}


def points_lost(series: dict[int, float], years: list[int]) -> float:
    """Least-squares fall of control over the given years, in points (0..1): one bad season does not
    decide."""
    return -float(np.polyfit(years, [series[y] for y in years], 1)[0]) * (max(years) - min(years))


@cache
def fitted_on_tebuconazole(f11: float, alone: tuple[float, ...] = ()) -> tuple[float, float, float]:
    """Growth rate, start fraction of group 3 and its q, from the tebuconazole series ALONE."""
    seen = observed("tebuconazole")

    def miss(p: np.ndarray) -> list[float]:
        r, f3, q3 = math.exp(p[0]), 1 / (1 + math.exp(-p[1])), float(p[2])
        series = predicted("tebuconazole", rust_shares(r, f3, f11, q3, alone), q3)
        return [series[y] - c for y, c in seen.items()]

    found = least_squares(
        miss, [math.log(0.05), -3.5, 0.4], bounds=([-6, -12, 0], [0, 2, 1]), xtol=1e-6, ftol=1e-6
    )
    return math.exp(found.x[0]), 1 / (1 + math.exp(-found.x[1])), float(found.x[2])


def erosion(f11: float, alone: tuple[float, ...] = ()) -> tuple[dict[str, float], dict[str, float]]:
    r, f3, q3 = fitted_on_tebuconazole(f11, alone)
    seasons = rust_shares(r, f3, f11, q3, alone)
    lost, seen = {}, {}
    for name in SERIES:
        found = observed(name)
        years = sorted(found)
        lost[name] = points_lost(predicted(name, seasons, q3), years)
        seen[name] = points_lost(found, years)
    return lost, seen


MIXTURES = [n for n in SERIES if len(SERIES[n]["actives"]) == 2]
BEST = "trifloxystrobin_prothioconazole"


def test_rust_every_series_erodes_in_trials_and_in_the_recursion() -> None:
    lost, seen = erosion(RUST["start_fraction_group_11"])
    assert set(SERIES) == {"tebuconazole", "cyproconazole", "azoxystrobin", *MIXTURES} and len(MIXTURES) == 5
    assert all(points > 0 for points in seen.values())
    assert all(points > 0 for points in lost.values())


@pytest.mark.parametrize("f11", [1e-4, 1e-3, 1e-2])
def test_rust_order_of_erosion(f11: float) -> None:
    """Tebuconazole alone fastest, mixtures slower, the mixture with the effective partner slowest: in the
    trials and in the recursion, over two orders of magnitude of the assumed start fraction of group 11.
    Only tebuconazole was used to fit it."""
    lost, seen = erosion(f11)
    for found in (seen, lost):
        assert max(found, key=found.__getitem__) == "tebuconazole"
        assert all(found[name] < found["tebuconazole"] for name in MIXTURES)
    assert min((n for n in seen if n in MIXTURES), key=seen.__getitem__) == BEST
    assert min((n for n in lost if n in MIXTURES), key=lost.__getitem__) == BEST


def test_rust_needs_group_11_to_fail_inside_the_series() -> None:
    """With resistance to group 11 as rare as 1e-5 in 2005 no partner fails by 2014, so the partners cannot
    be told apart: that start is refuted by azoxystrobin alone, which fell to 30 %."""
    lost, seen = erosion(1e-5)
    assert lost["azoxystrobin"] < 0.01 < seen["azoxystrobin"]
    assert max(lost, key=lost.__getitem__) == "tebuconazole"


def test_rust_order_does_not_hang_on_the_assumed_landscape() -> None:
    for alone in ((0.3,) * 4 + (0.1,) * 6, (0.9,) * 4 + (0.2,) * 6, (0.5,) * 10):
        lost, _ = erosion(1e-3, alone)
        assert max(lost, key=lost.__getitem__) == "tebuconazole"
        assert min(MIXTURES, key=lost.__getitem__) == BEST


def test_rust_fit_is_close_and_the_rest_is_ranked_but_not_matched() -> None:
    r, f3, q3 = fitted_on_tebuconazole(RUST["start_fraction_group_11"])
    seen = observed("tebuconazole")
    series = predicted("tebuconazole", rust_shares(r, f3, RUST["start_fraction_group_11"], q3), q3)
    assert math.sqrt(np.mean([(series[y] - c) ** 2 for y, c in seen.items()])) < 0.11
    lost, trials = erosion(RUST["start_fraction_group_11"])
    names = list(SERIES)
    assert spearmanr([lost[n] for n in names], [trials[n] for n in names]).statistic > 0.5


def test_rust_where_the_recursion_fails_is_said() -> None:
    """The misses are facts of the comparison: each is named in trial_trends.yaml, and this test keeps the
    text honest."""
    lost, trials = erosion(RUST["start_fraction_group_11"])
    text = " ".join(RUST["does_not_reproduce"])
    assert (
        trials["pyraclostrobin_metconazole"] > 2 * lost["pyraclostrobin_metconazole"]
        and "metconazole" in text
    )
    r, f3, q3 = fitted_on_tebuconazole(RUST["start_fraction_group_11"])
    seasons = rust_shares(r, f3, RUST["start_fraction_group_11"], q3)
    cyproconazole = predicted("cyproconazole", seasons, q3)
    assert cyproconazole[2013] < observed("cyproconazole")[2013] - 0.2 and "cyproconazole alone" in text
    tebuconazole = predicted("tebuconazole", seasons, q3)
    assert tebuconazole[2013] < observed("tebuconazole")[2013] - 0.1 and "2013" in text
    mixture = predicted("azoxystrobin_cyproconazole", seasons, q3)
    assert mixture[2014] > observed("azoxystrobin_cyproconazole")[2014] + 0.1 and "2014" in text


def test_rust_index_puts_the_programmes_in_the_same_order() -> None:
    """Each treatment as if it were the whole region's programme: group 3 selection days of three passes,
    with the stated efficacies."""

    def days(*actives: str, q_partner: bool = False) -> float:
        parts = []
        for name in actives:
            omega = fresh_control(name) * (RUST["q_group_11"].get(name, 1.0) if q_partner else 1.0)
            parts.append(Component(GROUP[name], omega, 9.6, 5.5, name))
        return sel.selection_days(
            [Spray(float(d), c) for d in RUST["passes"]["days"] for c in parts], "3", RUST["horizon_days"]
        )

    alone = days("tebuconazole")
    weak = days("cyproconazole", "azoxystrobin", q_partner=True)
    strong = days("prothioconazole", "trifloxystrobin", q_partner=True)
    assert alone > weak > strong
    # A partner that the fungus already resists is hardly a partner: the audit must not count it as one.
    assert weak > 1.3 * days("cyproconazole", "azoxystrobin")


def test_rust_partner_value_shrinks_where_group_11_was_failing() -> None:
    """Same-trial comparison, mixtures against cyproconazole alone: the lead shrank. In the recursion it
    shrinks as well."""
    shrinking = [p for p in TRIALS["partner_value"] if p["solo"] == ["cyproconazole"]]
    assert shrinking and all(p["ci95"][0] > 0 for p in shrinking)
    r, f3, q3 = fitted_on_tebuconazole(1e-2)
    seasons = rust_shares(r, f3, 1e-2, q3)
    mixed, alone = (predicted(name, seasons, q3) for name in ("azoxystrobin_cyproconazole", "cyproconazole"))
    assert (1 - mixed[2014]) / (1 - alone[2014]) > (1 - mixed[2010]) / (1 - alone[2010])


# --- field evidence: white mold, the counter-example ------------------------------------------------------

MOLD = TRIALS["assumptions"]["white_mold"]
MOLD_SERIES = [row for row in TRIALS["trends"] if row["id"].startswith("wm_br_")]


def mold_slope(row: dict[str, Any], *, r: float | None, carry_over: float, f0: float) -> float:
    """Yearly slope of ln(treated/check) over the series, all actives of the treatment resisted together
    (the worst case)."""
    control = row["start"][0] / 100
    days = [float(d) for d in MOLD["passes"]["days"]] if row["sprays"] == 2 else [0.0, 7.0, 14.0, 21.0]
    component = Component("treatment", control, 9.6, 5.5, "treatment")
    sprays = [Spray(day, component) for day in days]
    strains = [Strain("S"), Strain("R", {"treatment": 0.0})]
    horizon = float(MOLD["horizon_days"])
    rate = r if r is not None else -math.log(1 - control) / sel.selection_days(sprays, "treatment", horizon)
    first, last = row["years"]
    plan = [(year, [(1.0, sprays)]) for year in range(first, last + 1)]
    seasons = season_recursion(strains, {"S": 1 - f0, "R": f0}, plan, horizon, rate, carry_over=carry_over)
    left = [
        math.log(1 - field_control(strains, s.start, {"treatment": ("treatment", control)})) for s in seasons
    ]
    return float(np.polyfit([s.year for s in seasons], left, 1)[0])


@pytest.mark.parametrize("row", MOLD_SERIES, ids=lambda row: row["id"])
def test_white_mold_does_not_erode(row: dict[str, Any]) -> None:
    """Ten seasons, no erosion. One infection cycle a season and a bank of sclerotia: the recursion stays
    inside the trial's interval."""
    assert row["verdict"] == "no clear change"
    slope = mold_slope(row, r=None, carry_over=MOLD["carry_over"], f0=MOLD["start_fraction"])
    assert 0.0 <= slope < 0.01
    assert row["ci95"][0] <= slope <= row["ci95"][1]


def test_white_mold_is_a_real_test_because_other_assumptions_would_fail_it() -> None:
    """Neither answer is built in: the same programme with rust's growth rate and start erodes, and without
    the bank it begins to."""
    assert len(MOLD_SERIES) == 5
    row = next(r for r in MOLD_SERIES if r["id"] == "wm_br_fluopyram_2x")
    r, f3, _ = fitted_on_tebuconazole(RUST["start_fraction_group_11"])
    as_rust = mold_slope(row, r=None, carry_over=0.0, f0=f3)
    assert as_rust > row["ci95"][1]
    calm = mold_slope(row, r=None, carry_over=MOLD["carry_over"], f0=MOLD["start_fraction"])
    assert mold_slope(row, r=None, carry_over=0.0, f0=MOLD["start_fraction"]) > 10 * calm
    assert mold_slope(row, r=r, carry_over=MOLD["carry_over"], f0=1e-12) == pytest.approx(0.0, abs=1e-6)


def test_index_alone_cannot_tell_rust_from_white_mold() -> None:
    """Two passes of a good active give much the same selection days on both diseases: days rank programmes
    on ONE target; whether and when control is lost needs the growth rate, the start fraction and the life
    of resting bodies, which must be stated."""
    active = Component("7", 0.8, 9.6, 5.5)
    mold = sel.selection_days([Spray(0.0, active), Spray(10.0, active)], "7", 28.0)
    rust = sel.selection_days([Spray(0.0, active), Spray(21.0, active)], "7", 42.0)
    assert 0.6 < mold / rust < 1.0
    assert sel.seasons_to_fraction(None, mold, None, 0.5) is None
