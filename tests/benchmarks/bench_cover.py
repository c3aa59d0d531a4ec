"""How quick the cover account is, as a ratio to a plain numpy pass over the same season.

A season of 200 days x 10 targets x 8 passes in a running process: the catalogue is read, the programme is new.
The peer is given every answer that the account has to look up (who works, from which day to which, which group)
and only fills arrays. Times on a shared machine mean little; nothing here is asserted. Aim of issue 3: under 5 ms
for one programme. Run it with ``python tests/benchmarks/bench_cover.py``.
"""

from __future__ import annotations

import json
import sys
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[1])]

from benchmarks.measure import best, row

from planner import cover
from planner.account import Account
from planner.catalogue import load
from planner.model import Field, FieldTarget, Pass, Programme, TankItem

DAYS, TARGETS, PASSES = 200, 10, 8
FIRST = date(2026, 4, 20)
TANKS = (
    ("azoxystrobin", "prothioconazole"),
    ("boscalid", "chlorothalonil"),
    ("pyraclostrobin", "fluxapyroxad"),
    ("tebuconazole", "thiophanate-methyl"),
)


def season() -> Programme:
    """Ten soybean targets in Illinois, eight passes of two actives, windows over most of 200 days."""
    catalogue = load()
    names = list(catalogue.targets("soybean"))[:TARGETS]
    field = Field(
        crop="soybean",
        country="US",
        region="US-IL",
        sown=FIRST,
        stages={"V2": FIRST + timedelta(days=20), "R1": FIRST + timedelta(days=45)},
        harvest=FIRST + timedelta(days=DAYS),
        targets=tuple(FieldTarget(target=name, pressure="high") for name in names),
    )
    passes = tuple(
        Pass(
            number=number,
            date=FIRST + timedelta(days=40 + 14 * number),
            tank=tuple(TankItem(active=active, dose=100.0) for active in TANKS[number % len(TANKS)]),
        )
        for number in range(1, PASSES + 1)
    )
    return Programme(field=field, passes=passes)


def run() -> list[dict[str, Any]]:
    """Rows with ``name``, ``ours`` and ``peer`` in seconds, ``ratio`` and ``note``."""
    catalogue, programme = load(), season()
    account = Account(programme, catalogue)
    spans = []
    for target in account.targets:
        covered, _ = cover.spans(account, target)
        window = target.window
        first, last = (window.first, window.last) if window is not None else (None, None)
        groups = {key: at for at, key in enumerate(dict.fromkeys(group for _, _, group in covered))}
        spans.append((first or 0, last or -1, [(a, b, groups[key]) for a, b, key in covered], max(1, len(groups))))
    start = FIRST.toordinal()

    def peer() -> list[np.ndarray]:
        found = []
        for first, last, covered, groups in spans:
            on = np.zeros((groups, DAYS + 1), dtype=bool)
            for begin, end, group in covered:
                on[group, begin - start : end - start + 1] = True
            found.append(on.sum(axis=0)[first - start : last - start + 1])
        return found

    def figures(made: Account) -> object:
        return [cover.days_of(made, target) for target in made.targets]

    plain = best(peer, inner=5)
    days = f"{DAYS} days x {len(account.targets)} targets x {PASSES} passes"
    new = best(lambda: cover.rows(Account(programme, catalogue)), inner=5)
    counted = best(lambda: figures(Account(programme, catalogue)), inner=5)
    known = best(lambda: figures(account), inner=5)
    told = f"{days}; stage dates, ratings, reports and all words looked up; aim: under 5 ms"
    return [
        row("cover of one programme, its account new", new, plain, told),
        row("cover, figures only, its account new", counted, plain, f"{days}; as the drafter counts it"),
        row("cover of a known account", known, plain, f"{days}; everything looked up before"),
    ]


if __name__ == "__main__":
    print(json.dumps(run(), indent=2))
