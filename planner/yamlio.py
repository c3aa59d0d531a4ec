"""The one strict YAML reader: catalogue, rules and user documents all come in through here.

YAML lets a careless file mean something else than it says: ``no`` becomes false, ``010`` becomes 8, ``10:30``
becomes 630, a repeated key silently wins, and nine lines of aliases grow to gigabytes. So this reader takes a
small part of the language and refuses the rest with the line and the cure. Scalars follow the YAML 1.2 core
schema less octal and hexadecimal numbers (YAML 1.2.2, section 10.3.2): only ``true`` and ``false`` are
booleans, dates stay text.

It works on the event stream, not on nodes: an alias or an over-deep document stops the reading at once.
"""

from __future__ import annotations

import math
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import yaml

from planner.errors import InputError
from planner.model import Place

MAX_BYTES = 5_000_000
MAX_DEPTH = 40
MAX_VALUES = 200_000  # keys and values of one document; some 12 microseconds and 300 bytes each
MAX_DIGITS = 18  # more digits than any amount, price or date has; keeps integers inside 64 bits

_LOADER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_DUMPER: Any = getattr(yaml, "CSafeDumper", yaml.SafeDumper)

# everything outside the printable characters of YAML 1.2.2, section 5.1
_UNPRINTABLE = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_INTEGER = re.compile(r"[-+]?(?:0|[1-9][0-9]*)\Z")
_FLOAT = re.compile(r"[-+]?(?:\.[0-9]+|(?:0|[1-9][0-9]*)(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?\Z")
_NOT_FINITE = re.compile(r"(?:[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN))\Z")
_NULL = frozenset(("", "~", "null", "Null", "NULL"))
_BOOLEAN = {"true": True, "True": True, "TRUE": True, "false": False, "False": False, "FALSE": False}

# What libyaml and PyYAML say, and what the reader of the message can do about it.
_KEYS = "line the keys of one block up under each other"
_BRACE = ("a '{' is not closed or a comma is missing", "close it with '}' and put commas between the entries")
_SQUARE = (
    "a '[' is not closed or a comma is missing",
    "close it with ']' and put commas between the entries",
)
_QUOTE = "close it with the same quote that opens it"
_DASHES = "line the '- ' of one list up under each other"
_CURES: tuple[tuple[str, str, str], ...] = (
    (
        "cannot start any token",
        "a character cannot stand here",
        "indent with spaces, not tabs, and put quotes around text that begins with % @ or `",
    ),
    (
        "mapping values are not allowed",
        "a second ': ' stands in this line, or the indentation is wrong",
        "put quotes around text that holds ': '",
    ),
    (
        "could not find expected ':'",
        "a key without ':'",
        "write 'key: value', with a space after the colon",
    ),
    (
        "maximum nesting depth",
        f"lists and mappings lie more than {MAX_DEPTH} deep in each other",
        "make it flatter",
    ),
    ("did not find expected key", "the indentation or a bracket is wrong here", _KEYS),
    ("block mapping", "the indentation is wrong here", _KEYS),
    ("block collection", "the indentation is wrong here", _DASHES),
    ("did not find expected '-' indicator", "an entry of this list does not begin with '- '", _DASHES),
    ("flow mapping", *_BRACE),
    ("flow sequence", *_SQUARE),
    ("did not find expected ',' or '}'", *_BRACE),
    ("did not find expected ',' or ']'", *_SQUARE),
    ("unexpected end of stream", "a quoted text is not closed", _QUOTE),
    ("quoted scalar", "a quoted text is not closed or holds a wrong escape", _QUOTE),
    (
        "undefined alias",
        "an alias (*) stands here",
        "write the value out, or put quotes around text that begins with *",
    ),
    (
        "block sequence entries",
        "a list begins in the middle of a line",
        "begin it on the next line, or write [a, b]",
    ),
)

