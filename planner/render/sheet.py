"""The spray sheet as a page, as JSON and as one table: what to fill, how fast, when to come back, and what to buy."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from planner import __version__
from planner.documents.cells import plain
from planner.facts.timing import DROPLET_WORDS
from planner.render import money as earnings
from planner.render import words
from planner.render.blocks import Block, Heading, Line, Table, Title, cautions_of
from planner.sheet import Buy, Item, PassSheet, Sheet

_VERDICTS = {
    "breaches": "The audit finds breaches in this programme; they stand with their passes, and planner audit says "
    "what to change. A breach of a label is not to be sprayed.",
    "cautions": "The audit has cautions on this programme; planner audit says what to change.",
}
_STYLES = {"breaches": "breach", "cautions": "caution"}
_BIG = {"fl oz": ("gal", 128), "oz": ("lb", 16)}


def amount(value: Decimal | None, unit: str) -> str:
    """``12.5 L``; in US units gallons and fluid ounces, pounds and ounces; ``-`` where it is not known.

    >>> amount(Decimal("394.7"), "fl oz")
    '3 gal 10.7 fl oz'
    """
    if value is None:
        return "-"
    if unit in _BIG and value >= _BIG[unit][1]:
        big, size = _BIG[unit]
        whole = int(value // size)
        rest = value - whole * size
        return f"{whole:,} {big} {_plain(rest)} {unit}" if rest else f"{whole:,} {big}"
    return f"{_plain(value)} {unit}"


def _plain(value: Decimal) -> str:
    text = f"{value:,f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def page(found: Sheet, *, versions: str = "", checksum: str = "") -> list[Block]:
    """The sheet as blocks."""
    units = found.units
    area = words.amount(found.area, "area", units) if found.area is not None else ""
    about = [found.programme, f"field {found.field}" if found.field else "", found.crop, area]
    blocks: list[Block] = [Title(text="spray sheet: " + " - ".join(part for part in about if part))]
    if found.verdict in _VERDICTS:
        blocks.append(Line(text=_VERDICTS[found.verdict], style=_STYLES[found.verdict], indent=0))
    blocks += [Line(label="missing", text=text, indent=0) for text in found.missing]
    for entry in found.passes:
        blocks += _pass(found, entry)
    blocks += _filling(found)
    blocks += _shopping(found)
    blocks += _money(found)
    blocks += cautions_of(found.demo)
    check = f"; input {checksum[:12]}" if checksum else ""
    blocks.append(Line(text=f"{versions or f'planner {__version__}'}{check}", style="quiet", indent=0))
    return blocks


# --- one pass -------------------------------------------------------------------------------------------------------


def _pass(found: Sheet, entry: PassSheet) -> Iterator[Block]:
    units = found.units
    how = "" if entry.how == "foliar" else entry.how
    when = [words.day(entry.day, year=True) if entry.day else "", entry.stage or "", how]
    mark = "~" if entry.day is not None and entry.day_estimated else ""
    told = ", ".join(part for part in when if part) or "no day given"
    yield Heading(text=f"pass {entry.number}: {mark}{told}")
    for breach in entry.breaches:
        if breach.startswith("LBL"):  # of the label: what the operator must see in full
            yield Line(label="breach", text=words.in_units(words.dated(breach), units), style="breach")
    others = [_short(breach) for breach in entry.breaches if not breach.startswith("LBL")]
    if others:
        yield Line(label="breach", text=words.joined(dict.fromkeys(others)), style="breach")
    loads = entry.loads
    many = f"full load{f' (x {loads.full})' if loads is not None and loads.full > 1 else ''}"
    per = "per ac" if units == "us" else "per ha"
    header: tuple[str, ...] = ("product", per)
    if loads is not None and loads.full:
        header += (many,)
    if loads is not None and loads.last_area is not None:
        header += ("last load" if loads.full else "the one load",)
    header += ("whole field",)
    yield Table(
        header=header,
        rows=tuple(_row(item, entry) for item in entry.items),
        right=tuple(range(1, len(header))),
    )
    modes = [f"{item.name}: {words.joined(item.groups) or item.kind}" for item in entry.items]
    yield Line(label="modes of action", text="; ".join(modes))
    yield from _water(found, entry)
    for item in entry.items:
        if item.below_label or item.above_label:
            side = "below the label's least" if item.below_label else "above the label's most"
            yield Line(label="rate", text=f"{item.name}: {side} ({item.label_rate})", style="breach" if item.above_label
                       else "caution")  # fmt: skip
    yield from _order(entry)
    yield from _after(found, entry)
    if entry.cautions:
        cautions = dict.fromkeys(_short(caution) for caution in entry.cautions)
        yield Line(label="caution", text=words.joined(cautions), style="caution")
    if entry.missing:
        yield Line(label="not known", text="; ".join(entry.missing))


def _short(finding: str) -> str:
    """``ROT01 same-group-in-succession`` of a finding in full."""
    return finding.partition(":")[0]


def _row(item: Item, entry: PassSheet) -> tuple[str, ...]:
    unit, loads = item.portion.unit, entry.loads
    cells = [item.name, item.rate_words.removesuffix("/ha").removesuffix("/ac")]
    if loads is not None and loads.full:
        cells.append(amount(item.portion.full, unit))
    if loads is not None and loads.last_area is not None:
        cells.append(amount(item.portion.last, unit))
    cells.append(amount(item.portion.total, unit))
    return tuple(cells)


def _water(found: Sheet, entry: PassSheet) -> Iterator[Block]:
    units = found.units

    def show(value: float, dimension: str) -> str:
        return words.amount(value, dimension, units)

    if entry.loads is not None and entry.water is not None:
        loads = entry.loads
        parts = []
        if loads.full:
            parts.append(
                f"{loads.full} full of {show(loads.spray_per_full, 'tank')} on {show(loads.area_per_full, 'area')}"
                f"{' each' if loads.full > 1 else ''}"
            )
        if loads.last_spray is not None and loads.last_area is not None:
            lead = "a short last one" if loads.full else "one part-filled"
            parts.append(f"{lead} of {show(loads.last_spray, 'tank')} on {show(loads.last_area, 'area')}")
        text = f"{loads.number}: {words.joined(parts)}; {show(loads.spray, 'tank')} of spray in all"
        yield Line(label="loads", text=text)
    if entry.water is not None:
        text = show(entry.water, "water")
        if entry.droplets is not None:
            text += f", {DROPLET_WORDS.get(entry.droplets, entry.droplets)} droplets"
        if entry.canopy:
            text += f", canopy {entry.canopy}"
        yield Line(label="water", text=text)
    for advice in entry.advice:
        yield Line(label=f"coverage, {advice.name}", text=words.in_units(_advice(advice, show), units))
    if entry.flow is not None:
        flow = entry.flow
        nozzle = f"{words.number(flow.l_min)} L/min ({words.number(flow.gal_min)} gal/min)"
        if units == "us":
            nozzle = f"{words.number(flow.gal_min)} gal/min ({words.number(flow.l_min)} L/min)"
        text = f"{nozzle} each at {show(flow.speed, 'speed')} and {show(flow.spacing, 'spacing')} between nozzles"
        if entry.minutes is not None:
            text += f"; about {entry.minutes:.0f} min of spraying, without turns and filling"
        yield Line(label="nozzle flow", text=text)


def _advice(advice: Any, show: Any) -> str:
    parts = []
    if advice.droplets_advised:
        classes = words.joined((DROPLET_WORDS.get(code, code) for code in advice.droplets_advised), "or")
        fit = {True: "as advised", False: "outside the advice", None: "not given"}[advice.droplets_fit]
        parts.append(f"droplets {classes}: {fit}")
    if advice.water_advised is not None:
        low, high = advice.water_advised
        span = f"from {show(low, 'water')}" if high is None else f"{show(low, 'water')} to {show(high, 'water')}"
        span = show(low, "water") if high == low else span
        fit = {"within": "as advised", None: "not given"}.get(advice.water, f"{advice.water} the advice")
        parts.append(f"water {span}: {fit}")
    return "; ".join([*parts, *advice.notes])


def _order(entry: PassSheet) -> Iterator[Block]:
    if entry.steps:
        steps = [
            f"{at}. {step.text}" + (f": {words.joined(step.products)}" if step.products else "")
            for at, step in enumerate(entry.steps, 1)
        ]
        yield Line(label="mixing order", text="; ".join(steps))
    if entry.unplaced:
        yield Line(
            label="mixing order not known",
            text=f"{words.joined(entry.unplaced)}: no formulation in its name or list; its label says when it goes in",
        )


def _after(found: Sheet, entry: PassSheet) -> Iterator[Block]:
    if entry.reentry_hours is not None:
        text = f"{words.number(entry.reentry_hours)} h ({entry.reentry_by})"
        if entry.reentry_until is not None:
            end = entry.reentry_until
            text += f"; counted from the end of the day: {words.day(end.date(), year=True)}, {end:%H:%M}"
        if entry.reentry_unknown:
            text += f"; at least, for {words.joined(entry.reentry_unknown)} it is not known"
        yield Line(label="re-entry", text=text)
    else:
        yield Line(label="re-entry", text="not known; read it on every label in the tank before anybody goes in")
    if entry.harvest_days is not None:
        text = f"{entry.harvest_days} days ({entry.harvest_by})"
        if entry.harvest_from is not None:
            text += f": not before {words.day(entry.harvest_from, year=True)}"
            if found.harvest is not None:
                early = entry.harvest_from > found.harvest
                text += f", harvest is planned for {words.day(found.harvest)}" + (": too soon" if early else "")
        if entry.harvest_unknown:
            text += f"; at least, for {words.joined(entry.harvest_unknown)} it is not known"
        yield Line(label="days to harvest", text=text)
    else:
        yield Line(label="days to harvest", text="not known; read it on every label in the tank")
    if entry.cost is not None:
        text = f"{found.currency} {words.amount(entry.cost, 'area_cost', found.units)}".strip()
        if found.cost.get("missing"):
            text += ", without what has no price"
        yield Line(label="cost", text=text)


def _filling(found: Sheet) -> Iterator[Block]:
    yield Heading(text="every tank")
    yield Line(label="first", text=found.general["label_first"])
    yield Line(label="before all", text=found.general["before_all"])
    yield Line(label="partners", text=found.general["most_partners"])
    yield Line(label="jar test", text=found.general["jar_test"])


# --- shopping and money ---------------------------------------------------------------------------------------------


def _shopping(found: Sheet) -> Iterator[Block]:
    if not found.shopping:
        return
    yield Heading(text="shopping list for the season")
    stock = any(one.on_hand is not None for one in found.shopping)
    header: tuple[str, ...] = ("product", "needed")
    header += ("on hand", "from stock") if stock else ()
    header += ("to buy", "price", "cost", "passes")
    rows = tuple(_buy(one, stock) for one in found.shopping)
    yield Table(header=header, rows=rows, right=tuple(range(1, len(header) - 1)))
    money = found.currency
    unpriced = [one.product for one in found.shopping if one.price is None]
    if found.buy_cost is not None:
        text = f"{money} {found.buy_cost:,.2f}".strip()
        text += f"; without {words.joined(unpriced)}, no price is given" if unpriced else ""
        yield Line(label="to buy", text=text)
    if found.stock_value is not None:
        yield Line(label="taken from stock, at the listed price", text=f"{money} {found.stock_value:,.2f}".strip())
    for one in found.shopping:
        if one.left:
            yield Line(label="left in stock", text=f"{one.product} {amount(one.left, one.unit)}")
    yield Line(text="amounts are exact; containers come in whole sizes that the list does not give", style="quiet")


def _buy(one: Buy, stock: bool) -> tuple[str, ...]:
    cells = [one.product, amount(one.needed, one.unit)]
    if stock:
        cells += [amount(one.on_hand, one.unit), amount(one.from_stock, one.unit)]
    cells += [
        amount(one.buy, one.unit),
        one.price or "not given",
        f"{one.buy_cost:,.2f}" if one.buy_cost is not None else "-",
        ", ".join(str(number) for number in dict.fromkeys(one.passes)),
    ]
    return tuple(cells)


def _money(found: Sheet) -> Iterator[Block]:
    from planner.render.text import cost_words

    yield Heading(text="what it costs and must earn")
    yield Line(text=cost_words(found.cost, found.units))
    if found.application_cost is not None:
        yield Line(label="of that, the applications", text=f"{found.currency} {found.application_cost:,.2f}".strip())
    told = earnings.lines(found.money, found.units)
    for line in told or [f"what a pass must earn is not known. {earnings.LEAVE_OUT}"]:
        yield Line(text=line)
    others = [one for one in found.money.get("responses", ()) if not one["headline"]]
    if others:
        show = earnings.yields(found.units, found.money.get("bushel_kg"))
        shown = [
            f"{show(one['low'])}{'' if one['low'] == one['high'] else ' to ' + show(one['high'])}"
            f" ({one['setting']}{'; ' + one['adds'] if one['adds'] else ''})"
            for one in others
        ]
        yield Line(label="other published means, each without an interval unless said", text="; ".join(shown))


# --- other forms ----------------------------------------------------------------------------------------------------


def document(found: Sheet, catalogue_date: str, checksum: str) -> dict[str, Any]:
    """The sheet as plain data for JSON; amounts are numbers in the unit beside them."""
    import msgspec

    data: dict[str, Any] = msgspec.to_builtins(found, builtin_types=(Decimal,))
    from planner.render import cautions

    return {
        "planner": __version__,
        **_numbers(data),
        "before_spraying": [{"title": one.title, "text": one.text} for one in cautions.load()],
        "catalogue": catalogue_date,
        "checksum": checksum,
    }


def _numbers(data: Any) -> Any:
    if isinstance(data, Decimal):
        return int(data) if data == data.to_integral_value() else float(data)
    if isinstance(data, dict):
        return {key: _numbers(value) for key, value in data.items()}
    if isinstance(data, list | tuple):
        return [_numbers(value) for value in data]
    return data


_COLUMNS = (
    "pass", "date", "stage", "product", "rate", "full_loads", "amount_full_load", "amount_last_load", "amount_field",
    "unit", "on_hand", "to_buy", "cost", "reentry_until", "harvest_from",
)  # fmt: skip


def table(found: Sheet) -> str:
    """One CSV table: a row per product of a pass, then per product of the season (``season`` in the first column)."""
    out = io.StringIO()
    writer = csv.DictWriter(out, _COLUMNS, restval="", lineterminator="\n")
    writer.writeheader()
    for entry in found.passes:
        for item in entry.items:
            writer.writerow({
                "pass": entry.number,
                "date": entry.day.isoformat() if entry.day else "",
                "stage": entry.stage or "",
                "product": _cell(item.name),
                "rate": item.rate_words,
                "full_loads": entry.loads.full if entry.loads is not None else "",
                "amount_full_load": _figure(item.portion.full),
                "amount_last_load": _figure(item.portion.last),
                "amount_field": _figure(item.portion.total),
                "unit": item.portion.unit,
                "reentry_until": entry.reentry_until.isoformat(timespec="minutes") if entry.reentry_until else "",
                "harvest_from": entry.harvest_from.isoformat() if entry.harvest_from else "",
            })  # fmt: skip
    for one in found.shopping:
        writer.writerow({
            "pass": "season",
            "product": _cell(one.product),
            "amount_field": _figure(one.needed),
            "unit": one.unit,
            "on_hand": _figure(one.on_hand),
            "to_buy": _figure(one.buy),
            "cost": f"{one.buy_cost:.2f}" if one.buy_cost is not None else "",
        })  # fmt: skip
    return out.getvalue()


def _figure(value: Decimal | None) -> str:
    return "" if value is None else _plain(value).replace(",", "")


def _cell(text: str) -> str:
    """A name that no spreadsheet takes for a formula."""
    return plain(words.safe(text))
