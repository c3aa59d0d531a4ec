"""Season models: does a programme still control disease while it selects, and for how many seasons?

The index of ``planner.selection`` ranks programmes.  This module answers the two questions the index leaves open, for the two
published parameter sets (winter wheat with septoria leaf blotch, grapevine with powdery mildew), with the seasonal model of
healthy, latent, infectious and removed tissue, primary inoculum and decaying fungicide.  Source of equations and values:
``catalog/selection.yaml`` (``elderfield-2018``; four strains after ``taylor-2023``).  Units of time: degree-days for wheat, days
for grape; areas in leaf area index and cm2; doses as fractions of the full label rate.

Between seasons everything is reset except the strain fractions, taken from the infectious tissue at the end.

It also holds the season-to-season recursion that needs no epidemic (``season_recursion``), the shifting form for resistance that
comes by degrees (``SensitivityProfile``) and the textbook recursions for haploids and diploids, for lessons and checks.

Doses are a teaching variable here: grids over doses exist to reproduce published results.  They are never advice; no rate below the
label is ever advised.  SciPy and numpy are imported inside the functions, so that commands which do not need them start quickly.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

from planner.selection import Spray, Strain, logit, relative_growth_days

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    FloatArray: TypeAlias = NDArray[np.float64]

__all__ = [
    "Fungicide", "GrapeModel", "Genotype", "Season", "SensitivityProfile", "Treatment", "WheatModel", "diploid_generations",
    "effective_life", "effective_lives", "field_control", "four_genotypes", "haploid_generations", "load_models", "recombine",
    "run_seasons", "season_recursion", "simulate_batch", "simulate_season", "two_genotypes",
]


# ------------------------------------------------------------------------------------------------------------------
# plain values


@dataclass(frozen=True, slots=True)
class Fungicide:
    """A fungicide of a season model: omega, theta (per label rate), decay (1/time) and the stages it acts on."""

    name: str
    omega: float
    theta: float
    decay: float
    infection: bool = True
    latent: bool = True


@dataclass(frozen=True, slots=True)
class Genotype:
    """A strain: remaining sensitivity q to each fungicide of the model, in their order; cost = share of transmission lost."""

    name: str
    sensitivity: tuple[float, ...]
    cost: float = 0.0


@dataclass(frozen=True, slots=True)
class Treatment:
    """A pass: time (model units) and the dose of each fungicide of the model, in their order."""

    time: float
    doses: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Season:
    """Outcome of one season.

    fractions: strain shares of the infectious tissue at the end.  selection_ratio: end/start share of the last genotype (the
    resistant one of two; the doubly resistant one of four).  log_odds_change: of that genotype.  control: what is kept, as a share
    of the disease-free season (wheat: healthy-area duration; grape: 1 - peak share of diseased area).  healthy: wheat healthy-area
    duration, grape 1 - peak; controlled: whether the loss stays within the model's critical loss.
    """

    fractions: tuple[float, ...]
    selection_ratio: float
    log_odds_change: float
    control: float
    healthy: float
    controlled: bool


def two_genotypes(model: WheatModel | GrapeModel, *, sensitivity: float = 0.0, cost: float = 0.0) -> tuple[Genotype, ...]:
    """Sensitive, and resistant to the model's first fungicide with ``sensitivity`` (q) left."""
    count = len(model.fungicides)
    return (Genotype("sensitive", (1.0,) * count),
            Genotype("resistant", (sensitivity,) + (1.0,) * (count - 1), cost))


def four_genotypes(*, sensitivity: float = 0.0) -> tuple[Genotype, ...]:
    """SS, RS, SR, RR against two at-risk partners (R at the first place: resistant to the first fungicide)."""
    q = sensitivity
    return (Genotype("SS", (1.0, 1.0)), Genotype("RS", (q, 1.0)), Genotype("SR", (1.0, q)), Genotype("RR", (q, q)))


# A state entry is one number, or one number per programme: the equations below are written once for both.
_Value: TypeAlias = Any
_State: TypeAlias = list[_Value]