# an unclosed bracket or quote is noticed at the end of the file, and sits where it was opened
_WHERE_IT_BEGAN = frozenset(
    (
        "could not find expected ':'",
        "flow mapping",
        "flow sequence",
        "did not find expected ',' or '}'",
        "did not find expected ',' or ']'",
        "unexpected end of stream",
        "quoted scalar",
    )
)


class Document:
    """One document that was read: plain ``data``, with the line and source text of every key and value.

    ``data`` holds dict (text keys), list, str, int, float, bool and None only. A path is a tuple of keys and
    list indexes, for example ``("passes", 0, "tank")``; the empty path is the whole document.
    """

    __slots__ = ("_lines", "_scalars", "data", "name")

    def __init__(
        self,
        name: str,
        data: Any,
        lines: dict[tuple[str | int, ...], int],
        scalars: dict[tuple[str | int, ...], tuple[str, bool]],
    ) -> None:
        self.name = name
        self.data = data
        self._lines = lines
        self._scalars = scalars

    def line(self, path: tuple[str | int, ...] = ()) -> int:
        """1-based line of the key or entry at ``path``; of its nearest parent where it does not exist."""
        while path and path not in self._lines:
            path = path[:-1]
        return self._lines.get(path, 1)

    def place(self, path: tuple[str | int, ...] = ()) -> Place:
        """File and line of ``path``, ready for an error or a model value."""
        return Place(file=self.name, line=self.line(path))

    def scalar_text(self, path: tuple[str | int, ...]) -> str | None:
        """Source text of the scalar at ``path`` (``1.10`` stays ``1.10``); None where no scalar stands."""
        found = self._scalars.get(path)
        return found[0] if found else None

    def quoted(self, path: tuple[str | int, ...]) -> bool:
        """Whether the scalar at ``path`` was written in quotes or as a block."""
        found = self._scalars.get(path)
        return bool(found and found[1])

    def error(self, path: tuple[str | int, ...], problem: str, cure: str = "") -> InputError:
        """An error that points at ``path``; raise it."""
        return InputError(self.place(path), problem, cure)


def read(source: os.PathLike[str] | str | bytes, *, name: str = "") -> Document:
    """Read one YAML document strictly.

    Args:
        source: a path object is opened; text or bytes are the document itself.
        name: what messages call the document; the path where it is left out.

    Raises:
        InputError: the file cannot be read, is empty, binary, too large or too deep, or uses a part of YAML
            that is refused (duplicate keys, anchors, aliases, merge keys, tags, several documents, NaN,
            infinity).
    """
    if isinstance(source, os.PathLike):
        name = name or str(source)
        source = read_bytes(Path(source), name=name)
    name = name or "text"
    text = source.removeprefix("\ufeff") if isinstance(source, str) else decode(source, name=name)
    _check_text(text, name)
    try:
        return _build(text, name)
    except yaml.YAMLError as error:
        raise _translate(error, name) from None


def read_bytes(path: Path, *, name: str = "", limit: int = MAX_BYTES) -> bytes:
    """Content of a file of at most ``limit`` bytes.

    Raises:
        InputError: there is no such file, it cannot be read, or it is larger.
    """
    name = name or str(path)
    try:
        with path.open("rb") as file:
            content = file.read(limit + 1)
    except FileNotFoundError:
        raise InputError(name, "there is no such file", "check the name and the folder") from None
    except IsADirectoryError:
        raise InputError(name, "this is a folder, not a file", "name a file in it") from None
    except OSError as error:
        raise InputError(
            name, f"the file cannot be read ({error.strerror})", "check its permissions"
        ) from None
    if len(content) > limit:
        raise _too_large(name, limit)
    return content


