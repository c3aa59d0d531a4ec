"""``planner calendar`` end to end: dates and what they rest on, windows, first and last days, and what a move changes.

Worked examples of stage dates stand in test_phenology.py. Trade facts that no source was read for are marked
'common practice, no source'.
"""

from __future__ import annotations

import datetime
import io
import json
import math
import subprocess
import sys
from collections.abc import Callable
from datetime import date
from functools import cache
from pathlib import Path

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner import cli, moves
from planner.account import Account
from planner.calendar import Calendar, calendar
from planner.catalogue import Catalogue, load
from planner.documents import load_field, load_products, load_programme
from planner.errors import InputError
from planner.model import Field, Programme
from planner.render import blocks, words
from planner.render import calendar as render
from planner.season import Season

ROOT = Path(__file__).resolve().parents[1]
FARM = ROOT / "shared" / "scenarios"
Golden = Callable[[str, str], None]


@cache
def catalogue() -> Catalogue:
    return load()


def of_field(field: Field, products: bool = False) -> Calendar:
    listed = load_products(FARM / "farm-shop.yaml", catalogue()) if products else ()
    return calendar(Programme(field=field, products=listed, passes=()), catalogue())


def quarry() -> Field:
    return load_field(FARM / "quarry-bottom.yaml", catalogue())


def sound() -> Programme:
    return load_programme(FARM / "sound-quarry-bottom.yaml", catalogue())


def day(found: Calendar, code: str) -> date:
    return next(one.date for one in found.stages if one.code == code)


def run(*words: str) -> int:
    return cli.main(["calendar", *map(str, words)])


# --- stages -------------------------------------------------------------------------------------


def test_every_stage_date_says_what_it_rests_on() -> None:
    found = of_field(quarry())
    given_codes = {"sown", "R1", "R3", "R5", "harvest"}
    for row in found.stages:
        if row.code in given_codes:
            assert row.rests_on == "given" and row.earliest == row.date == row.latest
        else:
            assert row.estimated and row.rests_on != "given" and row.basis
            assert row.earliest <= row.date <= row.latest and row.earliest < row.latest
            assert row.grade


def test_a_field_with_a_sowing_date_only_gets_a_first_answer() -> None:
    # needs.md story: the first useful line must come from a sowing date; sown to R8 about 120 days (catalogue)
    found = of_field(Field(crop="soybean", sown=date(2026, 5, 12)))
    assert {row.rests_on for row in found.stages if row.code.startswith("R")} == {"typical days"}
    assert any("every stage date is an estimate" in notice for notice in found.notices)
    assert any("no harvest date" in notice for notice in found.notices)


def temperatures(first: date, days: int, low: float, high: float) -> tuple[tuple[date, float, float], ...]:
    return tuple((first + datetime.timedelta(days=n), low, high) for n in range(days))


