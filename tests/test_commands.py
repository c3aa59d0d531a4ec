"""What each command does at its edges: odd options, every form of answer, terminals and streams that break.

Exit codes are those of the contract, section 2. All products and fields are invented.
"""

from __future__ import annotations

import csv
import errno
import io
import json
import math
import os
import re
import sys
from pathlib import Path

import corner
import openpyxl
import pytest
import yaml

from planner import cli, exits, places
from planner.commands import common
from planner.documents import load_programme
from planner.errors import InputError
from planner.render import console, scaffold

FARM = places.folder("shared") / "scenarios"
FLAWED = str(FARM / "solo-strobilurins-quarry-bottom.yaml")
SOUND = str(FARM / "sound-quarry-bottom.yaml")
FIELD = str(FARM / "heron-flat.yaml")
SHOP = corner.PARTNERS.replace("    on_hand: 6 L\n", "")
SEASONS = ["compare", SOUND, FLAWED, "--growth-rate", "0.1", "--start-fraction", "1e-6"]
Captured = pytest.CaptureFixture[str]


@pytest.fixture
def shop(tmp_path: Path) -> str:
    path = tmp_path / "shop.yaml"
    path.write_text(SHOP, encoding="utf-8")
    return str(path)


def refused(words: list[str], said: str, capsys: Captured) -> None:
    """Exit code 2, one line on standard error that says ``said``, nothing on standard output."""
    assert cli.main(words) == exits.INPUT
    out, err = capsys.readouterr()
    assert out == ""
    assert said in err
    assert "Traceback" not in err


# --- the command line ------------------------------------------------------------------------------------------------


def test_a_file_in_the_place_of_a_command_is_offered_to_audit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Captured
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("plan.yaml").write_text("programme: 1\n", encoding="utf-8")
    refused(["plan.yaml"], "to audit that file write 'planner audit plan.yaml'", capsys)
    refused(["xyzzy"], "unknown command 'xyzzy'; 'planner --help' lists the commands", capsys)


def test_a_word_too_many_is_named(capsys: Captured) -> None:
    refused(["completion", "bash", "twice"], "unexpected 'twice'; 'planner completion --help' shows", capsys)
    refused(["calendar", FIELD, "--qqqqqq"], "'planner calendar --help' lists the options", capsys)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["audit", SOUND, FLAWED, "--format", "history"], "--format history is for one programme"),
        (["mend", FLAWED, "--top", "0"], "'0' ways cannot be given"),
        (["mend", FLAWED, "--fixed", "4"], "there is no pass 4; passes are 1 to 3"),
        (["calendar", SOUND, "--move", "2=+7d", "--format", "ics"], "a calendar file holds one set of dates"),
        (["calendar", "absent.yaml"], "absent.yaml"),
        (["rules", "new", "ROT", "demo-rule", "--family", "rotation"], "ROT"),
        (["rules", "new", "ROT99", "Not Kebab", "--family", "rotation"], "Not Kebab"),
        (["catalog", "new", "target", "Not Kebab"], "'Not Kebab' is not in kebab case"),
        (["catalog", "new", "active", "a/b"], "'a/b' cannot be a name here"),
        (["teach", "--exercise", "4"], "there is no level '4'"),
        (["teach", "--exercise", "1", "--seed", "x"], "'x' is no seed; write a whole number"),
        (["teach", "--answers"], "--answers belongs to an exercise"),
        (["teach", "group-code", "--exercise", "1"], "a lesson and an exercise at once"),
        (["audit", str(FARM), "--jobs", "0"], "'0' is not a number of processes"),
        (["audit", str(FARM), "--jobs", "two"], "'two' is not a number of processes"),
        ([*SEASONS, "--seasons", "31"], "write a whole number from 1 to 30"),
    ],
)
def test_an_option_that_cannot_be_followed(words: list[str], said: str, capsys: Captured) -> None:
    refused(words, said, capsys)


def test_two_names_for_one_column_are_refused(capsys: Captured) -> None:
    sheet = str(FARM / "supplier-sheet-quarry-bottom.csv")
    words = ["audit", sheet, "--map", "product=product", "--map", "product=active"]
    refused(words, "column 'product' is given to product and active", capsys)


