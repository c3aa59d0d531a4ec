"""Reads the catalogue and the published limits from YAML into the words of the model, and checks what they
say.

One module per part of the data, in the order in which the parts lean on each other. Later folders are laid over
earlier ones: a key given again replaces the entry, a list without keys is put in front. Inside one folder a
key stands once.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from planner.catalogue_read import (
    application,
    as_written,
    bibliography,
    chemistry,
    crops,
    efficacy,
    limits,
    resistance,
    targets,
)
from planner.catalogue_read.reading import Everything, Reading
from planner.datafile import Problems

__all__ = ["Everything", "read_all"]


def read_all(catalog_dirs: Sequence[Path], rules_dirs: Sequence[Path]) -> tuple[Everything, Problems]:
    """Read every file of the folders, laid over each other in this order; problems are listed, not raised."""
    reading = Reading(catalog_dirs, rules_dirs)
    bibliography.read_sources(reading)
    bibliography.read_version(reading)
    as_written.read_as_written(reading)
    chemistry.read_groups(reading)
    mobility = chemistry.read_mobility(reading)
    chemistry.read_actives(reading, mobility)
    chemistry.read_cross_resistance(reading)
    risks = targets.read_pathogens(reading)
    crops.read_crops(reading)
    targets.read_targets(reading, risks)
    efficacy.read_ratings(reading)
    resistance.read_reports(reading)
    resistance.read_risk_scheme(reading)
    efficacy.read_protection(reading)
    application.read_coverage(reading)
    application.read_harmful_uses(reading)
    limits.read_kinds(reading)
    limits.read_limits(reading)
    reading.check()
    return reading.all, reading.problems
