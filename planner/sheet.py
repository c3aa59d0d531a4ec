"""The spray sheet: what goes into the tank, load by load, and what to buy, from a programme and its field.

Amounts are worked out once in whole steps of the unit that is printed (``Portion``), so that full loads and the short
last one add up to the field's total on paper, not only in the machine. What the documents do not give is listed as
missing and never made up.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from typing import TYPE_CHECKING, Any

from planner import economics, quantities
from planner import spray as sprayer
from planner.account import Account, PassState
from planner.audit import audit, cost
from planner.model import AuditReport, CropLabel, Day, Finding, Product, Programme, Struct, TankItem
from planner.quantities import System

if TYPE_CHECKING:
    from planner.catalogue import Catalogue


class Portion(Struct, frozen=True, kw_only=True):
    """One product's amounts in one unit, as printed: ``loads * full + last == total``, exactly.

    ``full`` None: no tank or no water is known; ``last`` None: the last load is a full one (or loads are not known).
    """

    unit: str  # L, kg, g; fl oz, oz in US units
    total: Decimal | None
    full: Decimal | None
    last: Decimal | None


class Item(Struct, frozen=True, kw_only=True):
    """One product (or bare active) of a tank. ``rate`` per hectare in ``rate_unit`` of base units (L, kg or g)."""

    name: str
    product: bool
    kind: str
    groups: tuple[str, ...]
    rate: float | None
    base: str
    rate_words: str
    portion: Portion
    formulation: str | None
    reentry: float | None
    harvest_interval: int | None
    below_label: bool
    above_label: bool
    label_rate: str


class Loads(Struct, frozen=True, kw_only=True):
    """Fillings of the tank. Base units: ha, L. ``last_*`` None: every load is full."""

    number: int
    full: int
    area_per_full: float
    spray_per_full: float
    last_area: float | None
    last_spray: float | None
    spray: float


class Flow(Struct, frozen=True, kw_only=True):
    """Flow of one nozzle by both formulas; the two agree but for rounding."""

    l_min: float
    gal_min: float
    speed: float
    spacing: float
    water: float


class Advice(Struct, frozen=True, kw_only=True):
    """Droplets and water of a pass beside the published advice for one target."""

    target: str
    name: str
    droplets_fit: bool | None
    water: str | None  # below, within, above
    droplets_advised: tuple[str, ...]
    water_advised: tuple[float, float | None] | None
    notes: tuple[str, ...]
    sources: tuple[str, ...]


class Step(Struct, frozen=True, kw_only=True):
    """One step of filling."""

    letter: str
    text: str
    products: tuple[str, ...]


class PassSheet(Struct, frozen=True, kw_only=True):
    """The sheet of one pass."""

    number: int
    day: Day | None
    day_estimated: bool
    stage: str | None
    how: str
    canopy: str | None
    items: tuple[Item, ...]
    water: float | None
    droplets: str | None
    loads: Loads | None
    flow: Flow | None
    boom_flow: float | None  # L/min, all nozzles together
    minutes: float | None  # spraying alone, without turns and filling
    advice: tuple[Advice, ...]
    steps: tuple[Step, ...]
    unplaced: tuple[str, ...]
    reentry_hours: float | None
    reentry_by: str | None
    reentry_unknown: tuple[str, ...]
    reentry_until: datetime.datetime | None
    harvest_days: int | None
    harvest_by: str | None
    harvest_unknown: tuple[str, ...]
    harvest_from: Day | None
    cost: float | None  # money per hectare, products and application
    breaches: tuple[str, ...]
    cautions: tuple[str, ...]
    missing: tuple[str, ...]


class Buy(Struct, frozen=True, kw_only=True):
    """One line of the shopping list; amounts in ``unit``, money in the programme's currency."""

    product: str
    unit: str
    needed: Decimal | None
    on_hand: Decimal | None  # as listed; None: none listed
    from_stock: Decimal | None
    buy: Decimal | None
    left: Decimal | None  # of the stock, after the season
    price: str | None
    buy_cost: float | None
    stock_value: float | None
    passes: tuple[int, ...]


