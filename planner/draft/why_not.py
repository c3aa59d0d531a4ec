"""Why not: what keeps each product, group and spray date out of the programme that is shown.

First what decides without a search (no label for the crop, no price, a stage, a rule that the product breaks by itself
in every tank). Then the search: the best programme that holds it and keeps the same good practice, and what that costs
more, covers less or selects harder; where only a programme without that practice holds it, what is given up; where none
does, the rules that forbid it. A product that no mix on offer holds (another of the same groups is as good for less, or
it works on nothing here) is put into the programme in every way that changes one pass; the best of these that the audit
passes says what it would cost.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from planner import cover
from planner.account import Account, TargetState, Use
from planner.draft.conflict import clash
from planner.draft.front import FREE, Front, balance
from planner.draft.options import MONEY, PRESSURE_WEIGHT, SELECTION, Column, Space
from planner.draft.practice import broken
from planner.draft.solve import Answer, Search, Stopped, Wanted
from planner.facts import derive
from planner.judge import judge
from planner.model import CropLabel, Finding, Pass, Product, Programme, TankItem

HUGE = 10**13  # more than any balance


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


@dataclass
class _Asked:
    """One question: the columns that would hold the thing, all and those that no rule bars."""

    kind: str
    name: str
    columns: list[Column]
    product: Product | None = None
    group: str = ""


@dataclass
class _Levels:
    """The searches to ask, from the practice that the shown programme keeps down to the rules alone."""

    front: Front
    wanted: Wanted
    seconds: float
    made: dict[int, tuple[Search, Any]] = field(default_factory=dict)

    def best(self, columns: Sequence[Column]) -> tuple[Answer, int] | None:
        """The best programme with one of these columns, and the practice that it keeps; None where there is none.

        Raises:
            Stopped: the time is over.
        """
        for level in dict.fromkeys((self.front.strict, 0)):
            if level not in self.made:
                wanted = replace(self.wanted, most_bare=self.front.most_bare, strict=level)
                search = Search(self.front.space, wanted, seconds=self.seconds)
                self.made[level] = (search, balance(search, self.front))
            search, objective = self.made[level]
            x = search.compiled.x
            free = [column for column in columns if column.number in x]
            wish = search.compiled.model.new_bool_var("")
            search.compiled.model.add_bool_or([x[column.number] for column in free]).only_enforce_if(wish)
            answer = search.minimise(objective - HUGE * wish)
            if answer is not None and any(column in free for column in answer.columns):
                return answer, level
        return None


def why_not(front: Front, chosen: Answer, wanted: Wanted = FREE, *, seconds: float = 120.0) -> list[WhyNot]:
    """An entry for every product, group and date that the chosen programme leaves out."""
    space = front.space
    levels = _Levels(front, wanted, seconds)
    found = []
    for asked in _asks(space, chosen):
        try:
            found.append(_told(asked, space, levels, chosen))
        except Stopped:
            found.append(WhyNot(asked.kind, asked.name, "the search was stopped before this could be told"))
    return found


def _asks(space: Space, chosen: Answer) -> Iterator[_Asked]:
    held = {name for column in chosen.columns for name in column.products}
    free = [column for column in space.columns if not column.kept]
    for product in space.products:
        if product.name not in held:
            yield _Asked("product", product.name, [c for c in free if product.name in c.products], product)
    used = {group for column in chosen.columns for group in column.uses.by_group}
    for group in sorted({group for product in space.products for group in _groups(space, product)} - used):
        yield _Asked(
            "group", space.account.group_words(group), [c for c in free if group in c.uses.by_group], group=group
        )
    taken = {column.slot for column in chosen.columns}
    for slot in space.slots:
        if slot.index not in taken and not slot.kept:
            yield _Asked("date", str(slot.day), [c for c in free if c.slot == slot.index])


def _groups(space: Space, product: Product) -> list[str]:
    """Fungicide groups of a product."""
    actives = [space.catalogue.active(name) for name in product.actives]
    return [active.group for active in actives if active.kind == "fungicide" and active.group]


def _told(asked: _Asked, space: Space, levels: _Levels, chosen: Answer) -> WhyNot:
    if asked.product is not None and space.refused.get(asked.name):
        return _plain(asked.kind, asked.name, space.refused[asked.name])
    usable = [column for column in asked.columns if not column.barred]
    if not asked.columns:
        return _not_offered(asked, space, levels, chosen)
    if not usable:
        column = asked.columns[0]
        one = column.barred[0]
        return WhyNot(asked.kind, asked.name, f"{one.name}: {column.said(one)}", one.rule)
    best = levels.best(usable)
    if best is None:
        return _forbidden(asked, space, levels, usable)
    answer, level = best
    told = _dearer(asked, answer, chosen)
    kept = set(broken(space, chosen.columns))
    given_up = [words for words in broken(space, answer.columns) if words not in kept]
    new = _cautions(space.findings(answer.columns), space.findings(chosen.columns))
    if level < levels.front.strict and given_up:
        return replace(told, reason=f"{told.reason}; it {' and '.join(given_up[:2])}")
    return replace(told, reason=f"{told.reason}; it brings {new}") if new else told


def _cautions(found: Sequence[Finding], before: Sequence[Finding]) -> str:
    """Cautions that are new, in words."""
    known = {one.rule for one in before if one.severity == "caution"}
    new = dict.fromkeys(
        f"{one.rule} {one.name}" for one in found if one.severity == "caution" and one.rule not in known
    )
    return " and ".join(new) + (" (caution)" if new else "")


def _plain(kind: str, name: str, reason: str) -> WhyNot:
    rule = reason[:5] if reason[:3].isupper() and reason[3:5].isdigit() else ""
    return WhyNot(kind, name, reason.removeprefix(f"{rule}: ") if rule else reason, rule)


# --- what no mix on offer holds -------------------------------------------------------------------------------------


def _not_offered(asked: _Asked, space: Space, levels: _Levels, chosen: Answer) -> WhyNot:
    if asked.kind == "date":
        return WhyNot(asked.kind, asked.name, "no tank that the labels allow on this day covers a day that counts")
    if asked.group:
        holders = [product for product in space.products if asked.group in _groups(space, product)]
        entries = [
            _told(_Asked("product", one.name, [c for c in space.columns if one.name in c.products], one), space, levels,
                  chosen)
            for one in holders
        ]  # fmt: skip
        first = min(entries, key=lambda entry: (entry.more_cost is None, entry.more_bare or 0, entry.more_cost or 0.0))
        return replace(first, kind="group", name=asked.name, reason=f"{first.name}: {first.reason}")
    assert asked.product is not None
    label = asked.product.labels[space.crop.id]
    beater = space.beaten.get(asked.name)
    cause, rule = (f"{beater} has the same groups, works as well and costs no more", "") if beater else ("", "")
    useless, useless_rule = _useless(asked.product, label, space)
    if useless:
        cause, rule = useless, useless_rule
    tried = _tried(asked.product, label, space, chosen)
    if tried is None:
        return WhyNot(asked.kind, asked.name, cause or "other mixes do the same for less", rule)
    cost, bare, breach, new, way = tried
    if breach is not None:
        rule = rule or breach.rule
        words = f"put into a pass of this programme it breaches {breach.rule} {breach.name}"
        return WhyNot(asked.kind, asked.name, f"{cause}; {words}" if cause else words, rule)
    worse = _worse(cost, bare) or "changes no figure"
    words = f"{way} it {worse}" + (f" and brings {new}" if new else "")
    return WhyNot(asked.kind, asked.name, f"{cause}; {words}" if cause else words, rule, cost, bare)


def _useless(product: Product, label: CropLabel, space: Space) -> tuple[str, str]:
    """Why a product works on no target of the field: reports of resistance first, then ratings; empty where it does."""
    day = space.slots[0].day if space.slots else None
    if day is None:
        return "", ""
    item = TankItem(product=product.name, rate=label.rate_most, unit=product.amount_unit)
    alone = replace_pass(space.columns[0].entry, 1, (item,)) if space.columns else None
    if alone is None:
        return "", ""
    account = Account(
        Programme(field=space.field, products=space.products, passes=(alone,)), space.catalogue, space.season
    )
    uses = account.all_states[0].uses
    if any(account.effect(use, target).value for use in uses for target in account.targets):
        return "", ""
    lost: list[str] = []
    rated: list[str] = []
    for target in account.targets:
        for use in uses:
            words, reported = _effect_words(account, use, target)
            (lost if reported else rated).append(words)
    return "; ".join([*lost, *rated]), "RES01" if lost else ""


def _effect_words(account: Account, use: Use, target: TargetState) -> tuple[str, bool]:
    effect = account.effect(use, target)
    name = use.active.name
    if effect.standing.level in ("lost", "reduced") and effect.rated.rank is not None:
        level = "no longer works" if effect.standing.level == "lost" else "works less well"
        where = f" ({effect.standing.words})" if effect.standing.words else ""
        return f"{account.group_words(use.group)} {level} on {target.name} here{where}", True
    if effect.rated.rank is None:
        return f"no source here rates {name} on {target.name}", False
    return f"{name} is rated {effect.rated.words} on {target.name}", False


def _tried(
    product: Product, label: CropLabel, space: Space, chosen: Answer
) -> tuple[float, int, Finding | None, str, str] | None:
    """The best programme that is one pass away and holds a product, fewest cautions first: money per hectare and bare
    days more than now, a breach where every such programme has one, the cautions that are new, and where it went."""
    item = TankItem(product=product.name, rate=label.rate_most, unit=product.amount_unit)
    programme = space.programme(chosen.columns)
    mine = set(product.actives)
    best: tuple[int, int, int, float, str, str] | None = None
    worst: Finding | None = None
    before = space.findings(chosen.columns)
    for at, entry in enumerate(programme.passes):
        if chosen.columns and sorted(chosen.columns, key=lambda column: column.slot)[at].kept:
            continue
        tanks: dict[tuple[TankItem, ...], str] = {(item,): f"alone in pass {at + 1}"}
        for place, other in enumerate(entry.tank):
            tank = (*entry.tank[:place], item, *entry.tank[place + 1 :])
            tanks[tank] = f"in place of {other.product or other.active} in pass {at + 1}"
        if len(entry.tank) < space.most_in_tank:
            tanks[(*entry.tank, item)] = f"added to pass {at + 1}"
        for tank, way in tanks.items():
            others = [one for one in tank if one is not item]
            if any(mine & _actives(one, space) for one in others):
                continue
            passes = list(programme.passes)
            passes[at] = replace_pass(entry, entry.number, tank)
            after = Programme(field=space.field, products=space.products, passes=tuple(passes), accept=space.accept)
            account = Account(after, space.catalogue, space.season)
            found, _ = judge(space.book, derive(account), backend="interpreter")
            breach = next((one for one in found if one.severity == "breach" and not space.accepted(one)), None)
            if breach is not None:
                worst = worst or breach
                continue
            bare = _bare(account) - chosen.bare
            cost = (_paid(after, space) - _paid(programme, space)) / MONEY
            milder = [sum(one.severity == severity for one in found) for severity in ("caution", "advice")]
            one_way = (milder[0], bare, milder[1], cost, _cautions(found, before), way)
            best = one_way if best is None else min(best, one_way)
    if best is not None:
        return round(best[3], 2), best[1], None, best[4], best[5]
    return (0.0, 0, worst, "", "") if worst is not None else None


def replace_pass(entry: Pass, number: int, tank: tuple[TankItem, ...]) -> Pass:
    """A pass with another tank and number."""
    values = {name: getattr(entry, name) for name in entry.__struct_fields__}
    return Pass(**{**values, "number": number, "tank": tank})


def _actives(item: TankItem, space: Space) -> set[str]:
    product = next((one for one in space.products if one.name == item.product), None)
    return set(product.actives) if product is not None else {item.active or ""}


def _bare(account: Account) -> int:
    return sum(
        PRESSURE_WEIGHT[target.entry.pressure] * (last - first + 1)
        for target in account.targets
        for first, last, modes in cover.days_of(account, target)
        if not modes
    )


def _paid(programme: Programme, space: Space) -> int:
    """Money to pay for the products of a programme, in 1/MONEY per hectare; what is on hand is not paid again."""
    amounts: dict[str, float] = {}
    for entry in programme.passes:
        for item in entry.tank:
            if item.product is not None and item.rate is not None:
                amounts[item.product] = amounts.get(item.product, 0.0) + item.rate
    whole = 0.0
    for product in space.products:
        amount = amounts.get(product.name, 0.0) * 1000
        whole += max(0.0, amount - space.on_hand(product)) * space.unit_price(product)
    return round(whole)


# --- what a search answers ------------------------------------------------------------------------------------------


def _forbidden(asked: _Asked, space: Space, levels: _Levels, columns: list[Column]) -> WhyNot:
    forced = frozenset(column.number for column in columns)
    found = clash(space, replace(levels.wanted, force=forced), 10.0)
    if found.tags:
        return WhyNot(
            asked.kind, asked.name, "; ".join(f"{tag.rule}: {tag.words}" for tag in found.tags[:3]), found.tags[0].rule
        )
    most = levels.front.most_bare
    answer = Search(space, replace(levels.wanted, force=forced), seconds=levels.seconds).best(("bare", "cost"))
    if answer is None:
        return WhyNot(asked.kind, asked.name, "no sound programme holds it")
    words = f"the best covered programme with it leaves {answer.bare} weighted days bare, more than half ({most}) of"
    return WhyNot(asked.kind, asked.name, f"{words} what can be covered", "", None, answer.bare, None, answer)


def _worse(cost: float, bare: int, selection: float = 0.0) -> str:
    """What is worse, and in brackets what is better."""
    worse, better = [], []
    for value, more, less in (
        (round(cost, 2), "costs {} more per ha", "costs {} less per ha"),
        (bare, "leaves {} more weighted days bare", "leaves {} fewer weighted days bare"),
        (round(selection, 1), "selects {} days more", "selects {} days less"),
    ):
        if value > 0:
            worse.append(more.format(f"{value:g}"))
        elif value < 0:
            better.append(less.format(f"{-value:g}"))
    if not worse:
        return ", ".join(better)
    return ", ".join(worse) + (f" (and {', '.join(better)})" if better else "")


def _dearer(asked: _Asked, answer: Answer, chosen: Answer) -> WhyNot:
    cost = round((answer.cost - chosen.cost) / MONEY, 2)
    bare = answer.bare - chosen.bare
    selection = round((answer.selection - chosen.selection) / SELECTION, 1)
    words = _worse(cost, bare, selection)
    reason = f"the best programme with it {words}" if words else "the best programme with it is no better on any figure"
    return WhyNot(asked.kind, asked.name, reason, "", cost, bare, selection, answer)


__all__ = ["WhyNot", "why_not"]