@dataclass(frozen=True, slots=True)
class WheatModel:
    """Winter wheat and septoria leaf blotch (units in catalog/selection.yaml)."""

    start: float
    first_treatment: float
    second_treatment: float
    senescence_start: float
    end: float
    growth: float
    capacity: float
    canopy_start: float
    transmission: float
    latent_rate: float
    removal_rate: float
    inoculum_decay: float
    inoculum: float
    start_fraction: float
    critical_loss: float
    fungicides: tuple[Fungicide, ...]
    growth_stops: bool = False

    @property
    def breaks(self) -> tuple[float, ...]:
        """Times at which the equations change."""
        return (self.senescence_start,)

    def initial(self, fractions: Sequence[_Value]) -> _State:
        """S, removed, duration, then latent, infectious and primary inoculum of each strain."""
        zero = fractions[0] * 0.0
        return [zero + self.canopy_start, zero, zero,
                *(zero for _ in fractions), *(zero for _ in fractions), *(f * self.inoculum for f in fractions)]

    def scales(self, fractions: Sequence[float]) -> list[float]:
        """Size of each state entry, for error control."""
        shares = [max(f, 1e-300) * self.inoculum for f in fractions]
        return [self.capacity, self.capacity, 1000.0, *shares, *shares, *shares]

    def senescence(self, t: float) -> float:
        """sigma(t), per degree-day: 0 before GS61."""
        if t < self.senescence_start:
            return 0.0
        done = (t - self.senescence_start) / (self.end - self.senescence_start)
        return 0.005 * done + 0.1 * math.exp(-0.02 * (self.end - t))

    def derivative(self, t: float, y: _State, reach: Sequence[_Value], ripen: Sequence[_Value], late: bool) -> _State:
        """Right-hand side; reach and ripen: what the fungicides leave of infection and of the end of latency, per strain."""
        n = len(reach)
        s, removed = y[0], y[1]
        latent, infectious, primary = y[3:3 + n], y[3 + n:3 + 2 * n], y[3 + 2 * n:]
        sick = sum(latent)
        area = s + removed + sick + sum(infectious)
        fade = self.senescence(t) if late else 0.0
        force = self.transmission * s / area
        infection = [force * a * (i + p) for a, i, p in zip(reach, infectious, primary, strict=True)]
        ripening = [self.latent_rate * m * e for m, e in zip(ripen, latent, strict=True)]
        dying = [self.removal_rate * i for i in infectious]
        grows = 0.0 if late and self.growth_stops else self.growth
        return [
            grows * (self.capacity - area) - fade * s - sum(infection),
            sum(dying) + fade * (s + sick),
            (s + sick) if late else s * 0.0,
            *(a - fade * e - m for a, e, m in zip(infection, latent, ripening, strict=True)),
            *(m - d for m, d in zip(ripening, dying, strict=True)),
            *(-self.inoculum_decay * p for p in primary),
        ]

    def healthy(self, y: _State, peak: _Value) -> _Value:
        """Healthy-area duration GS61-GS87 (leaf area index x degree-days)."""
        return y[2]

    def severity(self, y: _State, n: int) -> _Value:
        """Not used for wheat."""
        return y[0] * 0.0

    def event(self, time: float, y: _State) -> _State:
        """Nothing happens to the wheat canopy but the passes."""
        return y

    def infectious(self, y: _State, n: int) -> _State:
        return y[3 + n:3 + 2 * n]

    def watched(self, time: float) -> bool:
        """Whether the end of a step at this time counts for the peak severity."""
        return False


