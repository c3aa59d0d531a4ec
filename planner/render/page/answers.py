"""Pages of the other commands: draft, compare, calendar, sheet and teach, from the parts that their own renderers make.

Each function takes what the command's text renderer takes and says the same in the same order; nothing is judged here.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from planner.exposure import CAVEAT, RATES
from planner.model import AuditReport
from planner.render import strip, words
from planner.render.blocks import Block, Heading, Line
from planner.render.blocks import Table as BlockTable
from planner.render.page import Document, Facts, Items, Part, Picture, Prose, Section, Table, page
from planner.render.strip import Mark, Row, Strip

if TYPE_CHECKING:
    from planner.calendar import Calendar
    from planner.catalogue import Catalogue
    from planner.compare import Comparison
    from planner.draft.result import Draft
    from planner.quantities import System
    from planner.sheet import Sheet

_CAUTIONS = "before anything is sprayed"  # the page prints its own


def sections(blocks: Sequence[Block], *, fresh: str = "") -> list[Section]:
    """Blocks as sections; what stands before the first heading has an empty title. ``fresh``: a heading that begins
    like this stands on a new sheet of paper."""
    found: list[Section] = []
    title, level = "", 1
    parts: list[Part] = []
    facts: list[tuple[str, str]] = []
    made: list[tuple[str, int, list[Part]]] = []

    def close() -> None:
        if facts:
            parts.append(Facts(rows=tuple(facts)))
            facts.clear()

    for block in blocks:
        if isinstance(block, Heading):
            close()
            made.append((title, level, parts))
            if block.text == _CAUTIONS:
                title, parts = "", []
                break
            title, level, parts = _capital(block.text), block.level, []
        elif isinstance(block, Line):
            if block.label:
                facts.append((_capital(block.label), block.text))
            elif not block.text.startswith("--"):  # a hint on the command line means nothing on paper
                close()
                parts.append(Prose(text=_capital(block.text)))
        elif isinstance(block, BlockTable):
            close()
            parts.append(
                Table(caption=title or "Table", header=block.header, rows=block.rows, right=block.right, quiet=True)
            )
    close()
    made.append((title, level, parts))
    for name, depth, held in made:
        if not name and not held:
            continue
        section = Section(title=name, parts=tuple(held), fresh=bool(fresh) and name.casefold().startswith(fresh))
        if depth > 1 and found:
            above = found[-1]
            found[-1] = Section(
                title=above.title, parts=above.parts, sections=(*above.sections, section), fresh=above.fresh
            )
        else:
            found.append(section)
    return found


def sheets_of(report: AuditReport, catalogue: Catalogue, units: System) -> list[Section]:
    """The spray sheets that end the page of an audit; with an open breach only the reason why there are none."""
    if report.verdict == "breaches":
        text = "They are left out, because the programme has open breaches: mend it first. The label decides."
        return [Section(title="Spray sheets", parts=(Prose(text=text),))]
    from planner.sheet import sheet as make

    told = [one for one in spray_sheets(make(report.programme, catalogue, units, report=report)) if _for_a_tank(one)]
    if not told:
        return []
    first = Section(title=told[0].title, parts=told[0].parts, sections=told[0].sections)  # under the heading of all
    return [Section(title="Spray sheets", sections=(first, *told[1:]), fresh=True)]


def _for_a_tank(section: Section) -> bool:
    """Cost and break-even stand in the audit already."""
    return not section.title.startswith("What it costs")


def spray_sheets(found: Sheet) -> list[Section]:
    """The spray sheets of a programme, each pass on its own sheet of paper."""
    from planner.render import sheet as render

    return [one for one in sections(render.page(found), fresh="pass ") if one.title]


def sheet(found: Sheet, report: AuditReport, *, versions: str, rules: str = "") -> str:
    """The page of ``planner sheet``."""
    from planner.render import sheet as render
    from planner.render.page import view

    lead = render._VERDICTS.get(found.verdict, "")
    missing = Items(items=tuple(f"Missing: {text}" for text in found.missing))
    first = [
        Section(title="The season", parts=tuple(_drawn(report, "The season")) + ((missing,) if found.missing else ()))
    ]
    return page(
        kind="Spray sheet",
        title=found.programme or found.field or "spray sheet",
        verdict=lead or words.verdict(report),
        tone=view.TONES[report.verdict],  # type: ignore[arg-type]
        about=view.about(report, found.units),
        sections=[*first, *spray_sheets(found)],
        judged=[report],
        units=found.units,
        versions=versions,
        rules=rules,
    )


def calendar(found: Calendar, blocks: Sequence[Block], reports: Sequence[AuditReport], *, versions: str) -> str:
    """The page of ``planner calendar``; ``blocks`` as its renderer makes them, ``reports``: the programme's audit."""
    about = [
        ("Field", found.field),
        ("Crop", found.crop),
        ("Season", str(found.harvest.year) if found.harvest else str(found.sown.year) if found.sown else "not dated"),
        ("Sown", words.day(found.sown, year=True)),
        ("Harvest", words.day(found.harvest, year=True)),
    ]
    drawn = windows(found)
    parts: list[Part] = []
    if reports and reports[0].programme.passes:
        parts += _drawn(reports[0], "The season")
    elif drawn is not None:
        parts.append(Picture(strip=drawn, label="Infection windows", plain=True))
    told = [one for one in sections(blocks) if one.title]
    return page(
        kind="Calendar of a field",
        title=found.programme or found.field or "calendar",
        verdict=_dated(found),
        about=[(name, value) for name, value in about if value],
        sections=[*([Section(title="The season", parts=tuple(parts))] if parts else []), *told],
        judged=reports,
        demo=found.demo,
        notices=found.notices,
        versions=versions,
    )


