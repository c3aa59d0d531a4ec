"""Exercise ``product``: pairs of products in succession; in which did the name change and the group not?"""

from __future__ import annotations

from collections.abc import Sequence

from planner.catalogue import Catalogue
from planner.lessons.cast import product_name
from planner.lessons.exercises.bench import Bench
from planner.lessons.exercises.exercise import LETTERS, NONE, Exercise, Item, Notes, actives_words
from planner.model import Active


def make(bench: Bench) -> Exercise | None:
    """Pairs of products in succession: did the group change with the name?"""
    size = 2 + bench.level
    pairs = [members for members in bench.groups.values() if len(members) > 1]
    if not pairs or len(bench.groups) < 2:
        return None
    items: list[Item] = []
    for at in range(size):
        same = bench.rng.random() < 0.5
        if same:
            one, other = bench.rng.sample(bench.rng.choice(pairs), 2)
        else:
            first, second = bench.rng.sample(sorted(bench.groups), 2)
            one, other = bench.rng.choice(bench.groups[first]), bench.rng.choice(bench.groups[second])
        left: tuple[Active, ...] = (one,)
        right: tuple[Active, ...] = (other,)
        if bench.level == 3 and bench.multi and bench.rng.random() < 0.5:
            left, right = (one, bench.rng.choice(bench.multi)), (other, bench.rng.choice(bench.multi))
        names = _names(left, right)
        text = f"{names[0]} ({actives_words(left)}), then {names[1]} ({actives_words(right)})"
        items.append(Item(LETTERS[at], text, actives=(*left, *right), split=len(left)))
    key = " ".join(item.letter for item in items if same_risk(item, bench.catalogue)) or NONE
    return bench.exercise("product", items, [key])


def _names(left: Sequence[Active], right: Sequence[Active]) -> tuple[str, str]:
    first = product_name(left[0])
    place = 0
    while product_name(right[0], place) == first:
        place += 1
    return first, product_name(right[0], place)


def same_risk(item: Item, catalogue: Catalogue) -> bool:
    """Whether the at-risk groups of the two tanks of a change share one (story 20: product changed, group did not)."""
    left, right = item.actives[: item.split], item.actives[item.split :]
    return any(
        catalogue.joined(one.group, other.group, "succession")
        for one in left
        for other in right
        if one.at_risk and other.at_risk
    )


def mark(exercise: Exercise, given: tuple[str, ...], catalogue: Catalogue) -> Notes:
    """Every pair whose at-risk group stayed has to be chosen, and no other."""
    notes: Notes = []
    for item in exercise.items:
        same, chosen = same_risk(item, catalogue), item.letter in given
        codes = [catalogue.group(active.group).words for active in item.actives]
        shown = f"{' + '.join(codes[: item.split])}, then {' + '.join(codes[item.split :])}"
        if same:
            notes.append((chosen, f"{item.letter}: product changed, group did not: {shown}"))
        elif chosen:
            notes.append((False, f"{item.letter}: the group changed with the product: {shown}"))
    return notes or [(True, "in every change the at-risk group changed with the product")]