def test_corn_by_degree_days_from_a_temperature_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # 60/86 F every day is 23 degree days (86/50 rule, Iowa State Agronomy 541); emergence at 110 of them
    # (Purdue, 100 to 120) falls after ceil(110 / 23) = 5 days; silking at 1200 (Wisconsin) after 53
    lines = ["day,min F,max F"]
    lines += [f"{date(2026, 5, 1) + datetime.timedelta(days=n)},60,86" for n in range(120)]
    (tmp_path / "t.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (tmp_path / "f.yaml").write_text("field: 1\ncrop: corn\nsown: 2026-05-01\ntemperatures: t.csv\n", encoding="utf-8")
    assert run(tmp_path / "f.yaml", "--format", "json") == 0
    stages = {row["code"]: row for row in json.loads(capsys.readouterr().out)["stages"]}
    for code, total in (("VE", 110), ("VT", 1200), ("R3", 1550)):
        after = (date.fromisoformat(stages[code]["date"]) - date(2026, 5, 1)).days
        assert abs(after - math.ceil(total / 23)) <= 1, code
        assert stages[code]["rests_on"] == "degree days"


def test_soybean_by_photothermal_days_moves_with_the_maturity_group() -> None:
    season = temperatures(date(2026, 5, 1), 180, 15.0, 28.0)
    days = []
    for group in ("0", "2", "4"):
        field = Field(crop="soybean", sown=date(2026, 5, 12), latitude=41.8, maturity_group=group, temperatures=season)
        found = of_field(field)
        assert next(row for row in found.stages if row.code == "R1").rests_on == "photothermal days"
        days.append(day(found, "R8"))
    assert days == sorted(days) and days[0] < days[-1]  # later groups ripen later: what the groups are named for


def test_a_hole_in_the_temperatures_is_said() -> None:
    found = of_field(
        Field(crop="potato", sown=date(2026, 5, 1), temperatures=temperatures(date(2026, 5, 1), 90, 10.0, 25.0))
    )
    assert any("temperatures date no stage" in notice for notice in found.notices)


@settings(max_examples=40, deadline=None)
@given(st.integers(-10, 10), st.sampled_from(["R1", "R3"]))
def test_moving_an_observed_stage_by_n_days_moves_all_later_estimates_by_n(shift: int, last: str) -> None:
    stages = {"R1": date(2026, 7, 2), "R3": date(2026, 7, 20)}
    if last == "R1":
        stages = {"R1": date(2026, 7, 2)}
    first = of_field(Field(crop="soybean", sown=date(2026, 5, 12), stages=stages))
    moved = {**stages, last: stages[last] + datetime.timedelta(days=shift)}
    second = of_field(Field(crop="soybean", sown=date(2026, 5, 12), stages=moved))
    later = next(row.bbch for row in first.stages if row.code == last)
    checked = 0
    for row in first.stages:
        if row.bbch > later and row.code.startswith("R"):
            assert (day(second, row.code) - row.date).days == shift
            checked += 1
    assert checked >= 4


# --- what contradicts ----------------------------------------------------------------------------


def test_dates_against_the_order_of_stages_are_an_error_at_their_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # V8 and V12 share one BBCH code: only their order in time tells
    path = tmp_path / "f.yaml"
    path.write_text(
        "field: 1\ncrop: corn\nsown: 2026-05-01\nstages:\n  V12: 2026-06-10\n  V10: 2026-06-20\n", encoding="utf-8"
    )
    assert run(path) == 2
    told = capsys.readouterr()
    assert told.out == "" and f"{path}:" in told.err and "V10" in told.err and "V12" in told.err
    assert "correct one of the two dates" in told.err


def test_passes_against_the_order_of_stages_are_an_input_error(tmp_path: Path) -> None:
    path = tmp_path / "p.yaml"
    path.write_text(
        "programme: 1\nfield: {crop: corn, sown: 2026-05-01}\npasses:\n"
        "  - {date: 2026-06-10, stage: V12, tank: [{active: azoxystrobin, dose: 100 g/ha}]}\n"
        "  - {date: 2026-06-20, stage: V10, tank: [{active: azoxystrobin, dose: 100 g/ha}]}\n",
        encoding="utf-8",
    )
    with pytest.raises(InputError) as caught:
        calendar(load_programme(path, catalogue()), catalogue())
    assert str(path) in str(caught.value)


# --- targets --------------------------------------------------------------------------------------


def test_white_mold_first_pass_at_r1_and_follow_up_as_published() -> None:
    # first pass at R1: common practice, no source (and Michigan State, R1 to R2, in the catalogue). The trade's rule
    # 'follow-ups two to three weeks later' is common practice, no source; the catalogue carries the read 10 days.
    row = next(one for one in of_field(quarry()).targets if one.target == "sclerotinia-stem-rot")
    assert row.best[0].stage == "R1" and row.best[0].date == date(2026, 6, 28) == row.first
    assert row.style == "stage-timed" and row.follow_up_days == 10


def test_leaf_disease_at_r2_to_early_r3_lies_by_the_published_best_timing() -> None:
    # general leaf disease at R2 to early R3: common practice, no source; frogeye leaf spot's read timing begins at R3
    row = next(one for one in of_field(quarry()).targets if one.target == "frogeye-leaf-spot")
    assert row.best[0].stage == "R3" and row.best[0].date == date(2026, 7, 16)


def test_pressure_is_as_given_and_what_speaks_for_more_is_named() -> None:
    row = next(one for one in of_field(quarry()).targets if one.target == "frogeye-leaf-spot")
    assert row.pressure == "high" and row.cultivar == "susceptible"
    assert "the cultivar is given as susceptible" in row.raises
    # residue carries it over (University of Wisconsin, in the catalogue); soybean stood here in 2024
    assert any("2024" in words and "survives" in words for words in row.raises)
    resistant = msgspec.structs.replace(
        quarry(),
        targets=(msgspec.structs.replace(quarry().targets[0], cultivar="resistant"),),
        history=(),  # type: ignore[index]
    )
    other = of_field(resistant).targets[0]
    assert other.raises == () and other.lowers == ("the cultivar is given as resistant",) and other.pressure == "high"


def test_another_host_in_the_history_speaks_for_more() -> None:
    # Fusarium graminearum lives on barley as on wheat (the catalogue lists it for both)
    field = load_field(FARM / "mill-piece.yaml", catalogue())
    from planner.model import Season as Earlier

    field = msgspec.structs.replace(field, history=(Earlier(season="2025", crop="barley", groups=()),))
    row = next(one for one in of_field(field).targets if one.target == "fusarium-head-blight")
    assert any("barley stood here in 2025" in words for words in row.raises)


# --- products and passes --------------------------------------------------------------------------


def test_last_day_of_a_product_by_stage_and_by_harvest() -> None:
    rows = {row.product: row for row in of_field(quarry(), products=True).products}
    chalk = rows["Demo Tuff 720 SC"]  # invented label: 42 days to harvest on 2 October, until R6
    assert chalk.last_by_harvest == date(2026, 8, 21) == chalk.last and chalk.sets == "harvest"
    godwit = rows["Demo Godwit 500 SC"]  # invented label: until R3, no days to harvest
    assert godwit.last_by_harvest is None and "the list gives no pre-harvest interval" in godwit.missing
    assert godwit.last_by_stage is not None and date(2026, 7, 16) <= godwit.last_by_stage < date(2026, 7, 27)
    assert rows["Demo Diorite 420 SC"].on_label is False  # wheat only


def test_the_audit_and_the_calendar_hold_the_same_last_day() -> None:
    # the last day by pre-harvest interval is the last one on which LBL08 stays silent
    from planner.audit import audit

    programme = sound()
    row = next(one for one in calendar(programme, catalogue()).products if one.product == "Demo Limewood 200 SC")
    assert row.last_by_harvest is not None
    for late, found in ((0, False), (1, True)):
        passes = list(programme.passes)
        passes[2] = msgspec.structs.replace(
            passes[2], date=row.last_by_harvest + datetime.timedelta(days=late), stage=None
        )
        report = audit(msgspec.structs.replace(programme, passes=tuple(passes)), catalogue())
        assert any(one.rule == "LBL08" for one in report.findings) is found


def test_first_and_last_day_of_each_pass() -> None:
    rows = calendar(sound(), catalogue()).passes
    for row in rows:
        assert row.first is not None and row.last is not None and row.first <= row.last
        assert row.first_stage and row.last_stage
        assert max(b.day for b in row.bounds if b.side == "first") == row.first
        assert min(b.day for b in row.bounds if b.side == "last") == row.last
    assert rows[0].first == date(2026, 6, 28)  # R1, observed: label and white mold's best timing
    assert rows[1].last == date(2026, 8, 10)  # the next pass


def test_a_pass_that_fits_no_day_says_so() -> None:
    programme = load_programme(FARM / "over-label-heron-flat.yaml", catalogue())
    rows = calendar(programme, catalogue()).passes
    assert any(row.note for row in rows)
    for row in rows:
        if row.first is None and row.last is None:
            assert row.note == "label and neighbouring passes leave no day"


# --- moving a pass (story 6) ----------------------------------------------------------------------


def test_moving_a_pass_seven_days_shows_exactly_what_changes() -> None:
    from planner.audit import audit

    programme = sound()
    moved = moves.move(programme, catalogue(), {3: 7})
    assert moved.shifts[0].before == date(2026, 8, 10) and moved.shifts[0].after == date(2026, 8, 17)
    passes = list(programme.passes)
    passes[2] = msgspec.structs.replace(passes[2], date=date(2026, 8, 17), stage=None)
    by_hand = audit(msgspec.structs.replace(programme, passes=tuple(passes)), catalogue())
    before = audit(programme, catalogue())
    assert moved.verdict_before == before.verdict and moved.verdict_after == by_hand.verdict
    assert len(by_hand.findings) == moved.same + len(moved.came) + len(moved.changed)
    assert len(before.findings) == moved.same + len(moved.went) + len(moved.changed)
    bare = {row["target"]: row["bare_days"] for row in by_hand.cover}
    assert {one.target: one.after for one in moved.bare} == bare


def test_a_move_there_and_no_move_changes_nothing() -> None:
    moved = moves.move(load_programme(FARM / "solo-strobilurins-quarry-bottom.yaml", catalogue()), catalogue(), {1: 0})
    assert not moved.came and not moved.went


def test_a_move_that_breaks_a_label_shows_the_breach() -> None:
    # Demo Limewood's invented label: 21 days to harvest on 2 October
    moved = moves.move(sound(), catalogue(), {3: date(2026, 9, 20)})
    assert "LBL08" in {one.rule for one in moved.came} and moved.verdict_after == "breaches"


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("2=7 weeks", "is not a move"),
        ("9=+7d", "there is no pass 9"),
        ("1=+60d", "would lie before pass 1"),
        ("3=+99d", "after harvest"),
        ("2=2026-13-01", "is no date"),
    ],
)
def test_a_move_that_cannot_be(written: str, said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(FARM / "sound-quarry-bottom.yaml", "--move", written) == 2
    told = capsys.readouterr()
    assert said in told.err and told.out == ""


def test_a_field_has_no_pass_to_move(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(FARM / "quarry-bottom.yaml", "--move", "1=+7d") == 2
    assert "name a programme" in capsys.readouterr().err


# --- the page --------------------------------------------------------------------------------------


def page(programme: Programme, width: int = 100) -> str:
    from planner.render import console

    found = calendar(programme, catalogue())
    lines = blocks.to_text(render.page(found, versions="planner 0.0, catalogue of the test"), width)
    return console.plain(lines)


def test_text(golden: Golden) -> None:
    golden("calendar.txt", page(sound()))


def test_markdown(golden: Golden) -> None:
    found = calendar(sound(), catalogue())
    golden("calendar.md", blocks.to_markdown(render.page(found, versions="planner 0.0, catalogue of the test")))


def test_json_has_all_stages_and_iso_dates(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(FARM / "sound-quarry-bottom.yaml", "--format", "json", "--move", "2=+7d") == 0
    data = json.loads(capsys.readouterr().out)
    assert {row["code"] for row in data["stages"]} >= {"sown", "V5", "R1", "R8", "harvest"}
    assert data["passes"][0]["first"] == "2026-06-28" and data["moved"]["shifts"][0]["after"] == "2026-08-01"


def test_standard_input_reads_a_field_as_a_programme_does() -> None:
    content = (FARM / "quarry-bottom.yaml").read_bytes()
    command = [sys.executable, "-m", "planner", "calendar", "-", "--format", "json"]
    done = subprocess.run(command, input=content, capture_output=True, cwd=ROOT, check=False)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["field"] == "Quarry Bottom"


def test_cautions_stand_on_the_page() -> None:
    text = page(sound())
    for word in ("the label decides", "protective equipment", "re-entry", "bees", "local rules", "invented products"):
        assert word in text


def test_a_floating_season_shows_no_date() -> None:
    programme = msgspec.structs.replace(
        sound(),
        field=msgspec.structs.replace(quarry(), sown=None, harvest=None, stages={}),
        passes=tuple(msgspec.structs.replace(one, date=None) for one in sound().passes),
    )
    account = Account(programme, catalogue())
    assert isinstance(account.season, Season) and account.season.floating
    found = calendar(programme, catalogue())
    assert found.stages == () and all(row.day is None and row.first is None for row in found.passes)
    assert any("nothing is dated" in notice for notice in found.notices)


def test_a_stream_is_read_once(monkeypatch: pytest.MonkeyPatch) -> None:
    from planner.commands.calendar import is_programme

    assert is_programme("-", io.BytesIO(b"programme: 1\npasses: []\n"))
    assert not is_programme("-", io.BytesIO(b"field: 1\ncrop: corn\n"))


# --- every crop -------------------------------------------------------------------------------------

# one season per crop: sowing (or for a winter cereal and a vine an observed stage) and harvest; dates are invented
SEASONS: dict[str, dict[str, object]] = {
    "soybean": {"sown": date(2026, 5, 12), "harvest": date(2026, 10, 1)},
    "corn": {"sown": date(2026, 5, 1), "harvest": date(2026, 10, 10)},
    "wheat": {"sown": date(2025, 10, 4), "stages": {"Z39": date(2026, 5, 10)}, "harvest": date(2026, 7, 20)},
    "barley": {"sown": date(2026, 3, 20), "type": "spring", "harvest": date(2026, 8, 20)},
    "potato": {"sown": date(2026, 4, 25), "harvest": date(2026, 9, 30)},
    "sugar-beet": {"sown": date(2026, 4, 5), "harvest": date(2026, 10, 15)},
    "grapevine": {"stages": {"EL19": date(2026, 6, 5)}, "harvest": date(2026, 9, 25)},
}
UNDATED = {"tan-spot"}  # its window begins at tillering, which nothing published dates in winter wheat


def test_there_is_a_season_for_every_crop() -> None:
    assert set(SEASONS) == set(catalogue().crops)


@pytest.mark.parametrize("crop", SEASONS)
def test_every_crop_has_dates_and_windows(crop: str) -> None:
    from planner.model import FieldTarget

    targets = tuple(FieldTarget(target=name, pressure="moderate") for name in catalogue().targets(crop))
    found = of_field(Field(crop=crop, targets=targets, **SEASONS[crop]))  # type: ignore[arg-type]
    assert [row.code for row in found.stages if row.estimated]
    for row in found.stages:
        assert row.earliest <= row.date <= row.latest and (row.basis or not row.estimated)
        assert row.rests_on != "given" if row.estimated else row.rests_on == "given"
    for target in found.targets:
        if target.window is not None and target.target not in UNDATED:
            assert target.first is not None and target.last is not None and target.first <= target.last, target.target
        for one in target.best:
            assert one.date is not None, (target.target, one.stage)


def test_a_seed_borne_start_is_the_day_of_sowing() -> None:
    from planner.model import FieldTarget

    field = Field(crop="soybean", sown=date(2026, 5, 12), targets=(FieldTarget(target="sudden-death-syndrome"),))
    row = of_field(field).targets[0]
    assert row.best[0].stage == "BBCH00" and row.best[0].date == date(2026, 5, 12) and not row.best[0].estimated


def test_a_continuous_target_is_followed_by_the_cover() -> None:
    # potato late blight: first pass before row closure (University of Idaho, in the catalogue); mandipropamid holds 7
    # days at the lower end (late blight specialists, 7 to 10), so the second pass is due on 22 June
    from planner.model import FieldTarget, Pass, TankItem

    field = Field(
        crop="potato",
        sown=date(2026, 4, 25),
        stages={"BBCH31": date(2026, 6, 10), "BBCH60": date(2026, 6, 25)},
        harvest=date(2026, 9, 20),
        targets=(FieldTarget(target="late-blight", pressure="high"),),
    )
    passes = tuple(
        Pass(number=number, date=day, tank=(TankItem(active=active, dose=100.0),))
        for number, day, active in ((1, date(2026, 6, 15), "mandipropamid"), (2, date(2026, 7, 15), "cyazofamid"))
    )
    first, second = calendar(Programme(field=field, passes=passes), catalogue()).passes
    assert first.first == date(2026, 6, 10) and first.last == date(2026, 6, 24) and not first.note
    assert (second.first, second.last) == (date(2026, 6, 15), date(2026, 6, 22))
    assert any(bound.kind == "cover" and bound.day == second.last for bound in second.bounds)


# --- what no source dates, leaves, cover ----------------------------------------------------------


def words_of(found: Calendar) -> str:
    return "\n".join(line.plain for line in blocks.to_text(render.page(found), 200))


def test_stages_that_no_source_dates_are_named() -> None:
    # winter wheat is never counted from sowing, and no source that was read gives days to the tillering stages
    field = Field(crop="wheat", **SEASONS["wheat"])  # type: ignore[arg-type]
    (row,) = of_field(field).undated
    assert (
        row.codes == ("F1 / Z11", "F2 / Z21", "F3 / Z26")
        and row.why == "no source for the days to them; give an observed date"
    )
    assert row.before is not None and row.before.stage == "Z30" and row.before.date is not None
    text = words_of(of_field(field))
    assert "not dated: F1 / Z11, F2 / Z21 and F3 / Z26, before Z30" in text and "no source for the days to them" in text


@pytest.mark.parametrize("crop", SEASONS)
def test_every_stage_of_every_scale_is_dated_or_named_as_undated(crop: str) -> None:
    field = Field(crop=crop, **SEASONS[crop])  # type: ignore[arg-type]
    found, season = of_field(field), Season(field, catalogue().crop(crop), catalogue())
    named = {code for row in found.undated for group in row.codes for code in group.split(" / ")}
    for stage in catalogue().crop(crop).stages:
        assert (season.day(stage.code)[0] is None) == (stage.code in named), stage.code


def test_a_winter_crop_with_a_sowing_date_alone_is_told_why() -> None:
    early, late = of_field(Field(crop="wheat", sown=date(2025, 10, 4))).undated
    assert "not counted from sowing" in early.why and early.before is None
    # harvest stands at Z92, and days back from it are published
    assert late.codes[-1] == "F11.4 / Z92" and late.why == "counted back from harvest; give the harvest date"


def test_what_only_a_harvest_date_would_date_says_so() -> None:
    # lifting stands at BBCH49 (our reading of the BBCH scale of beet); no days to bolting were found
    without = {key: value for key, value in SEASONS["sugar-beet"].items() if key != "harvest"}
    rows = {row.codes: row.why for row in of_field(Field(crop="sugar-beet", **without)).undated}  # type: ignore[arg-type]
    assert rows == {
        ("BBCH49",): "counted back from harvest; give the harvest date",
        ("BBCH51",): "no source for the days to it; give an observed date",
    }


def test_a_stage_between_two_dated_ones_may_lie_anywhere_between_them() -> None:
    # net blotch of barley infects from Z13, which nothing published dates: between Z11 and Z21, ends of their spread
    from planner.model import FieldTarget

    field = Field(crop="barley", targets=(FieldTarget(target="net-blotch"),), **SEASONS["barley"])  # type: ignore[arg-type]
    found = of_field(field)
    assert found.targets[0].window is not None
    begin, stages = found.targets[0].window[0], {row.code: row for row in found.stages}
    assert begin.stage == "Z13" and begin.date is not None and begin.earliest is not None and begin.latest is not None
    assert (begin.earliest, begin.latest) == (stages["Z11"].earliest, stages["Z21"].latest)
    assert begin.earliest <= begin.date <= begin.latest


def test_the_stage_after_row_closure_is_no_tuber_stage() -> None:
    # tubers (BBCH40 to 49) form beside the leaves; the next stage in time after BBCH39 is BBCH51
    from planner.model import FieldTarget

    field = Field(crop="potato", targets=(FieldTarget(target="late-blight"),), **SEASONS["potato"])  # type: ignore[arg-type]
    (target,) = of_field(field).targets
    assert target.best_until is not None and target.best_until.stage == "BBCH51"


def test_weather_is_told_in_the_reader_s_degrees() -> None:
    assert (
        words.temperatures("days 77-90 F, nights above 60 F, 6 h", "metric") == "days 25-32 C, nights above 16 C, 6 h"
    )
    assert words.temperatures("mild, 15-25 C", "us") == "mild, 59-77 F" and words.temperatures("60 F", "us") == "60 F"


def test_the_audit_says_that_temperatures_date_the_stages() -> None:
    from planner.audit import audit
    from planner.model import FieldTarget, Pass, TankItem

    field = Field(
        crop="soybean", sown=date(2026, 5, 5), latitude=40.1, maturity_group="2.8",
        temperatures=temperatures(date(2026, 5, 1), 120, 16.0, 28.0),
        targets=(FieldTarget(target="frogeye-leaf-spot"),),
    )  # fmt: skip
    one = Pass(number=1, stage="R3", tank=(TankItem(active="difenoconazole", dose=100.0),))
    (notice,) = audit(Programme(field=field, passes=(one,)), catalogue()).notices
    assert "by temperatures (photothermal days)" in notice


def test_the_calendar_says_until_when_leaves_unfold() -> None:
    # the flag leaf is the last leaf of the main shoot (Zadoks, from memory); Z39 is given here, so the day is exact
    found = of_field(Field(crop="wheat", **SEASONS["wheat"])).leaves  # type: ignore[arg-type]
    assert found is not None and (found.sure, found.last) == ("Z37", "Z39")
    assert found.none_after == date(2026, 5, 10) and found.estimated == (True, False)
    assert found.surely_until is not None and found.surely_until < date(2026, 5, 10)


def test_passes_say_until_when_they_cover_and_from_when_new_leaves_are_bare() -> None:
    # chlorothalonil 7 to 10 days (common practice, no source) and no leaf to come (Iowa State extension, read): late
    # blight is held to 21 June on the leaves of 15 June, and on new ones from 16 June not at all
    from planner.model import FieldTarget, Pass, TankItem

    field = Field(
        crop="potato",
        stages={"BBCH31": date(2026, 6, 15), "BBCH39": date(2026, 7, 1)},
        harvest=date(2026, 9, 20),
        targets=(FieldTarget(target="late-blight", pressure="high"),),
    )
    one = Pass(number=1, date=date(2026, 6, 15), tank=(TankItem(active="chlorothalonil", dose=1000.0),))
    found = calendar(Programme(field=field, passes=(one,)), catalogue())
    (row,) = found.passes
    assert [(entry.target, entry.last) for entry in row.covers] == [("late-blight", date(2026, 6, 21))]
    assert [(entry.first, entry.last, entry.sure) for entry in row.new_leaves] == [
        (date(2026, 6, 16), date(2026, 6, 21), True)
    ]
    text = words_of(found)
    assert "pass 1 covers: late blight to 21 June" in text
    assert "leaves that unfold later are bare against late blight 16 June to 21 June" in text


def test_an_estimated_end_of_a_label_s_last_stage_is_marked() -> None:
    # R5 is given, but a label until R5 lasts to the day before R6, an estimate; one until R4 ends with R5 itself
    found = of_field(quarry(), products=True)
    by_stage = {row.last_stage.stage: row for row in found.products if row.last_stage is not None}
    assert by_stage["R5"].last_by_stage_estimated and not by_stage["R4"].last_by_stage_estimated
    assert by_stage["R4"].last_by_stage == date(2026, 8, 5)  # R5 is given for 6 August


@pytest.mark.parametrize(
    ("active", "last"),
    [
        # wheat, latest stage by the efficacy table of NCERA-184, 2021: azoxystrobin and propiconazole Feekes 10.5.4,
        # pyraclostrobin and picoxystrobin Feekes 10.5
        ("azoxystrobin", "F10.5.4"),
        ("propiconazole", "F10.5.4"),
        ("pyraclostrobin", "F10.5"),
        ("picoxystrobin", "F10.5"),
    ],
)
def test_wheat_s_last_stages_bind_calendar_and_audit(active: str, last: str, tmp_path: Path) -> None:
    stages = {"F10.5": "2026-05-22", "F10.5.1": "2026-05-25", "F10.5.4": "2026-06-03", "F11.1": "2026-06-08"}
    product = {
        "name": "Demo Last 250 SC",
        "kind": "fungicide",
        "actives": {active: "250 g/L"},
        "label": {"wheat": {"rate": ["0.4 L/ha", "0.8 L/ha"], "stages": ["F4", last]}},
    }

    def judged(stage: str) -> tuple[Calendar, list[str]]:
        from planner import yamlio
        from planner.audit import audit

        path = tmp_path / "wheat.yaml"
        whole = {
            "programme": 1,
            "name": "last stage",
            "field": {"crop": "wheat", "stages": stages, "targets": [{"target": "leaf-rust", "pressure": "high"}]},
            "products": [product],
            "passes": [{"stage": stage, "tank": [{"product": "Demo Last 250 SC", "rate": "0.6 L/ha"}]}],
        }
        path.write_text(yamlio.dump(whole), encoding="utf-8")
        programme = load_programme(path, catalogue())
        return calendar(programme, catalogue()), [one.rule for one in audit(programme, catalogue()).findings]

    found, rules = judged(last)
    assert "LBL07" not in rules
    (row,) = found.products
    # the day before the stage that comes next: F10.5.1 after F10.5, F11.1 after F10.5.4
    assert row.last == (date(2026, 5, 24) if last == "F10.5" else date(2026, 6, 7))
    assert "LBL07" in judged("F11.1")[1]
