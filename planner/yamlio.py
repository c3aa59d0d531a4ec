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
from collections.abc import Callable
from typing import Any

import msgspec
import yaml
from yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
    StreamEndEvent,
)

from planner.errors import InputError
from planner.model import Place

MAX_BYTES = 5_000_000
MAX_DEPTH = 40
MAX_VALUES = 200_000  # keys and values of one document; some 12 microseconds and 300 bytes each
_BLOCK = 16_384  # bytes asked for at once where a file does not tell its size
MAX_DIGITS = 18  # more digits than any amount, price or date has; keeps integers inside 64 bits

_LOADER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_DUMPER: Any = getattr(yaml, "CSafeDumper", yaml.SafeDumper)

# everything outside the printable characters of YAML 1.2.2, section 5.1
_UNPRINTABLE = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_INTEGER = re.compile(r"[-+]?(?:0|[1-9][0-9]*)\Z")
_FLOAT = re.compile(r"[-+]?(?:\.[0-9]+|(?:0|[1-9][0-9]*)(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?\Z")
_INFINITE = [sign + word for sign in ("", "-", "+") for word in (".inf", ".Inf", ".INF")]
_WORDS: dict[str, Any] = {
    **dict.fromkeys(("", "~", "null", "Null", "NULL"), None),
    **dict.fromkeys(("true", "True", "TRUE"), True),
    **dict.fromkeys(("false", "False", "FALSE"), False),
    **dict.fromkeys((*_INFINITE, ".nan", ".NaN", ".NAN"), math.nan),
}
_NUMBER_BEGINS = frozenset("+-.0123456789")
_NUMBER_ENDS = frozenset(".0123456789")
_ASCII = bytes((0x09, 0x0A, 0x0D, *range(0x20, 0x7F)))  # the printable characters of YAML 1.2.2 that are one byte

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


class _Entries(msgspec.Struct):
    """The entries of one mapping or list: their lines, and the source text of those whose value does not tell it."""

    values: Any  # dict or list
    lines: Any  # by key, or by index
    below: dict[str | int, _Entries] | None = None  # of the entries that are mappings or lists
    texts: dict[str | int, tuple[str, bool]] | None = None

    def scalar(self, step: str | int) -> tuple[str, bool] | None:
        """Source text of one entry and whether it is quoted; None where no scalar stands."""
        if self.texts and step in self.texts:
            return self.texts[step]
        if isinstance(self.values, dict):
            value = self.values.get(step)
        else:
            value = self.values[step] if isinstance(step, int) and 0 <= step < len(self.values) else None
        return (value, False) if isinstance(value, str) else None

    def keep(self, step: str | int, text: str, quoted: bool) -> None:
        """Keep the source text of one entry."""
        if self.texts is None:
            self.texts = {}
        self.texts[step] = (text, quoted)

    def open(self, step: str | int, inner: _Entries) -> None:
        """One entry is a mapping or list."""
        if self.below is None:
            self.below = {step: inner}
        else:
            self.below[step] = inner


