"""The audit of one programme beside bare durable-rules on its facts; many in one process; start-up of the command.

Bare durable-rules is called by hand with the same rules and facts, in a process of its own (``bare.py``): fact by fact,
and all in one call, which luck makes twice as fast or not (``bench_engine.alone``). Our own call of it, ``engine.run``,
always has that luck, as it keeps the library from giving its memory back after every run. An audit without detail is
verdict, findings, what was not assessed, and totals; with detail, cover and the selection index too.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[1])]

from benchmarks.bench_engine import alone
from benchmarks.measure import exponent, median, row

from planner import engine
from planner.account import Account
from planner.audit import audit, rules_of
from planner.catalogue import Catalogue, load
from planner.documents import load_programme
from planner.facts import derive
from planner.model import Field, FieldTarget, Pass, Programme, TankItem
from planner.places import folder

SCENARIOS = folder("shared") / "scenarios"


def six_passes(known: Catalogue, seed: int = 1) -> Programme:
    """An invented soybean programme of six passes, two actives each."""
    dice = random.Random(seed)
    actives = ("azoxystrobin", "prothioconazole", "boscalid", "fluazinam", "thiophanate-methyl", "chlorothalonil")
    passes = tuple(
        Pass(
            number=number,
            stage=stage,
            tank=tuple(TankItem(active=name, dose=100.0) for name in dice.sample(actives, 2)),
        )
        for number, stage in enumerate(("V6", "R1", "R2", "R3", "R4", "R5"), start=1)
    )
    targets = (FieldTarget(target="frogeye-leaf-spot", pressure="high"), FieldTarget(target="sclerotinia-stem-rot"))
    return Programme(field=Field(crop="soybean", country="US", targets=targets), passes=passes)


def run() -> list[dict[str, Any]]:
    """Rows of the table."""
    known, book = load(), rules_of()
    programme = six_passes(known)
    facts = derive(Account(programme, known))
    bare = alone(book, facts)
    # the median of single calls, as of the peer: what else the machine does then hits both alike
    ours = median(lambda: audit(programme, known, detail=False), repeat=300)
    whole = median(lambda: audit(programme, known), repeat=100)
    run_ = median(lambda: engine.run(book, facts, backend="durable-rules"), repeat=300)
    beside = f"beside bare durable-rules, {len(facts)} facts one by one; goal 2"
    rows = [
        row("audit of one programme, 6 passes", ours, bare.each, beside),
        row("  beside one call with all facts", ours, bare.batch, f"median of 9 processes, {bare.words}; goal 2"),
        row("  with cover and selection index", whole, bare.each, "beside bare durable-rules"),
        row("  beside our own call of the engine", ours, run_, "engine.run alone on the same facts"),
    ]
    sizes, seconds = (100, 300, 1000), []
    for size in sizes:
        many = [six_passes(known, seed) for seed in range(size)]
        seconds.append(median(lambda many=many: _all(many, known), repeat=3))  # type: ignore[misc]
    note = f"beside linear from 100; growth exponent {exponent(sizes, seconds):.3f}"
    rows.append(row("1,000 programmes in one process", seconds[-1], seconds[0] * 10, note))
    rows.append(_start_up())
    rows.append(_documents(known))
    return rows


def _all(programmes: list[Programme], known: Catalogue) -> None:
    """Audit all and keep none, as a batch does."""
    for programme in programmes:
        audit(programme, known, detail=False)


def _start_up() -> dict[str, Any]:
    programme = str(SCENARIOS / "sound-quarry-bottom.yaml")
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}

    def call(*arguments: str) -> None:
        subprocess.run([sys.executable, *arguments], env=environment, capture_output=True, check=False)

    call("-m", "planner", "audit", programme)  # bytecode and compiled catalogue are there after the first run
    ours = median(lambda: call("-m", "planner", "audit", programme), repeat=11)
    peer = median(lambda: call("-c", "import yaml, rich, durable.lang"), repeat=11)
    return row("whole `planner audit` process", ours, peer, "beside `import yaml, rich, durable.lang`; goal at most 4")


def _documents(known: Catalogue) -> dict[str, Any]:
    programme = SCENARIOS / "sound-quarry-bottom.yaml"
    made = load_programme(programme, known)
    reading = median(lambda: load_programme(programme, known), inner=3)
    return row(
        "reading a programme's documents", reading, median(lambda: audit(made, known), inner=5), "beside its audit"
    )


if __name__ == "__main__":
    for line in run():
        print(line)
