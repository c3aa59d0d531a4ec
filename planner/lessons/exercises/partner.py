"""Exercise ``partner``: an at-risk active, and candidates for its tank of which some are partners that work."""

from __future__ import annotations

from collections.abc import Sequence

from planner.catalogue import Catalogue
from planner.lessons.exercises.answers import again, left, right_letters
from planner.lessons.exercises.bench import TRIES, Bench, weighty
from planner.lessons.exercises.exercise import LETTERS, Exercise, Item, Notes, Tank, active_words
from planner.lessons.season import judged


def make(bench: Bench) -> Exercise | None:
    """An at-risk active and candidates for the tank; from level 2 on one group no longer works on the field."""
    groups = sorted(bench.groups)
    for _ in range(TRIES):
        group = bench.rng.choice(groups)
        lead, *sisters = bench.rng.sample(bench.groups[group], len(bench.groups[group]))
        lost = [name for name in groups if name != group]
        resistant = (bench.rng.choice(lost),) if bench.level > 1 and lost else ()
        good = [active for active in bench.parts.pool if active.group != group and active.group not in resistant]
        bad = [*sisters[: 1 + bench.level], *(active for name in resistant for active in bench.groups[name][:2])]
        size = 3 + bench.level
        chosen = [*bench.rng.sample(good, min(len(good), 1 + (bench.level > 2))), *bad]
        chosen = list(dict.fromkeys(chosen))[:size]
        bench.rng.shuffle(chosen)
        tanks: tuple[Tank, ...] = (((lead, 1.0),),)
        items = [
            Item(
                LETTERS[at],
                active_words(active, bench.catalogue, code=bench.level == 1),
                actives=(active,),
                tanks=(((lead, 1.0), (active, 1.0)),),
            )
            for at, active in enumerate(chosen)
        ]
        ways = [_works(bench, item.tanks, resistant) for item in items]
        if None in ways:
            continue
        key = [item.letter for item, way in zip(items, ways, strict=True) if way]
        if key and len(key) < len(items) and len(items) >= 3:
            note = ""
            if resistant:
                names = " and ".join(bench.catalogue.group(name).words for name in resistant)
                found = f"{names} no longer works on {bench.parts.target_name}"
                note = f" A test on this field (invented) found that {found}."
            intro = f"{bench.intro} Pass 1 holds {active_words(lead, bench.catalogue)}.{note}"
            return bench.exercise("partner", items, key, tanks=tanks, resistant=resistant, intro=intro)
    return None


def _works(bench: Bench, tanks: Sequence[Tank], resistant: Sequence[str]) -> bool | None:
    """Whether pass 1 has two working modes; None where it has, and the mix breaks a published row all the same."""
    found = judged(bench.season(tanks, resistant), bench.catalogue)
    if found.modes[1][0] < 2:
        return False
    return None if any(rule.startswith("MIX") for rule, _ in weighty(found.report.findings)) else True


def mark(exercise: Exercise, given: tuple[str, ...], catalogue: Catalogue) -> Notes:
    """The partner is right if pass 1 has two working modes with it and no mixing rule speaks."""
    item = next(one for one in exercise.items if one.letter == given[0])
    lead = exercise.tanks[0][0][0]
    active = item.actives[0]
    found = again(exercise, item.tanks, catalogue)
    working, _codes = found.modes[1]
    if working >= 2 and not any(rule.startswith("MIX") for rule, _ in weighty(found.report.findings)):
        code = catalogue.group(active.group).words
        return [(True, f"{active.name} is {code} and works by itself: {working} working modes")]
    if catalogue.joined(active.group, lead.group, "mixing"):
        why = f"{active.name} is {catalogue.group(active.group).words}, the same mode of action as {lead.name}"
    elif active.group in exercise.resistant:
        why = f"{catalogue.group(active.group).words} no longer works on this field"
    else:
        why = f"{active.name} gives {working} working mode in the tank; {left(found)}"
    return [(False, f"{item.letter}: {why}"), *right_letters(exercise)]
