"""The strict YAML reader: what it accepts, and what it refuses with line and cure.

Scalars are held against the YAML 1.2.2 core schema (section 10.3.2, and its tables of examples), less octal
and hexadecimal numbers; ordinary documents against PyYAML's own safe loader.
"""

from __future__ import annotations

import contextlib
import math
import os
import random
import threading
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from planner import yamlio
from planner.errors import InputError

TEXT = st.text(
    alphabet=st.characters(codec="utf-8", exclude_categories=("Cs", "Cc", "Cn")), max_size=20
) | st.sampled_from(
    ["yes", "no", "010", "1e3", "0x1F", "11", "1.10", "10:30", "2026-05-12", "null", "~", "<<", "*a", "&a",
    "!x", "a: b",
     "- a", " a", "a ", "#", "a #b", "'", '"', "\n", "a\nb\n", "true", ".inf", ".nan", "10.5.1", "1/3",
     "%a", "@", "`"]
)  # fmt: skip
SCALAR = (
    st.none()
    | st.booleans()
    | st.integers(min_value=-(10**17), max_value=10**17)
    | st.floats(allow_nan=False, allow_infinity=False)
    | TEXT
)
KEY = TEXT.filter(bool)
DATA = st.recursive(
    SCALAR, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(KEY, inner, max_size=4), max_leaves=20
)


def read(text: str | bytes) -> Any:
    return yamlio.read(text, name="f.yaml").data


# YAML 1.2.2, 10.3.2 core schema: null, booleans, integers and floats of its tables; octal and
# hexadecimal stay text here
@pytest.mark.parametrize(
    ("written", "value"),
    [
        ("null", None), ("Null", None), ("NULL", None), ("~", None), ("", None),
        ("true", True), ("True", True), ("TRUE", True), ("false", False), ("False", False), ("FALSE", False),
        ("0", 0), ("-19", -19), ("+12", 12), ("3", 3), ("0.", 0.0), ("-0.0", -0.0), (".5", 0.5), ("+12e03",
        12000.0),
        ("-2E+05", -200000.0), ("1.5", 1.5),
        # YAML 1.1 would read these as booleans, octal, sexagesimal, dates or numbers with separators
        ("yes", "yes"), ("No", "No"), ("on", "on"), ("OFF", "OFF"), ("y", "y"),
        ("010", "010"), ("0o7", "0o7"), ("0x3A", "0x3A"), ("10:30", "10:30"), ("190:20:30", "190:20:30"),
        ("1_000", "1_000"), ("0b11", "0b11"), ("2026-05-12", "2026-05-12"), ("2026-05-12 10:00:00",
        "2026-05-12 10:00:00"),
        ("10.5.1", "10.5.1"), ("11A", "11A"), ("R1", "R1"), ("0.75 L/ha", "0.75 L/ha"), ("M03", "M03"),
        ("'11'", "11"), ('"true"', "true"), ("1/3", "1/3"),
    ],
)  # fmt: skip
def test_scalars(written: str, value: Any) -> None:
    found = read(f"key: {written}")["key"]
    assert found == value and type(found) is type(value)


REFUSED = [
    ("a: 1\nb: 2\na: 3", 3, "given twice", "keep one"),
    ("a:\n  x: 1\n  x: 2", 3, "given twice", "keep one"),
    ("a: &x 1", 1, "anchor", "write the value out"),
    ("a: 1\nb: *x", 2, "alias", "write the value out"),
    ("a: !!str 1", 1, "tag (!!str)", "remove it"),
    ("a: !own 1", 1, "tag (!own)", "remove it"),
    ("!!python/object/apply:os.system ['true']", 1, "tag", "remove it"),
    ("<<: {a: 1}", 1, "merge key", "write the keys out"),
    ("a: 1\n---\nb: 2", 2, "second document", "one document"),
    ("%TAG ! tag:x,2000:\n---\na: 1", 1, "%TAG", "remove"),
    ("? [a, b]\n: c", 1, "where a key belongs", "key: value"),
    ("a: 1\n'': 2", 2, "without a key", "key: value"),
    (": c", 1, "wrong here", "keys of one block"),
    ("", 0, "empty", ""),
    ("# only a comment\n", 0, "empty", ""),
    ("a: .nan", 1, "not a finite number", "write a number"),
    ("a: -.inf", 1, "not a finite number", "write a number"),
    ("a: 1e999", 1, "not a finite number", "write a number"),
    ("a: " + "9" * 5000, 1, "too many digits", "quotes"),
    ("a: " + "[" * 45 + "]" * 45, 1, "deep", "flatter"),
    ("[" * 100_000, 1, "deep", "flatter"),
    ("{a: " * 60, 1, "deep", "flatter"),
    ("a:\n\t- b", 2, "cannot stand here", "spaces, not tabs"),
    ("a: b: c", 1, "second ': '", "quotes"),
    ("a: [1, 2", 1, "'['", "']'"),
    ("a: {b: 1", 1, "'{'", "'}'"),
    ("a: 'x", 1, "quoted text is not closed", "same quote"),
    ("a: 1\nb", 2, "without ':'", "colon"),
    ("a: x\x07y", 1, "control character", "UTF-8"),
    ("a: @x", 1, "cannot stand here", "quotes"),
]


