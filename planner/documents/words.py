"""Short closed lists of words that documents use: droplet classes, formulations, kinds of product,
countries.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import Literal

from planner import compiled, places
from planner.errors import UnknownName, nearest
from planner.model import Struct

_REGION = re.compile(r"([A-Za-z]{2})-([A-Za-z0-9]{1,3})\Z")


class DropletClass(Struct, frozen=True, kw_only=True):
    """One class of ANSI/ASABE S572."""

    name: str
    also: tuple[str, ...] = ()


class Formulation(Struct, frozen=True, kw_only=True):
    """One formulation type; ``form`` tells whether it is measured by volume or by weight."""

    name: str
    form: Literal["liquid", "solid"]
    also: tuple[str, ...] = ()


class Kind(Struct, frozen=True, kw_only=True):
    """What a product is, and the scheme of its actives' mode-of-action codes (empty: it lists no
    actives).
    """

    scheme: Literal["FRAC", "IRAC", "HRAC", ""] = ""


class Words(Struct, frozen=True, kw_only=True):
    """``catalog/words.yaml`` and ``catalog/countries.yaml``, compiled."""

    droplets: dict[str, DropletClass]
    formulations: dict[str, Formulation]
    kinds: dict[str, Kind]
    countries: dict[str, tuple[str, ...]]


class _WordFile(Struct, frozen=True, kw_only=True):
    version: int
    sources: tuple[str, ...]
    grade: str
    confidence: str
    droplets: dict[str, DropletClass]
    formulations: dict[str, Formulation]
    kinds: dict[str, Kind]


class _CountryFile(Struct, frozen=True, kw_only=True):
    version: int
    source: str
    grade: str
    countries: dict[str, tuple[str, ...]]


@cache
def words() -> Words:
    """The compiled word lists.

    Raises:
        RulebookError: a word list is wrong.
    """
    base = places.folder("catalog")
    files: list[Path | str] = [
        base / "words.yaml",
        base / "countries.yaml",
        *compiled.code("documents/words", "datafile", "yamlio"),
    ]
    return compiled.section("words", build, Words, files)


def build() -> Words:
    """Read the two word lists.

    Raises:
        RulebookError: one of them is wrong.
    """
    from planner import datafile, yamlio  # not needed once the lists are compiled

    base = places.folder("catalog")
    lists = datafile.typed(yamlio.read(base / "words.yaml"), _WordFile)
    countries = datafile.typed(yamlio.read(base / "countries.yaml"), _CountryFile)
    return Words(
        droplets=lists.droplets,
        formulations=lists.formulations,
        kinds=lists.kinds,
        countries=countries.countries,
    )


def droplet_class(text: str) -> str:
    """Class code of a droplet class written as code or name, for example ``medium`` -> ``M``.

    Raises:
        UnknownName: no such class.
    """
    found = _droplets().get(" ".join(text.casefold().replace("-", " ").split()))
    if found is None:
        raise UnknownName("droplet class", text, [entry.name for entry in words().droplets.values()])
    return found


@cache
def _droplets() -> dict[str, str]:
    """Class code by spelling."""
    return {
        spelling.casefold(): code
        for code, entry in words().droplets.items()
        for spelling in (code, entry.name, *entry.also)
    }


def formulation(text: str) -> str | None:
    """Formulation code of ``text`` (``DF`` -> ``WG``), or None."""
    upper = text.upper()
    for code, entry in words().formulations.items():
        if upper == code or upper in entry.also:
            return code
    return None


def is_country(code: str) -> bool:
    """Whether ``code`` is an ISO 3166-1 alpha-2 code in capitals."""
    return code in words().countries


def country_cure(text: str) -> str:
    """What to write instead of a country that is no ISO 3166-1 code."""
    table = words().countries
    known = {name.casefold(): code for code, names in table.items() for name in names}
    folded = text.casefold()
    near = [folded] if folded in known else [*nearest(folded, known)]
    if not near:
        return "write its two-letter ISO 3166-1 code, for example CA, US or GB"
    return f"write {' or '.join(f'{known[name]} ({table[known[name]][0]})' for name in near)}"


def region_country(text: str) -> str | None:
    """Country of an ISO 3166-2 code such as ``CA-ON``, or None where the text is no such code."""
    found = _REGION.match(text)
    return found.group(1).upper() if found else None
