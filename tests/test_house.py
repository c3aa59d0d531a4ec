"""The house stays in order: who may import whom, one file and entry per rule, sources for every value, documents made
from the code, and recipes of DEVELOPERS.md that work when followed.

Layers and habits are those of DEVELOPERS.md; the 35 codes with their names are the contract with the user.
"""

from __future__ import annotations

import ast
import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import docs
import pytest

from planner import catalogue_check, exits, rulebook
from planner.catalogue import load
from planner.cli import main

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "planner"

# From the words up to the door. A room imports its own row and rows above it in this list, nothing below.
LAYERS = (
    "model errors places spelling compiled yamlio datafile stages quantities conditions heat stage_scale stage_days "
    "stage_heat phenology spray economics dose_response selection season_models",
    "catalogue catalogue_store catalogue_read catalogue_shapes catalogue_check catalogue_list",
    "season documents",
    "account memo published leaves cover exposure facts",
    "rulebook rulereader engine judge",
    "audit",
    "calendar moves sheet compare compare_cover compare_findings compare_money compare_selection draft lessons batch",
    "exits render",
    "commands cli __main__",
)
LEVEL = {room: level for level, rooms in enumerate(LAYERS) for room in rooms.split()}
# Module and what it imports from a later row, with the reason. Nothing else may.
EXCEPTIONS = {
    ("batch/work.py", "planner.render.jsonout"): "--full writes the JSON document of each programme into its line",
    ("lessons/exercises/faults.py", "planner.render"): "the words for passes in a statement are those on the page",
    ("lessons/exercises/label.py", "planner.render"): "the words for counts on a label are those on the page",
}
CONTRACT = {
    "LBL01": "crop-not-on-label", "LBL02": "rate-above-label", "LBL03": "rate-below-label",
    "LBL04": "applications-over-label", "LBL05": "active-total-over-label", "LBL06": "retreatment-too-soon",
    "LBL07": "stage-outside-label", "LBL08": "harvest-interval-short", "LBL09": "consecutive-over-label",
    "LBL10": "water-below-label", "ROT01": "same-group-in-succession", "ROT02": "cross-resistance-in-succession",
    "ROT03": "same-mix-all-season", "ROT04": "repeats-last-season", "ROT05": "same-active-repeated",
    "LIM01": "group-over-season-limit", "LIM02": "group-over-share", "LIM03": "group-run-over-limit",
    "LIM04": "interval-over-limit", "LIM05": "outside-published-window", "MIX01": "at-risk-group-alone",
    "MIX02": "partners-share-group", "MIX03": "partner-not-effective", "MIX04": "partner-rate-cut",
    "MIX05": "partner-fades-first", "MIX06": "too-few-modes-in-mix", "RES01": "resistance-reported",
    "RES02": "no-effective-mode", "RES03": "one-effective-mode", "RES04": "high-combined-risk",
    "TIM01": "first-pass-late", "TIM02": "cover-gap", "TIM03": "pass-covers-nothing", "TIM04": "coverage-poor",
    "TIM05": "harmful-timing",
}  # fmt: skip


def modules() -> Iterator[tuple[str, ast.Module]]:
    for path in sorted(PACKAGE.rglob("*.py")):
        if "data" not in path.relative_to(PACKAGE).parts[:1]:
            yield str(path.relative_to(PACKAGE)), ast.parse(path.read_text(encoding="utf-8"))


