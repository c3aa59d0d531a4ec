"""Why not: what keeps each product, group and spray date out of the programme that is shown.

First what decides without a search (no label for the crop, no price, a stage, a rule that the product breaks by
itself in every tank). Then the search: the best programme that holds it, and what that costs more, covers less or
selects harder; where none exists, the rules that forbid it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from planner.draft.conflict import conflict
from planner.draft.front import FIGURES, FREE, Front, balance
from planner.draft.options import MONEY, SELECTION, Column, Space
from planner.draft.solve import Answer, Search, Stopped, Wanted
from planner.model import Finding


@dataclass(frozen=True)
class WhyNot:
    """One thing left out. ``kind``: product, group or date; ``rule`` empty where cost or a comparison decides."""

    kind: str
    name: str
    reason: str
    rule: str = ""
    more_cost: float | None = None  # money per hectare
    more_bare: int | None = None  # weighted target-days
    more_selection: float | None = None  # days
    answer: Answer | None = None


def why_not(front: Front, chosen: Answer, wanted: Wanted = FREE, *, seconds: float = 20.0) -> list[WhyNot]:
    """An entry for every product, group and date that the chosen programme leaves out."""
    space = front.space
    held = {name for column in chosen.columns for name in column.products}
    groups = {group for column in chosen.columns for group in column.uses.by_group}
    slots = {column.slot for column in chosen.columns}
    asks: list[tuple[str, str, list[Column]]] = []
    found: list[WhyNot] = []
    for product in space.products:
        if product.name in held:
            continue
        if space.refused.get(product.name):
            found.append(_plain("product", product.name, space.refused[product.name]))
        else:
            asks.append(
                ("product", product.name, [c for c in space.columns if product.name in c.products and not c.kept])
            )
    names = {group: space.account.group_words(group) for c in space.columns for group in c.uses.by_group}
    for group in sorted(names):
        if group not in groups:
            asks.append(("group", names[group], [c for c in space.columns if group in c.uses.by_group and not c.kept]))
    for slot in space.slots:
        if slot.index not in slots and not slot.kept:
            asks.append(("date", str(slot.day), [c for c in space.columns if c.slot == slot.index and not c.kept]))
    return found + _searched(front, chosen, wanted, asks, seconds)


def _plain(kind: str, name: str, reason: str) -> WhyNot:
    rule = reason[:5] if reason[:3].isupper() and reason[3:5].isdigit() else ""
    return WhyNot(kind, name, reason.removeprefix(f"{rule}: ") if rule else reason, rule)


def _searched(
    front: Front, chosen: Answer, wanted: Wanted, asks: list[tuple[str, str, list[Column]]], seconds: float
) -> list[WhyNot]:
    space = front.space
    search = Search(space, replace(wanted, most_bare=front.most_bare), seconds=seconds)
    objective = balance(search, front, front.named["best covered"])
    model, x = search.compiled.model, search.compiled.x
    huge = 10**13
    found: list[WhyNot] = []
    for kind, name, columns in asks:
        free = [column for column in columns if column.number in x]
        if not free:
            found.append(_barred(space, kind, name, columns))
            continue
        wish = model.new_bool_var("")
        model.add_bool_or([x[column.number] for column in free]).only_enforce_if(wish)
        try:
            answer = search.minimise(objective - huge * wish)
        except Stopped:
            found.append(WhyNot(kind, name, "the search was stopped before this could be told"))
            continue
        wished = answer is not None and any(column in free for column in answer.columns)
        if answer is None or not wished:
            found.append(_forbidden(space, kind, name, wanted, free))
        else:
            found.append(_dearer(kind, name, answer, chosen, front))
    return found


def _barred(space: Space, kind: str, name: str, columns: Iterable[Column]) -> WhyNot:
    findings: list[Finding] = [one for column in columns for one in column.barred]
    if findings:
        one = findings[0]
        return WhyNot(kind, name, f"{one.name}: {one.message}", one.rule)
    beaten = space.beaten.get(name)
    if beaten:
        return WhyNot(kind, name, f"{beaten} has the same groups, works as well and costs no more")
    return WhyNot(kind, name, "it covers no day that counts here, or other mixes do the same for less")


def _forbidden(space: Space, kind: str, name: str, wanted: Wanted, columns: list[Column]) -> WhyNot:
    tags = conflict(space, replace(wanted, force=frozenset(column.number for column in columns)), 3.0)
    if tags:
        return WhyNot(kind, name, "; ".join(f"{tag.rule}: {tag.words}" for tag in tags[:2]), tags[0].rule)
    return WhyNot(kind, name, "no sound programme with it covers half of what can be covered")


def _dearer(kind: str, name: str, answer: Answer, chosen: Answer, front: Front) -> WhyNot:
    cost = (answer.cost - chosen.cost) / MONEY
    bare = answer.bare - chosen.bare
    selection = (answer.selection - chosen.selection) / SELECTION
    worse, better = [], []
    for value, said in (
        (round(cost, 2), "costs {} more per ha"),
        (bare, "leaves {} more weighted days bare"),
        (round(selection, 1), "selects {} days more"),
    ):
        if value > 0:
            worse.append(said.format(f"{value:g}"))
        elif value < 0:
            better.append(
                said.replace("more", "less").replace("leaves {} less", "leaves {} fewer").format(f"{-value:g}")
            )
    reason = "the best programme with it " + (", ".join(worse) if worse else "is no better on any figure")
    if better:
        reason += " (and " + ", ".join(better) + ")"
    if not worse and better:
        reason = (
            "the best programme with it "
            + ", ".join(better)
            + ", but leans on a group twice in a row or lacks a second mode"
        )
    return WhyNot(kind, name, reason, "", round(cost, 2), bare, round(selection, 1), answer)


__all__ = ["FIGURES", "WhyNot", "why_not"]