@dataclass(frozen=True, slots=True)
class GrapeModel:
    """Grapevine and powdery mildew, with shoot topping and leaves that outgrow infection (units in catalog/selection.yaml)."""

    start: float
    first_treatment: float
    second_treatment: float
    topping: float
    topping_loss: float
    yield_start: float
    yield_end: float
    end: float
    growth: tuple[float, float]
    capacity: tuple[float, float]
    growth_origin: tuple[float, float]
    canopy_start: float
    transmission: tuple[float, float]
    latent_rate: float
    removal_rate: float
    ontogenic: float
    inoculum: float
    start_fraction: float
    critical_loss: float
    fungicides: tuple[Fungicide, ...]

    @property
    def breaks(self) -> tuple[float, ...]:
        """Times at which the equations change, and each day on which the peak is read."""
        return (self.topping, *range(int(self.yield_start), int(self.yield_end) + 1))

    def initial(self, fractions: Sequence[_Value]) -> _State:
        """S, removed, outgrown, then latent and infectious area of each strain."""
        zero = fractions[0] * 0.0
        return [zero + self.canopy_start, zero, zero, *(f * self.inoculum for f in fractions), *(zero for _ in fractions)]

    def scales(self, fractions: Sequence[float]) -> list[float]:
        """Size of each state entry, for error control."""
        shares = [max(f, 1e-300) * self.inoculum for f in fractions]
        return [100.0, 1.0, 100.0, *shares, *shares]

    def derivative(self, t: float, y: _State, reach: Sequence[_Value], ripen: Sequence[_Value], late: bool) -> _State:
        """Right-hand side; ``late`` is the time after shoot topping."""
        n = len(reach)
        k = 1 if late else 0
        s, removed, outgrown = y[0], y[1], y[2]
        latent, infectious = y[3:3 + n], y[3 + n:3 + 2 * n]
        area = s + removed + outgrown + sum(latent) + sum(infectious)
        ratio = (self.capacity[k] / self.growth_origin[k] - 1.0) * math.exp(
            -self.growth[k] * (t - (self.topping if late else self.start)))
        gain = self.growth[k] * self.capacity[k] * ratio / (1.0 + ratio) ** 2
        force = self.transmission[k] * s / area
        infection = [force * a * i for a, i in zip(reach, infectious, strict=True)]
        ripening = [self.latent_rate * m * e for m, e in zip(ripen, latent, strict=True)]
        dying = [self.removal_rate * i for i in infectious]
        ageing = self.ontogenic * s
        return [
            gain - ageing - sum(infection), sum(dying), ageing,
            *(a - m for a, m in zip(infection, ripening, strict=True)),
            *(m - d for m, d in zip(ripening, dying, strict=True)),
        ]

    def healthy(self, y: _State, peak: _Value) -> _Value:
        """1 - peak share of diseased area in the 30 days after flowering."""
        return 1.0 - peak

    def severity(self, y: _State, n: int) -> _Value:
        """Share of the living area that is infectious."""
        sick = sum(y[3 + n:3 + 2 * n])
        return sick / (y[0] + y[2] + sum(y[3:3 + n]) + sick)

    def event(self, time: float, y: _State) -> _State:
        """Shoot topping takes its share of every kind of leaf."""
        return [v * (1.0 - self.topping_loss) for v in y] if time == self.topping else y

    def infectious(self, y: _State, n: int) -> _State:
        return y[3 + n:3 + 2 * n]

    def watched(self, time: float) -> bool:
        """Whether the end of a step at this time counts for the peak severity."""
        return self.yield_start < time < self.yield_end


Model: TypeAlias = WheatModel | GrapeModel


def load_models(data: Mapping[str, Any], where: str = "catalog/selection.yaml") -> tuple[WheatModel, GrapeModel]:
    """The two published models from the parsed catalogue file (its key ``season_models``).

    Raises ValueError that names what is missing or not a number.
    """
    def build(kind: type[Any], name: str) -> Any:
        row = data.get("season_models", {}).get(name)
        if not isinstance(row, Mapping):
            raise ValueError(f"{where}: season_models.{name} is missing")
        values: dict[str, Any] = {}
        for key in kind.__dataclass_fields__:
            if key == "fungicides":
                values[key] = tuple(Fungicide(**fungicide) for fungicide in row.get(key, ()))
            elif key == "growth_stops":
                continue
            elif key not in row:
                raise ValueError(f"{where}: season_models.{name} lacks {key}; write its number")
            else:
                values[key] = tuple(map(float, row[key])) if isinstance(row[key], Sequence) else float(row[key])
        if not values["fungicides"]:
            raise ValueError(f"{where}: season_models.{name} lacks fungicides; write at least one")
        return kind(**values)

    wheat: WheatModel = build(WheatModel, "wheat")
    grape: GrapeModel = build(GrapeModel, "grape")
    return wheat, grape


# ------------------------------------------------------------------------------------------------------------------
# one season


def _late_from(model: Model) -> float:
    return model.senescence_start if isinstance(model, WheatModel) else model.topping


def _cuts(model: Model, times: Iterable[float]) -> list[float]:
    """Start, every change and every pass inside the season, end."""
    inside = {t for t in (*model.breaks, *times) if model.start < t < model.end}
    return [model.start, *sorted(inside), model.end]


def _left(model: Model, genotypes: Sequence[Genotype], amounts: Sequence[_Value],
          exp: Callable[[Any], Any]) -> tuple[list[_Value], list[_Value]]:
    """What the fungicides leave of infection and of the end of latency, per genotype (independent action)."""
    eps = [f.omega * (1.0 - exp(-f.theta * a)) for f, a in zip(model.fungicides, amounts, strict=True)]
    reach: list[_Value] = []
    ripen: list[_Value] = []
    for genotype in genotypes:
        a: _Value = 1.0 - genotype.cost
        m: _Value = 1.0
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


