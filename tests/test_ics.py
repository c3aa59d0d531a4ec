"""Calendar files, read back by the icalendar library's strict parser and held against RFC 5545 itself: lines of at most
75 octets ended by CRLF (3.1), the properties that a calendar and an event must have (3.6, 3.6.1), an all-day end that
is the first day outside (3.6.1), identifiers that occur once (3.8.4.7).
"""

from __future__ import annotations

import datetime
import re
from functools import cache
from pathlib import Path

import icalendar
import pytest

from planner import cli, documents
from planner.catalogue import Catalogue, load
from planner.errors import InputError
from planner.model import Programme
from planner.render import ics
from planner.sheet import sheet

SCENARIOS = Path(__file__).parents[1] / "shared" / "scenarios"
DAY = datetime.date


@cache
def catalogue() -> Catalogue:
    return load()


@cache
def programme() -> Programme:
    return documents.load_programme(SCENARIOS / "sound-quarry-bottom.yaml", catalogue())


def written(one: Programme) -> bytes:
    return ics.of_programme(sheet(one, catalogue()), one, stamp=catalogue().date)


def strict(content: bytes) -> list[icalendar.Event]:
    """The events of a file that keeps to RFC 5545."""
    assert content.endswith(b"\r\n")
    assert b"\n" not in content.replace(b"\r\n", b"")
    assert all(len(line) <= 75 for line in content.split(b"\r\n"))
    for line in content.split(b"\r\n"):
        line.decode("utf-8")  # 3.1: no fold inside a character of several octets
    text = content.decode("utf-8")
    unfolded = re.sub(r"\r\n[ \t]", "", text)
    # 3.3.11: in text, a comma and a semicolon are escaped, and nothing but \\ ; , n and N is
    for line in unfolded.split("\r\n"):
        if line.startswith(("SUMMARY:", "DESCRIPTION:", "NAME:")):
            assert re.fullmatch(r"(?:[^\\;,]|\\[\\;,nN])*", line.partition(":")[2]), line
    # 3.1: name, parameters, value; no control characters but the tab
    assert all(re.match(r"[A-Z0-9-]+(;[A-Z0-9-]+=[^:;]+)*:", line) for line in unfolded.split("\r\n") if line)
    assert not re.search(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]", text)
    found = icalendar.Calendar.from_ical(content)
    assert found["version"] == "2.0"
    assert found["prodid"]
    assert found.errors == []
    events = list(found.walk("VEVENT"))
    for event in events:
        assert event.errors == []
        assert {"UID", "DTSTAMP", "DTSTART", "SUMMARY"} <= set(event)
        assert event["dtstamp"].dt.utcoffset() == datetime.timedelta(0)
        if not isinstance(event["dtstart"].dt, datetime.datetime):
            for key in ("dtstart", "dtend"):  # 3.8.2.2: of one type
                assert event[key].params["VALUE"] == "DATE"
            assert event["dtend"].dt > event["dtstart"].dt
    identifiers = [str(event["uid"]) for event in events]
    assert len(set(identifiers)) == len(identifiers)
    return events


def starting(events: list[icalendar.Event], words: str) -> list[icalendar.Event]:
    return [event for event in events if str(event["summary"]).startswith(words)]


def test_passes_reentry_scouting_and_harvest() -> None:
    events = strict(written(programme()))
    passes = starting(events, "Spray ")
    assert [event["dtstart"].dt for event in passes] == [one.date for one in programme().passes]
    assert [event["dtend"].dt - event["dtstart"].dt for event in passes] == [datetime.timedelta(days=1)] * 3
    # hand sum: 48 h on the invented label of the first product, from the end of 30 June
    over = starting(events, "Re-entry interval over")[0]
    assert over["dtstart"].dt == datetime.datetime(2026, 7, 3)
    look = starting(events, "Look at")
    assert [event["dtstart"].dt for event in look] == [
        one.date + datetime.timedelta(days=10) for one in programme().passes if one.date
    ]
    assert all(event["dtend"].dt - event["dtstart"].dt == datetime.timedelta(days=5) for event in look)  # 10 to 14
    assert "common practice, no source" in str(look[0]["description"])
    (harvest,) = starting(events, "Earliest harvest")
    known = [
        one.date + datetime.timedelta(days=days)
        for one in programme().passes
        for item in one.tank
        if one.date
        and (product := programme().product(str(item.product))) is not None
        and (days := product.labels["soybean"].harvest_interval) is not None
    ]
    assert harvest["dtstart"].dt == max(known)
    for event in passes:
        assert "the label decides" in str(event["description"])
        assert "Invented products" in str(event["description"])


