"""What if a pass went on earlier or later? The same audit before and after, and exactly what differs."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import msgspec

from planner.account import Account
from planner.audit import audit
from planner.calendar import stage_words
from planner.errors import InputError
from planner.model import Day, Finding, Programme, Struct

if TYPE_CHECKING:
    from planner.catalogue import Catalogue

_MOVE = re.compile(r"\s*(\d{1,3})\s*=\s*(?:([+-]\d{1,3})\s*d?|(\d{4}-\d{2}-\d{2}))\s*\Z")
_CURE = "write the pass, then days or a date: 2=+7d, 2=-3d or 2=2026-07-20"


class Change(Struct, frozen=True, kw_only=True):
    """One finding that came, went or reads otherwise after the move."""

    rule: str
    name: str
    passes: tuple[int, ...]
    severity: str
    message: str
    before: str = ""  # severity and message before, where both audits have the finding and they differ
    numbers: dict[str, tuple[Any, Any]] = {}  # evidence that differs: before, after


class Shift(Struct, frozen=True, kw_only=True):
    """A pass with its day before and after."""

    number: int
    before: Day
    after: Day
    stage_before: str
    stage_after: str


class Bare(Struct, frozen=True, kw_only=True):
    """Days of a target's window that nothing effective covers, before and after."""

    target: str
    name: str
    before: int | None
    after: int | None


class Moved(Struct, frozen=True, kw_only=True):
    """What a move changes. ``same``: findings that read the same."""

    shifts: tuple[Shift, ...]
    verdict_before: str
    verdict_after: str
    came: tuple[Change, ...]
    went: tuple[Change, ...]
    changed: tuple[Change, ...]
    same: int
    bare: tuple[Bare, ...]


def read(texts: Sequence[str]) -> dict[int, int | Day]:
    """``2=+7d`` becomes ``{2: 7}``, ``2=2026-07-20`` a date.

    Raises:
        InputError: another form, an impossible date, or a pass that is named twice.
    """
    found: dict[int, int | Day] = {}
    for text in texts:
        match = _MOVE.match(text)
        if match is None:
            raise InputError("--move", f"'{text}' is not a move", _CURE)
        number = int(match[1])
        if number in found:
            raise InputError("--move", f"pass {number} is moved twice", "name each pass once")
        try:
            found[number] = int(match[2]) if match[2] else date.fromisoformat(match[3])
        except ValueError:
            raise InputError("--move", f"'{match[3]}' is no date", _CURE) from None
    return found


def move(programme: Programme, catalogue: Catalogue, moves: Mapping[int, int | Day]) -> Moved:
    """Audit the programme as it stands and with passes moved.

    The field's calendar is held still: a moved pass has the stage that the calendar gives its new day.

    Raises:
        InputError: no such pass, a pass without any day, or a move past a neighbour, sowing or harvest.
    """
    account = Account(programme, catalogue)
    still = _held(programme, account)
    after = _apply(still, account, moves)
    first, second = audit(still, catalogue), audit(after, catalogue)
    new = Account(after, catalogue)
    came, went, changed, same = _compare(first.findings, second.findings)
    bare_before = {row["target"]: row["bare_days"] for row in first.cover}
    return Moved(
        shifts=tuple(_shift(account, new, number) for number in sorted(moves)),
        verdict_before=first.verdict,
        verdict_after=second.verdict,
        came=came,
        went=went,
        changed=changed,
        same=same,
        bare=tuple(
            Bare(target=row["target"], name=row["name"], before=bare_before.get(row["target"]), after=row["bare_days"])
            for row in second.cover
        ),
    )


def _held(programme: Programme, account: Account) -> Programme:
    """The programme with the dates that its own passes lend to the calendar written into the field."""
    given = {code: day for code, day in account.season.anchors.items() if code not in ("sown", "harvest")}
    if account.season.floating or programme.field.stages == given:
        return programme
    return msgspec.structs.replace(programme, field=msgspec.structs.replace(programme.field, stages=given))


