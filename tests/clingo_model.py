"""The conditions of the rulebook as an answer-set programme: a judge that shares no code with the engine (test-only).

Solver: clingo 5.8 (Potassco, University of Potsdam), a general-purpose ASP system from the registry.
"""

from __future__ import annotations

import json
from collections.abc import Sequence

import clingo

from planner.conditions import Case, Condition
from planner.facts.kinds import Fact
from planner.rulebook import Rulebook

COMPARE = {"is": "=", "not": "!=", "less_than": "<", "at_most": "<=", "more_than": ">", "at_least": ">="}


def term(value: int | str) -> str:
    """A value as an ASP term."""
    return json.dumps(value, ensure_ascii=True) if isinstance(value, str) else str(value)


def programme(rulebook: Rulebook) -> str:
    """All rules as ASP rules ``hit(Rule, Case, Fact)``."""
    return "\n".join(
        f"hit({term(rule.code)},{number},F) :- fact(F,{term(rule.kind)}){body(case)}."
        for rule in rulebook.running
        for number, case in enumerate(rule.cases)
    )


def body(case: Case) -> str:
    """The conditions of a case as literals."""
    return "".join(f", {literal(condition, at)}" for at, condition in enumerate(case.when))


def literal(condition: Condition, at: int) -> str:
    """One condition; an unknown value has no atom, so nothing that reads it holds."""
    left = f"value(F,{term(condition.field)},L{at})"
    if condition.operator == "one_of":
        return f"{left}, L{at} = ({';'.join(term(value) for value in condition.values)})"
    sign = COMPARE[condition.operator]
    if not condition.other:
        return f"{left}, L{at} {sign} {term(condition.values[0])}"
    right = f"value(F,{term(condition.other)},R{at})"
    if condition.times == 1 and condition.plus == 0:
        return f"{left}, {right}, L{at} {sign} R{at}"
    return f"{left}, {right}, L{at} {sign} R{at}*{condition.times}+{condition.plus}"


def atoms(facts: Sequence[Fact]) -> str:
    """Facts as atoms; what is unknown is absent."""
    lines = []
    for fact in facts:
        lines.append(f"fact({term(fact.id)},{term(fact.kind)}).")
        lines += [
            f"value({term(fact.id)},{term(field)},{term(value)})."
            for field, value in fact.values.items()
            if value is not None
        ]
    return "\n".join(lines)


def judge(rulebook: Rulebook, facts: Sequence[Fact]) -> set[tuple[str, int, str]]:
    """(rule, case, fact) of every case that holds."""
    control = clingo.Control(["--warn=none"])
    control.add("base", [], f"{programme(rulebook)}\n{atoms(facts)}\n#show hit/3.")
    control.ground([("base", [])])
    found: set[tuple[str, int, str]] = set()
    with control.solve(yield_=True) as handle:
        for model in handle:
            for symbol in model.symbols(shown=True):
                rule, case, fact = symbol.arguments
                found.add((rule.string, case.number, fact.string))
    return found
