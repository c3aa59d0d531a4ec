"""Checks all data files and counts what they rest on: the work behind ``planner catalog check``."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from planner import yamlio
from planner.catalogue_read import Everything, read_all
from planner.catalogue_store import data_files
from planner.datafile import GRADES, Problem
from planner.errors import InputError, nearest
from planner.model import Backing, Place
from planner.places import folder


@dataclass(frozen=True, slots=True)
class CheckResult:
    """What a check found.

    ``counts`` holds rows by table and grade (``read``, ``trial``, ``recalled`` ...); ``unused`` names
    entries of the bibliography that no row cites, which is no problem.
    """

    problems: tuple[Problem, ...]
    counts: dict[str, dict[str, int]] = field(default_factory=dict)
    files: int = 0
    unused: tuple[str, ...] = ()

    @property
    def totals(self) -> dict[str, int]:
        """Rows by grade over all tables."""
        return {grade: sum(row.get(grade, 0) for row in self.counts.values()) for grade in GRADES}


def check(*, catalog_dirs: Sequence[Path | str] = (), rules_dirs: Sequence[Path | str] = ()) -> CheckResult:
    """Read every data file, shipped and laid over, and list every problem with its file and line.

    Unknown keys, duplicate ids, dangling references, a missing source or grade and implausible values are
    problems. Files of the catalogue that other rooms read are read here for their form only.
    """
    catalog = [folder("catalog"), *(Path(path) for path in catalog_dirs)]
    rules = [folder("rules"), *(Path(path) for path in rules_dirs)]
    found, problems = read_all(catalog, rules)
    files = data_files(catalog, rules)
    own = {problem.place.file for problem in problems}
    for file in files:
        if file in own:
            continue
        try:
            document = yamlio.read(Path(file))
        except InputError as error:
            place = error.place if isinstance(error.place, Place) else Place(file=str(error.place))
            problems.append(Problem(place, error.problem, error.cure))
            continue
        for path, key in _named(document.data):
            if key not in found.sources:
                near = nearest(key, found.sources)
                cure = f"did you mean '{near[0]}'?" if near else "add it to sources.yaml"
                problems.append(Problem(document.place(path), f"source '{key}' is not in the bibliography", cure))
    counts: dict[str, dict[str, int]] = {}
    used: set[str] = set()
    for table, backing in _backings(found):
        row = counts.setdefault(table, {})
        row[backing.grade] = row.get(backing.grade, 0) + 1
        used.update(backing.sources)
    unused = tuple(sorted(set(found.sources) - used - _cited_elsewhere(files)))
    ordered = sorted(set(problems), key=lambda problem: (problem.place.file, problem.place.line, problem.problem))
    return CheckResult(problems=tuple(ordered), counts=counts, files=len(files), unused=unused)


def _named(value: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[tuple[str | int, ...], str]]:
    """Every key of the bibliography that a file of any shape names, with its path."""
    for at, entry in value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ():
        if at in ("source", "sources") and not isinstance(entry, dict):
            keys = entry if isinstance(entry, list) else [entry]
            yield from (((*path, at), key) for key in keys if isinstance(key, str))
        else:
            yield from _named(entry, (*path, at))


def _cited_elsewhere(files: Iterable[str]) -> set[str]:
    """Words of all files: a source named only in a nested row (the end of a window) is used all the same."""
    words: set[str] = set()
    for file in files:
        if not file.endswith("sources.yaml"):
            text = Path(file).read_text(encoding="utf-8", errors="replace")
            for mark in "[]{},:'\"":
                text = text.replace(mark, " ")
            words.update(text.split())
    return words


def _backings(found: Everything) -> Iterator[tuple[str, Backing]]:
    """Every graded row with the table it belongs to."""
    yield from (("groups", group.backing) for group in found.groups.values())
    for scheme, rows in found.actives.items():
        yield from ((f"actives of {scheme}", active.backing) for active in rows.values())
    for crop in found.crops.values():
        yield from (("stages", stage.backing) for stage in crop.stages)
        if crop.leaves is not None:
            yield "until when leaves unfold", crop.leaves.backing
        yield from (("days between stages", interval.backing) for interval in crop.intervals)
    for pathogen in found.pathogens.values():
        yield from (("risk of pathogens", backing) for _risk, backing in pathogen.risk.values())
    for targets in found.targets.values():
        for target in targets.values():
            yield "infection windows", target.window_backing
            yield "best timings", target.timing_backing
            yield "survival on the field", target.survives_backing
            yield from (("groups on targets", rated.backing) for rated in target.rated_groups)
    for ratings in found.ratings.values():
        yield from (("ratings", rating.backing) for rating in ratings.values())
    for reports in found.reports.values():
        yield from (("resistance reports", report.backing) for report in reports)
    yield from (("cross-resistance", row.backing) for row in (*found.joined, *found.exceptions, *found.incomplete))
    yield from (("cross-resistance", row.backing) for row in found.active_facts)
    yield from (("scores of groups", score.backing) for score in found.scores.values())
    yield from (("protection days", row.backing) for row in found.protection)
    yield from (("days to the next spray", spray.backing) for spray in found.retreatment)
    yield from (("droplets and volume", advice.backing) for advice in found.coverage)
    yield from (("harmful uses", use.backing) for use in found.harmful_uses.values())
    yield from (("published limits", limit.backing) for limit in found.limits.values())
    yield from (("tables by total", table.backing) for table in found.tables.values())
