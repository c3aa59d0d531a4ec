"""The season strip as a drawing: geometry only, in the units of its own view box; the template draws it.

Days run from left to right. A target's bar holds one rectangle per run of equal cover, with a pattern and a
digit for the number of effective modes of action, so that a grey copy reads the same.
"""

from __future__ import annotations

import datetime
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

from planner.model import AuditReport, Struct
from planner.render import words
from planner.render.strip import Mark, Row, Strip

WIDE = 900.0  # width of the view box; about 180 mm on paper, so that 13 units are about 7 points
EDGE = 10.0
_NARROW, _BROAD = frozenset("ijlftrI.,:;|'!()[]/ ·-"), frozenset("mwMW%@+~…")
_BOLD = 1.14  # how much broader bold letters are
BAR = 28.0
_LANES = 3  # lines of boxes with their codes beside them at most

_At = Callable[[float], float]  # x of a day


class Text(Struct, frozen=True, kw_only=True):
    """A word at a place. ``anchor``: start, middle or end."""

    x: float
    y: float
    text: str
    anchor: str = "start"
    bold: bool = False

    @property
    def wide(self) -> float:
        """Width of the white plate behind it (a stroked halo is lost in print)."""
        return round(breadth(self.text, bold=self.bold) + 2, 1)

    @property
    def left(self) -> float:
        """Where that plate begins."""
        return self.x - {"start": 1, "middle": self.wide / 2, "end": self.wide - 1}[self.anchor]


class Run(Struct, frozen=True, kw_only=True):
    """Days of equal cover: ``pattern`` 0, 1, 2, 3 (three or more) or u (not known)."""

    x: float
    y: float
    wide: float
    pattern: str
    middle: float
    label: str  # empty where the run is too narrow for a digit
    chip: float  # width of the plate behind the label


class Bar(Struct, frozen=True, kw_only=True):
    """One target: heading, runs, and the lines between days."""

    head: Text
    x: float
    y: float
    wide: float
    runs: tuple[Run, ...]
    days: str  # path data
    silent: str = ""  # why there is no bar


class Line(Struct, frozen=True, kw_only=True):
    """A pass: its numbered box with the group codes beside it, and the line from there down through the bars."""

    x: float
    top: float
    end: float
    box: Text
    box_wide: float
    codes: Text | None = None


class Said(Struct, frozen=True, kw_only=True):
    """One line of the list below the bars: number, day, groups and products of a pass."""

    number: Text
    when: Text
    groups: Text
    names: Text


class Drawing(Struct, frozen=True, kw_only=True):
    """Everything that the template draws."""

    wide: float
    high: float
    axis: float
    ticks: tuple[Text, ...]
    stages: tuple[Text, ...]
    stage_lines: tuple[Text, ...]
    lanes_end: float
    bars: tuple[Bar, ...]
    bars_end: float
    lines: tuple[Line, ...]
    said: tuple[Said, ...]
    patterns: tuple[str, ...]
    estimated: bool
    notes: tuple[str, ...]  # what the bars do not tell
    description: str


def draw(strip: Strip, report: AuditReport | None = None, *, plain: bool = False) -> Drawing:
    """The drawing of a strip; with a report, each pass also says its products and groups.

    ``plain``: windows only; nothing is said of their cover.
    """
    days = strip.last - strip.first + 1
    step = (WIDE - 2 * EDGE) / days

    def at(day: float) -> float:
        return round(EDGE + (day - strip.first) * step, 2)

    axis = 34.0
    ticks = tuple(Text(x=at(mark.day), y=14, text=mark.text) for mark in _dates(strip, step))
    stage_words, depth = _lanes([Text(x=at(mark.day), y=0, text=mark.text) for mark in strip.stages], axis + 20, 18)
    lanes_end = axis + 10 + 18 * depth
    told = _pass_words(report)
    boxes, deep = _boxes(strip.passes, {number: one.codes for number, one in told.items()}, at, lanes_end + 20)
    if deep > _LANES:  # so many passes: the list below the bars alone says their codes
        boxes, deep = _boxes(strip.passes, {}, at, lanes_end + 20)
    y = lanes_end + 12 + 24 * deep
    top = y
    bars = []
    for row in strip.rows:
        bar, y = _bar(row, at, step, y, plain)
        bars.append(bar)
    bars_end = y
    lines = tuple(
        Line(x=at(mark.day), top=box.y + 6, end=y - 6, box=box, box_wide=wide, codes=codes)
        for mark, box, wide, codes in boxes
    )
    said, y = _list([mark for mark, *_ in boxes], told, y + 16)
    high = (y if said else bars_end) + 4
    patterns = tuple(dict.fromkeys(run.pattern for bar in bars for run in bar.runs))
    return Drawing(
        wide=WIDE,
        high=round(high, 2),
        axis=axis,
        ticks=ticks,
        stages=stage_words,
        stage_lines=tuple(Text(x=at(mark.day), y=top, text="") for mark in strip.stages),
        lanes_end=lanes_end,
        bars=tuple(bars),
        bars_end=bars_end,
        lines=lines,
        said=said,
        patterns=tuple(name for name in ("0", "1", "2", "3", "u", "w") if name in patterns),
        estimated=any(row.estimated for row in strip.rows) or any(mark.text.startswith("~") for mark in strip.stages),
        notes=() if plain else strip.notes,
        description=describe(strip, report, plain=plain),
    )


