"""Pages of the other commands: draft, compare, calendar, sheet and teach, from the parts that their own renderers make.

Each function takes what the command's text renderer takes and says the same in the same order; nothing is judged here.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from planner.exposure import CAVEAT, RATES
from planner.model import AuditReport, Source
from planner.render import strip, words
from planner.render.blocks import Block, Heading, Line
from planner.render.blocks import Table as BlockTable
from planner.render.page import (
    Bars,
    Facts,
    First,
    Items,
    Judged,
    Part,
    Picture,
    Prose,
    Section,
    Table,
    Tone,
    chart,
    page,
)
from planner.render.strip import Mark, Row, Strip

if TYPE_CHECKING:
    from planner.calendar import Calendar
    from planner.catalogue import Catalogue
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
            title, level, parts = capital(block.text), block.level, []
        elif isinstance(block, Line):
            if block.label:
                facts.append((capital(block.label), block.text))
            elif not block.text.startswith("--"):  # a hint on the command line means nothing on paper
                close()
                parts.append(Prose(text=capital(block.text)))
        elif isinstance(block, BlockTable):
            close()
            parts.append(
                Table(
                    caption=title or "Table",
                    header=block.header,
                    rows=tuple(tuple(map(_tight, row)) for row in block.rows),
                    right=block.right,
                    quiet=True,
                )
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


_DATE = re.compile(rf"(\d) (?=(?:{'|'.join(words.MONTHS)})\b)")


def _tight(cell: str) -> str:
    """A cell in which no line ends between a day and its month."""
    return _DATE.sub("\\1\u00a0", cell)


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
    from planner.render.page import view

    where = [found.field or "not named", found.crop]
    where += [words.amount(found.area, "area", found.units)] if found.area is not None else []
    told = []
    for one in sections(render.page(found), fresh="pass "):
        if not one.title:
            continue
        parts: list[Part] = []
        for part in one.parts:
            if isinstance(part, Facts):
                rows = tuple((name, view.plain_rules(value)) for name, value in part.rows)
                of_pass = one.fresh and not any(isinstance(other, Facts) for other in parts)
                part = Facts(rows=(("Field", ", ".join(where)), *rows) if of_pass else rows)
            parts.append(part)
        told.append(Section(title=one.title, parts=tuple(parts), sections=one.sections, fresh=one.fresh))
    return told


def firsts(report: AuditReport, units: str, prefix: str = "", lead: str = "", begin: str = "") -> tuple[First, ...]:
    """What to change first, for the first screen of a page that prints the findings of ``report`` under ``prefix``.

    ``lead`` stands instead of "First change", ``begin`` before the passes.
    """
    from planner.render.page import view

    one = view.first_of(report, units, prefix)
    if one is None:
        return ()
    where = f"{begin}{one['where']}: " if one["where"] else ""
    return ((lead or one["lead"], f"{where}{one['remedy']} {one['eased']}".strip(), one["anchor"]),)


def unchecked(report: AuditReport, prefix: str = "") -> First | None:
    """What could not be judged, for the first screen; None where all was."""
    told = words.unchecked(report)
    return ("", told, f"{prefix}not-assessed") if told else None


def checksums(paths: Sequence[str]) -> list[tuple[str, str]]:
    """Name and SHA-256 of each input file, each once; standard input is gone once it was read."""
    found = []
    for path in dict.fromkeys(paths):
        try:
            found.append((path, hashlib.sha256(Path(path).read_bytes()).hexdigest() if path != "-" else ""))
        except OSError:
            found.append((path, ""))
    return [(name if name != "-" else "standard input, of which no checksum is kept", value) for name, value in found]


def sheet(
    found: Sheet,
    report: AuditReport,
    *,
    versions: str,
    rules: str = "",
    sources: Mapping[str, Source] | None = None,
) -> str:
    """The page of ``planner sheet``: the season, a sheet for each pass, then what the audit says."""
    from planner.render import sheet as render
    from planner.render.page import view

    lead = render._VERDICTS.get(found.verdict, "") if found.verdict == "breaches" else ""
    missing = Items(items=tuple(f"Missing: {text}" for text in found.missing))
    first = [
        Section(title="The season", parts=tuple(drawn_of(report, "The season")) + ((missing,) if found.missing else ()))
    ]
    return page(
        kind="Spray sheet",
        title=found.programme or found.field or "spray sheet",
        verdict=words.verdict(report),
        tone=view.TONES[report.verdict],  # type: ignore[arg-type]
        first=firsts(report, found.units),
        unchecked=unchecked(report),
        notices=["A breach of a label is not to be sprayed: mend the programme first."] if lead else (),
        about=view.about(report, found.units),
        sections=[*first, *spray_sheets(found)],
        judged=[Judged(report=report, leave_out=("cost",))],
        units=found.units,
        versions=versions,
        rules=rules,
        sources=sources,
    )


def calendar(
    found: Calendar,
    blocks: Sequence[Block],
    reports: Sequence[AuditReport],
    *,
    versions: str,
    rules: str = "",
    units: str = "metric",
    sources: Mapping[str, Source] | None = None,
    inputs: Sequence[str] = (),
) -> str:
    """The page of ``planner calendar``; ``blocks`` as its renderer makes them, ``reports``: the programme's audit.

    ``inputs``: files read, where there is no report to speak for them.
    """
    from planner.render.page import view

    report = reports[0] if reports and reports[0].programme.passes else None
    against = words.joined(
        f"{one.name}{f' ({one.pressure} pressure)' if one.pressure else ''}" for one in found.targets
    )
    about = [
        ("Field", found.field or "not named"),
        ("Crop", found.crop),
        ("Season", str(found.harvest.year) if found.harvest else str(found.sown.year) if found.sown else "not dated"),
        ("Sown", words.day(found.sown, year=True)),
        ("Harvest", words.day(found.harvest, year=True)),
        ("Against", against),
    ]
    parts: list[Part] = []
    drawn = windows(found)
    if report is not None:
        about = view.about(report, units)
        parts += drawn_of(report, "The season")
    elif drawn is not None:
        parts.append(Picture(strip=drawn, label="Infection windows", plain=True))
    if not parts:
        parts.append(Prose(text="No day of this season is known, so it is not drawn: give the field its sowing date."))
    if report is not None:
        parts.append(Prose(text=_dated(found)))
    told = [one for one in sections(blocks) if one.title]
    listed = [one.sources for one in found.stages] + [one.sources for one in found.targets]
    keys = dict.fromkeys(key for one in listed for key in one)
    return page(
        kind="Calendar of a field",
        title=found.programme or found.field or "calendar",
        verdict=words.verdict(report) if report is not None else _dated(found),
        tone=view.TONES[report.verdict] if report is not None else "",  # type: ignore[arg-type]
        first=firsts(report, units) if report is not None else _soonest(found),
        unchecked=unchecked(report) if report is not None else None,
        about=[(name, value) for name, value in about if value],
        sections=[Section(title="The season", parts=tuple(parts)), *told],
        judged=[Judged(report=report)] if report is not None else (),
        inputs=() if report is not None else checksums(inputs),
        cite=[(key, "") for key in keys],
        demo=found.demo,
        notices=found.notices,
        units=units,
        versions=versions,
        rules=rules,
        sources=sources,
    )


def _soonest(found: Calendar) -> tuple[First, ...]:
    """The best timing that comes first: nothing is planned yet, so nothing can be changed."""
    timed = [(when.date, when, one) for one in found.targets for when in one.best[:1] if when.date is not None]
    if not timed:
        return ()
    day, when, target = min(timed, key=lambda one: one[0])
    sign = "about " if when.estimated else ""
    text = f"{target.name} has its best timing from {when.stage}, {sign}{words.day(day)}. No pass is planned yet."
    return (("First to come", text, ""),)


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


def draft(
    answer: Draft, catalogue: Catalogue, *, units: System, versions: str, rules: str, inputs: Sequence[str] = ()
) -> str:
    """The page of ``planner draft``: side by side, the seasons, why not, then the balanced programme in full."""
    from planner.render import draft as render
    from planner.render.page import view
    from planner.render.paper import Paper

    front = answer.front
    balanced = front.named.get("balanced") or next(iter(front.named.values()))
    paper = Paper(10_000)
    render._verdict(answer, balanced, paper, units)
    verdict, *proof = (line.plain for line in paper.lines)
    per = "per ac" if units == "us" else "per ha"
    currency = front.space.currency or "money"
    named = [render._row("no new pass", front.nothing, None, answer, units)]
    named += [render._row(name, one, answer.reports.get(name), answer, units) for name, one in front.named.items()]
    header = ("Programme", f"To pay, {currency} {per}", "Bare", "Selection", "Cautions", "Passes and their groups")
    told = (
        "Bare: target-days without known cover, a day counted once, twice or three times for low, moderate or high "
        "pressure. Selection: days on which survivors of a group are favoured, summed over groups and targets; it "
        "ranks and does not forecast."
    )
    first = Section(
        title="Side by side",
        parts=(
            Table(caption="The named programmes", header=header, rows=_priced(named), right=(1, 2, 3, 4)),
            Prose(text=told),
            *([Prose(text=f"{capital(render.meaning(front))}.")] if len(front.named) > 1 else []),
            *(Prose(text=line) for line in proof),
        ),
    )
    parts: list[Part] = []
    seen: dict[tuple[int, ...], list[str]] = {}
    for name in answer.reports:
        seen.setdefault(tuple(column.number for column in front.named[name].columns), []).append(name)
    own = tuple(column.number for column in balanced.columns)
    distinct = []  # names that are one programme, with its audit; the balanced one first
    for numbers, same in sorted(seen.items(), key=lambda pair: pair[0] != own):
        if numbers:
            distinct.append((capital(words.joined(same)), answer.reports[same[0]], numbers == own))
    for name, report, is_own in distinct:
        if not is_own:
            parts += [Prose(text="", lead=name), *drawn_of(report, f"Season of: {name}")]
    more = [Section(title="The other seasons", parts=tuple(parts))] if parts else []
    bars = chart.of_programmes([(name, report.selection) for name, report, _ in distinct])
    if bars:
        label = "Selection days by group, target and programme"
        key = tuple(name for name, *_ in distinct)
        how = (Bars(blocks=bars, label=label, key=key), Prose(text=f"{CAVEAT} {RATES}", caveat=True))
        more.append(Section(title="How hard each selects for resistance", parts=how))
    if answer.top:
        rows = [
            render._row(f"{at}", one, report, answer, units) for at, (one, report) in enumerate(answer.top, start=1)
        ]
        table = Table(
            caption="None beats these on all three figures", header=header, rows=_priced(rows), right=(1, 2, 3, 4)
        )
        more.append(Section(title="Further programmes nearest to balanced, cheapest first", parts=(table,)))
    if balanced.columns:
        table = Table(
            caption="The balanced programme, pass by pass",
            header=("Pass", "Point", "Why"),
            rows=tuple((name or "the programme", *rest) for name, *rest in render.reason_rows(balanced, answer)),
        )
        more.append(Section(title="Why these passes", parts=(table,)))
    why = []
    for entry in answer.why:
        name = render._when(int(entry.name)) if entry.kind == "date" else entry.name
        why.append((name, entry.kind, render.why_words(entry, units)))
    if why:
        table = Table(caption="Set against the balanced programme", header=("What", "Kind", "Why not"), rows=tuple(why))
        more.append(Section(title="Why not", parts=(table,)))
    shown = answer.reports.get("balanced") or next(iter(answer.reports.values()), None)
    full = [shown] if shown is not None and balanced.columns else []
    field = front.space.field
    tone: Tone = "clean"
    if full:  # what the audit of that programme says beside "no breach"
        tone = view.TONES[full[0].verdict]  # type: ignore[assignment]
        counts = words.counts(words.open_findings(full[0]))
        verdict = f"{verdict.rstrip('.')}; {counts}." if counts else verdict
    return page(
        full,
        kind="Draft of spray programmes",
        title=field.name or "draft",
        verdict=verdict,
        tone=tone,
        first=(firsts(full[0], units, "p1-") or (("To change", "no finding calls for it.", ""),)) if full else (),
        about=view.about(full[0], units) if full else (("Field", field.name), ("Crop", field.crop)),
        sections=[first, *more],
        inputs=checksums(inputs),
        units=units,
        versions=versions,
        rules=rules,
        sources=catalogue.sources,
        sheets=sheets_of(full[0], catalogue, units) if full else (),
    )


def _priced(rows: Sequence[Sequence[Any]]) -> tuple[tuple[str, ...], ...]:
    """Cells of the drafter's table; the unit of the money stands in the head of its column."""
    return tuple((name, cost.partition(" per ")[0], *rest) for name, cost, *rest in cells_of(rows))


def cells_of(rows: Sequence[Sequence[Any]]) -> tuple[tuple[str, ...], ...]:
    """Cells of a terminal table without their styles."""
    return tuple(tuple(cell if isinstance(cell, str) else str(cell[0]) for cell in row) for row in rows)


def name_of(report: AuditReport) -> str:
    """What the page calls a programme."""
    from planner.render import text

    return text.title(report)


def drawn_of(report: AuditReport, label: str) -> list[Part]:
    """The strip of a report; nothing where no day is known."""
    made = strip.make(report)
    return [Picture(strip=made, label=label, report=report)] if made is not None else []


def capital(value: str) -> str:
    """The first letter large, the rest as it is."""
    return value[:1].upper() + value[1:]