def _check(model: Model, treatments: Sequence[Treatment], genotypes: Sequence[Genotype], fractions: Sequence[float]) -> None:
    if len(fractions) != len(genotypes):
        raise ValueError(f"{len(genotypes)} genotypes need as many start fractions, not {len(fractions)}")
    if any(f < 0.0 for f in fractions) or abs(sum(fractions) - 1.0) > 1e-6:
        raise ValueError("start fractions must be 0 or more and sum to 1")
    for treatment in treatments:
        if len(treatment.doses) != len(model.fungicides):
            raise ValueError(f"a treatment needs a dose for each of the {len(model.fungicides)} fungicides of the model")
        if any(not (d >= 0.0 and math.isfinite(d)) for d in treatment.doses):
            raise ValueError("doses are fractions of the label rate, 0 or more")
        if not model.start <= treatment.time <= model.end:
            raise ValueError(f"a treatment at {treatment.time} lies outside the season {model.start:g} to {model.end:g}")


def _trajectory(model: Model, treatments: Sequence[Treatment], fractions: Sequence[float], genotypes: Sequence[Genotype],
                method: Literal["LSODA", "DOP853", "Radau"], rtol: float, disease_free: bool) -> tuple[_State, float]:
    """Integrate one season with SciPy; final state and peak severity."""
    import numpy as np
    from scipy.integrate import solve_ivp

    n = len(genotypes)
    state = model.initial([0.0] * n if disease_free else list(fractions))
    atol = np.array([rtol * 1e-3 * size for size in model.scales(fractions)])
    amounts = [0.0] * len(model.fungicides)
    cuts = _cuts(model, (t.time for t in treatments))
    late_from = _late_from(model)
    peak = 0.0
    for begin, end in zip(cuts, cuts[1:], strict=False):
        state = model.event(begin, state)
        for treatment in treatments:
            if treatment.time == begin:
                amounts = [a + d for a, d in zip(amounts, treatment.doses, strict=True)]
        late = begin >= late_from
        held = tuple(amounts)
        calm = not any(held)
        unhindered = _left(model, genotypes, held, math.exp)

        def rhs(t: float, y: Any, begin: float = begin, held: tuple[float, ...] = held, late: bool = late, calm: bool = calm,
                unhindered: tuple[list[float], list[float]] = unhindered) -> _State:
            if calm:
                reach, ripen = unhindered
            else:
                now = [a * math.exp(-f.decay * (t - begin)) for f, a in zip(model.fungicides, held, strict=True)]
                reach, ripen = _left(model, genotypes, now, math.exp)
            return model.derivative(t, y.tolist(), reach, ripen, late)

        found = solve_ivp(rhs, (begin, end), state, method=method, rtol=rtol, atol=atol)
        if not found.success:
            raise ArithmeticError(f"the season could not be integrated: {found.message}")
        state = found.y[:, -1].tolist()
        amounts = [a * math.exp(-f.decay * (end - begin)) for f, a in zip(model.fungicides, amounts, strict=True)]
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


def simulate_season(model: Model, treatments: Sequence[Treatment] = (), fractions: Sequence[float] | None = None, *,
                    genotypes: Sequence[Genotype] | None = None, method: Literal["LSODA", "DOP853", "Radau"] = "LSODA",
                    rtol: float = 1e-8) -> Season:
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
    change = (math.log(sick[-1] / others) - logit(first)) if 0.0 < first < 1.0 and others > 0.0 and last > 0.0 else math.nan
    return Season(shares, ratio, change, control, healthy, control >= 1.0 - model.critical_loss)


# ------------------------------------------------------------------------------------------------------------------
# seasons in a row


def recombine(fractions: Sequence[float], share: float) -> tuple[float, ...]:
    """Sexual step between seasons for four genotypes SS, RS, SR, RR: a ``share`` of offspring mates at random.

    The frequencies of both resistances are kept; their association fades (linkage equilibrium at share 1, unlinked loci).
    """
    ss, rs, sr, rr = fractions
    first, second = rs + rr, sr + rr
    mixed = ((1 - first) * (1 - second), first * (1 - second), (1 - first) * second, first * second)
    return tuple((1.0 - share) * a + share * b for a, b in zip((ss, rs, sr, rr), mixed, strict=True))


