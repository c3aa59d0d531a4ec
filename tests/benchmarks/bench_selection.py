"""How quick the selection index and the season models are, as ratios to a plain peer measured beside them.

Times on a shared machine mean little; a ratio to a peer run in the same minute means more. Nothing here is
asserted. Run it with ``python tests/benchmarks/bench_selection.py``.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import Any

import numpy as np
import yaml
from scipy.integrate import quad, solve_ivp

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[1])]

import itertools

from benchmarks.measure import best, row

from planner import selection as sel
from planner.season_models import Treatment, load_models, simulate_season
from planner.selection import Component, Spray

QOI = Component("11", 0.77, 9.6, 4.0, "azoxystrobin")
DMI = Component("3", 0.62, 9.6, 7.0, "tebuconazole")
SDHI = Component("7", 0.77, 9.6, 5.5, "boscalid")
MULTI = Component("M05", 0.62, 9.9, 5.5, "chlorothalonil", at_risk=False)
TANKS = ((QOI, DMI), (DMI, SDHI), (QOI, SDHI), (DMI, MULTI), (SDHI, QOI), (QOI, DMI, MULTI))
HORIZON = 100.0


def six_passes() -> list[Spray]:
    return [Spray(14.0 * k, component) for k, tank in enumerate(TANKS) for component in tank]


def single_programme() -> dict[str, Any]:
    """6 passes, 3 groups at risk, against SciPy's quadrature of the same three integrals."""
    sprays = six_passes()
    cuts = [14.0 * k for k in range(6)] + [HORIZON]

    def integrand(t: float, group: str) -> float:
        resistant = sensitive = 1.0
        for component in {s.component for s in sprays}:
            amount = sum(
                s.dose * 0.5 ** ((t - s.day) / component.half_life_days)
                for s in sprays
                if s.component == component and s.day <= t
            )
            left = 1.0 - component.omega * (1.0 - math.exp(-component.theta * amount))
            sensitive *= left
            resistant *= 1.0 if component.group == group else left
        return resistant - sensitive

    def peer() -> dict[str, float]:
        return {
            g: sum(quad(integrand, a, b, args=(g,), epsabs=1e-9)[0] for a, b in itertools.pairwise(cuts))
            for g in ("11", "3", "7")
        }

    ours = best(lambda: sel.selection_by_group(sprays, HORIZON), 7, 50)
    agree = max(abs(days - peer()[g]) for g, days in sel.selection_by_group(sprays, HORIZON).items())
    note = f"6 passes, 3 groups; SciPy quad of the same integrals, agreement {agree:.0e} d; aim: at most 0.3 ms"
    return row("index of one programme", ours, best(peer, 2), note)


def batch() -> dict[str, Any]:
    """10,000 programmes against one numpy evaluation of the integrand on as many nodes."""
    rng = np.random.default_rng(1)
    count, width = 10_000, 6
    components = (QOI, DMI, SDHI, MULTI)
    days = np.sort(rng.uniform(0.0, 70.0, (count, width)), axis=1)
    doses = rng.choice([0.0, 1.0], (count, width, len(components)))
    ours = best(lambda: sel.selection_days_batch(days, doses, components, "11", HORIZON), 3)
    # The work the index does in the same places: as many (programme, node) pairs, residues already known.
    lengths = np.diff(days, axis=1, append=HORIZON).max(axis=0)
    fastest = max(c.decay for c in components)
    nodes = int(sum(16 * max(1, math.ceil(fastest * length / 3.0)) for length in lengths))
    residue = [rng.uniform(0.0, 1.0, (2048, nodes)) for _ in components]

    def peer() -> None:
        for begin in range(0, count, 2048):
            size = min(2048, count - begin)
            product = np.ones((size, nodes))
            group = product
            for c, amount in zip(components, residue, strict=True):
                left = 1.0 - c.omega * (1.0 - np.exp(-c.theta * amount[:size]))
                if c.group == "11":
                    group = left
                else:
                    product = product * left
            ((1.0 - group) * product).sum(axis=1)

    return row(
        "index of 10,000 programmes",
        ours,
        best(peer, 3),
        f"one numpy evaluation of the integrand on the same {nodes} nodes a programme, residues given",
    )


def one_season() -> list[dict[str, Any]]:
    """An ODE season against SciPy on a right-hand side without any of our structure."""
    catalogue = yaml.safe_load(
        (Path(__file__).resolve().parents[2] / "catalog/selection.yaml").read_text(encoding="utf-8")
    )
    wheat, grape = load_models(catalogue)
    found = []
    for name, model in (("wheat", wheat), ("grape", grape)):
        plan = [Treatment(model.first_treatment, (1.0, 1.0)), Treatment(model.second_treatment, (1.0, 1.0))]
        simulate_season(model, plan)
        ours = best(lambda m=model, p=plan: simulate_season(m, p), 5)  # type: ignore[misc]

        def plain() -> None:
            def rhs(t: float, y: np.ndarray) -> list[float]:
                s, er, es, ir, is_, rem, pr, ps, ch, cl = y
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
                ]

            y = np.array([0.05, 0, 0, 0, 0, 0, 1.09e-12, 1.09e-2, 0, 0])
            for begin, end in ((1212, 1456), (1456, 1700), (1700, 2066), (2066, 2900)):
                if begin in (1456, 1700):
                    y[8] += 1.0
                    y[9] += 1.0
                y = solve_ivp(rhs, (begin, end), y, method="LSODA", rtol=1e-8, atol=1e-18).y[:, -1]

        found.append(
            row(
                f"one {name} season",
                ours,
                best(plain, 5),
                "hand-written wheat equations in SciPy LSODA, same tolerance; aim: under 50 ms",
            )
        )
    return found


def run() -> list[dict[str, Any]]:
    """Rows with name, ours, peer (seconds), ratio, unit and note."""
    return [single_programme(), batch(), *one_season()]


if __name__ == "__main__":
    for line in run():
        print(f"{line['name']:32s} ratio {line['ratio']:8.3f}   {line['note']}")
