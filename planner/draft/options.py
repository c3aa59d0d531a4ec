"""What can be chosen: possible spray dates (slots) and, for each, the tank mixes that the labels allow on that day.

A column is one tank mix on one slot. All columns stand in one account, so that ratings, partners and cover are worked
out once; a programme is then a few columns, seen through :meth:`Space.view`.
"""

from __future__ import annotations

import copy
import itertools
import re
from collections.abc import Container, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from msgspec import structs

from planner import cover, exposure
from planner.account import Account, PassState
from planner.audit import rules_of
from planner.catalogue import Catalogue
from planner.draft import dates
from planner.errors import InputError
from planner.facts import derive
from planner.judge import judge
from planner.model import Accept, CropLabel, Field, Finding, Pass, Product, Programme, TankItem
from planner.rulebook import Rulebook
from planner.season import Season

MONEY = 100_000  # money is counted in 1/100,000 of the currency's unit, so that price times millilitres stays whole
AMOUNT = 1000  # product is counted in mL or g per hectare
SELECTION = 10  # selection is counted in tenths of a day
MOST_IN_TANK = 3
# common practice, no source: foliar fungicide passes closer than a week to each other are not planned
SPACING = 7
FEW_SLOTS = 8  # dates that are planned where they lie close enough
# our reading, no source: how much a bare day weighs by the pressure of the disease
PRESSURE_WEIGHT = {"low": 1, "moderate": 2, "high": 3, None: 2}
# rules that a pass breaks by itself, whatever else the programme holds: they are run once per option
PASS_RULES = frozenset(("LBL01", "LBL02", "LBL07", "LBL08", "LBL10", "MIX01", "MIX02", "RES02"))
DAY_RULES = frozenset(("LBL07", "LBL08", "LBL10"))  # those that ``Space.allowed`` answers before


@dataclass(frozen=True)
class Slot:
    """One possible spray date. ``stage`` is set where the field gives that stage this very date."""

    index: int
    day: int  # ordinal
    stage: str | None = None
    near: str = ""  # stage in words for the reader, with ~ where it is an estimate
    kept: bool = False


@dataclass(frozen=True)
class Variant:
    """One way to change one pass of a programme: the pass afterwards, its slot, how many changes, and their words."""

    entry: Pass
    slot: int
    origin: int  # number of the pass in the programme
    edits: int
    words: str
    weight: int = 0  # breaks ties between equally few changes: the smaller the milder


@dataclass(eq=False)
class Column:
    """One tank mix on one slot (or a pass that is kept)."""

    number: int
    slot: int
    entry: Pass
    products: tuple[str, ...]
    kept: bool = False
    state: PassState | None = None
    cost: int = 0  # application and every product at its price, in 1/MONEY per hectare
    amounts: dict[str, int] = field(default_factory=dict)  # product -> mL or g per hectare
    selection: int = 0
    spans: dict[str, tuple[tuple[int, int], ...]] = field(default_factory=dict)  # target -> days covered
    cautions: int = 0
    resisted: bool = False  # it puts a group on a target where resistance to it is reported (RES01 as a caution)
    barred: tuple[Finding, ...] = ()  # findings of the pass-level rules that keep it out
    off: tuple[tuple[str, str], ...] = ()  # rule or wish and words that keep it out, in a wider space
    variant: Variant | None = None  # where a mend offers it
    must: tuple[str, ...] = ()  # products for whose sake it is held beside what is on offer (``Space(must=...)``)
    met: list[exposure.Exposure] | None = None  # what each target meets of it alone, once asked for

    @property
    def uses(self) -> Any:
        """The pass's state in the account."""
        assert self.state is not None
        return self.state

    def said(self, finding: Finding) -> str:
        """A finding about this column alone; its number is no pass of any programme."""
        return re.sub(rf"\bpass {self.number}\b", "a pass", finding.message)


