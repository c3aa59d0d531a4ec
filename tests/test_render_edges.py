"""What the renderers say where little is known: no passes, no dates, no prices, searches that were stopped.

Products and fields are invented; reports are those of reports.py or of the shipped scenario.
"""

from __future__ import annotations

import dataclasses
import datetime
import json
from functools import cache
from pathlib import Path
from typing import Any

import corner
import msgspec
import pytest
import reports

from planner import sheet as sheets
from planner.calendar import When, calendar
from planner.catalogue import Catalogue, load
from planner.documents import load_field, load_products, load_programme
from planner.draft.mend import Mending, mend
from planner.draft.options import Space
from planner.draft.result import Draft, make
from planner.draft.solve import Wanted
from planner.errors import RulebookError
from planner.model import Application, Finding, Programme, TankItem
from planner.places import folder
from planner.render import blocks, console, ics, jsonout, markdown, money, selection, strip, text, words
from planner.render import draft as draft_render
from planner.render import mend as mend_render
from planner.render import sheet as sheet_render
from planner.render.paper import Paper

FARM = folder("shared") / "scenarios"


@cache
def catalogue() -> Catalogue:
    return load()


@cache
def demo(name: str = "sound-quarry-bottom") -> Programme:
    return load_programme(FARM / f"{name}.yaml", catalogue())


def line(rich: Any) -> str:
    return " ".join(console.plain(rich).split())


# --- words ------------------------------------------------------------------------------------------------------------


def test_line_ends_in_the_text_of_others_are_spaces() -> None:
    assert words.safe("one\ntwo\tthree\rfour") == "one two three four"
    assert words.safe("caf\u00e9\u202e") == "caf\u00e9\\u202e"


def test_values_of_evidence_in_words() -> None:
    said = words.evidence(
        {
            "day": datetime.date(2026, 7, 2),
            "doses": {"azoxystrobin": 100.0, "boscalid": 250.5},
            "rate": {"value": 1.25, "unit": "L/ha"},
            "known": True,
            "empty": [],
        },
        "metric",
    )
    assert "day 2 July" in said
    assert "doses azoxystrobin 100 and boscalid 250.5" in said
    assert "rate 1.25 L/ha" in said and "known yes" in said and "empty" not in said


def test_a_finding_on_many_passes_names_the_first_and_the_last() -> None:
    report = reports.flawed()
    entry = report.programme.passes[0]
    many = tuple(
        msgspec.structs.replace(entry, number=at, date=datetime.date(2026, 6, at), stage=None) for at in range(1, 7)
    )
    programme = msgspec.structs.replace(report.programme, passes=many)
    whole = msgspec.structs.replace(report, programme=programme)
    finding = msgspec.structs.replace(report.findings[0], passes=(1, 2, 3, 4, 5, 6))
    assert words.where(finding, whole) == "passes 1 to 6 (1 June to 6 June)"
    undated = msgspec.structs.replace(
        whole,
        programme=msgspec.structs.replace(programme, passes=tuple(msgspec.structs.replace(p, date=None) for p in many)),
    )
    assert words.where(finding, undated) == "passes 1 to 6"


# --- audit ------------------------------------------------------------------------------------------------------------


def test_a_finding_of_few_words_shows_no_empty_fields() -> None:
    report = reports.flawed()
    bare = Finding(
        rule="ROT01",
        name="same-group-in-succession",
        severity="caution",
        passes=(1,),
        message="said",
        why="",
        remedy="",
        evidence={},
        sources=(),
    )
    whole = msgspec.structs.replace(report, findings=(bare,))
    shown = line(text.audit(whole, width=100))
    part = shown[shown.index("caution ROT01") : shown.index("caution ROT01") + 120]
    for name in ("why:", "change:", "numbers:"):
        assert name not in part
    assert "- why:" not in markdown.audit([whole])


def test_a_report_without_totals_has_no_section_of_them() -> None:
    report = msgspec.structs.replace(reports.flawed(), totals={}, selection=(), cover=())
    assert "## Totals" not in markdown.audit([report])
    assert "totals of the season" not in line(text.audit(report, width=100))
    assert "How hard it selects" not in markdown.audit([report])


