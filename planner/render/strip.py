"""The season on a few lines: stages across, passes with their group codes, and who is covered when.

One character stands for one or more days. A digit is the number of effective modes of action on that day,
the least of the days it stands for, so that a gap is never hidden; ``0`` is a bare day, ``?`` a day that
could not be judged and ``.`` a day outside the target's infection window. It reads the same without colour.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from planner.model import AuditReport, Struct
from planner.render import growth, words
from planner.render.paper import Paper, Part

_LABEL = 0.34  # of the width at most for a target's name; a longer one stands on its own line


class Mark(Struct, frozen=True, kw_only=True):
    """A word at a day."""

    day: int  # ordinal
    text: str


class Row(Struct, frozen=True, kw_only=True):
    """One target: its window (ordinals) and the effective modes of action day by day (None: not known)."""

    name: str
    window: tuple[int, int] | None
    estimated: bool
    modes: dict[int, int | None]


class Strip(Struct, frozen=True, kw_only=True):
    """Everything that a picture of the season needs; days are ordinals."""

    first: int
    last: int
    stages: tuple[Mark, ...]
    passes: tuple[Mark, ...]
    groups: tuple[Mark, ...]
    rows: tuple[Row, ...]
    notes: tuple[str, ...] = ()


def make(report: AuditReport) -> Strip | None:
    """The strip of a report; None where no day is known."""
    programme = report.programme
    stages = _stages(report)
    by_stage = {mark.text.lstrip("~"): mark.day for mark in stages}
    codes = _codes(report)
    passes, groups = [], []
    for entry in programme.passes:
        day = entry.date.toordinal() if entry.date else by_stage.get(entry.stage or "")
        if day is None:
            continue
        passes.append(Mark(day=day, text=str(entry.number)))
        if codes.get(entry.number):
            groups.append(Mark(day=day, text="+".join(codes[entry.number])))
    rows = tuple(_row(entry) for entry in report.cover)
    days = [mark.day for mark in passes]
    for row in rows:
        days.extend(row.window or ())
    if not days or (len(passes) < 2 and not rows):
        return None
    first, last = min(days), max(days)
    shown = tuple(mark for mark in stages if first - 10 <= mark.day <= last + 10)
    first = min([first, *(mark.day for mark in shown)])
    last = max([last, *(mark.day for mark in shown)])
    return Strip(
        first=first,
        last=last,
        stages=shown,
        passes=tuple(passes),
        groups=tuple(groups),
        rows=rows,
        notes=(*growth.undated(report.cover), *growth.lines(report.cover)),
    )


def show(strip: Strip, paper: Paper, *, told: set[str] | None = None) -> None:
    """Print the strip as wide as the paper allows, one character for as few days as that takes.

    Args:
        told: remarks that stand below a strip further up already; what is said here is added and not said again.
    """
    label = min(int(_LABEL * paper.width), max([len(row.name) for row in strip.rows] + [6]))
    room = max(20, paper.width - label - 6)
    total = strip.last - strip.first + 1
    scale = -(-total // room)
    marks = (*strip.stages, *strip.passes, *strip.groups)
    while scale < total and any((mark.day - strip.first) // scale + len(mark.text) > room + 2 for mark in marks):
        scale += 1  # a word at the end of the season has room as well
    columns = -(-total // scale)
    for line in _months(strip, scale, room + 2):
        paper.raw("  ", ("".ljust(label), "quiet"), "  ", (line, "quiet"))
    for at, line in enumerate(_place(strip.stages, strip.first, scale)):
        paper.raw("  ", (("stage" if at == 0 else "").ljust(label), "quiet"), "  ", line)
    for at, line in enumerate(_place(strip.passes, strip.first, scale)):
        paper.raw("  ", (("pass" if at == 0 else "").ljust(label), "quiet"), "  ", (line, "head"))
    for at, line in enumerate(_place(strip.groups, strip.first, scale)):
        paper.raw("  ", (("groups" if at == 0 else "").ljust(label), "quiet"), "  ", line)
    for row in strip.rows:
        name = row.name
        if len(name) > label:
            paper.line(("  " + name, "quiet"))
            name = ""
        paper.raw("  ", (name.ljust(label), "quiet"), "  ", *_cells(row, strip, scale, columns))
    for note in (_key(strip, scale), *strip.notes):
        if told is None or note not in told:
            paper.line((note, "quiet"), indent=2)
    if told is not None:
        told.update((_key(strip, scale), *strip.notes))


def _key(strip: Strip, scale: int) -> str:
    said = f"each character is {'one day' if scale == 1 else f'{scale} days'}"
    if strip.rows:
        said += "; a digit is the least number of modes that work on it then"
        said += ", 0 a bare day, ? not known, . out of window"
    if any(row.estimated for row in strip.rows) or any(mark.text.startswith("~") for mark in strip.stages):
        said += "; ~ is an estimated date"
    return said


def gaps(row: Row) -> list[tuple[int, int]]:
    """Stretches of days inside the window that nothing effective covers, as first and last ordinal."""
    if row.window is None:
        return []
    found: list[tuple[int, int]] = []
    for day in range(row.window[0], row.window[1] + 1):
        if row.modes.get(day, 0) == 0:
            if found and found[-1][1] == day - 1:
                found[-1] = (found[-1][0], day)
            else:
                found.append((day, day))
    return found


def _cells(row: Row, strip: Strip, scale: int, columns: int) -> list[Part]:
    if row.window is None:
        return [("its window is not dated", "quiet")]
    parts: list[Part] = []
    for column in range(columns):
        days = range(strip.first + column * scale, min(strip.first + (column + 1) * scale, strip.last + 1))
        inside = [day for day in days if row.window[0] <= day <= row.window[1]]
        if not inside:
            parts.append((".", "quiet"))
            continue
        modes = [row.modes.get(day, 0) for day in inside]
        known = [mode for mode in modes if mode is not None]
        if known and min(known) == 0:
            parts.append(("0", "breach"))
        elif len(known) < len(modes):
            parts.append(("?", "caution"))
        else:
            least = min(known)
            parts.append((str(least) if least < 10 else "9", "caution" if least == 1 else "good"))
    return parts


def _place(marks: Sequence[Mark], first: int, scale: int) -> list[str]:
    """Words at their columns, on as many lines as it takes that none touches the next."""
    lines: list[str] = []
    for mark in sorted(marks, key=lambda one: (one.day, one.text)):
        column = (mark.day - first) // scale
        for at, line in enumerate(lines):
            if len(line) == 0 or len(line) + 1 <= column:
                lines[at] = line.ljust(column) + mark.text
                break
        else:
            lines.append("".ljust(column) + mark.text)
    return lines


def _months(strip: Strip, scale: int, room: int) -> list[str]:
    marks = []
    day = datetime.date.fromordinal(strip.first)
    marks.append(Mark(day=strip.first, text=words.day(day)))
    while True:
        day = (day.replace(day=1) + datetime.timedelta(days=32)).replace(day=1)
        if day.toordinal() > strip.last:
            break
        marks.append(Mark(day=day.toordinal(), text=words.day(day)))
    kept = [marks[0]]
    for mark in marks[1:]:
        ends = (mark.day - strip.first) // scale + len(mark.text)
        if (mark.day - kept[-1].day) // scale > len(kept[-1].text) and ends <= room:
            kept.append(mark)
    return _place(kept, strip.first, scale)


def _stages(report: AuditReport) -> tuple[Mark, ...]:
    """Stage dates: those of the report where it has them, else those of the field and of the passes."""
    found: dict[str, int] = {}
    for entry in report.totals.get("stages", ()):
        sign = "~" if entry.get("estimated") else ""
        found[sign + str(entry["stage"])] = _ordinal(entry["date"])
    if not found:
        found = {code: day.toordinal() for code, day in report.programme.field.stages.items()}
        for entry in report.programme.passes:
            if entry.stage and entry.date:
                found.setdefault(entry.stage, entry.date.toordinal())
    return tuple(Mark(day=day, text=code) for code, day in sorted(found.items(), key=lambda pair: pair[1]))


def _codes(report: AuditReport) -> dict[int, list[str]]:
    """Group codes of each pass, from the totals per group."""
    codes: dict[int, list[str]] = {}
    for code, entry in report.totals.get("groups", {}).items():
        for number in entry.get("passes", ()):
            codes.setdefault(number, []).append(short(code))
    return codes


def short(code: str) -> str:
    """``11`` for ``FRAC 11``; other schemes keep their name."""
    return code.removeprefix("FRAC ")


def _row(entry: Mapping[str, Any]) -> Row:
    window = entry.get("window")
    ends = (_ordinal(window[0]), _ordinal(window[1])) if window and all(window) else None
    modes: dict[int, int | None] = {}
    for run in _runs(entry):
        for day in range(_ordinal(run["from"]), _ordinal(run["to"]) + 1):
            modes[day] = run.get("modes")
    return Row(
        name=words.safe(entry.get("name") or entry["target"]),
        window=ends,
        estimated=bool(entry.get("estimated")),
        modes=modes,
    )


def _runs(entry: Mapping[str, Any]) -> Iterable[Mapping[str, Any]]:
    runs: Iterable[Mapping[str, Any]] = entry.get("days", ())
    return runs


def _ordinal(value: Any) -> int:
    return datetime.date.fromisoformat(str(value)).toordinal()


def tanks(report: AuditReport, units: str) -> list[tuple[int, str, str, str]]:
    """Number, date and stage, tank and water of each pass, in the user's own words."""
    shown = []
    for entry in report.programme.passes:
        items = []
        for item in entry.tank:
            name = words.safe(item.product or item.active or "")
            if item.rate is not None:
                kind = "solid_rate" if item.unit == "kg/ha" else "liquid_rate"
                name += f" {words.amount(item.rate, kind, units)}"
            elif item.dose is not None:
                name += f" {words.amount(item.dose, 'dose', units)}"
            items.append(name)
        volume = entry.water if entry.water is not None else report.programme.field.application.water
        water = words.amount(volume, "water", units) if volume is not None else ""
        shown.append((entry.number, words.when(entry, report), " + ".join(items), water))
    return shown
