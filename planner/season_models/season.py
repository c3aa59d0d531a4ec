"""One season of a model, integrated with SciPy."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Sequence
from typing import Any, Literal

from planner.season_models.models import (
    Genotype,
    GrapeModel,
    Model,
    Season,
    State,
    Treatment,
    Value,
    WheatModel,
    two_genotypes,
)
from planner.selection import logit


def late_from(model: Model) -> float:
    return model.senescence_start if isinstance(model, WheatModel) else model.topping


def cuts_of(model: Model, times: Iterable[float]) -> list[float]:
    """Start, every change and every pass inside the season, end."""
    inside = {t for t in (*model.breaks, *times) if model.start < t < model.end}
    return [model.start, *sorted(inside), model.end]


def left_by(
    model: Model, genotypes: Sequence[Genotype], amounts: Sequence[Value], exp: Callable[[Any], Any]
) -> tuple[list[Value], list[Value]]:
    """What the fungicides leave of infection and of the end of latency, per genotype (independent action)."""
    eps = [f.omega * (1.0 - exp(-f.theta * a)) for f, a in zip(model.fungicides, amounts, strict=True)]
    reach: list[Value] = []
    ripen: list[Value] = []
    for genotype in genotypes:
        a: Value = 1.0 - genotype.cost
        m: Value = 1.0
        for f, e, q in zip(model.fungicides, eps, genotype.sensitivity, strict=True):
            if q == 0.0:
                continue
            kept = 1.0 - q * e
            if f.infection:
                a = a * kept
            if f.latent:
                m = m * kept
        reach.append(a)
        ripen.append(m)
    return reach, ripen


def _check(
    model: Model, treatments: Sequence[Treatment], genotypes: Sequence[Genotype], fractions: Sequence[float]
) -> None:
    if len(fractions) != len(genotypes):
        raise ValueError(f"{len(genotypes)} genotypes need as many start fractions, not {len(fractions)}")
    if any(f < 0.0 for f in fractions) or abs(sum(fractions) - 1.0) > 1e-6:
        raise ValueError("start fractions must be 0 or more and sum to 1")
    for treatment in treatments:
        if len(treatment.doses) != len(model.fungicides):
            raise ValueError(
                f"a treatment needs a dose for each of the {len(model.fungicides)} fungicides of the model"
            )
        if any(not (d >= 0.0 and math.isfinite(d)) for d in treatment.doses):
            raise ValueError("doses are fractions of the label rate, 0 or more")
        if not model.start <= treatment.time <= model.end:
            raise ValueError(
                f"a treatment at {treatment.time} lies outside the season {model.start:g} to {model.end:g}"
            )


def _trajectory(
    model: Model,
    treatments: Sequence[Treatment],
    fractions: Sequence[float],
    genotypes: Sequence[Genotype],
    method: Literal["LSODA", "DOP853", "Radau"],
    rtol: float,
    disease_free: bool,
) -> tuple[State, float]:
    """Integrate one season with SciPy; final state and peak severity."""
    import numpy as np
    from scipy.integrate import solve_ivp

    n = len(genotypes)
    state = model.initial([0.0] * n if disease_free else list(fractions))
    atol = np.array([rtol * 1e-3 * size for size in model.scales(fractions)])
    amounts = [0.0] * len(model.fungicides)
    cuts = cuts_of(model, (t.time for t in treatments))
    late_start = late_from(model)
    peak = 0.0
    for begin, end in itertools.pairwise(cuts):
        state = model.event(begin, state)
        for treatment in treatments:
            if treatment.time == begin:
                amounts = [a + d for a, d in zip(amounts, treatment.doses, strict=True)]
        late = begin >= late_start
        held = tuple(amounts)
        calm = not any(held)
        unhindered = left_by(model, genotypes, held, math.exp)

        def rhs(
            t: float,
            y: Any,
            begin: float = begin,
            held: tuple[float, ...] = held,
            late: bool = late,
            calm: bool = calm,
            unhindered: tuple[list[float], list[float]] = unhindered,
        ) -> State:
            if calm:
                reach, ripen = unhindered
            else:
                now = [
                    a * math.exp(-f.decay * (t - begin)) for f, a in zip(model.fungicides, held, strict=True)
                ]
                reach, ripen = left_by(model, genotypes, now, math.exp)
            return model.derivative(t, y.tolist(), reach, ripen, late)

        found = solve_ivp(rhs, (begin, end), state, method=method, rtol=rtol, atol=atol)
        if not found.success:
            raise ArithmeticError(f"the season could not be integrated: {found.message}")
        state = found.y[:, -1].tolist()
        amounts = [
            a * math.exp(-f.decay * (end - begin)) for f, a in zip(model.fungicides, amounts, strict=True)
        ]
        if model.watched(end):
            peak = max(peak, float(model.severity(state, n)))
    return state, peak


_FREE: dict[Model, float] = {}


def disease_free(model: Model) -> float:
    """What a season without disease gives: healthy-area duration (wheat), 1 (grape).  Kept per model."""
    if model not in _FREE:
        if isinstance(model, GrapeModel):
            _FREE[model] = 1.0
        else:
            state, peak = _trajectory(model, (), (1.0, 0.0), two_genotypes(model), "LSODA", 1e-9, True)
            _FREE[model] = float(model.healthy(state, peak))
    return _FREE[model]


def simulate_season(
    model: Model,
    treatments: Sequence[Treatment] = (),
    fractions: Sequence[float] | None = None,
    *,
    genotypes: Sequence[Genotype] | None = None,
    method: Literal["LSODA", "DOP853", "Radau"] = "LSODA",
    rtol: float = 1e-8,
) -> Season:
    """One season.

    fractions: start share of each genotype (default: the model's start fraction of the resistant one of two).
    genotypes: default sensitive and resistant.  Raises ValueError for shapes, doses or times that do not fit.
    """
    strains = tuple(genotypes) if genotypes is not None else two_genotypes(model)
    if fractions is None:
        if len(strains) != 2:
            raise ValueError("give the start fraction of each genotype")
        fractions = (1.0 - model.start_fraction, model.start_fraction)
    _check(model, treatments, strains, fractions)
    state, peak = _trajectory(model, treatments, fractions, strains, method, rtol, False)
    sick = [max(v, 0.0) for v in model.infectious(state, len(strains))]
    total = sum(sick)
    shares = tuple(v / total for v in sick)
    healthy = float(model.healthy(state, peak))
    control = healthy / disease_free(model)
    first, last = fractions[-1], shares[-1]
    ratio = last / first if first > 0.0 else math.nan
    # Odds from the tissue itself, so that a resistant share of 1e-10 keeps its digits.
    others = sum(sick[:-1])
    change = (
        (math.log(sick[-1] / others) - logit(first))
        if 0.0 < first < 1.0 and others > 0.0 and last > 0.0
        else math.nan
    )
    return Season(shares, ratio, change, control, healthy, control >= 1.0 - model.critical_loss)