@pytest.mark.parametrize("kept", ["actives", "groups", "cost"])
def test_totals_show_what_there_is(kept: str) -> None:
    whole = reports.flawed().totals
    paper = Paper(100)
    text._totals({kept: whole[kept]}, paper, "metric")
    shown = line(paper.lines)
    assert "totals of the season" in shown
    assert ("share" in shown) is (kept == "groups")


def test_an_undated_programme_has_a_table_of_passes_without_a_strip() -> None:
    report = reports.flawed()
    passes = tuple(msgspec.structs.replace(p, date=None, stage=None) for p in report.programme.passes)
    bare = msgspec.structs.replace(
        report, programme=msgspec.structs.replace(report.programme, passes=passes), cover=(), totals={}
    )
    assert strip.make(bare) is None
    shown = markdown.audit([bare])
    assert "## Season" in shown and "```text" not in shown and "| pass | when |" in shown


def test_a_target_without_a_figure_stands_alone() -> None:
    """Where no row can be given, the reason is told, without a table and without the caveat of the figures."""
    gap = {"name": "frogeye leaf spot", "why": "no at-risk active meets it"}
    paper = Paper(100)
    selection.block((), [gap], paper)
    shown = line(paper.lines)
    assert "frogeye leaf spot: no figure, because no at-risk active meets it" in shown
    assert selection.SHORT_CAVEAT[:30] not in shown
    report = msgspec.structs.replace(reports.flawed(), selection=(), totals={"selection_gaps": [gap]})
    page = markdown.audit([report])
    assert "- frogeye leaf spot: no figure, because no at-risk active meets it" in page
    assert "| days |" not in page and selection.SHORT_CAVEAT[:30] not in page


def test_assumptions_behind_a_figure_are_told_at_the_advisers_depth() -> None:
    row = {
        "group": "FRAC 11",
        "words": "group 11",
        "name": "frogeye leaf spot",
        "selection_days": 12.0,
        "assumed": [{"what": "full rate", "passes": [2], "why": "no rate is given"}],
    }
    assert selection.remarks([row], explain=True) == ["full rate (pass 2): no rate is given"]
    assert selection.remarks([row]) == []


def test_break_even_without_an_expected_yield_has_no_share() -> None:
    """40 an acre at 0.16 a kilogram of grain: figures in kg/ha; the share needs the yield that is expected."""
    given: dict[str, Any] = {"break_even": 250.0, "passes": [{"pass": 1, "break_even": 250.0, "beside_mean": "below"}]}
    with_yield = money.lines({**given, "yield": 3500.0}, "metric")[0]
    assert "250 kg/ha more grain (7.1 % of the expected yield)" in with_yield  # 250 / 3500
    assert "250 kg/ha more grain: pass 1 250 kg/ha" in money.lines(given, "metric")[0]
    assert money.lines({}, "metric") == []


def test_tables_without_rows_are_left_out() -> None:
    page = [blocks.Heading(text="nothing"), blocks.Table(header=("a", "b"), rows=())]
    assert "a" not in line(blocks.to_text(page, 80)).replace("nothing", "")
    assert "|" not in blocks.to_markdown(page)


# --- draft ------------------------------------------------------------------------------------------------------------

SHOP = """
currency: USD
products:
  - name: Demo Test B
    actives: {prothioconazole: 480 g/L}
    price: 60 per L
    label:
      soybean: {rate: [0.2 L/ha, 0.4 L/ha], applications: 1, interval: 14 d, harvest_interval: 21 d,
                targets: {white-mold: good, frogeye-leaf-spot: good}}
"""


@pytest.fixture(scope="module")
def drafted(tmp_path_factory: pytest.TempPathFactory) -> Draft:
    shop = tmp_path_factory.mktemp("draft") / "shop.yaml"
    shop.write_text(SHOP, encoding="utf-8")
    field = load_field(FARM / "heron-flat.yaml", catalogue())
    space = Space(field, load_products([shop], catalogue()), catalogue())
    return make(space, Wanted())


def shown(answer: Draft, **changes: Any) -> str:
    front = dataclasses.replace(answer.front, **changes)
    return line(draft_render.show(dataclasses.replace(answer, front=front), width=100))


def test_a_draft_says_how_sure_it_is(drafted: Draft) -> None:
    assert "proven best of its kind" in shown(drafted)
    assert "The search was stopped: these are the best found so far, not proven." in shown(drafted, stopped=True)
    unsure = {name: dataclasses.replace(one, proven=False) for name, one in drafted.front.named.items()}
    assert "Sound, not proven best." in shown(drafted, named=unsure)
    assert "were worked out; there may be more." in shown(drafted, complete=False)
    assert "were worked out" not in shown(drafted, complete=False, stopped=True)
    assert "stock on hand" not in shown(drafted)  # the list has none