def windows(found: Calendar) -> Strip | None:
    """Stages and infection windows, without passes or cover; None where nothing is dated."""
    rows = [
        Row(
            name=words.safe(one.name),
            window=(one.first.toordinal(), one.last.toordinal()) if one.first and one.last else None,
            estimated=bool(one.window and (one.window[0].estimated or one.window[1].estimated)),
            modes={},
        )
        for one in found.targets
    ]
    days = [day for row in rows for day in row.window or ()]
    if not days:
        return None
    shown = [one for one in found.stages if one.named and min(days) - 10 <= one.date.toordinal() <= max(days) + 10]
    marks = tuple(
        Mark(day=one.date.toordinal(), text=f"{'~' if one.estimated else ''}{one.code}")
        for one in sorted(shown, key=lambda one: (one.date, one.bbch))
    )
    days += [mark.day for mark in marks]
    return Strip(first=min(days), last=max(days), stages=marks, passes=(), groups=(), rows=tuple(rows))


def _dated(found: Calendar) -> str:
    known = sum(1 for one in found.targets if one.first and one.last)
    if not found.targets:
        return "The field names no targets, so only its stages are dated."
    return f"{words.count(known, 'infection window')} of {words.count(len(found.targets), 'target')} dated."


def draft(answer: Draft, catalogue: Catalogue, *, units: System, versions: str, rules: str) -> str:
    """The page of ``planner draft``: side by side, the seasons, why not, then the balanced programme in full."""
    from planner.render import draft as render
    from planner.render.paper import Paper

    front = answer.front
    balanced = front.named.get("balanced") or next(iter(front.named.values()))
    paper = Paper(10_000)
    render._verdict(answer, balanced, paper, units)
    verdict, *proof = (line.plain for line in paper.lines)
    named = [render._row("no new pass", front.nothing, None, answer, units)]
    named += [render._row(name, one, answer.reports.get(name), answer, units) for name, one in front.named.items()]
    header = ("Programme", "Per area", "Bare", "Selection", "Passes")
    currency = front.space.currency or "money"
    told = (
        f"Per area: {currency} to pay. Bare: target-days without known cover, a day counted once, twice or three times "
        "for low, moderate or high pressure. Selection: days on which survivors of a group are favoured, summed over "
        "passes and targets; it ranks and does not forecast."
    )
    first = Section(
        title="Side by side",
        parts=(
            Table(caption="The named programmes", header=header, rows=_cells(named), right=(1, 2, 3)),
            Prose(text=told),
            *(Prose(text=line) for line in proof),
        ),
    )
    parts: list[Part] = []
    seen = {tuple(column.number for column in balanced.columns)}
    for name, report in answer.reports.items():
        key = tuple(column.number for column in front.named[name].columns)
        if key and key not in seen:
            seen.add(key)
            parts += [Prose(text=f"{_capital(name)}:"), *_drawn(report, f"{_capital(name)} season")]
    more = [Section(title="The other seasons", parts=tuple(parts))] if parts else []
    if answer.top:
        rows = [
            render._row(f"{at}", one, report, answer, units) for at, (one, report) in enumerate(answer.top, start=1)
        ]
        table = Table(
            caption="None beats these on all three figures", header=header, rows=_cells(rows), right=(1, 2, 3)
        )
        more.append(Section(title="Further programmes, cheapest first", parts=(table,)))
    why = []
    for entry in answer.why:
        name = render._when(int(entry.name)) if entry.kind == "date" else entry.name
        why.append((entry.kind, name, f"{entry.rule} " * bool(entry.rule) + words.in_units(entry.reason, units)))
    if why:
        table = Table(caption="Set against the balanced programme", header=("Kind", "Name", "Why not"), rows=tuple(why))
        more.append(Section(title="Why not", parts=(table,)))
    shown = answer.reports.get("balanced") or next(iter(answer.reports.values()), None)
    full = [shown] if shown is not None and balanced.columns else []
    field = front.space.field
    from planner.render.page import view

    return page(
        full,
        kind="Draft of spray programmes",
        title=field.name or "draft",
        verdict=verdict,
        tone="clean",
        about=view.about(full[0], units) if full else (("Field", field.name), ("Crop", field.crop)),
        sections=[first, *more],
        units=units,
        versions=versions,
        rules=rules,
        sources=catalogue.sources,
        sheets=sheets_of(full[0], catalogue, units) if full else (),
    )


