"""What a careful user may rely on: nothing outside the folder is read, nothing goes over the network, no half-written
file, no silent age, no option or key ignored, and ``--strict`` means it.

The attacks are common ones (path traversal CWE-22, link following CWE-59); the rest is our own contract.
"""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import sys
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from planner import exits
from planner.batch.inputs import find
from planner.batch.work import Setup, judge
from planner.cli import main
from planner.commands import common
from planner.errors import InputError
from planner.render import console

ROOT = Path(__file__).parents[1]
DEMO = "solo-strobilurins-quarry-bottom.yaml"
SECRET = "private-word-of-somebody"


@pytest.fixture
def farm(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The shipped scenarios in a folder of their own, and a private file beside that folder."""
    folder = tmp_path / "farm"
    shutil.copytree(ROOT / "shared" / "scenarios", folder)
    (tmp_path / "private.yaml").write_text(f"{SECRET}: 1\n", encoding="utf-8")
    monkeypatch.chdir(folder)
    return folder


# --- includes -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("key", ["field", "products"])
@pytest.mark.parametrize("way", ["up", "absolute", "link", "linked folder", "up in the middle"])
def test_a_document_cannot_reach_outside_its_folder(
    farm: Path, key: str, way: str, capsys: pytest.CaptureFixture[str]
) -> None:
    private = farm.parent / "private.yaml"
    names = {
        "up": "../private.yaml",
        "absolute": str(private),
        "link": "link.yaml",
        "linked folder": "out/private.yaml",
        "up in the middle": "inner/../../private.yaml",
    }
    (farm / "inner").mkdir()
    (farm / "link.yaml").symlink_to(private)
    (farm / "out").symlink_to(farm.parent)
    lines = [line for line in (farm / DEMO).read_text(encoding="utf-8").splitlines() if not line.startswith(f"{key}:")]
    (farm / "sent.yaml").write_text(
        "\n".join([lines[0], f"{key}: {names[way]}", *lines[1:]]) if lines[0].startswith("programme") else
        "\n".join([*lines, f"{key}: {names[way]}"]),
        encoding="utf-8",
    )  # fmt: skip
    assert main(["audit", "sent.yaml"]) == exits.INPUT
    said = capsys.readouterr()
    assert "outside the folder" in said.err and SECRET not in said.err + said.out and said.out == ""


@pytest.mark.parametrize("name", ["../outside.yaml", "/etc/hostname", "link.yaml"])
def test_a_table_of_many_programmes_cannot_either(farm: Path, name: str) -> None:
    (farm.parent / "outside.yaml").write_text((farm / "quarry-bottom.yaml").read_text(encoding="utf-8"))
    (farm / "link.yaml").symlink_to(farm.parent / "outside.yaml")
    row = "1,2026-07-02,azoxystrobin,110,g/ha\n"
    (farm / "district.csv").write_text(
        f"field,pass,date,active,rate,unit\n{name},{row}quarry-bottom.yaml,{row}", encoding="utf-8"
    )
    lines = [judge(job, Setup()) for job in find(["district.csv"])]
    assert lines[0]["verdict"] == "unreadable" and "outside the folder" in lines[0]["problem"]
    assert lines[1]["verdict"] != "unreadable"


# --- network --------------------------------------------------------------------------------------------------


def test_no_command_opens_a_socket(farm: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: Any, **__: Any) -> Any:
        raise AssertionError("something opens a network connection")

    for name in ("connect", "connect_ex", "bind", "sendto"):
        monkeypatch.setattr(socket.socket, name, refuse, raising=False)
    monkeypatch.setattr(socket, "getaddrinfo", refuse)
    monkeypatch.setattr(socket, "create_connection", refuse)
    assert main(["audit", DEMO, "-o", "answer.txt"]) == exits.BREACH
    assert main(["audit", DEMO, "--format", "html", "-o", "answer.html"]) == exits.BREACH
    assert main(["explain", "ROT01"]) == exits.DONE


def test_the_whole_process_opens_none(farm: Path) -> None:
    """Python's audit events (PEP 578) see what C code asks of Python's socket module as well."""
    code = (
        "import sys\n"
        "def hook(event, args):\n"
        "    if event.startswith('socket.') and event not in ('socket.__new__', 'socket.gethostname'):\n"
        "        sys.stderr.write('SOCKET ' + event); sys.stderr.flush()\n"
        "sys.addaudithook(hook)\n"
        "from planner.cli import main\n"
        f"sys.exit(main(['audit', {DEMO!r}]))\n"
    )
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=environment, check=False)
    assert done.returncode == exits.BREACH and "SOCKET" not in done.stderr


# --- output ---------------------------------------------------------------------------------------------------


def test_a_failed_write_leaves_the_old_file_and_nothing_else(
    farm: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (farm / "answer.json").write_text("the old answer", encoding="utf-8")
    before = sorted(os.listdir(farm))

    def full(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    assert main(["audit", DEMO, "--format", "json", "-o", "answer.json"]) == exits.INPUT
    assert "no space left" in capsys.readouterr().err
    assert (farm / "answer.json").read_text(encoding="utf-8") == "the old answer"
    assert sorted(os.listdir(farm)) == before


def test_an_interrupt_while_writing_leaves_nothing_behind(farm: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = sorted(os.listdir(farm))

    def stopped(*_: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "chmod", stopped)
    with pytest.raises(KeyboardInterrupt):
        console.save(b"x" * 1000, "answer.txt")
    assert sorted(os.listdir(farm)) == before


@pytest.mark.parametrize("bad", ["no-such.yaml", "broken.yaml"])
def test_wrong_input_writes_no_file(farm: Path, bad: str) -> None:
    (farm / "broken.yaml").write_text("programme: 1\npasses: [\n", encoding="utf-8")
    assert main(["audit", DEMO, bad, "-o", "answer.txt"]) == exits.INPUT
    assert not (farm / "answer.txt").exists()


def test_an_input_is_never_overwritten(farm: Path) -> None:
    before = (farm / DEMO).read_bytes()
    assert main(["audit", DEMO, "-o", f"./{DEMO}"]) == exits.INPUT
    assert (farm / DEMO).read_bytes() == before


# --- age ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", [["audit", DEMO], ["explain", "FRAC", "11"], ["audit", ".", "--odd"]])
def test_a_catalogue_past_its_review_warns_once_and_changes_no_answer(
    farm: Path, command: list[str], monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    due = common.catalogue(common.Settings()).review_by
    monkeypatch.setattr(common, "today", lambda: date.fromisoformat(due))
    code = main(command)
    fresh = capfd.readouterr()
    assert "reviewed by" not in fresh.err
    monkeypatch.setattr(common, "today", lambda: date(int(due[:4]) + 1, 1, 1))
    assert main(command) == code
    stale = capfd.readouterr()
    assert stale.err.count(f"reviewed by {due}") == 1
    assert stale.out == fresh.out


# --- nothing ignored ------------------------------------------------------------------------------------------


RULE = next((ROOT / "rules" / "label").glob("LBL01-*.yaml"))


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("\nfor:", "\nseverty: breach\nfor:", "severty"),
        ("\nfamily: label", "\nfamily: labels", "labels"),
        (
            "\ncases:",
            "\nparameters:\n  x: {value: 1, unit: d, source: common practice, grade: practice, max: 2}\ncases:",
            "max",
        ),
        ("\nstatus:", "\nenabled: false\nstatus:", "enabled"),
    ],
)  # fmt: skip
def test_unknown_options_of_a_rule_are_refused(
    tmp_path: Path, old: str, new: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    text = RULE.read_text(encoding="utf-8")
    assert old in text
    (tmp_path / RULE.name).write_text(text.replace(old, new, 1), encoding="utf-8")
    assert main(["rules", "check", "--rules", str(tmp_path)]) == exits.INPUT
    assert said in capsys.readouterr().err


@pytest.mark.parametrize(
    "words", [["--stric"], ["--rule-option", "ROT01=off"], ["--ignore", "ROT01"], ["--set", "ROT01.grace=3"]]
)
def test_unknown_options_of_the_command_line_are_refused(
    farm: Path, words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["audit", DEMO, *words]) == exits.INPUT
    said = capsys.readouterr()
    assert "unknown option" in said.err and said.out == ""


def test_unknown_settings_are_refused(farm: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (farm / "planner.yaml").write_text("units: us\ntelemetry: on\n", encoding="utf-8")
    assert main(["audit", DEMO]) == exits.INPUT
    assert "planner.yaml:2: unknown setting 'telemetry'" in capsys.readouterr().err


# --- strict ---------------------------------------------------------------------------------------------------

SPARSE = """programme: 1
field: {field: 1, name: Invented, crop: soybean}
passes:
  - {date: 2026-07-02, tank: [{active: azoxystrobin, dose: 100 g/ha}, {active: prothioconazole, dose: 150 g/ha}]}
"""


@pytest.mark.parametrize("many", [[], ["--odd"]])
def test_strict_fails_what_could_not_be_assessed(
    farm: Path, many: list[str], capfd: pytest.CaptureFixture[str]
) -> None:
    (farm / "sparse.yaml").write_text(SPARSE, encoding="utf-8")
    assert main(["audit", "sparse.yaml", *many]) == exits.DONE
    assert main(["audit", "sparse.yaml", "--strict", *many]) == exits.BREACH
    capfd.readouterr()
    assert main(["audit", "sparse.yaml", "--format", "json"]) == exits.DONE
    assert json.loads(capfd.readouterr().out)["not_assessed"]


def test_the_loader_says_outside_only_where_it_is_outside(farm: Path) -> None:
    (farm / "inner").mkdir()
    shutil.copy(farm / "quarry-bottom.yaml", farm / "inner" / "field.yaml")
    text = (farm / DEMO).read_text(encoding="utf-8").replace("field: quarry-bottom.yaml", "field: inner/field.yaml")
    (farm / "sent.yaml").write_text(text, encoding="utf-8")
    try:
        assert main(["audit", "sent.yaml"]) in (exits.DONE, exits.BREACH)
    except InputError as error:  # pragma: no cover - would be the failure itself
        pytest.fail(str(error))
