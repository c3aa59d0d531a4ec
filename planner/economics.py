"""What a pass costs and must earn: cost, break-even yield gain, and the published responses beside it.

Money is any one currency, areas hectares, yields kg/ha unless a name says otherwise. A published response is
a mean over trials; every comparison says what the source tells of its spread and what it does not.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, Any, Literal

from planner.model import Struct

if TYPE_CHECKING:
    from planner.model import Field


class Cost(Struct, frozen=True):
    """Money per hectare; ``unpriced`` names products without a price (not counted)."""

    products: float
    application: float
    unpriced: tuple[str, ...] = ()

    @property
    def total(self) -> float:
        """Products and application, per hectare."""
        return self.products + self.application


def pass_cost(rates: Mapping[str, float], prices: Mapping[str, float | None], application: float = 0.0) -> Cost:
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
    return Cost(math.fsum(cost.products for cost in costs), math.fsum(cost.application for cost in costs), unpriced)


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


class Response(Struct, frozen=True):
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
    stage: str = ""


class Comparison(Struct, frozen=True):
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
                row.get("stage", ""),
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


def kg_ha(value: float) -> str:
    """``110 kg/ha``: how a response is printed where no other way is asked for."""
    return f"{value:.0f} kg/ha"


def amount_words(entry: Response, show: Callable[[float], str] = kg_ha) -> str:
    """The published mean, or the ends of several: ``110 kg/ha``, ``135 kg/ha to 202 kg/ha``."""
    return show(entry.low) if entry.low == entry.high else f"{show(entry.low)} to {show(entry.high)}"


def setting_words(entry: Response) -> str:
    """Where a response was measured: stage of the pass, area, condition and number of trials; may be empty."""
    trials = f"{entry.trials} trials" if entry.trials else ""
    stage = f"a pass at {entry.stage}" if entry.stage else ""
    return ", ".join(part for part in (stage, entry.area, entry.condition, trials) if part)


def uncertainty_words(entry: Response, show: Callable[[float], str] = kg_ha) -> str:
    """What the source tells of the spread, and what it does not."""
    if entry.interval:
        low, high = entry.interval
        return f"The source prints an interval of {low:.0f} to {show(high)} for the mean; a single field varies more."
    if entry.low == entry.high:
        return "The source that was read gives the mean only, no interval; a single field can lie far to either side."
    return "The range is one of means over studies, not an interval for a field."


def verdict_of(entry: Response, break_even: float) -> Literal["above", "below", "inside"]:
    """How a published response (mean, or range of means) lies to a break-even gain, both kg/ha."""
    if entry.high < break_even:
        return "below"
    return "above" if entry.low >= break_even else "inside"


_VERDICTS = {
    "below": "is less than the pass must earn",
    "above": "is at least what the pass must earn",
    "inside": "has what the pass must earn inside it",
}


def _compare(entry: Response, break_even: float) -> Comparison:
    verdict = verdict_of(entry, break_even)
    where = setting_words(entry)
    text = (
        f"the published {'mean' if entry.low == entry.high else 'range of means'} of {amount_words(entry)}"
        f"{f' ({where})' if where else ''} {_VERDICTS[verdict]} ({kg_ha(break_even)}). {uncertainty_words(entry)}"
    )
    if entry.pays:
        text += f" The source adds: {entry.pays}."
    return Comparison(entry, break_even, verdict, text)


# --- a programme's money ------------------------------------------------------------------------


def money(
    data: Mapping[str, Any], field: Field, cost: Mapping[str, Any], bushel_kg: float | None = None
) -> dict[str, Any]:
    """What a season and each pass must earn, beside the published responses; empty without a cost or a grain price.

    Args:
        data: the parsed ``spraying.yaml``.
        field: for grain price (money per kg), expected yield (kg/ha) and crop.
        cost: as ``planner.audit.cost`` gives it (``per_ha``, ``passes``, ``missing``).
        bushel_kg: weight of a bushel of the crop, handed on for printing.

    Returns:
        ``{"grain_price": money/kg, "bushel_kg", "yield": kg/ha | None, "per_ha": money/ha, "break_even": kg/ha,
        "at_least": bool,
        "passes": [{"pass", "per_ha", "break_even", "beside_mean": above | below | inside | None}],
        "responses": [...]}``. ``at_least`` marks a cost that leaves something unpriced out.
    """
    price, per_ha = field.grain_price, cost.get("per_ha")
    if price is None or price <= 0 or per_ha is None:
        return {}
    found = responses(data, field.crop, field.grain_yield)
    headline = next((entry for entry in found if entry.headline), None)
    passes = []
    for entry in cost.get("passes", ()):
        gain = break_even_gain(entry["per_ha"], price)
        passes.append(
            {
                "pass": entry["pass"],
                "per_ha": entry["per_ha"],
                "break_even": round(gain, 2),
                "beside_mean": verdict_of(headline, gain) if headline is not None else None,
            }
        )
    return {
        "grain_price": price,
        "bushel_kg": bushel_kg,
        "yield": field.grain_yield,
        "per_ha": per_ha,
        "break_even": round(break_even_gain(per_ha, price), 2),
        "at_least": bool(cost.get("missing")),
        "passes": passes,
        "responses": [
            {
                "low": entry.low,
                "high": entry.high,
                "interval": list(entry.interval) if entry.interval else None,
                "setting": setting_words(entry),
                "headline": entry.headline,
                "uncertainty": uncertainty_words(entry),
                "adds": entry.pays,
                "sources": list(entry.sources),
                "grade": entry.grade,
            }
            for entry in found
        ],
    }
