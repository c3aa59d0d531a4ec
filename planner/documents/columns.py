"""What the headings of a spreadsheet's columns mean: ``catalog/columns.yaml`` and the reader of one heading."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from pathlib import Path

from planner import compiled, places, quantities, yamlio
from planner.errors import RulebookError
from planner.model import Struct

_BRACKET = re.compile(r"[(\[]([^()\[\]]*)[)\]]")
_JOINT = re.compile(r"[\s,;:\-]*(?:\bin\b)?\s*")
_DAY_FIRST = re.compile(r"d+[\W_]*m+[\W_]*y+")
_MONTH_FIRST = re.compile(r"m+[\W_]*d+[\W_]*y+")


class ColumnWords(Struct, frozen=True, kw_only=True):
    """``catalog/columns.yaml`` with every spelling folded."""

    fields: dict[str, dict[str, str]]  # "programme" or "products" -> folded spelling -> field
    keys: dict[str, str]
    measures: dict[str, tuple[str, ...]]
    scales: dict[str, str]
    values: dict[str, dict[str, str]]
    groups: tuple[str, ...]
    ends: tuple[str, ...]


class Heading(Struct, frozen=True, kw_only=True):
    """What one heading says: the field, and with it unit, stage scale or order of day and month."""

    field: str
    unit: str = ""
    scale: str = ""
    day_first: bool | None = None


class _File(Struct, frozen=True, kw_only=True):
    version: int
    grade: str
    confidence: str
    programme: dict[str, list[str]]
    products: dict[str, list[str]]
    keys: dict[str, list[str]]
    measures: dict[str, tuple[str, ...]]
    scales: dict[str, str]
    values: dict[str, dict[str, list[str]]]
    groups: list[str]
    ends: list[str]


def fold(text: str) -> str:
    """A heading as headings are compared.

    >>> fold(" Pre-harvest  interval: ")
    'pre harvest interval'
    """
    return " ".join(re.sub(r"[^\w/%#]+|_", " ", text.casefold()).replace("/", " / ").split())


@cache
def column_words() -> ColumnWords:
    """The compiled spellings.

    Raises:
        RulebookError: ``catalog/columns.yaml`` is wrong.
    """
    code = compiled.code("documents/columns", "datafile", "yamlio")
    files: list[Path | str] = [places.folder("catalog") / "columns.yaml", *code]
    return compiled.section("columns", build, ColumnWords, files)


def build() -> ColumnWords:
    """Read ``catalog/columns.yaml``.

    Raises:
        RulebookError: it is wrong, or gives one spelling to two fields.
    """
    from planner import datafile  # not needed once the spellings are compiled

    path = places.folder("catalog") / "columns.yaml"
    document = yamlio.read(path)
    raw = datafile.typed(document, _File)
    return ColumnWords(
        fields={
            "programme": _turned(raw.programme, document, "programme"),
            "products": _turned(raw.products, document, "products"),
        },
        keys=_turned(raw.keys, document, "keys"),
        measures=raw.measures,
        scales={fold(key): value for key, value in raw.scales.items()},
        values={field: _turned(entries, document, "values", field) for field, entries in raw.values.items()},
        groups=tuple(map(fold, raw.groups)),
        ends=tuple(map(fold, raw.ends)),
    )


def _turned(entries: Mapping[str, list[str]], document: yamlio.Document, *path: str) -> dict[str, str]:
    found: dict[str, str] = {}
    for field, spellings in entries.items():
        for at, spelling in enumerate(map(fold, spellings)):
            if found.setdefault(spelling, field) != field:
                raise RulebookError(
                    document.place((*path, field, at)),
                    f"'{spelling}' stands for {found[spelling]} and {field}",
                    "give it to one",
                )
    return found


def heading(text: str, kind: str) -> Heading | None:
    """What a heading means in a table of ``kind`` (``programme`` or ``products``), or None.

    >>> heading("Rate (L/ha)", "programme").unit, heading("rate oz/ac", "programme").unit
    ('L/ha', 'oz/ac')
    """
    known = column_words().fields[kind]
    bracket = _BRACKET.search(text)
    base = text if bracket is None else text[: bracket.start()] + " " + text[bracket.end() :]
    aside = bracket.group(1).strip() if bracket else ""
    key = fold(base)
    if key in known:
        return _said(known[key], key, aside)
    if fold(text) in known:
        return _said(known[fold(text)], fold(text), "")
    words = base.split()
    for cut in range(len(words) - 1, 0, -1):
        first, rest = fold(" ".join(words[:cut])), _JOINT.sub("", " ".join(words[cut:]), count=1)
        if first in known and rest and unit_fits(known[first], rest):
            return Heading(field=known[first], unit=rest)
    return None


def of_field(field: str, text: str) -> Heading:
    """A heading that the user gave a field; its unit still counts."""
    for kind in ("programme", "products"):
        found = heading(text, kind)
        if found is not None and found.field == field:
            return found
    bracket = _BRACKET.search(text)
    return _said(field, fold(text), bracket.group(1).strip() if bracket else "")


def unit_fits(field: str, unit: str) -> bool:
    """Whether ``unit`` may stand in a column of ``field``."""
    dimensions = column_words().measures.get(field, ())
    return bool(dimensions) and quantities.fits(unit, dimensions)


def _said(field: str, key: str, aside: str) -> Heading:
    words = column_words()
    unit = next((text for text in (aside, key) if text and unit_fits(field, text)), "")
    scale = words.scales.get(key) or words.scales.get(fold(aside), "")
    order = fold(aside).replace(" ", "")
    day_first = True if _DAY_FIRST.match(order) else False if _MONTH_FIRST.match(order) else None
    return Heading(
        field=field,
        unit=unit,
        scale=scale if field.endswith("stage") else "",
        day_first=day_first if field == "date" else None,
    )
