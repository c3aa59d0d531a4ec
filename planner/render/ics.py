"""Passes, re-entry ends, earliest harvest and scouting dates as an iCalendar file (RFC 5545).

The same input gives the same bytes: identifiers come from field, season, pass and kind, so that a file made again
after a change moves the entries of the first, and the stamp is the catalogue's date. Times of day are floating: a
programme names no time zone.
"""

from __future__ import annotations

import datetime
import hashlib
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import msgspec

from planner import __version__, places, yamlio
from planner.calendar import Calendar, TargetRow, When
from planner.errors import InputError, RulebookError
from planner.model import Day, Programme, Struct
from planner.render import cautions
from planner.render.words import safe
from planner.sheet import Item, PassSheet, Sheet

if TYPE_CHECKING:
    from planner.catalogue import Catalogue

_DAY = datetime.timedelta(days=1)


class Entry(Struct, frozen=True, kw_only=True):
    """One entry: a day, several days (``last`` is inside), or a point in time."""

    key: str  # what makes it the same entry next time
    start: Day | datetime.datetime
    last: Day | None = None
    summary: str
    text: str
    tentative: bool = False


class Scouting(Struct, frozen=True, kw_only=True):
    """``catalog/scouting.yaml``."""

    version: int
    grade: str
    confidence: str
    after_pass: tuple[int, int]
    look_for: str


def scouting() -> Scouting:
    """The days after a pass on which to look at the crop.

    Raises:
        RulebookError: the file is wrong.
    """
    path = places.folder("catalog") / "scouting.yaml"
    try:
        return msgspec.convert(yamlio.read(path).data, Scouting, strict=True)
    except msgspec.ValidationError as error:
        raise RulebookError(str(path), str(error)) from None


def of_sheet(found: Sheet) -> list[Entry]:
    """Passes, re-entry ends, scouting dates and earliest harvest of a spray sheet; a pass without a day has none."""
    entries: list[Entry] = []
    for one in found.passes:
        entries += _pass(found, one)
    entries += _harvest(found)
    return entries


def of_programme(found: Sheet, programme: Programme, *, stamp: str) -> bytes:
    """The file of a spray sheet."""
    days = [one.day for one in found.passes if one.day is not None]
    season = season_of(days, programme.field.harvest, programme.field.sown)
    name = " - ".join(part for part in (found.field, found.programme) if part)
    return file(of_sheet(found), field=found.field or found.programme, season=season, name=name, stamp=stamp)


def of_calendar(found: Calendar, programme: Programme, catalogue: Catalogue) -> bytes:
    """The file of a calendar: windows and timings of the field, and all of the spray sheet where there are passes."""
    from planner.sheet import sheet

    entries = of_field(found)
    days: list[Day] = []
    if programme.passes:
        sprayed = sheet(programme, catalogue)
        entries += of_sheet(sprayed)
        days = [one.day for one in sprayed.passes if one.day is not None]
    season = season_of(days, found.harvest, found.sown)
    name = " - ".join(part for part in (found.field, found.programme) if part) or found.crop
    return file(entries, field=found.field or found.programme, season=season, name=name, stamp=catalogue.date)


def of_field(found: Calendar) -> list[Entry]:
    """Sowing and harvest of a field, and the infection window and best timing of each of its targets."""
    entries: list[Entry] = []
    for target in found.targets:
        entries += _target(target)
    if found.harvest is not None:
        text = "From the field document."
        entries.append(Entry(key="harvest", start=found.harvest, summary="Harvest, as planned", text=text))
    return entries


def file(entries: list[Entry], *, field: str, season: str, name: str, stamp: str) -> bytes:
    """The file: UTF-8, CRLF, lines of 75 octets at most.

    Args:
        field: the field's name; with ``season`` it is part of every identifier.
        season: year of the season.
        name: what a calendar program shows as title.
        stamp: ISO date; the moment that the file says it was made.

    Raises:
        InputError: there is no entry; a calendar file holds at least one (RFC 5545, 3.6).
    """
    import icalendar

    if not entries:
        cure = "give the passes dates, or the field its sowing date or stages"
        raise InputError(name or "--format ics", "nothing has a date, so there is no calendar to write", cure)

    calendar = icalendar.Calendar()
    calendar.add("prodid", f"-//planner//planner {__version__}//EN")
    calendar.add("version", "2.0")
    calendar.add("name", icalendar.vText(safe(name)))  # RFC 7986, 5.1: text, so escaped
    made = datetime.datetime.combine(datetime.date.fromisoformat(stamp[:10]), datetime.time(), datetime.UTC)
    for entry in sorted(entries, key=lambda one: (_moment(one.start), one.key)):
        event = icalendar.Event()
        event.add("uid", _identifier(field, season, entry.key))
        event.add("dtstamp", made)
        event.add("dtstart", entry.start)
        if not isinstance(entry.start, datetime.datetime):
            event.add("dtend", (entry.last or entry.start) + _DAY)  # the end is the first day outside
            event.add("transp", "TRANSPARENT")
        event.add("summary", safe(entry.summary))
        event.add("description", "\n".join(safe(line) for line in entry.text.splitlines()))
        event.add("status", "TENTATIVE" if entry.tentative else "CONFIRMED")
        calendar.add_component(event)
    content: bytes = calendar.to_ical(sorted=True)
    return content


def season_of(days: list[Day], harvest: Day | None, sown: Day | None) -> str:
    """Year of harvest, else of the last pass, else of sowing; empty where nothing is dated."""
    day = harvest or max(days, default=None) or sown
    return str(day.year) if day is not None else ""


