"""The product list: what can be bought, and what the user copied from each container's label."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import TYPE_CHECKING

from planner.documents import words
from planner.documents.names import Names, amount, currency, number, title
from planner.documents.shapes import LabelShape, Part, ProductListShape, ProductShape
from planner.errors import InputError
from planner.model import Active, AmountUnit, CropLabel, Product

if TYPE_CHECKING:
    from planner.catalogue import Catalogue

MOST_APPLICATIONS = 30  # in one season; common practice, no source: catches slips of the pen

_FORMS: dict[str, tuple[AmountUnit, str, str]] = {
    "liquid": ("L/ha", "a liquid", "by volume"),
    "solid": ("kg/ha", "a solid", "by weight"),
}
_CONTENT = ("liquid_content", "solid_content")


def build_products(
    shape: ProductListShape, part: Part, catalogue: Catalogue, refused: list[InputError] | None = None
) -> tuple[Product, ...]:
    """The products of a list. ``refused`` takes what is wrong in single products, so that all of it is told at once.

    Raises:
        InputError: an unknown name or unit, amounts that do not fit each other, a product given twice.
    """
    names = Names(catalogue)
    of = currency(shape.currency, part, "currency")
    found: dict[str, Product] = {}
    for index, entry in enumerate(shape.products):
        here = part.at("products", index)
        try:
            product = build_product(entry, here, names, of, shape.demo)
        except InputError as error:
            if refused is None:
                raise
            refused.append(error)
            continue
        if folded(product.name) in found:
            first = found[folded(product.name)].place.line
            raise here.at("name").error(
                f"product '{product.name}' is listed twice, first in line {first}", "keep one of the two"
            )
        found[folded(product.name)] = product
    return tuple(found.values())


@lru_cache(maxsize=4096)
def folded(name: str) -> str:
    """A product's name as names are compared: without regard to case and repeated spaces."""
    return " ".join(name.casefold().split())


def build_product(shape: ProductShape, part: Part, names: Names, currency: str, demo: bool) -> Product:
    """One product with its labels."""
    name = title(shape.name, part, "name")
    actives = {
        names.active(text, part, "actives", text).name: (text, content) for text, content in shape.actives.items()
    }
    if len(actives) < len(shape.actives):
        raise part.at("actives").error(f"'{name}' lists one active twice", "add the two contents together")
    kind = _kind(shape, part, names, name)
    formulation = _formulation(shape, part, name)
    form = _form(shape, part, name, formulation)
    contents = {
        active: amount(content, _CONTENT, part, "actives", text)[0]
        for active, (text, content) in actives.items()
    }
    _check_contents(contents, part, name, form)
    return Product(
        name=name,
        kind=kind,
        formulation=formulation,
        amount_unit=_FORMS[form][0],
        actives=contents,
        price=_fitting(shape.price, part.at("price"), name, form, "price") if shape.price is not None else None,
        on_hand=_fitting(shape.on_hand, part.at("on_hand"), name, form, "stock") if shape.on_hand is not None else None,
        labels=_labels(shape, part, names, name, form, set(contents)),
        currency=currency,
        demo=shape.demo or demo,
        place=part.place,
    )


def _kind(shape: ProductShape, part: Part, names: Names, name: str) -> str:
    """The kind that is written, or that of the actives; the two may not contradict each other."""
    kinds = words.words().kinds
    if shape.kind is not None and shape.kind not in kinds:
        raise part.at("kind").error(f"unknown kind of product '{shape.kind}'", f"write one of {', '.join(kinds)}")
    actives: list[Active] = [names.active(text, part, "actives", text) for text in shape.actives]
    if shape.kind is None:
        if not actives:
            raise part.error(f"'{name}' has neither kind nor actives", "add actives: {azoxystrobin: 250 g/L}")
        return next((active.kind for active in actives if active.kind == "fungicide"), actives[0].kind)
    scheme = kinds[shape.kind].scheme
    if not scheme:
        if actives:
            raise part.at("actives").error(
                f"'{name}' is of kind {shape.kind}, which lists no actives",
                f"write kind: {actives[0].kind}, or leave the actives out",
            )
        return shape.kind
    if not actives:
        raise part.error(f"{shape.kind} '{name}' lists no actives", "add actives: {azoxystrobin: 250 g/L}")
    if all(active.kind != shape.kind for active in actives):
        raise part.at("kind").error(
            f"'{name}' is listed as {shape.kind}, but {actives[0].name} is of kind {actives[0].kind}",
            f"write kind: {actives[0].kind}",
        )
    return shape.kind


def _formulation(shape: ProductShape, part: Part, name: str) -> str:
    if shape.formulation is not None:
        code = words.formulation(shape.formulation.strip())
        if code is None:
            known = ", ".join(words.words().formulations)
            raise part.at("formulation").error(
                f"unknown formulation '{shape.formulation}'", f"write one of {known}, or leave the key out"
            )
        return code
    last = name.split()[-1]
    return (words.formulation(re.sub(r"^[0-9.]+", "", last)) or "") if last.isupper() else ""


