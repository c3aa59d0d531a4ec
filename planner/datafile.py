"""Typed access to the project's own data files, with every problem noted at its line.

A data file is read by asking each row for the keys it may hold. What is never asked for is an unknown key;
what has the wrong type or an implausible value is a problem. Problems are collected, so that ``planner
catalog check`` shows all of them, and the first one stops an ordinary run.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from fractions import Fraction
from types import NoneType, UnionType
from typing import Any, NamedTuple, TypeVar, Union, cast, get_args, get_origin

import msgspec

from planner.errors import RulebookError, nearest
from planner.model import Backing, Confidence, Grade, Place
from planner.yamlio import Document

T = TypeVar("T")
GRADES: tuple[str, ...] = get_args(Grade)
CONFIDENCES: tuple[str, ...] = get_args(Confidence)
_DATE = re.compile(r"\d{4}(?:-\d\d(?:-\d\d)?)?\Z")
_SHARE = re.compile(r"[0-9.]{1,12}(?:/[0-9]{1,12})?\Z")


class Problem(NamedTuple):
    """One thing that is wrong in a data file."""

    place: Place
    problem: str
    cure: str

    def __str__(self) -> str:
        return f"{self.place}: {self.problem}" + (f"; {self.cure}" if self.cure else "")


class Problems(list[Problem]):
    """Everything that is wrong so far."""

    def raise_first(self) -> None:
        """Raise the first problem, if there is one.

        Raises:
            RulebookError: always, unless the list is empty.
        """
        if self:
            raise RulebookError(self[0].place, self[0].problem, self[0].cure)


class Row:
    """One mapping of a data file. Every ``get`` marks its key as known; ``finish`` reports the others."""

    __slots__ = ("_used", "data", "doc", "path", "problems")

    def __init__(
        self, doc: Document, problems: Problems, path: tuple[str | int, ...] = (), data: Any = None
    ) -> None:
        self.doc = doc
        self.problems = problems
        self.path = path
        self._used: set[str] = set()
        if data is None:
            data = doc.data
        if isinstance(data, dict):
            self.data: dict[str, Any] = data
        else:
            self.data = {}
            self.fail((), "a mapping belongs here", "write 'key: value'")

    # --- problems --------------------------------------------------------------------------------

    def fail(self, key: str | tuple[str | int, ...], problem: str, cure: str = "") -> None:
        """Note a problem at one of this row's keys."""
        path = (*self.path, key) if isinstance(key, str) else (*self.path, *key)
        self.problems.append(Problem(self.doc.place(path), problem, cure))

    def finish(self) -> None:
        """Note every key that nobody asked for."""
        for key in self.data:
            if key not in self._used:
                near = nearest(key, self._used)
                cure = (
                    f"did you mean '{near[0]}'?" if near else f"known here: {', '.join(sorted(self._used))}"
                )
                self.fail(key, f"unknown key '{key}'", cure)

    # --- single values ---------------------------------------------------------------------------

    def raw(self, key: str, default: Any = None) -> Any:
        """The value as it stands."""
        self._used.add(key)
        return self.data.get(key, default)

    def text(self, key: str, *, required: bool = False, one_of: Iterable[str] = ()) -> str:
        """Text of ``key``, or an empty text."""
        value = self.raw(key)
        if value is None:
            if required:
                self.fail((), f"'{key}' is missing", f"add '{key}: ...'")
            return ""
        if not isinstance(value, str):
            found = self.doc.scalar_text((*self.path, key))
            self.fail(
                key, f"'{key}' has to be text", f"put it in quotes: '{found}'" if found else "write text"
            )
            return ""
        choices = tuple(one_of)
        if choices and value not in choices:
            near = nearest(value, choices)
            cure = f"did you mean '{near[0]}'?" if near else f"one of {', '.join(choices)}"
            self.fail(key, f"'{value}' is no {key}", cure)
        return value

    def texts(self, key: str, *, required: bool = False) -> tuple[str, ...]:
        """A text or a list of texts."""
        value = self.raw(key)
        if value is None:
            if required:
                self.fail((), f"'{key}' is missing", f"add '{key}: [...]'")
            return ()
        items = value if isinstance(value, list) else [value]
        for index, item in enumerate(items):
            if not isinstance(item, str):
                where = (key, index) if isinstance(value, list) else (key,)
                found = self.doc.scalar_text((*self.path, *where))
                self.fail(where, f"'{key}' has to hold text", f"put it in quotes: '{found}'" if found else "")
        return tuple(item for item in items if isinstance(item, str))

    def flag(self, key: str, default: bool = False) -> bool:
        """``true`` or ``false``."""
        value = self.raw(key)
        if value is None:
            return default
        if not isinstance(value, bool):
            self.fail(key, f"'{key}' is true or false", "write true or false")
            return default
        return value

    def number(self, key: str, least: float, most: float, *, required: bool = False) -> float | None:
        """A number between ``least`` and ``most``."""
        value = self.raw(key)
        if value is None:
            if required:
                self.fail((), f"'{key}' is missing", f"add '{key}: ...'")
            return None
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            self.fail(key, f"'{key}' has to be a number", "write a number without quotes")
            return None
        if not least <= value <= most:
            self.fail(key, f"'{key}' is {value}, which is implausible", f"between {least:g} and {most:g}")
        return float(value)

    def integer(self, key: str, least: int, most: int, *, required: bool = False) -> int | None:
        """A whole number between ``least`` and ``most``."""
        value = self.number(key, least, most, required=required)
        if value is not None and value != int(value):
            self.fail(key, f"'{key}' has to be a whole number", "write a whole number")
        return None if value is None else int(value)

    def pair(
        self, key: str, least: float, most: float, *, required: bool = False
    ) -> tuple[float, float] | None:
        """Two numbers in rising order."""
        value = self.raw(key)
        if value is None:
            if required:
                self.fail((), f"'{key}' is missing", f"add '{key}: [least, most]'")
            return None
        if (
            not isinstance(value, list)
            or len(value) != 2
            or not all(isinstance(item, (int, float)) and not isinstance(item, bool) for item in value)
        ):
            self.fail(key, f"'{key}' has to be two numbers", "write [least, most]")
            return None
        if not least <= value[0] <= value[1] <= most:
            self.fail(key, f"'{key}' is {value}, which is implausible", f"rising, from {least:g} to {most:g}")
        return float(value[0]), float(value[1])

    def date(self, key: str, *, required: bool = False) -> str:
        """An ISO year, year-month or day, as text."""
        value = self.raw(key)
        text = self.doc.scalar_text((*self.path, key)) or "" if value is not None else ""
        if required and not text:
            self.fail((), f"'{key}' is missing", f"add '{key}: 2026-01-31'")
        if text and not _DATE.match(text):
            self.fail(key, f"'{text}' is no date", "write 2026, 2026-01 or 2026-01-31")
        return text

    def fraction(self, key: str) -> float | None:
        """A share or rate between 0 and 1: ``1/3`` as text, or a decimal."""
        value = self.raw(key)
        # a long power of ten would be written out in full before it is looked at
        number = isinstance(value, (int, float)) and not isinstance(value, bool)
        try:
            share = float(value) if number else float(Fraction(value[:20] if _SHARE.match(value) else ""))
        except (ValueError, TypeError, ZeroDivisionError):
            self.fail(key, f"'{str(value)[:40]}' is no share", "write 1/3 or 0.5")
            return None
        if not 0 < share <= 1:
            self.fail(key, f"'{key}' is {value}, which is implausible", "a share lies between 0 and 1")
        return share

    # --- nested ----------------------------------------------------------------------------------

    def rows(self, key: str, *, required: bool = False) -> Iterator[Row]:
        """The mappings of a list."""
        value = self.raw(key)
        if value is None:
            if required:
                self.fail((), f"'{key}' is missing", f"add '{key}:' with a list below it")
            return
        if not isinstance(value, list):
            self.fail(key, f"'{key}' has to be a list", "begin each entry with '- '")
            return
        for index, item in enumerate(value):
            yield Row(self.doc, self.problems, (*self.path, key, index), item if item is not None else [])

    def mapping(self, key: str, *, required: bool = False) -> Iterator[tuple[str, Row]]:
        """Keys and rows of a mapping of mappings."""
        value = self.raw(key)
        if value is None:
            if required:
                self.fail((), f"'{key}' is missing", f"add '{key}:' with a mapping below it")
            return
        if not isinstance(value, dict):
            self.fail(key, f"'{key}' has to be a mapping", "write 'name: {...}'")
            return
        for name, item in value.items():
            yield (
                name,
                Row(self.doc, self.problems, (*self.path, key, name), item if item is not None else []),
            )

    def row(self, key: str) -> Row | None:
        """The mapping at ``key``, or None."""
        value = self.raw(key)
        return None if value is None else Row(self.doc, self.problems, (*self.path, key), value)

    def plain(self, key: str) -> dict[str, Any]:
        """A mapping that is passed on as it stands."""
        value = self.raw(key)
        if value is None:
            return {}
        if not isinstance(value, dict):
            self.fail(key, f"'{key}' has to be a mapping", "write '{key: value}'")
            return {}
        return value

    def words(self, key: str) -> dict[str, str]:
        """A mapping of texts."""
        found = self.plain(key)
        for name, value in found.items():
            if not isinstance(value, str):
                self.fail((key, name), f"'{name}' has to be text", "put it in quotes")
        return {name: str(value) for name, value in found.items()}

    # --- source and grade ------------------------------------------------------------------------

    def backing(self, default: Backing | None = None) -> Backing:
        """Source, place in it, grade and confidence; what the row leaves out is taken from ``default``.

        A row that states nothing and has no default is a problem: every value of the catalogue has a source
        and a grade. Only grade ``unknown`` may stand without a source.
        """
        sources = self.texts("source")
        where = self.text("where")
        grade = self.text("grade", one_of=GRADES)
        confidence = self.text("confidence", one_of=CONFIDENCES)
        note = self.text("note")
        if default is not None:
            if not sources:
                sources = default.sources
                where = where or default.where
            if not grade:
                grade = default.grade
                confidence = confidence or (default.confidence or "")
        if not grade:
            self.fail((), "a grade is missing", f"add 'grade: ...', one of {', '.join(GRADES)}")
        elif not sources and grade != "unknown":
            self.fail((), "a source is missing", "add 'source: ...', a key of sources.yaml")
        return Backing(
            sources=sources,
            where=where,
            grade=cast(Grade, grade if grade in GRADES else "unknown"),
            confidence=cast(Confidence, confidence) if confidence in CONFIDENCES else None,
            note=note,
        )


