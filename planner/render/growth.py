"""What the strip's digits do not tell: leaves that unfold after a pass, and passes whose days are not known."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Any

from planner.render import words

MOST_TOLD = 4  # stretches of days that are told one by one


def lines(cover: Sequence[Mapping[str, Any]]) -> tuple[str, ...]:
    """From when new leaves are bare, per target; until when the crop unfolds them; and which passes last how long.

    ``cover`` as the report carries it; without ``uses`` in it there is nothing to say.
    """
    working = [use for entry in cover for use in entry.get("uses", ()) if use["effective"]]
    if not working:
        return ()
    told = [*_leaves(cover, working), *_rates(working)]
    return tuple(told)


def undated(cover: Sequence[Mapping[str, Any]]) -> tuple[str, ...]:
    """What would date a window that has no days."""
    return tuple(f"{words.safe(entry['name'])}: {entry['not_dated']}" for entry in cover if entry.get("not_dated"))


def _leaves(cover: Sequence[Mapping[str, Any]], working: Sequence[Mapping[str, Any]]) -> Iterable[str]:
    growth = next(entry["growth"] for entry in cover if "growth" in entry)
    over = growth["none_after"]
    if over is not None and all(use["from"] >= over for use in working):
        yield (
            f"no leaf unfolds after {_stage(growth, 1)}, so new growth takes nothing off these digits "
            f"({growth['rests_on']})"
        )
        return
    yield f"leaves that unfold after a pass are not in these digits; {until(growth)}"
    for entry in cover:
        stretches = entry.get("growth", {}).get("bare", ())
        if stretches:
            yield f"{words.safe(entry['name'])}: {bare(stretches)}"
    unsure: dict[str, set[int]] = {}
    for use in working:
        if use["new_leaves"] is None and not (over is not None and use["from"] >= over):
            unsure.setdefault(use["active"], set()).add(use["pass"])
    if unsure:
        yield f"whether new leaves are protected is not known of {_named(unsure)}: no source here says, or only in part"


def until(growth: Mapping[str, Any]) -> str:
    """``the crop unfolds leaves until R1 (28 June) and none after R6 (~1 September)``, with what that rests on."""
    if growth["stages"] is None:
        return "until when the crop unfolds leaves no source here says"
    return (
        f"the crop surely unfolds leaves until {_stage(growth, 0)} and none after {_stage(growth, 1)} "
        f"({growth['rests_on']})"
        if growth["stages"][0] != growth["stages"][1]
        else f"the crop unfolds leaves until {_stage(growth, 1)} ({growth['rests_on']})"
    )


def _stage(growth: Mapping[str, Any], at: int) -> str:
    day = growth["none_after"] if at else growth["surely_until"]
    shown = words.day(day) or "not dated"
    if day and growth["estimated"][at]:
        shown = f"~{shown} at the {'latest' if at else 'earliest'}"
    return f"{growth['stages'][at]} ({shown})"


def bare(stretches: Iterable[Mapping[str, Any]]) -> str:
    """``new leaves are bare from 1 July to 13 July (after pass 1); ... if any unfold then ...``; the days of many
    stretches are added up."""
    stretches = list(stretches)
    if len(stretches) > MOST_TOLD:
        return _added(stretches)
    told = []
    for one in stretches:
        span = (
            f"on {words.day(one['from'])}"
            if one["from"] == one["to"]
            else (f"from {words.day(one['from'])} to {words.day(one['to'])}")
        )
        told.append(f"{span} (after {words.passes(one['passes'])}{'' if one['sure'] else ', if any unfold then'})")
    return f"new leaves are bare {words.joined(told)}"


def _added(stretches: Sequence[Mapping[str, Any]]) -> str:
    ends = [(date.fromisoformat(one["from"]), date.fromisoformat(one["to"])) for one in stretches]
    days = sum((last - first).days + 1 for first, last in ends)
    after = sorted({number for one in stretches for number in one["passes"]})
    unsure = [one for one in stretches if not one["sure"]]
    end = ""
    if unsure:
        end = f", from {words.day(unsure[0]['from'])} on if any unfold then"
    return (
        f"new leaves are bare on {days} days between {words.day(ends[0][0])} and {words.day(ends[-1][1])} "
        f"(after {words.passes(after)}{end})"
    )


def _rates(working: Iterable[Mapping[str, Any]]) -> Iterable[str]:
    cut: dict[str, set[int]] = {}
    for use in working:
        if use["rate_below_label"]:
            cut.setdefault(use["product"] or use["active"], set()).add(use["pass"])
    if cut:
        yield f"for how long {_named(cut)} protects is not known: the rate lies under the label's least"


def _named(found: Mapping[str, set[int]]) -> str:
    return words.joined(f"{words.safe(name)} ({words.passes(sorted(numbers))})" for name, numbers in found.items())