class Document:
    """One document that was read: plain ``data``, with the line and source text of every key and value.

    ``data`` holds dict (text keys), list, str, int, float, bool and None only. A path is a tuple of keys and
    list indexes, for example ``("passes", 0, "tank")``; the empty path is the whole document.
    """

    __slots__ = ("_entries", "_line", "_text", "data", "name")

    def __init__(
        self, name: str, data: Any, line: int, entries: _Entries | None, text: tuple[str, bool] | None
    ) -> None:
        self.name = name
        self.data = data
        self._line = line  # of the document itself
        self._entries = entries  # None where the document is one scalar, which is ``text``
        self._text = text

    def line(self, path: tuple[str | int, ...] = ()) -> int:
        """1-based line of the key or entry at ``path``; of its nearest parent where it does not exist."""
        line, entries = self._line, self._entries
        for step in path:
            if entries is None:
                break
            lines, below = entries.lines, entries.below
            if type(lines) is dict:
                line = lines.get(step, line)
            elif type(step) is int and 0 <= step < len(lines):
                line = lines[step]
            entries = below.get(step) if below is not None else None
        return line

    def place(self, path: tuple[str | int, ...] = ()) -> Place:
        """File and line of ``path``, ready for an error or a model value."""
        return Place(file=self.name, line=self.line(path))

    def places(self, path: tuple[str | int, ...]) -> list[Place]:
        """Place of each entry of the list at ``path``, in order; none where no list stands."""
        entries = self._entries
        for step in path:
            entries = entries.below.get(step) if entries is not None and entries.below is not None else None
        lines = entries.lines if entries is not None else ()
        return [Place(file=self.name, line=line) for line in lines] if isinstance(lines, list) else []

    def scalar_text(self, path: tuple[str | int, ...]) -> str | None:
        """Source text of the scalar at ``path`` (``1.10`` stays ``1.10``); None where no scalar stands."""
        found = self._scalar(path)
        return found[0] if found else None

    def quoted(self, path: tuple[str | int, ...]) -> bool:
        """Whether the scalar at ``path`` was written in quotes or as a block."""
        found = self._scalar(path)
        return bool(found and found[1])

    def _scalar(self, path: tuple[str | int, ...]) -> tuple[str, bool] | None:
        if not path:
            return self._text
        entries = self._entries
        for step in path[:-1]:
            entries = entries.below.get(step) if entries is not None and entries.below is not None else None
        return entries.scalar(path[-1]) if entries is not None else None

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
        source = read_bytes(source, name=name)
    name = name or "text"
    if isinstance(source, bytes) and len(source) <= MAX_BYTES and not source.translate(None, _ASCII):
        text = source.decode("ascii")  # as most files are: nothing in them can be wrong as text
    else:
        text = source.removeprefix("\ufeff") if isinstance(source, str) else decode(source, name=name)
        _check_text(text, name)
    try:
        return _build(text, name)
    except yaml.YAMLError as error:
        raise _translate(error, name) from None


def read_bytes(path: os.PathLike[str] | str, *, name: str = "", limit: int = MAX_BYTES) -> bytes:
    """Content of a file of at most ``limit`` bytes.

    Raises:
        InputError: there is no such file, it cannot be read, or it is larger.
    """
    name = name or str(path)
    try:
        with open(path, "rb", buffering=0) as file:
            # a file tells its size, and then one reading gives all of it; a pipe or a device may not
            content = file.read(min(os.fstat(file.fileno()).st_size, limit) + 1)
            while len(content) <= limit and (more := file.read(_BLOCK)):
                content += more
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


def _build(text: str, name: str) -> Document:
    parser = _LOADER(text)
    # no anchor or tag does without these characters, and no two values with less than one
    watched = "&" in text or "!" in text or 2 * len(text) >= MAX_VALUES
    try:
        return _document(parser.get_event, name, watched)
    finally:
        parser.dispose()


def _document(get: Callable[[], Any], name: str, watched: bool) -> Document:
    """The document that the parser's events tell. A batch spends much of its time here: one loop and few calls.

    Args:
        watched: whether an anchor, a tag or too many values may come at all.
    """

    def fail(event: Any, problem: str, cure: str) -> InputError:
        return InputError(Place(file=name, line=event.start_mark.line + 1), problem, cure)

    documents = 0
    left = MAX_VALUES
    root: Document | None = None
    # the open mapping or list (none before the document begins), and those around it
    entries: _Entries | None = None
    mapping: dict[str, Any] | None = None  # the mapping, where one is open
    sequence: Any = None  # the list, where one is open
    key: str | None = None  # a key of the mapping that waits for its value
    lines: Any = None  # of the entries
    around: list[tuple[_Entries | None, dict[str, Any] | None, Any, Any]] = []
    value: Any
    inside: Any
    while True:
        event = get()
        kind = type(event)
        if kind is ScalarEvent:
            if watched:
                left -= 1
                if left < 0 or event.anchor is not None or event.tag is not None:
                    raise _unwanted(event, fail)
            text = value = event.value
            if mapping is not None and key is None:
                if text in lines or text == "" or text == "<<":
                    _check_key(event, lines, fail)
                lines[text] = event.start_mark.line + 1
                key = text
                continue
            quoted = bool(event.style)  # None or '' is plain
            if not quoted and (text in _WORDS or (text[-1] in _NUMBER_ENDS and text[0] in _NUMBER_BEGINS)):
                value = _plain(text, event, fail)
            if entries is None:
                root = Document(name, value, event.start_mark.line + 1, None, (text, quoted))
            elif mapping is not None:
                if quoted or value is not text:
                    entries.keep(key, text, quoted)  # type: ignore[arg-type]
                mapping[key] = value  # type: ignore[index]
                key = None
            else:
                if quoted or value is not text:
                    entries.keep(len(sequence), text, quoted)
                sequence.append(value)
                lines.append(event.start_mark.line + 1)
        elif kind is MappingEndEvent or kind is SequenceEndEvent:
            entries, mapping, sequence, lines = around.pop()
        elif kind is MappingStartEvent or kind is SequenceStartEvent:
            if watched:
                left -= 1
                if left < 0 or event.anchor is not None or event.tag is not None:
                    raise _unwanted(event, fail)
            if mapping is not None and key is None:
                raise fail(event, "a list or mapping stands where a key belongs", "write 'key: value'")
            if len(around) >= MAX_DEPTH:
                raise fail(
                    event, f"lists and mappings lie more than {MAX_DEPTH} deep in each other", "make it flatter"
                )
            value, inside = ({}, {}) if kind is MappingStartEvent else ([], [])
            inner = _Entries(value, inside)
            if entries is None:
                root = Document(name, value, event.start_mark.line + 1, inner, None)
            elif mapping is not None:
                entries.open(key, inner)  # type: ignore[arg-type]
                mapping[key] = value  # type: ignore[index]
                key = None
            else:
                entries.open(len(sequence), inner)
                sequence.append(value)
                lines.append(event.start_mark.line + 1)
            around.append((entries, mapping, sequence, lines))
            entries, lines, sequence = inner, inside, value
            mapping = value if kind is MappingStartEvent else None
        elif kind is AliasEvent:
            raise fail(event, f"an alias (*{event.anchor}) stands here", "write the value out")
        elif kind is DocumentStartEvent:
            documents += 1
            if documents > 1:
                raise fail(
                    event,
                    "a second document begins here",
                    "keep one document in a file, without '---' between parts",
                )
            if event.tags:
                raise fail(event, "a %TAG directive stands here", "remove it")
        elif kind is StreamEndEvent:
            break
    if root is None:
        raise InputError(name, "the file is empty", "compare with the examples that the README names")
    return root