# --- draft and mend ---------------------------------------------------------------------------------------------------


def test_draft_as_yaml_is_a_programme_that_the_audit_passes(shop: str, tmp_path: Path, capsys: Captured) -> None:
    assert cli.main(["draft", FIELD, "--products", shop, "--format", "yaml"]) == exits.DONE
    plan = tmp_path / "plan.yaml"
    plan.write_text(capsys.readouterr().out, encoding="utf-8")
    assert cli.main(["audit", str(plan)]) == exits.DONE


def test_draft_as_markdown_ends_with_the_audit_of_what_it_shows(shop: str, capsys: Captured) -> None:
    assert cli.main(["draft", FIELD, "--products", shop, "--format", "markdown", "--top", "2"]) == exits.DONE
    text = capsys.readouterr().out
    assert text.startswith("# Programmes to choose from\n")
    assert "that none beats on all three figures, those nearest to balanced, cheapest first" in " ".join(text.split())
    assert "## Before anything is sprayed" in text
    assert text.index("side by side") < text.index("\n---\n") < text.index("## Before anything is sprayed")


def test_draft_for_one_target_only(shop: str, capsys: Captured) -> None:
    """With frogeye alone asked for, no pass is weighed against white mold: nothing says that it serves it."""
    assert cli.main(["draft", FIELD, "--products", shop, "--target", "fls"]) == exits.DONE
    told = capsys.readouterr().out
    assert "frogeye leaf spot" in told
    assert "white mold" not in told


@pytest.mark.parametrize("name", ["demo test a", "boscalid"])
def test_draft_does_without_a_product_or_an_active(name: str, shop: str, capsys: Captured) -> None:
    assert cli.main(["draft", FIELD, "--products", shop, "--avoid", name, "--format", "json"]) == exits.DONE
    for one in json.loads(capsys.readouterr().out)["programmes"].values():
        assert all("Demo Test A" not in entry["products"] for entry in one["passes"])


def test_draft_from_a_stage_begins_on_its_day(shop: str, capsys: Captured) -> None:
    # R3 is on 20 July in the field document
    assert cli.main(["draft", FIELD, "--products", shop, "--from", "R3", "--format", "json"]) == exits.DONE
    days = [
        entry["date"] for one in json.loads(capsys.readouterr().out)["programmes"].values() for entry in one["passes"]
    ]
    assert days and min(days) >= "2026-07-20"


def test_draft_from_a_stage_without_a_day_asks_for_one(shop: str, tmp_path: Path, capsys: Captured) -> None:
    field = tmp_path / "undated.yaml"
    field.write_text("field: 1\ncrop: soybean\ntargets: [{target: white-mold}]\n", encoding="utf-8")
    refused(["draft", str(field), "--products", shop, "--from", "R3"], "no date is known for stage R3", capsys)


def test_mend_as_json_speaks_of_the_passes_of_the_programme(tmp_path: Path, capsys: Captured) -> None:
    """What a change removes is told with the programme's own pass numbers; the audit before finds the same rules."""
    assert cli.main(["mend", corner.write(tmp_path), "--top", "1", "--format", "json"]) == exits.DONE
    data = json.loads(capsys.readouterr().out)
    assert [step["pass"] for step in data["mends"][0]["steps"]] == [1, 2, 3]
    breaches = {one["rule"] for one in data["before"]["findings"] if one["severity"] == "breach"}
    for step in data["mends"][0]["steps"]:
        for one in step["removes"]:
            assert one["rule"] in breaches
            assert set(one["passes"]) <= {1, 2, 3} and step["pass"] in one["passes"]
            assert {int(n) for n in re.findall(r"\bpass (\d+)", one["message"])} <= {1, 2, 3}
    # pass 2 alone undone is the strobilurin between two partnered ones: succession with pass 1 and with pass 3
    middle = [one["passes"] for one in data["mends"][0]["steps"][1]["removes"] if one["rule"] == "ROT01"]
    assert middle == [[1, 2], [2, 3]]
    assert data["mends"][0]["audit"]["verdict"] != "breaches"
    assert [entry["pass"] for entry in data["mends"][0]["passes"]] == [1, 2, 3]


