"""The passes of a programme, and what must hold between them, the field and the calendar."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from planner.documents.field import LONGEST_SEASON
from planner.documents.names import Names, amount, date, droplets, number
from planner.documents.products import folded, wrong_measure
from planner.documents.shapes import AcceptShape, Part, PassShape, TankShape
from planner.errors import InputError, nearest
from planner.model import Accept, Crop, Day, Field, Pass, Place, Product, TankItem

if TYPE_CHECKING:
    from planner.catalogue import Catalogue

STAGE_GRACE = 7  # days that a pass's own stage may lie off the field's dates without a notice (contract, section 1)
MOST_PASSES = 100  # these two are common practice, no source: they catch files that are no programme
MOST_IN_TANK = 30
_RULE_FILE = re.compile(r"([A-Z]{3}[0-9]{2})-(.+)\.yaml\Z")


def build_passes(
    shapes: Sequence[PassShape],
    part: Part,
    field: Field,
    products: Sequence[Product],
    catalogue: Catalogue,
    refused: list[InputError] | None = None,
    spoilt: Collection[int] = (),
) -> tuple[Pass, ...]:
    """The passes of a programme, in order, with their tanks resolved against the product list.

    Args:
        refused: takes what is wrong in single passes, so that all of it is told at once; without it the first
            thing that is wrong ends the work.
        spoilt: passes of which something is refused already; of these only the names in the tank are looked at.

    Raises:
        InputError: an unknown name or unit, a rate that does not fit its product, a pass without tank or
        time.
    """
    names = Names(catalogue)
    crop = catalogue.crop(field.crop)
    listed = {folded(product.name): product for product in products}
    if not shapes:
        raise part.error("the programme has no passes", "begin each pass with '- ', for example '- stage: R3'")
    if len(shapes) > MOST_PASSES:
        raise part.at(MOST_PASSES).error(
            f"the programme has {len(shapes)} passes", f"a season of more than {MOST_PASSES} passes is not believable"
        )
    result = []
    places = part.places(len(shapes))
    for index, shape in enumerate(shapes):
        if index in spoilt:
            _tank(shape.tank, part.at(index, "tank"), listed, products, names, refused)
            continue
        try:
            result.append(_pass(index, shape, part.at(index), places[index], crop, listed, products, names, refused))
        except InputError as error:
            if refused is None:
                raise
            refused.append(error)
    return tuple(result)


def _pass(
    index: int,
    shape: PassShape,
    here: Part,
    place: Place,
    crop: Crop,
    listed: dict[str, Product],
    products: Sequence[Product],
    names: Names,
    refused: list[InputError] | None,
) -> Pass:
    if shape.date is None and shape.stage is None:
        raise here.error(f"pass {index + 1} has neither date nor stage", "add date: 2026-07-02, or stage: R3, or both")
    if not shape.tank:
        raise here.at("tank").error(
            f"the tank of pass {index + 1} is empty", "add tank: [{product: NAME, rate: 0.6 L/ha}]"
        )
    return Pass(
        number=index + 1,
        date=date(shape.date, here, "date") if shape.date is not None else None,
        stage=names.stage(crop, shape.stage, here, "stage").code if shape.stage is not None else None,
        how=shape.how,
        tank=_tank(shape.tank, here.at("tank"), listed, products, names, refused),
        water=number(shape.water, "water", here, "water") if shape.water is not None else None,
        droplets=droplets(shape.droplets, here, "droplets") if shape.droplets is not None else None,
        canopy=shape.canopy,
        place=place,
    )


def _tank(
    shapes: Sequence[TankShape],
    part: Part,
    listed: dict[str, Product],
    products: Sequence[Product],
    names: Names,
    refused: list[InputError] | None,
) -> tuple[TankItem, ...]:
    if len(shapes) > MOST_IN_TANK:
        raise part.at(MOST_IN_TANK).error(
            f"this tank has {len(shapes)} entries", f"a tank of more than {MOST_IN_TANK} is not believable"
        )
    items: list[TankItem] = []
    inside: set[tuple[str | None, str | None]] = set()
    for index, (shape, place) in enumerate(zip(shapes, part.places(len(shapes)), strict=True)):
        try:
            item = _item(shape, part, index, place, listed, products, names)
            if (item.product, item.active) in inside:
                raise part.at(index).error(
                    f"'{item.product or item.active}' is in this tank twice",
                    "add the two amounts together in one entry",
                )
        except InputError as error:
            if refused is None:
                raise
            refused.append(error)
            continue
        inside.add((item.product, item.active))
        items.append(item)
    return tuple(items)


def _item(
    shape: TankShape,
    tank: Part,
    index: int,
    place: Place,
    listed: dict[str, Product],
    products: Sequence[Product],
    names: Names,
) -> TankItem:
    """One entry of a tank: the one at ``index``, which stands at ``place``."""
    if shape.product is not None and shape.active is not None:
        raise tank.at(index).error(
            "this entry names both a product and an active",
            "write one of them; the product list gives its actives",
        )
    if shape.product is not None:
        product = listed.get(folded(shape.product))
        if product is None:
            raise _unknown_product(shape.product, tank.at(index, "product"), products, names)
        if shape.dose is not None:
            raise tank.at(index, "dose").error(
                f"'{product.name}' is a product, its amount is a rate",
                "write rate: 0.6 L/ha, in the product's measure",
            )
        rate = None
        if shape.rate is not None:
            rate, dimension = amount(shape.rate, ("liquid_rate", "solid_rate"), tank, index, "rate")
            form = "liquid" if product.amount_unit == "L/ha" else "solid"
            if dimension != f"{form}_rate":
                raise wrong_measure(shape.rate, tank.at(index, "rate"), product.name, form, "rate")
        return TankItem(product=product.name, rate=rate, unit=product.amount_unit, place=place)
    if shape.active is None:
        raise tank.at(index).error("this entry names neither product nor active", "add product: NAME or active: NAME")
    if folded(shape.active) in listed and not names.catalogue.has_active(shape.active):
        name = listed[folded(shape.active)].name
        raise tank.at(index, "active").error(f"'{name}' is a product", f"write product: {name}")
    active = names.active(shape.active, tank, index, "active")
    if shape.rate is not None:
        raise tank.at(index, "rate").error(
            f"'{active.name}' is a bare active, its amount is a dose", "write dose: 150 g/ha, grams of active"
        )
    dose = number(shape.dose, "dose", tank, index, "dose") if shape.dose is not None else None
    return TankItem(active=active.name, dose=dose, place=place)


def _unknown_product(name: str, part: Part, products: Sequence[Product], names: Names) -> Exception:
    near = nearest(name, [product.name for product in products])
    if near:
        return part.error(f"unknown product '{name}'", f"did you mean {' or '.join(near)}?")
    if names.catalogue.has_active(name):
        active = names.catalogue.active(name).name
        return part.error(f"'{name}' is an active, not a listed product", f"write active: {active} with dose:")
    if not products:
        return part.error(
            f"product '{name}' is not known: there is no product list",
            "add products: FILE to the programme, or name one with --products",
        )
    return part.error(f"unknown product '{name}'", "add it to the product list, or correct the name")


def build_accept(
    shapes: Sequence[AcceptShape], part: Part, passes: Sequence[Pass], catalogue: Catalogue
) -> tuple[Accept, ...]:
    """The departures that the user keeps.

    Raises:
        InputError: an unknown rule or pass, or no reason.
    """
    if not shapes:
        return ()
    rules = rule_names(catalogue)
    result = []
    for index, shape in enumerate(shapes):
        here = part.at(index)
        code = shape.rule.strip().upper()
        if rules and code not in rules:
            by_name = {name: known for known, name in rules.items()}
            named = by_name.get(shape.rule.strip().casefold())
            near = (
                (named,)
                if named
                else nearest(code, rules) or tuple(by_name[name] for name in nearest(shape.rule, by_name, count=1))
            )
            cure = (
                f"write rule: {named}"
                if named
                else f"did you mean {' or '.join(near)}?"
                if near
                else ("'planner rules list' shows them")
            )
            raise here.at("rule").error(f"unknown rule '{shape.rule}'", cure)
        for place, wanted in enumerate(shape.passes):
            if not 1 <= wanted <= len(passes):
                raise here.at("passes", place).error(
                    f"there is no pass {wanted}", f"the programme has passes 1 to {len(passes)}"
                )
        reason = " ".join(shape.reason.split())
        if not reason:
            raise here.at("reason").error("the reason is empty", "say in words why the departure is kept")
        result.append(Accept(rule=code, passes=tuple(shape.passes), reason=reason, place=here.place))
    return tuple(result)


def rule_names(catalogue: Catalogue) -> dict[str, str]:
    """Code and name of every rule file, from the file names."""
    return _rule_names(tuple(str(path) for path in catalogue.rules_dirs))


@cache
def _rule_names(folders: Iterable[str]) -> dict[str, str]:
    found: dict[str, str] = {}
    for folder in folders:
        for path in sorted(Path(folder).glob("*/*.yaml")):
            match = _RULE_FILE.match(path.name)
            if match:
                found[match.group(1)] = match.group(2)
    return found


# --- what must hold between the passes, the field and the calendar ------------------------------------


def check_calendar(passes: Sequence[Pass], part: Part, field: Field, catalogue: Catalogue) -> list[str]:
    """Hold the passes against each other and against the field's dates.

    Returns:
        Notices: two passes on one day, a stage far off the field's dates.

    Raises:
        InputError: passes out of order, before sowing or after harvest, or a season that is too long.
    """
    notices: list[str] = []
    bbch = {stage: catalogue.stage(field.crop, stage).bbch for stage in field.stages}
    seen: list[tuple[Pass, Day | None, int | None]] = []
    days: set[Day] = set()
    latest: Day | None = None  # of those seen, as is the highest stage; no two are out of order where neither goes back
    highest: int | None = None
    for index, entry in enumerate(passes):
        here = part.at(index)
        stage = catalogue.stage(field.crop, entry.stage).bbch if entry.stage is not None else None
        day = entry.date
        if day is None and stage is not None:
            day = next((field.stages[code] for code in field.stages if bbch[code] == stage), None)
        _check_season(entry, here, field)
        if (day and latest and day < latest) or (stage is not None and highest is not None and stage < highest):
            for other, other_day, other_stage in seen:
                _check_order(entry, day, stage, other, other_day, other_stage, here)
        latest = day if latest is None or (day and day > latest) else latest
        highest = stage if highest is None or (stage is not None and stage > highest) else highest
        if entry.date in days:
            notices += [
                f"passes {other.number} and {entry.number} are both on {entry.date}; they count as two"
                for other, _, _ in seen
                if entry.date == other.date
            ]
        if entry.date is not None:
            days.add(entry.date)
        notice = _stage_notice(entry, stage, field, bbch)
        if notice:
            notices.append(notice)
        seen.append((entry, day, stage))
    dates = [entry.date for entry in passes if entry.date is not None]
    if dates and (max(dates) - min(dates)).days > LONGEST_SEASON:
        late = max(range(len(passes)), key=lambda index: passes[index].date or min(dates))
        raise part.at(late, "date").error(
            f"the passes span {(max(dates) - min(dates)).days} days",
            "correct the year: a programme is for one season",
        )
    return notices


def _check_season(entry: Pass, part: Part, field: Field) -> None:
    day = entry.date
    if day is None:
        return
    if field.sown is not None:
        if day < field.sown and entry.how == "foliar":
            raise part.at("date").error(
                f"pass {entry.number} on {day} is before sowing on {field.sown}",
                "correct the date, or write how: seed or how: in-furrow",
            )
        if (field.sown - day).days > LONGEST_SEASON or (day - field.sown).days > LONGEST_SEASON:
            raise part.at("date").error(
                f"pass {entry.number} on {day} is {abs((day - field.sown).days)} days from sowing",
                "correct the year",
            )
    if field.harvest is not None and day > field.harvest:
        raise part.at("date").error(
            f"pass {entry.number} on {day} is after harvest on {field.harvest}",
            "correct one of the two dates",
        )


def _check_order(
    entry: Pass,
    day: Day | None,
    stage: int | None,
    other: Pass,
    other_day: Day | None,
    other_stage: int | None,
    part: Part,
) -> None:
    """``other`` stands above ``entry``, so it may not be later, by date or by stage."""
    treatment = (entry.how == "foliar") != (other.how == "foliar")
    if day is not None and other_day is not None and day < other_day:
        if entry.date is None or other.date is None:
            what = f"pass {entry.number} at {entry.stage or day} comes before pass {other.number}"
            what += f" at {other.stage or other_day}, by the field's stage dates"
        else:
            what = f"pass {entry.number} on {day} comes before pass {other.number} on {other_day}"
        raise part.at("date" if entry.date is not None else "stage").error(
            what, "put the passes in the order in which they are made, or correct the date"
        )
    if stage is not None and other_stage is not None and stage < other_stage and not treatment:
        raise part.at("stage").error(
            f"pass {entry.number} at {entry.stage} comes before pass {other.number} at {other.stage}",
            "put the passes in the order in which they are made, or correct the stage",
        )


def _stage_notice(entry: Pass, stage: int | None, field: Field, bbch: dict[str, int]) -> str | None:
    if entry.date is None or stage is None or entry.how != "foliar":
        return None
    for code, day in field.stages.items():
        early = (day - entry.date).days if bbch[code] <= stage else 0
        late = (entry.date - day).days if bbch[code] >= stage else 0
        if max(early, late) > STAGE_GRACE:
            side = "before" if early > late else "after"
            return (
                f"pass {entry.number} says {entry.stage} on {entry.date}, {max(early, late)} days {side} "
                f"the field's {code} on {day}; its own stage holds for this pass"
            )
    return None
