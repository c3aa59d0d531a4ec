"""Pathogens, and the diseases of each crop that they cause: windows, timings, survival, groups that work."""

from __future__ import annotations

from typing import Any, NamedTuple, cast

from planner.catalogue_read.chemistry import frac_code
from planner.catalogue_read.crops import crop_id, known_stage, stage_pair
from planner.catalogue_read.reading import At, Reading
from planner.datafile import Row
from planner.errors import InputError, nearest
from planner.model import CLASSES, Backing, Pathogen, RatedGroup, Target
from planner.spelling import kebab

Risks = dict[str, dict[str, tuple[str, Backing]]]  # pathogen -> crop -> risk of resistance


# --- pathogens ------------------------------------------------------------------------------------------------------


def read_pathogens(reading: Reading) -> Risks:
    """``pathogens.yaml``: names, and how prone to resistance each one is on which crop."""
    risks: Risks = {}
    pathogens = reading.all.pathogens
    for layer, top in reading.documents("pathogens.yaml"):
        names = top.row("names")
        if names is not None:
            reading.backing(names)
            names.finish()
        for row in top.rows("pathogens"):
            key = row.text("id", required=True)
            reading.once(layer, "pathogen", key, row)
            pathogens[key] = Pathogen(id=key, synonyms=row.texts("synonyms"))
            row.finish()
        for row in top.rows("risk"):
            key = pathogen_id(reading, row, "pathogen", row.text("pathogen", required=True))
            crop = row.text("crop", required=True)
            risk = row.text("risk", required=True, one_of=("low", "medium", "high"))
            reading.once(layer, "risk of pathogen", (key, crop), row)
            row.text("disease")
            risks.setdefault(key, {})[crop] = (risk, reading.backing(row))
            row.finish()
        for row in top.rows("unclassified"):
            pathogen_id(reading, row, "pathogen", row.text("pathogen", required=True))
            row.text("crop", required=True)
            row.text("target")
            row.finish()
        top.finish()
    for key, by_crop in risks.items():
        if key in pathogens:
            found = pathogens[key]
            pathogens[key] = Pathogen(id=found.id, synonyms=found.synonyms, risk=by_crop)
    return risks


def pathogen_id(reading: Reading, row: Row, at: At, name: str) -> str:
    """Id of a pathogen by id or synonym; an unknown one is a problem."""
    folded = name.casefold()
    for key, found in reading.all.pathogens.items():
        if folded == key.casefold() or folded in (synonym.casefold() for synonym in found.synonyms):
            return key
    near = nearest(name, reading.all.pathogens)
    row.fail(at, f"unknown pathogen '{name}'", f"did you mean '{near[0]}'?" if near else "add it to pathogens.yaml")
    return name


# --- targets --------------------------------------------------------------------------------------------------------


class _Window(NamedTuple):
    """When a target infects; ``end``: it ends this many days before harvest."""

    stages: tuple[str, str] | None = None
    end: int | None = None
    backing: Backing = Backing()


class _Timing(NamedTuple):
    """When a pass against it is best put."""

    stages: tuple[str, ...] = ()
    style: str = ""
    follow_up: int | None = None
    backing: Backing = Backing()


def read_targets(reading: Reading, risks: Risks) -> None:
    """``targets/CROP/``: one file per disease."""
    for layer, top in reading.documents("targets/*/*.yaml"):
        crop = crop_id(reading, top, "crop", top.text("crop", required=True))
        key = top.text("target", required=True)
        reading.once(layer, "target", f"{crop} {key}", top)
        if key != kebab(key):
            top.fail("target", f"'{key}' is not in kebab case", f"write '{kebab(key)}'")
        pathogen = pathogen_id(reading, top, "pathogen", top.text("pathogen", required=True))
        window = _window(reading, top, crop)
        timing = _timing(reading, top, crop)
        survives, survives_backing = _survives(reading, top)
        rated = _rated_groups(reading, top)
        critical = top.row("critical_window")
        if critical is not None:
            stage_pair(reading, critical, "stages", crop)
            reading.backing(critical)
            critical.finish()
        facts = _facts(reading, top)
        risk, risk_backing = risks.get(pathogen, {}).get(crop, ("", Backing()))
        sources = top.texts("source")
        for source in sources:
            reading.source(top, "source", source)
        reading.all.targets.setdefault(crop, {})[key] = Target(
            id=key,
            crop=crop,
            name=top.text("name", required=True),
            aliases=top.texts("aliases"),
            pathogen=pathogen,
            window=window.stages,
            window_end_before_harvest=window.end,
            best_timing=timing.stages,
            follow_up_days=timing.follow_up,
            timing_style=cast(Any, timing.style),
            foliar_treatment=top.flag("foliar", True),
            treatment=top.text("treatment"),
            survives_on_field=survives,
            survives_backing=survives_backing,
            rated_groups=rated,
            risk=cast(Any, risk),
            risk_backing=risk_backing,
            window_backing=window.backing,
            timing_backing=timing.backing,
            note=top.text("note"),
            risk_raisers=top.texts("risk_raisers"),
            weather=top.text("weather"),
            facts=facts,
            backing=Backing(sources=sources, grade=timing.backing.grade),
        )
        top.finish()
    _names_apart(reading)