def _form(shape: ProductShape, part: Part, name: str, formulation: str) -> str:
    """``liquid`` or ``solid``: from the contents, else the formulation, the price, the stock, a label's
    rate.
    """
    expected: str = words.words().formulations[formulation].form if formulation else ""
    for text, content in shape.actives.items():
        here = part.at("actives", text)
        form = amount(content, _CONTENT, here)[1].split("_")[0]
        expected = expected or form
        if form != expected:
            fits = "g/L" if expected == "liquid" else "g/kg"
            why = f" ({formulation})" if formulation else " by its first active"
            raise here.error(
                f"'{name}' is {_FORMS[expected][1]}{why}, but this content fits {_FORMS[form][1]}",
                f"write the content in {fits}, or correct the formulation",
            )
    if expected:
        return expected
    if shape.price is not None:
        return amount(shape.price, ("liquid_price", "solid_price"), part, "price")[1].split("_")[0]
    if shape.on_hand is not None:
        return amount(shape.on_hand, ("liquid_stock", "solid_stock"), part, "on_hand")[1].split("_")[0]
    for crop, label in shape.label.items():
        if label.rate:
            _, dimension = amount(label.rate[0], ("liquid_rate", "solid_rate"), part, "label", crop, "rate", 0)
            return dimension.split("_")[0]
    return "liquid"


def _check_contents(contents: dict[str, float], part: Part, name: str, form: str) -> None:
    total = sum(contents.values())
    if form == "solid" and total > 1000 * (1 + 1e-9):
        raise part.at("actives").error(
            f"the actives of '{name}' add up to {total:g} g/kg",
            "correct the contents: 1000 g/kg is all of it",
        )


def _fitting(text: str, part: Part, name: str, form: str, suffix: str) -> float:
    """Amount of a product in its own measure; one of the other measure is refused."""
    value, dimension = amount(text, (f"liquid_{suffix}", f"solid_{suffix}"), part)
    if dimension.split("_")[0] != form:
        raise wrong_measure(text, part, name, form, suffix)
    return value


def wrong_measure(text: str, part: Part, name: str, form: str, suffix: str) -> Exception:
    """The error for a liquid measured by weight, or a solid measured by volume."""
    from planner import quantities

    _, what, how = _FORMS[form]
    written = " (for fluid ounces write fl oz)" if form == "liquid" and "oz" in text.casefold() else ""
    return part.error(
        f"{part.key} '{text}' does not fit '{name}', which is {what}",
        f"measure it {how}, for example {quantities.example([f'{form}_{suffix}'])}{written}",
    )


def _labels(
    shape: ProductShape, part: Part, names: Names, name: str, form: str, actives: set[str]
) -> dict[str, CropLabel]:
    labels: dict[str, CropLabel] = {}
    for text, label in shape.label.items():
        here = part.at("label", text)
        crop = names.crop(text, here)
        if crop.id in labels:
            raise here.error(f"the label of '{name}' lists {crop.name} twice", "keep one of the two")
        labels[crop.id] = _label(label, here, names, crop.id, name, form, actives)
    return labels


def _label(
    shape: LabelShape, part: Part, names: Names, crop_id: str, name: str, form: str, actives: set[str]
) -> CropLabel:
    crop = names.catalogue.crop(crop_id)
    least = most = None
    if shape.rate is not None:
        least, most = (
            _fitting(text, part.at("rate", index), name, form, "rate") for index, text in enumerate(shape.rate)
        )
        if least > most:
            raise part.at("rate").error(
                f"the least rate {shape.rate[0]} is above the most {shape.rate[1]}", "write [least, most]"
            )
    totals: dict[str, float] = {}
    for text, total in shape.active_total.items():
        here = part.at("active_total", text)
        active = names.active(text, here).name
        if active not in actives:
            raise here.error(
                f"the label of '{name}' limits {active}, which is not among its actives",
                f"write one of {', '.join(sorted(actives))}" if actives else "leave it out",
            )
        totals[active] = number(total, "season_total", here)
    stages = None
    if shape.stages is not None:
        first, last = (names.stage(crop, code, part, "stages", index) for index, code in enumerate(shape.stages))
        if first.bbch > last.bbch:
            raise part.at("stages").error(
                f"the first stage {first.code} comes after the last, {last.code}", "write [first, last]"
            )
        stages = (first.code, last.code)
    return CropLabel(
        rate_least=least,
        rate_most=most,
        applications=_count(shape.applications, part.at("applications")),
        active_total=totals,
        interval=_days(shape.interval, part.at("interval")),
        first_stage=stages[0] if stages else None,
        last_stage=stages[1] if stages else None,
        harvest_interval=_days(shape.harvest_interval, part.at("harvest_interval")),
        consecutive=_count(shape.consecutive, part.at("consecutive")),
        water=number(shape.water, "water", part, "water") if shape.water is not None else None,
        reentry=number(shape.reentry, "hours", part, "reentry") if shape.reentry is not None else None,
        protection=number(shape.protection, "days", part, "protection") if shape.protection is not None else None,
        targets={
            names.target(crop, text, part, "targets", text).id: rating for text, rating in shape.targets.items()
        },
        place=part.place,
    )


def _count(value: int | None, part: Part) -> int | None:
    if value is not None and not 1 <= value <= MOST_APPLICATIONS:
        raise part.error(f"{part.key} {value} is not believable", f"write between 1 and {MOST_APPLICATIONS}")
    return value


def _days(text: str | None, part: Part) -> int | None:
    if text is None:
        return None
    value = number(text, "days", part)
    if value != int(value):
        raise part.error(f"{part.key} '{text}' is not a whole number of days", "write for example 14 d")
    return int(value)
