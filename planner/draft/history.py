"""Last season in a draft: ROT04 advises against the group sequence of the newest season of this crop in the history.

It never forbids a programme. It weighs as a caution wherever cautions are weighed, and the balanced programme, which
keeps good practice beside the rules, differs from last season where a sound one does.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations
from math import comb
from typing import TYPE_CHECKING, Any

from planner.account import any_of

if TYPE_CHECKING:
    from planner.draft.compile import Compiler
    from planner.draft.options import Column

MOST_WAYS = 100  # ways to lay last season on the slots that are written out one by one


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
    if _ways(compiler) > MOST_WAYS:
        return _counted(compiler)
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
    if _ways(compiler) > MOST_WAYS:
        compiler.model.add(_counted(compiler) == 0)
        return
    for matching, most in _rows(compiler):
        compiler.rule(matching <= most)


def _ways(compiler: Compiler) -> int:
    """In how many ways last season could be laid on the slots."""
    wanted = last_sequence(compiler)
    return 0 if wanted is None else comb(len(compiler.by_slot(compiler.foliar)), len(wanted))


def _counted(compiler: Compiler) -> Any:
    """The same in a model that counts: a literal for every slot and number of passes, true where the passes up to that
    slot are just the first so many of last season. The last one is told; where no programme repeats, it is free."""
    wanted = last_sequence(compiler) or []
    model, total = compiler.model, compiler.total
    before: list[Any] = [1, *[0] * len(wanted)]
    for columns in compiler.by_slot(compiler.foliar).values():
        after = [model.new_bool_var("") for _ in before]
        for at, literal in enumerate(after):
            model.add(literal >= before[at] - total(columns))
            like = [one for one in columns if at and sorted(one.uses.by_group) == wanted[at - 1]]
            if like:
                model.add(literal >= before[at - 1] + total(like) - 1)
        before = after
    return before[-1]


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
