"""Files that other rooms take as they stand: ``selection.yaml``, ``spraying.yaml`` and ``phenology.yaml``.

They are kept as parsed; here their form and their sources are checked, and the days between a crop's stages are taken
from the last one.
"""

from __future__ import annotations

from typing import Any

from planner import catalogue_shapes
from planner.catalogue_read.reading import Reading
from planner.datafile import Problem, Row
from planner.model import Backing, Place, StageInterval

_CURE = "compare it with the grammar at the head of catalog/phenology.yaml"


def read_as_written(reading: Reading) -> None:
    """The three files; of each, the last folder's holds."""
    for name in ("selection", "spraying", "phenology"):
        for _layer, top in reading.documents(f"{name}.yaml"):
            reading.all.raw[name] = top.data
            if name == "phenology":
                _check_phenology(top)
            else:
                catalogue_shapes.SHAPES[name](top)
            _cited(reading, top, top.data, ())


def _check_phenology(top: Row) -> None:
    """Days and heat sums are made into objects once here, so that a slip is told when the file is read."""
    from planner.stage_scale import Phenology

    try:
        Phenology(top.data)
    except (ArithmeticError, AttributeError, IndexError, KeyError, TypeError, ValueError) as error:
        slip = f"{error} is missing" if isinstance(error, KeyError) else str(error)
        top.fail((), f"this file is not written as its grammar says: {slip[:160]}", _CURE)


def _cited(reading: Reading, top: Row, value: Any, path: tuple[str | int, ...]) -> None:
    """Note every ``source`` (also ``stages_source`` ...) of a file read as it stands that is no known source."""
    if isinstance(value, list):
        for index, entry in enumerate(value):
            _cited(reading, top, entry, (*path, index))
    elif isinstance(value, dict):
        for key, entry in value.items():
            if key == "source" or key.endswith("_source"):
                for one in entry if isinstance(entry, list) else (entry,):
                    reading.source(top, (*path, key), str(one))
            else:
                _cited(reading, top, entry, (*path, key))


def season_of(reading: Reading, crop: str) -> tuple[tuple[StageInterval, ...], int, str]:
    """Days between stages, stage of harvest, and whether days are counted from sowing, of phenology.yaml."""
    try:
        season = (reading.all.raw.get("phenology") or {}).get("scales", {}).get(crop, {})
        intervals = tuple(_interval(entry) for entry in season.get("days_between", ()))
        return intervals, int(season.get("harvest_bbch", 99)), str(season.get("from_sowing", "yes"))
    except (AttributeError, IndexError, KeyError, TypeError, ValueError):
        place = Place(file="phenology.yaml", line=1)
        reading.problems.append(Problem(place, f"the scale of {crop} is not written as its grammar says", _CURE))
        return (), 99, "yes"


def _interval(entry: dict[str, Any]) -> StageInterval:
    span = entry.get("range") or (None, None)
    sources = entry.get("source", ())
    keys = (sources,) if isinstance(sources, str) else tuple(sources)
    return StageInterval(
        first=entry["first"],
        last=entry["last"],
        average=entry.get("average"),
        least=span[0],
        most=span[1],
        kind=entry.get("kind", ""),
        backing=Backing(
            sources=keys,
            grade=entry.get("grade", "unknown"),
            confidence=entry.get("confidence"),
            note=entry.get("note", ""),
        ),
    )
