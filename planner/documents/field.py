"""The field document: one field in one season."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

from planner.documents import words
from planner.documents.files import Files
from planner.documents.names import Names, amount, currency, date, droplets, number, title
from planner.documents.shapes import (
    ApplicationShape,
    FieldShape,
    Part,
    SeasonShape,
    TargetShape,
    TemperaturesShape,
)
from planner.documents.temperatures import read_temperatures, rows_of
from planner.errors import UnknownName
from planner.model import Application, Crop, Day, Field, FieldTarget, Season

if TYPE_CHECKING:
    from planner.catalogue import Catalogue

LONGEST_SEASON = 400  # days from sowing to harvest; common practice, no source: no annual crop stands longer
_MATURITY = re.compile(r"(?:0{1,3}|[1-9]|10)(?:\.[0-9])?\Z")


def build_field(shape: FieldShape, part: Part, catalogue: Catalogue, files: Files, document: Path | str) -> Field:
    """The field that a document describes.

    Args:
        shape: the document, held against its shape already.
        part: where it stands.
        catalogue: for names.
        files, document: to open the temperature file that the document names beside itself.

    Raises:
        InputError: an unknown name or unit, an amount or date that cannot be.
    """
    names = Names(catalogue)
    crop = names.crop(shape.crop, part, "crop")
    country, region = _where(shape, part)
    sown = date(shape.sown, part, "sown") if shape.sown is not None else None
    harvest = date(shape.harvest, part, "harvest") if shape.harvest is not None else None
    stages, written = _stages(shape, part, names, crop)
    _check_dates(sown, harvest, stages, written, names, crop, part)
    latitude = shape.latitude
    if latitude is not None and not -90 <= latitude <= 90:
        raise part.at("latitude").error(
            f"latitude {latitude} is not on the globe",
            "write degrees north, for example 43.5; south is negative",
        )
    maturity = shape.maturity_group.strip() if shape.maturity_group is not None else None
    if maturity is not None and not _MATURITY.match(maturity):
        raise part.at("maturity_group").error(
            f"maturity group '{maturity}' is not one", 'write a group from "000" to "10", for example "2.5"'
        )
    return Field(
        name=title(shape.name, part, "name"),
        crop=crop.id,
        area=number(shape.area, "area", part, "area") if shape.area is not None else None,
        country=country,
        region=region,
        sown=sown,
        type=shape.type or "",
        stages=stages,
        harvest=harvest,
        targets=_targets(shape, part, names, crop),
        grain_yield=(
            amount(shape.grain.yield_, ("grain_yield",), part, "grain", "yield", crop=crop)[0]
            if shape.grain and shape.grain.yield_ is not None
            else None
        ),
        grain_price=(
            amount(shape.grain.price, ("grain_price",), part, "grain", "price", crop=crop)[0]
            if shape.grain and shape.grain.price is not None
            else None
        ),
        currency=currency(shape.currency, part, "currency"),
        application=_application(shape.application, part.at("application")),
        history=tuple(_season(entry, part.at("history", index), names) for index, entry in enumerate(shape.history))
        if _history_in_order(shape, part)
        else (),
        latitude=latitude,
        maturity_group=maturity,
        temperatures=_temperatures(shape, part, files, document),
        place=part.place,
    )


def _where(shape: FieldShape, part: Part) -> tuple[str | None, str | None]:
    country = shape.country.strip().upper() if shape.country is not None else None
    if country is not None and not words.is_country(country):
        written = str(shape.country)
        raise part.at("country").error(
            f"country '{written}' is no ISO 3166-1 code", words.country_cure(written.strip())
        )
    region = shape.region.strip().upper() if shape.region is not None else None
    if region is None:
        return country, None
    of = words.region_country(region)
    if of is None or not words.is_country(of):
        raise part.at("region").error(
            f"region '{shape.region}' is no ISO 3166-2 code",
            f"write country and region, for example {country or 'CA'}-ON",
        )
    if country is not None and of != country:
        raise part.at("region").error(
            f"region {region} lies in {of}, the field's country is {country}", "correct one of the two"
        )
    return country or of, region


def _stages(shape: FieldShape, part: Part, names: Names, crop: Crop) -> tuple[dict[str, Day], dict[str, Part]]:
    """Date by stage code, and where each stands."""
    stages: dict[str, Day] = {}
    written: dict[str, Part] = {}
    for code, text in shape.stages.items():
        here = part.at("stages", code)
        stage = names.stage(crop, code, here)
        if stage.code in stages:
            raise here.error(f"stage {stage.code} is given twice", "keep one of the two dates")
        stages[stage.code] = date(text, here)
        written[stage.code] = here
    return stages, written


def _check_dates(
    sown: Day | None,
    harvest: Day | None,
    stages: dict[str, Day],
    written: dict[str, Part],
    names: Names,
    crop: Crop,
    part: Part,
) -> None:
    if sown and harvest:
        if harvest <= sown:
            raise part.at("harvest").error(
                f"harvest {harvest} is not after sowing {sown}", "correct one of the two dates"
            )
        if (harvest - sown).days > LONGEST_SEASON:
            raise part.at("harvest").error(
                f"harvest {harvest} is {(harvest - sown).days} days after sowing {sown}",
                f"correct the year: a season of more than {LONGEST_SEASON} days is not believable",
            )
    dated: list[tuple[Day, int, str]] = []
    for code, day in stages.items():
        here = written[code]
        if sown and day < sown:
            raise here.error(f"stage {code} on {day} is before sowing on {sown}", "correct one of the two dates")
        if harvest and day > harvest:
            raise here.error(f"stage {code} on {day} is after harvest on {harvest}", "correct one of the two dates")
        if sown and (day - sown).days > LONGEST_SEASON:
            raise here.error(
                f"stage {code} on {day} is {(day - sown).days} days after sowing on {sown}",
                "correct the year",
            )
        bbch = names.stage(crop, code, here).bbch
        for other_day, other_bbch, other in dated:
            if (bbch > other_bbch and day < other_day) or (bbch < other_bbch and day > other_day):
                early, late = (code, other) if bbch < other_bbch else (other, code)
                raise here.error(
                    f"stage {early} comes before {late}, but {stages[early]} is after {stages[late]}",
                    "correct one of the two dates",
                )
        dated.append((day, bbch, code))
    _check_scale(sown, harvest, stages, written, names, crop)


def _check_scale(
    sown: Day | None,
    harvest: Day | None,
    stages: dict[str, Day],
    written: dict[str, Part],
    names: Names,
    crop: Crop,
) -> None:
    """The order of the stages in time, which knows more than their BBCH codes (vine: several in one code)."""
    if len(stages) < 2:
        return
    from planner.phenology import StageOrderError, check_order
    from planner.season import scale_of

    ends = {code: day for code, day in (("sown", sown), ("harvest", harvest)) if day is not None}
    try:
        check_order(scale_of(names.catalogue, crop), {**stages, **ends})
    except StageOrderError as error:
        here = next(written[code] for code in (error.last, error.first) if code in written)
        raise here.error(
            f"stage {error.first} comes before {error.last}, but {error.first_date} is after {error.last_date}",
            "correct one of the two dates",
        ) from None


def _targets(shape: FieldShape, part: Part, names: Names, crop: Crop) -> tuple[FieldTarget, ...] | None:
    found: list[FieldTarget] = []
    for index, entry in enumerate(shape.targets):
        here = part.at("targets", index)
        plain = isinstance(entry, str)
        written = TargetShape(target=entry) if isinstance(entry, str) else entry
        target = names.target(crop, written.target, here, *(() if plain else ("target",)))
        if any(other.target == target.id for other in found):
            raise here.error(f"target {target.id} is given twice", "keep one of the two entries")
        resistant = tuple(
            names.group(code, here, "resistant", place).key for place, code in enumerate(written.resistant)
        )
        found.append(
            FieldTarget(
                target=target.id,
                pressure=written.pressure,
                cultivar=written.cultivar,
                resistant=tuple(dict.fromkeys(resistant)),
                place=here.place,
            )
        )
    return tuple(found) or None


def _application(shape: ApplicationShape | None, part: Part) -> Application:
    if shape is None:
        return Application()

    def read(text: str | None, key: str, dimension: str) -> float | None:
        return None if text is None else number(text, dimension, part, key)

    return Application(
        cost=read(shape.cost, "cost", "area_cost"),
        water=read(shape.water, "water", "water"),
        droplets=None if shape.droplets is None else droplets(shape.droplets, part, "droplets"),
        tank=read(shape.tank, "tank", "tank"),
        boom=read(shape.boom, "boom", "boom"),
        spacing=read(shape.spacing, "spacing", "spacing"),
        speed=read(shape.speed, "speed", "speed"),
    )


def _season(shape: SeasonShape, part: Part, names: Names) -> Season:
    crop = " ".join(shape.crop.split())
    try:
        crop = names.catalogue.crop(crop).id
    except UnknownName as error:
        # a crop that the catalogue does not hold may have stood here; a slip of the pen may not
        if error.nearest or not crop:
            raise part.at("crop").error(f"unknown crop '{crop}'", error.cure) from None
    return Season(
        season=str(shape.season).strip(),
        crop=crop,
        groups=tuple(
            tuple(
                dict.fromkeys(
                    names.group(code, part, "groups", number, place).key for place, code in enumerate(codes)
                )
            )
            for number, codes in enumerate(shape.groups)
        ),
    )


def _history_in_order(shape: FieldShape, part: Part) -> bool:
    for index in range(1, len(shape.history)):
        before, after = str(shape.history[index - 1].season), str(shape.history[index].season)
        if before.isdigit() and after.isdigit() and int(after) > int(before):
            raise part.at("history", index, "season").error(
                f"season {after} stands below season {before}", "put the newest season first"
            )
    return True


def _temperatures(
    shape: FieldShape, part: Part, files: Files, document: Path | str
) -> tuple[tuple[Day, float, float], ...]:
    written = shape.temperatures
    here = part.at("temperatures")
    if written is None:
        return ()
    if isinstance(written, TemperaturesShape):
        rows = [
            (here.at("days", index), date(day, here, "days", index), least, most)
            for index, (day, least, most) in enumerate(written.days)
        ]
        return rows_of([(entry.place, day, least, most) for entry, day, least, most in rows], written.unit)
    return read_temperatures(files.beside(written, document, here.place, "temperatures"), files)