def _cells(rows: Sequence[Sequence[Any]]) -> tuple[tuple[str, ...], ...]:
    """Cells of a terminal table without their styles."""
    return tuple(tuple(cell if isinstance(cell, str) else str(cell[0]) for cell in row) for row in rows)


def compare(one: Comparison, *, units: str, versions: str, rules: str = "") -> str:
    """The page of ``planner compare``."""
    from planner.render import compare as render
    from planner.render.page import view

    lead = render._lead(one, units)
    header, rows = render._programmes(one, units)
    passes = tuple(
        (*(render._pass_cell(cell, one, units) for cell in row["cells"]), "; ".join(row["notes"])) for row in one.passes
    )
    seasons: list[Part] = []
    for label, report in zip(one.labels, one.reports, strict=True):
        seasons += [Prose(text=_name(report), lead=f"{label}:"), *_drawn(report, f"Season of {label}")]
    found = [
        Section(title="In short", parts=(Items(items=tuple(_capital(line) for line in lead[1:])),)),
        Section(
            title="The programmes",
            parts=(
                Table(caption="Programmes side by side", header=("", *header[1:]), rows=_cells(rows), right=(1,)),
                *((Items(items=tuple(f"Notice: {text}" for text in one.notices)),) if one.notices else ()),
            ),
        ),
        Section(title="The seasons", parts=tuple(seasons)),
        Section(
            title="Pass by pass",
            parts=(Table(caption="Passes side by side", header=(*one.labels, "What differs"), rows=passes),),
        ),
        Section(
            title="Cover and working modes",
            parts=tuple(Table(caption=name, header=head, rows=_cells(body)) for name, head, body in render._cover(one)),
        ),
    ]
    head, days = render._selection(one)
    table = Table(
        caption="Selection days, each programme beside the first",
        header=(head[-1], *head[:-1]),
        rows=tuple((row[-1], *row[:-1]) for row in days),
        right=tuple(range(1, len(head))),
    )
    found.append(
        Section(
            title="How hard each selects for resistance",
            parts=(
                Prose(text=f"{CAVEAT} {RATES}"),
                *((table,) if days else ()),
                Items(items=tuple(line.strip() for line in render._selection_words(one, explain=False))),
            ),
        )
    )
    if one.forecast is not None:
        parts: list[Part] = []
        for name, drawn, told in render._charts(one):
            parts += [Prose(text="", lead=name), Document(text="\n".join(drawn), label=f"Course drawn: {name}")]
            parts += [Items(items=tuple(told))] if told else []
        parts.append(Prose(text=render.FORECAST_CAVEAT))
        found.append(Section(title=_capital(render._forecast_title(one.forecast)), parts=tuple(parts)))
    for title, entries in render._findings(one, units):
        lines = tuple("".join(part if isinstance(part, str) else str(part[0]) for part in line) for line in entries)
        found.append(Section(title=_capital(title), parts=(Items(items=lines),)))
    limits = Items(items=tuple(render._limits(one, explain=False)))
    found.append(Section(title="Published limits that tell the programmes apart", parts=(limits,)))
    names = " and ".join(_name(report) for report in one.reports)
    return page(
        kind="Programmes side by side",
        title=names,
        verdict=lead[0] if lead else "",
        about=view.about(one.reports[0], units),
        sections=found,
        judged=one.reports,
        units=units,
        versions=versions,
        rules=rules,
    )


