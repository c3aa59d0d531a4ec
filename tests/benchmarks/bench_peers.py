"""The engine beside CLIPS, clingo and plain Python: the same rules, the same facts, the same matches."""

from __future__ import annotations

import contextlib
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[1])]

from benchmarks.bench_audit import six_passes
from benchmarks.measure import median, row

from planner import engine
from planner.account import Account
from planner.audit import rules_of
from planner.catalogue import load
from planner.conditions import Condition
from planner.facts import derive
from planner.facts.kinds import KINDS, Fact
from planner.rulebook import Rulebook

Matches = set[tuple[str, int, str]]
SIGN = {"is": "==", "not": "!=", "less_than": "<", "at_most": "<=", "more_than": ">", "at_least": ">="}


def plain_python(book: Rulebook) -> Callable[[list[Fact]], Matches]:
    """Each case as one compiled lambda over the values of a fact."""
    tests: dict[str, list[tuple[str, int, Callable[[dict[str, Any]], bool]]]] = {}
    for rule in book.running:
        for at, case in enumerate(rule.cases):
            source = " and ".join(_python(condition) for condition in case.when) or "True"
            tests.setdefault(rule.kind, []).append((rule.code, at, eval(f"lambda v: {source}")))
    return lambda facts: {
        (code, at, fact.id) for fact in facts for code, at, test in tests.get(fact.kind, ()) if test(fact.values)
    }


def _python(condition: Condition) -> str:
    left = f"v[{condition.field!r}]"
    if condition.operator == "one_of":
        return f"{left} in {condition.values!r}"
    if not condition.other:
        return f"({left} is not None and {left} {SIGN[condition.operator]} {condition.values[0]!r})"
    right = f"v[{condition.other!r}]"
    scaled = right if (condition.times, condition.plus) == (1, 0) else f"{right}*{condition.times}+{condition.plus}"
    return f"({left} is not None and {right} is not None and {left} {SIGN[condition.operator]} {scaled})"


def clips_judge(book: Rulebook) -> Callable[[list[Fact]], Matches]:
    """Templates and rules in CLIPS; unknown values are the symbol ``nil``."""
    import clips

    environment = clips.Environment()
    hits: Matches = set()
    environment.define_function(lambda code, at, key: hits.add((str(code), int(at), str(key))), name="hit")
    for kind in KINDS.values():
        slots = " ".join(f"(slot {field})" for field in kind.fields)
        environment.build(f"(deftemplate {kind.name} (slot key) {slots})")
    for rule in book.running:
        for at, case in enumerate(rule.cases):
            fields = {field: f"?x{n}" for n, field in enumerate(dict.fromkeys(f for c in case.when for f in c.reads))}
            slots = " ".join(f"({field} {variable}&~nil)" for field, variable in fields.items())
            tests = " ".join(f"(test {_clips(condition, fields)})" for condition in case.when)
            environment.build(
                f'(defrule r{rule.code}-{at} ({rule.kind} (key ?k) {slots}) {tests} => (hit "{rule.code}" {at} ?k))'
            )

    def judge(facts: list[Fact]) -> Matches:
        hits.clear()
        environment.reset()
        for fact in facts:
            values = " ".join(f"({field} {_value(value)})" for field, value in fact.values.items())
            environment.assert_string(f"({fact.kind} (key {json.dumps(fact.id)}) {values})")
        environment.run()
        return set(hits)

    return judge


def _value(value: Any) -> str:
    return "nil" if value is None else json.dumps(value)


def _clips(condition: Condition, fields: dict[str, str]) -> str:
    left = fields[condition.field]
    if condition.operator == "one_of":
        return f"(or {' '.join(f'(eq {left} {json.dumps(value)})' for value in condition.values)} FALSE)"
    right = json.dumps(condition.values[0]) if not condition.other else fields[condition.other]
    if condition.other and (condition.times, condition.plus) != (1, 0):
        right = f"(+ (* {right} {condition.times}) {condition.plus})"
    sign = {"is": "eq", "not": "neq"}.get(condition.operator) or SIGN[condition.operator]
    return f"({sign} {left} {right})"


def run() -> list[dict[str, Any]]:
    """Rows of the table; every peer must give the very same matches."""
    known, book = load(), rules_of()
    facts = derive(Account(six_passes(known), known))
    ours = {tuple(match) for match in engine.run(book, facts, remember=False)}
    time_ = median(lambda: engine.run(book, facts, remember=False), inner=20)  # every fact asked, as of the peers
    rows = []
    peers: list[tuple[str, Callable[[list[Fact]], Matches]]] = [("plain Python", plain_python(book))]
    with contextlib.suppress(ImportError):
        peers.append(("CLIPS (clipspy)", clips_judge(book)))
    with contextlib.suppress(ImportError):
        import clingo_model

        peers.append(("clingo", lambda facts: clingo_model.judge(book, facts)))
    for name, judge in peers:
        same = judge(facts) == ours
        peer = median(lambda judge=judge: judge(facts), inner=5)  # type: ignore[misc]
        note = f"{len(facts)} facts, {len(book.running)} rules; matches {'the same' if same else 'DIFFER'}"
        rows.append(row(f"engine beside {name}", time_, peer, note))
    return rows


if __name__ == "__main__":
    for line in run():
        print(line)
