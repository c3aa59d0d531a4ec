"""The selection index of many programmes at once, slot by slot: what ``planner.exposure`` sums, in numpy.

Between two slots nothing is sprayed, so the days of a stretch are the same few quadrature nodes for every programme.
What a stretch adds depends on what was sprayed before it and never falls below nothing, so the sum up to a slot is a
lower bound of the whole programme's index whatever comes later. How much the later days add at least is worked out in
``draft.ahead`` from the pieces that :meth:`Doses.look` gives.
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

NODES = 4
# on a piece this long (decay x days) so few nodes are within 1e-7 day of planner.selection.integral, far inside slack
PANEL = 0.8
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
    pieces: list[tuple[int, float, float]]  # slot after which it lies, first and last day
    decay: Any
    theta: Any
    omega: Any
    alike: list[Any]  # components that act alike, by their places: it does not matter which of them is on the leaves
    classes: list[Any]  # per slot: choice -> class; passes of a class are the same to this target

    def columns(self, slot: int) -> slice:
        """Columns of a look that lie from a slot on."""
        before = sum(1 for one, _, _ in self.pieces if one < slot)
        return slice(before * len(self.groups), len(self.pieces) * len(self.groups))


@dataclass
class Look:
    """What one target meets of some programmes from their last decided slot on, were nothing more sprayed.

    A row is a state of the leaves, a column one at-risk group in one piece of days (pieces in order, for each its
    groups). ``days``: selection days of the group in the piece. ``others``: what the groups beside it let survive on
    the piece's first day, the least of the piece. ``left``: the same times what is left for a further pass of the very
    group to move (``draft.ahead``).
    """

    days: NDArray[Any]
    others: NDArray[Any]
    left: NDArray[Any]

    def only(self, rows: NDArray[Any]) -> Look:
        """Some of its rows."""
        return Look(self.days[rows], self.others[rows], self.left[rows])

    def joined(self, more: Sequence[Look]) -> Look:
        """Its rows and those of others below."""
        every = [self, *more]
        return Look(*(np.concatenate([getattr(one, name) for one in every]) for name in ("days", "others", "left")))


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
        self._choices = len(met[0]) if met else 0
        count = max((len(choice) for slot in met for choice in slot), default=0)
        for at in range(count):
            made = self._against([[choice[at] for choice in slot] for slot in met])
            if made is not None:
                self.targets.append(made)
                self.slack += ROUNDED * (len(made.groups) + 1)

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
        decay, theta, omega = (np.array([getattr(c, key) for c in components]) for key in ("decay", "theta", "omega"))
        pieces = []
        for at, day in enumerate(self.days):
            low = max(float(day), start)
            high = min(float(self.days[at + 1]) if at + 1 < len(self.days) else math.inf, first.last)
            if high > low:
                count = max(1, math.ceil(float(decay.max()) * (high - low) / PANEL))
                edges = [low + (high - low) * one / count for one in range(count + 1)]
                pieces += [(at, edges[one], edges[one + 1]) for one in range(count)]
        sets: dict[Any, list[int]] = {}
        for at, c in enumerate(components):
            marks = tuple((bool(members[at]), bool(counts[at])) for members, counts in groups)
            sets.setdefault((c.decay, c.theta, c.omega, marks), []).append(at)
        classes = [np.unique(table, axis=0, return_inverse=True)[1].reshape(-1) for table in doses]
        alike = [np.array(one) for one in sets.values() if len(one) > 1]
        return _Against(components, doses, groups, start, first.last, pieces, decay, theta, omega, alike, classes)

    def bare(self) -> list[Look]:
        """For each target leaves on which nothing is."""
        shapes = [(1, target.columns(0).stop) for target in self.targets]
        return [Look(np.zeros(shape), np.ones(shape), np.ones(shape)) for shape in shapes]

    def alone(self) -> list[float]:
        """Of one slot: the index of each choice from 1 on by itself, days."""
        return [float(days) for days in self.stretch(np.arange(1, self._choices + 1, dtype=np.int64)[:, None])]

    def stretch(self, choices: NDArray[Any]) -> NDArray[Any]:
        """What the days from the last decided slot to the next (or to the end) add, days per programme."""
        slots = choices.shape[1]
        state = np.zeros((len(choices), len(self.targets)), dtype=np.int64)
        for slot in range(slots - 1):
            for at, target in enumerate(self.targets):
                alike = state[:, at] * (int(target.classes[slot].max()) + 1) + target.classes[slot][choices[:, slot]]
                state[:, at] = np.unique(alike, return_inverse=True)[1]
        looks, rows, _ = self.look(choices, state)
        return self.added(looks, rows, slots - 1)

    def added(self, looks: Sequence[Look], rows: NDArray[Any], slot: int) -> NDArray[Any]:
        """Selection days between a slot and the next, days per programme."""
        found = np.zeros(len(rows))
        for at, (target, look) in enumerate(zip(self.targets, looks, strict=True)):
            here = slice(target.columns(slot).start, target.columns(slot + 1).start)
            found += look.days[:, here].sum(axis=1)[rows[:, at]]
        return found

    def look(self, choices: NDArray[Any], past: NDArray[Any]) -> tuple[list[Look], NDArray[Any], NDArray[Any]]:
        """For each target what it meets from the last decided slot on, in which row of that each programme stands, and
        the programmes' new past.

        ``past``: programmes x targets; programmes with one number held passes of the same classes until the slot before
        the last. Rows say less: actives that act alike are not told apart there, and which of them it was matters again
        when one of them follows.
        """
        slot = choices.shape[1] - 1
        looks = []
        rows, after = np.zeros_like(past), np.zeros_like(past)
        for at, target in enumerate(self.targets):
            classes = target.classes[slot]
            key = past[:, at] * (int(classes.max()) + 1) + classes[choices[:, slot]]
            _, first, back = np.unique(key, return_index=True, return_inverse=True)
            left = self._residues(target, choices[first])
            for alike in target.alike:
                left[:, alike] = np.sort(left[:, alike], axis=1)
            # rows that are equal have equal sums; whether those of equal sums are equal is looked up
            mixed = (left * np.sqrt(np.arange(2.0, 2.0 + left.shape[1]))).sum(axis=1)
            _, one, same = np.unique(mixed, return_index=True, return_inverse=True)
            if not np.array_equal(left[one][same], left):
                one, same = np.arange(len(left)), np.arange(len(left))
            looks.append(self._look(target, left[one], slot))
            rows[:, at], after[:, at] = same[back], back
        return looks, rows, after

    def _residues(self, target: _Against, choices: NDArray[Any]) -> NDArray[Any]:
        """Doses on the leaves on the day of the last decided slot, programmes x components."""
        slots = choices.shape[1]
        left = np.zeros((len(choices), len(target.components)))
        for slot in range(slots):
            fading = np.exp(-target.decay * (self.days[slots - 1] - self.days[slot]))
            left += target.doses[slot][choices[:, slot]] * fading
        return left

    def _look(self, target: _Against, left: NDArray[Any], slot: int) -> Look:
        shape = (len(left), len(target.pieces) * len(target.groups))
        found = Look(np.zeros(shape), np.ones(shape), np.ones(shape))
        for at in range(0, len(left), 2048):
            part = slice(at, at + 2048)
            self._fill(target, left[part], slot, Look(found.days[part], found.others[part], found.left[part]))
        return found

    def _fill(self, target: _Against, left: NDArray[Any], slot: int, found: Look) -> None:
        pieces = [at for at, (one, _, _) in enumerate(target.pieces) if one >= slot]
        if not pieces:
            return
        day = self.days[slot]
        nodes, weights = (np.array(one) for one in legendre(NODES))
        # the first day of every piece, then the nodes of every piece
        first = np.array([target.pieces[at][1] - day for at in pieces])
        width = np.array([target.pieces[at][2] - target.pieces[at][1] for at in pieces])
        days = np.concatenate([first, (first[:, None] + nodes[None, :] * width[:, None]).ravel()])
        count = len(pieces)
        every = np.ones((len(left), len(days)))
        survive: list[tuple[Any, Any]] = []  # per component: programmes it acts in, and the share that survives it
        for at in range(len(target.components)):
            acts = np.flatnonzero(left[:, at] * target.theta[at] > NEGLIGIBLE)
            share = np.exp((-target.theta[at] * left[acts, at])[:, None] * np.exp(-target.decay[at] * days)[None, :])
            share *= target.omega[at]
            share += 1.0 - target.omega[at]
            every[acts] *= share
            survive.append((acts, share))
        strength = left * target.theta * (target.omega > 0.0)
        for group, (members, counts) in enumerate(target.groups):
            columns = np.array(pieces) * len(target.groups) + group
            inside = np.ones_like(every)
            for (acts, share), member in zip(survive, members, strict=True):
                if member and len(acts):
                    inside[acts] *= share
            outside = every / np.maximum(inside, TINY)
            found.others[:, columns] = outside[:, :count]
            moved = np.zeros((len(left), count))
            for at in np.flatnonzero(members).tolist():
                moved += strength[:, at : at + 1] * np.exp(-target.decay[at] * first)[None, :]
            found.left[:, columns] = outside[:, :count] * np.exp(-moved)
            counted = np.flatnonzero((left[:, counts] > 0.0).any(axis=1))
            if len(counted):
                gain = (outside[counted, count:] - every[counted, count:]).reshape(len(counted), count, NODES)
                found.days[np.ix_(counted, columns)] = (gain @ weights) * width[None, :]
