"""``planner draft`` and ``planner mend`` from the command line: answers, files, exit codes, and what is not loaded."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import corner
import interrupted
import pytest

from planner.cli import main

pytest.importorskip("ortools")

SCENARIOS = Path("shared/scenarios")
FIELD, SHOP = str(SCENARIOS / "heron-flat.yaml"), str(SCENARIOS / "farm-shop.yaml")


@pytest.fixture
def shop(tmp_path: Path) -> str:
    path = tmp_path / "shop.yaml"
    path.write_text(corner.PARTNERS, encoding="utf-8")
    return str(path)


def test_text_answer_and_document(shop: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan = tmp_path / "plan.yaml"
    assert main(["draft", FIELD, "--products", shop, "--output", str(plan)]) == 0
    told = capsys.readouterr()
    for words in (
        "side by side",
        "cheapest",
        "best covered",
        "gentlest",
        "balanced",
        "why not",
        "before anything is sprayed",
    ):
        assert words in told.out, words
    assert "stock on hand" in told.out
    assert "planner:" in told.err
    assert main(["audit", str(plan)]) == 0


def test_json_is_the_same_twice(shop: str, capsys: pytest.CaptureFixture[str]) -> None:
    answers = []
    for _ in range(2):
        assert main(["draft", FIELD, "--products", shop, "--format", "json"]) == 0
        answers.append(capsys.readouterr().out)
    assert answers[0] == answers[1]
    data = json.loads(answers[0])
    assert data["proven"] and data["front_complete"]
    assert all(one["audit"]["verdict"] != "breaches" for one in data["programmes"].values())
    names = {entry["name"] for entry in data["why_not"]}
    held = {name for one in data["programmes"]["balanced"]["passes"] for name in one["products"]}
    assert {"Demo Test A", "Demo Test B"} <= names | held


def test_what_keeps_the_rest_out_in_the_units_of_the_reader(shop: str, capsys: pytest.CaptureFixture[str]) -> None:
    """1 ha = 2.4710538 ac (NIST SP 811): money per acre is that of the hectare over it; --explain tells the passes."""
    command = ["draft", FIELD, "--products", shop, "--target", "white-mold"]
    assert main([*command, "--format", "json"]) == 0
    entries = [one for one in json.loads(capsys.readouterr().out)["why_not"] if one["passes"]]
    assert main([*command, "--units", "us", "--explain"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert entries and all(one["proven"] for one in entries)
    for one in entries:
        assert all(product in told for each in one["passes"] for product in each["products"])
        if abs(one["more_cost_per_ha"]) >= 0.01 and "gives up" not in one["reason"]:
            word = "more" if one["more_cost_per_ha"] > 0 else "less"
            assert f"costs {abs(one['more_cost_per_ha']) / 2.4710538:.2f} {word} per ac" in told, one
    assert "that programme:" in told and "per ha" not in told.partition("why not")[2].partition("in full")[0]


def test_impossible_wishes_end_with_1_and_the_clash(shop: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["draft", FIELD, "--products", shop, "--passes", "3"]) == 1
    told = capsys.readouterr().err
    assert "--passes" in told and "LBL04" in told and "accept:" in told


def test_avoid_leaves_a_group_out(shop: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["draft", FIELD, "--products", shop, "--avoid", "FRAC 3", "--format", "json"]) == 0
    data = json.loads(capsys.readouterr().out)
    for one in data["programmes"].values():
        assert all("FRAC 3" not in entry["groups"] for entry in one["passes"])
    assert any(entry["name"] == "Demo Test B" and "avoided" in entry["reason"] for entry in data["why_not"])


def test_kept_pass_is_fixed_and_the_rest_comes_later(
    shop: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    kept = tmp_path / "sprayed.yaml"
    kept.write_text(
        "programme: 1\nfield: f.yaml\npasses:\n"
        "  - {date: 2026-07-10, tank: [{product: Demo Test A, rate: 0.8 L/ha}]}\n",
        encoding="utf-8",
    )
    assert main(["draft", FIELD, "--products", shop, "--keep", str(kept), "--format", "json"]) == 0
    data = json.loads(capsys.readouterr().out)
    for one in data["programmes"].values():
        first, *rest = one["passes"]
        assert first["kept"] and first["date"] == "2026-07-10"
        assert all(entry["date"] > "2026-07-10" and "Demo Test A" not in entry["products"] for entry in rest)


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        (["--passes", "many"], "--passes"),
        (["--avoid", "no such thing"], "--avoid"),
        (["--target", "no-such-disease"], "--target"),
        (["--from", "someday"], "--from"),
    ],
)
def test_wrong_options_end_with_2(extra: list[str], words: str, shop: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["draft", FIELD, "--products", shop, *extra]) == 2
    assert words in capsys.readouterr().err


def test_mend_writes_a_sound_programme(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    mended = tmp_path / "mended.yaml"
    source = str(SCENARIOS / "solo-strobilurins-quarry-bottom.yaml")
    assert main(["audit", source]) == 1
    assert main(["mend", source, "--top", "1", "--output", str(mended)]) == 0
    told = capsys.readouterr().out
    for words in ("before", "after", "removes", "the fewest changes"):
        assert words in told
    assert main(["audit", str(mended)]) == 0


def test_only_commands_that_search_load_the_solver() -> None:
    code = (
        "import sys; from planner.cli import main; main(['audit', sys.argv[1]]); main(['draft', '--help']); "
        "sys.exit(any(name.startswith('ortools') for name in sys.modules))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(SCENARIOS / "sound-quarry-bottom.yaml")], capture_output=True, check=False
    )
    assert done.returncode == 0, done.stderr.decode()


@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_ctrl_c_gives_the_best_so_far() -> None:
    out = interrupted.answer(["draft", FIELD, "--products", SHOP], "none beats", 0.2)
    assert "not proven" in out and "balanced" in out


@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_ctrl_c_during_mend_gives_the_best_so_far() -> None:
    out = interrupted.answer(["mend", str(SCENARIOS / "over-label-heron-flat.yaml")], "several changes", 0.2)
    assert "not proven" in out and "leave it out" in out


@pytest.mark.parametrize("command", ["draft", "mend"])
def test_an_output_that_cannot_be_written_is_refused_before_the_search(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A search may take minutes: nothing is looked for when its answer could not be kept."""
    programme = SCENARIOS / "solo-strobilurins-quarry-bottom.yaml"
    given = [str(FIELD), "--products", str(SHOP)] if command == "draft" else [str(programme)]
    nowhere = str(tmp_path / "none" / "x.yaml")
    for output, said in ((given[0], "would replace an input"), (nowhere, "cannot be written")):
        assert main([command, *given, "--output", output]) == 2
        told = capsys.readouterr().err
        assert said in told and "looking for" not in told