def decode(content: bytes, *, name: str) -> str:
    """Text of UTF-8 bytes; a byte order mark is accepted.

    Raises:
        InputError: the bytes are not text in UTF-8; the line of the first wrong byte is given.
    """
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InputError(name, "the file is text in UTF-16", "save it as UTF-8")
    if b"\0" in content:
        line = content.count(b"\n", 0, content.index(b"\0")) + 1
        raise InputError(Place(file=name, line=line), "this is not a text file", "give a text file in UTF-8")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise InputError(
            Place(file=name, line=line), "the text is not UTF-8", "save the file as UTF-8"
        ) from None


def dump(data: Any, *, width: int = 110) -> str:
    """YAML text that ``read`` turns back into equal data; text that looks like a number is quoted."""
    return str(yaml.dump(data, Dumper=_Dumper, sort_keys=False, allow_unicode=True, width=width))


def _too_large(name: str, limit: int) -> InputError:
    return InputError(name, f"the file is larger than {limit // 1_000_000} MB", "split it into smaller files")


def _check_text(text: str, name: str) -> None:
    if len(text) > MAX_BYTES:
        raise _too_large(name, MAX_BYTES)
    try:
        size = len(text.encode("utf-8"))
    except UnicodeEncodeError as error:
        line = text.count("\n", 0, error.start) + 1
        raise InputError(
            Place(file=name, line=line), "the text is not UTF-8", "save the file as UTF-8"
        ) from None
    if size > MAX_BYTES:
        raise _too_large(name, MAX_BYTES)
    found = _UNPRINTABLE.search(text)
    if found:
        line = text.count("\n", 0, found.start()) + 1
        problem = f"a control character (U+{ord(found.group()):04X}) stands in the text"
        raise InputError(
            Place(file=name, line=line), problem, "remove it, and save the file as plain UTF-8 text"
        )


def _translate(error: yaml.YAMLError, name: str) -> InputError:
    mark = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
    said = " ".join(str(getattr(error, part, "") or "") for part in ("problem", "context", "reason")).strip()
    found = next((cure for cure in _CURES if cure[0] in said), None)
    if found is not None and found[0] in _WHERE_IT_BEGAN:
        mark = getattr(error, "context_mark", None) or mark
    place = Place(file=name, line=mark.line + 1 if mark else 0)
    if found is not None:
        return InputError(place, found[1], found[2])
    return InputError(
        place, f"this is not YAML ({said or 'unreadable'})", "compare the line with the example in the README"
    )


class _Frame:
    """An open mapping or list while its events come in."""

    __slots__ = ("key", "keys", "path", "value")

    def __init__(self, value: dict[str, Any] | list[Any], path: tuple[str | int, ...]) -> None:
        self.value = value
        self.path = path
        self.key: str | None = None  # a key that waits for its value
        self.keys: dict[str, int] = {}


