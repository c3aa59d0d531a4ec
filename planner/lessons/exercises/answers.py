"""Answers: reading what was typed, and running the rules on what it means.

Marking never looks at the key, except to tell it after a wrong answer.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from planner.catalogue import Catalogue
from planner.lessons.cast import cast
from planner.lessons.exercises.exercise import NONE, Exercise, Nonsense, Notes, Tank
from planner.lessons.season import Judged, judged, season


def read(exercise: Exercise, answer: str) -> tuple[str, ...]:
    """The answer's parts: letters, or the five facts.

    Raises:
        Nonsense: it is in no form that can be marked; the text is the hint.
    """
    hint = f"write {exercise.text.form}"
    if exercise.kind == "label":
        parts = tuple(part.strip() for part in re.split(r"[,;]", answer))
        if len(parts) != len(exercise.facts) or not all(parts):
            raise Nonsense(f"{hint}: {', '.join(fact.ask for fact in exercise.facts)}")
        return parts
    if answer.strip().casefold() == NONE and exercise.kind in ("product", "faults"):
        return ()
    text = re.sub(r"[\s,;.+]+|\band\b", " ", answer.strip(), flags=re.IGNORECASE).strip().upper()
    known = {item.letter for item in exercise.items}
    found = tuple(text.split() if " " in text or len(text) == 1 else text)
    if not found or not all(letter in known for letter in found) or len(set(found)) != len(found):
        raise Nonsense(f"{hint}; the letters are {' '.join(sorted(known))}")
    if exercise.kind in ("mend", "partner") and len(found) != 1:
        raise Nonsense(f"{hint}; one letter only")
    if exercise.kind == "order" and len(found) != len(known):
        raise Nonsense(f"{hint}; every letter once")
    return found


def again(exercise: Exercise, tanks: Sequence[Tank], catalogue: Catalogue) -> Judged:
    """These tanks judged on the season of the exercise."""
    parts = cast(catalogue, exercise.crop, exercise.target)
    programme = season(parts, catalogue, tanks, f"exercise {exercise.seed}", resistant=exercise.resistant)
    return judged(programme, catalogue)


def left(found: Judged) -> str:
    """Breaches and cautions in words."""
    heavy = [one for one in found.report.findings if one.severity != "advice"]
    return "; ".join(f"{one.rule} {one.name} ({one.severity}): {one.message}" for one in heavy)


def right_letters(exercise: Exercise) -> Notes:
    """What would have been right."""
    return [(False, f"right would be: {' or '.join(exercise.key)}")]
