"""Season models: does a programme still control disease while it selects, and for how many seasons?

The index of ``planner.selection`` ranks programmes.  This module answers the two questions the index leaves
open, for the two published parameter sets (winter wheat with septoria leaf blotch, grapevine with powdery
mildew), with the seasonal model of healthy, latent, infectious and removed tissue, primary inoculum and
decaying fungicide.  Source of equations and values: ``catalog/selection.yaml`` (``elderfield-2018``; four
strains after ``taylor-2023``).  Units of time: degree-days for wheat, days for grape; areas in leaf area
index and cm2; doses as fractions of the full label rate.

Between seasons everything is reset except the strain fractions, taken from the infectious tissue at the end.

It also holds the season-to-season recursion that needs no epidemic (``season_recursion``), the shifting
form for resistance that comes by degrees (``SensitivityProfile``) and the textbook recursions for haploids
and diploids, for lessons and checks.

Doses are a teaching variable here: grids over doses exist to reproduce published results.  They are never
advice; no rate below the label is ever advised.  SciPy and numpy are imported inside the functions, so that
commands which do not need them start quickly.
"""

from __future__ import annotations

from planner.season_models.lives import (
    effective_life,
    effective_lives,
    recombine,
    run_seasons,
    simulate_batch,
)
from planner.season_models.models import (
    Fungicide,
    Genotype,
    GrapeModel,
    Model,
    Season,
    Treatment,
    WheatModel,
    four_genotypes,
    load_models,
    two_genotypes,
)
from planner.season_models.recursion import (
    RecursionSeason,
    SensitivityProfile,
    diploid_generations,
    field_control,
    haploid_generations,
    season_recursion,
)
from planner.season_models.season import disease_free, simulate_season

__all__ = [
    "Fungicide",
    "Genotype",
    "GrapeModel",
    "Model",
    "RecursionSeason",
    "Season",
    "SensitivityProfile",
    "Treatment",
    "WheatModel",
    "diploid_generations",
    "disease_free",
    "effective_life",
    "effective_lives",
    "field_control",
    "four_genotypes",
    "haploid_generations",
    "load_models",
    "recombine",
    "run_seasons",
    "season_recursion",
    "simulate_batch",
    "simulate_season",
    "two_genotypes",
]
