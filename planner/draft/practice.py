"""Good practice beside the rules: what a plant pathologist asks of a programme before signing it.

The rules forbid; these points prefer. They are those that ``Wanted.strict`` writes as constraints, told here of any
programme from its account, so that a renderer can say them and a test can hold the constraints against them. FRAC's
general advice is to mix or alternate effective modes of action; the numbers (two modes, three days, half of the window)
are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from planner.account import TargetState
from planner.draft.options import Column, Space
from planner.facts.rotation import pairs_of

NEAR = 3  # days from a published stage that still count as that stage


def broken(space: Space, columns: Sequence[Column]) -> list[str]:
    """Points that a programme departs from, as the end of a sentence that begins with the programme."""
    found = [*_twice(space, columns)]
    seen = space.view(columns)
    for target in seen.targets:
        if target.entry.pressure != "low" and target.window is not None and target.window.first is not None:
            found += _on_time(space, columns, target)
        if target.entry.pressure == "high":
            modes = working_modes(space, columns, target)
            if len(modes) < 2:
                found.append(f"has {len(modes) or 'no'} working mode{'s' * (not modes)} on {target.name} all season")
    if any(column.resisted and not column.kept for column in columns):
        found.append("uses a group on a disease where resistance to it is reported")
    return found


def working_modes(space: Space, columns: Sequence[Column], target: TargetState) -> list[str]:
    """Groups that are effective on a target over the season, groups joined for mixing once."""
    seen = space.view(columns)
    modes: list[str] = []
    for column in columns:
        if target.id in column.spans:
            for use in column.uses.uses:
                if seen.effect(use, target).value and not any(seen.joined(one, use.group, "mixing") for one in modes):
                    modes.append(use.group)
    return modes


def _on_time(space: Space, columns: Sequence[Column], target: TargetState) -> Iterator[str]:
    assert target.window is not None and target.window.first is not None
    covering = [column for column in columns if target.id in column.spans]
    if not any(column.spans[target.id][0][0] <= target.window.first for column in covering):
        yield f"leaves {target.name} open on the day its window begins"
    stages = target.target.best_timing[:1] if target.target.timing_style == "stage_timed" else ()
    if target.entry.pressure == "high" and stages:
        day = space.season.day(stages[0])[0]
        if day is not None and not any(abs(space.slots[c.slot].day - day) <= NEAR for c in covering):
            yield f"has no pass at {stages[0]}, the published stage for {target.name}"


def _twice(space: Space, columns: Sequence[Column]) -> Iterator[str]:
    seen = space.view(columns)
    groups = sorted({use.group for state in seen.passes for use in state.uses})
    for at, one in enumerate(groups):
        for other in groups[at:]:
            if one != other and not seen.joined(one, other, "succession"):
                continue
            for fact in pairs_of(seen, one, other):
                leans = fact.values["at_risk"] and fact.values["targets_shared"] and fact.values["risk"] != "low-medium"
                if leans and not fact.values["run_forbidden"]:
                    words = seen.group_words(one) + (f" and {seen.group_words(other)}" if other != one else "")
                    yield f"leans on {words} twice in a row"
                    break