# --- files of one fixed shape ---------------------------------------------------------------------------------------

Path = tuple[str | int, ...]
_WANTED: dict[Any, tuple[str, str]] = {
    str: ("text", "write text, in quotes where it looks like a number"),
    int: ("a whole number", "write a number such as 2"),
    float: ("a number", "write a number such as 2.5"),
    bool: ("true or false", "write true or false"),
    list: ("a list", "write [a, b], or '- ' lines"),
    dict: ("keys with values", "write 'key: value'"),
}


def typed(document: Document, shape: type[T]) -> T:
    """The whole document as ``shape``, a msgspec struct.

    Raises:
        RulebookError: a key is unknown or missing, or a value is of another type; the first one, at its line.
    """
    try:
        return msgspec.convert(document.data, shape, strict=True)
    except msgspec.ValidationError:
        path, problem, cure = _misfit(document.data, shape, ())
        raise RulebookError(document.place(path), problem, cure) from None


def _misfit(data: Any, shape: Any, path: Path) -> tuple[Path, str, str]:
    """Path, problem and cure of the first value that does not fit, where it is known that one does not."""
    kind = get_origin(shape) or shape
    inner = get_args(shape)
    if kind in (Union, UnionType):  # a value that may be left out
        return _misfit(data, next(one for one in inner if one is not NoneType), path)
    fields: dict[str, Any] = {}
    if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
        fields = {field.encode_name: field for field in msgspec.structs.fields(kind)}
        kind = dict
    elif kind is tuple:
        kind = list
    name = next((str(step) for step in reversed(path) if isinstance(step, str)), "the file")
    below: list[tuple[str | int, Any, Any]] = []
    if kind is dict and isinstance(data, dict):
        for key, value in data.items():
            if fields and key not in fields:
                near = nearest(key, fields, count=1)
                cure = f"did you mean {near[0]}?" if near else f"its keys are {', '.join(fields)}"
                return (*path, key), f"unknown key '{key}'", cure
            below.append((key, value, fields[key].type if fields else inner[1]))
    elif kind is list and isinstance(data, list):
        fixed = get_origin(shape) is tuple and inner[-1] is not ...
        if fixed and len(inner) != len(data):
            return path, f"'{name}' takes {len(inner)} values, {len(data)} are given", "write as many as it takes"
        below = [(at, value, inner[at] if fixed else inner[0]) for at, value in enumerate(data)]
    for step, value, wanted in below:
        try:
            msgspec.convert(value, wanted, strict=True)
        except msgspec.ValidationError:
            return _misfit(value, wanted, (*path, step))
    lacking = [key for key, field in fields.items() if field.required and isinstance(data, dict) and key not in data]
    if lacking:
        return path, f"'{name}' lacks '{lacking[0]}'", f"add {lacking[0]}: ..."
    said, cure = _WANTED.get(kind) or (f"one of {', '.join(map(str, inner))}", "write one of them")
    return path, f"'{name}' takes {said}, not {_kind_of(data)}", cure


def _kind_of(data: Any) -> str:
    if data is None:
        return "nothing"
    if isinstance(data, (dict, list)):
        return "keys with values" if isinstance(data, dict) else "a list"
    return f"the {'text' if isinstance(data, str) else 'value'} {data!r:.60}"