class Sheet(Struct, frozen=True, kw_only=True):
    """The whole answer. ``money`` as ``planner.economics.money``; areas in ha."""

    programme: str
    field: str
    crop: str
    area: float | None
    units: str
    currency: str
    verdict: str
    passes: tuple[PassSheet, ...]
    shopping: tuple[Buy, ...]
    buy_cost: float | None
    stock_value: float | None
    application_cost: float | None  # for the field and all passes
    cost: dict[str, Any]
    money: dict[str, Any]
    earliest_harvest: Day | None
    harvest: Day | None
    general: dict[str, str]
    missing: tuple[str, ...]
    demo: bool


def sheet(
    programme: Programme, catalogue: Catalogue, units: System = "metric", *, report: AuditReport | None = None
) -> Sheet:
    """The spray sheet of a programme.

    Args:
        units: amounts and loads are stepped in these units, so that the printed figures add up.
        report: the audit of this programme, where the caller has it; made here otherwise.

    Raises:
        InputError: two given dates contradict the order of the stages.
        UnknownName: a name that the catalogue lacks.
        EngineError: the rule engine failed (the sheet repeats the audit's breaches of a pass).
    """
    account = Account(programme, catalogue)
    report = report or audit(programme, catalogue)
    field = programme.field
    spent = cost(programme)
    by_pass = {entry["pass"]: entry["per_ha"] for entry in spent["passes"]}
    passes = tuple(
        _pass(account, state, units, by_pass.get(state.number), report.findings) for state in account.all_states
    )
    shopping = tuple(_shopping(programme, passes, units))
    bought = [entry.buy_cost for entry in shopping if entry.buy_cost is not None]
    stock = [entry.stock_value for entry in shopping if entry.stock_value is not None]
    foliar = sum(1 for entry in programme.passes if entry.how == "foliar")
    application = field.application.cost
    data = catalogue.spraying
    known = [(entry.day, entry.harvest_days) for entry in passes if entry.day is not None]
    return Sheet(
        programme=programme.name or programme.file,
        field=field.name,
        crop=account.crop.name,
        area=field.area,
        units=units,
        currency=programme.currency or field.currency,
        verdict=report.verdict,
        passes=passes,
        shopping=shopping,
        buy_cost=math.fsum(bought) if bought else None,
        stock_value=math.fsum(stock) if stock else None,
        application_cost=application * field.area * foliar if application is not None and field.area else None,
        cost=spent,
        money=economics.money(data, field, spent, account.crop.bushel_kg),
        earliest_harvest=sprayer.earliest_harvest(known),
        harvest=field.harvest,
        general=_general(data),
        missing=tuple(_season_missing(programme)),
        demo=any(product.demo for product in programme.products),
    )


def _general(data: Mapping[str, Any]) -> dict[str, str]:
    """Published words on mixing that hold for every tank."""
    mixing = data["mixing"]
    return {
        "label_first": mixing["label_first"]["text"],
        "before_all": mixing["before_all"]["text"],
        "jar_test": "{text}; good: {good}; bad: {bad}".format(**mixing["jar_test"]),
        "most_partners": mixing["most_partners"]["text"],
    }


def _season_missing(programme: Programme) -> Iterator[str]:
    field, use = programme.field, programme.field.application
    lacking = {
        "area": (field.area, "amounts for the field, loads and the shopping list"),
        "application: tank": (use.tank, "number of loads and amounts per load"),
        "application: speed": (use.speed, "nozzle flow and spraying time"),
        "application: spacing": (use.spacing, "nozzle flow"),
        "application: cost": (use.cost, "the whole cost of a pass"),
        "grain: price": (field.grain_price, "what a pass must earn"),
    }
    for key, (value, what) in lacking.items():
        if value is None:
            yield f"the field gives no {key}: {what} cannot be worked out"


# --- one pass -------------------------------------------------------------------------------------------------------


