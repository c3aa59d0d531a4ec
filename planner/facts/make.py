"""The small tools that all makers of facts share."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any

from planner.account import Account, Cap, PassState, TargetState, Use, tightest
from planner.facts.kinds import Fact, FactValue, Shown, Telling
from planner.model import Backing, Place, Truth

DATES = "give dates, or stages with the field's stage dates"
TARGETS = "give the field's targets"


_NOTHING: dict[str, str] = {}  # shared by all facts of which all is known: there are many


def fact(
    kind: str,
    key: str,
    passes: Sequence[int],
    values: dict[str, FactValue],
    tell: Callable[[], Telling],
    unknown: dict[str, str] = _NOTHING,
) -> Fact:
    """One fact with a unique id. ``unknown``: what to supply, by the field that is None. ``tell`` is asked when a rule
    fires on the fact: give ``partial(words_of_it, ...)`` and no lambda, which in a loop would tell of its last round.
    """
    return Fact(
        kind=kind,
        id=f"{kind}:{key}",
        passes=tuple(passes) if len(passes) == 1 else tuple(dict.fromkeys(passes)),
        values=values,
        unknown=unknown,
        tell=tell,
    )


def telling(
    *,
    shows: dict[str, Shown] | None = None,
    evidence: dict[str, Any] | None = None,
    caps: Iterable[Cap] = (),
    sources: Iterable[str] = (),
    backings: Sequence[Backing] = (),
    subject: str = "",
    place: Place | str = "",
) -> Telling:
    """What is told of a fact; the caps of all its evidence count, and its sources are those of ``backings`` too."""
    cap = tightest(caps)
    keys = list(sources)
    where: dict[str, str] = {}
    for backing in backings:
        keys += backing.sources
        if backing.sources and backing.where:
            # of several sources it is the last that the place belongs to, as ``Catalogue.cite`` reads it
            where[backing.sources[-1]] = backing.where
    return Telling(
        shows=shows or {},
        evidence=evidence or {},
        cap=cap.severity,
        cap_reason=cap.reason,
        lower=cap.lower,
        lower_reason=cap.lower_reason,
        sources=tuple(dict.fromkeys(keys)),
        where=where,
        subject=subject,
        place=str(place),
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


def names(targets: Iterable[TargetState]) -> tuple[str, ...]:
    """Targets in words, each once."""
    return tuple(dict.fromkeys(target.name for target in targets))


def shown(uses: Iterable[Use]) -> tuple[str, ...]:
    """Products and actives in the user's own words, each once."""
    return tuple(dict.fromkeys(use.shown for use in uses))


def estimated(account: Account, pairs: Iterable[tuple[PassState, TargetState]], what: str) -> list[Cap]:
    """The advice cap that an estimated stage sets on a finding."""
    for state, target in pairs:
        if account.meets(state, target).estimated:
            return [Cap("advice", f"{what} rests on estimated stage dates")]
    return []
