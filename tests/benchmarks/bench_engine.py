"""How quick the engine is, as ratios to peers measured beside it on the same rules and facts.

Peers: durable-rules called bare (the same patterns, no checks, rows made beforehand), and the same rules as
plain Python conditions, which nobody could write without knowing Python. The engine is asked for every fact
(``remember=False``) where a row does not say "rows known". No time is asserted. Run it with
``python tests/benchmarks/bench_engine.py``.
"""

from __future__ import annotations

import json
import os
import random
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[1])]

from benchmarks.bare import Plain
from benchmarks.measure import best, row

from planner import engine, rulebook
from planner.conditions import Case
from planner.facts.kinds import KINDS, Fact
from planner.judge import judge
from planner.rulebook import Rulebook


def random_facts(count: int, seed: int = 1) -> list[Fact]:
    """Facts of all kinds with values in the range of rules' thresholds; one in twelve is unknown."""
    dice = random.Random(seed)
    facts = []
    names = sorted(KINDS)
    for number in range(count):
        kind = KINDS[names[number % len(names)]]
        values: dict[str, Any] = {}
        for field, type_ in kind.fields.items():
            pool: list[Any] = {
                "int": [0, 1, 2, 3, 14, 40],
                "flag": [0, 1],
                "text": ["high", "medium", "lost", ""],
            }[type_]
            values[field] = None if dice.random() < 1 / 12 else dice.choice(pool)
        facts.append(Fact(kind=kind.name, id=str(number), passes=(number % 6 + 1,), values=values))
    return facts


def ruleset(book: Rulebook) -> dict[str, Any]:
    """The rules as durable-rules takes them."""
    rules: dict[str, Any] = {}
    for rule in book.running:
        for index, case in enumerate(rule.cases):
            for number, tests in enumerate(engine.patterns(rule.kind, case)):
                name = f"{rule.code}/{index}/{number}"
                rules[name] = {"all": [{"m": {"$and": tests}}], "run": name, "cap": 1000}
    rules["never"] = {"all": [{"m": {"$ex": {"kind": 1}}}, {"never": {"kind": "~"}}], "run": "never"}
    rules["first"] = {"all": [{"m": {"kind": "~first"}}], "run": "first", "cap": 1000}
    return rules


def rows_of(facts: list[Fact]) -> list[dict[str, Any]]:
    """The facts as durable-rules takes them."""
    rows = []
    for fact in facts:
        one: dict[str, Any] = {"id": fact.id, "sid": "1", "kind": fact.kind}
        for field, value in fact.values.items():
            one[field] = (0 if value is None else value) if KINDS[fact.kind].fields[field] != "text" else value or ""
            one[f"{field}?"] = int(value is not None)
        rows.append(one)
    return rows


def bare(book: Rulebook, facts: list[Fact]) -> Callable[[], list[Any]]:
    """durable-rules as one would call it by hand, in this process: rows made beforehand, matches only collected."""
    return Plain(ruleset(book), rows_of(facts)).work


class Alone(NamedTuple):
    """Seconds of bare durable-rules: fact by fact; in one call, with the fastest and the slowest process."""

    each: float
    batch: float
    fastest: float
    slowest: float

    @property
    def words(self) -> str:
        """How far the processes differ."""
        return f"{self.fastest * 1e3:.2f} to {self.slowest * 1e3:.2f} ms a process"


def alone(book: Rulebook, facts: list[Fact], repeat: int = 9) -> Alone:
    """Seconds of the same work in a process of its own, medians of ``repeat`` processes.

    In one call it takes 0.38 or 0.86 ms for the 60 facts of six passes, as luck has it: where the library's memory
    begins decides whether glibc gives it back after every call (``planner/engine.py`` does away with that). Each
    process gets an environment of another length, so that the table shows how far luck goes.
    """
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bare.json"
        path.write_text(json.dumps({"rules": ruleset(book), "rows": rows_of(facts)}), encoding="utf-8")
        call = [sys.executable, str(Path(__file__).with_name("bare.py")), str(path)]
        found = []
        for at in range(repeat):
            environment = {**os.environ, "LENGTH": "x" * (250 * at)}
            done = subprocess.run(call, capture_output=True, check=True, env=environment)
            found.append(json.loads(done.stdout))
    batch = [one["batch"] for one in found]
    return Alone(statistics.median(one["each"] for one in found), statistics.median(batch), min(batch), max(batch))


