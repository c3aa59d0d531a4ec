"""The two published models: their values, equations and what counts as control."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias


@dataclass(frozen=True, slots=True)
class Fungicide:
    """A fungicide of a season model: omega, theta (per label rate), decay (1/time) and the stages it acts
    on."""

    name: str
    omega: float
    theta: float
    decay: float
    infection: bool = True
    latent: bool = True


@dataclass(frozen=True, slots=True)
class Genotype:
    """A strain: remaining sensitivity q to each fungicide of the model, in their order; cost = share of
    transmission lost."""

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

    fractions: strain shares of the infectious tissue at the end.  selection_ratio: end/start share of the
    last genotype (the resistant one of two; the doubly resistant one of four).  log_odds_change: of that
    genotype.  control: what is kept, as a share of the disease-free season (wheat: healthy-area duration;
    grape: 1 - peak share of diseased area).  healthy: wheat healthy-area duration, grape 1 - peak;
    controlled: whether the loss stays within the model's critical loss.
    """

    fractions: tuple[float, ...]
    selection_ratio: float
    log_odds_change: float
    control: float
    healthy: float
    controlled: bool


def two_genotypes(
    model: WheatModel | GrapeModel, *, sensitivity: float = 0.0, cost: float = 0.0
) -> tuple[Genotype, ...]:
    """Sensitive, and resistant to the model's first fungicide with ``sensitivity`` (q) left."""
    count = len(model.fungicides)
    return (
        Genotype("sensitive", (1.0,) * count),
        Genotype("resistant", (sensitivity,) + (1.0,) * (count - 1), cost),
    )


def four_genotypes(*, sensitivity: float = 0.0) -> tuple[Genotype, ...]:
    """SS, RS, SR, RR against two at-risk partners (R at the first place: resistant to the first
    fungicide)."""
    q = sensitivity
    return (
        Genotype("SS", (1.0, 1.0)),
        Genotype("RS", (q, 1.0)),
        Genotype("SR", (1.0, q)),
        Genotype("RR", (q, q)),
    )


# A state entry is one number, or one number per programme: the equations below are written once for both.
Value: TypeAlias = Any
State: TypeAlias = list[Value]


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

    def initial(self, fractions: Sequence[Value]) -> State:
        """S, removed, duration, then latent, infectious and primary inoculum of each strain."""
        zero = fractions[0] * 0.0
        return [
            zero + self.canopy_start,
            zero,
            zero,
            *(zero for _ in fractions),
            *(zero for _ in fractions),
            *(f * self.inoculum for f in fractions),
        ]

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

    def derivative(
        self, t: float, y: State, reach: Sequence[Value], ripen: Sequence[Value], late: bool
    ) -> State:
        """Right-hand side; reach and ripen: what the fungicides leave of infection and of the end of
        latency, per strain."""
        n = len(reach)
        s, removed = y[0], y[1]
        latent, infectious, primary = y[3 : 3 + n], y[3 + n : 3 + 2 * n], y[3 + 2 * n :]
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

    def healthy(self, y: State, peak: Value) -> Value:
        """Healthy-area duration GS61-GS87 (leaf area index x degree-days)."""
        return y[2]

    def severity(self, y: State, n: int) -> Value:
        """Not used for wheat."""
        return y[0] * 0.0

    def event(self, time: float, y: State) -> State:
        """Nothing happens to the wheat canopy but the passes."""
        return y

    def infectious(self, y: State, n: int) -> State:
        return y[3 + n : 3 + 2 * n]

    def watched(self, time: float) -> bool:
        """Whether the end of a step at this time counts for the peak severity."""
        return False


@dataclass(frozen=True, slots=True)
class GrapeModel:
    """Grapevine and powdery mildew, with shoot topping and leaves that outgrow infection (units in
    catalog/selection.yaml)."""

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

    def initial(self, fractions: Sequence[Value]) -> State:
        """S, removed, outgrown, then latent and infectious area of each strain."""
        zero = fractions[0] * 0.0
        return [
            zero + self.canopy_start,
            zero,
            zero,
            *(f * self.inoculum for f in fractions),
            *(zero for _ in fractions),
        ]

    def scales(self, fractions: Sequence[float]) -> list[float]:
        """Size of each state entry, for error control."""
        shares = [max(f, 1e-300) * self.inoculum for f in fractions]
        return [100.0, 1.0, 100.0, *shares, *shares]

    def derivative(
        self, t: float, y: State, reach: Sequence[Value], ripen: Sequence[Value], late: bool
    ) -> State:
        """Right-hand side; ``late`` is the time after shoot topping."""
        n = len(reach)
        k = 1 if late else 0
        s, removed, outgrown = y[0], y[1], y[2]
        latent, infectious = y[3 : 3 + n], y[3 + n : 3 + 2 * n]
        area = s + removed + outgrown + sum(latent) + sum(infectious)
        ratio = (self.capacity[k] / self.growth_origin[k] - 1.0) * math.exp(
            -self.growth[k] * (t - (self.topping if late else self.start))
        )
        gain = self.growth[k] * self.capacity[k] * ratio / (1.0 + ratio) ** 2
        force = self.transmission[k] * s / area
        infection = [force * a * i for a, i in zip(reach, infectious, strict=True)]
        ripening = [self.latent_rate * m * e for m, e in zip(ripen, latent, strict=True)]
        dying = [self.removal_rate * i for i in infectious]
        ageing = self.ontogenic * s
        return [
            gain - ageing - sum(infection),
            sum(dying),
            ageing,
            *(a - m for a, m in zip(infection, ripening, strict=True)),
            *(m - d for m, d in zip(ripening, dying, strict=True)),
        ]

    def healthy(self, y: State, peak: Value) -> Value:
        """1 - peak share of diseased area in the 30 days after flowering."""
        return 1.0 - peak

    def severity(self, y: State, n: int) -> Value:
        """Share of the living area that is infectious."""
        sick = sum(y[3 + n : 3 + 2 * n])
        return sick / (y[0] + y[2] + sum(y[3 : 3 + n]) + sick)

    def event(self, time: float, y: State) -> State:
        """Shoot topping takes its share of every kind of leaf."""
        return [v * (1.0 - self.topping_loss) for v in y] if time == self.topping else y

    def infectious(self, y: State, n: int) -> State:
        return y[3 + n : 3 + 2 * n]

    def watched(self, time: float) -> bool:
        """Whether the end of a step at this time counts for the peak severity."""
        return self.yield_start < time < self.yield_end


Model: TypeAlias = WheatModel | GrapeModel


def load_models(
    data: Mapping[str, Any], where: str = "catalog/selection.yaml"
) -> tuple[WheatModel, GrapeModel]:
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
                values[key] = (
                    tuple(map(float, row[key])) if isinstance(row[key], Sequence) else float(row[key])
                )
        if not values["fungicides"]:
            raise ValueError(f"{where}: season_models.{name} lacks fungicides; write at least one")
        return kind(**values)

    wheat: WheatModel = build(WheatModel, "wheat")
    grape: GrapeModel = build(GrapeModel, "grape")
    return wheat, grape
