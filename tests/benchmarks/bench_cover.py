"""How quick the cover account is, as a ratio to a plain numpy pass over the same season.

A season of 200 days x 10 targets x 8 passes in a running process: the catalogue is read, the programme is new.
The peer is given every answer that the account has to look up (who works, from which day to which, which group)
and only fills arrays. Times on a shared machine mean little; nothing here is asserted. Aim of issue 3: under 5 ms
for one programme. Run it with ``python tests/benchmarks/bench_cover.py``.
"""

from __future__ import annotations

import json
import math
import sys
import time
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

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


def best(work: Callable[[], object], repeat: int = 9, inner: int = 5) -> float:
    """Least seconds of one call over ``repeat`` runs of ``inner`` calls."""
    found = math.inf
    for _ in range(repeat):
        begin = time.perf_counter()
        for _ in range(inner):
            work()
        found = min(found, (time.perf_counter() - begin) / inner)
    return found


def row(name: str, ours: float, peer: float, note: str) -> dict[str, Any]:
    return {"name": name, "ours": ours, "peer": peer, "ratio": ours / peer, "unit": "s", "note": note}


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

    plain = best(peer)
    days = f"{DAYS} days x {len(account.targets)} targets x {PASSES} passes"
    return [
        row("cover of one programme, its account new", best(lambda: cover.rows(Account(programme, catalogue))), plain,
            f"{days}; stage dates, ratings, reports and all words looked up; aim: under 5 ms"),
        row("cover, figures only, its account new", best(lambda: figures(Account(programme, catalogue))), plain,
            f"{days}; as the drafter counts it"),
        row("cover of a known account", best(lambda: figures(account)), plain, f"{days}; everything looked up before"),
    ]  # fmt: skip


if __name__ == "__main__":
    print(json.dumps(run(), indent=2))