def _pass(
    account: Account, state: PassState, units: System, per_ha: float | None, findings: tuple[Finding, ...]
) -> PassSheet:
    entry, field = state.entry, account.field
    use = field.application
    foliar = entry.how == "foliar"
    water = (entry.water if entry.water is not None else use.water) if foliar else None
    droplets = (entry.droplets or use.droplets) if foliar else None
    day = (
        datetime.date.fromordinal(state.time.day)
        if state.time.day is not None and not account.season.floating
        else None
    )
    missing = list(_pass_missing(account, state, water, droplets))
    loads = None
    if foliar and field.area is not None and water is not None and use.tank is not None:
        loads = loads_of(field.area, water, use.tank)
    items = tuple(_item(account, one, loads, units) for one in entry.tank)
    reentry = sprayer.longest({one.name: one.reentry for one in items})
    harvest = sprayer.longest({one.name: one.harvest_interval for one in items})
    steps: tuple[Step, ...] = ()
    unplaced: tuple[str, ...] = ()
    if foliar:
        named = {one.name: one.formulation for one in items if one.product}
        order = sprayer.mixing_order(account.catalogue.spraying, named)
        steps = tuple(Step(letter=one.letter, text=one.text, products=one.products) for one in order.steps)
        unplaced = order.unplaced
    flow = None
    if water is not None and use.speed is not None and use.spacing is not None:
        flow = flow_of(water, use.speed, use.spacing)
    minutes = None
    if foliar and field.area is not None and use.speed is not None and use.boom is not None:
        minutes = field.area / sprayer.work_rate(use.speed, use.boom)
    mine = [one for one in findings if state.number in one.passes and one.accepted is None]
    return PassSheet(
        number=state.number,
        day=day,
        day_estimated=state.time.day_estimated,
        stage=entry.stage,
        how=entry.how,
        canopy=entry.canopy,
        items=items,
        water=water,
        droplets=droplets,
        loads=loads,
        flow=flow,
        boom_flow=sprayer.nozzle_flow(water, use.speed, use.boom) if water and use.speed and use.boom else None,
        minutes=minutes,
        advice=tuple(_advice(account, state, water, droplets)) if foliar else (),
        steps=steps,
        unplaced=unplaced,
        reentry_hours=reentry.value,
        reentry_by=reentry.product,
        reentry_unknown=reentry.unknown,
        reentry_until=_reentry_until(day, reentry.value),
        harvest_days=int(harvest.value) if harvest.value is not None else None,
        harvest_by=harvest.product,
        harvest_unknown=harvest.unknown,
        harvest_from=sprayer.earliest_harvest([(day, harvest.value)]) if day is not None else None,
        cost=per_ha,
        breaches=tuple(f"{one.rule} {one.name}: {one.message}" for one in mine if one.severity == "breach"),
        cautions=tuple(f"{one.rule} {one.name}: {one.message}" for one in mine if one.severity == "caution"),
        missing=tuple(missing),
    )


def flow_of(water: float, speed: float, spacing: float) -> Flow:
    """Flow of one nozzle by the metric and the US formula, from L/ha, km/h and m."""
    gallons, _ = quantities.convert(water, "water", "us")
    mph, _ = quantities.convert(speed, "speed", "us")
    inches, _ = quantities.convert(spacing, "spacing", "us")
    return Flow(
        l_min=sprayer.nozzle_flow(water, speed, spacing),
        gal_min=sprayer.nozzle_flow_us(gallons, mph, inches),
        speed=speed,
        spacing=spacing,
        water=water,
    )


_WHOLE = 1e-6  # of a tank: less than this is what the conversion of gallons and acres leaves, not a load


def loads_of(area: float, water: float, tank: float) -> Loads:
    """Fillings of a tank (L) for an area (ha) at a carrier volume (L/ha): full ones, then a short last one.

    Raises:
        ValueError: a value that is not above 0.
    """
    plan = sprayer.tank_loads(area, water, tank, {})
    ratio = area / plan.area_per_tank
    whole = round(ratio)
    short = abs(ratio - whole) > _WHOLE or whole == 0
    last = plan.loads[-1]
    return Loads(
        number=len(plan.loads) if short else whole,
        full=plan.full_loads if short else whole,
        area_per_full=plan.area_per_tank,
        spray_per_full=tank,
        last_area=last.area if short else None,
        last_spray=last.spray if short else None,
        spray=plan.spray,
    )


def _reentry_until(day: Day | None, hours: float | None) -> datetime.datetime | None:
    """End of the re-entry interval, counted from the end of the day: the hour of spraying is not in the document."""
    if day is None or hours is None:
        return None
    midnight = datetime.datetime.combine(day + datetime.timedelta(days=1), datetime.time())
    return sprayer.reentry_after(midnight, hours)


