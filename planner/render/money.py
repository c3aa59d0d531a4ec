"""What passes cost and must earn, in words that leave the decision to the reader."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from planner.render import words

LEAVE_OUT = "Leaving a pass out is a permitted answer; a published mean is not a promise for one field."


def yields(units: str, bushel_kg: float | None) -> Any:
    """A function that prints kg/ha: ``130 kg/ha``, or ``2.4 bu/ac`` (``lb/ac`` without a bushel weight)."""

    def show(value: float) -> str:
        if units != "us":
            return f"{words.number(value, 3)} kg/ha"
        from planner import quantities

        number, unit = quantities.convert(value, "grain_yield", "us", bushel_kg=bushel_kg)
        return f"{words.number(number, 2)} {unit}"

    return show


def lines(money: Mapping[str, Any], units: str) -> list[str]:
    """Break-even of season and passes, then the headline response with its uncertainty; empty for no money."""
    if not money:
        return []
    show = yields(units, money.get("bushel_kg"))
    least = "at least " if money.get("at_least") else ""
    share = ""
    if money.get("yield"):
        share = f" ({100 * money['break_even'] / money['yield']:.1f} % of the expected yield)"
    each = words.joined(f"pass {one['pass']} {show(one['break_even'])}" for one in money.get("passes", ()))
    said = [f"to pay, the season needs {least}{show(money['break_even'])} more grain{share}: {each}"]
    head = next((one for one in money.get("responses", ()) if one["headline"]), None)
    if head is None:
        lacking = "no published mean response for this crop is in the catalogue, so nothing is set beside it."
        said.append(f"{lacking} {LEAVE_OUT}")
        return said
    said.append(f"{beside(head, money, show)} {head['uncertainty']} {LEAVE_OUT}")
    return said


def beside(head: Mapping[str, Any], money: Mapping[str, Any], show: Any) -> str:
    """The headline response beside what each pass must earn."""
    one = head["low"] == head["high"]
    amount = show(head["low"]) if one else f"{show(head['low'])} to {show(head['high'])}"
    where = f" ({head['setting']})" if head["setting"] else ""
    kinds: dict[str, list[int]] = {}
    for entry in money.get("passes", ()):
        kinds.setdefault(entry["beside_mean"], []).append(entry["pass"])
    told = {
        "below": "less than {passes} must earn",
        "above": "at least what {passes} must earn",
        "inside": "a range with what {passes} must earn inside it",
    }
    parts = [told[kind].format(passes=words.passes(numbers)) for kind, numbers in kinds.items() if kind in told]
    mean = "mean" if one else "range of means"
    return f"published {mean} response{where}: {amount}" + (f", {words.joined(parts)}." if parts else ".")