def test_mend_with_reasons_names_each_finding_that_a_change_removes(tmp_path: Path, capsys: Captured) -> None:
    assert cli.main(["mend", corner.write(tmp_path), "--top", "1", "--explain"]) == exits.DONE
    text = " ".join(capsys.readouterr().out.split())
    assert "ROT01: passes 1 and 2 both lean on group 11 (strobilurin)" in text
    assert "ROT01: passes 2 and 3 both lean on group 11 (strobilurin)" in text


def test_a_fixed_pass_that_breaches_cannot_be_mended(tmp_path: Path, capsys: Captured) -> None:
    """Pass 2 is a strobilurin alone (MIX01): with it fixed nothing else helps, the way out is to accept it."""
    words = ["mend", corner.write(tmp_path), "--fixed", "2", "--top", "1", "--format", "yaml"]
    assert cli.main(words) == exits.BREACH
    out, err = capsys.readouterr()
    assert out == ""
    assert "no change to this programme leaves it without a breach" in err
    assert "MIX01 at-risk-group-alone" in err and "accept: [{rule: " in err


def test_mend_of_a_sound_programme_says_so_and_gives_it_back(capsys: Captured) -> None:
    assert cli.main(["mend", SOUND]) == exits.DONE
    assert capsys.readouterr().out.startswith("Nothing to mend: the programme has no open breach.")
    assert cli.main(["mend", SOUND, "--format", "csv"]) == exits.DONE
    lines = capsys.readouterr().out.splitlines()
    head = next(at for at, line in enumerate(lines) if line.startswith("pass,"))
    rows = list(csv.DictReader(lines[head:]))
    from planner.catalogue import load

    passes = load_programme(SOUND, load()).passes
    tanks = [(entry.date.isoformat(), item.product) for entry in passes if entry.date for item in entry.tank]
    assert [(row["date"], row["product"]) for row in rows] == tanks


def test_a_workbook_goes_to_a_pipe_but_not_to_a_terminal(
    monkeypatch: pytest.MonkeyPatch, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    assert cli.main(["mend", SOUND, "--format", "xlsx"]) == exits.DONE
    book = openpyxl.load_workbook(io.BytesIO(capfdbinary.readouterr().out))
    assert any(cell == "Demo Limewood 200 SC" for row in book.worksheets[0].iter_rows(values_only=True) for cell in row)
    monkeypatch.setattr(console, "is_terminal", lambda stream: True)
    assert cli.main(["mend", SOUND, "--format", "xlsx"]) == exits.INPUT
    out, err = capfdbinary.readouterr()
    assert out == b"" and b"a workbook cannot be shown on a terminal; add --output FILE.xlsx" in err


NOTHING_SOUND = """programme: 1
name: Past the last stage
field: {crop: soybean, country: US, stages: {R1: 2026-07-02, R3: 2026-07-20, R6: 2026-08-20}, harvest: 2026-10-06,
        targets: [{target: frogeye-leaf-spot}]}
products: shop.yaml
passes:
  - {date: 2026-10-01, tank: [{product: Demo Test A, rate: 0.8 L/ha}]}
"""


def test_a_mend_that_leaves_no_pass_writes_no_document(
    shop: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Captured
) -> None:
    """Five days before harvest where the label asks for 21: the one pass cannot stay, and nothing may take its day."""
    monkeypatch.chdir(tmp_path)
    Path("late.yaml").write_text(NOTHING_SOUND, encoding="utf-8")
    assert cli.main(["mend", "late.yaml", "--top", "1", "--avoid", "Demo Test B", "--format", "json"]) == exits.DONE
    data = json.loads(capsys.readouterr().out)["mends"][0]
    if data["passes"]:
        pytest.fail(f"the pass was moved or changed: {data['steps']}")
    assert data["steps"][0]["change"] == "leave it out"
    assert cli.main(["mend", "late.yaml", "--top", "1", "--avoid", "Demo Test B"]) == exits.DONE
    assert "no pass" in capsys.readouterr().out
    words = ["mend", "late.yaml", "--top", "1", "--avoid", "Demo Test B", "--output", "mended.yaml"]
    assert cli.main(words) == exits.INPUT
    assert "the mended programme has no pass" in capsys.readouterr().err
    assert not Path("mended.yaml").exists()


# --- pages, lists and scaffolds ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["calendar", FIELD], ["Heron Flat", "frogeye leaf spot", "Infection windows"]),
        (["calendar", SOUND], ["Two diseases, two tools", "Quarry Bottom"]),
        (["compare", SOUND, FLAWED], ["Two diseases, two tools", "Suggested by the supplier"]),
        (["sheet", SOUND], ["Demo Limewood 200 SC", "Two diseases, two tools"]),
        (["teach", "group-code", "--crop", "soybean"], ["changing the product is rotating"]),
        (["teach", "--exercise", "1", "--seed", "7"], ["seed 7"]),
    ],
    ids=lambda value: " ".join(Path(one).stem for one in value)[:40],
)
def test_a_page_stands_alone(words: list[str], said: list[str], capsys: Captured) -> None:
    """One HTML document that holds what was asked for and fetches nothing (no address in src, href or url())."""
    assert cli.main([*words, "--format", "html"]) == exits.DONE
    page = capsys.readouterr().out
    assert page.lstrip().casefold().startswith("<!doctype html>") and page.rstrip().endswith("</html>")
    for word in said:
        assert word in page
    assert not re.search(r"""(?:src|href)\s*=\s*["']?(?:https?:)?//|url\(\s*["']?(?:https?:)?//|@import""", page)


