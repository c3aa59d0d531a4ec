"""Conditions of rules: one comparison each, on one field of one flat fact.

This is the meaning of a rule file's ``when`` in plain Python. The engine's interpreter, the "not assessed"
entries and the tests of the durable-rules back end all judge by these functions, so a condition has one
meaning everywhere.

Truth is three-valued: a comparison that reads an unknown value (None) is neither true nor false.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from operator import eq, ge, gt, le, lt, ne
from typing import Any, Literal

from planner.model import Severity, Struct, Truth

Operator = Literal["is", "not", "less_than", "at_most", "more_than", "at_least", "one_of"]
OPERATORS: tuple[Operator, ...] = ("is", "not", "less_than", "at_most", "more_than", "at_least", "one_of")
ORDERED: frozenset[str] = frozenset(("less_than", "at_most", "more_than", "at_least"))

# Numbers stay far inside 64 bits even after ``times`` and ``plus``, so that both back ends count alike.
MOST = 10**12
MOST_TIMES = 10**6

_COMPARE: dict[str, Callable[[Any, Any], bool]] = {
    "is": eq,
    "not": ne,
    "less_than": lt,
    "at_most": le,
    "more_than": gt,
    "at_least": ge,
}


class Condition(Struct, frozen=True, array_like=True):
    """``field operator right``, where the right side is ``values`` or ``other`` x ``times`` + ``plus``.

    ``values`` holds one value, or several for ``one_of``; it is empty when ``other`` names a field of the
    same fact.
    """

    field: str
    operator: Operator
    values: tuple[int | str, ...] = ()
    other: str = ""
    times: int = 1
    plus: int = 0

    @property
    def reads(self) -> tuple[str, ...]:
        """The fields that this condition reads."""
        return (self.field, self.other) if self.other else (self.field,)


class Case(Struct, frozen=True):
    """A severity with the conditions that must all hold for it; no condition: it always holds."""

    severity: Severity
    when: tuple[Condition, ...]
    because: str = ""


def holds(condition: Condition, values: Mapping[str, Any]) -> Truth:
    """Whether one condition holds for the values of a fact; None when it reads an unknown value."""
    left = values[condition.field]
    if left is None:
        return None
    if condition.operator == "one_of":
        return left in condition.values
    if not condition.other:
        return _COMPARE[condition.operator](left, condition.values[0])
    right = values[condition.other]
    if right is None:
        return None
    if not isinstance(right, str):
        right = right * condition.times + condition.plus
    return _COMPARE[condition.operator](left, right)


def all_hold(conditions: Iterable[Condition], values: Mapping[str, Any]) -> Truth:
    """Three-valued *and*: one false condition makes it false, else one unknown makes it unknown."""
    answer: Truth = True
    for condition in conditions:
        one = holds(condition, values)
        if one is False:
            return False
        if one is None:
            answer = None
    return answer


def unknown_fields(conditions: Iterable[Condition], values: Mapping[str, Any]) -> tuple[str, ...]:
    """The unknown fields that these conditions read, in order."""
    return tuple(
        dict.fromkeys(field for condition in conditions for field in condition.reads if values[field] is None)
    )


def _reads(cases: Iterable[Case], field: str) -> bool:
    for case in cases:
        for condition in case.when:
            if field in (condition.field, condition.other):
                return True
    return False


def undecided(
    cases: Iterable[Case], unknown_when: Iterable[str], values: Mapping[str, Any]
) -> tuple[str, ...]:
    """The fields whose lack keeps a rule from being decided for a fact; empty when it is decided.

    Cases are read in order. One that a known value rules out is passed over; the first that holds decides;
    one that hangs on a field of ``unknown_when`` that is unknown leaves the rule undecided. A field of
    ``unknown_when`` that no case reads is a gate: unknown, it leaves every case undecided that is not ruled
    out.
    """
    missing = [field for field in unknown_when if values.get(field) is None]
    if not missing:
        return ()
    cases = tuple(cases)
    gates = tuple([field for field in missing if not _reads(cases, field)])
    for case in cases:
        truth = all_hold(case.when, values)
        if truth is False:
            continue
        if truth is True:
            return gates
        lacking = tuple(field for field in unknown_fields(case.when, values) if field in missing)
        if lacking or gates:
            return (*lacking, *gates)
    return ()