_Fail = Callable[[Any, str, str], InputError]


def _unwanted(event: Any, fail: _Fail) -> InputError:
    """Why a value is refused whatever it holds."""
    if event.anchor is not None:
        return fail(event, f"an anchor (&{event.anchor}) stands here", "write the value out where it is needed")
    if event.tag is not None:
        return fail(event, f"a tag ({_short_tag(event.tag)}) stands here", "remove it; put quotes around text")
    return fail(event, f"more than {MAX_VALUES} keys and values stand in one file", "split it into smaller files")


def _check_key(event: Any, lines: dict[str, int], fail: _Fail) -> None:
    key: str = event.value
    if key == "<<" and not event.style:
        raise fail(event, "a merge key (<<) stands here", "write the keys out")
    if key == "":
        raise fail(event, "a value without a key", "write 'key: value'")
    if key in lines:
        raise fail(event, f"'{key}' is given twice, first in line {lines[key]}", "keep one of the two")


def _short_tag(tag: str) -> str:
    return tag.replace("tag:yaml.org,2002:", "!!")


def _plain(text: str, event: Any, fail: _Fail) -> Any:
    """Value of an unquoted scalar that is allowed to stand in a document."""
    value = resolve(text)
    if isinstance(value, float) and not math.isfinite(value):
        raise fail(event, f"'{text}' is not a finite number", "write a number, or leave the key out")
    if isinstance(value, int) and len(text) > MAX_DIGITS + 1:
        raise fail(
            event,
            f"the number {text[:12]}... has too many digits",
            "write a smaller number, or put quotes around text",
        )
    return value


def resolve(text: str) -> Any:
    """Value of an unquoted scalar: None, bool, int, float (also NaN, which ``read`` refuses) or text."""
    if text in _WORDS:
        return _WORDS[text]
    if text[0] not in _NUMBER_BEGINS or text[-1] not in _NUMBER_ENDS:
        return text
    if _INTEGER.match(text):
        return int(text[: MAX_DIGITS + 2])
    return float(text) if _FLOAT.match(text) else text


class _Dumper(_DUMPER):  # type: ignore[misc]
    """Writes what ``read`` reads back: no aliases, quotes where plain text would become something else."""

    def ignore_aliases(self, data: Any) -> bool:
        return True


def _represent_text(dumper: Any, text: str) -> Any:
    style = None if isinstance(resolve(text), str) and text != "<<" else "'"
    return dumper.represent_scalar("tag:yaml.org,2002:str", text, style=style)


_Dumper.add_representer(str, _represent_text)
