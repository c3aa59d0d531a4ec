"""What is wrong below the documents: the unit table, texts that are no text, a damaged cache, an incomplete install,
rule files of odd shapes, and a rule engine that fails. Each is told in words, or passed over where nothing is lost.
"""

from __future__ import annotations

import errno
import os
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from planner import compiled, engine, places, quantities, yamlio
from planner.conditions import Case, Condition
from planner.errors import EngineError, InputError, RulebookError
from planner.facts.kinds import Fact, FactKind
from planner.rulebook import Rule, make
from planner.rulereader import read_rule

CATALOG = Path(__file__).resolve().parents[1] / "catalog"

# --- the unit table --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("good, bad, said", [
    ("L: {pint: liter,", "L: {pint: lighter,", "pint cannot convert 'lighter': 'lighter' is not defined"),
    ("g: {pint: gram,", "g: {pint: liter,", "pint cannot convert 'liter': Cannot convert from 'liter'"),
    ("also: [quart, quarts, qts]", "also: [quart, gal]", "'gal' is spelled twice; give it to one unit"),
    ("units:\n  volume:\n", "units:\n  volumes: 3\n  volume:\n", "'volumes' takes keys with values, not the value 3"),
])  # fmt: skip
def test_a_slip_in_the_unit_table_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, good: str, bad: str, said: str
) -> None:
    text = (CATALOG / "units.yaml").read_text(encoding="utf-8")
    assert good in text
    changed = text.replace(good, bad, 1)
    (tmp_path / "units.yaml").write_text(changed, encoding="utf-8")
    monkeypatch.setattr(quantities.places, "folder", lambda name: tmp_path)
    with pytest.raises(RulebookError) as caught:
        quantities.build()
    assert said in str(caught.value)
    assert not isinstance(caught.value.place, str)
    assert changed.splitlines()[caught.value.place.line - 1].strip() == next(
        line.strip() for line in changed.splitlines() if bad.splitlines()[-2:][0].strip() in line
    )


# --- texts that are no text ------------------------------------------------------------------------------------------


def test_half_a_surrogate_pair_is_told_with_its_line() -> None:
    with pytest.raises(InputError) as caught:
        yamlio.read("a: 1\nb: \ud83d\n", name="f.yaml")
    assert str(caught.value) == "f.yaml:2: the text is not UTF-8; save the file as UTF-8"