def _identifier(field: str, season: str, key: str) -> str:
    digest = hashlib.sha256("\0".join((field, season, key)).encode("utf-8", "surrogatepass")).hexdigest()
    return f"{digest[:32]}@planner.invalid"


def _moment(start: Day | datetime.datetime) -> datetime.datetime:
    return start if isinstance(start, datetime.datetime) else datetime.datetime.combine(start, datetime.time())


def _pass(found: Sheet, one: PassSheet) -> Iterator[Entry]:
    if one.day is None:
        return
    where = found.field or "the field"
    guess = one.day_estimated
    tank = " + ".join(item.name for item in one.items)
    stage = f" at {one.stage}" if one.stage else ""
    how = {"seed": "Seed treatment", "in-furrow": "In-furrow treatment"}.get(one.how, "Spray")
    lines = [f"Pass {one.number}{stage}" + (", the date is an estimate from the stage" if guess else "")]
    lines += [f"The audit finds a breach: {breach}" for breach in one.breaches]
    lines += [_item(item) for item in one.items]
    lines += _after(one)
    if found.demo:
        lines.append("Invented products of a demo list: nothing of this name is sold.")
    lines += ["", *(f"{caution.title}: {caution.text}" for caution in cautions.load())]
    yield Entry(
        key=f"pass {one.number}",
        start=one.day,
        summary=f"{how} {where}: {tank}",
        text="\n".join(lines),
        tentative=guess,
    )
    if one.reentry_until is not None:
        unknown = f" Not known for {', '.join(one.reentry_unknown)}." if one.reentry_unknown else ""
        yield Entry(
            key=f"re-entry {one.number}",
            start=one.reentry_until,
            summary=f"Re-entry interval over, {where}, pass {one.number}",
            text=f"{one.reentry_hours:g} hours by the label of {one.reentry_by}, counted from the end of the day of "
            f"spraying.{unknown} The label and local rules decide.",
            tentative=guess,
        )
    if one.how == "foliar":
        yield from _scout(found, one)


def _scout(found: Sheet, one: PassSheet) -> Iterator[Entry]:
    assert one.day is not None
    advice = scouting()
    span = " to ".join(map(str, advice.after_pass))
    first, last = (one.day + datetime.timedelta(days=days) for days in advice.after_pass)
    if found.harvest is not None and first >= found.harvest:
        return
    yield Entry(
        key=f"scouting {one.number}",
        start=first,
        last=last,
        summary=f"Look at {found.field or 'the field'} after pass {one.number}",
        text=f"{' '.join(advice.look_for.split())}\n{span} days after the pass: common practice, no source.",
        tentative=one.day_estimated,
    )


def _harvest(found: Sheet) -> Iterator[Entry]:
    if found.earliest_harvest is None:
        return
    unknown = sorted({name for one in found.passes for name in one.harvest_unknown})
    deciding = [one for one in found.passes if one.harvest_from == found.earliest_harvest]
    rests = f" Set by pass {deciding[-1].number} ({deciding[-1].harvest_by})." if deciding else ""
    gap = f" Not known for {', '.join(unknown)}." if unknown else ""
    undated = [one.number for one in found.passes if one.day is None]
    gap += f" Pass {', '.join(map(str, undated))} has no day and is not counted." if undated else ""
    yield Entry(
        key="earliest harvest",
        start=found.earliest_harvest,
        summary=f"Earliest harvest of {found.field or 'the field'} by pre-harvest intervals",
        text=f"First day on which every known pre-harvest interval is over.{rests}{gap} The labels decide.",
        tentative=any(one.day_estimated for one in deciding),
    )


def _item(item: Item) -> str:
    groups = f" ({', '.join(item.groups)})" if item.groups else ""
    return f"{item.name}{groups}: {item.rate_words}" if item.rate is not None else f"{item.name}{groups}: no rate given"


def _after(one: PassSheet) -> Iterator[str]:
    if one.reentry_hours is not None:
        yield f"Re-entry: {one.reentry_hours:g} h ({one.reentry_by})"
    if one.reentry_unknown:
        yield f"Re-entry not known for {', '.join(one.reentry_unknown)}: see the label"
    if one.harvest_days is not None:
        yield f"Pre-harvest interval: {one.harvest_days} d ({one.harvest_by})"
    if one.harvest_unknown:
        yield f"Pre-harvest interval not known for {', '.join(one.harvest_unknown)}: see the label"


def _target(target: TargetRow) -> Iterator[Entry]:
    if target.first is not None and target.last is not None and target.first <= target.last:
        ends: tuple[Any, ...] = target.window or ()
        yield Entry(
            key=f"window {target.target}",
            start=target.first,
            last=target.last,
            summary=f"{target.name}: infection window",
            text="From the stages " + " to ".join(end.stage for end in ends) + f" ({target.window_grade}). "
            "A window is no reason to spray by itself: scout first.",
            tentative=any(end.estimated for end in ends),
        )
    for when in target.best:
        yield from _best(target, when)


def _best(target: TargetRow, when: When) -> Iterator[Entry]:
    if when.date is None:
        return
    spread = f", between {when.earliest} and {when.latest}" if when.earliest != when.latest else ""
    yield Entry(
        key=f"timing {target.target} {when.stage}",
        start=when.date,
        summary=f"{target.name}: best timing, {when.stage}",
        text=f"Stage {when.stage} is expected on {when.date}{spread} ({target.timing_grade}). "
        "The crop decides, not the date.",
        tentative=when.estimated,
    )
