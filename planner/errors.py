"""Every error that the planner raises on purpose.

    PlannerError
    ├── InputError      what the user wrote is wrong: file, line, problem, cure (exit code 2)
    │   └── ManyInputErrors   several of them, one line each
    ├── UnknownName     a name that the catalogue does not hold, with the nearest (turned into InputError at the door)
    ├── RulebookError   a rule file is wrong: file, line, problem, cure (exit code 2)
    ├── EngineError     the rule engine answered with an exception of its own (exit code 3)
    └── NoProgramme     no programme can satisfy the rules (exit code 1)
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from difflib import get_close_matches

from planner.model import Place


class PlannerError(Exception):
    """Base of all errors raised on purpose."""


class InputError(PlannerError):
    """What the user wrote is wrong. Printed as ``file:line: problem; cure``."""

    def __init__(self, place: Place | str, problem: str, cure: str = "") -> None:
        self.place = place
        self.problem = " ".join(problem.split())  # what the user wrote may hold line breaks; an error is one line
        self.cure = " ".join(cure.split())
        super().__init__(f"{place}: {self.problem}" + (f"; {self.cure}" if self.cure else ""))


class ManyInputErrors(InputError):
    """Several things need a change; one line each."""

    def __init__(self, errors: Sequence[InputError]) -> None:
        parts = [part for one in errors for part in (one.errors if isinstance(one, ManyInputErrors) else (one,))]
        self.errors: tuple[InputError, ...] = tuple({str(part): part for part in parts}.values())
        super().__init__(parts[0].place, parts[0].problem, parts[0].cure)


def raise_all(errors: Sequence[InputError]) -> None:
    """Raise what was collected: one error by itself, several together, nothing where there is none.

    Raises:
        InputError: there is at least one.
    """
    if errors:
        raise errors[0] if len(errors) == 1 else ManyInputErrors(errors)


class RulebookError(InputError):
    """A rule, limit or catalogue file is wrong."""


class UnknownName(PlannerError):
    """A name that is not known: ``kind`` (active, target ...), ``name`` and the nearest known names."""

    def __init__(self, kind: str, name: str, known: Iterable[str]) -> None:
        self.kind = kind
        self.name = name
        self.nearest = nearest(name, known)
        super().__init__(f"unknown {kind} '{name}'" + (f"; {self.cure}" if self.cure else ""))

    @property
    def cure(self) -> str:
        """What to write instead, or an empty text."""
        return f"did you mean {' or '.join(self.nearest)}?" if self.nearest else ""


class EngineError(PlannerError):
    """The rule engine failed; names the rule where that is known."""


class NoProgramme(PlannerError):
    """No programme can satisfy the rules; ``reasons`` names a smallest set of rules and limits that clash."""

    def __init__(self, message: str, reasons: Sequence[str] = ()) -> None:
        self.reasons = tuple(reasons)
        super().__init__(message)


def nearest(name: str, known: Iterable[str], count: int = 2) -> tuple[str, ...]:
    """Up to ``count`` known spellings closest to ``name``."""
    folded = {text.casefold(): text for text in known}
    return tuple(folded[hit] for hit in get_close_matches(name.casefold(), list(folded), n=count, cutoff=0.6))
