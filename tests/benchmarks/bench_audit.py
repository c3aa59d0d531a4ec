"""The audit of one programme beside bare durable-rules on its facts; many in one process; start-up of the command.

Bare durable-rules is called by hand with the same rules and facts, in a process of its own (``bare.py``): fact by fact,
and all in one call, which luck makes twice as fast or not (``bench_engine.alone``). Our own call of it always has that
luck, as it keeps the library from giving its memory back after every run. An audit without detail is verdict, findings,
what was not assessed, and totals; with detail, cover and the selection index too.

No programme is timed twice in a row of the table. ``planner.engine`` keeps what durable-rules said of a row of values,
and ``planner.memo`` what follows of a field and a tank. So three things are measured: 1,000 different programmes one
after another, beginning with nothing kept, as in a batch; programmes for each of which durable-rules is asked anew, its
answers forgotten before; and programmes before each of which all is forgotten, as in a process that audits only one.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[1])]

from benchmarks.bench_engine import alone
from benchmarks.measure import each, exponent, median, row

from planner import engine, memo
from planner.account import Account
from planner.audit import audit, rules_of
from planner.catalogue import Catalogue, load
from planner.documents import load_programme
from planner.facts import derive
from planner.model import Field, FieldTarget, Pass, Programme, TankItem
from planner.places import folder
from planner.rulebook import Rulebook

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


def six_dates(known: Catalogue, seed: int = 1) -> Programme:
    """The same with dates: every field has its own stage dates, every pass its day, and cover ends on another one."""
    dice = random.Random(seed)
    plain = six_passes(known, seed)
    bloom = date(2026, 6, 20) + timedelta(days=dice.randrange(30))
    field = plain.field
    field = Field(
        crop=field.crop, country=field.country, targets=field.targets, harvest=bloom + timedelta(days=75),
        stages={"R1": bloom, "R3": bloom + timedelta(days=dice.randint(12, 18))},
    )  # fmt: skip
    day, passes = bloom - timedelta(days=14), []
    for entry in plain.passes:
        passes.append(Pass(number=entry.number, date=day, tank=entry.tank))
        day += timedelta(days=dice.randint(8, 18))
    return Programme(field=field, passes=tuple(passes))


def _dated(known: Catalogue, book: Rulebook, forget: Callable[[], None]) -> list[dict[str, Any]]:
    """Rows for programmes with dates, whose facts repeat less."""
    facts = derive(Account(six_dates(known), known))
    bare = alone(book, facts)
    many = [six_dates(known, seed) for seed in range(1000)]
    forget()
    ours = each(lambda programme: audit(programme, known, detail=False), many)
    note = f"{engine.kept()} rows of values asked; beside bare durable-rules, {len(facts)} facts one by one; goal 2"
    return [
        row("audit of 6 passes with dates, 1,000 different, each", ours, bare.each, note),
        row("  beside one call", ours, bare.batch, f"all facts in one call: {bare.words}; goal 2"),
    ]


def run() -> list[dict[str, Any]]:
    """Rows of the table."""
    known, book = load(), rules_of()
    facts = derive(Account(six_passes(known), known))
    bare = alone(book, facts)
    many = [six_passes(known, seed) for seed in range(1000)]

    def plain(programme: Programme) -> None:
        audit(programme, known, detail=False)

    def forget() -> None:
        engine.forget()
        memo.forget(known)

    # medians of single calls, as of the peer: what else the machine does then hits both alike
    forget()
    ours = each(plain, many)
    kept = engine.kept()
    anew = each(plain, many[:300], before=engine.forget)
    first = each(plain, many[:100], before=forget)
    whole = each(lambda programme: audit(programme, known), many[:300])
    asked = median(lambda: engine.run(book, facts, remember=False), repeat=300)
    one_by_one = f"beside bare durable-rules, {len(facts)} facts one by one; goal 2"
    rows_asked = f"{kept} rows of values asked; {one_by_one}"
    one_call = f"all facts in one call: {bare.words}; goal 2"
    rows = [
        row("audit of 6 passes, 1,000 different programmes, each", ours, bare.each, rows_asked),
        row("  beside one call", ours, bare.batch, one_call),
        row("  durable-rules asked anew for each programme", anew, bare.each, one_by_one),
        row("  the same beside one call", anew, bare.batch, one_call),
        row("  all forgotten before each", first, bare.each, "also what is known of field and tanks"),
        row("  with cover and selection index", whole, bare.each, "beside bare durable-rules"),
        row("  beside our own call of durable-rules", ours, asked, "engine.run, every fact asked"),
    ]
    sizes, seconds = (100, 300, 1000), []
    for size in sizes:
        seconds.append(min(_all(many[:size], known, forget) for _ in range(3)))
    note = f"beside linear from 100; growth exponent {exponent(sizes, seconds):.3f}"
    rows.append(row("1,000 programmes in one process", seconds[-1], seconds[0] * 10, note))
    rows += _dated(known, book, forget)
    rows.append(_start_up())
    rows.append(_documents(known))
    return rows


def _all(programmes: list[Programme], known: Catalogue, forget: Callable[[], None]) -> float:
    """Seconds to audit all and keep none, as a batch does that has just begun."""
    forget()
    begin = time.perf_counter()
    for programme in programmes:
        audit(programme, known, detail=False)
    return time.perf_counter() - begin


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