def run_seasons(model: Model, programme: Sequence[Treatment] | Sequence[Sequence[Treatment]], fractions: Sequence[float],
                seasons: int, *, genotypes: Sequence[Genotype] | None = None, recombining: float = 0.0,
                rtol: float = 1e-7) -> list[Season]:
    """Several seasons in a row.

    programme: the passes of every season, or one list of passes per season, repeated in turn (a rotation plan).
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


def effective_life(model: Model, treatments: Sequence[Treatment], f0: float | None = None, *,
                   genotypes: Sequence[Genotype] | None = None, most: int = 100) -> int:
    """Seasons that the programme keeps control, before the first that fails (0: it fails in the first); at most ``most``."""
    strains = tuple(genotypes) if genotypes is not None else two_genotypes(model)
    start = model.start_fraction if f0 is None else f0
    now: tuple[float, ...] = (1.0 - start, start)
    for k in range(most):
        season = simulate_season(model, treatments, now, genotypes=strains, rtol=1e-7)
        if not season.controlled:
            return k
        now = season.fractions
    return most


def simulate_batch(model: Model, times: Sequence[float], doses: FloatArray, fractions: FloatArray, *,
                   genotypes: Sequence[Genotype] | None = None, step: float | None = None) -> tuple[FloatArray, FloatArray]:
    """One season of many programmes at once, by fixed-step Runge-Kutta (order 4), all arrays moved together.

    times (T,): passes, the same for all; doses (P, T, F); fractions (G, P): start shares.  step: at most this long (default 4
    degree-days or 0.25 days).  Returns end shares (G, P) and control (P,).
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
    state: _State = model.initial(list(now))
    held = np.zeros((len(model.fungicides), amount.shape[0]))
    decay = np.array([f.decay for f in model.fungicides])[:, None]
    late_from = _late_from(model)
    peak = np.zeros(amount.shape[0])
    cuts = _cuts(model, times)

    def moved(y: _State, k: _State, h: float) -> _State:
        return [a + h * b for a, b in zip(y, k, strict=True)]

    for begin, end in zip(cuts, cuts[1:], strict=False):
        state = model.event(begin, state)
        for j, time in enumerate(times):
            if time == begin:
                held = held + amount[:, j, :].T
        late = begin >= late_from
        steps = max(1, math.ceil((end - begin) / most - 1e-9))
        h = (end - begin) / steps
        half = np.exp(-decay * h / 2.0)
        reach, ripen = _left(model, strains, list(held), np.exp)
        for k in range(steps):
            t = begin + k * h
            middle = held * half
            ahead = middle * half
            reach2, ripen2 = _left(model, strains, list(middle), np.exp)
            reach3, ripen3 = _left(model, strains, list(ahead), np.exp)
            k1 = model.derivative(t, state, reach, ripen, late)
            k2 = model.derivative(t + h / 2, moved(state, k1, h / 2), reach2, ripen2, late)
            k3 = model.derivative(t + h / 2, moved(state, k2, h / 2), reach2, ripen2, late)
            k4 = model.derivative(t + h, moved(state, k3, h), reach3, ripen3, late)
            state = [y + (h / 6.0) * (a + 2.0 * (b + c) + d)
                     for y, a, b, c, d in zip(state, k1, k2, k3, k4, strict=True)]
            held, reach, ripen = ahead, reach3, ripen3
        if model.watched(end):
            peak = np.maximum(peak, model.severity(state, n))
    sick = np.array(model.infectious(state, n))
    control = np.broadcast_to(model.healthy(state, peak), peak.shape) / disease_free(model)
    return sick / sick.sum(axis=0), control


def effective_lives(model: Model, times: Sequence[float], doses: FloatArray, f0: float | None = None, *, most: int = 60,
                    genotypes: Sequence[Genotype] | None = None, step: float | None = None) -> NDArray[np.int64]:
    """Effective life of many programmes at once, shape (P,); ``most`` where the programme outlasts that many seasons.

    Teaching and checks only: a grid over doses is how the published comparison of mixtures and alternations was made.
    """
    import numpy as np

    amount = np.asarray(doses, dtype=np.float64)
    count = amount.shape[0]
    start = model.start_fraction if f0 is None else f0
    now = np.array([np.full(count, 1.0 - start), np.full(count, start)])
    lives = np.full(count, most, dtype=np.int64)
    alive = np.arange(count)
    for k in range(most):
        ends, control = simulate_batch(model, times, amount[alive], now[:, alive], genotypes=genotypes, step=step)
        failing = control < 1.0 - model.critical_loss
        lives[alive[failing]] = k
        now[:, alive] = ends
        alive = alive[~failing]
        if not len(alive):
            break
    return lives


