"""Throughput of many programmes: 100, 1,000, 10,000 of them, one and two processes, growth and memory.

Every programme is another one, is read from its own YAML file, judged and made one line of results, and all of that is
counted. Every figure comes from a process of its own that has judged one programme before, which loads modules, rules
and the crop's rows as the peer has its own: what the planner keeps from programme to programme is filled while the
clock runs. Of two processes each loads all while the clock runs, as for a user. One row tells what reading and the line
take beside the judging; further rows leave them out, as bare durable-rules is handed its facts. For the peer see
``bench_audit``.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[1])]

from benchmarks.bench_audit import six_passes
from benchmarks.bench_engine import alone
from benchmarks.measure import exponent, row

from planner.account import Account
from planner.audit import audit, rules_of
from planner.batch import results, work
from planner.batch.inputs import find
from planner.batch.pool import run as spread
from planner.batch.work import Setup
from planner.catalogue import load
from planner.documents import dump_programme, load_programme
from planner.facts import derive

SIZES = (100, 1_000, 10_000)
SPLIT = 1_000  # programmes that are read, judged and told step by step


def run(sizes: tuple[int, ...] = SIZES) -> list[dict[str, Any]]:
    """Rows of the table."""
    known, book = load(), rules_of()
    facts = derive(Account(six_passes(known), known))
    bare = alone(book, facts)
    largest = max(sizes)
    with tempfile.TemporaryDirectory() as folder:
        for number in range(largest + 1):  # one more for each process to begin with
            (Path(folder) / f"p{number:05d}.yaml").write_text(
                dump_programme(six_passes(known, number)), encoding="utf-8"
            )
        runs = [_apart("whole", folder, size, 1) for size in sizes]
        two = _apart("whole", folder, largest, 2)
        parts = _apart("split", folder, min(SPLIT, largest), 1)
    one = [part["seconds"] for part in runs]
    beside_work = parts["find"] + parts["read"] + parts["line"]
    steps = ", ".join(f"{name} {parts[name] * 1000:.2f}" for name in ("find", "read", "judge", "line"))
    return [
        row(
            f"{largest:,} programmes, one process, each",
            one[-1] / largest,
            bare.each,
            "read, judged, made a line; beside bare durable-rules, fact by fact; goal 2",
        ),
        row("  beside one call", one[-1] / largest, bare.batch, f"all facts in one call: {bare.words}; goal 2"),
        row("  found, read and made a line", beside_work, parts["judge"], f"beside judging; milliseconds: {steps}"),
        row("  judged only", parts["judge"], bare.each, "beside bare durable-rules, fact by fact; goal 2"),
        row("  judged only, beside one call", parts["judge"], bare.batch, f"{bare.words}; goal 2"),
        row(
            f"{largest:,} programmes, two processes",
            one[-1],
            two["seconds"],
            "how many times one process's speed; goal 1.7",
        ),
        row("growth with the number of programmes", exponent(sizes, one), 1.0, f"exponent over {sizes}", unit=""),
        row("memory of the run", runs[-1]["megabytes"], 400.0, "MB at most, beside the goal of 400 MB", unit="MB"),
    ]


def _apart(what: str, *words: object) -> dict[str, float]:
    """The figures of one measurement, taken in a process of its own."""
    command = [sys.executable, __file__, what, *map(str, words)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    found: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return found


def whole(folder: str, size: int, workers: int) -> dict[str, float]:
    """Seconds and memory of ``size`` programmes from their files to their lines."""
    jobs = list(find([folder]))
    work.judge(jobs.pop(), Setup())
    jobs = jobs[:size]
    begin = time.perf_counter()
    for line in spread(jobs, Setup(), workers=workers):
        results.encode(line)
    seconds = time.perf_counter() - begin
    return {"seconds": seconds, "megabytes": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}


def split(folder: str, size: int, _workers: int) -> dict[str, float]:
    """Seconds a programme of each step: all are found, then all read, then all judged, then all told."""
    begin = time.perf_counter()
    jobs = list(find([folder]))
    found = (time.perf_counter() - begin) / len(jobs)
    work.judge(jobs.pop(), Setup())
    jobs, known = jobs[:size], work._catalogue((), ())
    programmes, read = _steps(lambda job: load_programme(job.name, known), jobs)
    reports, judge = _steps(lambda programme: audit(programme, known, detail=False), programmes)
    told: Callable[[Any], str] = lambda pair: results.encode(work.line(*pair))  # noqa: E731 - one step of four
    _, line = _steps(told, list(zip(jobs, reports, strict=True)))
    return {"find": found, "read": read, "judge": judge, "line": line}


def _steps(step: Callable[[Any], Any], values: Sequence[Any]) -> tuple[list[Any], float]:
    """What one step gives for each value, and seconds a value."""
    begin = time.perf_counter()
    given = [step(value) for value in values]
    return given, (time.perf_counter() - begin) / len(values)


if __name__ == "__main__":
    if len(sys.argv) > 1:
        name, place, number, processes = sys.argv[1:]
        print(json.dumps({"whole": whole, "split": split}[name](place, int(number), int(processes))))
    else:
        for told_row in run():
            print(told_row)
