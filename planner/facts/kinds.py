"""The kinds of flat facts that rules look at, declared once.

A rule file may name only the fields and the display texts of its kind; a fact may carry only them. The rulebook, the
engine and the makers of facts all check against this table, so a misspelt field is refused when a rule is loaded and
not silently never found.
"""

from __future__ import annotations

from typing import Any, Literal

from planner.model import Severity, Struct

FieldType = Literal["text", "int", "flag"]
FactValue = str | int | None  # None: unknown, never "no"


class FactKind(Struct, kw_only=True):
    """One kind of fact.

    ``fields`` are what conditions compare: text, whole numbers in the unit the field's name tells (mg/ha, mL/ha,
    days, per mille) and flags (0 or 1). ``shows`` are further texts that only messages may hold.
    """

    name: str
    fields: dict[str, FieldType]
    shows: tuple[str, ...] = ()
    about: str


class Fact(Struct, kw_only=True):
    """One flat fact about a programme.

    ``values`` holds every field of its kind; None is unknown, and ``unknown`` then says which fact to supply.
    ``cap`` is the most severe finding that the evidence behind this fact allows and ``lower`` the steps by which a
    finding is made milder (contract, section 5, "Severity" and "Limits compete"). ``subject`` is what findings are
    merged by.
    """

    kind: str
    id: str
    passes: tuple[int, ...]
    values: dict[str, FactValue]
    shows: dict[str, str] = {}
    evidence: dict[str, Any] = {}
    unknown: dict[str, str] = {}
    cap: Severity = "breach"
    cap_reason: str = ""
    lower: int = 0
    lower_reason: str = ""
    sources: tuple[str, ...] = ()
    subject: str = ""
    place: str = ""


KINDS: dict[str, FactKind] = {
    kind.name: kind
    for kind in (
        FactKind(
            name="neighbours",
            about="two passes with no other pass between them",
            fields={"days_apart": "int"},
            shows=("first", "second"),
        ),
    )
}
