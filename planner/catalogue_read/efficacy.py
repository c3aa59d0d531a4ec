"""How well sprays work and for how long: ratings, days of protection, days to the next spray."""

from __future__ import annotations

from planner.catalogue_read.chemistry import frac_code, known_active
from planner.catalogue_read.crops import crop_id
from planner.catalogue_read.reading import Reading, regions
from planner.catalogue_read.targets import targets_of
from planner.datafile import Row
from planner.errors import nearest
from planner.model import CLASSES, Protection, Rating, Retreatment

ADDITIVES = ("lignosulfonate",)  # adjuvant salts that trials name beside the actives; they belong to no scheme


def read_ratings(reading: Reading) -> None:
    """``ratings/``: how well actives work on the targets of a crop."""
    for layer, top in reading.documents("ratings/*.yaml"):
        crop = crop_id(reading, top, "crop", top.text("crop", required=True))
        elsewhere = top.texts("targets_elsewhere")
        known = reading.all.targets.get(crop, {})
        into = reading.all.ratings.setdefault(crop, {})
        for row in top.rows("ratings", required=True):
            target = row.text("target", required=True)
            if target not in known and target not in elsewhere:
                near = nearest(target, known)
                row.fail("target", f"'{target}' is no target of {crop}", f"did you mean '{near[0]}'?" if near else "")
            actives = row.texts("actives", required=True)
            for index, active in enumerate(actives):
                if active not in ADDITIVES:
                    known_active(reading, row, ("actives", index), active)
            country = row.text("country", required=True)
            regions(row, "country", (country,))
            rating = row.text("class", required=True, one_of=(*CLASSES, "unknown"))
            key = (target, tuple(sorted(actives)), country)
            reading.once(layer, f"rating in {crop}", (target, "+".join(key[1]), country), row)
            years = row.pair("years", 1950, 2100)
            passes = row.pair("passes", 1, 20)
            into[key] = Rating(
                crop=crop,
                target=target,
                actives=key[1],
                country=country,
                rating=rating if rating in CLASSES else None,
                printed=row.text("printed") or row.text("range"),
                stops_lookup=row.flag("stops_lookup"),
                elsewhere=row.flag("elsewhere"),
                after_resistance=row.flag("after_resistance"),
                control=row.number("control", -100, 100),
                interval=row.pair("interval", -200, 100),
                trials=row.integer("trials", 1, 5000),
                years=None if years is None else (int(years[0]), int(years[1])),
                passes=None if passes is None else (int(passes[0]), int(passes[1])),
                backing=reading.backing(row),
            )
            row.raw("range")
            row.finish()
        top.finish()


def read_protection(reading: Reading) -> None:
    """``protection.yaml``: days of protection by group, and days to the next spray against a target."""
    for _layer, top in reading.documents("protection.yaml"):
        rule = top.row("rule")
        if rule is not None:
            reading.backing(rule)
        reading.all.protection[:0] = [_protection(reading, row) for row in top.rows("protection")]
        reading.all.retreatment[:0] = [_retreatment(reading, row) for row in top.rows("retreatment")]
        top.finish()


def _protection(reading: Reading, row: Row) -> Protection:
    crops = row.texts("crops", required=True)
    for crop in crops:
        if crop != "all":
            crop_id(reading, row, "crops", crop)
    codes = tuple(frac_code(reading, row, ("codes", index), code) for index, code in enumerate(row.texts("codes")))
    groups = row.integer("working_groups", 1, 5)
    if not codes and groups is None:
        row.fail((), "'codes' is missing", "add 'codes: [...]' or 'working_groups: 2'")
    days = row.pair("days", 1, 120, required=True) or (0.0, 0.0)
    found = Protection(
        crops=crops,
        codes=codes,
        working_groups=groups,
        least=days[0],
        most=days[1],
        kind=row.text("kind"),
        backing=reading.backing(row),
    )
    row.finish()
    return found


def _retreatment(reading: Reading, row: Row) -> Retreatment:
    crop = crop_id(reading, row, "crop", row.text("crop", required=True))
    days = row.pair("days", 1, 120, required=True) or (0.0, 0.0)
    found = Retreatment(
        crop=crop,
        targets=targets_of(reading, row, crop),
        least=days[0],
        most=days[1],
        typical=row.number("typical", 1, 120),
        backing=reading.backing(row),
    )
    row.finish()
    return found
