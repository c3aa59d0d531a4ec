"""What an exercise is: its lettered lines, its key, its texts; and what an answer to it is worth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from planner import yamlio
from planner.catalogue import Catalogue
from planner.documents.shapes import shaped
from planner.errors import InputError, RulebookError
from planner.lessons.cast import FOLDER
from planner.lessons.shapes import ExercisesShape, KindShape
from planner.lessons.whatif import Hint
from planner.model import Active, Programme

Kind = Literal["faults", "mend", "order", "partner", "product", "label"]
KINDS: tuple[Kind, ...] = ("faults", "mend", "order", "partner", "product", "label")
LEVELS = (1, 2, 3)
LETTERS = "ABCDEFGHIJ"
NONE = "none"
Tank = tuple[tuple[Active, float], ...]  # actives with the share of their full label rate
Fault = tuple[str, tuple[int, ...]]  # rule and passes
Notes = list[tuple[bool, str]]  # one per point: whether it was right, and why


@dataclass(frozen=True)
class Item:
    """One lettered line of an exercise. ``tanks``: the whole season that it stands for; ``fault``: what it states."""

    letter: str
    text: str
    tanks: tuple[Tank, ...] = ()
    fault: Fault | None = None
    actives: tuple[Active, ...] = ()  # of a partner; the two tanks of a change, flattened
    split: int = 0  # number of actives of the first tank of a change


@dataclass(frozen=True)
class Fact:
    """One fact of a label: the question, the right answer, other spellings, and the line that it stands on."""

    ask: str
    answer: str
    line: int
    accepts: tuple[str, ...] = ()


@dataclass(frozen=True)
class Exercise:
    """One exercise. ``key``: every right answer, each in the form that :func:`mark` takes."""

    kind: Kind
    level: int
    seed: int
    crop: str
    target: str
    text: KindShape
    intro: str
    items: tuple[Item, ...]
    key: tuple[str, ...]
    programme: Programme | None = None
    tanks: tuple[Tank, ...] = ()
    resistant: tuple[str, ...] = ()
    lines: tuple[str, ...] = ()  # of a label
    facts: tuple[Fact, ...] = ()


@dataclass(frozen=True)
class Mark:
    """What an answer is worth. ``notes``: one line per point, each with whether it was right."""

    right: bool
    notes: tuple[tuple[bool, str], ...]


class Nonsense(Hint):
    """The answer is in no form that can be marked; the text is the hint."""


# --- texts ----------------------------------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def texts() -> ExercisesShape:
    """The texts of ``data/exercises.yaml``.

    Raises:
        RulebookError: the file is wrong.
    """
    document = yamlio.read(FOLDER / "data" / "exercises.yaml")
    try:
        return shaped(document, ExercisesShape, "list of exercises")
    except InputError as error:
        raise RulebookError(error.place, error.problem, error.cure) from None


def text_of(kind: Kind) -> KindShape:
    """The texts of one kind."""
    return next(one for one in texts().kinds if one.kind == kind)


def actives_words(actives: Sequence[Active]) -> str:
    """``azoxystrobin + prothioconazole``."""
    return " + ".join(active.name for active in actives)


def active_words(active: Active, catalogue: Catalogue, *, code: bool = True) -> str:
    """The active, with its group unless ``code`` is off."""
    return f"{active.name} ({catalogue.group(active.group).words})" if code else active.name


def tank_words(tank: Tank, catalogue: Catalogue) -> str:
    """The actives of a tank with their groups; a rate is told where it is not the full one."""
    said = []
    for active, share in tank:
        rate = "" if share == 1.0 else f" at {share:g} of its full rate"
        said.append(f"{active_words(active, catalogue)}{rate}")
    return " + ".join(said)