@pytest.mark.parametrize(("text", "line", "problem", "cure"), REFUSED, ids=range(len(REFUSED)))
def test_refused(text: str, line: int, problem: str, cure: str) -> None:
    with pytest.raises(InputError) as error:
        read(text)
    place = str(error.value.place)
    assert place.startswith("f.yaml")
    if line:
        assert place == f"f.yaml:{line}"
    assert problem in error.value.problem
    assert cure in error.value.cure
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        (b"\x89PNG\r\n\x1a\n\0\0\0", "not a text file"),
        (b"a: \0", "not a text file"),
        ("a: 1".encode("utf-16"), "UTF-16"),
        (b"a: 1\nb: caf\xe9", "not UTF-8"),
        (b"x" * (yamlio.MAX_BYTES + 1), "larger than 5 MB"),
    ],
    ids=["png", "nul", "utf-16", "latin-1", "large"],
)
def test_bytes_refused(content: bytes, problem: str, tmp_path: Path) -> None:
    path = tmp_path / "f.yaml"
    path.write_bytes(content)
    with pytest.raises(InputError, match=problem) as error:
        yamlio.read(path)
    assert str(path) in str(error.value)
    if problem == "not UTF-8":
        assert f"{path}:2" in str(error.value)


def test_unreadable_files(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        yamlio.read(tmp_path / "missing.yaml")
    with pytest.raises(InputError, match="folder"):
        yamlio.read(tmp_path)


def test_endless_file_is_not_read_to_the_end() -> None:
    endless = Path("/dev/zero")
    if not endless.exists():
        pytest.skip("no endless file on this system")
    with pytest.raises(InputError, match="larger"):
        yamlio.read(endless)


def test_alias_bomb_is_stopped_at_its_first_anchor() -> None:
    """The 'billion laughs' document (CWE-776) grows to 10^9 entries where aliases are followed."""
    levels = ["a: &a [lol, lol, lol]"]
    levels += [f"{chr(98 + n)}: &{chr(98 + n)} [{', '.join([f'*{chr(97 + n)}'] * 9)}]" for n in range(9)]
    with pytest.raises(InputError, match="anchor"):
        read("\n".join(levels))


def test_byte_order_mark_is_accepted() -> None:
    assert read(b"\xef\xbb\xbfa: 1") == {"a": 1}
    assert read("\ufeffa: 1") == {"a": 1}


def test_lines_and_source_text() -> None:
    document = yamlio.read(
        "field: 1\npasses:\n  - stage: R1\n    tank:\n      - {group: 011, rate: '1.10'}\n", name="p.yaml"
    )
    assert document.line(("passes", 0, "tank")) == 4
    assert document.line(("passes", 0, "tank", 0, "rate")) == 5
    assert document.line(("passes", 7, "tank")) == 2  # of the nearest parent
    assert document.line(()) == 1
    assert document.scalar_text(("passes", 0, "tank", 0, "group")) == "011"
    assert document.scalar_text(("passes", 0, "tank", 0, "rate")) == "1.10"
    assert document.quoted(("passes", 0, "tank", 0, "rate")) and not document.quoted(("field",))
    assert document.scalar_text(("passes",)) is None
    assert str(document.place(("passes", 0, "stage"))) == "p.yaml:3"
    assert str(document.error(("field",), "wrong", "right")) == "p.yaml:1: wrong; right"


@settings(max_examples=300, deadline=None)
@given(data=st.dictionaries(KEY, DATA, min_size=1, max_size=5), seed=st.integers(0, 2**32))
def test_lines_and_source_text_are_those_of_the_composed_nodes(data: Any, seed: int) -> None:
    """PyYAML's own composer keeps each node with its mark, text and style: flow, block and comments in between."""
    drawn = random.Random(seed)
    text = yaml.dump(
        data, Dumper=yamlio._Dumper, allow_unicode=True, width=drawn.choice((20, 80)),
        default_flow_style=drawn.choice((True, False, None)), explicit_start=drawn.random() < 0.5,
    )  # fmt: skip
    text = "# invented\n" * drawn.randrange(3) + text
    document = yamlio.read(text, name="f.yaml")

    def compare(node: yaml.Node, path: tuple[str | int, ...]) -> None:
        if isinstance(node, yaml.MappingNode):
            for key, value in node.value:
                assert document.line((*path, key.value)) == key.start_mark.line + 1
                compare(value, (*path, key.value))
        elif isinstance(node, yaml.SequenceNode):
            for at, value in enumerate(node.value):
                assert document.line((*path, at)) == value.start_mark.line + 1
                compare(value, (*path, at))
        listed = range(len(node.value)) if isinstance(node, yaml.SequenceNode) else ()
        assert document.places(path) == [document.place((*path, at)) for at in listed]
        scalar = isinstance(node, yaml.ScalarNode)
        assert document.scalar_text(path) == (node.value if scalar else None)
        assert document.quoted(path) == (scalar and bool(node.style))
        for step in ("no such key \0", 99, -1):
            assert document.line((*path, step)) == document.line((*path, step, "below")) == document.line(path)
            assert document.scalar_text((*path, step)) is None and not document.quoted((*path, step))
            assert document.places((*path, step)) == []

    root = yaml.compose(text, Loader=yaml.SafeLoader)
    assert document.line() == root.start_mark.line + 1
    compare(root, ())


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes on this system")
@pytest.mark.parametrize("size", [0, 10, 100_000, yamlio.MAX_BYTES, yamlio.MAX_BYTES + 1])
def test_a_pipe_that_tells_no_size_is_read_whole(size: int, tmp_path: Path) -> None:
    pipe, content = tmp_path / "pipe.yaml", b"abcdefghi\n" * (size // 10) + b"x" * (size % 10)
    os.mkfifo(pipe)

    def fill() -> None:
        with contextlib.suppress(BrokenPipeError), open(pipe, "wb") as file:
            file.write(content)

    writer = threading.Thread(target=fill)
    writer.start()
    try:
        if size > yamlio.MAX_BYTES:
            with pytest.raises(InputError, match="larger than 5 MB"):
                yamlio.read_bytes(pipe)
        else:
            assert yamlio.read_bytes(pipe) == content
    finally:
        writer.join()


@pytest.mark.parametrize("size", [0, 1, 16_384, 70_000])
def test_a_file_is_read_whole(size: int, tmp_path: Path) -> None:
    (tmp_path / "f.yaml").write_bytes(b"x" * size)
    assert yamlio.read_bytes(tmp_path / "f.yaml") == b"x" * size
    assert yamlio.read_bytes(str(tmp_path / "f.yaml"), limit=size) == b"x" * size
    if size:
        with pytest.raises(InputError, match="larger than 0 MB"):
            yamlio.read_bytes(tmp_path / "f.yaml", limit=size - 1)


def test_number_as_a_code_can_be_told_from_its_text() -> None:
    document = yamlio.read("group: 11\nother: '11'\nfeekes: 10.10")
    assert document.data["group"] == 11 and document.scalar_text(("group",)) == "11"
    assert document.data["other"] == "11"
    assert document.scalar_text(("feekes",)) == "10.10"  # a float would have lost the zero


def test_keys_become_text() -> None:
    assert read("2026: a\n1.5: b\ntrue: c\nnull: d") == {"2026": "a", "1.5": "b", "true": "c", "null": "d"}


@pytest.mark.parametrize("loader", ["c", "python"])
def test_both_parsers_say_the_same(loader: str, monkeypatch: pytest.MonkeyPatch) -> None:
    if loader == "python":
        monkeypatch.setattr(yamlio, "_LOADER", yaml.SafeLoader)
    assert read("a: [1, {b: 'x'}]\nc: |\n  two\n  lines\n") == {"a": [1, {"b": "x"}], "c": "two\nlines\n"}
    for text, _line, _problem, _cure in REFUSED:
        if len(text) < 10_000:
            with pytest.raises(InputError):
                read(text)


@settings(max_examples=400, deadline=None)
@given(data=st.dictionaries(KEY, DATA, min_size=1, max_size=5))
def test_round_trip(data: Any) -> None:
    written = yamlio.dump(data)
    assert read(written) == data


@settings(max_examples=200, deadline=None)
@given(
    data=st.dictionaries(
        st.from_regex(r"[a-z_]{1,12}", fullmatch=True),
        st.lists(st.integers(-999, 999) | st.booleans(), max_size=3) | st.integers(-999, 999),
        min_size=1,
    )
)
def test_agrees_with_the_plain_safe_loader_where_both_versions_mean_the_same(data: Any) -> None:
    data = {key: value for key, value in data.items() if yaml.safe_load(key) == key}
    if data:
        text = yaml.safe_dump(data)
        assert read(text) == yaml.safe_load(text)


@settings(max_examples=400, deadline=None)
@given(text=st.text(max_size=80) | st.text(alphabet="ab:-[]{}&*!|>'\"#%@` \n\t,?0.~<", max_size=60))
def test_any_text_is_read_or_refused_in_one_line(text: str) -> None:
    try:
        found = yamlio.read(text, name="f.yaml").data
    except InputError as error:
        assert "\n" not in str(error) and str(error).startswith("f.yaml")
        return
    stack = [found]
    while stack:
        value = stack.pop()
        if isinstance(value, dict):
            assert all(isinstance(key, str) for key in value)
            stack += value.values()
        elif isinstance(value, list):
            stack += value
        else:
            assert value is None or type(value) in (str, int, float, bool)
            assert not isinstance(value, float) or math.isfinite(value)