_OPERATORS = {"is": "==", "not": "!=", "less_than": "<", "at_most": "<=", "more_than": ">", "at_least": ">="}


def plain(book: Rulebook, facts: list[Fact]) -> Callable[[], list[Any]]:
    """Every case as a compiled Python expression: what a hand-written checker would cost."""

    def source(case: Case) -> str:
        tests = []
        for one in case.when:
            left = f"v[{one.field!r}]"
            tests.append(f"{left} is not None")
            if one.other:
                other = f"v[{one.other!r}]"
                tests.append(f"{other} is not None")
                right = other if (one.times, one.plus) == (1, 0) else f"{other} * {one.times} + {one.plus}"
                tests.append(f"{left} {_OPERATORS[one.operator]} {right}")
            elif one.operator == "one_of":
                tests.append(f"{left} in {one.values!r}")
            else:
                tests.append(f"{left} {_OPERATORS[one.operator]} {one.values[0]!r}")
        return f"lambda v: {' and '.join(tests) or 'True'}"

    tests: dict[str, list[Any]] = {}
    for rule in book.running:
        for index, case in enumerate(rule.cases):
            tests.setdefault(rule.kind, []).append((rule.code, index, eval(source(case))))

    def work() -> list[Any]:
        return [
            (code, index, fact.id)
            for fact in facts
            for code, index, test in tests.get(fact.kind, ())
            if test(fact.values)
        ]

    return work


def side_by_side(book: Rulebook, facts: list[Fact]) -> list[dict[str, Any]]:
    """Both back ends and the whole judgement beside their peers; 50 facts are those of about 6 passes."""
    rows = []
    count = f"{len(facts)} facts"
    by_hand = plain(book, facts)
    expected = by_hand()
    assert [tuple(match) for match in engine.run(book, facts, backend="interpreter", remember=False)] == expected
    note = f"{len(expected)} matches"
    python = best(by_hand, 7, 10)
    interpreter = best(lambda: engine.run(book, facts, backend="interpreter", remember=False), 7, 10)
    rows.append(row(f"interpreter / plain Python, {count}", interpreter, python, note))
    if engine.backend_name() == "durable-rules":
        assert [tuple(match) for match in engine.run(book, facts, remember=False)] == expected
        library = best(bare(book, facts), 7, 10)
        ours = best(lambda: engine.run(book, facts, remember=False), 7, 10)
        rows.append(row(f"engine.run / bare durable-rules, {count}", ours, library, note))
        known = best(lambda: engine.run(book, facts), 7, 10)
        rows.append(row(f"engine.run, rows known / bare, {count}", known, library, "durable-rules is not asked"))
        judged = best(lambda: _judge_anew(book, facts), 7, 10)
        rows.append(row(f"judge / bare durable-rules, {count}", judged, library, "findings and words, rows not known"))
        judged = best(lambda: judge(book, facts), 7, 10)
        rows.append(row(f"judge, rows known / bare, {count}", judged, library, "findings and words"))
        rows.append(row(f"engine.run / plain Python, {count}", ours, python, note))
        rows.append(row(f"engine.run / interpreter, {count}", ours, interpreter, note))
    return rows


def _judge_anew(book: Rulebook, facts: list[Fact]) -> None:
    engine.forget()
    judge(book, facts)


def run() -> list[dict[str, Any]]:
    """All rows: name, ours, peer, ratio, unit, note."""
    book = rulebook.load()
    rows = [entry for count in (50, 500) for entry in side_by_side(book, random_facts(count))]
    load = best(rulebook.load, repeat=5, inner=3)
    folder = Path(rulebook.__file__).resolve().parent.parent
    texts = [path.read_bytes() for path in rulebook.rule_files(folder / "rules")]
    import yaml

    reading = best(lambda: [yaml.load(text, Loader=yaml.CSafeLoader) for text in texts], repeat=3, inner=1)
    rows.append(row("rulebook.load from cache / bare YAML of the same files", load, reading, "35 rule files"))
    return rows


if __name__ == "__main__":
    if "--json" in sys.argv:
        print(json.dumps(run(), indent=2))
    else:
        for entry in run():
            times = f"{entry['ours'] * 1e3:9.3f} ms {entry['peer'] * 1e3:9.3f} ms {entry['ratio']:7.2f}x"
            print(f"{entry['name']:60} {times}  {entry['note']}")