def _name(report: AuditReport) -> str:
    from planner.render import text

    return text.title(report)


def _drawn(report: AuditReport, label: str) -> list[Part]:
    made = strip.make(report)
    return [Picture(strip=made, label=label, report=report)] if made is not None else []


class LessonSheet:
    """A lesson or an exercise as a page: what ``planner.render.lesson`` writes on (its ``Sheet``)."""

    def __init__(self, *, versions: str = "") -> None:
        self._versions = versions
        self._title = ""
        self._made: list[tuple[str, list[Part]]] = [("", [])]

    def title(self, text: str) -> None:
        """The name of the whole; a second one is a heading."""
        if self._title:
            self.heading(text)
        else:
            self._title = text

    def heading(self, text: str) -> None:
        """The name of a part."""
        self._made.append((text, []))

    def line(self, text: str) -> None:
        """A paragraph."""
        self._parts.append(Prose(text=text.strip()))

    def item(self, text: str, mark: str = "-") -> None:
        """An entry of a list; numbers and letters are printed as they are."""
        shown = text if mark == "-" else f"{mark}{'' if mark[-1] in '.:)' else '.'} {text}"
        last = self._parts[-1] if self._parts else None
        if isinstance(last, Items):
            self._parts[-1] = Items(items=(*last.items, shown))
        else:
            self._parts.append(Items(items=(shown,)))

    def raw(self, text: str) -> None:
        """A line that keeps its spaces."""
        last = self._parts[-1] if self._parts else None
        if isinstance(last, Document):
            self._parts[-1] = Document(text=f"{last.text}\n{text}", label=last.label)
        else:
            self._parts.append(Document(text=text, label=self._made[-1][0] or "drawn"))

    @property
    def _parts(self) -> list[Part]:
        return self._made[-1][1]

    @property
    def text(self) -> str:
        """The page."""
        return page(
            kind="Lessons on rotation and mixing",
            title=self._title or "Lesson",
            sections=[Section(title=title, parts=tuple(parts)) for title, parts in self._made if title or parts],
            versions=self._versions,
            cautions=False,
        )


def _capital(value: str) -> str:
    return value[:1].upper() + value[1:]
