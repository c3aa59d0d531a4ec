"""The model becomes documents again: what ``draft`` writes, and this season's entry for next season's
history.

Amounts are written in base units with all their digits, so that a document that was written here loads to
the very same numbers.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import msgspec

from planner import yamlio
from planner.errors import InputError
from planner.model import (
    Application,
    CropLabel,
    Field,
    Pass,
    Product,
    Programme,
    Season,
    TankItem,
)
from planner.quantities import exact

if TYPE_CHECKING:
    from planner.catalogue import Catalogue

Data = dict[str, Any]


def dump_programme(programme: Programme, *, field: str | None = None, products: Sequence[str] | None = None) -> str:
    """YAML that ``load_programme`` takes back to the same programme (places, file and checksum apart).

    Args:
        field: file name to write instead of the field's keys.
        products: file names to write instead of the products.
    """
    data: Data = {"programme": 1}
    _put(data, "name", programme.name)
    data["field"] = field if field is not None else field_data(programme.field)
    if products is not None:
        if products:
            data["products"] = products[0] if len(products) == 1 else list(products)
    elif programme.products:
        data["products"] = [product_data(product) for product in programme.products]
    _put(data, "currency", programme.currency)
    data["passes"] = [_pass(entry) for entry in programme.passes]
    if programme.accept:
        data["accept"] = [
            {
                "rule": entry.rule,
                **({"passes": list(entry.passes)} if entry.passes else {}),
                "reason": entry.reason,
            }
            for entry in programme.accept
        ]
    return yamlio.dump(data)


def dump_field(field: Field) -> str:
    """YAML that ``load_field`` takes back to the same field (places apart)."""
    return yamlio.dump({"field": 1, **field_data(field)})


def dump_products(products: Sequence[Product]) -> str:
    """YAML of a product list that ``load_products`` takes back (places apart).

    Raises:
        InputError: the products are priced in several currencies; a list has one.
    """
    currencies = list(dict.fromkeys(product.currency for product in products))
    if len(currencies) > 1:
        raise InputError("product list", "products of several currencies", "write one list for each currency")
    data: Data = {}
    if currencies:
        _put(data, "currency", currencies[0])
    data["products"] = [product_data(product) for product in products]
    return yamlio.dump(data)


def history_entry(programme: Programme, catalogue: Catalogue, *, season: str | None = None) -> Season:
    """This season as next season's ``history`` entry: the groups of each pass, in tank order, each once.

    Args:
        season: its name; by default the year of harvest, else of the last dated pass, else of sowing.

    Raises:
        InputError: no season is given and nothing in the programme is dated.
    """
    field = programme.field
    if season is None:
        dates = [entry.date for entry in programme.passes if entry.date is not None]
        day = field.harvest or (max(dates) if dates else None) or field.sown
        if day is None:
            raise InputError(
                programme.file or "programme",
                "nothing in it is dated",
                "add a date, or say which season it is",
            )
        season = str(day.year)
    return Season(
        season=season,
        crop=field.crop,
        groups=tuple(_groups(entry, programme, catalogue) for entry in programme.passes),
    )


def dump_history(programme: Programme, catalogue: Catalogue, *, season: str | None = None) -> str:
    """YAML to paste into next season's field document: this season's entry, then the earlier ones."""
    entries = [history_entry(programme, catalogue, season=season), *programme.field.history]
    return yamlio.dump({"history": [_season(entry) for entry in entries]})


def bare(programme: Programme) -> Programme:
    """The programme without what belongs to its file: places, file name, checksum. For comparing two of
    them.
    """
    data = msgspec.to_builtins(programme)
    _forget_places(data)
    data.update(file="", checksum="", notices=[], readings=[])
    return msgspec.convert(data, Programme)


def field_data(field: Field) -> Data:
    """The keys of a field document."""
    data: Data = {}
    _put(data, "name", field.name)
    data["crop"] = field.crop
    _amount(data, "area", field.area, "area")
    _put(data, "country", field.country)
    _put(data, "region", field.region)
    _put(data, "sown", field.sown and field.sown.isoformat())
    _put(data, "type", field.type)
    if field.stages:
        data["stages"] = {code: day.isoformat() for code, day in field.stages.items()}
    _put(data, "harvest", field.harvest and field.harvest.isoformat())
    if field.targets:
        data["targets"] = [
            {
                "target": entry.target,
                **({"pressure": entry.pressure} if entry.pressure else {}),
                **({"cultivar": entry.cultivar} if entry.cultivar else {}),
                **({"resistant": list(entry.resistant)} if entry.resistant else {}),
            }
            for entry in field.targets
        ]
    grain: Data = {}
    _amount(grain, "yield", field.grain_yield, "grain_yield")
    _amount(grain, "price", field.grain_price, "grain_price")
    _put(data, "grain", grain)
    _put(data, "currency", field.currency)
    _put(data, "application", _application(field.application))
    if field.history:
        data["history"] = [_season(entry) for entry in field.history]
    if field.latitude is not None:
        data["latitude"] = field.latitude
    _put(data, "maturity_group", field.maturity_group)
    if field.temperatures:
        data["temperatures"] = {
            "unit": "C",
            "days": [[day.isoformat(), least, most] for day, least, most in field.temperatures],
        }
    return data


def product_data(product: Product) -> Data:
    """The keys of one entry of a product list."""
    form = "liquid" if product.amount_unit == "L/ha" else "solid"
    data: Data = {"name": product.name, "kind": product.kind}
    _put(data, "formulation", product.formulation)
    if product.actives:
        data["actives"] = {name: exact(content, f"{form}_content") for name, content in product.actives.items()}
    _amount(data, "price", product.price, f"{form}_price")
    _amount(data, "on_hand", product.on_hand, f"{form}_stock")
    if product.labels:
        data["label"] = {crop: _label(label, form) for crop, label in product.labels.items()}
    if product.demo:
        data["demo"] = True
    return data


def _label(label: CropLabel, form: str) -> Data:
    data: Data = {}
    if label.rate_least is not None and label.rate_most is not None:
        data["rate"] = [exact(label.rate_least, f"{form}_rate"), exact(label.rate_most, f"{form}_rate")]
    _put(data, "applications", label.applications)
    if label.active_total:
        data["active_total"] = {name: exact(total, "season_total") for name, total in label.active_total.items()}
    _amount(data, "interval", label.interval, "days")
    if label.first_stage is not None and label.last_stage is not None:
        data["stages"] = [label.first_stage, label.last_stage]
    _amount(data, "harvest_interval", label.harvest_interval, "days")
    _put(data, "consecutive", label.consecutive)
    _amount(data, "water", label.water, "water")
    _amount(data, "reentry", label.reentry, "hours")
    _amount(data, "protection", label.protection, "days")
    if label.targets:
        data["targets"] = dict(label.targets)
    return data


def _application(application: Application) -> Data:
    data: Data = {}
    _amount(data, "cost", application.cost, "area_cost")
    _amount(data, "water", application.water, "water")
    _put(data, "droplets", application.droplets)
    _amount(data, "tank", application.tank, "tank")
    _amount(data, "boom", application.boom, "boom")
    _amount(data, "spacing", application.spacing, "spacing")
    _amount(data, "speed", application.speed, "speed")
    return data


def _pass(entry: Pass) -> Data:
    data: Data = {}
    _put(data, "date", entry.date and entry.date.isoformat())
    _put(data, "stage", entry.stage)
    if entry.how != "foliar":
        data["how"] = entry.how
    data["tank"] = [_item(item) for item in entry.tank]
    _amount(data, "water", entry.water, "water")
    _put(data, "droplets", entry.droplets)
    _put(data, "canopy", entry.canopy)
    return data


def _item(item: TankItem) -> Data:
    data: Data = {}
    _put(data, "product", item.product)
    _put(data, "active", item.active)
    _amount(data, "rate", item.rate, "liquid_rate" if item.unit == "L/ha" else "solid_rate")
    _amount(data, "dose", item.dose, "dose")
    return data


def _season(entry: Season) -> Data:
    season: int | str = int(entry.season) if entry.season.isdigit() and len(entry.season) == 4 else entry.season
    return {"season": season, "crop": entry.crop, "groups": [list(groups) for groups in entry.groups]}


def _groups(entry: Pass, programme: Programme, catalogue: Catalogue) -> tuple[str, ...]:
    found: dict[str, None] = {}
    for item in entry.tank:
        product = programme.product(item.product) if item.product is not None else None
        names = list(product.actives) if product is not None else [item.active] if item.active is not None else []
        for name in names:
            found.setdefault(catalogue.active(name).group)
    return tuple(found)


def _put(data: Data, key: str, value: Any) -> None:
    if value is not None and value != "" and value != {}:
        data[key] = value


def _amount(data: Data, key: str, value: float | None, dimension: str) -> None:
    if value is not None:
        data[key] = exact(value, dimension)


def _forget_places(data: Any) -> None:
    if isinstance(data, dict):
        if "place" in data:
            data["place"] = {"file": "", "line": 0, "cell": ""}
        for value in data.values():
            _forget_places(value)
    elif isinstance(data, (list, tuple)):
        for value in data:
            _forget_places(value)
