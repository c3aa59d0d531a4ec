"""The catalogue as it is kept: sections decoded in milliseconds, each made anew when data files or code change.

What an ordinary audit needs is one section, ``Core``; every other one stays undecoded until it is asked for.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from planner import compiled
from planner.model import (
    Active,
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
    Protection,
    Rating,
    Report,
    Retreatment,
    Source,
    Struct,
    Target,
)
from planner.places import is_rule_file
from planner.spelling import kebab, name_key

if TYPE_CHECKING:
    import networkx

    from planner.catalogue_read import Everything

T = TypeVar("T")

CODE = ("catalogue_store", "catalogue_read/", "catalogue_shapes", "datafile", "spelling", "stages", "yamlio")


class Core(Struct, frozen=True, kw_only=True):
    """What nearly every command needs, in one section."""

    version: str
    date: str
    review_by: str
    groups: dict[str, Group]
    actives: dict[str, Active]  # FRAC, by ISO name
    names: dict[str, tuple[str, str]]  # every other name and alias -> scheme, ISO name
    crops: dict[str, Crop]
    pathogens: dict[str, Pathogen]
    target_names: dict[str, dict[str, str]]  # crop -> every name -> id
    components: dict[str, dict[str, str]]  # purpose -> group -> first group of those it is joined with
    incomplete: tuple[str, ...]
    scores: dict[str, FungicideScore]
    risk_scores: dict[str, float]
    protection: tuple[Protection, ...]
    retreatment: tuple[Retreatment, ...]
    coverage: tuple[CoverageAdvice, ...]
    harmful_uses: tuple[HarmfulUse, ...]
    kinds: dict[str, LimitKind]
    crop_words: dict[str, tuple[str, ...] | None]


class CropFacts(Struct, frozen=True, kw_only=True):
    """Targets, ratings and reports of one crop."""

    targets: dict[str, Target]
    ratings: dict[str, tuple[Rating, ...]]  # by target
    reports: dict[str, tuple[Report, ...]]  # by pathogen


class Limits(Struct, frozen=True, kw_only=True):
    """All published rows and the tables shown beside them."""

    limits: dict[str, Limit]
    tables: dict[str, LimitTable]


class Statements(Struct, frozen=True, kw_only=True):
    """Cross-resistance as stated, for the graph and for showing."""

    joined: tuple[CrossResistance, ...]
    exceptions: tuple[CrossResistance, ...]
    incomplete: tuple[CrossResistance, ...]
    actives: tuple[CrossResistance, ...]
    risk_scheme: dict[str, Any]


class Store:
    """The sections of one set of folders, read from the files where no kept copy holds.

    Every method may raise ``RulebookError``: file, line, problem and cure of the first thing that is wrong.
    """

    def __init__(self, catalog_dirs: Sequence[Path], rules_dirs: Sequence[Path]) -> None:
        self._folders = (catalog_dirs, rules_dirs)
        self._stamp = compiled.stamp([*data_files(catalog_dirs, rules_dirs), *compiled.code(*CODE)])
        self._everything: Everything | None = None

    def core(self) -> Core:
        """What nearly every command needs."""
        return self._section("catalogue", _core, Core)

    def scheme(self, scheme: str) -> dict[str, Active]:
        """The actives of one scheme by lower-case ISO name."""
        return self._section(
            f"catalogue-{scheme.lower()}", lambda found: found.actives.get(scheme, {}), dict[str, Active]
        )

    def statements(self) -> Statements:
        """Cross-resistance as stated, and the combined-risk scheme."""
        return self._section("catalogue-statements", _statements, Statements)

    def facts(self, crop: str) -> CropFacts:
        """Targets, ratings and reports of a crop id."""
        return self._section(f"catalogue-crop-{kebab(crop)}", lambda found: _crop_facts(found, crop), CropFacts)

    def limits(self) -> Limits:
        """Published rows and tables."""
        return self._section("catalogue-limits", lambda found: Limits(limits=found.limits, tables=found.tables), Limits)

    def sources(self) -> dict[str, Source]:
        """The bibliography."""
        return self._section("catalogue-sources", lambda found: found.sources, dict[str, Source])

    def raw(self, name: str) -> dict[str, Any]:
        """A file that other rooms take as it stands; empty where it is missing."""
        return self._section(f"catalogue-{name}", lambda found: found.raw.get(name, {}), dict[str, Any])

    def _read(self) -> Everything:
        if self._everything is None:
            from planner.catalogue_read import read_all

            everything, problems = read_all(*self._folders)
            problems.raise_first()
            self._everything = everything
        return self._everything

    def _section(self, name: str, make: Callable[[Everything], T], type: type[T]) -> T:
        return compiled.section(name, lambda: make(self._read()), type, made_from=self._stamp)


def data_files(catalog: Iterable[Path], rules: Iterable[Path]) -> list[str]:
    """Every data file of these folders, in a fixed order."""
    found: list[str] = []
    for base in catalog:
        found += _yaml_below(str(base))
    for base in rules:
        found += _yaml_below(str(base / "limits"))
    return found


def _yaml_below(base: str) -> list[str]:
    try:
        entries = sorted(os.scandir(base), key=lambda entry: entry.name)
    except OSError:
        return []
    found: list[str] = []
    for entry in entries:
        if entry.name.startswith("."):
            continue
        if entry.is_dir():
            found += _yaml_below(entry.path)
        elif entry.name.endswith(".yaml") and not is_rule_file(entry.name):
            found.append(entry.path)
    return found


# --- from everything to sections ----------------------------------------------------------------


def _core(found: Everything) -> Core:
    import networkx


    frac, irac, hrac = (found.actives.get(scheme, {}) for scheme in ("FRAC", "IRAC", "HRAC"))
    names: dict[str, tuple[str, str]] = {}
    for scheme, rows in (("HRAC", hrac), ("IRAC", irac)):
        for name in rows:
            names[name] = (scheme, name)
    for scheme, rows in (("FRAC", frac), ("IRAC", irac), ("HRAC", hrac)):
        for name, active in rows.items():
            for alias in active.aliases:
                names.setdefault(name_key(alias), (scheme, name))
    components: dict[str, dict[str, str]] = {}
    for purpose in ("mixing", "succession", "counting"):
        graph: networkx.Graph = networkx.Graph()
        for row in found.joined:
            if purpose in row.purposes:
                networkx.add_path(graph, row.groups)
        components[purpose] = {key: min(part) for part in networkx.connected_components(graph) for key in part}
    target_names: dict[str, dict[str, str]] = {}
    for crop, targets in found.targets.items():
        index = target_names.setdefault(crop, {})
        for key in targets:
            index[key] = key
        for key, target in targets.items():
            pathogen = found.pathogens.get(target.pathogen)
            synonyms = pathogen.synonyms if pathogen else ()
            for name in (*target.aliases, target.name, target.pathogen, *synonyms):
                index.setdefault(kebab(name), key)
    return Core(
        version=found.version,
        date=found.date,
        review_by=found.review_by,
        groups=found.groups,
        actives=frac,
        names=names,
        crops=found.crops,
        pathogens=found.pathogens,
        target_names=target_names,
        components=components,
        incomplete=tuple(sorted({key for row in found.incomplete for key in row.groups})),
        scores=found.scores,
        risk_scores=found.risk_scheme.get("score_rule", {}).get("scores", {}),
        protection=tuple(found.protection),
        retreatment=tuple(found.retreatment),
        coverage=tuple(found.coverage),
        harmful_uses=tuple(found.harmful_uses.values()),
        kinds=found.kinds,
        crop_words=found.crop_words,
    )


def _statements(found: Everything) -> Statements:
    return Statements(
        joined=tuple(found.joined),
        exceptions=tuple(found.exceptions),
        incomplete=tuple(found.incomplete),
        actives=tuple(found.active_facts),
        risk_scheme=found.risk_scheme,
    )


def _crop_facts(found: Everything, crop: str) -> CropFacts:
    ratings: dict[str, tuple[Rating, ...]] = {}
    for rating in found.ratings.get(crop, {}).values():
        ratings[rating.target] = (*ratings.get(rating.target, ()), rating)
    reports: dict[str, tuple[Report, ...]] = {}
    for report in found.reports.get(crop, ()):
        reports[report.pathogen] = (*reports.get(report.pathogen, ()), report)
    return CropFacts(targets=found.targets.get(crop, {}), ratings=ratings, reports=reports)
