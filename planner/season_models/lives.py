"""Seasons in a row: strain fractions handed on, effective life, many programmes at once."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, TypeAlias

from planner.season_models.models import Genotype, Model, Season, State, Treatment, WheatModel, two_genotypes
from planner.season_models.season import cuts_of, disease_free, late_from, left_by, simulate_season

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    FloatArray: TypeAlias = NDArray[np.float64]


def recombine(fractions: Sequence[float], share: float) -> tuple[float, ...]:
    """Sexual step between seasons for four genotypes SS, RS, SR, RR: a ``share`` of offspring mates at
    random.

    The frequencies of both resistances are kept; their association fades (linkage equilibrium at share 1,
    unlinked loci).
    """
    ss, rs, sr, rr = fractions
    first, second = rs + rr, sr + rr
    mixed = ((1 - first) * (1 - second), first * (1 - second), (1 - first) * second, first * second)
    return tuple((1.0 - share) * a + share * b for a, b in zip((ss, rs, sr, rr), mixed, strict=True))


def run_seasons(
    model: Model,
    programme: Sequence[Treatment] | Sequence[Sequence[Treatment]],
    fractions: Sequence[float],
    seasons: int,
    *,
    genotypes: Sequence[Genotype] | None = None,
    recombining: float = 0.0,
    rtol: float = 1e-7,
) -> list[Season]:
    """Several seasons in a row.

    programme: the passes of every season, or one list of passes per season, repeated in turn (a rotation
    plan).
    recombining: share of sexual offspring between seasons (four genotypes only).
    """
    plans: list[list[Treatment]]
    if programme and not isinstance(programme[0], Treatment):
        plans = [list(plan) for plan in programme]  # type: ignore[arg-type]
    else:
        plans = [list(programme)]  # type: ignore[arg-type]
    strains = tuple(genotypes) if genotypes is not None else two_genotypes(model)
    now = tuple(fractions)
    found: list[Season] = []
    for k in range(seasons):
        season = simulate_season(model, plans[k % len(plans)], now, genotypes=strains, rtol=rtol)
        found.append(season)
        now = season.fractions
        if recombining and len(strains) == 4:
            now = recombine(now, recombining)
    return found


def effective_life(
    model: Model,
    treatments: Sequence[Treatment],
    f0: float | None = None,
    *,
    genotypes: Sequence[Genotype] | None = None,
    most: int = 100,
) -> int:
    """Seasons that the programme keeps control, before the first that fails (0: it fails in the first); at
    most ``most``."""
    strains = tuple(genotypes) if genotypes is not None else two_genotypes(model)
    start = model.start_fraction if f0 is None else f0
    now: tuple[float, ...] = (1.0 - start, start)
    for k in range(most):
        season = simulate_season(model, treatments, now, genotypes=strains, rtol=1e-7)
        if not season.controlled:
            return k
        now = season.fractions
    return most


def simulate_batch(
    model: Model,
    times: Sequence[float],
    doses: FloatArray,
    fractions: FloatArray,
    *,
    genotypes: Sequence[Genotype] | None = None,
    step: float | None = None,
) -> tuple[FloatArray, FloatArray]:
    """One season of many programmes at once, by fixed-step Runge-Kutta (order 4), all arrays moved together.

    times (T,): passes, the same for all; doses (P, T, F); fractions (G, P): start shares.  step: at most
    this long (default 4 degree-days or 0.25 days).  Returns end shares (G, P) and control (P,).
    """
    import numpy as np

    strains = tuple(genotypes) if genotypes is not None else two_genotypes(model)
    amount = np.asarray(doses, dtype=np.float64)
    now = np.asarray(fractions, dtype=np.float64)
    if amount.ndim != 3 or amount.shape[1:] != (len(times), len(model.fungicides)):
        raise ValueError(f"doses must be (P, {len(times)}, {len(model.fungicides)}), not {amount.shape}")
    if now.shape != (len(strains), amount.shape[0]):
        raise ValueError(f"fractions must be ({len(strains)}, {amount.shape[0]}), not {now.shape}")
    most = step if step is not None else (4.0 if isinstance(model, WheatModel) else 0.25)
    n = len(strains)
    state: State = model.initial(list(now))
    held = np.zeros((len(model.fungicides), amount.shape[0]))
    decay = np.array([f.decay for f in model.fungicides])[:, None]
    late_start = late_from(model)
    peak = np.zeros(amount.shape[0])
    cuts = cuts_of(model, times)

    def moved(y: State, k: State, h: float) -> State:
        return [a + h * b for a, b in zip(y, k, strict=True)]

    for begin, end in itertools.pairwise(cuts):
        state = model.event(begin, state)
        for j, time in enumerate(times):
            if time == begin:
                held = held + amount[:, j, :].T
        late = begin >= late_start
        steps = max(1, math.ceil((end - begin) / most - 1e-9))
        h = (end - begin) / steps
        half = np.exp(-decay * h / 2.0)
        reach, ripen = left_by(model, strains, list(held), np.exp)
        for k in range(steps):
            t = begin + k * h
            middle = held * half
            ahead = middle * half
            reach2, ripen2 = left_by(model, strains, list(middle), np.exp)
            reach3, ripen3 = left_by(model, strains, list(ahead), np.exp)
            k1 = model.derivative(t, state, reach, ripen, late)
            k2 = model.derivative(t + h / 2, moved(state, k1, h / 2), reach2, ripen2, late)
            k3 = model.derivative(t + h / 2, moved(state, k2, h / 2), reach2, ripen2, late)
            k4 = model.derivative(t + h, moved(state, k3, h), reach3, ripen3, late)
            state = [
                y + (h / 6.0) * (a + 2.0 * (b + c) + d)
                for y, a, b, c, d in zip(state, k1, k2, k3, k4, strict=True)
            ]
            held, reach, ripen = ahead, reach3, ripen3
        if model.watched(end):
            peak = np.maximum(peak, model.severity(state, n))
    sick = np.array(model.infectious(state, n))
    control = np.broadcast_to(model.healthy(state, peak), peak.shape) / disease_free(model)
    return sick / sick.sum(axis=0), control


def effective_lives(
    model: Model,
    times: Sequence[float],
    doses: FloatArray,
    f0: float | None = None,
    *,
    most: int = 60,
    genotypes: Sequence[Genotype] | None = None,
    step: float | None = None,
) -> NDArray[np.int64]:
    """Effective life of many programmes at once, shape (P,); ``most`` where the programme outlasts that
    many seasons.

    Teaching and checks only: a grid over doses is how the published comparison of mixtures and alternations
    was made.
    """
    import numpy as np

    amount = np.asarray(doses, dtype=np.float64)
    count = amount.shape[0]
    start = model.start_fraction if f0 is None else f0
    now = np.array([np.full(count, 1.0 - start), np.full(count, start)])
    lives = np.full(count, most, dtype=np.int64)
    alive = np.arange(count)
    for k in range(most):
        ends, control = simulate_batch(
            model, times, amount[alive], now[:, alive], genotypes=genotypes, step=step
        )
        failing = control < 1.0 - model.critical_loss
        lives[alive[failing]] = k
        now[:, alive] = ends
        alive = alive[~failing]
        if not len(alive):
            break
    return lives