def test_draft_as_a_page(shop: str, capsys: Captured) -> None:
    assert cli.main(["draft", FIELD, "--products", shop, "--format", "html"]) == exits.DONE
    page = capsys.readouterr().out
    for word in ("Heron Flat", "Side by side", "Demo Test B", "Why not"):
        assert word in page


def test_catalog_show_answers_as_explain_does(capsys: Captured) -> None:
    assert cli.main(["catalog", "show", "frogeye", "leaf", "spot"]) == exits.DONE
    shown = capsys.readouterr().out
    assert "Cercospora sojina" in shown
    assert cli.main(["explain", "frogeye", "leaf", "spot"]) == exits.DONE
    assert capsys.readouterr().out == shown


def test_catalog_check_as_json_counts_the_grades(tmp_path: Path, capsys: Captured) -> None:
    assert cli.main(["catalog", "check", "--format", "json"]) == exits.DONE
    data = json.loads(capsys.readouterr().out)
    assert data["problems"] == []
    assert data["counts"]["FRAC actives"] == sum(data["grades"]["FRAC actives"].values()) > 200  # FRAC lists over 200
    broken = tmp_path / "crops"
    broken.mkdir()
    (broken / "maize.yaml").write_text("crop: maize\nstagges: []\n", encoding="utf-8")
    assert cli.main(["catalog", "check", "--catalog", str(tmp_path), "--format", "json"]) == exits.INPUT
    out, err = capsys.readouterr()
    assert any("stagges" in problem for problem in json.loads(out)["problems"])
    assert "maize.yaml" in err


def test_catalog_new_replaces_no_file(tmp_path: Path, capsys: Captured) -> None:
    mine = tmp_path / "mine.yaml"
    mine.write_text("mine", encoding="utf-8")
    refused(["catalog", "new", "crop", "demo-crop", "--output", str(mine)], "exists already", capsys)
    assert mine.read_text(encoding="utf-8") == "mine"


def test_the_scaffold_of_a_crop_says_its_name_in_words() -> None:
    assert "name: demo field bean\n" in scaffold.entry("crop", "demo-field-bean")