def test_the_same_input_gives_the_same_bytes() -> None:
    assert written(programme()) == written(programme())
    assert b"\r\nDTSTAMP:" + catalogue().date.replace("-", "").encode() + b"T000000Z" in written(programme())


def test_a_moved_pass_keeps_its_identifier() -> None:
    data = documents.dump_programme(programme())
    moved = data.replace("2026-08-10", "2026-08-13")
    assert moved != data
    before = {str(event["uid"]): event["dtstart"].dt for event in strict(written(programme()))}
    after = {str(event["uid"]): event["dtstart"].dt for event in strict(written(loaded(moved)))}
    assert before.keys() == after.keys()
    assert sum(before[key] != after[key] for key in before) >= 3


def loaded(text: str) -> Programme:
    import io

    return documents.load_programme("-", catalogue(), stdin=io.BytesIO(text.encode()))


HOSTILE = """\
name: "<script>;,:\\\\n & {name}"
field:
  name: "{name}"
  crop: soybean
  sown: 2026-05-12
  stages: {{R1: 2026-07-02}}
  harvest: 2026-09-30
passes:
  - {{date: 2026-04-20, how: seed, tank: [{{active: azoxystrobin, dose: 10 g/ha}}]}}
  - {{stage: R1, tank: [{{active: boscalid}}]}}
  - {{stage: R3, tank: [{{active: boscalid, dose: 150 g/ha}}]}}
  - {{date: 2026-09-25, tank: [{{active: tebuconazole, dose: 100 g/ha}}]}}
"""


@pytest.mark.parametrize(
    "name",
    ["Quarry; BEGIN:VEVENT, Bottom", "\\u202egnol\\u202c Acker", "Ä" * 300, "two, X:1; lines", "\U0001f33e" * 60],
)
def test_hostile_names_break_nothing(name: str) -> None:
    events = strict(written(loaded(HOSTILE.format(name=name))))
    assert len(starting(events, "Spray ")) == 3
    assert len(starting(events, "Seed treatment")) == 1
    assert len(starting(events, "Look at")) == 2  # not after the seed treatment, not after harvest
    tentative = [event for event in events if event["status"] == "TENTATIVE"]
    assert any(str(event["summary"]).startswith("Spray") for event in tentative)  # R3 is an estimate
    assert all("is an estimate" in str(event["description"]) for event in starting(tentative, "Spray "))


def test_what_is_not_known_is_said() -> None:
    events = strict(written(loaded(HOSTILE.format(name="Acker"))))
    text = str(starting(events, "Spray ")[0]["description"])
    assert "no rate given" in text
    assert "Re-entry not known for boscalid: see the label" in text
    assert not starting(events, "Re-entry")
    assert not starting(events, "Earliest harvest")


def test_a_programme_without_dates_has_no_calendar() -> None:
    """RFC 5545, 3.6: a calendar object holds at least one component."""
    bare = loaded("field: {crop: soybean}\npasses: [{stage: R3, tank: [{active: boscalid}]}]\n")
    with pytest.raises(InputError, match="nothing has a date"):
        written(bare)


@pytest.mark.parametrize(
    ("command", "document", "count"),
    [("sheet", "sound-quarry-bottom.yaml", 10), ("calendar", "sound-quarry-bottom.yaml", 19),
     ("calendar", "quarry-bottom.yaml", 9)],
)  # fmt: skip
def test_through_the_door(command: str, document: str, count: int, tmp_path: Path) -> None:
    target = tmp_path / "season.ics"
    assert cli.main([command, str(SCENARIOS / document), "--format", "ics", "--output", str(target)]) == 0
    assert len(strict(target.read_bytes())) == count


def test_windows_of_a_field() -> None:
    from planner.calendar import calendar

    found = calendar(programme(), catalogue())
    events = strict(ics.of_calendar(found, programme(), catalogue()))
    window = next(event for event in events if "frogeye leaf spot: infection window" in str(event["summary"]))
    target = next(one for one in found.targets if one.target == "frogeye-leaf-spot")
    assert window["dtstart"].dt == target.first
    assert target.last is not None
    assert window["dtend"].dt == target.last + datetime.timedelta(days=1)
    assert "scout first" in str(window["description"])
