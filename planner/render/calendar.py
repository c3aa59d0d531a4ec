"""The calendar as a page: stages, infection windows, spray windows, last days of products, and what a move changes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Any

from planner import __version__
from planner.calendar import (
    Calendar,
    Covered,
    LeavesRow,
    NewLeaves,
    PassRow,
    ProductRow,
    StageRow,
    TargetRow,
    When,
)
from planner.model import Day
from planner.moves import Change, Moved
from planner.render import words
from planner.render.blocks import Block, Heading, Line, Table, Title, cautions_of

_ENDS = ("sown", "harvest")


def page(
    found: Calendar,
    *,
    moved: Moved | None = None,
    every: bool = False,
    explain: bool = False,
    units: str = "metric",
    versions: str = "",
) -> list[Block]:
    """The calendar as blocks.

    ``every``: all stages of the scale, not only those that somebody names. ``explain``: from where each is counted.
    """
    about = " - ".join(part for part in (found.programme, found.field and f"field {found.field}", found.crop) if part)
    blocks: list[Block] = [Title(text=about or "calendar")]
    blocks += [Line(text=notice, style="caution", indent=0) for notice in found.notices]
    if moved is not None:
        blocks += _moved(moved, units)
    blocks += _stages(found, every, explain)
    blocks += _targets(found, units)
    blocks += _passes(found)
    blocks += _products(found)
    blocks += cautions_of(found.demo)
    blocks.append(Line(text=versions or f"planner {__version__}", style="quiet", indent=0))
    return blocks


def document(found: Calendar, moved: Moved | None, catalogue_date: str) -> dict[str, Any]:
    """The calendar as plain data for JSON; dates are ISO text."""
    import msgspec

    data: dict[str, Any] = {"planner": __version__, **msgspec.to_builtins(found)}
    if moved is not None:
        data["moved"] = msgspec.to_builtins(moved)
    data["catalogue"] = catalogue_date
    return data


def _day(day: Day | None, year: bool = False) -> str:
    return words.day(day, year=year) if day is not None else "not dated"


def _spread(row: StageRow | When) -> str:
    """``+-`` in days where both sides agree, else the two ends."""
    if not row.estimated:
        return ""
    if row.earliest is None or row.latest is None:
        return "no spread known"
    if row.earliest == row.latest:
        return words.day(row.earliest)
    return f"{words.day(row.earliest)} to {words.day(row.latest)}"


def _when(row: When) -> str:
    if row.date is None:
        return f"{row.stage} not dated"
    mark = "~" if row.estimated else ""
    known = row.earliest is not None and row.earliest == row.latest
    spread = f" ({_spread(row)})" if row.estimated and not known else ""
    return f"{row.stage} {mark}{words.day(row.date)}{spread}"


# --- stages ---------------------------------------------------------------------------------------------------------


def _stages(found: Calendar, every: bool, explain: bool) -> Iterator[Block]:
    if not found.stages:
        return
    yield Heading(text="stages")
    rows, basis = [], []
    shown = sorted(found.stages, key=lambda one: (one.date, one.bbch))
    for _, members in groupby(shown, key=lambda one: (one.bbch, one.date, one.rests_on, one.code in _ENDS)):
        group = list(members)
        kept = group if every else [one for one in group if one.named]
        if not kept:
            continue
        first = kept[0]
        end = first.code in _ENDS
        code = first.name if end else " / ".join(one.code for one in kept)
        name = "" if end else first.name or first.look_for
        rows.append((code, _day(first.date), _spread(first), "; ".join(filter(None, (_rests_on(first), name)))))
        if first.estimated:
            basis.append(Line(label=code, text=f"{words.dated(first.basis)}; {_grade(first)}"))
    yield Table(header=("stage", "day", "from - to", "rests on; what to look for"), rows=tuple(rows))
    if found.temperatures is not None:
        first_day, last_day = found.temperatures
        yield Line(label="temperatures", text=f"{words.day(first_day)} to {words.day(last_day, year=True)}")
    yield from _undated(found)
    if explain:
        yield from basis
    elif basis:
        yield Line(text="--explain shows from where each date is counted", style="quiet")


def _undated(found: Calendar) -> Iterator[Block]:
    for row in found.undated:
        before = f", before {_when(row.before)}" if row.before is not None else ""
        yield Line(label="not dated", text=f"{words.joined(row.codes)}{before}: {row.why}")
    if found.leaves is not None:
        yield Line(label="new leaves", text=_leaves(found.leaves))


def _leaves(row: LeavesRow) -> str:
    """Until when leaves unfold; a spray protects those that it meets."""
    sure = f"{row.sure}{_edge(row.surely_until, row.estimated[0], 'earliest')}"
    last = f"{row.last}{_edge(row.none_after, row.estimated[1], 'latest')}"
    span = f"until {last}" if row.sure == row.last else f"surely until {sure}, none after {last}"
    return f"unfold {span} ({row.grade}); those that unfold after a pass are bare unless the active moves into them"


def _edge(day: Day | None, estimated: bool, word: str) -> str:
    if day is None:
        return ""
    return f" (~{words.day(day)} at the {word})" if estimated else f" ({words.day(day)})"


def _rests_on(row: StageRow) -> str:
    if not row.estimated:
        return "given"
    return f"{row.rests_on} ({_grade(row)})" if row.grade else row.rests_on


def _grade(row: StageRow) -> str:
    return row.grade + (f", {row.confidence} confidence" if row.confidence else "")


# --- targets --------------------------------------------------------------------------------------------------------


def _targets(found: Calendar, units: str) -> Iterator[Block]:
    if not found.targets:
        return
    yield Heading(text="infection windows and best timing (~ estimated, spread in brackets)")
    for target in found.targets:
        yield Heading(text=target.name, level=2)
        yield from _target(target, units)


def _target(target: TargetRow, units: str) -> Iterator[Block]:
    indent = 4
    if target.window is None:
        yield Line(label="window", text="no published stages of infection are in the catalogue", indent=indent)
    else:
        ends = f"{_when(target.window[0])} to {_when(target.window[1])}"
        if target.last is not None and target.window[1].date is not None and target.last != target.window[1].date:
            ends += f", closed by {words.day(target.last)}: harvest"
        yield Line(label="window", text=f"{ends} ({target.window_grade})", indent=indent)
    if target.best:
        text = ", ".join(_when(one) for one in target.best)
        if target.best_until is not None and target.best_until.date is not None:
            text += f"; a first pass from {_when(target.best_until)} on is late"
        style = f"{target.style}; " if target.style else ""
        yield Line(label="best timing", text=f"{style}{text} ({target.timing_grade})", indent=indent)
    elif target.style:
        yield Line(label="timing", text=target.style, indent=indent)
    if target.follow_up_days is not None:
        text = f"about {target.follow_up_days} days after the first pass, where one is made"
        yield Line(label="follow-up", text=text, indent=indent)
    if target.foliar_treatment is False:
        yield Line(label="treatment", text="no foliar treatment is listed for it", indent=indent)
    given = f"{target.pressure} (as given)" if target.pressure else "not given"
    yield Line(label="pressure", text=given, indent=indent)
    if target.raises:
        yield Line(label="speaks for more", text="; ".join(target.raises), indent=indent)
    if target.lowers:
        yield Line(label="speaks for less", text="; ".join(target.lowers), indent=indent)
    if target.risk_raisers:
        yield Line(label="raised in general by", text=", ".join(target.risk_raisers), indent=indent)
    if target.weather:
        yield Line(label="weather", text=words.temperatures(target.weather, units), indent=indent)


# --- passes ---------------------------------------------------------------------------------------------------------


def _passes(found: Calendar) -> Iterator[Block]:
    if not found.passes:
        return
    yield Heading(text="first and last day of each pass")
    yield Table(
        header=("pass", "planned", "first day", "last day", "set by"),
        rows=tuple(_pass(row) for row in found.passes),
        right=(0,),
    )
    for row in found.passes:
        if row.note:
            yield Line(label=f"pass {row.number}", text=row.note)
        if row.missing:
            yield Line(label=f"pass {row.number}, not known", text="; ".join(row.missing))
    for row in found.passes:
        mark = "~" if row.day_estimated else ""
        told = [_covered(one, mark) for one in row.covers] + _new_leaves(row.new_leaves, mark)
        if told:
            yield Line(label=f"pass {row.number} covers", text="; ".join(told))


def _pass(row: PassRow) -> tuple[str, ...]:
    planned = ("~" if row.day_estimated else "") + _day(row.day) + (f", {row.stage}" if row.stage else "")
    setters = []
    for side, day in (("first", row.first), ("last", row.last)):
        why = [bound for bound in row.bounds if bound.side == side and bound.day == day]
        if why:
            mark = "~" if why[0].estimated else ""
            setters.append(f"{side}: {mark}{'; '.join(dict.fromkeys(bound.why for bound in why))}")
    if (row.allowed_first, row.allowed_last) != (row.first, row.last):
        setters.append(f"label and neighbouring passes alone: {_day(row.allowed_first)} to {_day(row.allowed_last)}")
    return (
        str(row.number),
        planned,
        f"{_day(row.first)}{f' ({row.first_stage})' if row.first_stage else ''}" if row.first else "none",
        f"{_day(row.last)}{f' ({row.last_stage})' if row.last_stage else ''}" if row.last else "none",
        "; ".join(setters) or "-",
    )


def _covered(one: Covered, mark: str) -> str:
    if one.last is None:
        return f"{one.name} for nobody knows how long ({one.why})"
    return f"{one.name} to {mark}{words.day(one.last)}"


def _new_leaves(rows: Sequence[NewLeaves], mark: str) -> list[str]:
    """New leaves that are bare, targets with the same days together."""
    spans: dict[tuple[Day, Day, bool], list[str]] = {}
    for one in rows:
        spans.setdefault((one.first, one.last, one.sure), []).append(one.name)
    told = []
    for (first, last, sure), names in spans.items():
        span = mark + words.day(first) + (f" to {mark}{words.day(last)}" if first != last else "")
        doubt = "" if sure else ", if any unfold then"
        told.append(f"leaves that unfold later are bare against {words.joined(names)} {span}{doubt}")
    return told


def _products(found: Calendar) -> Iterator[Block]:
    listed = [row for row in found.products if row.on_label]
    other = [row.product for row in found.products if not row.on_label]
    if not found.products:
        return
    yield Heading(text="last day of each listed product on this field")
    if listed:
        yield Table(
            header=("product", "last day", "set by"),
            rows=tuple(_product(row) for row in sorted(listed, key=_order)),
        )
    if other:
        yield Line(label=f"no label for {found.crop}", text=", ".join(other))
    yield Line(text="an estimated stage is taken at its cautious end; look at the plants, and the label decides")


def _order(row: ProductRow) -> tuple[bool, Day, str]:
    return row.last is None, row.last or Day.max, row.product


def _product(row: ProductRow) -> tuple[str, ...]:
    first, last = row.first_stage, row.last_stage
    mark = "~" if row.last_by_stage_estimated else ""
    parts = []
    if row.last_by_stage is not None and last is not None:
        parts.append(f"label until {last.stage}: {mark}{_day(row.last_by_stage)}")
    if row.last_by_harvest is not None:
        parts.append(f"{row.harvest_interval} days to harvest: {_day(row.last_by_harvest)}")
    if row.sets == "harvest":
        parts.reverse()
    if first is not None and first.date is not None:
        parts.append(f"from {first.stage}: {'~' if first.estimated else ''}{_day(first.date)}")
    parts.extend(row.missing)
    shown = f"{mark if row.sets == 'stage' else ''}{_day(row.last)}" if row.last is not None else "not known"
    return row.product, shown, "; ".join(parts)


# --- what a move changes --------------------------------------------------------------------------------------------


def _moved(moved: Moved, units: str) -> Iterator[Block]:
    yield Heading(text="what the move changes")
    for shift in moved.shifts:
        days = (shift.after - shift.before).days
        yield Line(
            label=f"pass {shift.number}",
            text=f"{words.day(shift.before)} ({shift.stage_before}) to {words.day(shift.after)} ({shift.stage_after}), "
            f"{words.count(abs(days), 'day')} {'later' if days > 0 else 'earlier'}",
        )
    verdict = f"{moved.verdict_before} before, {moved.verdict_after} after"
    if moved.verdict_before == moved.verdict_after:
        verdict = f"{moved.verdict_after}, as before"
    yield Line(label="verdict", text=verdict)
    for label, changes in (("comes", moved.came), ("goes", moved.went), ("reads otherwise", moved.changed)):
        for change in changes:
            yield Line(label=label, text=_change(change, units))
    if not (moved.came or moved.went or moved.changed):
        yield Line(label="findings", text="none comes, none goes")
    yield Line(label="findings that stay as they are", text=str(moved.same))
    for bare in moved.bare:
        if bare.before is None or bare.after is None:
            continue
        told = f"{bare.after}, as before" if bare.before == bare.after else f"{bare.before} before, {bare.after} after"
        yield Line(label=f"bare days, {bare.name}", text=told)


def _change(change: Change, units: str) -> str:
    said = words.in_units(words.dated(change.message), units)
    text = f"{change.severity} {change.rule} {change.name}, {words.passes(change.passes)}: {said}"
    if change.before:
        text += f" (before: {words.in_units(words.dated(change.before), units)})"
    for name, (old, new) in change.numbers.items():
        if isinstance(new, int | float | str) and not isinstance(new, bool):
            text += f"; {name.replace('_', ' ')} {old} before, {new} after"
    return text