def imports(tree: ast.Module) -> Iterator[str]:
    """Every module named in an import, also inside functions."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module == "planner":
            yield from (f"planner.{alias.name}" for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module


def room(name: str) -> str:
    return Path(name).parts[0].removesuffix(".py")


# --- rooms ----------------------------------------------------------------------------------------------------


def test_every_room_has_its_place() -> None:
    rooms = {room(name) for name, _ in modules()} - {"__init__"}
    assert rooms == set(LEVEL), "add the room to LAYERS (and to DEVELOPERS.md)"


def test_no_room_calls_upstairs() -> None:
    wrong = []
    for name, tree in modules():
        if room(name) == "__init__":
            continue
        for module in imports(tree):
            parts = module.split(".")
            if parts[0] != "planner" or len(parts) < 2 or parts[1] not in LEVEL:
                continue
            if LEVEL[parts[1]] > LEVEL[room(name)] and (name, module) not in EXCEPTIONS:
                wrong.append(f"{name} imports {module}")
    assert not wrong


def test_every_exception_is_still_needed() -> None:
    found = {(name, module) for name, tree in modules() for module in imports(tree)}
    assert set(EXCEPTIONS) <= found


@pytest.mark.parametrize(
    ("package", "rooms"),
    [
        ("durable", {"engine"}),
        ("ortools", {"draft"}),
        ("rich", {"render", "commands"}),
        ("jinja2", {"render"}),
        ("icalendar", {"render"}),
        ("openpyxl", {"documents", "render"}),
        ("distributed", {"batch"}),
        ("pyarrow", {"batch"}),
    ],
)
def test_a_package_has_its_one_home(package: str, rooms: set[str]) -> None:
    named = re.compile(rf"import_module\(\s*['\"]{package}\b")
    users = {room(name) for name, tree in modules() if any(m.split(".")[0] == package for m in imports(tree))}
    users |= {room(str(p.relative_to(PACKAGE))) for p in PACKAGE.rglob("*.py") if named.search(p.read_text("utf-8"))}
    assert users <= rooms


def test_only_the_screen_prints() -> None:
    wrong = [
        f"{name}:{node.lineno}"
        for name, tree in modules()
        if room(name) not in ("render", "commands")
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
    ]
    assert not wrong


def test_no_crop_target_or_active_decides_in_python() -> None:
    catalogue = load()
    names = set(catalogue.crops) | {one for crop in catalogue.crops for one in catalogue.targets(crop)}
    names |= set(catalogue.of_scheme("FRAC"))
    wrong = []
    for name, tree in modules():
        for node in ast.walk(tree):
            if isinstance(node, ast.Compare):
                texts = [n.value for n in ast.walk(node) if isinstance(n, ast.Constant) and isinstance(n.value, str)]
                wrong += [f"{name}:{node.lineno} {text}" for text in texts if text in names]
    assert not wrong


def test_no_network_module_is_imported() -> None:
    banned = {"socket", "ssl", "http", "urllib", "ftplib", "smtplib", "requests", "httpx", "aiohttp"}
    wrong = [
        (name, m)
        for name, tree in modules()
        for m in imports(tree)
        if m.split(".")[0] in banned and m != "urllib.parse"
    ]
    assert not wrong


def test_every_module_says_why_it_exists() -> None:
    assert not [name for name, tree in modules() if not ast.get_docstring(tree) and not name.endswith("__init__.py")]


# --- parity ---------------------------------------------------------------------------------------------------


def test_rules_are_those_of_the_contract() -> None:
    assert {rule.code: rule.name for rule in rulebook.load().rules} == CONTRACT


@pytest.mark.parametrize("code", CONTRACT)
def test_a_rule_has_its_file_examples_and_entry(code: str, capsys: pytest.CaptureFixture[str]) -> None:
    rule = rulebook.load().rule(code)
    assert (ROOT / "rules" / rule.family / f"{code}-{CONTRACT[code]}.yaml").is_file()
    kinds = {example.kind for example in rulebook.load_examples() if example.rule == code}
    assert {"firing", "quiet", "boundary"} <= kinds and ("unknown" in kinds or rule.decided_always)
    assert f"| {code} | {CONTRACT[code]} |" in (ROOT / "rules" / "README.md").read_text(encoding="utf-8")
    assert main(["explain", code]) == exits.DONE
    assert CONTRACT[code] in capsys.readouterr().out.replace(" ", "-")


def test_every_value_has_its_source_and_grade() -> None:
    found = catalogue_check.check()
    assert found.problems == ()
    assert sum(found.totals.values()) > 2000  # each row has passed the reader, which asks for both


def test_every_threshold_of_a_rule_has_its_source() -> None:
    for rule in rulebook.load().rules:
        for name, parameter in rule.parameters.items():
            assert parameter.source and parameter.grade, (rule.code, name)


# --- documents made from the code -----------------------------------------------------------------------------


@pytest.mark.parametrize("table", docs.TABLES)
def test_tables_are_up_to_date(table: str) -> None:
    path, text, new = docs.renewed(table)
    assert text == new, f"{path.name} differs; write it with: python tests/docs.py"


def test_developers_names_every_room() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    missing = [name for name in LEVEL if name != "__main__" and not re.search(rf"\b{name}(\.py|/)", text)]
    assert not missing


# --- recipes --------------------------------------------------------------------------------------------------

PROGRAMME = """programme: 1
name: Invented
field: {{field: 1, name: Invented, crop: {crop}, stages: {{{stages}}}, targets: [{targets}]}}
passes:
{passes}
"""


def new(words: list[str], path: Path) -> str:
    """The file that a ``new`` command writes, put where the recipe says."""
    path.parent.mkdir(parents=True, exist_ok=True)
    assert main([*words, "-o", str(path)]) == exits.DONE
    return path.read_text(encoding="utf-8")


def answer(programme: Path, text: str, *options: str, capsys: pytest.CaptureFixture[str]) -> dict[str, object]:
    programme.write_text(text, encoding="utf-8")
    capsys.readouterr()
    assert main(["audit", str(programme), "--format", "json", *options]) in (exits.DONE, exits.BREACH)
    found: dict[str, object] = json.loads(capsys.readouterr().out)
    return found


@pytest.mark.parametrize(
    ("kind", "name", "where"),
    [
        ("active", "demo-fungicide", "actives/demo.yaml"),
        ("group", "99", "groups/demo.yaml"),
        ("crop", "demo-lentil", "crops/demo-lentil.yaml"),
        ("target", "demo-blight", "targets/soybean/demo-blight.yaml"),
        ("limit", "demo-limit", "limits/demo.yaml"),
    ],
)
def test_a_new_entry_loads_as_it_is_written(
    tmp_path: Path, kind: str, name: str, where: str, capsys: pytest.CaptureFixture[str]
) -> None:
    new(["catalog", "new", kind, name], tmp_path / where)
    option = "--rules" if kind == "limit" else "--catalog"
    assert main(["catalog", "check", option, str(tmp_path)]) == exits.DONE, capsys.readouterr().err


@pytest.mark.parametrize("family", rulebook.FAMILIES)
def test_a_new_rule_loads_as_it_is_written(tmp_path: Path, family: str, capsys: pytest.CaptureFixture[str]) -> None:
    new(["rules", "new", "OWN01", "demo-rule", "--family", family], tmp_path / family / "OWN01-demo-rule.yaml")
    assert main(["rules", "check", "--rules", str(tmp_path)]) == exits.DONE, capsys.readouterr().err


def test_recipe_active(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "own" / "actives" / "demo-fungicide.yaml"
    text = new(["catalog", "new", "active", "demo-fungicide"], path)
    path.write_text(text.replace("group: NC", "group: '11'").replace("risk: unknown", "risk: high"), encoding="utf-8")
    passes = "\n".join(
        f"  - {{date: {day}, tank: [{{active: demo-fungicide, dose: 100 g/ha}}]}}"
        for day in ("2026-07-02", "2026-07-16")
    )
    text = PROGRAMME.format(crop="soybean", stages="", targets="", passes=passes)
    found = answer(tmp_path / "p.yaml", text, "--catalog", str(tmp_path / "own"), capsys=capsys)
    rules = {finding["rule"] for finding in found["findings"]}  # type: ignore[attr-defined]
    assert "ROT01" in rules  # two passes that lean on group 11 alone


def test_recipe_limit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "own" / "limits" / "demo.yaml"
    text = new(["catalog", "new", "limit", "demo-limit"], path)
    text = text.replace("codes: ['11']", "codes: ['29']").replace("value: 2", "value: 1")
    path.write_text(text.replace("grade: unknown", "grade: practice"), encoding="utf-8")
    passes = "\n".join(
        f"  - {{date: {day}, tank: [{{active: fluazinam, dose: 500 g/ha}}]}}" for day in ("2026-07-02", "2026-07-16")
    )
    text = PROGRAMME.format(crop="soybean", stages="", targets="", passes=passes)
    found = answer(tmp_path / "p.yaml", text, "--rules", str(tmp_path / "own"), capsys=capsys)
    over = [finding for finding in found["findings"] if finding["rule"] == "LIM01"]  # type: ignore[attr-defined]
    assert over and over[0]["passes"] == [1, 2]
    assert not [f for f in answer(tmp_path / "p.yaml", text, capsys=capsys)["findings"] if f["rule"] == "LIM01"]  # type: ignore[attr-defined]


def test_recipe_crop(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    own = tmp_path / "own"
    new(["catalog", "new", "crop", "demo-lentil"], own / "crops" / "demo-lentil.yaml")
    path = own / "targets" / "demo-lentil" / "demo-blight.yaml"
    text = new(["catalog", "new", "target", "demo-blight"], path)
    path.write_text(text.replace("crop: soybean", "crop: demo-lentil"), encoding="utf-8")
    assert main(["catalog", "check", "--catalog", str(own)]) == exits.DONE, capsys.readouterr().err
    passes = "\n".join(
        f"  - {{date: {day}, tank: [{{active: azoxystrobin, dose: 100 g/ha}}]}}" for day in ("2026-07-02", "2026-07-16")
    )
    text = PROGRAMME.format(
        crop="demo-lentil", stages="BBCH10: 2026-05-20", targets="{target: demo-blight, pressure: high}", passes=passes
    )
    found = answer(tmp_path / "p.yaml", text, "--catalog", str(own), capsys=capsys)
    assert "ROT01" in {finding["rule"] for finding in found["findings"]}  # type: ignore[attr-defined]


def test_recipe_rule(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    own = tmp_path / "own"
    path = own / "rotation" / "OWN01-group-used-again.yaml"
    new(["rules", "new", "OWN01", "group-used-again", "--family", "rotation"], path)
    model = (ROOT / "rules" / "rotation" / "ROT03-same-mix-all-season.yaml").read_text(encoding="utf-8")
    path.write_text(
        model.replace("ROT03", "OWN01").replace("same-mix-all-season", "group-used-again"), encoding="utf-8"
    )
    assert main(["rules", "check", "--rules", str(own)]) == exits.DONE, capsys.readouterr().err
    passes = "\n".join(
        f"  - {{date: {day}, tank: [{{active: azoxystrobin, dose: 100 g/ha}}]}}"
        for day in ("2026-07-02", "2026-07-16", "2026-07-30")
    )
    text = PROGRAMME.format(crop="soybean", stages="", targets="", passes=passes)
    found = answer(tmp_path / "p.yaml", text, "--rules", str(own), capsys=capsys)
    assert {"OWN01", "ROT03"} <= {finding["rule"] for finding in found["findings"]}  # type: ignore[attr-defined]
    assert found["rules_run"] == len(CONTRACT) + 1


def test_recipe_renderer(tmp_path: Path) -> None:
    """A module in render/, a branch in the command and its name in two lists: nothing else."""
    skip = shutil.ignore_patterns("__pycache__")
    for name in ("planner", "catalog", "rules", "shared"):
        shutil.copytree(ROOT / name, tmp_path / name, ignore=skip)
    (tmp_path / "planner" / "render" / "count.py").write_text(
        '"""The number of findings."""\n\n\ndef audit(reports):\n'
        '    return f"{sum(len(one.findings) for one in reports)}\\n"\n'
    )
    command = tmp_path / "planner" / "commands" / "audit.py"
    text = command.read_text(encoding="utf-8")
    branch = '    if chosen.format == "count":\n        from planner.render import count\n\n'
    branch += '        return count.audit(reports)\n'
    mark = '    sources = cited(reports, catalogue)\n    if chosen.format == "json":\n'
    assert text.count(mark) == 1 and text.count('("text", "json", "markdown"') == 1
    text = text.replace(mark, mark.replace("    if", branch + "    if", 1))
    command.write_text(
        text.replace('("text", "json", "markdown"', '("text", "count", "json", "markdown"'), encoding="utf-8"
    )
    shared = tmp_path / "planner" / "commands" / "common.py"
    text = shared.read_text(encoding="utf-8")
    assert text.count('    "text",\n    "json",\n') == 1
    shared.write_text(
        text.replace('    "text",\n    "json",\n', '    "text",\n    "count",\n    "json",\n'), encoding="utf-8"
    )
    demo = "shared/scenarios/solo-strobilurins-quarry-bottom.yaml"
    done = subprocess.run(
        [sys.executable, "-m", "planner", "audit", demo, "--format", "count"],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(tmp_path), "PLANNER_NO_CACHE": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == exits.BREACH and int(done.stdout) > 0, done.stderr


@pytest.mark.parametrize(
    ("old", "new_", "said"),
    [
        ("harvest_bbch: ", "harvest: ", "harvest_bbch"),
        ("{first: ", "{fist: ", "first"),
        ("phenology: 1\n", "phenology: 1\nscales: []\n", "scales"),
        ("grade: read", "grade: 7", ""),
    ],
)
def test_days_of_the_users_own_are_refused_when_they_are_wrong(
    tmp_path: Path, old: str, new_: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (ROOT / "catalog" / "phenology.yaml").read_text(encoding="utf-8")
    at = text.index("\nscales:") if old.startswith(("harvest", "{first")) else 0
    (tmp_path / "phenology.yaml").write_text(text[:at] + text[at:].replace(old, new_, 1), encoding="utf-8")
    code = main(["catalog", "check", "--catalog", str(tmp_path)])
    told = capsys.readouterr().err
    assert (code == exits.INPUT and said in told and "phenology.yaml" in told) or (not said and code != exits.BUG), told
