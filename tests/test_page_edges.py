"""Pages of seasons with little in them: what is not known is said in words, and nothing is drawn from nothing.

The programmes are invented; each sentence that is looked for follows from what the document leaves out.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from planner import cli
from planner.render.page.season import breadth

FIELD = "crop: soybean, stages: {R1: 2026-07-01, R3: 2026-07-14, R5: 2026-08-05}"
ALONE = "  - {date: 2026-07-02, tank: [{active: azoxystrobin, dose: 110 g/ha}]}\n"
MIXED = ALONE.replace("]}", ", {active: prothioconazole, dose: 110 g/ha}]}")
LATER = "  - {date: 2026-07-20, tank: [{active: boscalid, dose: 300 g/ha}]}\n"


def text(folder: Path, *words: str) -> str:
    """The words of a page, tags taken out."""
    path = folder / "page.html"
    assert cli.main([*words, "--format", "html", "--output", str(path)]) in (0, 1)
    body = path.read_text(encoding="utf-8").partition("</style>")[2]
    return " ".join(re.sub(r"<[^>]*>", " ", body).split())


def plan(folder: Path, passes: str, field: str = FIELD, name: str = "plan.yaml") -> str:
    path = folder / name
    path.write_text(f"programme: 1\nname: {name}\nfield: {{{field}}}\npasses:\n{passes}", encoding="utf-8")
    return str(path)


def field(folder: Path, body: str) -> str:
    path = folder / "field.yaml"
    path.write_text(f"field: 1\n{body}", encoding="utf-8")
    return str(path)


def test_the_dose_of_a_bare_active_stands_in_the_tank_in_both_systems(tmp_path: Path) -> None:
    file = plan(tmp_path, ALONE)
    assert "110 g/ha" in text(tmp_path, "audit", file)
    # 0.110 kg on 2.4710538 ac, 0.45359237 kg to the pound: 0.0981 lb/ac (NIST Handbook 44, Appendix C)
    assert "0.0981 lb/ac" in text(tmp_path, "audit", file, "--units", "us")


def test_a_programme_of_stages_alone_is_not_dated(tmp_path: Path) -> None:
    file = plan(tmp_path, "  - {stage: R3, tank: [{active: azoxystrobin, dose: 110 g/ha}]}\n", field="crop: soybean")
    assert "not dated" in text(tmp_path, "audit", file)


def test_a_calendar_without_targets_dates_the_stages_alone_and_says_so(tmp_path: Path) -> None:
    found = text(tmp_path, "calendar", field(tmp_path, "crop: soybean\nsown: 2026-05-06\n"))
    assert "The field names no targets, so only its stages are dated." in found


def test_a_calendar_without_any_day_is_not_drawn_and_says_what_to_give(tmp_path: Path) -> None:
    found = text(tmp_path, "calendar", field(tmp_path, "crop: soybean\ntargets: [{target: frogeye-leaf-spot}]\n"))
    assert "No day of this season is known, so it is not drawn: give the field its sowing date." in found


def test_programmes_of_different_length_stand_side_by_side(tmp_path: Path) -> None:
    one, two = plan(tmp_path, ALONE + LATER, name="a.yaml"), plan(tmp_path, ALONE, name="b.yaml")
    assert "no pass here" in text(tmp_path, "compare", one, two)


def test_limits_that_both_programmes_meet_are_not_listed_one_by_one(tmp_path: Path) -> None:
    one, two = plan(tmp_path, MIXED, name="a.yaml"), plan(tmp_path, MIXED, name="b.yaml")
    assert "None: the limits that hold are met or missed alike." in text(tmp_path, "compare", one, two)


@pytest.mark.parametrize("word, least, most", [
    # at 13 px an "m" of common sans faces is about 11 px wide and an "i" about 3 (common practice, no source)
    ("iiii", 12, 24), ("mmmm", 44, 54), ("AAAA", 32, 40), ("小麦", 24, 28), ("", 0, 0),
])  # fmt: skip
def test_the_room_of_a_text_is_reckoned_on_the_generous_side(word: str, least: float, most: float) -> None:
    assert least <= breadth(word) <= most
    assert breadth(word, bold=True) >= breadth(word)