def _apply(programme: Programme, account: Account, moves: Mapping[int, int | Day]) -> Programme:
    states = {state.number: state for state in account.all_states}
    for number in moves:
        if number not in states:
            raise InputError("--move", f"there is no pass {number}", f"the programme has {len(states)} passes")
    passes = []
    for entry in programme.passes:
        if entry.number in moves:
            day = states[entry.number].time.day
            if day is None or account.season.floating:
                raise InputError(entry.place, f"pass {entry.number} has no day to move", "give the pass a date")
            target = moves[entry.number]
            new = date.fromordinal(day) + timedelta(days=target) if isinstance(target, int) else target
            entry = msgspec.structs.replace(entry, date=new, stage=None)
        passes.append(entry)
    changed = msgspec.structs.replace(programme, passes=tuple(passes))
    _check(changed, Account(changed, account.catalogue))
    return changed


def _check(programme: Programme, account: Account) -> None:
    field = programme.field
    last: tuple[int, int] | None = None
    for state in account.all_states:
        day = state.time.day
        if day is None or state.entry.how != "foliar":
            continue
        shown = date.fromordinal(day)
        if last is not None and day < last[1]:
            before = date.fromordinal(last[1])
            raise InputError("--move", f"pass {state.number} on {shown} would lie before pass {last[0]} on {before}",
                             "move it less far, or move both")  # fmt: skip
        if field.harvest is not None and shown > field.harvest:
            raise InputError("--move", f"pass {state.number} on {shown} would lie after harvest on {field.harvest}",
                             "move it less far")  # fmt: skip
        if field.sown is not None and shown < field.sown:
            raise InputError("--move", f"pass {state.number} on {shown} would lie before sowing on {field.sown}",
                             "move it less far")  # fmt: skip
        last = (state.number, day)


def _shift(before: Account, after: Account, number: int) -> Shift:
    old = next(state for state in before.all_states if state.number == number).time.day
    new = next(state for state in after.all_states if state.number == number).time.day
    assert old is not None and new is not None
    return Shift(
        number=number,
        before=date.fromordinal(old),
        after=date.fromordinal(new),
        stage_before=before.programme.passes[number - 1].stage or stage_words(before.season, date.fromordinal(old)),
        stage_after=stage_words(after.season, date.fromordinal(new)),
    )


def _key(finding: Finding) -> tuple[str, tuple[int, ...], str]:
    """What makes two findings the same one: rule, passes, and the group, target or product it is about."""
    about = [str(finding.evidence[name]) for name in ("group", "groups", "target", "product", "active")
             if name in finding.evidence]  # fmt: skip
    return finding.rule, finding.passes, "|".join(about)


def _compare(
    first: Sequence[Finding], second: Sequence[Finding]
) -> tuple[tuple[Change, ...], tuple[Change, ...], tuple[Change, ...], int]:
    old: dict[tuple[str, tuple[int, ...], str], list[Finding]] = {}
    for finding in first:
        old.setdefault(_key(finding), []).append(finding)
    came, changed, same = [], [], 0
    for finding in second:
        known = old.get(_key(finding))
        if not known:
            came.append(_change(finding))
            continue
        before = known.pop(0)
        if (before.message, before.severity, before.evidence) == (finding.message, finding.severity, finding.evidence):
            same += 1
        else:
            changed.append(_change(finding, before))
    went = [_change(finding) for rest in old.values() for finding in rest]
    return tuple(came), tuple(went), tuple(changed), same


def _change(finding: Finding, before: Finding | None = None) -> Change:
    return Change(
        rule=finding.rule,
        name=finding.name,
        passes=finding.passes,
        severity=finding.severity,
        message=finding.message,
        before=(
            f"{before.severity}: {before.message}"
            if before is not None and (before.severity, before.message) != (finding.severity, finding.message)
            else ""
        ),
        numbers={
            name: (before.evidence.get(name), value)
            for name, value in finding.evidence.items()
            if before is not None and before.evidence.get(name) != value
        },
    )
