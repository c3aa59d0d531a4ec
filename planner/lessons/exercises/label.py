"""Exercise ``label``: an invented label in awkward order, and five facts to find on it."""

from __future__ import annotations

from planner.catalogue import Catalogue
from planner.lessons.cast import classrooms, product_name
from planner.lessons.exercises.bench import Bench
from planner.lessons.exercises.exercise import Exercise, Fact, Notes
from planner.render import words


def make(bench: Bench) -> Exercise | None:
    """An invented label in awkward order, and five facts to find."""
    rng, catalogue = bench.rng, bench.catalogue
    active = rng.choice(bench.risky)
    crop = bench.parts.room.classroom
    stages = sorted(catalogue.crop(crop).stages, key=lambda one: one.bbch)
    last = rng.choice(stages[len(stages) // 2 :])
    other = rng.choice([one for one in sorted(classrooms()) if one != crop])
    most, interval = rng.choice((1, 2, 3)), rng.choice((7, 10, 14, 21))
    harvest, reentry = rng.choice((14, 21, 28, 35, 45)), rng.choice((12, 24, 48))
    code = catalogue.group(active.group).code
    facts: dict[str, str] = {
        "harvest": f"{crop.capitalize()}: do not apply within {harvest} days of harvest.",
        "stage": f"{crop.capitalize()}: last application no later than stage {last.code}.",
        "group": f"GROUP {code} FUNGICIDE. Active ingredient: {active.name}, {rng.choice((100, 200, 250))} g/L.",
        "interval": f"{crop.capitalize()}: wait at least {interval} days between applications.",
        "most": f"{crop.capitalize()}: make no more than {words.count(most, 'application')} per season.",
    }
    padding = [
        f"Keep out of treated areas for {reentry} hours; wear gloves, long sleeves and eye protection.",
        "Shake well. Add to a half-full tank under agitation.",
        "Do not contaminate water. Keep the distance to water that local rules ask for.",
        "Do not apply where bees are foraging.",
    ]
    padding = rng.sample(padding, 1 + bench.level)
    if bench.level > 1:
        padding.append(f"{other.capitalize()}: no more than {most + 1} applications, {harvest + 7} days to harvest.")
    if bench.level > 2:
        padding.append(f"{other.capitalize()}: at least {interval + 7} days between applications.")
    order = [*facts, *(str(at) for at in range(len(padding)))]
    rng.shuffle(order)
    lines = [facts[name] if name in facts else padding[int(name)] for name in order]
    at = {name: order.index(name) + 1 for name in facts}
    asked = (
        Fact("the mode-of-action group", code, at["group"], (f"frac {code}", f"group {code}", f"frac{code}")),
        Fact("most applications per season", str(most), at["most"]),
        Fact("least days between applications", str(interval), at["interval"], (f"{interval} days", f"{interval} d")),
        Fact("last stage", last.code, at["stage"], (f"stage {last.code}".casefold(),)),
        Fact("days to harvest", str(harvest), at["harvest"], (f"{harvest} days", f"{harvest} d")),
    )
    return bench.exercise(
        "label",
        (),
        [", ".join(fact.answer for fact in asked)],
        lines=tuple(lines),
        facts=asked,
        intro=f"Label of {product_name(active)}, an invented product. Answer for {crop}.",
    )


def mark(exercise: Exercise, given: tuple[str, ...], catalogue: Catalogue) -> Notes:
    """Fact by fact, in any of the spellings that a label would pass for."""
    notes: Notes = []
    for fact, answer in zip(exercise.facts, given, strict=True):
        told = " ".join(answer.casefold().split())
        right = told == fact.answer.casefold() or told in (one.casefold() for one in fact.accepts)
        said = "right" if right else f"'{answer}' is not what the label says"
        notes.append((right, f"{fact.ask}: {fact.answer}, line {fact.line} of the label ({said})"))
    return notes
