"""Last season in a draft: ROT04 advises against the group sequence of the newest season of this crop in the history.

It never forbids a programme. It weighs as a caution wherever cautions are weighed, and the balanced programme, which
keeps good practice beside the rules, differs from last season where a sound one does.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import TYPE_CHECKING, Any

from planner.account import any_of

if TYPE_CHECKING:
    from planner.draft.compile import Compiler
    from planner.draft.options import Column


def last_sequence(compiler: Compiler) -> list[list[str]] | None:
    """Sets of groups of the newest season of this crop, in order; None where the rule is silent.

    It is silent without targets, where none of them is known to survive on the field, and without such a season.
    """
    account = compiler.account
    if any(entry.rule == "ROT04" for entry in compiler.space.accept):
        return None
    if not account.targets or not any_of(target.target.survives_on_field for target in account.targets):
        return None
    season = next((one for one in account.field.history if one.crop == account.crop.id), None)
    return [sorted(groups) for groups in season.groups] if season is not None and season.groups else None


def repeats(compiler: Compiler) -> Any:
    """A literal that is true where the programme repeats last season (it is free otherwise); 0 where none can."""
    rows = list(_rows(compiler))
    if not rows:
        return 0
    same = compiler.model.new_bool_var("repeats")
    for matching, most in rows:
        compiler.model.add(matching <= most + same)
    return same


def repeated(compiler: Compiler, columns: Sequence[Column]) -> int:
    """1 where these columns repeat last season, else 0."""
    wanted = last_sequence(compiler)
    foliar = sorted((one for one in columns if one.slot >= 0 and one.uses.uses), key=lambda column: column.slot)
    return int(wanted is not None and [sorted(column.uses.by_group) for column in foliar] == wanted)


def differ(compiler: Compiler) -> None:
    """Last season is not repeated."""
    for matching, most in _rows(compiler):
        compiler.rule(matching <= most)


def _rows(compiler: Compiler) -> Iterator[tuple[Any, int]]:
    """For every way to lay last season on the slots: passes that match less passes elsewhere, and the most of it that
    is not yet the same season."""
    wanted = last_sequence(compiler)
    by_slot = compiler.by_slot(compiler.foliar)
    if wanted is None or len(wanted) > len(by_slot):
        return
    for slots in combinations(by_slot, len(wanted)):
        matching = [
            [column for column in by_slot[slot] if sorted(column.uses.by_group) == groups]
            for slot, groups in zip(slots, wanted, strict=True)
        ]
        if all(matching):
            elsewhere = [column for slot, columns in by_slot.items() if slot not in slots for column in columns]
            found = compiler.total(column for columns in matching for column in columns)
            yield found - compiler.total(elsewhere), len(wanted) - 1
