"""Throughput of many programmes: 100, 1,000, 10,000 of them, one and two processes, growth and memory.

Every programme is read from its own YAML file, judged and made one line of results; nothing is read twice, and all of
that is counted. Further rows leave the reading out, as bare durable-rules is handed its facts. For the peer see
``bench_audit``.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[1])]

from benchmarks.bench_audit import six_passes
from benchmarks.bench_engine import alone
from benchmarks.measure import exponent, row

from planner.account import Account
from planner.audit import audit, rules_of
from planner.batch.inputs import find
from planner.batch.pool import run as spread
from planner.batch.work import Setup
from planner.catalogue import Catalogue, load
from planner.documents import dump_programme
from planner.facts import derive

SIZES = (100, 1_000, 10_000)


def run(sizes: tuple[int, ...] = SIZES) -> list[dict[str, Any]]:
    """Rows of the table."""
    known, book = load(), rules_of()
    facts = derive(Account(six_passes(known), known))
    bare = alone(book, facts)
    with tempfile.TemporaryDirectory() as folder:
        for number in range(max(sizes)):
            (Path(folder) / f"p{number:05d}.yaml").write_text(
                dump_programme(six_passes(known, number)), encoding="utf-8"
            )
        jobs = list(find([folder]))
        one: list[float] = []
        for size in sizes:
            one.append(_seconds(jobs[:size], 1))
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        two = _seconds(jobs, 2)
    largest, judged = max(sizes), _judged(known, 1_000)
    return [
        row(
            f"{largest:,} programmes, one process, each",
            one[-1] / largest,
            bare.each,
            "read, judged, made a line; beside bare durable-rules, fact by fact; goal 2",
        ),
        row("  judged only", judged, bare.each, "without reading; beside the same; goal 2"),
        row("  judged only, beside one call", judged, bare.batch, f"all facts in one call: {bare.words}; goal 2"),
        row(f"{largest:,} programmes, two processes", one[-1], two, "how many times one process's speed; goal 1.7"),
        row("growth with the number of programmes", exponent(sizes, one), 1.0, f"exponent over {sizes}", unit=""),
        row("memory of the run", memory, 400.0, "MB at most, beside the goal of 400 MB", unit="MB"),
    ]


def _seconds(jobs: list[Any], workers: int) -> float:
    begin = time.perf_counter()
    for _ in spread(jobs, Setup(), workers=workers):
        pass
    return time.perf_counter() - begin


def _judged(known: Catalogue, number: int) -> float:
    """Seconds a programme of this many different ones."""
    programmes = [six_passes(known, seed) for seed in range(number)]
    begin = time.perf_counter()
    for programme in programmes:
        audit(programme, known, detail=False)
    return (time.perf_counter() - begin) / number


if __name__ == "__main__":
    for line in run():
        print(line)