def test_a_draft_without_a_pass_says_why(drafted: Draft) -> None:
    named = {"balanced": drafted.front.nothing}
    bare = dataclasses.replace(drafted, reports={"balanced": drafted.reports["balanced"]}, why=[])
    told = shown(bare, named=named)
    assert "No pass: no pass covers a day that counts here within what is asked for." in told
    assert "no pass: nothing that can be bought covers a day that counts here, or nothing is asked for" in told
    assert "why these passes" not in told and "why not" not in told


def test_a_draft_for_a_field_without_targets_asks_for_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from planner import cli

    (tmp_path / "shop.yaml").write_text(SHOP, encoding="utf-8")
    (tmp_path / "field.yaml").write_text(
        "field: 1\ncrop: soybean\nsown: 2026-05-12\nstages: {R1: 2026-07-02}\nharvest: 2026-10-06\n", encoding="utf-8"
    )
    words_ = ["draft", str(tmp_path / "field.yaml"), "--products", str(tmp_path / "shop.yaml")]
    assert cli.main([*words_, "--format", "json"]) in (0, 1)
    assert "the field names no targets" in capsys.readouterr().err
    assert cli.main(words_) in (0, 1)
    assert "the field names no targets, so nothing stands against the cost of a pass" in " ".join(
        capsys.readouterr().out.split()
    )


# --- mend -------------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def mended(tmp_path_factory: pytest.TempPathFactory) -> Mending:
    return mend(load_programme(corner.write(tmp_path_factory.mktemp("mend")), catalogue()), catalogue(), top=1)


def test_a_mend_says_how_sure_it_is_and_what_hangs_together(mended: Mending) -> None:
    best = mended.mends[0]
    told = line(mend_render.show(mended, width=100))
    assert "no fewer changes of the kinds that were tried do it" in told and "invented products" in told
    stopped = dataclasses.replace(mended, stopped=True)
    assert "not proven fewest" in line(mend_render.show(stopped, width=100))
    joint = dataclasses.replace(
        best, changes=tuple(dataclasses.replace(one, removes=()) for one in best.changes), proven=False
    )
    again = dataclasses.replace(mended, mends=(joint,))
    told = line(mend_render.show(again, width=100, explain=True))
    assert told.count("needed together with the other changes") == len(best.changes)
    assert json.loads(mend_render.as_json(again))["mends"][0]["proven"] is False


def test_a_mend_of_products_that_are_no_demo_is_not_called_invented(mended: Mending) -> None:
    best = mended.mends[0]
    real = tuple(msgspec.structs.replace(one, demo=False) for one in best.programme.products)
    programme = msgspec.structs.replace(best.programme, products=real)
    undated = msgspec.structs.replace(best.report, cover=(), totals={})
    answer = dataclasses.replace(mended, mends=(dataclasses.replace(best, programme=programme, report=undated),))
    assert "invented products" not in line(mend_render.show(answer, width=100))


# --- sheet ------------------------------------------------------------------------------------------------------------


def sheet_of(programme: Programme) -> str:
    return line(blocks.to_text(sheet_render.page(sheets.sheet(programme, catalogue())), 120))


def test_products_that_the_list_lacks_or_has_no_label_for() -> None:
    programme = demo()
    listed = tuple(
        msgspec.structs.replace(one, labels={}) if one.name == "Demo Godwit 500 SC" else one
        for one in programme.products
        if one.name != "Demo Limewood 200 SC"
    )
    told = sheet_of(msgspec.structs.replace(programme, products=listed))
    assert "Demo Godwit 500 SC: the list has no label of it for soybean" in told
    assert "Demo Limewood 200 SC: not in the product list" in told
    assert "re-entry: not known; read it on every label in the tank before anybody goes in" in told
    assert "days to harvest: not known; read it on every label in the tank" in told


