"""Resistance that has been reported, and the scheme that scores the risk of more."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, cast

from planner.catalogue_read.chemistry import RISKS, frac_code, known_active
from planner.catalogue_read.crops import crop_id
from planner.catalogue_read.reading import Reading, regions
from planner.catalogue_read.targets import pathogen_id
from planner.datafile import Row
from planner.model import FungicideScore, Report

LEVELS = ("lost", "reduced", "none")


def read_reports(reading: Reading) -> None:
    """``resistance/``: reports and surveys by crop, also of crops outside the catalogue."""
    for _layer, top in reading.documents("resistance/*.yaml"):
        crop = top.text("crop", required=True)
        outside = top.flag("outside")
        if not outside:
            crop_id(reading, top, "crop", crop)
        found = [
            report
            for name in ("reports", "surveys")
            for row in top.rows(name)
            for report in _reports(reading, row, crop=crop, outside=outside, survey=name == "surveys")
        ]
        reading.all.reports.setdefault(crop, [])[:0] = found
        top.finish()


def _reports(reading: Reading, row: Row, *, crop: str, outside: bool, survey: bool) -> Iterator[Report]:
    """What a row reports, group by group."""
    pathogen = pathogen_id(reading, row, "pathogen", row.text("pathogen", required=True))
    level = row.text("level", required=True, one_of=LEVELS)
    by_active = row.words("by_active")
    for active, own in by_active.items():
        known_active(reading, row, ("by_active", active), active)
        if own not in LEVELS:
            row.fail(("by_active", active), f"'{own}' is no level", f"one of {', '.join(LEVELS)}")
    actives = row.texts("actives")
    for index, active in enumerate(actives):
        known_active(reading, row, ("actives", index), active)
    countries, subdivisions = row.texts("countries"), row.texts("subdivisions")
    regions(row, "countries", countries)
    regions(row, "subdivisions", subdivisions)
    for code in subdivisions:
        if code.split("-")[0] not in countries:
            row.fail("subdivisions", f"'{code}' lies in none of the countries", "add its country")
    shared = {
        "crop": crop,
        "pathogen": pathogen,
        "level": level if level in LEVELS else "reduced",
        "level_by_active": by_active,
        "actives_concerned": actives,
        "countries": countries,
        "subdivisions": subdivisions,
        "first_year": row.integer("first_year", 1950, 2100),
        "mutation": row.texts("mutation"),
        "survey": survey,
        "words": row.text("region"),
        "status": row.text("status"),
        "gene": row.text("gene"),
        "level_by_strain": row.words("by_strain"),
        "level_basis": row.text("level_basis"),
        "countries_basis": row.text("countries_basis"),
        "mutation_recalled": row.flag("mutation_recalled"),
        "outside": outside,
        "backing": reading.backing(row),
    }
    for index, code in enumerate(row.texts("codes", required=True)):
        yield Report(code=frac_code(reading, row, ("codes", index), code), **cast(Any, shared))
    row.finish()


def read_risk_scheme(reading: Reading) -> None:
    """``risk-scheme.yaml``: the combined-risk scheme and each group's score in it."""
    for layer, top in reading.documents("risk-scheme.yaml"):
        for name in ("scheme", "formula", "reach", "score_rule"):
            part = top.row(name)
            if part is not None:
                reading.backing(part)
        for name in ("extremes", "pathogen_risk", "agronomic_risk"):
            top.raw(name)
        reading.all.risk_scheme = {key: value for key, value in top.data.items() if key != "fungicide_scores"}
        for row in top.rows("fungicide_scores", required=True):
            code = frac_code(reading, row, "code", row.text("code", required=True))
            reading.once(layer, "score of group", code, row)
            score = None if row.raw("score") == "unknown" else row.number("score", 0.1, 3, required=True)
            reading.all.scores[code] = FungicideScore(
                code=code,
                score=score,
                risk=row.text("risk", one_of=RISKS),
                by_active=row.flag("by_active"),
                backing=reading.backing(row),
            )
            row.finish()
        top.finish()
