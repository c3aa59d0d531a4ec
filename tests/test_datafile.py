"""Typed rows of data files: the problem, its line and its cure for every kind of value, and nothing else refused.

Expected texts are written out; what a row accepts is held against plain Python in the properties below.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import Any, Literal

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner import yamlio
from planner.datafile import Problems, Row, typed
from planner.errors import RulebookError
from planner.model import Backing


def row(text: str) -> tuple[Row, Problems]:
    problems = Problems()
    return Row(yamlio.read(text, name="own.yaml"), problems), problems


@pytest.mark.parametrize("text, ask, said, answer", [
    ("a: 1", lambda one: one.text("a"), "own.yaml:1: 'a' has to be text; put it in quotes: '1'", ""),
    ("a: [1]", lambda one: one.text("a"), "own.yaml:1: 'a' has to be text; write text", ""),
    ("b: x", lambda one: one.text("a", required=True), "own.yaml:1: 'a' is missing; add 'a: ...'", ""),
    ("a: graed", lambda one: one.text("a", one_of=["grade", "word"]),
     "own.yaml:1: 'graed' is no a; did you mean 'grade'?", "graed"),
    ("a: xyz", lambda one: one.text("a", one_of=["grade", "word"]),
     "own.yaml:1: 'xyz' is no a; one of grade, word", "xyz"),
    ("x: 1\na:\n  - one\n  - 2", lambda one: one.texts("a"),
     "own.yaml:4: 'a' has to hold text; put it in quotes: '2'", ("one",)),
    ("a: 11", lambda one: one.texts("a"), "own.yaml:1: 'a' has to hold text; put it in quotes: '11'", ()),
    ("b: x", lambda one: one.texts("a", required=True), "own.yaml:1: 'a' is missing; add 'a: [...]'", ()),
    ("a: yes", lambda one: one.flag("a", True), "own.yaml:1: 'a' is true or false; write true or false", True),
    ("a: '3'", lambda one: one.number("a", 0, 9),
     "own.yaml:1: 'a' has to be a number; write a number without quotes", None),
    ("a: true", lambda one: one.number("a", 0, 9),
     "own.yaml:1: 'a' has to be a number; write a number without quotes", None),
    ("a: 10", lambda one: one.number("a", 0, 9), "own.yaml:1: 'a' is 10, which is implausible; between 0 and 9", 10.0),
    ("b: x", lambda one: one.number("a", 0, 9, required=True), "own.yaml:1: 'a' is missing; add 'a: ...'", None),
    ("a: 2.5", lambda one: one.integer("a", 0, 9),
     "own.yaml:1: 'a' has to be a whole number; write a whole number", 2),
    ("b: x", lambda one: one.pair("a", 0, 9, required=True),
     "own.yaml:1: 'a' is missing; add 'a: [least, most]'", None),
    ("a: 4", lambda one: one.pair("a", 0, 9), "own.yaml:1: 'a' has to be two numbers; write [least, most]", None),
    ("a: [1, true]", lambda one: one.pair("a", 0, 9),
     "own.yaml:1: 'a' has to be two numbers; write [least, most]", None),
    ("a: [5, 2]", lambda one: one.pair("a", 0, 9),
     "own.yaml:1: 'a' is [5, 2], which is implausible; rising, from 0 to 9", (5.0, 2.0)),
    ("a: 12.5.2026", lambda one: one.date("a"),
     "own.yaml:1: '12.5.2026' is no date; write 2026, 2026-01 or 2026-01-31", "12.5.2026"),
    ("b: x", lambda one: one.date("a", required=True), "own.yaml:1: 'a' is missing; add 'a: 2026-01-31'", ""),
    ("a: 1/0", lambda one: one.fraction("a"), "own.yaml:1: '1/0' is no share; write 1/3 or 0.5", None),
    ("a: [1]", lambda one: one.fraction("a"), "own.yaml:1: '[1]' is no share; write 1/3 or 0.5", None),
    ("a: 3/2", lambda one: one.fraction("a"),
     "own.yaml:1: 'a' is 3/2, which is implausible; a share lies between 0 and 1", 1.5),
    ("a: x", lambda one: one.plain("a"), "own.yaml:1: 'a' has to be a mapping; write '{key: value}'", {}),
    ("a:\n  b: 1", lambda one: one.words("a"), "own.yaml:2: 'b' has to be text; put it in quotes", {"b": "1"}),
    ("a: {}", lambda one: list(one.rows("a")), "own.yaml:1: 'a' has to be a list; begin each entry with '- '", []),
    ("b: x", lambda one: list(one.rows("a", required=True)),
     "own.yaml:1: 'a' is missing; add 'a:' with a list below it", []),
    ("a: []", lambda one: list(one.mapping("a")),
     "own.yaml:1: 'a' has to be a mapping; write 'name: {...}'", []),
    ("b: x", lambda one: list(one.mapping("a", required=True)),
     "own.yaml:1: 'a' is missing; add 'a:' with a mapping below it", []),
])  # fmt: skip
def test_a_slip_is_noted_with_its_line_and_cure(text: str, ask: Callable[[Row], Any], said: str, answer: Any) -> None:
    one, problems = row(text)
    assert ask(one) == answer
    assert [str(problem) for problem in problems] == [said]


@pytest.mark.parametrize("ask, answer", [
    (lambda one: one.text("a"), ""), (lambda one: one.texts("a"), ()), (lambda one: one.flag("a"), False),
    (lambda one: one.number("a", 0, 1), None), (lambda one: one.integer("a", 0, 1), None),
    (lambda one: one.pair("a", 0, 1), None), (lambda one: one.date("a"), ""), (lambda one: list(one.rows("a")), []),
    (lambda one: list(one.mapping("a")), []), (lambda one: one.row("a"), None), (lambda one: one.plain("a"), {}),
])  # fmt: skip
def test_what_is_left_out_is_no_problem(ask: Callable[[Row], Any], answer: Any) -> None:
    one, problems = row("b: x")
    assert ask(one) == answer
    assert not problems


def test_sound_values_are_taken() -> None:
    one, problems = row("a: true\nb: [1, 2.5]\nc: {k: word}\nd: 2026-05\ne: 7")
    assert (one.flag("a"), one.pair("b", 0, 9), one.words("c"), one.date("d"), one.integer("e", 0, 9)) == (
        True, (1.0, 2.5), {"k": "word"}, "2026-05", 7,
    )  # fmt: skip
    one.finish()
    assert not problems


def test_an_empty_entry_of_a_list_or_mapping_is_told_at_its_line() -> None:
    one, problems = row("a:\n  - {x: y}\n  -\nb:\n  k:\n")
    assert [entry.text("x") for entry in one.rows("a")] == ["y", ""]
    assert [name for name, _ in one.mapping("b")] == ["k"]
    assert [str(problem) for problem in problems] == [
        "own.yaml:3: a mapping belongs here; write 'key: value'",
        "own.yaml:5: a mapping belongs here; write 'key: value'",
    ]


def test_keys_that_nobody_asked_for_are_told_with_the_nearest_or_all() -> None:
    one, problems = row("grade: read\ngrad: x\nzzz: 1")
    one.text("grade")
    one.text("note")
    one.finish()
    assert [str(problem) for problem in problems] == [
        "own.yaml:2: unknown key 'grad'; did you mean 'grade'?",
        "own.yaml:3: unknown key 'zzz'; known here: grade, note",
    ]


@pytest.mark.parametrize("text, default, backing, said", [
    ("{source: a, grade: read}", None, Backing(sources=("a",), grade="read"), []),
    ("{grade: unknown}", None, Backing(), []),
    ("{note: n}", Backing(sources=("a",), where="p. 3", grade="recalled", confidence="high"),
     Backing(sources=("a",), where="p. 3", grade="recalled", confidence="high", note="n"), []),
    # a row's own source does not take over the place in the other one
    ("{source: b}", Backing(sources=("a",), where="p. 3", grade="read"), Backing(sources=("b",), grade="read"), []),
    ("{source: a}", None, Backing(sources=("a",)),
     ["own.yaml:1: a grade is missing; add 'grade: ...', one of read, trial, recalled, practice, our reading, demo, "
      "unknown"]),
    ("{grade: read}", None, Backing(grade="read"),
     ["own.yaml:1: a source is missing; add 'source: ...', a key of sources.yaml"]),
    ("{source: a, grade: reed}", None, Backing(sources=("a",)),
     ["own.yaml:1: 'reed' is no grade; did you mean 'read'?"]),
])  # fmt: skip
def test_source_and_grade(text: str, default: Backing | None, backing: Backing, said: list[str]) -> None:
    one, problems = row(text)
    assert one.backing(default) == backing
    assert [str(problem) for problem in problems] == said


def test_the_first_problem_stops_an_ordinary_run_and_none_does_not() -> None:
    one, problems = row("a: 1\nb: 2")
    problems.raise_first()
    one.text("b")
    one.text("a")
    with pytest.raises(RulebookError, match=r"own\.yaml:2: 'b' has to be text"):
        problems.raise_first()


VALUES = st.none() | st.booleans() | st.integers(-(10**12), 10**12) | st.floats(allow_nan=False, allow_infinity=False)
ANYTHING = st.recursive(
    VALUES | st.text(st.characters(codec="utf-8", categories=("L", "N", "P", "Zs")), max_size=12),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from("abc"), inner, max_size=3),
    max_leaves=6,
)


@settings(max_examples=60, deadline=None)
@given(ANYTHING)
def test_a_value_is_taken_whole_or_told_never_both_and_never_raised(value: Any) -> None:
    """Beside plain Python's idea of a number, a whole number, a rising pair, a flag and text."""
    text = yamlio.dump({"a": value})
    number = isinstance(value, int | float) and not isinstance(value, bool)
    checks: list[tuple[Callable[[Row], Any], bool]] = [
        (lambda one: one.number("a", -10, 10), value is None or (number and -10 <= value <= 10)),
        (lambda one: one.integer("a", -10, 10), value is None or (number and -10 <= value <= 10 and value % 1 == 0)),
        (lambda one: one.flag("a"), value is None or isinstance(value, bool)),
        (lambda one: one.text("a"), value is None or isinstance(value, str)),
        (lambda one: list(one.rows("a")),
         value is None or (isinstance(value, list) and all(isinstance(item, dict) for item in value))),
        (lambda one: list(one.mapping("a")),
         value is None or (isinstance(value, dict) and all(isinstance(item, dict) for item in value.values()))),
    ]  # fmt: skip
    for ask, good in checks:
        one, problems = row(text)
        ask(one)
        assert (not problems) == good


