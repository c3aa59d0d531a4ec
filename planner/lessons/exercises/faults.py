"""Exercise ``faults``: a season with planted faults, and statements about it of which some hold."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from planner.catalogue import Catalogue
from planner.lessons.exercises.answers import again
from planner.lessons.exercises.bench import TRIES, Bench
from planner.lessons.exercises.exercise import LETTERS, Exercise, Fault, Item, Notes, tank_words, texts
from planner.lessons.exercises.planting import plant
from planner.model import Finding
from planner.render import words


def make(bench: Bench) -> Exercise | None:
    """A season with as many faults as the level, and statements about it."""
    count = 3 if bench.level == 1 else 4
    for _ in range(TRIES):
        base = bench.sound(count)
        planted = base and plant(bench, base, bench.level)
        if not planted:
            continue
        tanks, faults = planted
        found = bench.judge(tanks)
        # other rules may advise; a statement about the same rule and a shared pass would be neither true nor false
        near = {(one.rule, number) for one in found for number in one.passes}
        said = {one.rule: one.says for one in texts().faults}
        if any(rule not in said for rule, _ in faults):
            continue
        false = [
            fault
            for fault in _statements(count, list(said))
            if not any((fault[0], number) in near for number in fault[1])
        ]
        wanted = 2 + 2 * bench.level - len(faults)
        if len(false) < wanted:
            continue
        shown = [*sorted(faults), *bench.rng.sample(false, wanted)]
        bench.rng.shuffle(shown)
        items = [
            Item(LETTERS[at], said[rule].format(passes=words.passes(passes)), fault=(rule, passes))
            for at, (rule, passes) in enumerate(shown)
        ]
        key = " ".join(item.letter for item in items if item.fault in faults)
        return bench.exercise("faults", items, [key], tanks=tanks)
    return None


def _statements(count: int, rules: Sequence[str]) -> Iterator[Fault]:
    for rule in rules:
        if rule == "ROT03":
            yield rule, tuple(range(1, count + 1))
        elif rule in ("ROT01", "LIM02"):
            for at in range(1, count):
                yield rule, (at, at + 1)
        else:
            for at in range(1, count + 1):
                yield rule, (at,)


def mark(exercise: Exercise, given: tuple[str, ...], catalogue: Catalogue) -> Notes:
    """Every fault that the audit finds has to be chosen, and nothing else."""
    found = again(exercise, exercise.tanks, catalogue)
    by_fault: dict[Fault, Finding] = {
        (one.rule, one.passes): one for one in found.report.findings if one.severity != "advice"
    }
    notes: Notes = []
    for item in exercise.items:
        assert item.fault is not None
        finding, chosen = by_fault.get(item.fault), item.letter in given
        if finding is not None:
            lead = f"{item.letter} holds" + ("" if chosen else ", and was missed")
            told = f"{finding.rule} {finding.name}, {finding.severity}: {finding.message}. {finding.why}"
            notes.append((chosen, f"{lead}: {told}"))
        elif chosen:
            shown = _instead(item.fault, exercise, catalogue)
            notes.append((False, f"{item.letter} does not hold: {item.fault[0]} finds nothing there; {shown}"))
    if not notes:
        notes.append((False, "nothing was chosen"))
    return notes


def _instead(fault: Fault, exercise: Exercise, catalogue: Catalogue) -> str:
    said = [
        f"pass {number}: {tank_words(exercise.tanks[number - 1], catalogue)}"
        for number in fault[1]
        if number <= len(exercise.tanks)
    ]
    return "; ".join(said)