# ------------------------------------------------------------------------------------------------------------------
# recursion on the index, without an epidemic


@dataclass(frozen=True, slots=True)
class RecursionSeason:
    """Strain shares at the start of a season (what its sprays meet) and at its end."""

    year: int
    start: dict[str, float]
    end: dict[str, float]


def season_recursion(strains: Sequence[Strain], start: Mapping[str, float], landscape: Sequence[tuple[int, Sequence[tuple[float, Sequence[Spray]]]]],
                     horizon: float, r: float, *, carry_over: float = 0.0) -> list[RecursionSeason]:
    """Strain shares over the seasons from the index: f_i -> f_i exp(r * growth days of i), renormalised.

    landscape: for each season its year and the programmes used in the region as (share of the area, sprays); shares sum to 1.
    Spores mix between fields within a season, so growth is averaged over the programmes.  r: growth rate per day, stated by
    the caller.  carry_over: share of next season's inoculum that comes from a bank of earlier seasons (resting bodies in soil),
    0 <= carry_over < 1; the bank itself is refreshed at the same pace.
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


def field_control(strains: Sequence[Strain], shares: Mapping[str, float], efficacy: Mapping[str, tuple[str, float]]) -> float:
    """Control (0..1) of a treatment in a mixed population: 1 - sum over strains of share x prod (1 - q x efficacy).

    efficacy: active -> (group code, control of a fully sensitive population by that active).  Independent action (Colby 1967).
    """
    left = 0.0
    for strain in strains:
        kept = 1.0
        for active, (group, omega) in efficacy.items():
            kept *= 1.0 - strain.sensitivity.get(active, strain.sensitivity.get(group, 1.0)) * omega
        left += shares[strain.name] * kept
    return 1.0 - left


# ------------------------------------------------------------------------------------------------------------------
# resistance that comes by degrees, and textbook recursions


@dataclass(slots=True)
class SensitivityProfile:
    """A population spread over a curvature kappa: growth is multiplied by exp(-kappa C) while the residue is C.

    The shifting form used for azoles (Taylor & Cunniffe 2023, PLoS Comput. Biol. 19:e1010969, abstract and model files read).
    kappas: grid of curvatures, ascending.  shares: population on the grid (sums to 1).  mutation: share that moves to
    neighbouring curvatures each season, spread evenly to both sides.
    """

    kappas: list[float]
    shares: list[float]
    mutation: float = 0.0
    history: list[float] = field(default_factory=list)

    @classmethod
    def gamma(cls, mean: float, shape: float, *, most: float | None = None, points: int = 120, mutation: float = 0.0) -> SensitivityProfile:
        """Start from a gamma distribution with this mean and shape, on ``points`` curvatures up to ``most``."""
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
        """Run one season; ``exposures[i]`` = integral of 1 - exp(-kappa_i C) dt in days.  Returns growth kept (0..1) of r x days.

        Shares move by exp(r x growth days), then mutate.  The return value is ln(epidemic) / (r days): 1 = as unsprayed.
        """
        weights = [f * math.exp(-r * e) for f, e in zip(self.shares, exposures, strict=True)]
        total = sum(weights)
        shares = [w / total for w in weights]
        if self.mutation:
            half = 0.5 * self.mutation
            last = len(shares) - 1
            shares = [(1.0 - self.mutation) * f + half * (shares[max(k - 1, 0)] + shares[min(k + 1, last)])
                      for k, f in enumerate(shares)]
        self.shares = shares
        kept = 1.0 + math.log(total) / (r * days)
        self.history.append(kept)
        return kept


def haploid_generations(f0: float, kill: float, target: float, *, exposed: float = 1.0) -> float:
    """Generations (a real number) for a resistant haploid to go from f0 to target, when a share ``exposed`` of the sensitive
    meets a treatment that kills ``kill`` of them.  Odds grow by 1/(1 - exposed kill) a generation."""
    return (logit(target) - logit(f0)) / -math.log1p(-exposed * kill)


def diploid_generations(p0: float, kill: float, target: float, dominance: float, *, most: int = 1_000_000) -> int:
    """Generations for a resistance allele to pass ``target`` in a random-mating diploid (one locus).

    Survival: RR 1, RS 1 - (1 - dominance) kill, SS 1 - kill; p' = (p^2 w_RR + p q w_RS) / mean.  The classic recursion for
    insects (Georghiou & Taylor 1977, from memory).
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