class Space:
    """Everything a draft chooses from, for one field, one shop and the passes that are kept."""

    def __init__(
        self,
        field_: Field,
        products: Sequence[Product],
        catalogue: Catalogue,
        *,
        keep: Sequence[Pass] = (),
        accept: Sequence[Accept] = (),
        avoid: Iterable[str] = (),
        start: int | None = None,
        slots: Sequence[int] | None = None,
        most_in_tank: int = MOST_IN_TANK,
        rulebook: Rulebook | None = None,
        currency: str = "",
        variants: Sequence[Variant] | None = None,
        season: Season | None = None,
        reduce: bool = True,
        wide: bool = False,
        must: Sequence[str] = (),
    ) -> None:
        """Make slots and columns.

        Args:
            keep: passes that are fixed, in order.
            accept: departures that the user keeps.
            avoid: group keys, actives or product names that no new pass may hold.
            start: first ordinal on which a new pass may lie.
            slots: days (ordinals) to use instead of the planner's own.
            variants: the passes to choose from instead of the planner's own mixes (the mend's); ``slots`` then gives
                the day of every slot in order, and a day may come twice.
            season: the calendar, where the caller has one.
            reduce: leave out products and mixes that others beat (see :meth:`_best` and :meth:`_reduced`).
            wide: hold what a label's days or ``avoid`` keep out as well, marked ``off`` (see :meth:`wider`).
            must: products whose mixes are held as well, one such product to a mix, though others beat them or they
                work on nothing here (see :meth:`with_mixes_of`).

        Raises:
            InputError: the field has no dates, so no day can be planned.
        """
        self.field = field_
        self.products = tuple(products)
        self.catalogue = catalogue
        self.book = rulebook if rulebook is not None else rules_of()
        self.accept = tuple(accept)
        self.avoid = tuple(avoid)
        self.most_in_tank = most_in_tank
        self.reduce = reduce
        self.wide = wide
        self.must = tuple(must)
        self.keep = tuple(keep)
        self.currency = currency or field_.currency or next((one.currency for one in products if one.currency), "")
        crop = catalogue.crop(field_.crop)
        self.crop = crop
        self.season = season or Season(field_, crop, catalogue, tuple(keep))
        if variants is None and (self.season.floating or not self.season.stages):
            raise InputError(
                field_.place if str(field_.place) else "the field",
                "the field has no dates, so no spray date can be planned",
                "add sown: 2026-05-12, or stages: {R1: 2026-07-02}",
            )
        self.refused: dict[str, str] = {}
        self._bare = Account(Programme(field=field_, passes=()), catalogue, self.season)
        self.usable = self._usable()
        self._order = {product.name: at for at, (product, _) in enumerate(self.usable)}
        self.worth = self._product_worth() if variants is None else {}
        self.beaten: dict[str, str] = {}
        self._known_mixes: dict[Any, list[tuple[tuple[Product, CropLabel], ...]]] = {}
        self.slots, kept = self._slots(keep, start, slots)
        self.columns: list[Column] = []
        self._add_kept(kept)
        if variants is None:
            self._add_mixes()
        for variant in variants or ():
            self._append(variant.slot, variant.entry, variant=variant)
        self._account()
        self._measure()
        self.by_slot: list[list[Column]] = [[] for _ in self.slots]
        for column in self.columns:
            if column.slot >= 0:
                self.by_slot[column.slot].append(column)
        self.kept = [column for column in self.columns if column.kept]

    # --- slots ------------------------------------------------------------------------------------------------------

    def _usable(self) -> list[tuple[Product, CropLabel]]:
        """Products that can be planned with, and the reason for each that cannot."""
        found: list[tuple[Product, CropLabel]] = []
        for product in self.products:
            label = product.labels.get(self.crop.id)
            reason = ""
            if not any(self.catalogue.active(name).kind == "fungicide" for name in product.actives):
                reason = "it holds no fungicide"
            elif not product.labels:
                reason = "its label is not in the product list; copy the label to plan with it"
            elif label is None:
                reason = f"LBL01: its label lacks {self.crop.name}"
            elif label.rate_most is None:
                reason = "its label gives no full rate; add rate: [least, most]"
            elif product.price is None:
                reason = "it has no price, so it cannot be weighed; add price"
            elif not self.wide and (named := self._avoided(product)) is not None:
                reason = f"{named} is to be avoided"
            if reason or label is None:
                self.refused[product.name] = reason
            else:
                found.append((product, label))
        return found

    def _avoided(self, product: Product) -> str | None:
        for name in self.avoid:
            if name == product.name or name in product.actives:
                return name
            if any(name in self.catalogue.active(active).groups for active in product.actives):
                return name
        return None

    def _last_day(self) -> int | None:
        """The last day that any label leaves before harvest."""
        harvest = self.field.harvest
        if harvest is None:
            return None
        intervals = [label.harvest_interval or 0 for _, label in self.usable]
        return harvest.toordinal() - min(intervals, default=0)

    def _slots(
        self, keep: Sequence[Pass], start: int | None, days: Sequence[int] | None
    ) -> tuple[list[Slot], list[tuple[Pass, int | None]]]:
        kept = [(entry, self.season.place(entry).day) for entry in keep]
        for entry, day in kept:
            if day is None and entry.how == "foliar":
                raise InputError(
                    entry.place if str(entry.place) else f"pass {entry.number}",
                    "a pass that is kept needs a date",
                    "add date: 2026-07-02",
                )
        foliar = sorted(day for entry, day in kept if day is not None and entry.how == "foliar")
        if days is None:
            earliest = start if start is not None else (foliar[-1] + SPACING if foliar else None)
            free = self._days(earliest, foliar)
        else:
            free = sorted(days)
        marks = sorted([(day, True) for day in foliar] + [(day, False) for day in free])
        slots = [
            Slot(index, day, self._given_stage(day), self.near(day), is_kept)
            for index, (day, is_kept) in enumerate(marks)
        ]
        return slots, kept

    def _days(self, earliest: int | None, foliar: Sequence[int]) -> list[int]:
        """Stage events of the targets first, then a day every week or so between them; where that leaves longer gaps
        than what can be bought protects, as many dates as close them."""
        windows = [
            target.window
            for target in self._bare.targets
            if target.window and target.window.first is not None and target.window.through is not None
        ]
        stages = [
            entry.date.toordinal() for code, entry in self.season.stages.items() if code not in ("sown", "harvest")
        ]
        if windows:
            first = min(window.first for window in windows if window.first is not None)
            last = max(window.through for window in windows if window.through is not None)
        elif self._bare.targets or not stages:
            return []
        else:
            first, last = min(stages), max(stages)
        end = self._last_day()
        if end is not None:
            last = min(last, end)
        if earliest is not None:
            first = max(first, earliest)
        if last < first:
            return []
        events: list[int] = [first]
        for code in self._event_stages():
            day, _ = self.season.day(code)
            if day is not None and first <= day <= last:
                events.append(day)
        found: list[int] = []
        step = max(SPACING, -(-(last - first + 1) // FEW_SLOTS))
        for day in [*sorted(set(events)), *range(first, last + 1, step)]:
            if len(found) < FEW_SLOTS and all(abs(day - other) >= SPACING for other in [*found, *foliar]):
                found.append(day)
        lasting = self._lasting()
        if lasting is not None and dates.longest_gap(found, [day for day in foliar if day >= first], last) > lasting:
            return dates.spread(first, last, min(SPACING, lasting), lasting, sorted(set(events)), foliar)
        return sorted(found)

    def _lasting(self) -> int | None:
        """Days from one date to the next over which half of what works on a target goes on protecting it, for the
        target for which they are fewest; None where no days of protection are known.

        It is less than ``SPACING`` only where protection is shorter and a label's interval allows that.
        """
        found = []
        for target in self._bare.targets:
            known = [
                (days, label.interval or SPACING)
                for product, label in self.usable
                if (days := self.worth[product.name][1][target.id][1]) > 0
            ]
            if target.window is None or target.window.first is None or not known:
                continue
            half = sorted(known)[(len(known) - 1) // 2][0]
            if half < SPACING:
                half = min(SPACING, max(half, min(interval for days, interval in known if days <= half)))
            found.append(half)
        return min(found, default=None)

    def _event_stages(self) -> list[str]:
        """Stages that the targets' published timing names, then those that the field gives."""
        codes: dict[str, None] = {}
        for target in self._bare.targets:
            for code in target.target.best_timing:
                codes[code] = None
        for code in self.field.stages:
            codes[code] = None
        return list(codes)

    def _given_stage(self, day: int) -> str | None:
        return next((code for code, given in self.field.stages.items() if given.toordinal() == day), None)

    def near(self, day: int) -> str:
        """The last stage reached on a day, ``~`` where that is an estimate; of those beside the main line (tubers of
        potatoes, which come out of order with the leaves) only one that is given for the day."""
        best: tuple[int, str] | None = None
        for code, entry in self.season.stages.items():
            at = entry.date.toordinal()
            if code in ("sown", "harvest") or at > day or (not entry.on_line and (entry.estimated or at != day)):
                continue
            if best is None or at >= best[0]:
                best = (at, ("~" if entry.estimated or at != day else "") + code)
        return best[1] if best else ""

    # --- columns ----------------------------------------------------------------------------------------------------

    def _add_kept(self, kept: Sequence[tuple[Pass, int | None]]) -> None:
        by_day = {slot.day: slot.index for slot in self.slots if slot.kept}
        for entry, day in kept:
            slot = by_day[day] if entry.how == "foliar" and day is not None else -1
            self._append(slot, entry, kept=True)

    def _append(self, slot: int, entry: Pass, *, kept: bool = False, variant: Variant | None = None) -> None:
        number = len(self.columns) + 1
        products = tuple(item.product or item.active or "" for item in entry.tank)
        numbered = structs.replace(entry, number=number)
        self.columns.append(Column(number, slot, numbered, products, kept, variant=variant))

    def allowed(self, product: Product, label: CropLabel, day: int) -> str:
        """Why the label keeps a product off a day; empty where it may go on."""
        stage, _ = self.season.stage_on(day)
        if stage is not None:
            low, high = stage
            if label.first_stage is not None and low < self.season.bbch(label.first_stage):
                return f"LBL07: its label starts at {label.first_stage}"
            if label.last_stage is not None and high > self.season.bbch(label.last_stage):
                return f"LBL07: its label ends at {label.last_stage}"
        if label.harvest_interval is not None and self.field.harvest is not None:
            left = self.field.harvest.toordinal() - day
            if left < label.harvest_interval:
                return f"LBL08: {left} days are left to harvest and its label asks {label.harvest_interval}"
        water = self.field.application.water
        if label.water is not None and water is not None and water < label.water:
            return f"LBL10: the field is sprayed with less water than its label asks ({label.water:g} L/ha)"
        return ""

    def _add_mixes(self) -> None:
        fitted: set[str] = set()
        for slot in self.slots:
            if slot.kept:
                continue
            fit = []
            off: dict[str, list[tuple[str, str]]] = {}
            for product, label in self.usable:
                if self.wide and (kept_off := self._kept_off(product, label, slot.day)):
                    off[product.name] = kept_off
                    continue
                reason = self.allowed(product, label, slot.day)
                if reason:
                    self.refused.setdefault(product.name, reason)
                else:
                    fit.append((product, label))
                    fitted.add(product.name)
            best = self._best(fit)
            mixes = self._mixes(fit, best)
            for name, mix in [*(("", mix) for mix in mixes), *self._asked(fit, best, mixes)]:
                tank = tuple(
                    TankItem(product=product.name, rate=label.rate_most, unit=product.amount_unit)
                    for product, label in mix
                )
                self._append(slot.index, self._pass(slot, tank))
                self.columns[-1].must = (name,) if name else ()
            self._add_off(slot, fit, off)
        for name in fitted:
            self.refused.pop(name, None)

    def _add_off(self, slot: Slot, fit: list[tuple[Product, CropLabel]], off: dict[str, list[tuple[str, str]]]) -> None:
        """Products that are kept off this day, alone and with one other (a wider space only)."""
        held = [
            (product, label)
            for product, label in self.usable
            if product.name in off
            and not any(
                self._outdone(product, other) and set(off.get(other.name, ())) <= set(off[product.name])
                for other, _ in self.usable
            )
        ]
        best = self._best(fit)
        fit = [(product, label) for product, label in fit if product.name in best]
        for at, (product, label) in enumerate(held):
            mixes: list[tuple[tuple[Product, CropLabel], ...]] = [((product, label),)]
            mixes += [
                ((product, label), other)
                for other in [*fit, *held[at + 1 :]]
                if self.most_in_tank > 1 and self._compatible(product, other[0])
            ]
            for mix in mixes:
                tank = tuple(
                    TankItem(product=one.name, rate=one_label.rate_most, unit=one.amount_unit) for one, one_label in mix
                )
                reasons = dict.fromkeys(reason for one, _ in mix for reason in off.get(one.name, ()))
                self._append(slot.index, self._pass(slot, tank))
                self.columns[-1].off = tuple(reasons)

    def whole(self) -> Space:
        """The same season with every tank mix, those too that others beat on their date."""
        days = [slot.day for slot in self.slots if not slot.kept]
        return Space(
            self.field, self.products, self.catalogue, keep=self.keep, accept=self.accept, avoid=self.avoid, slots=days,
            most_in_tank=self.most_in_tank, rulebook=self.book, currency=self.currency, season=self.season,
            reduce=False,
        )  # fmt: skip

    def only(self, numbers: Container[int], like: Space) -> Space:
        """The same season with these columns and the kept ones, and with what another space says of what it lacks."""
        less = copy.copy(self)
        less.columns = [column for column in self.columns if column.kept or column.number in numbers]
        less.by_slot = [[column for column in slot if column.kept or column.number in numbers] for slot in self.by_slot]
        less.reduce, less.beaten, less.refused = like.reduce, like.beaten, like.refused
        return less

    def wider(self) -> Space:
        """The same season with the passes that a label's days or the user's wish keep out: to say what clashes."""
        days = [slot.day for slot in self.slots if not slot.kept]
        return Space(
            self.field, self.products, self.catalogue, keep=self.keep, accept=self.accept, avoid=self.avoid, slots=days,
            most_in_tank=self.most_in_tank, rulebook=self.book, currency=self.currency, season=self.season,
            reduce=self.reduce, wide=True,
        )  # fmt: skip

    def _asked(
        self,
        fit: Sequence[tuple[Product, CropLabel]],
        best: set[str],
        mixes: Sequence[tuple[tuple[Product, CropLabel], ...]],
    ) -> Iterator[tuple[str, tuple[tuple[Product, CropLabel], ...]]]:
        """Mixes of each product of ``must`` that are not among those on offer: alone, with one or two of the rest."""
        made = {tuple(product.name for product, _ in mix) for mix in mixes}
        for product, _ in fit:
            if product.name in self.must:
                others = [other for other in fit if other[0].name in best and self._compatible(product, other[0])]
                for count in range(self.most_in_tank):
                    for mix in itertools.combinations(others, count):
                        whole = tuple(one for one in fit if one[0] is product or one in mix)
                        fits = all(self._compatible(one, two) for (one, _), (two, _) in itertools.combinations(mix, 2))
                        if fits and tuple(one.name for one, _ in whole) not in made:
                            yield product.name, whole

    def with_mixes_of(self, names: Sequence[str]) -> Space:
        """The same season with every mix of these products beside what is on offer: to ask for the best programme that
        holds one. A mix that only stands there for such a product says so (``Column.must``)."""
        days = [slot.day for slot in self.slots if not slot.kept]
        return Space(
            self.field, self.products, self.catalogue, keep=self.keep, accept=self.accept, avoid=self.avoid, slots=days,
            most_in_tank=self.most_in_tank, rulebook=self.book, currency=self.currency, season=self.season,
            reduce=self.reduce, must=names,
        )  # fmt: skip

    def part(self, columns: Sequence[Column]) -> Space:
        """The same season with these of its columns only."""
        fewer = copy.copy(self)
        fewer.columns = list(columns)
        fewer.by_slot = [[one for one in columns if one.slot == slot.index] for slot in self.slots]
        fewer.kept = [column for column in columns if column.kept]
        return fewer

    def _kept_off(self, product: Product, label: CropLabel, day: int) -> list[tuple[str, str]]:
        """What keeps a product off a day: rule or wish, and words that are the same for every such day."""
        found = []
        reason = self.allowed(product, label, day)
        if reason.startswith("LBL08"):
            found.append(("LBL08", f"the label of {product.name} asks {label.harvest_interval} days before harvest"))
        elif reason:
            rule, _, words = reason.partition(": ")
            found.append((rule, f"{product.name}: {words}"))
        named = self._avoided(product)
        if named is not None:
            found.append(("--avoid", f"{named} is to be avoided"))
        return found

    def _pass(self, slot: Slot, tank: tuple[TankItem, ...]) -> Pass:
        application = self.field.application
        return Pass(
            number=1,
            date=date.fromordinal(slot.day),
            stage=slot.stage,
            tank=tank,
            water=application.water,
            droplets=application.droplets,
        )

    def _product_worth(self) -> dict[str, tuple[frozenset[str], dict[str, tuple[int, int]], float]]:
        """Groups, per target class and days of cover, and cost per hectare of each usable product alone."""
        some_day = date.fromordinal(min(one.date.toordinal() for one in self.season.stages.values()))
        passes = tuple(
            Pass(
                number=at,
                date=some_day,
                tank=(TankItem(product=product.name, rate=label.rate_most, unit=product.amount_unit),),
            )
            for at, (product, label) in enumerate(self.usable, start=1)
        )
        account = Account(
            Programme(field=self.field, products=self.products, passes=passes), self.catalogue, self.season
        )
        found = {}
        for (product, label), state in zip(self.usable, account.all_states, strict=True):
            marks = {}
            for target in account.targets:
                ranks = [account.effect(use, target).rank or 0 for use in state.uses]
                rows = [
                    account.protection(use, state, target) for use in state.uses if account.effect(use, target).value
                ]
                days = max((round(row.least) for row in rows if row is not None), default=0)
                marks[target.id] = (max(ranks, default=0), days)
            cost = 0.0 if self.on_hand(product) else (product.price or 0.0) * (label.rate_most or 0.0)
            found[product.name] = (frozenset(state.by_group), marks, cost)
        return found

    def _outdone(self, product: Product, other: Product) -> bool:
        """Whether another product of the same groups is as cheap, as good on every target and as lasting."""
        groups, marks, cost = self.worth[product.name]
        other_groups, other_marks, other_cost = self.worth[other.name]
        if other is product or other_groups != groups:
            return False
        if (other_cost, self._order[other.name]) > (cost, self._order[product.name]):
            return False
        return all(a >= b for key in marks for a, b in zip(other_marks[key], marks[key], strict=True))

    def _best(self, fit: Sequence[tuple[Product, CropLabel]]) -> set[str]:
        """Products worth a place in a mix: fewer than two others of the same groups are as cheap, good on every target
        and lasting. Two, so that the season limit of one label starves no programme."""
        if not self.reduce:
            return {product.name for product, _ in fit}
        best: set[str] = set()
        for product, _ in fit:
            better = [other for other, _ in fit if self._outdone(product, other)]
            if len(better) < 2:
                best.add(product.name)
            else:
                self.beaten[product.name] = better[0].name
        return best

    def _mixes(
        self, fit: Sequence[tuple[Product, CropLabel]], best: set[str]
    ) -> list[tuple[tuple[Product, CropLabel], ...]]:
        """Cliques of the graph of compatible partners, one to three products, in the order of the list. Slots on which
        the same products fit share them."""
        import networkx

        key = (tuple(product.name for product, _ in fit), frozenset(best))
        if key in self._known_mixes:
            return self._known_mixes[key]
        graph = networkx.Graph()
        graph.add_nodes_from(range(len(fit)))
        for one in range(len(fit)):
            for other in range(one + 1, len(fit)):
                names = {fit[one][0].name, fit[other][0].name}
                if names <= best and self._compatible(fit[one][0], fit[other][0]):
                    graph.add_edge(one, other)
        found = []
        for clique in networkx.enumerate_all_cliques(graph):
            if len(clique) > self.most_in_tank:
                break
            found.append(tuple(fit[index] for index in sorted(clique)))
        order = {product.name: at for at, (product, _) in enumerate(fit)}
        made = sorted(found, key=lambda mix: (len(mix), [order[product.name] for product, _ in mix]))
        self._known_mixes[key] = made
        return made

    def _compatible(self, one: Product, other: Product) -> bool:
        """Two products make a mix when each brings a mode of action that the other lacks."""
        first = {self.catalogue.active(name).group for name in one.actives if self._counts(name)}
        second = {self.catalogue.active(name).group for name in other.actives if self._counts(name)}
        if not first or not second or set(one.actives) & set(other.actives):
            return False
        joined = self.catalogue.joined
        return not any(a == b or joined(a, b, "mixing") for a in first for b in second)

    def _counts(self, active: str) -> bool:
        return self.catalogue.active(active).kind == "fungicide"

    # --- measuring --------------------------------------------------------------------------------------------------

    def _account(self) -> None:
        programme = Programme(
            field=self.field,
            products=self.products,
            passes=tuple(column.entry for column in self.columns),
            accept=self.accept,
            currency=self.currency,
        )
        self.account = Account(programme, self.catalogue, self.season)
        for column, state in zip(self.columns, self.account.all_states, strict=True):
            column.state = state

    def view(self, columns: Sequence[Column]) -> Account:
        """The account of the programme that these columns make (with their column numbers as pass numbers)."""
        chosen = sorted(columns, key=lambda column: column.slot)
        seen = copy.copy(self.account)
        # what the account remembers of one pass is shared; what it remembers of the whole programme is not
        seen.__dict__.pop("published", None)
        seen._working = {}
        states = [column.uses for column in chosen]
        seen.all_states = states
        seen.fungicide_states = [state for state in states if state.uses]
        seen.passes = [state for state in seen.fungicide_states if state.entry.how == "foliar"]
        seen.early = [state for state in seen.fungicide_states if state.entry.how != "foliar"]
        return seen

    def findings(self, columns: Sequence[Column]) -> list[Finding]:
        """What the rules find in a programme of these columns (the interpreter; no texts are shown from here)."""
        if not columns:
            return []
        found, _ = judge(self.book, derive(self.view(columns)), backend="interpreter")
        return found

    def breaches(self, columns: Sequence[Column]) -> list[Finding]:
        """Open breaches of a programme of these columns."""
        return [one for one in self.findings(columns) if one.severity == "breach" and not self.accepted(one)]

    def accepted(self, finding: Finding) -> bool:
        """Whether the user keeps this departure. Accepted passes are numbered as in the kept programme."""
        kept = {column.number for column in self.columns if column.kept}
        return any(
            entry.rule == finding.rule and (not entry.passes or bool(set(entry.passes) & set(finding.passes) & kept))
            for entry in self.accept
        )

    def _measure(self) -> None:
        spend = {product.name: product for product in self.products}
        application = round((self.field.application.cost or 0.0) * MONEY)
        useful = []
        for column in self.columns:
            column.cost = application if column.entry.how == "foliar" else 0
            for item in column.entry.tank:
                if item.product is not None and item.rate is not None:
                    column.amounts[item.product] = round(item.rate * AMOUNT)
                    price = spend[item.product].price if item.product in spend else None
                    column.cost += round((price or 0.0) * item.rate * MONEY)
            self._measure_cover(column)
            if column.kept or column.variant is not None or (not column.must and self._worth(column)):
                useful.append(column)
        pools = self._pools()
        self._select(list(dict.fromkeys([*useful, *(column for pool in pools.values() for column in pool)])))
        if self.reduce and not any(column.variant for column in useful):
            useful = self._reduced([column for column in useful if not column.off]) + [c for c in useful if c.off]
        offered = set(useful)
        for column in self.columns:
            column.must = ()
        for name, pool in pools.items():
            for column in self._reduced(pool) if self.reduce else pool:
                if column not in offered:
                    useful += [] if column.must else [column]
                    column.must = (*column.must, name)
        useful.sort(key=lambda column: column.number)
        for column in useful:
            found = self.findings([column])
            column.cautions = sum(1 for one in found if one.severity == "caution")
            column.resisted = any(one.rule == "RES01" and one.severity == "caution" for one in found)
            if not column.kept:
                column.barred = tuple(
                    one
                    for one in found
                    if one.severity == "breach"
                    and one.rule in PASS_RULES
                    and not self.accepted(one)
                    and not (column.off and one.rule in DAY_RULES)
                )
        self.columns = useful

    def _select(self, columns: Sequence[Column]) -> None:
        """What each pass selects by itself, all of them worked out together."""
        from planner.draft.dose import Doses

        foliar = [column for column in columns if column.slot >= 0]
        for slot in dict.fromkeys(column.slot for column in foliar):
            here = [column for column in foliar if column.slot == slot]
            doses = Doses([self.slots[slot].day], [[self.met(column) for column in here]], self.joined)
            for column, days in zip(here, doses.alone(), strict=True):
                column.selection = round(days * SELECTION)

    def joined(self, one: str, other: str) -> bool:
        """Whether two groups share their resistance."""
        return self.account.joined(one, other, "succession")

    def _reduced(self, columns: list[Column]) -> list[Column]:
        """Without mixes that at least two others of the same slot beat, so that one label's season limit starves none.

        One mix beats another when it holds no group that the other lacks, costs no more, covers every day that the
        other covers, has as many working modes on every target, leaves no group alone that the other partners and
        selects no more by itself.
        """
        kept: list[Column] = []
        by_slot: dict[int, list[Column]] = {}
        for column in columns:
            by_slot.setdefault(-1 if column.kept else column.slot, []).append(column)
        for slot, here in sorted(by_slot.items()):
            if slot < 0:
                kept += here
                continue
            marks = {column.number: self._marks(column) for column in here}
            kept += [
                column
                for column in here
                if sum(self._beats(marks[other.number], marks[column.number]) for other in here if other is not column)
                < 2
            ]
        return sorted(kept, key=lambda column: column.number)

    def _marks(
        self, column: Column
    ) -> tuple[frozenset[str], int, dict[str, tuple[int, frozenset[int]]], frozenset[str], int]:
        account, state = self.account, column.uses
        per_target = {}
        for target in account.targets:
            days = frozenset(day for first, last in column.spans.get(target.id, ()) for day in range(first, last + 1))
            per_target[target.id] = (account.working_groups(state, target), days)
        alone = frozenset(group for group in state.by_group if account.alone(state, group)[0] is not False)
        paid = column.cost - sum(
            amount * self.unit_price(product)
            for product in self.products
            if (amount := column.amounts.get(product.name, 0)) and self.on_hand(product)
        )
        return frozenset(state.by_group), paid, per_target, alone, column.selection

    def _beats(self, one: Any, other: Any) -> bool:
        return (
            one[0] <= other[0]
            and one[1] <= other[1]
            and one[3] <= other[3]
            and one[4] <= other[4]
            and all(one[2][key][0] >= other[2][key][0] and one[2][key][1] >= other[2][key][1] for key in other[2])
            and (one[0], one[1]) != (other[0], other[1])
        )

    def _measure_cover(self, column: Column) -> None:
        seen = self.view([column])
        for target in seen.targets:
            covered, _ = cover.spans(seen, target)  # days that only a use of unknown effect covers do not count
            merged = tuple(sorted({(first, last) for first, last, _ in covered}))
            if merged:
                column.spans[target.id] = merged

    def _pools(self) -> dict[str, list[Column]]:
        """For each product of ``must`` every mix that holds it and of which the rest is of use."""
        return {
            name: [one for one in self.columns if not one.kept and name in one.products and self._worth(one, name)]
            for name in self.must
        }

    def _worth(self, column: Column, but: str = "") -> bool:
        """Whether a pass covers a day, and every product of a mix works on a target it meets or is a named partner;
        nothing is asked of the product ``but``."""
        if not self.account.targets:
            return True
        if not column.spans and not but:
            return False
        met = [target for target in self.account.targets if self.account.meets(column.uses, target).value is not False]
        for item in column.entry.tank:
            uses = [use for use in column.uses.uses if use.item is item]
            if item.product == but:
                continue
            if not any(
                self.account.effect(use, target).value
                or any(
                    use.active.multi_site and use.code in self.account.named_partners(other.group, target)
                    for other in column.uses.uses
                    if other is not use
                )
                for use in uses
                for target in met
            ):
                return False
        return True

    # --- back to documents ------------------------------------------------------------------------------------------

    def programme(self, columns: Sequence[Column], name: str = "") -> Programme:
        """The programme document that these columns make, passes numbered from 1."""
        chosen = sorted(columns, key=lambda column: column.slot)
        passes = tuple(structs.replace(column.entry, number=at) for at, column in enumerate(chosen, start=1))
        return Programme(
            name=name,
            field=self.field,
            products=self.products,
            passes=passes,
            accept=self.accept,
            currency=self.currency,
        )

    def bare(self, columns: Sequence[Column]) -> int:
        """Target-days without known cover, weighted by pressure: what ``planner.cover`` calls bare or not known."""
        seen = self.view(columns)
        return sum(
            PRESSURE_WEIGHT[target.entry.pressure] * (last - first + 1)
            for target in seen.targets
            for first, last, modes in cover.days_of(seen, target)
            if not modes
        )

    def met(self, column: Column) -> list[exposure.Exposure]:
        """What each target meets of one pass by itself."""
        if column.met is None:
            seen = self.view([column])
            column.met = [exposure.exposure(seen, target) for target in seen.targets]
        return column.met

    def index(self, columns: Sequence[Column]) -> int:
        """Selection index of the programme that these columns make, in tenths of a day."""
        return round(exposure.total(self.view(columns)) * SELECTION) if columns else 0

    def money(self, columns: Sequence[Column]) -> tuple[int, int]:
        """Cost to pay per hectare, and the worth of what is on hand already, in 1/MONEY."""
        whole = sum(column.cost for column in columns)
        stock = 0
        for product in self.products:
            free = self.on_hand(product)
            if free:
                used = sum(column.amounts.get(product.name, 0) for column in columns)
                stock += min(used, free) * self.unit_price(product)
        return whole - stock, stock

    def on_hand(self, product: Product) -> int:
        """Product already bought, in mL or g per hectare of this field; 0 where the area is not known."""
        if not product.on_hand or not self.field.area:
            return 0
        return int(product.on_hand / self.field.area * AMOUNT)

    def unit_price(self, product: Product) -> int:
        """Price of one mL or g in 1/MONEY."""
        return round((product.price or 0.0) * MONEY / AMOUNT)