def _pass_missing(account: Account, state: PassState, water: float | None, droplets: str | None) -> Iterator[str]:
    if state.entry.how == "foliar":
        if water is None:
            yield "no carrier volume is given, for the pass or the field"
        if droplets is None:
            yield "no droplet class is given, for the pass or the field"
    if state.time.day is None or account.season.floating:
        yield "the pass has no day, so no date for re-entry and harvest"
    for item in state.entry.tank:
        product = account.programme.product(item.product) if item.product else None
        if item.product is None:
            yield f"{item.active}: no product is named, so no formulation, label or price"
        elif product is None:
            yield f"{item.product}: not in the product list"
        elif account.crop.id not in product.labels:
            yield f"{item.product}: the list has no label of it for {account.crop.name}"


def _advice(account: Account, state: PassState, water: float | None, droplets: str | None) -> Iterator[Advice]:
    for target in account.targets:
        if not account.works(state, target):
            continue
        found = sprayer.compare_coverage(
            account.catalogue.coverage,
            account.crop.id,
            target.id,
            canopy=state.entry.canopy,
            droplets=droplets,
            volume=water,
        )
        rows = account.catalogue.coverage_for(account.crop.id, target.id)
        kept = [row for row in rows if row in found.rows]
        if not kept:
            continue
        high = None
        if found.volume_advised is not None and math.isfinite(found.volume_advised[1]):
            high = found.volume_advised[1]
        yield Advice(
            target=target.id,
            name=target.name,
            droplets_fit=found.droplets,
            water=found.volume,
            droplets_advised=found.droplets_advised,
            water_advised=(found.volume_advised[0], high) if found.volume_advised is not None else None,
            notes=tuple(dict.fromkeys(_conditioned(row.canopy, row.note) for row in kept if row.note)),
            sources=tuple(dict.fromkeys(key for row in kept for key in row.backing.sources)),
        )


def _conditioned(canopy: str, note: str) -> str:
    return note if canopy == "any" else f"{canopy} canopy: {note}"


# --- amounts --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Measure:
    """How an amount is printed: its unit, and how many of it one base unit holds."""

    unit: str
    factor: Decimal


def _measure(base: str, units: System) -> _Measure:
    """L, kg or g in metric; fluid ounces and ounces in US units (gallons and pounds are made of them when printed)."""
    if base == "L":
        if units == "metric":
            return _Measure("L", Decimal(1))
        gallons = Decimal(repr(quantities.convert(1.0, "liquid_stock", "us")[0]))
        return _Measure("fl oz", gallons * sprayer.FL_OZ_PER_GAL)
    if units == "metric":
        return _Measure("kg" if base == "kg" else "g", Decimal(1))
    pounds = Decimal(repr(quantities.convert(1.0, "solid_stock", "us")[0]))
    return _Measure("oz", pounds * 16 / (1 if base == "kg" else 1000))


def step_for(amount: Decimal) -> Decimal:
    """The step in which an amount is printed: about four figures of it, no finer than a thousandth.

    >>> step_for(Decimal("25.3")), step_for(Decimal("0.31"))
    (Decimal('0.01'), Decimal('0.001'))
    """
    if amount <= 0:
        return Decimal("0.001")
    return Decimal(1).scaleb(max(-3, min(0, amount.adjusted() - 3)))


def portion(rate: float | None, loads: Loads | None, area: float | None, base: str, units: System) -> Portion:
    """The amounts of one product, stepped so that the loads add up to the field's total.

    Args:
        rate: L, kg or g per hectare; None: not known.
        loads: fillings of the tank, None: not known.
        area: hectares, None: not known.
        base: ``L``, ``kg`` or ``g``.
    """
    measure = _measure(base, units)
    if rate is None or area is None:
        return Portion(unit=measure.unit, total=None, full=None, last=None)
    exact = Decimal(repr(rate)) * measure.factor
    total = exact * Decimal(repr(area))
    if loads is None:
        return Portion(unit=measure.unit, total=_stepped(total, step_for(total)), full=None, last=None)
    full = exact * Decimal(repr(loads.area_per_full))
    least = full
    if loads.last_area is not None:
        least = min(full, exact * Decimal(repr(loads.last_area)))
    step = step_for(least)
    printed = _stepped(full, step)
    if loads.last_area is None:
        return Portion(unit=measure.unit, total=printed * loads.full, full=printed, last=None)
    # the last load takes up what rounding leaves, at most half a step for each load before it
    whole = _stepped(total, step)
    return Portion(
        unit=measure.unit, total=whole, full=printed if loads.full else None, last=whole - printed * loads.full
    )


