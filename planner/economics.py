"""What a pass costs and must earn: cost, break-even yield gain, and the published responses beside it.

Money is any one currency, areas hectares, yields kg/ha unless a name says otherwise. A published response is
a mean over trials; every comparison says what the source tells of its spread and what it does not.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal


@dataclass(frozen=True, slots=True)
class Cost:
    """Money per hectare; ``unpriced`` names products without a price (not counted)."""

    products: float
    application: float
    unpriced: tuple[str, ...] = ()

    @property
    def total(self) -> float:
        """Products and application, per hectare."""
        return self.products + self.application


def pass_cost(
    rates: Mapping[str, float], prices: Mapping[str, float | None], application: float = 0.0
) -> Cost:
    """Cost of one pass per hectare.

    Args:
        rates: amount per hectare by product.
        prices: price of one unit of that amount; None or missing: not known.
        application: cost of the application per hectare.

    Raises:
        ValueError: a negative or impossible number.
    """
    for name, value in [
        *rates.items(),
        *((k, v) for k, v in prices.items() if v is not None),
        ("application", application),
    ]:
        if not (math.isfinite(value) and value >= 0):
            raise ValueError(f"{name}: an amount, price or cost must be 0 or more, not {value}")
    priced = [rate * price for name, rate in rates.items() if (price := prices.get(name)) is not None]
    unpriced = tuple(name for name in rates if prices.get(name) is None)
    return Cost(math.fsum(priced), application, unpriced)


def season_cost(passes: Iterable[Cost]) -> Cost:
    """Cost of all passes per hectare."""
    costs = list(passes)
    unpriced = tuple(dict.fromkeys(name for cost in costs for name in cost.unpriced))
    return Cost(
        math.fsum(cost.products for cost in costs), math.fsum(cost.application for cost in costs), unpriced
    )


def break_even_gain(cost: float, price: float) -> float:
    """Yield gain that just pays: cost per area over price per unit of grain (USD/ac and USD/bu give bu/ac).

    Source: Calculating fungicide net returns (University of Wisconsin plant pathology, 2019).

    Raises:
        ValueError: the price is not above 0, or the cost is negative.
    """
    if not (math.isfinite(price) and price > 0):
        raise ValueError(f"the grain price must be above 0, not {price}")
    if not (math.isfinite(cost) and cost >= 0):
        raise ValueError(f"cost must be 0 or more, not {cost}")
    return cost / price


@dataclass(frozen=True, slots=True)
class Response:
    """A published yield response, kg/ha: ``low`` and ``high`` are one mean, or the ends of several."""

    crop: str
    low: float
    high: float
    percent: float | None
    interval: tuple[float, float] | None
    condition: str
    area: str
    trials: int | None
    pays: str
    headline: bool
    sources: tuple[str, ...]
    grade: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """A break-even gain beside one published response (both kg/ha).

    ``verdict``: ``below`` the mean is under the break-even, ``above`` over it, ``inside`` the break-even lies
    within a printed range of means. ``text`` says so in plain words, with what the source does not tell.
    """

    response: Response
    break_even: float
    verdict: Literal["above", "below", "inside"]
    text: str


def responses(data: Mapping[str, Any], crop: str, untreated: float | None = None) -> tuple[Response, ...]:
    """Published responses of a crop, headline first.

    Args:
        data: the parsed ``spraying.yaml``. untreated: expected yield without a spray, kg/ha; rows printed as
        a percentage only need it and are left out
            without it.
    """
    found = []
    for row in data["economics"]["responses"]:
        if row["crop"] != crop:
            continue
        percent = row.get("percent")
        amount = row.get("kg_ha")
        if amount is None:
            if untreated is None or percent is None:
                continue
            amount = untreated * percent / 100.0
        low, high = amount if isinstance(amount, list | tuple) else (amount, amount)
        source = row["source"]
        interval = row.get("interval")
        found.append(
            Response(
                crop,
                float(low),
                float(high),
                percent,
                (float(interval[0]), float(interval[1])) if interval else None,
                row.get("condition", ""),
                row.get("area", ""),
                row.get("trials", row.get("studies")),
                row.get("pays", ""),
                bool(row.get("headline", False)),
                (source,) if isinstance(source, str) else tuple(source),
                row["grade"],
            )
        )
    return tuple(sorted(found, key=lambda entry: not entry.headline))


def compare_with_responses(
    data: Mapping[str, Any], crop: str, break_even: float, untreated: float | None = None
) -> tuple[Comparison, ...]:
    """A break-even gain (kg/ha) beside every published response of the crop; may be empty.

    A mean is not a promise for one field: each text says whether the source prints an interval, and never
    urges a spray.
    """
    return tuple(_compare(entry, break_even) for entry in responses(data, crop, untreated))


def _compare(entry: Response, break_even: float) -> Comparison:
    if entry.high < break_even:
        verdict: Literal["above", "below", "inside"] = "below"
    elif entry.low >= break_even:
        verdict = "above"
    else:
        verdict = "inside"
    one = entry.low == entry.high
    amount = f"{entry.low:.0f} kg/ha" if one else f"{entry.low:.0f} to {entry.high:.0f} kg/ha"
    where = ", ".join(part for part in (entry.area, entry.condition) if part)
    trials = f", {entry.trials} trials" if entry.trials else ""
    said = {
        "below": "is less than the pass must earn",
        "above": "is at least what the pass must earn",
        "inside": "has what the pass must earn inside it",
    }[verdict]
    if entry.interval:
        low, high = entry.interval
        sure = (
            f"The source prints an interval of {low:.0f} to {high:.0f} kg/ha for the mean; "
            "a single field varies more."
        )
    elif one:
        sure = (
            "The source that was read gives the mean only, no interval; "
            "a single field can lie far to either side."
        )
    else:
        sure = "The range is one of means over studies, not an interval for a field."
    text = (
        f"the published {'mean' if one else 'range of means'} of {amount}"
        f"{f' ({where}{trials})' if where or trials else ''} {said} ({break_even:.0f} kg/ha). {sure}"
    )
    if entry.pays:
        text += f" The source adds: {entry.pays}."
    return Comparison(entry, break_even, verdict, text)
