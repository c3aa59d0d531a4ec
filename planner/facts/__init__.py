"""From an account of the season to flat facts: a pure function, one module per family of rules."""

from __future__ import annotations

from planner.account import Account
from planner.facts import labels, limits, mixing, resistance, rotation, timing
from planner.facts.kinds import KINDS, Fact, FactKind

FAMILIES = (labels, rotation, limits, mixing, resistance, timing)

__all__ = ["KINDS", "Fact", "FactKind", "derive"]


def derive(account: Account) -> list[Fact]:
    """All facts of one programme, in a fixed order."""
    return [fact for family in FAMILIES for fact in family.make(account)]
