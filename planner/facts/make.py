"""The small tools that all makers of facts share."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from typing import Any

from planner.account import Account, Cap, PassState, TargetState, Use, tightest
from planner.facts.kinds import KINDS, Fact, FactValue
from planner.model import Backing, Truth

DATES = "give dates, or stages with the field's stage dates"
TARGETS = "give the field's targets"


def fact(
    kind: str,
    key: str,
    passes: Iterable[int],
    values: dict[str, FactValue],
    *,
    shows: dict[str, str] | None = None,
    evidence: dict[str, Any] | None = None,
    unknown: dict[str, str] | None = None,
    caps: Sequence[Cap] = (),
    sources: tuple[str, ...] = (),
    backings: Sequence[Backing] = (),
    subject: str = "",
    place: str = "",
) -> Fact:
    """One fact with a unique id; the caps of all its evidence count, and its sources are those of ``backings`` too."""
    cap = tightest(caps)
    return Fact(
        kind=kind,
        id=f"{kind}:{key}",
        passes=tuple(dict.fromkeys(passes)),
        values=values,
        shows={**dict.fromkeys(KINDS[kind].shows, ""), **(shows or {})},
        evidence=evidence or {},
        unknown=unknown or {},
        cap=cap.severity,
        cap_reason=cap.reason,
        lower=cap.lower,
        lower_reason=cap.lower_reason,
        sources=tuple(dict.fromkeys((*sources, *(key for backing in backings for key in backing.sources)))),
        subject=subject or key,
        place=place,
        # of several sources it is the last that the place belongs to, as ``Catalogue.cite`` reads it
        where={backing.sources[-1]: backing.where for backing in backings if backing.sources and backing.where},
    )


def flag(value: Truth) -> int | None:
    """Three-valued truth as a fact's flag."""
    return None if value is None else int(value)


def listed(items: Iterable[str], last: str = "and") -> str:
    """``a, b and c``."""
    seen = list(dict.fromkeys(items))
    if len(seen) < 2:
        return "".join(seen)
    return f"{', '.join(seen[:-1])} {last} {seen[-1]}"


def number(value: float) -> str:
    """A number without idle zeros."""
    return f"{value:.4g}" if abs(value) < 10000 else f"{value:.0f}"


def when(account: Account, state: PassState) -> str:
    """``R3, 16 July``: a pass's stage and date as far as they are known."""
    parts = [state.entry.stage or "", account.season.show(state.time.day)]
    return ", ".join(part for part in parts if part)


def stage_words(account: Account, state: PassState) -> str:
    """The pass's own stage, else the estimated one, else its date."""
    if state.entry.stage:
        return state.entry.stage
    if state.time.bbch is not None:
        return f"about BBCH{state.time.bbch[0]:02d}"
    return state.entry.date.isoformat() if state.entry.date else "a stage not known"


def names(targets: Iterable[TargetState]) -> str:
    """Targets in words."""
    return listed(target.name for target in targets)


def shown(uses: Iterable[Use]) -> str:
    """Products and actives in the user's own words."""
    return listed(use.shown for use in uses)


def estimated(account: Account, pairs: Iterable[tuple[PassState, TargetState]], what: str) -> list[Cap]:
    """The advice cap that an estimated stage sets on a finding."""
    for state, target in pairs:
        if account.meets(state, target).estimated:
            return [Cap("advice", f"{what} rests on estimated stage dates")]
    return []


def iso(day: int) -> str:
    """An ordinal as an ISO date."""
    return date.fromordinal(day).isoformat()
