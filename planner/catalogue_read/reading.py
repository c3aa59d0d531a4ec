"""The ground that every part of the catalogue is read on: what has been read so far, files, keys, sources, problems.

A part is a function of one ``Reading``: it asks it for documents, notes in it what it finds, and looks up in it what
the parts before it have found.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, cast

from planner import yamlio
from planner.datafile import Problem, Problems, Row
from planner.errors import InputError, nearest
from planner.model import (
    Active,
    Backing,
    CoverageAdvice,
    Crop,
    CrossResistance,
    FungicideScore,
    Group,
    HarmfulUse,
    Limit,
    LimitKind,
    LimitTable,
    Pathogen,
    Place,
    Protection,
    Rating,
    Report,
    Retreatment,
    Source,
    Target,
)
from planner.places import is_rule_file

At = str | tuple[str | int, ...]  # a key of a row, or the path to a value below it

_REGION = re.compile(r"[A-Z]{2}(?:-[A-Z0-9]{1,3})?\Z")  # ISO 3166-1 and 3166-2


@dataclass(slots=True)
class Everything:
    """All that the data files say."""

    version: str = ""
    date: str = ""
    review_by: str = ""
    sources: dict[str, Source] = field(default_factory=dict)
    groups: dict[str, Group] = field(default_factory=dict)
    actives: dict[str, dict[str, Active]] = field(default_factory=dict)  # scheme -> ISO name -> row
    crops: dict[str, Crop] = field(default_factory=dict)
    pathogens: dict[str, Pathogen] = field(default_factory=dict)
    targets: dict[str, dict[str, Target]] = field(default_factory=dict)  # crop -> id
    ratings: dict[str, dict[tuple[str, tuple[str, ...], str], Rating]] = field(default_factory=dict)
    reports: dict[str, list[Report]] = field(default_factory=dict)
    joined: list[CrossResistance] = field(default_factory=list)
    exceptions: list[CrossResistance] = field(default_factory=list)
    incomplete: list[CrossResistance] = field(default_factory=list)
    active_facts: list[CrossResistance] = field(default_factory=list)
    scores: dict[str, FungicideScore] = field(default_factory=dict)
    risk_scheme: dict[str, Any] = field(default_factory=dict)
    protection: list[Protection] = field(default_factory=list)
    retreatment: list[Retreatment] = field(default_factory=list)
    coverage: list[CoverageAdvice] = field(default_factory=list)
    harmful_uses: dict[str, HarmfulUse] = field(default_factory=dict)
    kinds: dict[str, LimitKind] = field(default_factory=dict)
    crop_words: dict[str, tuple[str, ...] | None] = field(default_factory=dict)  # None: every crop
    crops_elsewhere: tuple[str, ...] = ()
    code_words: dict[str, str] = field(default_factory=dict)
    limits: dict[str, Limit] = field(default_factory=dict)
    tables: dict[str, LimitTable] = field(default_factory=dict)
    raw: dict[str, dict[str, Any]] = field(default_factory=dict)  # selection, spraying, phenology as parsed
    places: dict[tuple[str, str], Place] = field(default_factory=dict)  # by kind and key


class Reading:
    """One reading of all folders. ``all``: what has been read so far; ``problems``: what is wrong so far."""

    def __init__(self, catalog_dirs: Sequence[Path], rules_dirs: Sequence[Path]) -> None:
        self.catalog_dirs = catalog_dirs
        self.rules_dirs = rules_dirs
        self.problems = Problems()
        self.all = Everything()
        self._seen: dict[tuple[str, Any], tuple[int, str]] = {}
        self._checks: list[Callable[[], None]] = []

    # --- files and keys --------------------------------------------------------------------------

    def documents(self, pattern: str, *, rules: bool = False) -> Iterable[tuple[int, Row]]:
        """Every file of the pattern, folder by folder, as its top row."""
        for layer, folder in enumerate(self.rules_dirs if rules else self.catalog_dirs):
            for path in sorted(folder.glob(pattern)):
                if path.name.startswith(".") or is_rule_file(path.name):
                    continue
                try:
                    document = yamlio.read(path)
                except InputError as error:
                    self.problem(error)
                    continue
                yield layer, Row(document, self.problems)

    def once(self, layer: int, kind: str, key: Any, row: Row, at: At = ()) -> None:
        """Note a key that stands twice in one layer."""
        place = row.doc.place((*row.path, *((at,) if isinstance(at, str) else at)))
        before = self._seen.get((kind, key))
        if before is not None and before[0] == layer:
            shown = key if isinstance(key, str) else ", ".join(map(str, key))
            row.fail(at, f"{kind} '{shown}' is given twice, first at {before[1]}", "keep one of the two")
        self._seen[(kind, key)] = (layer, str(place))
        if isinstance(key, str):
            self.all.places[(kind, key)] = place

    # --- sources ---------------------------------------------------------------------------------

    def backing(self, row: Row, default: Backing | None = None) -> Backing:
        """Backing of a row; its sources have to stand in the bibliography."""
        backing = row.backing(default)
        for key in backing.sources:
            self.source(row, "source", key)
        return backing

    def source(self, row: Row, at: At, key: str) -> None:
        """Note a source that the bibliography lacks."""
        if key not in self.all.sources:
            near = nearest(key, self.all.sources)
            cure = f"did you mean '{near[0]}'?" if near else "add it to sources.yaml"
            row.fail(at, f"source '{key}' is not in the bibliography", cure)

    def head(self, row: Row) -> Backing:
        """Source and grade of a whole file, for rows that state none."""
        sources = row.texts("source")
        for key in sources:
            self.source(row, "source", key)
        grade = row.text("grade")
        return Backing(sources=sources, grade=cast(Any, grade or "unknown"))

    # --- problems --------------------------------------------------------------------------------

    def problem(self, error: InputError) -> None:
        """Note a problem that no row at hand tells."""
        place = error.place if isinstance(error.place, Place) else Place(file=str(error.place))
        self.problems.append(Problem(place, error.problem, error.cure))

    def later(self, check: Callable[[], None]) -> None:
        """A check that needs the whole catalogue."""
        self._checks.append(check)

    def check(self) -> None:
        """Make the checks that waited for the whole catalogue."""
        for check in self._checks:
            check()


def regions(row: Row, key: str, codes: Iterable[str]) -> None:
    """Note what is no ISO 3166 code."""
    for code in codes:
        if not _REGION.match(code):
            row.fail(key, f"'{code}' is no ISO 3166 code", "write US or US-ND")