@settings(max_examples=60, deadline=None)
@given(st.fractions(min_value=0, max_value=2, max_denominator=99))
def test_shares_are_read_as_fractions_are_worth(share: Fraction) -> None:
    one, problems = row(f"a: {share.numerator}/{share.denominator}")
    found = one.fraction("a")
    assert found == pytest.approx(float(share))
    assert len(problems) == (0 if 0 < share <= 1 else 1)


class Shelf(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """An invented file of one fixed shape."""

    version: int
    ends: tuple[float, float]
    kind: Literal["open", "closed"] = "open"
    rows: list[dict[str, str]] = []
    most: int | None = None


SOUND = "version: 1\nends: [0, 1.5]\n"


@pytest.mark.parametrize("text, said", [
    (SOUND + "rows:\n  - {a: b}\n  - c: d\n    e: [f]\n", "6: 'e' takes text, not a list; write text, in quotes"),
    (SOUND + "rows:\n  - {a: null}\n", "4: 'a' takes text, not nothing; write text"),
    (SOUND + "rows: {a: b}\n", "3: 'rows' takes a list, not keys with values; write [a, b], or '- ' lines"),
    (SOUND + "rows:\n  - a\n", "4: 'rows' takes keys with values, not the text 'a'; write 'key: value'"),
    (SOUND + "kind: shut\n", "3: 'kind' takes one of open, closed, not the text 'shut'; write one of them"),
    (SOUND + "most: 1.5\n", "3: 'most' takes a whole number, not the value 1.5; write a number such as 2"),
    (SOUND + "row: []\n", "3: unknown key 'row'; did you mean rows?"),
    (SOUND + "zzzz: []\n", "3: unknown key 'zzzz'; its keys are version, ends, kind, rows, most"),
    ("version: 1\nends: [0]\n", "2: 'ends' takes 2 values, 1 are given; write as many as it takes"),
    ("version: 1\nends: [0, x]\n", "2: 'ends' takes a number, not the text 'x'; write a number such as 2.5"),
    ("# a shelf\nversion: 1\n", "2: 'the file' lacks 'ends'; add ends: ..."),
    ("- version\n", "1: 'the file' takes keys with values, not a list; write 'key: value'"),
])  # fmt: skip
def test_a_file_of_one_fixed_shape_is_refused_at_the_line_of_the_first_misfit(text: str, said: str) -> None:
    with pytest.raises(RulebookError) as error:
        typed(yamlio.read(text, name="shelf.yaml"), Shelf)
    assert str(error.value).startswith(f"shelf.yaml:{said}")


def test_a_file_of_one_fixed_shape_is_read() -> None:
    assert typed(yamlio.read(SOUND), Shelf) == Shelf(version=1, ends=(0.0, 1.5))