def _build(text: str, name: str) -> Document:
    lines: dict[tuple[str | int, ...], int] = {}
    scalars: dict[tuple[str | int, ...], tuple[str, bool]] = {}
    stack: list[_Frame] = []
    root: list[Any] = []
    documents = values = 0

    def fail(line: int, problem: str, cure: str) -> InputError:
        return InputError(Place(file=name, line=line), problem, cure)

    events: Iterator[Any] = yaml.parse(text, Loader=_LOADER)
    event: Any
    for event in events:
        line = event.start_mark.line + 1
        if isinstance(event, yaml.DocumentStartEvent):
            documents += 1
            if documents > 1:
                raise fail(
                    line,
                    "a second document begins here",
                    "keep one document in a file, without '---' between parts",
                )
            if event.tags:
                raise fail(line, "a %TAG directive stands here", "remove it")
            continue
        if isinstance(event, (yaml.MappingEndEvent, yaml.SequenceEndEvent)):
            stack.pop()
            continue
        if isinstance(event, yaml.AliasEvent):
            raise fail(line, f"an alias (*{event.anchor}) stands here", "write the value out")
        if isinstance(event, (yaml.StreamStartEvent, yaml.StreamEndEvent, yaml.DocumentEndEvent)):
            continue
        if event.anchor is not None:
            raise fail(
                line, f"an anchor (&{event.anchor}) stands here", "write the value out where it is needed"
            )
        scalar = not isinstance(event, yaml.CollectionStartEvent)
        if event.tag is not None:
            raise fail(
                line, f"a tag ({_short_tag(event.tag)}) stands here", "remove it; put quotes around text"
            )
        frame = stack[-1] if stack else None
        values += 1
        if values > MAX_VALUES:
            raise fail(line, f"more than {MAX_VALUES} keys and values stand in one file", "split it into smaller files")

        # a key of the open mapping
        if frame is not None and isinstance(frame.value, dict) and frame.key is None:
            if not scalar:
                raise fail(line, "a list or mapping stands where a key belongs", "write 'key: value'")
            key = event.value
            if not event.style and key == "<<":
                raise fail(line, "a merge key (<<) stands here", "write the keys out")
            if key == "":
                raise fail(line, "a value without a key", "write 'key: value'")
            if key in frame.keys:
                raise fail(
                    line, f"'{key}' is given twice, first in line {frame.keys[key]}", "keep one of the two"
                )
            frame.keys[key] = line
            frame.key = key
            lines[(*frame.path, key)] = line
            continue

        # a value: of a key, of a list, or the document itself
        if frame is None:
            path: tuple[str | int, ...] = ()
        elif isinstance(frame.value, dict):
            path = (*frame.path, str(frame.key))
        else:
            path = (*frame.path, len(frame.value))
            lines[path] = line
        if scalar:
            value = _scalar(event, fail, line)
            scalars[path] = (event.value, bool(event.style))
        else:
            value = {} if isinstance(event, yaml.MappingStartEvent) else []
        if frame is None:
            lines[()] = line
            root.append(value)
        elif isinstance(frame.value, dict):
            frame.value[str(frame.key)] = value
            frame.key = None
        else:
            frame.value.append(value)
        if not scalar:
            if len(stack) >= MAX_DEPTH:
                raise fail(
                    line,
                    f"lists and mappings lie more than {MAX_DEPTH} deep in each other",
                    "make it flatter",
                )
            stack.append(_Frame(value, path))
    if not root:
        raise InputError(name, "the file is empty", "compare with the examples that the README names")
    return Document(name, root[0], lines, scalars)


def _short_tag(tag: str) -> str:
    return tag.replace("tag:yaml.org,2002:", "!!")


def _scalar(event: Any, fail: Any, line: int) -> Any:
    text: str = event.value
    if event.style:  # None or '' is plain
        return text
    value = resolve(text)
    if isinstance(value, float) and not math.isfinite(value):
        raise fail(line, f"'{text}' is not a finite number", "write a number, or leave the key out")
    if isinstance(value, int) and len(text) > MAX_DIGITS + 1:
        raise fail(
            line,
            f"the number {text[:12]}... has too many digits",
            "write a smaller number, or put quotes around text",
        )
    return value


def resolve(text: str) -> Any:
    """Value of an unquoted scalar: None, bool, int, float (also NaN, which ``read`` refuses) or text."""
    if text in _NULL:
        return None
    if text in _BOOLEAN:
        return _BOOLEAN[text]
    first = text[0]
    if not (first.isdigit() or first in "+-."):
        return text
    if _INTEGER.match(text):
        return int(text[: MAX_DIGITS + 2])
    if _FLOAT.match(text):
        return float(text)
    return math.nan if _NOT_FINITE.match(text) else text


class _Dumper(_DUMPER):  # type: ignore[misc]
    """Writes what ``read`` reads back: no aliases, quotes where plain text would become something else."""

    def ignore_aliases(self, data: Any) -> bool:
        return True


def _represent_text(dumper: Any, text: str) -> Any:
    style = None if isinstance(resolve(text), str) and text != "<<" else "'"
    return dumper.represent_scalar("tag:yaml.org,2002:str", text, style=style)


_Dumper.add_representer(str, _represent_text)
