"""Pass by pass, why a programme is as it is: what a pass covers, why on that day, with which modes, within which label
limits, and what the next pass must keep away from."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from planner.account import TargetState
from planner.draft.options import Column, Space
from planner.draft.practice import NEAR
from planner.draft.solve import Answer
from planner.facts.make import listed

SPARE = 14  # days to harvest beside those asked; with more of them nothing presses


@dataclass(frozen=True)
class Covered:
    """What a pass does against one target."""

    target: str
    groups: tuple[str, ...]  # groups that work on it, in words
    until: int  # ordinal of the last day of its cover inside the window


@dataclass(frozen=True)
class PassReason:
    """Why one pass is there. ``bare_without``: weighted target-days that nothing else in the programme would cover."""

    number: int
    day: int  # ordinal
    near: str
    kept: bool
    covers: tuple[Covered, ...]
    bare_without: int
    now: tuple[str, ...]
    label: tuple[str, ...]
    avoid: tuple[str, ...]  # groups in words that the next pass against the same targets must not lean on


def of(space: Space, answer: Answer, *, brief: bool = False) -> list[PassReason]:
    """The reasons of every foliar pass of a programme, in order.

    Args:
        brief: what holds for several targets is said once for all of them, and days to harvest only where they are
            near those that the labels ask.
    """
    columns = [column for column in answer.columns if column.slot >= 0]
    seen = space.view(answer.columns)
    found = []
    for at, column in enumerate(columns):
        slot = space.slots[column.slot]
        rest = [other for other in answer.columns if other is not column]
        at_risk = [
            group for group, uses in column.uses.by_group.items() if seen.at_risk(uses) and _serves(seen, column, group)
        ]
        found.append(
            PassReason(
                number=at + 1 + len(answer.columns) - len(columns),
                day=slot.day,
                near=slot.near,
                kept=column.kept,
                covers=tuple(_together(_covered(seen, column)) if brief else _covered(seen, column)),
                bare_without=space.bare(rest) - answer.bare,
                now=_told(_now(space, seen, columns[:at], column), brief),
                label=tuple(_label(space, column, SPARE if brief else None)),
                avoid=tuple(seen.group_words(group) for group in at_risk) if at + 1 < len(columns) else (),
            )
        )
    return found


def _serves(seen: Any, column: Column, group: str) -> bool:
    uses = column.uses.by_group[group]
    return any(seen.effect(use, target).value for use in uses for target in seen.targets if target.id in column.spans)


def _covered(seen: Any, column: Column) -> Iterator[Covered]:
    for target in seen.targets:
        works = [use.group for use in column.uses.uses if seen.effect(use, target).value]
        ends = [last for _, last in column.spans.get(target.id, ())]
        if works and ends and target.window is not None:
            groups = dict.fromkeys(seen.group_words(group) for group in works)
            yield Covered(target.name, tuple(groups), min(max(ends), target.window.through or max(ends)))


def _together(covers: Iterable[Covered]) -> list[Covered]:
    """Targets that the same groups cover until the same day as one."""
    found: dict[tuple[tuple[str, ...], int], list[str]] = {}
    for one in covers:
        found.setdefault((one.groups, one.until), []).append(one.target)
    return [Covered(listed(targets), groups, until) for (groups, until), targets in found.items()]


def _told(now: Iterable[tuple[str, str]], brief: bool) -> tuple[str, ...]:
    """Sentences with a gap for the target's name, each for its target or once for all of them."""
    found: dict[str, list[str]] = {}
    for at, (words, target) in enumerate(now):
        found.setdefault(words if brief else f"{at} {words}", []).append(target)
    return tuple(
        (words if brief else words.partition(" ")[2]).format(listed(targets)) for words, targets in found.items()
    )


def _now(space: Space, seen: Any, before: Sequence[Column], column: Column) -> Iterator[tuple[str, str]]:
    """Why on this day: what opens, what stage is published, what the pass before leaves; each with its target."""
    day = space.slots[column.slot].day
    for target in seen.targets:
        if target.id not in column.spans or target.window is None:
            continue
        if target.window.first is not None and day <= target.window.first:
            yield "the window of {} opens" + ("" if day == target.window.first else " soon after"), target.name
        stage = _published_stage(space, target, day)
        if stage:
            yield stage, target.name
        earlier = [last for one in before for _, last in one.spans.get(target.id, ())]
        if earlier:
            idle = day - max(earlier) - 1
            if idle > 0:
                yield f"{idle} day{'s' * (idle != 1)} after the last cover against {{}} ended", target.name
            else:
                yield "the cover against {} is carried on without a gap", target.name


def _published_stage(space: Space, target: TargetState, day: int) -> str:
    """The published stage of this day, with a gap for the target's name."""
    for at, code in enumerate(target.target.best_timing):
        given = space.season.day(code)[0]
        if given is not None and abs(given - day) <= NEAR:
            return f"{code} is {'the first' if at == 0 else 'a'} published stage to spray against {{}}"
    return ""


def _label(space: Space, column: Column, spare: int | None) -> Iterator[str]:
    """The tightest limits of the labels in the tank: last stage, and days to harvest (where no more than ``spare`` are
    left beside those asked)."""
    labels = [
        (product.name, product.labels[space.crop.id])
        for product in space.products
        if product.name in column.products and space.crop.id in product.labels
    ]
    ends = [(space.season.bbch(label.last_stage), label.last_stage) for _, label in labels if label.last_stage]
    if ends:
        yield f"the labels allow it until {min(ends)[1]}"
    asked = max((label.harvest_interval or 0 for _, label in labels), default=0)
    if space.field.harvest is not None and asked:
        left = space.field.harvest.toordinal() - space.slots[column.slot].day
        if spare is None or left - asked <= spare:
            yield f"{left} days to harvest, {asked} asked"
