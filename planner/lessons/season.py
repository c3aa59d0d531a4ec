"""One step of a lesson as a programme, and what the planner computes about it."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from planner.account import Account
from planner.audit import report, rules_of
from planner.catalogue import Catalogue
from planner.facts import derive
from planner.judge import judge
from planner.lessons.cast import WATER, Cast, field_of, product, product_name, tank_item
from planner.lessons.shapes import SlotShape, StepShape, UseShape
from planner.model import Active, AuditReport, Finding, Pass, Product, Programme, TankItem
from planner.rulebook import Rulebook


@dataclass(frozen=True)
class Judged:
    """A programme with its audit and its selection days.

    ``selection``: days per group key on the lesson's target (0 days where the index has no row).
    ``modes``: per pass number, working modes on the target and groups in the tank.
    """

    programme: Programme
    report: AuditReport
    selection: Mapping[str, float]
    modes: Mapping[int, tuple[int, int]]


def rulebook(catalogue: Catalogue) -> Rulebook:
    """The shipped rules with the user's folders (those that the catalogue was opened with) laid over them."""
    return rules_of(tuple(catalogue.rules_dirs[1:]))


def judged(programme: Programme, catalogue: Catalogue) -> Judged:
    """Audit a programme with the interpreter (what-ifs and thousands of exercises want milliseconds)."""
    account = Account(programme, catalogue)
    found = report(account, rulebook(catalogue), backend="interpreter")
    target = account.targets[0] if account.targets else None
    days = {
        str(row["group"]): float(row["selection_days"])
        for row in found.selection
        if target is None or row["target"] == target.id
    }
    modes = {
        state.number: (account.working_groups(state, target) if target else len(state.by_group), len(state.by_group))
        for state in account.all_states
    }
    return Judged(programme, found, days, modes)


def findings_of(programme: Programme, catalogue: Catalogue) -> tuple[Finding, ...]:
    """The findings alone, without cover, selection and totals: what the making of exercises asks thousands of times."""
    found, _lacking = judge(rulebook(catalogue), derive(Account(programme, catalogue)), backend="interpreter")
    return tuple(found)


def step_programme(step: StepShape, parts: Cast, catalogue: Catalogue, title: str) -> Programme:
    """The small season of a step. Every active stands in an invented product of its own."""
    actives = parts.actives
    products: dict[str, Product] = {}
    passes: list[Pass] = []
    for number, entry in enumerate(step.passes, start=1):
        tank: list[TankItem] = []
        for use in entry.use:
            asked = use if isinstance(use, UseShape) else UseShape(role=use)
            name = add_product(products, actives[asked.role], parts, catalogue, protection=asked.protection)
            tank.append(tank_item(name, asked.share))
        slot = slot_of(parts, entry.at)
        if entry.how == "seed":
            sown = parts.room.sown
            passes.append(
                Pass(
                    number=number,
                    date=datetime.date.fromisoformat(sown) if sown else None,
                    how="seed",
                    tank=tuple(tank),
                )
            )
        else:
            passes.append(_pass(number, slot, tank))
    return Programme(
        name=title,
        field=field_of(
            parts.room,
            parts.entry,
            resistant=[actives[role].group for role in step.resistant],
            beside=step.beside,
            history=[[actives[role].group for role in one] for one in step.history],
        ),
        products=tuple(products.values()),
        passes=tuple(passes),
    )


def add_product(
    products: dict[str, Product],
    active: Active,
    parts: Cast,
    catalogue: Catalogue,
    *,
    protection: float | None = None,
) -> str:
    """The invented product of one active, added where it is not listed yet; its name."""
    for name, listed in products.items():
        if tuple(listed.actives) == (active.name,):
            return name
    place = 0
    while product_name(active, place) in products:
        place += 1
    name = product_name(active, place)
    products[name] = product(name, (active,), catalogue, parts.room.classroom, protection=protection)
    return name


def slot_of(parts: Cast, at: int | str) -> SlotShape:
    """A slot of the classroom by its number from 1, or the late one."""
    if at == "late":
        assert parts.entry.late is not None
        return parts.entry.late
    return parts.entry.slots[int(at) - 1]


def _pass(number: int, slot: SlotShape, tank: Sequence[TankItem]) -> Pass:
    return Pass(
        number=number,
        date=datetime.date.fromisoformat(slot.date),
        stage=slot.stage,
        tank=tuple(tank),
        water=WATER,
    )


Tank = Sequence[tuple[Active, float]]  # actives with the share of their full label rate


def solo(active: Active) -> tuple[tuple[Active, float], ...]:
    """A tank of one active at its full rate."""
    return ((active, 1.0),)


def season(
    parts: Cast, catalogue: Catalogue, tanks: Sequence[Tank], title: str, *, resistant: Sequence[str] = ()
) -> Programme:
    """A season of the classroom with these tanks on its slots, each active in an invented product of its own."""
    products: dict[str, Product] = {}
    passes = []
    for number, (tank, slot) in enumerate(zip(tanks, parts.entry.slots, strict=False), start=1):
        items = [tank_item(add_product(products, active, parts, catalogue), share) for active, share in tank]
        passes.append(_pass(number, slot, items))
    return Programme(
        name=title,
        field=field_of(parts.room, parts.entry, resistant=resistant),
        products=tuple(products.values()),
        passes=tuple(passes),
    )
