"""The page of ``planner calendar``: what it says where dates, windows, spreads or passes are missing, and of a move.

Dates of the season stand in test_calendar.py; here only what a reader is told. Fields are invented.
"""

from __future__ import annotations

import datetime
import json
import re
from functools import cache
from pathlib import Path

import msgspec
import pytest

from planner import cli, exits, moves, places
from planner.calendar import Calendar, When, calendar
from planner.catalogue import Catalogue, load
from planner.documents import load_programme
from planner.model import Field, FieldTarget, Programme
from planner.render import blocks, console
from planner.render import calendar as render

FARM = places.folder("shared") / "scenarios"
Captured = pytest.CaptureFixture[str]


@cache
def catalogue() -> Catalogue:
    return load()


def field(**values: object) -> Calendar:
    return calendar(Programme(field=Field(crop="soybean", **values), passes=()), catalogue())  # type: ignore[arg-type]


def page(found: Calendar, **options: object) -> str:
    """The page as one line of words."""
    return " ".join(console.plain(blocks.to_text(render.page(found, **options), 100)).split())  # type: ignore[arg-type]


def run(capsys: Captured, *words: str) -> str:
    assert cli.main(["calendar", *words]) == exits.DONE
    return " ".join(capsys.readouterr().out.split())


def test_a_field_without_any_date_shows_windows_by_stage() -> None:
    text = page(field(targets=(FieldTarget(target="frogeye-leaf-spot", cultivar="resistant"),)))
    assert "nothing is dated: give the sowing date, an observed stage or the harvest date" in text
    assert "window: R1 not dated to R6 not dated" in text
    assert "speaks for less: the cultivar is given as resistant" in text
    assert "stages stage day" not in text  # no table of stages
    assert "is late" not in text  # nothing dates the stage from which a first pass would be


def test_a_field_without_targets_shows_no_windows() -> None:
    text = page(field(sown=datetime.date(2026, 5, 12)))
    assert "no targets are given, so no infection windows" in text
    assert "infection windows and best timing" not in text
    assert "--explain shows from where each date is counted" in text


def test_explain_says_from_where_each_date_is_counted() -> None:
    text = page(field(sown=datetime.date(2026, 5, 12)), explain=True)
    assert "118 days after sown (12 May 2026): average days between stages" in text  # 12 May + 118 = 7 September
    assert "harvest 7 September" in text
    assert "--explain" not in text


def test_a_field_whose_stages_are_all_given_has_nothing_to_explain() -> None:
    found = field(sown=datetime.date(2026, 5, 12))
    given = msgspec.structs.replace(found, stages=tuple(row for row in found.stages if row.code == "sown"))
    assert "--explain" not in page(given)


def test_the_days_of_the_temperatures_are_shown() -> None:
    first = datetime.date(2026, 5, 1)
    season = tuple((first + datetime.timedelta(days=n), 15.0, 28.0) for n in range(62))
    text = page(field(sown=datetime.date(2026, 5, 12), latitude=41.8, temperatures=season))
    assert "temperatures: 1 May to 1 July 2026" in text  # 31 days of May, 30 of June, the first of July


def test_a_target_that_no_spray_on_leaves_serves() -> None:
    """Sudden death syndrome enters by the root; the catalogue lists no foliar treatment for it."""
    text = page(field(sown=datetime.date(2026, 5, 12), targets=(FieldTarget(target="sudden-death-syndrome"),)))
    assert "treatment: no foliar treatment is listed for it" in text
    assert "pressure: not given" in text


def test_a_target_with_a_manner_of_cover_but_no_best_stage() -> None:
    target = catalogue().target("soybean", "downy-mildew")
    assert target.timing_style and not target.best_timing
    text = page(field(sown=datetime.date(2026, 5, 12), targets=(FieldTarget(target="downy-mildew"),)))
    assert f"timing: {target.timing_style.replace('_', '-')}" in text
    assert "best timing:" not in text


def test_a_target_without_published_stages_says_so() -> None:
    found = field(sown=datetime.date(2026, 5, 12), targets=(FieldTarget(target="frogeye-leaf-spot"),))
    bare = msgspec.structs.replace(found.targets[0], window=None, best=(), style="", weather="")
    text = page(msgspec.structs.replace(found, targets=(bare,)))
    assert "window: no published stages of infection are in the catalogue" in text
    assert "timing:" not in text and "weather:" not in text


def test_a_window_that_harvest_closes_says_on_which_day() -> None:
    """Late blight infects until some days before harvest (catalogue): the window ends before its last stage."""
    target = catalogue().target("potato", "late-blight")
    assert target.window_end_before_harvest
    season = Field(
        crop="potato",
        sown=datetime.date(2026, 4, 25),
        stages={"BBCH31": datetime.date(2026, 6, 10), "BBCH60": datetime.date(2026, 6, 25)},
        harvest=datetime.date(2026, 8, 20),
        targets=(FieldTarget(target="late-blight", pressure="high"),),
    )
    found = calendar(Programme(field=season, passes=()), catalogue())
    last = datetime.date(2026, 8, 20) - datetime.timedelta(days=target.window_end_before_harvest)
    assert found.targets[0].last == last
    assert f"closed by {last.day} {last:%B}: harvest" in page(found)