def test_one_unknown_interval_makes_the_known_one_a_least() -> None:
    programme = demo()
    first = programme.passes[0]
    tank = (*first.tank, TankItem(product="Demo Wort", rate=1.0, unit="L/ha"))
    wort = msgspec.structs.replace(
        programme.products[0], name="Demo Wort", formulation="", labels={}, price=None, on_hand=None
    )
    changed = msgspec.structs.replace(
        programme,
        products=(*programme.products, wort),
        passes=(msgspec.structs.replace(first, tank=tank), *programme.passes[1:]),
    )
    told = sheet_of(changed)
    assert "at least, for Demo Wort it is not known" in told
    assert "mixing order not known: Demo Wort: no formulation in its name or list" in told
    assert "without what has no price" in told and "without Demo Wort, no price is given" in told


def test_a_sheet_of_bare_actives_has_nothing_to_buy() -> None:
    programme = demo()
    passes = tuple(
        msgspec.structs.replace(entry, tank=(TankItem(active="boscalid", dose=250.0),)) for entry in programme.passes
    )
    told = sheet_of(msgspec.structs.replace(programme, passes=passes))
    assert "shopping list" not in told


def test_a_sheet_without_water_droplets_or_application() -> None:
    field = msgspec.structs.replace(demo().field, application=Application(), area=None)
    passes = tuple(msgspec.structs.replace(one, water=None, droplets=None, canopy="") for one in demo().passes)
    told = sheet_of(msgspec.structs.replace(demo(), field=field, passes=passes))
    assert "no carrier volume is given, for the pass or the field" in told
    assert "no droplet class is given, for the pass or the field" in told
    assert "loads:" not in told and "nozzle flow:" not in told and "water:" not in told
    assert ": not given" in told  # the advice stands, what is given beside it does not


def test_a_sheet_without_dates_promises_no_day() -> None:
    field = msgspec.structs.replace(demo().field, sown=None, stages={}, harvest=None)
    passes = tuple(msgspec.structs.replace(one, date=None) for one in demo().passes)
    told = sheet_of(msgspec.structs.replace(demo(), field=field, passes=passes))
    assert "the pass has no day, so no date for re-entry and harvest" in told
    assert "counted from the end of the day" not in told and "not before" not in told


@pytest.mark.parametrize("amount", ["0", "-1"])
def test_no_amount_is_printed_to_the_thousandth(amount: str) -> None:
    from decimal import Decimal

    assert sheets.step_for(Decimal(amount)) == Decimal("0.001")


# --- calendar file ----------------------------------------------------------------------------------------------------


def test_a_calendar_file_leaves_out_what_has_no_day() -> None:
    field = msgspec.structs.replace(demo().field, harvest=None)
    programme = msgspec.structs.replace(demo(), field=field, passes=())
    found = calendar(programme, catalogue())
    assert not any("Harvest, as planned" in one.summary for one in ics.of_field(found))
    target = found.targets[0]
    undated = When(stage="R3", date=None, earliest=None, latest=None, estimated=True)
    bare = msgspec.structs.replace(target, first=None, last=None, best=(undated,))
    assert ics.of_field(msgspec.structs.replace(found, targets=(bare,))) == []


def test_a_wrong_file_of_scouting_days_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "scouting.yaml").write_text("version: one\n", encoding="utf-8")
    monkeypatch.setattr("planner.places.folder", lambda name: tmp_path)
    with pytest.raises(RulebookError, match=r"scouting\.yaml: Expected `int`"):
        ics.scouting()


# --- strip ------------------------------------------------------------------------------------------------------------


def test_a_strip_without_targets_or_estimates_keeps_its_key_short() -> None:
    made = strip.make(reports.flawed())
    assert made is not None
    plain = msgspec.structs.replace(made, rows=(), stages=())
    paper = Paper(100)
    strip.show(plain, paper)
    key = line(paper.lines)
    assert "each character is" in key and "a digit is" not in key and "estimated date" not in key


def test_a_tank_item_without_rate_or_dose_is_named_only() -> None:
    report = reports.flawed()
    entry = msgspec.structs.replace(report.programme.passes[0], tank=(TankItem(active="boscalid"),))
    programme = msgspec.structs.replace(report.programme, passes=(entry,))
    (row,) = strip.tanks(msgspec.structs.replace(report, programme=programme), "metric")
    assert row[2] == "boscalid"


def test_json_of_a_mend_and_a_report_agree(mended: Mending) -> None:
    assert json.loads(mend_render.as_json(mended))["before"] == json.loads(
        jsonout.dump(jsonout.document(mended.before))
    )