def describe(strip: Strip, report: AuditReport | None = None, *, plain: bool = False) -> str:
    """The whole drawing in sentences, for those who do not see it."""
    said = [f"The season from {_day(strip.first)} to {_day(strip.last)}."]
    if strip.stages:
        said.append(f"Stages: {words.joined(_stage(mark) for mark in strip.stages)}.")
    told = _pass_words(report)
    for mark in strip.passes:
        held = told.get(mark.text)
        words_of = f": group {held.codes}, {held.names}" if held and held.codes else f": {held.names}" if held else ""
        said.append(f"Pass {mark.text} on {_day(mark.day)}{words_of}.")
    for row in strip.rows:
        told_cover = cover_words(row)
        said.append(f"{row.name}: {told_cover.partition(': ')[0] if plain else told_cover}.")
    return " ".join(words.safe(one) for one in said)


def cover_words(row: Row) -> str:
    """The cover of one target in words: window, then each run."""
    if row.window is None:
        return "its window is not dated"
    runs = "; ".join(f"{_day(first)} to {_day(last)} {modes_words(modes)}" for first, last, modes in runs_of(row))
    sign = ", estimated" if row.estimated else ""
    return f"window {_day(row.window[0])} to {_day(row.window[1])}{sign}: {runs}"


def modes_words(modes: int | None) -> str:
    """``bare``, ``1 mode``, ``2 modes``, ``not known``."""
    if modes is None:
        return "not known"
    return "bare" if modes == 0 else words.count(modes, "mode")


def runs_of(row: Row) -> list[tuple[int, int, int | None]]:
    """Runs of equal cover inside the window: first day, last day (ordinals), modes."""
    if row.window is None:
        return []
    runs: list[tuple[int, int, int | None]] = []
    for day in range(row.window[0], row.window[1] + 1):
        modes = row.modes.get(day, 0)
        if runs and runs[-1][2] == modes:
            runs[-1] = (runs[-1][0], day, modes)
        else:
            runs.append((day, day, modes))
    return runs


def _bar(row: Row, at: _At, step: float, y: float, plain: bool) -> tuple[Bar, float]:
    head = Text(x=EDGE, y=y + 14, text=_short(row.name, 520, bold=True), bold=True)
    if row.window is None:
        silent = "its window is not dated"
        head = Text(x=head.x, y=head.y, text=f"{head.text}: {silent}", bold=True)
        return Bar(head=head, x=EDGE, y=y + 20, wide=0, runs=(), days="", silent=silent), y + 44
    top = y + 21
    runs = []
    for first, last, modes in runs_of(row):
        x, wide = at(first), round((last - first + 1) * step, 2)
        pattern = "u" if modes is None else str(min(modes, 3))
        digit = "?" if modes is None else str(modes)
        full = f"{digit} {'bare ' if modes == 0 else ''}· {last - first + 1} d"
        if plain:
            pattern, digit = "w", "window"
            full = f"{_day(first)} to {_day(last)}, {last - first + 1} days"
        label = full if breadth(full) + 14 <= wide else digit if breadth(digit) + 2 <= wide else ""
        runs.append(
            Run(
                x=x, y=top, wide=wide, pattern=pattern, middle=round(x + wide / 2, 2), label=label,
                chip=round(min(breadth(label) + 6, wide - 1), 1),
            )
        )  # fmt: skip
    cuts = "".join(
        f"M{at(day):g} {top:g}v{BAR:g}" for day in range(row.window[0] + 1, row.window[1] + 1)
    ) if step >= 4 else ""  # fmt: skip
    start = at(row.window[0])
    wide = round((row.window[1] - row.window[0] + 1) * step, 2)
    return Bar(head=head, x=start, y=top, wide=wide, runs=tuple(runs), days=cuts), top + BAR + 12


def _dates(strip: Strip, step: float) -> list[Mark]:
    """The first day, then as many months, fortnights or weeks as there is room for."""
    every = next((days for days in (7, 14) if days * step >= 74), 0)
    first = datetime.date.fromordinal(strip.first)
    if every:
        marks = list(range(strip.first, strip.last + 1, every))
    else:
        marks = [strip.first]
        day = first
        while (day := (day.replace(day=1) + datetime.timedelta(days=32)).replace(day=1)).toordinal() <= strip.last:
            if (day.toordinal() - marks[-1]) * step >= 74:
                marks.append(day.toordinal())
    # a label near the right edge would be cut
    return [Mark(day=day, text=_day(day, short=True)) for day in marks if (strip.last + 1 - day) * step >= 52]