def test_rules_as_json(capsys: Captured) -> None:
    assert cli.main(["rules", "list", "rotation", "--format", "json"]) == exits.DONE
    rows = json.loads(capsys.readouterr().out)
    assert {row["family"] for row in rows} == {"rotation"}
    first = next(row for row in rows if row["rule"] == "ROT01")
    assert first["name"] == "same-group-in-succession" and "breach" in first["severities"]  # contract, section 4
    assert cli.main(["rules", "check", "--format", "json"]) == exits.DONE
    told = json.loads(capsys.readouterr().out)
    assert told["rules"] == 35 and told["problems"] == []  # the contract's count
    files = [yaml.safe_load(path.read_text(encoding="utf-8")) for path in places.folder("rules").rglob("[A-Z]*-*.yaml")]
    assert told["examples"] == sum(len(one["examples"]) for one in files) > 100


def test_rules_check_leaves_with_2_and_counts_no_examples(tmp_path: Path, capsys: Captured) -> None:
    own = tmp_path / "rotation"
    own.mkdir()
    (own / "ROT77-demo.yaml").write_text("rule: ROT77\n", encoding="utf-8")
    assert cli.main(["rules", "check", "--rules", str(tmp_path), "--format", "json"]) == exits.INPUT
    out, err = capsys.readouterr()
    assert json.loads(out)["problems"] and json.loads(out)["examples"] == 0
    assert "ROT77-demo.yaml" in err


# --- terminals and streams --------------------------------------------------------------------------------------------


class Terminal(io.StringIO):
    """Standard input as a person's terminal."""

    def isatty(self) -> bool:
        return True


def test_a_dash_at_a_terminal_is_not_waited_for(monkeypatch: pytest.MonkeyPatch, capsys: Captured) -> None:
    monkeypatch.setattr(sys, "stdin", Terminal())
    refused(["audit", "-"], "nothing is piped to standard input", capsys)


def test_a_lesson_and_an_exercise_ask_at_a_terminal(monkeypatch: pytest.MonkeyPatch, capsys: Captured) -> None:
    monkeypatch.setattr(console, "is_terminal", lambda stream: stream in (sys.stdin, sys.stdout))
    monkeypatch.setenv("COLUMNS", "100")
    monkeypatch.setattr(sys, "stdin", io.StringIO("quit\n"))
    assert cli.main(["teach", "group-code", "--no-color"]) == exits.DONE
    assert "You left the lesson; nothing was changed on disk." in capsys.readouterr().out
    monkeypatch.setattr(sys, "stdin", io.StringIO("?\nquit\n"))
    assert cli.main(["teach", "--exercise", "1", "--seed", "7", "--no-color"]) == exits.DONE
    told = capsys.readouterr().out
    assert "I did not get that" in told and "You left the exercise" in told
    monkeypatch.setattr(sys, "stdin", io.StringIO("quit\n"))
    assert cli.main(["teach", "--exercise", "1", "--seed", "7", "--print"]) == exits.DONE  # a sheet asks nothing
    assert "You left" not in capsys.readouterr().out


