"""The selection index of many programmes at once, slot by slot: what ``planner.exposure`` sums, in numpy.

Between two slots nothing is sprayed, so the days of a stretch are the same few quadrature nodes for every programme.
What a stretch adds depends on what was sprayed before it and never falls below nothing, so the sum up to a slot is a
lower bound of the whole programme's index whatever comes later.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from planner.exposure import Exposure, selects
from planner.selection import Component
from planner.selection.integral import NEGLIGIBLE, legendre

if TYPE_CHECKING:
    from numpy.typing import NDArray

NODES = 6
PANEL = 1.5  # as planner.selection.integral, with fewer nodes on shorter panels: within 1e-6 day, far inside SLACK
ROUNDED = 0.0005  # the index is rounded to 1/1000 day per target and group; a bound may not lie above it
TINY = 1e-300


@dataclass
class _Against:
    """One target: its components and, per slot, the dose of each by choice."""

    components: list[Component]
    doses: list[Any]  # per slot: choice x component
    groups: list[tuple[Any, Any]]  # per at-risk group: component is a member; component makes the group count
    start: float
    last: float


class Doses:
    """Index of programmes given as rows of choices (0: no pass).

    Args:
        days: the day of each slot (ordinals), ascending.
        met: per slot and choice from 1 on, what each target meets of that pass alone.
        joined: whether two groups share their resistance.
    """

    def __init__(
        self,
        days: Sequence[int],
        met: Sequence[Sequence[Sequence[Exposure]]],
        joined: Callable[[str, str], bool],
    ) -> None:
        self.days = list(days)
        self._joined = joined
        self.targets: list[_Against] = []
        self.slack = 0.0  # days by which an index may lie below what is worked out here
        self.classes: list[Any] = []  # per slot: choice -> class; passes of a class select alike
        count = max((len(choice) for slot in met for choice in slot), default=0)
        for at in range(count):
            made = self._against([[choice[at] for choice in slot] for slot in met])
            if made is not None:
                self.targets.append(made)
                self.slack += ROUNDED * (len(made.groups) + 1)
        for slot, choices in enumerate(met):
            keys: dict[bytes, int] = {}
            found = []
            for at in range(len(choices) + 1):
                key = b"".join(target.doses[slot][at].tobytes() for target in self.targets)
                found.append(keys.setdefault(key, len(keys)))
            self.classes.append(np.array(found, dtype=np.int64))

    def _against(self, met: list[list[Exposure]]) -> _Against | None:
        sprays = [spray for slot in met for one in slot for spray in one.sprays]
        components = list(dict.fromkeys(spray.component for spray in sprays))
        first = next((one for slot in met for one in slot if one.last is not None), None)
        if not components or first is None or first.last is None:
            return None
        place = {component: at for at, component in enumerate(components)}
        doses = []
        for slot in met:
            table = np.zeros((len(slot) + 1, len(components)))
            for at, one in enumerate(slot, start=1):
                for spray in one.sprays:
                    table[at, place[spray.component]] += spray.dose
            doses.append(table)
        names = list(dict.fromkeys(spray.component.group for spray in sprays if selects(spray)))
        groups = []
        for name in names:
            groups.append(
                (
                    np.array([c.group == name or self._joined(name, c.group) for c in components]),
                    np.array([c.group == name and c.at_risk and c.omega > 0.0 for c in components]),
                )
            )
        start = first.start if first.start is not None else float(self.days[0])
        return _Against(components, doses, groups, start, first.last)

    def alone(self) -> list[float]:
        """Of one slot: the index of each choice from 1 on by itself, days."""
        count = len(self.classes[0])
        return [float(days) for days in self.stretch(np.arange(1, count, dtype=np.int64)[:, None])]

    def stretch(self, choices: NDArray[Any]) -> NDArray[Any]:
        """What the days from the last decided slot to the next (or to the end) add, days per programme.

        Programmes that select alike are worked out once.
        """
        count, slots = choices.shape
        key = np.zeros(count, dtype=np.int64)
        for slot in range(slots):
            key = key * (int(self.classes[slot].max()) + 1) + self.classes[slot][choices[:, slot]]
        _, first, back = np.unique(key, return_index=True, return_inverse=True)
        begin = float(self.days[slots - 1])
        end = float(self.days[slots]) if slots < len(self.days) else np.inf
        found = np.zeros(len(first))
        for target in self.targets:
            low, high = max(begin, target.start), min(end, target.last)
            if high > low:
                for at in range(0, len(first), 4096):
                    part = choices[first[at : at + 4096]]
                    found[at : at + 4096] += self._gain(target, part, low, high)
        return found[back]

    def _gain(self, target: _Against, choices: NDArray[Any], low: float, high: float) -> NDArray[Any]:
        slots = choices.shape[1]
        decay = np.array([component.decay for component in target.components])
        theta = np.array([component.theta for component in target.components])
        omega = np.array([component.omega for component in target.components])
        left = np.zeros((len(choices), len(decay)))
        used = np.zeros((len(choices), len(decay)), dtype=bool)
        for slot in range(slots):
            dose = target.doses[slot][choices[:, slot]]
            left += dose * np.exp(-decay * (low - self.days[slot]))
            used |= dose > 0.0
        panels = max(1, math.ceil(float(decay.max()) * (high - low) / PANEL))
        nodes, weights = (np.array(one) for one in legendre(NODES))
        width = (high - low) / panels
        days = (np.arange(panels)[:, None] + nodes[None, :]).ravel() * width
        weight = np.tile(weights, panels) * width
        every = np.ones((len(choices), len(days)))
        survive: list[tuple[Any, Any]] = []  # per component: programmes it acts in, and the share that survives it
        for at in range(len(decay)):
            acts = np.flatnonzero(left[:, at] * theta[at] > NEGLIGIBLE)
            fading = np.exp(-decay[at] * days)
            share = np.exp(-theta[at] * left[acts, at : at + 1] * fading[None, :])
            share *= omega[at]
            share += 1.0 - omega[at]
            every[acts] *= share
            survive.append((acts, share))
        total = np.zeros(len(choices))
        for members, counts in target.groups:
            counted = np.flatnonzero((used & counts).any(axis=1))
            if not len(counted):
                continue
            inside = np.ones_like(every)
            for (acts, share), member in zip(survive, members, strict=True):
                if member:
                    inside[acts] *= share
            whole = every[counted]
            total[counted] += (whole / np.maximum(inside[counted], TINY) - whole) @ weight
        return total