def _stepped(value: Decimal, step: Decimal) -> Decimal:
    return (value / step).quantize(Decimal(1), rounding=ROUND_HALF_UP) * step


def _item(account: Account, item: TankItem, loads: Loads | None, units: System) -> Item:
    product = account.programme.product(item.product) if item.product else None
    label = product.labels.get(account.crop.id) if product is not None else None
    if item.product is not None:
        base, rate = ("kg" if item.unit == "kg/ha" else "L"), item.rate
        kind = "solid_rate" if base == "kg" else "liquid_rate"
    else:
        base, rate, kind = "g", item.dose, "dose"
    names = tuple(product.actives) if product is not None else (item.active,) if item.active else ()
    groups = tuple(dict.fromkeys(account.group_words(account.catalogue.active(name).group) for name in names))
    least, most = (label.rate_least, label.rate_most) if label is not None else (None, None)
    slack = 1e-9
    return Item(
        name=item.product or item.active or "",
        product=item.product is not None,
        kind=product.kind if product is not None else "",
        groups=groups,
        rate=rate,
        base=base,
        rate_words=quantities.show(rate, kind, units) if rate is not None else "not given",
        portion=portion(rate, loads, account.field.area, base, units),
        formulation=_formulation(account, product),
        reentry=label.reentry if label is not None else None,
        harvest_interval=label.harvest_interval if label is not None else None,
        below_label=rate is not None and least is not None and rate < least * (1 - slack),
        above_label=rate is not None and most is not None and rate > most * (1 + slack),
        label_rate=_label_rate(label, kind, units),
    )


def _label_rate(label: CropLabel | None, kind: str, units: System) -> str:
    if label is None:
        return ""
    parts = [
        f"{word} {quantities.show(value, kind, units)}"
        for word, value in (("least", label.rate_least), ("most", label.rate_most))
        if value is not None
    ]
    return ", ".join(parts)


def _formulation(account: Account, product: Product | None) -> str | None:
    if product is None:
        return None
    known = {code for row in account.catalogue.spraying["mixing"]["order"] for code in row["formulations"]}
    given = product.formulation.upper()
    return given if given in known else sprayer.formulation_of(product.name, known)


# --- shopping list --------------------------------------------------------------------------------------------------


def _shopping(programme: Programme, passes: tuple[PassSheet, ...], units: System) -> Iterator[Buy]:
    """One line per product in order of first use; on-hand stock is used first and shown apart."""
    names = dict.fromkeys(item.name for entry in passes for item in entry.items if item.product)
    for name in names:
        uses = [(entry.number, item) for entry in passes for item in entry.items if item.name == name and item.product]
        product = programme.product(name)
        totals = [item.portion.total for _, item in uses]
        needed = sum((one for one in totals if one is not None), Decimal(0)) if None not in totals else None
        base = uses[0][1].base
        measure = _measure(base, units)
        stock = None
        if product is not None and product.on_hand is not None:
            exact = Decimal(repr(product.on_hand)) * measure.factor
            stock = _stepped(exact, step_for(exact))
        taken = min(needed, stock) if needed is not None and stock is not None else None
        buy = needed - (taken or Decimal(0)) if needed is not None else None
        price = product.price if product is not None else None
        yield Buy(
            product=name,
            unit=measure.unit,
            needed=needed,
            on_hand=stock,
            from_stock=taken,
            buy=buy,
            left=stock - taken if stock is not None and taken is not None else None,
            price=quantities.show(price, "solid_price" if base == "kg" else "liquid_price", units)
            if price is not None
            else None,
            buy_cost=float(buy / measure.factor) * price if buy is not None and price is not None else None,
            stock_value=float(taken / measure.factor) * price if taken is not None and price is not None else None,
            passes=tuple(number for number, _ in uses),
        )
