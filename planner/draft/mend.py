"""The fewest changes to a flawed programme that leave no breach, and the next best ways.

One change is one of these: rates and water brought to what the labels allow, one product's rate to the least or most
of its label, a product taken out, a partner added, a product swapped for another, the pass moved to a day on offer, the
pass left out. A pass may have several of them (``STEPS``: two of its tank, and a move with one of its tank), and any
number of passes may change. The search is the drafter's, with the number of changes as its figure; the next figures
break ties: days left without cover, mildness of the changes, money.

It goes in stages, each of which gives an answer that the next one can only better, so that Ctrl-C always leaves
something: passes left out only; one change a pass; several changes a pass, asked only where two or more changes were
needed so far (one change is fewest whatever is combined). The number of changes is proven fewest where no pass could
have had more changes than were combined (up to three changes in all), or where passes with more changes could not help
even if nothing they hold were held against them (``draft.relaxed``). Where that is no proof, more changes are combined
as long as there are few enough ways to treat a pass.
"""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from msgspec import structs

from planner.audit import audit, rules_of
from planner.catalogue import Catalogue
from planner.draft.options import MONEY, SPACING, Column, Space, Variant
from planner.draft.relaxed import none_with_fewer
from planner.draft.solve import Search, Stopped
from planner.errors import InputError, NoProgramme
from planner.model import Accept, AuditReport, CropLabel, Finding, Pass, Product, Programme, TankItem
from planner.rulebook import Rulebook
from planner.season import Season

KEEP, RATE, ADD, SWAP, TAKE, MOVE, DROP = 0, 1, 2, 3, 4, 5, 6  # milder first
MOST_MOVES = 6
STEPS = 2  # changes that are combined on one pass at first
MOST_STEPS = 6
MOST_WAYS = 3000  # ways to treat the passes, all together, up to which more changes are combined


_STAGES = (
    "which passes would have to be left out",
    "looking for the fewest changes, one to a pass",
    "looking for ways with several changes to one pass",
    "looking for ways with still more changes to one pass",
)


@dataclass(frozen=True)
class Change:
    """One change and the breaches that come back when it alone is undone."""

    passes: int  # number in the programme as it was
    words: str
    removes: tuple[Finding, ...]


@dataclass(frozen=True)
class Mend:
    """One way out: the programme afterwards, its audit and the changes."""

    programme: Programme
    report: AuditReport
    changes: tuple[Change, ...]
    edits: int
    proven: bool
    cost: float  # money per hectare
    bare: int


@dataclass(frozen=True)
class Mending:
    """The answer: the audit as it was and the ways out, fewest changes first."""

    before: AuditReport
    mends: tuple[Mend, ...]
    stopped: bool = False