@pytest.mark.parametrize(("columns", "width"), [("200", 120), ("20", 40), ("77", 77)])
def test_a_terminal_is_filled_between_40_and_120_columns(
    columns: str, width: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    assert console.width_of(Terminal()) == width
    assert console.width_of(io.StringIO()) == console.PLAIN_WIDTH  # a pipe or a file


def test_a_closed_stream_is_no_terminal() -> None:
    stream = io.StringIO()
    stream.close()
    assert console.is_terminal(stream) is False


def test_a_folder_is_no_output(tmp_path: Path, capsys: Captured) -> None:
    assert cli.main(["audit", SOUND, "--output", str(tmp_path)]) == exits.INPUT
    assert "is a folder; name a file for --output" in capsys.readouterr().err


@pytest.mark.parametrize("stop", [KeyboardInterrupt(), OSError(errno.ENOSPC, "No space left on device")])
def test_a_write_that_is_stopped_leaves_the_old_file_and_nothing_else(
    stop: BaseException, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    answer = tmp_path / "answer.txt"
    answer.write_text("old", encoding="utf-8")

    def broken(*_: object) -> None:
        raise stop

    monkeypatch.setattr(os, "replace", broken)
    with pytest.raises((KeyboardInterrupt, InputError)) as caught:
        console.save(b"new", str(answer))
    if isinstance(stop, OSError):
        assert "no space left on device" in str(caught.value)
    assert answer.read_text(encoding="utf-8") == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["answer.txt"]


def test_long_messages_are_folded_for_a_person_and_whole_for_a_pipe(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    message = "planner: notice: " + "a message of several words " * 4
    screen, pipe = Terminal(), io.StringIO()
    for stream in (screen, pipe):
        monkeypatch.setattr(sys, "stderr", stream)
        exits.say(message)
    assert pipe.getvalue() == message + "\n"
    lines = screen.getvalue().splitlines()
    assert len(lines) > 2 and all(len(line) <= 40 for line in lines)
    assert all(line.startswith("  ") for line in lines[1:])
    assert " ".join(screen.getvalue().split()) == " ".join(message.split())


def test_an_answer_stands_apart_from_what_was_said_before_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """One empty line, only where both streams are the one screen and something was said."""
    monkeypatch.setattr(exits, "_told", [])
    screen = Terminal()
    monkeypatch.setattr(sys, "stderr", screen)
    monkeypatch.setattr(sys, "stdout", Terminal())
    exits.gap()
    assert screen.getvalue() == ""
    exits.say("searching")
    exits.gap()
    assert screen.getvalue() == "searching\n\n"
    monkeypatch.setattr(sys, "stdout", io.StringIO())
    exits.say("again")
    exits.gap()
    assert screen.getvalue() == "searching\n\nagain\n"


def test_checks_count_what_needs_a_change(tmp_path: Path, capsys: Captured) -> None:
    for folder, name, text in (
        ("mine/crops", "maize.yaml", "crop: maize\nstagges: []\n"),
        ("rules/rotation", "ROT77-demo.yaml", "rule: ROT77\n"),
    ):
        (tmp_path / folder).mkdir(parents=True)
        (tmp_path / folder / name).write_text(text, encoding="utf-8")
    assert cli.main(["rules", "check", "--rules", str(tmp_path / "rules")]) == exits.INPUT
    assert capsys.readouterr().out.startswith("1 rule file needs a change\n")
    assert cli.main(["catalog", "check", "--catalog", str(tmp_path / "mine")]) == exits.INPUT
    out, err = capsys.readouterr()
    assert re.match(r"\d+ places? needs? a change\n", out)
    assert len(err.splitlines()) == int(out.split()[0])  # a line for each on standard error


# --- exit codes and messages ------------------------------------------------------------------------------------------


def raising(error: BaseException) -> object:
    def work() -> int:
        raise error

    return work


def test_a_reader_that_leaves_ends_the_run_quietly(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As 'planner ... | head -1' does: exit code 0 and whatever is still written goes nowhere."""
    with open(tmp_path / "out", "w", encoding="utf-8") as stream:
        monkeypatch.setattr(sys, "stdout", stream)
        assert exits.guarded(raising(BrokenPipeError())) == exits.DONE  # type: ignore[arg-type]
        stream.write("the rest")
    assert (tmp_path / "out").read_text(encoding="utf-8") == ""
    monkeypatch.setattr(sys, "stdout", io.StringIO())  # a stream without a number: nothing to point elsewhere
    assert exits.guarded(raising(BrokenPipeError())) == exits.DONE  # type: ignore[arg-type]


def test_an_error_of_the_system_without_a_file_is_a_bug(capsys: Captured) -> None:
    assert exits.guarded(raising(PermissionError("not yours"))) == exits.BUG  # type: ignore[arg-type]
    told = capsys.readouterr().err
    assert "a bug stopped the run (PermissionError: not yours)" in told
    report = Path(re.search(r"attach (\S+)", told).group(1))  # type: ignore[union-attr]
    assert "PermissionError: not yours" in report.read_text(encoding="utf-8")
    report.unlink()


def test_a_report_that_cannot_be_written_is_not_promised(monkeypatch: pytest.MonkeyPatch, capsys: Captured) -> None:
    import tempfile

    def full(**_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(tempfile, "mkstemp", full)
    assert exits.guarded(raising(ZeroDivisionError("oh"))) == exits.BUG  # type: ignore[arg-type]
    told = capsys.readouterr().err
    assert "attach" not in told and "run again with --debug to see where" in told


def test_messages_to_a_closed_stream_are_dropped(monkeypatch: pytest.MonkeyPatch) -> None:
    stream = io.StringIO()
    stream.close()
    monkeypatch.setattr(sys, "stderr", stream)
    exits.say("nobody reads this")  # must not raise
    assert exits.guarded(raising(InputError("f.yaml", "wrong"))) == exits.INPUT  # type: ignore[arg-type]


def test_seasons_are_drawn_as_many_as_asked(capsys: Captured) -> None:
    assert cli.main([*SEASONS, "--seasons", "4", "--format", "json"]) == exits.DONE
    found = json.loads(capsys.readouterr().out)["forecast"]
    series = [one["log_odds"] for one in found["series"] if one["log_odds"]]
    assert series and {len(one) for one in series} == {5}  # the start and four seasons
    start = math.log(1e-6 / (1 - 1e-6))  # log-odds of the share that was given
    assert all(one[0] == pytest.approx(start, abs=1e-4) for one in series)


# --- versions ---------------------------------------------------------------------------------------------------------


def test_versions_without_catalogue_or_engine(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Captured
) -> None:
    """What is not there is said; --version still answers."""
    import importlib.util

    monkeypatch.setattr(places, "folder", lambda name: tmp_path / name)
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    assert cli.main(["--version"]) == exits.DONE
    assert capsys.readouterr().out.splitlines()[1:] == ["catalogue unknown", "engine interpreter (the planner's own)"]


def test_an_engine_that_cannot_tell_its_version_is_not_named(monkeypatch: pytest.MonkeyPatch) -> None:
    import importlib.metadata
    import importlib.util

    def unknown(name: str) -> str:
        raise importlib.metadata.PackageNotFoundError(name)

    monkeypatch.setattr(importlib.util, "find_spec", lambda name: object())
    monkeypatch.setattr(importlib.metadata, "version", unknown)
    assert common.engine_name() == "interpreter (the planner's own)"


# --- other entries of the catalogue -----------------------------------------------------------------------------------


def test_what_a_list_names_can_be_explained(capsys: Captured) -> None:
    """Every list ends with 'one in full: planner explain NAME'; the first and last entry of each can be asked for."""
    for kind, at in (("crops", 0), ("targets", 1), ("groups", 0), ("actives", 0), ("limits", 0), ("sources", 0)):
        assert cli.main(["catalog", "list", kind, "--format", "json"]) == exits.DONE
        rows = [list(row.values()) for row in json.loads(capsys.readouterr().out)]
        for row in (rows[0], rows[-1]):
            assert cli.main(["explain", row[at]]) == exits.DONE, row
            assert capsys.readouterr().out.strip()


def test_a_published_row_is_explained_with_its_rule_and_source(capsys: Captured) -> None:
    assert cli.main(["explain", "qoi-cereals-max"]) == exits.DONE
    text = " ".join(capsys.readouterr().out.split())
    assert "checked by: LIM01" in text and "value: 2" in text and "authority: FRAC" in text and "source:" in text
    assert cli.main(["explain", "wheat", "--format", "json"]) == exits.DONE
    data = json.loads(capsys.readouterr().out)
    assert data["kind"] == "crop" and {"targets", "stages"} == set(data["tables"])
    refused(["explain", "qoi-cereals-mx"], "did you mean qoi-cereals-max", capsys)


def test_lists_of_one_crop_or_scheme(capsys: Captured) -> None:
    assert cli.main(["catalog", "list", "targets", "--crop", "soybean", "--format", "json"]) == exits.DONE
    rows = json.loads(capsys.readouterr().out)
    assert {row["crop"] for row in rows} == {"soybean"}
    assert cli.main(["catalog", "list", "groups", "--scheme", "HRAC"]) == exits.DONE
    text = capsys.readouterr().out
    assert "HRAC 9" in text and "FRAC" not in text


# --- one answer in every form -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["catalog", "list", "crops"], ["# Crop", "| soybean |"]),
        (["catalog", "list"], ["| crops | 7 |"]),
        (["rules", "list", "rotation"], ["# Rules", "| ROT01 | same-group-in-succession |"]),
        (["explain", "FRAC", "11"], ["# FRAC 11", "group 11 (strobilurin)"]),
        (["calendar", FIELD], ["# ", "Heron Flat", "| stage | day |"]),
        (["compare", SOUND, FLAWED], ["# ", "Two diseases, two tools", "## Before anything is sprayed"]),
        (["sheet", SOUND], ["# ", "Demo Limewood 200 SC"]),
        (["audit", SOUND], ["# ", "## Season", "## Before anything is sprayed"]),
        (["teach", "group-code", "--crop", "soybean"], ["# ", "## Question"]),
    ],
    ids=lambda value: " ".join(Path(one).stem for one in value)[:40],
)
def test_markdown_of_every_answer(words: list[str], said: list[str], capsys: Captured) -> None:
    assert cli.main([*words, "--format", "markdown"]) == exits.DONE
    text = capsys.readouterr().out
    assert text.startswith("# ")
    for word in said:
        assert word in text
    tables = [line for line in text.splitlines() if re.fullmatch(r"\|[-:| ]+\|", line)]
    for line in tables:  # GitHub Flavored Markdown 0.29, tables: the delimiter row has as many cells as the header
        at = text.splitlines().index(line)
        header = text.splitlines()[at - 1]
        assert len(re.findall(r"(?<!\\)\|", header)) == line.count("|")


def test_concise_is_one_line_for_each_finding(capsys: Captured) -> None:
    assert cli.main(["audit", FLAWED, "--format", "json"]) == exits.BREACH
    data = json.loads(capsys.readouterr().out)
    assert cli.main(["audit", FLAWED, "--format", "concise"]) == exits.BREACH
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == len(data["findings"]) + len(data["not_assessed"])
    assert all(line.startswith(FLAWED) for line in lines)


def test_mend_writes_what_it_shows(tmp_path: Path, capsys: Captured) -> None:
    """The YAML, the table and the file of one mend hold the same tanks; the file passes the audit."""
    source, mended = corner.write(tmp_path), tmp_path / "mended.yaml"
    assert cli.main(["mend", source, "--top", "1", "--format", "yaml"]) == exits.DONE
    text = capsys.readouterr().out
    assert cli.main(["mend", source, "--top", "1", "--output", str(mended)]) == exits.DONE
    assert mended.read_text(encoding="utf-8") == text
    assert f"the mended programme is written to {mended}" in capsys.readouterr().err
    assert cli.main(["audit", str(mended)]) == exits.DONE
    capsys.readouterr()
    assert cli.main(["mend", source, "--top", "1", "--format", "csv"]) == exits.DONE
    assert capsys.readouterr().out.count("Demo Third") == text.count("product: Demo Third") > 0
    assert cli.main(["mend", source, "--top", "1", "--format", "markdown"]) == exits.DONE
    told = capsys.readouterr().out
    assert told.startswith("# The fewest changes\n") and "add Demo Third" in told


def test_a_workbook_of_a_draft_is_written_to_its_file(shop: str, tmp_path: Path, capsys: Captured) -> None:
    plan = tmp_path / "plan.xlsx"
    words = ["draft", FIELD, "--products", shop, "--format", "xlsx", "--output", str(plan)]
    assert cli.main(words) == exits.DONE
    assert f"planner: written to {plan}" in capsys.readouterr().err
    cells = [cell for row in openpyxl.load_workbook(plan).worksheets[0].iter_rows(values_only=True) for cell in row]
    assert any(cell in ("Demo Test A", "Demo Test B") for cell in cells)


@pytest.mark.parametrize("text", ["3-1", "x", "1-x"])
def test_a_range_of_passes_goes_up(text: str, shop: str, capsys: Captured) -> None:
    refused(["draft", FIELD, "--products", shop, "--passes", text], f"'{text}' is no number of passes", capsys)


@pytest.mark.parametrize("words", [["audit", SOUND], ["calendar", FIELD], ["rules", "list"]])
def test_a_folder_of_your_own_that_is_not_there(words: list[str], capsys: Captured) -> None:
    refused([*words, "--catalog", "no-such-folder"], "no-such-folder: there is no such folder", capsys)