def test_a_day_between_two_stages_has_no_spread_of_its_own() -> None:
    found = field(sown=datetime.date(2026, 5, 12), targets=(FieldTarget(target="frogeye-leaf-spot"),))
    between = When(stage="R9", date=datetime.date(2026, 7, 1), earliest=None, latest=None, estimated=True)
    row = msgspec.structs.replace(found.targets[0], best=(between,))
    assert "R9 ~1 July (no spread known)" in page(msgspec.structs.replace(found, targets=(row,)))


def test_a_pass_that_nothing_bounds_shows_a_dash() -> None:
    programme = load_programme(str(FARM / "sound-quarry-bottom.yaml"), catalogue())
    found = calendar(programme, catalogue())
    free = msgspec.structs.replace(
        found.passes[0],
        bounds=(),
        first=None,
        last=None,
        allowed_first=None,
        allowed_last=None,
        note="nothing bounds it",
    )
    text = page(msgspec.structs.replace(found, passes=(free,)))
    assert "none none - pass 1: nothing bounds it" in text


def test_only_products_without_a_label_for_the_crop_are_one_line() -> None:
    programme = load_programme(str(FARM / "sound-quarry-bottom.yaml"), catalogue())
    found = calendar(programme, catalogue())
    other = tuple(row for row in found.products if not row.on_label)
    assert other
    text = page(msgspec.structs.replace(found, products=other))
    assert "no label for soybean: " + ", ".join(row.product for row in other) in text
    assert "product last day set by" not in text


# --- a move (story 6) -------------------------------------------------------------------------------------------------


def test_a_move_into_the_days_before_harvest_is_told_from_both_sides(capsys: Captured) -> None:
    """10 August to 20 September is 41 days; from there 12 remain to harvest on 2 October, the label asks for 21."""
    text = run(capsys, str(FARM / "sound-quarry-bottom.yaml"), "--move", "3=2026-09-20")
    assert "pass 3: 10 August (R5) to 20 September (R7), 41 days later" in text
    assert "verdict: clean before, breaches after" in text
    assert "comes: breach LBL08 harvest-interval-short, pass 3: Demo Limewood 200 SC goes on 12 days before" in text
    assert "reads otherwise: advice ROT01" in text and "(before: advice: " in text
    assert "days bare 2 before, 43 after" in text  # the cover ends 41 days sooner before the pass than it did
    bare = {name: (int(old), int(new)) for name, old, new in re.findall(
        r"bare days, ([^:]+): (\d+) before, (\d+) after", text
    )}  # fmt: skip
    assert bare["frogeye leaf spot"][0] < bare["frogeye leaf spot"][1]
    assert re.search(r"bare days, white mold \(Sclerotinia stem rot\): \d+, as before", text)


def test_a_move_back_takes_the_findings_away(tmp_path: Path, capsys: Captured) -> None:
    sound = (FARM / "sound-quarry-bottom.yaml").read_text(encoding="utf-8")
    late = re.sub(r"- date: 2026-08-10.*\n    stage: R5\n", "- date: 2026-09-20\n", sound)
    assert late != sound
    for name in ("quarry-bottom.yaml", "farm-shop.yaml"):
        (tmp_path / name).write_text((FARM / name).read_text(encoding="utf-8"), encoding="utf-8")
    (tmp_path / "late.yaml").write_text(late, encoding="utf-8")
    text = run(capsys, str(tmp_path / "late.yaml"), "--move", "3=-41d")
    assert "41 days earlier" in text and "goes: breach LBL08 harvest-interval-short" in text
    there = run(capsys, str(FARM / "sound-quarry-bottom.yaml"), "--move", "3=2026-09-20")
    old, new = re.search(r"bare days, frogeye leaf spot: (\d+) before, (\d+) after", there).groups()  # type: ignore[union-attr]
    assert f"bare days, frogeye leaf spot: {new} before, {old} after" in text  # the way back


def test_a_move_that_changes_nothing_says_so() -> None:
    programme = load_programme(str(FARM / "solo-strobilurins-quarry-bottom.yaml"), catalogue())
    moved = moves.move(programme, catalogue(), {1: 0})
    text = page(calendar(programme, catalogue()), moved=moved)
    assert "verdict: breaches, as before" in text
    assert "findings: none comes, none goes" in text
    unknown = msgspec.structs.replace(moved.bare[0], before=None, after=None)
    told = page(calendar(programme, catalogue()), moved=msgspec.structs.replace(moved, bare=(unknown,)))
    assert "bare days" not in told  # of what is not known nothing is said


def test_a_move_in_json(capsys: Captured) -> None:
    words = ["calendar", str(FARM / "sound-quarry-bottom.yaml"), "--move", "3=+7d", "--format", "json"]
    assert cli.main(words) == exits.DONE
    moved = json.loads(capsys.readouterr().out)["moved"]
    assert moved["shifts"] == [
        {"number": 3, "before": "2026-08-10", "after": "2026-08-17", "stage_before": "R5", "stage_after": "R5"}
    ]


# --- what is read -----------------------------------------------------------------------------------------------------


def test_a_spreadsheet_needs_its_field(capsys: Captured) -> None:
    sheet = str(FARM / "supplier-sheet-quarry-bottom.csv")
    assert cli.main(["calendar", sheet]) == exits.INPUT
    assert "--field" in capsys.readouterr().err
    text = run(capsys, sheet, "--field", str(FARM / "quarry-bottom.yaml"), "--products", str(FARM / "farm-shop.yaml"))
    assert "first and last day of each pass" in text and "field Quarry Bottom" in text