@pytest.mark.parametrize("text", [
    "x" * (yamlio.MAX_BYTES + 1),  # too many letters
    "\u00e9" * (yamlio.MAX_BYTES // 2 + 1),  # few enough letters, too many bytes
])  # fmt: skip
def test_a_text_over_the_limit_is_refused_by_its_size_in_bytes(text: str) -> None:
    with pytest.raises(InputError, match=r"f\.yaml: the file is larger than 5 MB; split it into smaller files"):
        yamlio.read(text, name="f.yaml")


def test_more_values_than_any_programme_has_are_refused_at_the_line_where_it_is_clear() -> None:
    text = "a:\n" + "- 1\n" * (yamlio.MAX_VALUES + 5)
    with pytest.raises(InputError) as caught:
        yamlio.read(text, name="f.yaml")
    # the mapping, its key and the list are three of the values, so the first too many is item 199,998 in line 199,999
    assert str(caught.value) == (
        f"f.yaml:{yamlio.MAX_VALUES - 1}: more than {yamlio.MAX_VALUES} keys and values stand in one file; "
        "split it into smaller files"
    )


def test_a_file_that_cannot_be_opened_is_told(tmp_path: Path) -> None:
    path = tmp_path / "plan.yaml"
    path.symlink_to(path.name)  # a link to itself: what a missing permission is to a user, and root meets it too
    with pytest.raises(InputError) as caught:
        yamlio.read(path)
    assert str(caught.value) == f"{path}: the file cannot be read ({os.strerror(errno.ELOOP)}); check its permissions"


# --- the cache and the installation ----------------------------------------------------------------------------------


def test_no_home_means_no_cache_and_the_same_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    def homeless() -> Path:
        raise RuntimeError("Could not determine home directory.")

    monkeypatch.delenv("XDG_CACHE_HOME", raising=False)
    monkeypatch.delenv("PLANNER_NO_CACHE", raising=False)
    monkeypatch.setattr(Path, "home", homeless)
    assert compiled.folder() is None
    assert compiled.section("test-homeless", lambda: 7, int, []) == 7


def test_a_relative_cache_home_is_not_used(monkeypatch: pytest.MonkeyPatch) -> None:
    """XDG Base Directory Specification: a relative path is invalid and to be ignored."""
    monkeypatch.delenv("PLANNER_NO_CACHE", raising=False)
    monkeypatch.setenv("XDG_CACHE_HOME", "here")
    assert compiled.folder() == Path.home() / ".cache" / "planner"
    monkeypatch.setenv("XDG_CACHE_HOME", "/there")
    assert compiled.folder() == Path("/there/planner")


def test_a_data_file_that_comes_or_goes_makes_a_new_section(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("PLANNER_NO_CACHE", raising=False)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    source = tmp_path / "own.yaml"
    assert compiled.section("test-comes", lambda: 1, int, [source]) == 1
    source.write_text("x", encoding="utf-8")
    assert compiled.section("test-comes", lambda: 2, int, [source]) == 2
    source.unlink()
    assert compiled.section("test-comes", lambda: 3, int, [source]) == 1  # as before it came


def test_a_section_of_another_shape_is_built_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("PLANNER_NO_CACHE", raising=False)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert compiled.section("test-shape", lambda: "text", str, []) == "text"
    assert compiled.section("test-shape", lambda: 5, int, []) == 5


def test_an_incomplete_installation_says_what_to_do() -> None:
    with pytest.raises(FileNotFoundError, match="data folder 'nothing-here' is missing; install the package again"):
        places.folder("nothing-here")


# --- rule files ------------------------------------------------------------------------------------------------------

KIND = {"pair": FactKind(name="pair", about="two passes", fields={"days": "int"})}
RULE = """\
rule: ROT90
name: too-close
family: rotation
since: "0.1"
status: stable
title: x
why: x
remedy: x
sources: []
for: pair
parameters: {least: {value: 3, source: common practice, grade: practice}}
cases:
  - severity: advice
    when: [{field: days, less_than: $least}]
unknown_when: [days]
message: x
lasting: false
examples:
  - {name: a, kind: firing, passes: [{stage: R1, use: [azoxystrobin]}], finds: [{passes: [1]}]}
  - {name: b, kind: quiet, passes: [{stage: R1, use: [azoxystrobin]}]}
  - {name: c, kind: boundary, passes: [{stage: R1, use: [azoxystrobin]}]}
  - {name: d, kind: unknown, passes: [{stage: R1, use: [azoxystrobin]}], not_assessed: true}
"""


@pytest.mark.parametrize("good, bad, line, said", [
    ("parameters: {least: {value: 3, source: common practice, grade: practice}}", "parameters: [3]", 11,
     "parameters must be a mapping"),
    ("{least: {value", "{least days: {value", 11,
     "'least days' is not a parameter name; write letters, digits and '_'"),
    ("cases:\n  - severity: advice\n    when: [{field: days, less_than: $least}]", "cases: []", 12,
     "the rule has no case; write at least one, with severity and when"),
    ("finds: [{passes: [1]}]", "finds: [1]", 19, "a finding of an example has no passes"),
    ("finds: [{passes: [1]}]", "finds: [{severity: advice}]", 19, "a finding of an example has no passes"),
])  # fmt: skip
def test_a_rule_file_of_odd_shape_is_refused_with_its_line(good: str, bad: str, line: int, said: str) -> None:
    assert good in RULE
    rule, _ = read_rule(RULE, name="own.yaml", kinds=KIND, bibliography=None)
    assert rule.code == "ROT90"
    with pytest.raises(RulebookError) as caught:
        read_rule(RULE.replace(good, bad), name="own.yaml", kinds=KIND, bibliography=None)
    assert str(caught.value).startswith(f"own.yaml:{line}: {said}")


# --- the rule engine fails -------------------------------------------------------------------------------------------

BOOK = make([
    Rule(code="ROT91", name="x", family="rotation", since="0.1", status="stable", title="", why="", remedy="",
         kind="pair", cases=(Case("advice", (Condition("days", "less_than", (3,)),)),), message="")
])  # fmt: skip
FACT = Fact(kind="pair", id="one", passes=(1,), values={"days": 2})


def test_without_the_library_its_name_is_an_error_and_auto_is_not(monkeypatch: pytest.MonkeyPatch) -> None:
    def absent(name: str) -> Any:
        raise ImportError(name)

    monkeypatch.setattr(engine, "_imported", engine._missing)
    monkeypatch.setattr(engine.importlib, "import_module", absent)
    assert engine.backend_name() == "interpreter"
    assert engine.run(BOOK, [FACT], kinds=KIND) == [("ROT91", 0, "one")]
    with pytest.raises(EngineError, match="durable-rules cannot be imported here; use the interpreter"):
        engine.run(BOOK, [FACT], backend="durable-rules", kinds=KIND)


@pytest.mark.skipif(engine._library() is None, reason="durable-rules is not here")
def test_what_durable_rules_would_swallow_is_raised(monkeypatch: pytest.MonkeyPatch) -> None:
    assert engine.run(BOOK, [FACT], backend="durable-rules", kinds=KIND, remember=False) == [("ROT91", 0, "one")]
    session = engine._plan(BOOK, KIND).session
    assert session is not None

    def broken_match(_session: str, _rows: Any) -> None:  # a match without its fact, inside the library's own call
        session.action("ROT91/0/0")(SimpleNamespace(m={}))

    with monkeypatch.context() as patch:
        patch.setattr(session.host, "assert_facts", broken_match)
        patch.setattr(session.host, "get_state", lambda *_: {})
        with pytest.raises(KeyError, match="id"):
            engine.run(BOOK, [FACT], backend="durable-rules", kinds=KIND, remember=False)
    with monkeypatch.context() as patch:
        patch.setattr(session.host, "get_state", lambda *_: {"exception": "a rule broke"})
        with pytest.raises(EngineError, match="durable-rules failed: a rule broke"):
            engine.run(BOOK, [FACT], backend="durable-rules", kinds=KIND, remember=False)
    # and it is as good as before
    assert engine.run(BOOK, [FACT], backend="durable-rules", kinds=KIND, remember=False) == [("ROT91", 0, "one")]


@pytest.mark.skipif(engine._library() is None, reason="durable-rules is not here")
def test_a_library_that_is_deaf_is_found_out_before_it_judges(monkeypatch: pytest.MonkeyPatch) -> None:
    deaf = SimpleNamespace(Host=type("Host", (), {
        "set_rulesets": lambda *_: None, "assert_facts": lambda *_: None, "get_state": lambda *_: {},
        "delete_state": lambda *_: None,
    }))  # fmt: skip
    monkeypatch.setattr(engine, "_imported", deaf)
    monkeypatch.setattr(engine, "_plans", {})
    with pytest.raises(EngineError, match="durable-rules does not answer to its simplest rule"):
        engine.run(BOOK, [FACT], backend="durable-rules", kinds=KIND)