def _window(reading: Reading, top: Row, crop: str) -> _Window:
    row = top.row("window")
    if row is None:
        return _Window()
    stages = stage_pair(reading, row, "stages", crop)
    backing = reading.backing(row)
    for source in row.texts("note_source"):
        reading.source(row, "note_source", source)
    end = None
    last = row.row("end")
    if last is not None:
        end = last.integer("days_before_harvest", 0, 120, required=True)
        last.text("text")
        reading.backing(last)
        last.finish()
    row.finish()
    return _Window(stages, end, backing)


def _timing(reading: Reading, top: Row, crop: str) -> _Timing:
    row = top.row("timing")
    if row is None:
        return _Timing()
    stages = row.texts("stages")
    for index, code in enumerate(stages):
        known_stage(reading, row, ("stages", index), crop, code)
    style = row.text("style", one_of=("continuous", "stage_timed"))
    for source in row.texts("style_source"):
        reading.source(row, "style_source", source)
    follow_up = row.integer("follow_up_days", 1, 60)
    backing = reading.backing(row)
    row.finish()
    return _Timing(stages, style, follow_up, backing)


def _survives(reading: Reading, top: Row) -> tuple[bool | None, Backing]:
    """Whether the pathogen survives on the field; None: unknown or not told."""
    row = top.row("survives")
    if row is None:
        return None, Backing()
    value = row.raw("value")
    if value not in (True, False, "unknown"):
        row.fail("value", f"'{value}' is no answer", "write true, false or unknown")
    row.text("text")
    backing = reading.backing(row)
    row.finish()
    return value if isinstance(value, bool) else None, backing


def _rated_groups(reading: Reading, top: Row) -> tuple[RatedGroup, ...]:
    rated: list[RatedGroup] = []
    for row in top.rows("groups"):
        code = frac_code(reading, row, "code", row.text("code", required=True))
        rating = row.text("class", required=True, one_of=CLASSES)
        if any(code == other.code for other in rated):
            row.fail("code", f"group '{code}' is rated twice", "keep one of the two")
        if rating in CLASSES:
            rated.append(RatedGroup(code=code, rating=rating, backing=reading.backing(row)))
        row.finish()
    return tuple(rated)


def _facts(reading: Reading, top: Row) -> dict[str, str]:
    """What is only shown."""
    more = top.row("more")
    facts = {
        name: top.text(name)
        for name in (
            "pathogen_note", "how", "decision", "yield_loss", "spray_note", "fruit_safe_after", "economics",
            "groups_note",
        )
    }  # fmt: skip
    if more is not None:
        facts["more"] = more.text("text")
        reading.backing(more)
        more.finish()
    for name in ("seed_treatment", "forbidden"):
        codes = top.texts(name)
        if codes:
            facts[name] = ", ".join(codes)
    if top.text("weather_grade"):
        facts["weather_grade"] = top.text("weather_grade")
    return {name: text for name, text in facts.items() if text}


def _names_apart(reading: Reading) -> None:
    """Note a name that stands for two targets of a crop."""
    for crop, targets in reading.all.targets.items():
        names: dict[str, str] = {}
        for key, target in targets.items():
            for name in (key, *target.aliases):
                if names.setdefault(name, key) != key:
                    place = reading.all.places[("target", f"{crop} {key}")]
                    reading.problem(InputError(place, f"'{name}' also names {names[name]}", "keep names apart"))


def targets_of(reading: Reading, row: Row, crop: str, words: tuple[str, ...] = ()) -> tuple[str, ...]:
    """The targets that a row names; what is no target of the crop, nor one of ``words``, is a problem."""
    names = row.texts("targets", required=True)
    known = reading.all.targets.get(crop, {})
    for index, name in enumerate(names):
        if name not in known and name not in words:
            near = nearest(name, known)
            cure = f"did you mean '{near[0]}'?" if near else ""
            row.fail(("targets", index), f"'{name}' is no target of {crop}", cure)
    return names