def mend(
    programme: Programme,
    catalogue: Catalogue,
    *,
    top: int = 3,
    rules: tuple[str, ...] = (),
    avoid: tuple[str, ...] = (),
    fixed: frozenset[int] = frozenset(),
    seconds: float = 300.0,
    told: Callable[[str], None] | None = None,
) -> Mending:
    """Mend one programme.

    Args:
        top: ways to give.
        avoid: groups, actives or products that no change may bring in.
        fixed: numbers of passes that must stay as they are (already made).
        seconds: longest search.
        told: hears which stage the search is at.

    Raises:
        InputError: a pass has no day that can be told.
        NoProgramme: even dropping every pass leaves a breach.
    """
    before = audit(programme, catalogue, rules=rules)
    if not _open(before):
        return Mending(before, ())
    say = told or (lambda _line: None)
    book = rules_of(rules)
    found: list[Mend] = []
    stopped = False
    ways = 0
    begin = time.monotonic()
    try:
        for steps in range(MOST_STEPS + 1):
            if steps > 1 and len(found) >= top and found[-1].edits < steps:
                break  # all ways asked for take a single change: nothing combined is fewer
            if steps > STEPS and (ways > MOST_WAYS // 2 or (found and found[0].proven)):
                break
            say(_STAGES[min(steps, len(_STAGES) - 1)])
            space = make_space(programme, catalogue, book, avoid, fixed, steps, MOST_WAYS if steps > STEPS else None)
            all_ways = len(space.columns) == ways  # what no change adds to is all that there is
            ways = len(space.columns)
            left = seconds - (time.monotonic() - begin)
            better = _ways(programme, catalogue, space, rules, fixed, steps, all_ways, top, left, say)
            found = better or found
            if all_ways:
                break
    except TooManyWays:
        pass
    except (Stopped, KeyboardInterrupt):
        stopped = True
    except _Cut as cut:
        stopped = True
        found = _merged(cut.found, found, top)
    if not found and stopped:
        raise NoProgramme("the search was stopped before a way was found", ["give it longer"])
    if not found:
        raise NoProgramme(
            "no change to this programme leaves it without a breach",
            [f"{one.rule} {one.name}: {one.message}" for one in _open(before)]
            + [f"accept: [{{rule: {one.rule}, reason: write your reason here}}]" for one in _open(before)[:1]],
        )
    if stopped:
        found = [replace(one, proven=False) for one in found]
    return Mending(before, tuple(found), stopped)


class TooManyWays(Exception):
    """There are more ways to treat the passes than are looked at."""


class _Cut(Exception):
    """A stage was ended before it was through; ``found`` are its ways so far."""

    def __init__(self, found: list[Mend]) -> None:
        super().__init__()
        self.found = found


def _merged(new: list[Mend], old: list[Mend], top: int) -> list[Mend]:
    """Ways of an unfinished stage before those of the one before it, fewest changes first."""
    seen: set[tuple[tuple[int, str], ...]] = set()
    found = []
    for one in sorted([*new, *old], key=lambda way: way.edits):
        key = tuple((change.passes, change.words) for change in one.changes)
        if key not in seen:
            seen.add(key)
            found.append(one)
    return found[:top]


def _ways(
    programme: Programme,
    catalogue: Catalogue,
    space: Space,
    rules: tuple[str, ...],
    fixed: frozenset[int],
    steps: int,
    all_ways: bool,
    top: int,
    seconds: float,
    say: Callable[[str], None],
) -> list[Mend]:
    """The best ways with at most so many changes on one pass (0: passes stay or are left out). ``all_ways``: more
    changes on a pass lead to nothing else."""
    say(f"{len(space.columns)} ways to treat a pass")
    search = Search(space, seconds=seconds)
    _one_each(search, space, fixed)
    found: list[Mend] = []
    try:
        for _ in range(top):
            answer = search.minimise(_figure(search, space))
            if answer is None:
                break
            way = _mend(programme, space, answer.columns, answer.proven, catalogue, rules)
            fewest = (
                all_ways or way.edits <= steps + 1 or (bool(found) and found[0].proven and way.edits == found[0].edits)
            )
            if way.proven and not fewest and not found and steps >= STEPS:
                fewest = none_with_fewer(search, way.edits, steps + 1, fixed)
            found.append(replace(way, proven=way.proven and fewest))
            _another_way(search, space, answer.columns)
    except (Stopped, KeyboardInterrupt):
        raise _Cut(found) from None
    return found


def _open(report: AuditReport) -> list[Finding]:
    return [one for one in report.findings if one.severity == "breach" and one.accepted is None]


def make_space(
    programme: Programme,
    catalogue: Catalogue,
    book: Rulebook,
    avoid: tuple[str, ...],
    fixed: frozenset[int],
    steps: int = STEPS,
    most: int | None = None,
) -> Space:
    """Slots at the programme's own days and some between them, and every variant of every pass.

    Args:
        steps: most changes combined on one pass; 0 leaves every pass as it is (it may still be dropped).
        most: most variants, where there is a limit.

    Raises:
        InputError: a pass has no day that can be told.
        TooManyWays: there are more than ``most`` variants.
    """
    field = programme.field
    season = Season(field, catalogue.crop(field.crop), catalogue, programme.passes)
    foliar = [entry for entry in programme.passes if entry.how == "foliar"]
    own: dict[int, int] = {}
    for entry in foliar:
        day = season.place(entry).day
        if day is None:
            place = str(entry.place) or f"pass {entry.number}"
            raise InputError(
                place, "this pass has no day that can be told, so it cannot be mended", "add date: 2026-07-02"
            )
        own[entry.number] = day
    days = sorted(own.values())
    free = [] if season.floating else _free_days(days, season)
    slots = sorted([*days, *free])
    taken: dict[int, int] = {}
    at: dict[int, int] = {}
    for number, day in sorted(own.items(), key=lambda pair: (pair[1], pair[0])):
        first = slots.index(day)
        at[number] = first + taken.get(day, 0)
        taken[day] = taken.get(day, 0) + 1
    free_slots = [index for index, day in enumerate(slots) if index not in at.values()]
    empty = Space(
        field, programme.products, catalogue, rulebook=book, avoid=avoid, slots=slots, variants=(), season=season
    )
    variants: list[Variant] = []
    for entry in foliar:
        variants += _variants(entry, at[entry.number], free_slots, slots, empty, 0 if entry.number in fixed else steps)
        if most is not None and len(variants) > most:
            raise TooManyWays
    early = [entry for entry in programme.passes if entry.how != "foliar"]
    return Space(
        field,
        programme.products,
        catalogue,
        keep=early,
        accept=programme.accept,
        avoid=avoid,
        slots=slots,
        variants=variants,
        season=season,
        rulebook=book,
        currency=programme.currency,
    )


def _free_days(days: list[int], season: Season) -> list[int]:
    """Days to which a pass may move: a week and two before and after each pass, and halfway between neighbours."""
    wanted: list[int] = []
    for one, other in itertools.pairwise(days):
        wanted.append((one + other) // 2)
    for day in days:
        wanted += [day - SPACING, day + SPACING, day - 2 * SPACING, day + 2 * SPACING]
    found: list[int] = []
    for day in wanted:
        harvest = season.field.harvest
        if harvest is not None and day >= harvest.toordinal():
            continue
        if day not in days and all(abs(day - other) >= 3 for other in [*found, *days]) and len(found) < MOST_MOVES:
            found.append(day)
    return found


def _variants(entry: Pass, slot: int, free: list[int], slots: list[int], space: Space, steps: int) -> Iterator[Variant]:
    """The pass as it is, and every way to change it with at most so many steps, each result once."""
    number = entry.number
    yield Variant(entry, slot, number, 0, "", KEEP)
    if not steps:
        return
    for at in [slot, *free]:
        moved = at != slot
        when = date.fromordinal(slots[at])
        base = structs.replace(entry, date=when, stage=None) if moved else entry
        to = f"move it to {when.isoformat()}" if moved else ""
        if moved and _may(entry.tank, slots[at], space):
            yield Variant(base, at, number, 1, to, MOVE)
        for tank, carrier, words, weight, edits in _changed(entry, slots[at], space, steps - moved):
            if moved and not _may(tank, slots[at], space):
                continue
            said = f"{to} and {words}" if moved else words
            changed = structs.replace(base, tank=tank, water=carrier)
            yield Variant(changed, at, number, edits + moved, said, weight + (MOVE if moved else 0))


def _changed(
    entry: Pass, day: int, space: Space, steps: int
) -> Iterator[tuple[tuple[TankItem, ...], float | None, str, int, int]]:
    """Tanks within so many steps of a pass's own, each by the fewest and mildest: water, words, weight, steps."""
    seen = {_mark(entry.tank, entry.water)}
    last: list[tuple[tuple[TankItem, ...], float | None, str, int]] = [(entry.tank, entry.water, "", 0)]
    for step in range(1, steps + 1):
        found: dict[object, tuple[tuple[TankItem, ...], float | None, str, int]] = {}
        for tank, water, words, weight in last:
            for other, carrier, said, own in _tanks(structs.replace(entry, tank=tank, water=water), day, space):
                mark = _mark(other, carrier)
                if mark in seen or (mark in found and found[mark][3] <= weight + own):
                    continue
                found[mark] = (other, carrier, f"{words} and {said}" if words else said, weight + own)
        seen |= set(found)
        last = list(found.values())
        for tank, water, words, weight in last:
            yield tank, water, words, weight, step


def _mark(tank: tuple[TankItem, ...], water: float | None) -> object:
    """What makes two tanks the same: what is in them and the water, not the order."""
    return frozenset((item.product, item.active, item.rate, item.dose, item.unit) for item in tank), water


def _may(tank: tuple[TankItem, ...], day: int, space: Space) -> bool:
    """Whether the labels of a tank's products allow a day."""
    for item in tank:
        product = next((one for one in space.products if one.name == item.product), None)
        label = product.labels.get(space.crop.id) if product is not None else None
        if product is not None and label is not None and space.allowed(product, label, day):
            return False
    return True


def _tanks(entry: Pass, day: int, space: Space) -> Iterator[tuple[tuple[TankItem, ...], float | None, str, int]]:
    """Tanks that are one change away, with their water, words and weight."""
    tank, water = entry.tank, entry.water
    labels = {product.name: product.labels.get(space.crop.id) for product in space.products}
    least = max(
        [label.water or 0.0 for item in tank if (label := labels.get(item.product or "")) is not None], default=0.0
    )
    carrier = water if water is not None else space.field.application.water
    if carrier is not None and carrier < least:
        yield tank, least, f"use {least:.0f} L/ha of water", RATE
    fitted = tuple(_fit(item, labels.get(item.product or "")) for item in tank)
    if fitted != tank:
        names = ", ".join(
            f"{one.product} to {one.rate:.3g} {one.unit}" for one, was in zip(fitted, tank, strict=True) if one != was
        )
        yield fitted, water, f"bring {names}", RATE
        if carrier is not None and carrier < least:
            yield fitted, least, f"bring {names} and use {least:.0f} L/ha of water", RATE
    for at, item in enumerate(tank):
        label = labels.get(item.product or "")
        rest = (*tank[:at], *tank[at + 1 :])
        for rate in dict.fromkeys((label.rate_least, label.rate_most) if label else ()):
            if rate is not None and rate != item.rate:
                changed = (*tank[:at], _rate(item, rate), *tank[at + 1 :])
                if changed != fitted:
                    yield changed, water, f"bring {item.product} to {rate:.3g} {item.unit}", RATE
        if rest:
            yield rest, water, f"take {item.product or item.active} out", TAKE
    held = {item.product for item in tank}
    for product, label in space.usable:
        if product.name in held or label.rate_most is None or space.allowed(product, label, day):
            continue
        if label.water is not None and carrier is not None and carrier < label.water:
            continue
        item = _item(product, label)
        shown = f"{product.name} at {label.rate_most:.3g} {product.amount_unit}"
        if not any(set(product.actives) & _actives(one, space) for one in tank) and len(tank) < 3:
            yield (*tank, item), water, f"add {shown}", ADD
        for at, one in enumerate(tank):
            others = (*tank[:at], *tank[at + 1 :])
            if not any(set(product.actives) & _actives(other, space) for other in others):
                swapped = (*tank[:at], item, *tank[at + 1 :])
                yield swapped, water, f"take {shown} instead of {one.product or one.active}", SWAP


def _actives(item: TankItem, space: Space) -> set[str]:
    product = next((one for one in space.products if one.name == item.product), None)
    return set(product.actives) if product is not None else {item.active or ""}


def _rate(item: TankItem, rate: float) -> TankItem:
    return structs.replace(item, rate=rate)


def _item(product: Product, label: CropLabel) -> TankItem:
    return TankItem(product=product.name, rate=label.rate_most, unit=product.amount_unit)


def _fit(item: TankItem, label: CropLabel | None) -> TankItem:
    """The item at the nearest rate that its label allows."""
    if label is None or item.rate is None:
        return item
    rate = item.rate
    if label.rate_most is not None and rate > label.rate_most:
        rate = label.rate_most
    if label.rate_least is not None and rate < label.rate_least:
        rate = label.rate_least
    return item if rate == item.rate else _rate(item, rate)


def _one_each(search: Search, space: Space, fixed: frozenset[int]) -> None:
    """Every pass of the programme at most once, those that are fixed exactly once."""
    x = search.compiled.x
    by_origin: dict[int, list[Column]] = {}
    for column in space.columns:
        if column.variant is not None and column.number in x:
            by_origin.setdefault(column.variant.origin, []).append(column)
    for columns in by_origin.values():
        search.compiled.model.add_at_most_one(x[column.number] for column in columns)
    for number in sorted(fixed):
        search.compiled.model.add_bool_or([x[column.number] for column in by_origin.get(number, ())])


def _another_way(search: Search, space: Space, columns: tuple[Column, ...]) -> None:
    """Only ways that treat at least one pass in another manner (rate, partner, swap, move, drop) are wanted now."""
    x = search.compiled.x
    chosen = {column.variant.origin: column.variant for column in columns if column.variant is not None}
    same: list[Any] = []
    for origin in dict.fromkeys(column.variant.origin for column in space.columns if column.variant is not None):
        own = [
            (c.variant, x[c.number])
            for c in space.columns
            if c.variant and c.variant.origin == origin and c.number in x
        ]
        now = chosen.get(origin)
        if now is None:
            same.append(1 - sum(literal for _, literal in own))
        else:
            same.append(sum(literal for one, literal in own if one.weight == now.weight))
    search.compiled.model.add(sum(same) <= len(same) - 1)


def _figure(search: Search, space: Space) -> Any:
    """Number of changes first, then bare days, mildness and money."""
    x = search.compiled.x
    origins = {column.variant.origin for column in space.columns if column.variant is not None}
    most_bare = space.bare([]) + 1
    weight = 1000 * most_bare
    whole: Any = search.compiled.bare * 1000 + (len(origins) * (weight * 10 + DROP * 10))
    for column in space.columns:
        variant = column.variant
        if variant is None or column.number not in x:
            continue
        # not choosing a pass at all is dropping it: one change
        value = (variant.edits - 1) * weight * 10 + (variant.weight - DROP) * 10
        whole = whole + value * x[column.number] + min(9, column.cost // (MONEY * 20)) * x[column.number]
    return whole


def _renumbered(before: Programme, after: Programme, columns: tuple[Column, ...]) -> Programme:
    """The accepted departures with the numbers that their passes have now; those of dropped passes go."""
    ordered = sorted(columns, key=lambda column: column.slot)
    early = iter(entry.number for entry in before.passes if entry.how != "foliar")
    now = {(column.variant.origin if column.variant else next(early)): at for at, column in enumerate(ordered, start=1)}
    accept = []
    for entry in before.accept:
        numbers = tuple(sorted(now[number] for number in entry.passes if number in now))
        if numbers or not entry.passes:
            accept.append(Accept(rule=entry.rule, passes=numbers, reason=entry.reason, place=entry.place))
    return structs.replace(after, accept=tuple(accept))


def _as_numbered(before: Programme, columns: list[Column]) -> Programme:
    """These columns as a programme whose passes keep the numbers of the programme as it was, so that what is found in
    it speaks of them."""
    early = iter(entry.number for entry in before.passes if entry.how != "foliar")
    passes = []
    for column in sorted(columns, key=lambda column: column.slot):
        number = column.variant.origin if column.variant is not None else next(early)
        passes.append(structs.replace(column.entry, number=number))
    return structs.replace(before, passes=tuple(passes))


def _mend(
    programme: Programme,
    space: Space,
    columns: tuple[Column, ...],
    proven: bool,
    catalogue: Catalogue,
    rules: tuple[str, ...],
) -> Mend:
    after = _renumbered(programme, space.programme(columns, programme.name), columns)
    report = audit(after, catalogue, rules=rules)
    chosen = {column.variant.origin: column for column in columns if column.variant is not None}
    originals = {
        column.variant.origin: column
        for column in space.columns
        if column.variant is not None and column.variant.edits == 0
    }
    changes: list[Change] = []
    edits = 0
    for origin, was in sorted(originals.items()):
        now = chosen.get(origin)
        if now is was:
            continue
        edits += now.variant.edits if now is not None and now.variant is not None else 1
        others = [column for number, column in chosen.items() if number != origin]
        clash = [column for column in others if column.slot == was.slot]
        kept = [column for column in columns if column.variant is None]
        undone = [*kept, *[column for column in others if column not in clash], was]
        again = _open(audit(_as_numbered(programme, undone), catalogue, rules=rules))
        words = now.variant.words if now is not None and now.variant is not None else "leave it out"
        changes.append(Change(origin, words, tuple(again)))
    return Mend(after, report, tuple(changes), edits, proven, space.money(columns)[0] / MONEY, space.bare(columns))
