"""Many programmes at once, vectorised with numpy (imported when a batch is asked for)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, TypeAlias

from planner.selection.integral import PANEL, legendre, rival_of
from planner.selection.values import Component, Joined, Spray

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    FloatArray: TypeAlias = NDArray[np.float64]


def pack_programmes(
    programmes: Sequence[Sequence[Spray]],
) -> tuple[FloatArray, FloatArray, tuple[Component, ...]]:
    """Programmes as arrays for the batch: days (P, S) and doses (P, S, C), padded with doses of 0, and the
    components.

    P programmes, S passes of the longest, C different components.  The days of a programme are sorted;
    padding repeats its last day.
    """
    import numpy as np

    components = tuple(dict.fromkeys(s.component for sprays in programmes for s in sprays))
    index = {c: k for k, c in enumerate(components)}
    calendars = [sorted({s.day for s in sprays}) for sprays in programmes]
    width = max((len(days) for days in calendars), default=0)
    days = np.zeros((len(programmes), width))
    doses = np.zeros((len(programmes), width, len(components)))
    for p, (sprays, calendar) in enumerate(zip(programmes, calendars, strict=True)):
        for k, day in enumerate(calendar):
            days[p, k] = day
        if calendar:
            days[p, len(calendar) :] = calendar[-1]
        place = {day: k for k, day in enumerate(calendar)}
        for s in sprays:
            doses[p, place[s.day], index[s.component]] += s.dose
    return days, doses, components


def selection_days_batch(
    days: FloatArray,
    doses: FloatArray,
    components: Sequence[Component],
    group: str,
    horizon: float | FloatArray,
    *,
    sensitivity: float = 0.0,
    joined: Joined = (),
    nodes: int = 16,
    chunk: int = 2048,
) -> FloatArray:
    """Selection days of ``group`` for many programmes at once, shape (P,), counted from each programme's
    first pass.

    days (P, S), sorted along S; doses (P, S, C) as fractions of the label rate; components: C of them;
    horizon: one finite day or (P,).  Fully vectorised; ``chunk`` programmes at a time keep the work inside
    the processor's cache.
    Raises ValueError for shapes that do not fit, unsorted days, or a horizon before a pass or without end.
    """
    import numpy as np

    when = np.asarray(days, dtype=np.float64)
    amount = np.asarray(doses, dtype=np.float64)
    if when.ndim != 2 or amount.shape != (*when.shape, len(components)):
        raise ValueError(
            f"days must be (P, S) and doses (P, S, {len(components)}), not {when.shape} and {amount.shape}"
        )
    count, passes = when.shape
    ends = np.broadcast_to(np.asarray(horizon, dtype=np.float64), (count,))
    if not np.all(np.isfinite(ends)):
        raise ValueError("the batch needs a finite horizon")
    if passes == 0:
        return np.zeros(count)
    lengths = np.diff(when, axis=1, append=ends[:, None])
    if np.any(lengths < 0.0):
        raise ValueError("days must be sorted and the horizon must not come before the last pass")
    q_of = rival_of(group, sensitivity, joined, 0.0).members
    omega = np.array([c.omega for c in components])
    theta = np.array([c.theta for c in components])
    lam = np.array([c.decay for c in components])
    decays, kind = np.unique(lam, return_inverse=True)
    fastest = float(lam.max()) if len(components) else 0.0
    # Equal panels for a slot over all programmes: at most 3 decay constants long, as in the single-
    # programme path.
    panels = np.maximum(1, np.ceil(fastest * lengths.max(axis=0) / PANEL)).astype(int)
    x, w = (np.asarray(values) for values in legendre(nodes))
    total = np.zeros(count)
    in_group = [c.group in q_of for c in components]
    for low in range(0, count, chunk):
        part = slice(low, min(low + chunk, count))
        residue = np.zeros((part.stop - part.start, len(components)))
        sums = np.zeros(part.stop - part.start)
        for s in range(passes):
            residue = residue + amount[part, s, :]
            length = lengths[part, s]
            used = np.flatnonzero((omega > 0.0) & np.any(residue > 0.0, axis=0)).tolist()
            if any(in_group[c] for c in used):
                n = int(panels[s])
                # Composite nodes of the slot on [0, 1]: (n * nodes,), then time since the slot began
                # (programme, node).
                grid = ((np.arange(n)[:, None] + x[None, :]) / n).ravel()
                weight = np.tile(w / n, n)
                time = length[:, None] * grid[None, :]
                fade: dict[int, FloatArray] = {}
                sensitive: FloatArray | None = None
                resistant: FloatArray | None = None
                partner: FloatArray | None = None
                for c in used:
                    label = int(kind[c])
                    if label not in fade:
                        fade[label] = np.exp(-decays[label] * time)
                    block = np.exp((-theta[c] * residue[:, c])[:, None] * fade[label])
                    block *= omega[c]
                    block += 1.0 - omega[c]
                    if in_group[c]:
                        q = q_of[components[c].group]
                        left = 1.0 - q * (1.0 - block) if q else None
                        if left is not None:
                            resistant = left if resistant is None else resistant * left
                        sensitive = block if sensitive is None else sensitive * block
                    else:
                        partner = block if partner is None else partner * block
                assert sensitive is not None
                gain = (1.0 if resistant is None else resistant) - sensitive
                if partner is not None:
                    gain *= partner
                sums += length * (gain @ weight)
            residue = residue * np.exp(-lam[None, :] * length[:, None])
        total[part] = sums
    return total
