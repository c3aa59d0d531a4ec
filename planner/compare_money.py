"""What one programme costs beside another, and how much grain pays for the difference."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from planner import quantities
from planner.compare_selection import Side, listed
from planner.model import AuditReport, Programme


def _unpriced(programme: Programme) -> dict[str, float | None]:
    """What has no price, with its amount per hectare over the season (None: not known)."""
    found: dict[str, float | None] = {}

    def add(name: str, amount: float | None) -> None:
        before = found.get(name, 0.0)
        found[name] = None if amount is None or before is None else round(before + amount, 9)

    for entry in programme.passes:
        if entry.how == "foliar" and programme.field.application.cost is None:
            add("the application", 1.0)
        for item in entry.tank:
            product = programme.product(item.product) if item.product else None
            if product is None:
                add(item.product or item.active or "", item.dose if item.active else item.rate)
            elif product.price is None or item.rate is None:
                add(product.name, item.rate)
    return found


def costs(sides: Sequence[Side], reports: Sequence[AuditReport]) -> Iterator[dict[str, Any]]:
    first = reports[0]
    base = first.totals["cost"]
    for side, other in zip(sides[1:], reports[1:], strict=True):
        cost = other.totals["cost"]
        found: dict[str, Any] = {
            "programme": side.label,
            "beside": sides[0].label,
            "currency": cost["currency"] or base["currency"],
            "per_ha": None,
            "per_ac": None,
            "grain_kg_ha": None,
            "grain_bu_ac": None,
            "grain_price_per_kg": None,
            "not_assessed": "",
            "grain_not_assessed": "",
        }
        found["not_assessed"] = _cost_gap(first.programme, other.programme, sides[0].label, side.label, base, cost)
        if not found["not_assessed"]:
            gap = (cost["per_ha"] or 0.0) - (base["per_ha"] or 0.0)
            found["per_ha"] = round(gap, 4)
            found["per_ac"] = round(quantities.convert(gap, "area_cost", "us")[0], 4)
            _grain(found, gap, first.programme, other.programme, sides[0].account.crop.bushel_kg)
        yield found


def _cost_gap(
    one: Programme, two: Programme, first: str, other: str, base: dict[str, Any], cost: dict[str, Any]
) -> str:
    """Why a difference in cost cannot be told; empty where it can. What lacks a price in both alike cancels out."""
    a, b = _unpriced(one), _unpriced(two)
    if base["per_ha"] is None and cost["per_ha"] is None and (a or b):
        return "no price is given; give the products' prices and the field's application cost"
    if base["currency"] and cost["currency"] and base["currency"] != cost["currency"]:
        return f"{first} is priced in {base['currency']} and {other} in {cost['currency']}; give both in one currency"
    names = [
        name for name in dict.fromkeys([*a, *b]) if a.get(name, 0.0) != b.get(name, 0.0) or a.get(name, 0.0) is None
    ]
    if names:
        return f"no price is given for {listed(names)}; give it and the difference is told"
    return ""


def _grain(found: dict[str, Any], gap: float, one: Programme, two: Programme, bushel: float | None) -> None:
    """The difference in grain at the field's price: cost per area over price per unit of grain (see economics)."""
    prices = {field.grain_price for field in (one.field, two.field)} - {None}
    if not prices:
        found["grain_not_assessed"] = "give the field's grain price (grain: {price: ...})"
    elif len(prices) > 1:
        found["grain_not_assessed"] = "the fields give different grain prices; give one"
    else:
        price = float(next(iter(prices)) or 0.0)
        if price > 0.0:
            kg = gap / price
            found["grain_price_per_kg"] = price
            found["grain_kg_ha"] = round(kg, 3)
            if bushel is not None:
                found["grain_bu_ac"] = round(quantities.convert(kg, "grain_yield", "us", bushel_kg=bushel)[0], 4)