def _lanes(texts: Sequence[Text], top: float, high: float) -> tuple[tuple[Text, ...], int]:
    """The words on as many lines as it takes that none touches the next; the number of lines."""
    ends: list[float] = []
    placed = []
    for text in texts:
        shown = _short(text.text, 190)
        wide = breadth(shown) + 10
        x = min(text.x, WIDE - wide - 4)
        lane = next((number for number, end in enumerate(ends) if end <= x), len(ends))
        if lane == len(ends):
            ends.append(0.0)
        ends[lane] = x + wide
        placed.append(Text(x=round(x + 3, 2), y=top + lane * high, text=shown))
    return tuple(placed), len(ends)


def _boxes(
    marks: Sequence[Mark], codes: Mapping[str, str], at: _At, top: float
) -> tuple[list[tuple[Mark, Text, float, Text | None]], int]:
    """Numbered boxes of the passes, each with its codes beside it, on several lines where they stand close together."""
    ends: list[float] = []
    found = []
    for mark in sorted(marks, key=lambda one: (one.day, int(one.text))):
        box_wide = round(max(22.0, breadth(mark.text, bold=True) + 10), 2)
        code = _short(codes.get(mark.text, ""), 190)
        told = breadth(code) + 6 if code else 0.0
        wide = box_wide + told
        start = min(max(at(mark.day) - box_wide / 2, 1.0), WIDE - box_wide - 1)
        before = start + wide > WIDE - 1  # at the right edge the codes stand before the box
        left = start - told if before else start
        lane = next((number for number, end in enumerate(ends) if end <= left), len(ends))
        if lane == len(ends):
            ends.append(0.0)
        ends[lane] = left + wide + 4
        y = top + lane * 24
        box = Text(x=round(start + box_wide / 2, 2), y=y, text=mark.text, anchor="middle")
        beside = Text(x=round(left + 1 if before else start + box_wide + 4, 2), y=y, text=code) if code else None
        found.append((mark, box, box_wide, beside))
    return found, len(ends)


def _list(marks: Sequence[Mark], told: Mapping[str, _Told], y: float) -> tuple[tuple[Said, ...], float]:
    """What each pass holds, one line each: number, day, group codes, products; and the height that it takes."""
    if not marks:
        return (), y
    held = [told.get(mark.text, _Told("", "", "")) for mark in marks]
    when = [one.when or _day(mark.day) for mark, one in zip(marks, held, strict=True)]
    groups = [f"group {one.codes}" if one.codes else "no group known" if one.names else "" for one in held]
    days = [_short(one, 220) for one in when]
    codes = [_short(one, 230, bold=True) for one in groups]
    second = EDGE + 34
    third = round(second + max(map(breadth, days)) + 14, 2)
    fourth = round(third + max(breadth(one, bold=True) for one in codes) + 14, 2)
    found = []
    for mark, one, day, group in zip(marks, held, days, codes, strict=True):
        found.append(
            Said(
                number=Text(x=EDGE + 11, y=y, text=mark.text, anchor="middle"),
                when=Text(x=second, y=y, text=day),
                groups=Text(x=third, y=y, text=group),
                names=Text(x=fourth, y=y, text=_short(one.names, WIDE - fourth - EDGE)),
            )
        )
        y += 21
    return tuple(found), y


class _Told(NamedTuple):
    """Words of a pass: day and stage, group codes, products."""

    when: str
    codes: str
    names: str


def _pass_words(report: AuditReport | None) -> dict[str, _Told]:
    """Day, groups and products of each pass by its number."""
    if report is None:
        return {}
    codes: dict[int, list[str]] = {}
    for code, entry in (report.totals.get("groups") or {}).items():
        for number in entry.get("passes", ()):
            codes.setdefault(number, []).append(code.removeprefix("FRAC "))
    found = {}
    for one in report.programme.passes:
        names = " + ".join(item.product or item.active or "" for item in one.tank)
        found[str(one.number)] = _Told(words.when(one, report), "+".join(codes.get(one.number, [])), words.safe(names))
    return found


def breadth(text: str, *, bold: bool = False) -> float:
    """Room that a text takes at font size 13, on the generous side: no font of the reader's is known here."""
    total = 0.0
    for char in text:
        if char in _NARROW:
            total += 5.4
        elif char in _BROAD or unicodedata.east_asian_width(char) in "WF":
            total += 13.0
        else:
            total += 8.6 if char.isupper() or not char.isascii() else 7.8
    return round(total * (_BOLD if bold else 1.0), 2)


def _short(text: str, room: float, *, bold: bool = False) -> str:
    """``text`` cut to a breadth, with an ellipsis; the tables hold it whole."""
    text = words.safe(text)
    if breadth(text, bold=bold) <= room:
        return text
    while text and breadth(text, bold=bold) > room - 13:
        text = text[: -max(1, len(text) - 160)]
    return text.rstrip() + "…"


def _stage(mark: Mark) -> str:
    sign = " (estimated)" if mark.text.startswith("~") else ""
    return f"{mark.text.lstrip('~')} {_day(mark.day)}{sign}"


def _day(ordinal: int, *, short: bool = False) -> str:
    shown = words.day(datetime.date.fromordinal(ordinal))
    if not short:
        return shown
    number, month = shown.split(" ")
    return f"{number} {month[:3]}"
