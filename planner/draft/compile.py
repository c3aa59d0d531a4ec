"""The rules that can forbid a programme, written as constraints over the columns of a :class:`Space`.

One function per kind of rule. What depends on one pass alone is decided before (``Column.barred``). What is left here:
label tallies and runs (LBL04-LBL06, LBL09), succession (ROT01, ROT02) and published limits (LIM01-LIM04) with the
conditions under which their rows hold. Where a row's condition cannot be written as a constraint the row is left out
and ``Compiled.complete`` is false: the audit still catches a breach and the search goes on without that programme.
Every constraint carries a tag (rule and words), so that a clash can be told in words.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import combinations_with_replacement, pairwise
from typing import TYPE_CHECKING, Any, Literal

import msgspec

from planner.account import TargetState
from planner.conditions import all_hold, undecided
from planner.draft import history
from planner.draft.options import PRESSURE_WEIGHT, Column, Space
from planner.facts.kinds import Fact
from planner.facts.limits import SHARE_HOLDS_FROM
from planner.facts.rotation import pairs_of
from planner.judge import allowed
from planner.model import Limit
from planner.published import within

if TYPE_CHECKING:
    from ortools.sat.python import cp_model

Literal_ = Any  # a boolean variable of CP-SAT or its negation
MICRO = 1_000_000
_STATIC_NEEDS = ("pathogen_risk", "pressure", "variety", "effective_partner")


@dataclass(frozen=True)
class Tag:
    """Which rule a constraint speaks for, and its words."""

    rule: str
    words: str


@dataclass(frozen=True)
class Row:
    """One rule constraint in plain numbers: low <= sum of factor * variable <= high while all ``given`` hold.

    A literal below 0 is the opposite of variable ``-literal - 1``, as in CP-SAT.
    """

    terms: tuple[tuple[int, int], ...]  # variable, factor
    low: int
    high: int
    given: tuple[int, ...]


@dataclass(frozen=True)
class Made:
    """A variable that others make, and how: any, all (of literals), sum (of variables), inside (a sum within bounds),
    table (of a sum), after (length of a run: hit, stop, length before or -1) or held (a marked column is part of the
    run: now, stop, held before or -1)."""

    index: int
    how: Literal["any", "all", "sum", "inside", "table", "after", "held", "one"]
    of: tuple[int, ...]
    table: tuple[int, ...] = ()


@dataclass
class Compiled:
    """The model with what the search and the explanations need of it."""

    model: cp_model.CpModel
    x: dict[int, Literal_]
    cost: Any
    bare: Any
    selection: Any
    passes: Any
    cautions: Any
    tags: list[Tag] = field(default_factory=list)
    complete: bool = True
    left_to_audit: list[str] = field(default_factory=list)


class Compiler:
    """Builds one model. ``soft``: every constraint of a rule holds only while its tag's literal is true, and columns
    that a pass-level rule bars are part of the model; that is how a clash is narrowed down."""

    def __init__(self, space: Space, *, soft: bool = False, strict: int = 0) -> None:
        from ortools.sat.python import cp_model

        self.space = space
        self.model = cp_model.CpModel()
        self._sum = cp_model.LinearExpr.sum
        self.soft = soft
        self.literals: dict[Tag, Literal_] = {}
        self.strict = strict
        self.account = space.account
        self.published = space.account.published
        self.off = {entry.rule for entry in space.accept}
        self.columns = [column for column in space.columns if column.kept or not column.barred or soft]
        self.x = {column.number: self.model.new_bool_var(f"x{column.number}") for column in self.columns}
        self.tags: dict[Tag, None] = {}
        self.left: dict[str, None] = {}
        self.slots = [[column for column in self.columns if column.slot == slot.index] for slot in space.slots]
        self.foliar = [column for column in self.columns if column.slot >= 0 and column.uses.uses]
        self.bare_days: dict[str, list[tuple[int, Any]]] = {}  # by target: days of a stretch, whether it is bare
        # the same rules in plain numbers, for whoever looks at many programmes at once (``draft.check``)
        self.made: list[Made] = []
        self.ruled: list[Any] = []
        self._bounds: list[int] | None = None
        self._by_bounds = False
        self.most_bare_days: dict[str, int] = {}  # target -> most bare days that ``strict`` leaves

    def build(self) -> Compiled:
        """The whole model."""
        model = self.model
        for columns in self.slots:
            if len(columns) > 1:
                model.add_at_most_one(self.x[column.number] for column in columns)
        for column in self.columns:
            if column.kept:
                model.add(self.x[column.number] == 1)
            else:
                off = [(finding.rule, column.said(finding)) for finding in column.barred]
                for rule, words in [*column.off, *off]:
                    self.add(Tag(rule, words), self.x[column.number] == 0)
        self._applications()
        self._active_totals()
        self._retreatment()
        self._label_runs()
        self._successions()
        self._published()
        bare = self._bare()
        if self.strict:
            self._two_modes()
            self._kept_well()
            history.differ(self)
            for column in self.columns:
                if self.strict > 1 and column.resisted and not column.kept:
                    self.rule(self.x[column.number] == 0)
        return Compiled(
            model,
            self.x,
            self._cost(),
            bare,
            sum(column.selection * self.x[column.number] for column in self.columns),
            sum(self.x[column.number] for column in self.columns if not column.kept),
            sum(column.cautions * self.x[column.number] for column in self.columns if not column.kept)
            + history.repeats(self),
            list(self.tags),
            not self.left,
            list(self.left),
        )

    # --- small helpers ----------------------------------------------------------------------------------------------

    def on(self, tag: Tag) -> bool:
        """Whether constraints of this tag may be written; remembers that the tag exists."""
        if tag.rule in self.off:
            self.left[f"{tag.rule} (accepted in part)"] = None
            return False
        self.tags[tag] = None
        return True

    def total(self, columns: Iterable[Column]) -> Any:
        """Number of chosen columns among these."""
        return self._sum([self.x[column.number] for column in columns])

    def both(self, literals: Sequence[Literal_]) -> Literal_ | None:
        """One literal that stands for all of these; None where there is nothing to ask."""
        if not literals:
            return None
        if len(literals) == 1:
            return literals[0]
        whole = self.model.new_bool_var("")
        self.model.add_bool_and(literals).only_enforce_if(whole)
        self.model.add_bool_or([~literal for literal in literals] + [whole])
        self._make(whole, "all", literals)
        return whole

    def _make(self, made: Any, how: Any, of: Iterable[Any], table: Iterable[int] = ()) -> None:
        self.made.append(Made(made.index, how, tuple(one.index for one in of), tuple(table)))

    def some(self, columns: Sequence[Column]) -> Literal_:
        """A literal that is true exactly when one of these columns is chosen."""
        any_ = self.model.new_bool_var("")
        self.model.add_max_equality(any_, [self.x[column.number] for column in columns])
        self._make(any_, "any", [self.x[column.number] for column in columns])
        return any_

    def add(self, tag: Tag, bounded: Any, given: Sequence[Literal_] = ()) -> None:
        """A constraint under conditions."""
        if bounded is True or not self.on(tag):
            return
        constraint = self.rule(bounded)
        whole = [*given, self.literal(tag)] if self.soft else list(given)
        if whole:
            constraint.only_enforce_if(whole)

    def rule(self, bounded: Any) -> Any:
        """A constraint that ``rows`` tells as well."""
        constraint = self.model.add(bounded)
        self.ruled.append(constraint)
        return constraint

    def rows(self) -> list[Row]:
        """Every rule and wish so far in plain numbers, those on money and bare days too."""
        return [_row(constraint) for constraint in self.ruled]

    def literal(self, tag: Tag) -> Literal_:
        """The literal that switches the constraints of a tag on."""
        if tag not in self.literals:
            self.literals[tag] = self.model.new_bool_var(tag.rule)
        return self.literals[tag]

    # --- objectives -------------------------------------------------------------------------------------------------

    def _cost(self) -> Any:
        cost = sum(column.cost * self.x[column.number] for column in self.columns)
        for product in self.space.products:
            free = self.space.on_hand(product)
            users = [column for column in self.columns if column.amounts.get(product.name)]
            if not free or not users:
                continue
            used = sum(column.amounts[product.name] * self.x[column.number] for column in users)
            stock = self.model.new_int_var(0, free, f"stock {product.name}")
            self.model.add(stock <= used)
            cost = cost - self.space.unit_price(product) * stock
        return cost

    def _bare(self) -> Any:
        """Uncovered days of each target between the edges of all spans, weighted by pressure."""
        terms = []
        for target in self.account.targets:
            window = target.window
            if window is None or window.first is None or window.through is None or window.through < window.first:
                continue
            spans = [(span, column) for column in self.columns for span in column.spans.get(target.id, ())]
            edges = {window.first, window.through + 1}
            for (first, last), _ in spans:
                edges |= {edge for edge in (first, last + 1) if window.first < edge <= window.through}
            marks = sorted(edges)
            for start, stop in pairwise(marks):
                covering = {column.number for (first, last), column in spans if first <= start <= last}
                bare = self.model.new_bool_var("")
                self.model.add(sum(self.x[number] for number in sorted(covering)) + bare >= 1)
                self.bare_days.setdefault(target.id, []).append((stop - start, bare))
                terms.append(PRESSURE_WEIGHT[target.entry.pressure] * (stop - start) * bare)
        return sum(terms)

    # --- labels -----------------------------------------------------------------------------------------------------

    def _labelled(self) -> list[tuple[Any, Any, list[Column]]]:
        found = []
        for product in self.space.products:
            label = product.labels.get(self.space.crop.id)
            users = [column for column in self.columns if product.name in column.products]
            if label is not None and users:
                found.append((product, label, users))
        return found

    def _applications(self) -> None:
        for product, label, users in self._labelled():
            if label.applications is not None:
                most = f"{label.applications} application{'s' * (label.applications != 1)}"
                tag = Tag("LBL04", f"the label of {product.name} allows {most} in a season")
                self.add(tag, self.total(users) <= label.applications)

    def _active_totals(self) -> None:
        for product, label, users in self._labelled():
            for active, most in label.active_total.items():
                doses = self._doses(active)
                if not doses:
                    continue
                words = f"the label of {product.name} allows {most:g} g/ha of {active} in a season, over all products"
                used = self.some(users)
                whole = sum(dose * self.x[number] for number, dose in doses.items())
                # the rule compares whole milligrams
                self.add(Tag("LBL05", words), whole <= round(most * 1000) * 1000 + 499, [used])

    def _doses(self, active: str) -> dict[int, int]:
        """Millionths of a gram per hectare of an active, by column."""
        found: dict[int, int] = {}
        for column in self.columns:
            dose = 0.0
            for item in column.entry.tank:
                if item.active == active:
                    dose += item.dose or 0.0
                product = self.account.programme.product(item.product) if item.product else None
                if product is not None and active in product.actives and item.rate is not None:
                    dose += item.rate * product.actives[active]
            if dose:
                found[column.number] = round(dose * MICRO)
        return found

    def _retreatment(self) -> None:
        days = [slot.day for slot in self.space.slots]
        for product, label, users in self._labelled():
            if label.interval is None:
                continue
            tag = Tag("LBL06", f"the label of {product.name} asks {label.interval} days between applications")
            by_slot = self.by_slot(users)
            for one, first in by_slot.items():
                for other, second in by_slot.items():
                    if one < other and days[other] - days[one] < label.interval:
                        self.add(tag, self.total(first) + self.total(second) <= 1)

    def by_slot(self, columns: Iterable[Column]) -> dict[int, list[Column]]:
        """Columns by their slot, seed treatments left out."""
        found: dict[int, list[Column]] = {}
        for column in columns:
            if column.slot >= 0:
                found.setdefault(column.slot, []).append(column)
        return dict(sorted(found.items()))

    def _label_runs(self) -> None:
        for product, label, users in self._labelled():
            if label.consecutive is None:
                continue
            groups = dict.fromkeys(use.group for column in users for use in column.uses.uses if use.product is product)
            for group in groups:
                with_group = {column.number for column in self.foliar if group in column.uses.by_group}
                lengths, holds = self._run(list(self.foliar), with_group, {column.number for column in users})
                most = f"{label.consecutive} passes in a row" if label.consecutive != 1 else "no two passes in a row"
                words = f"the label of {product.name} allows {most} with {self.account.group_words(group)}"
                for length, held in zip(lengths, holds, strict=True):
                    self.add(Tag("LBL09", words), length <= label.consecutive, [held])

    def _run(
        self, counted: Sequence[Column], inside: set[int], marked: set[int] | None = None
    ) -> tuple[list[Any], list[Any]]:
        """Length of the current run after each slot, and whether a marked column is part of it."""
        model = self.model
        lengths, flags = [], []
        length: Any = 0
        flag: Any = None
        by_slot = self.by_slot(counted)
        most = len(by_slot)
        for columns in by_slot.values():
            here = [self.x[column.number] for column in columns if column.number in inside]
            broken = [self.x[column.number] for column in columns if column.number not in inside]
            after = model.new_int_var(0, most, "")
            hit, stop = model.new_bool_var(""), model.new_bool_var("")
            model.add(sum(here) == hit)
            model.add(sum(broken) == stop)
            model.add(after == length + 1).only_enforce_if(hit)
            model.add(after == 0).only_enforce_if(stop)
            model.add(after == length).only_enforce_if([~hit, ~stop])
            self._make(hit, "sum", here)
            self._make(stop, "sum", broken)
            self._make(after, "after", [hit, stop] if isinstance(length, int) else [hit, stop, length])
            if marked is not None:
                mark = [self.x[column.number] for column in columns if column.number in inside & marked]
                now, held = model.new_bool_var(""), model.new_bool_var("")
                model.add(sum(mark) == now)
                model.add_implication(now, held)
                model.add_implication(stop, ~held)
                if flag is None:
                    model.add(held == now)
                else:
                    model.add(held >= flag).only_enforce_if(~stop)
                    model.add(held <= flag + now)
                self._make(now, "sum", mark)
                self._make(held, "held", [now, stop] if flag is None else [now, stop, flag])
                flag = held
                flags.append(held)
            lengths.append(after)
            length = after
        return lengths, flags

    # --- succession -------------------------------------------------------------------------------------------------

    def _successions(self) -> None:
        groups = sorted({use.group for column in self.foliar for use in column.uses.uses})
        pairs = [
            (one, other)
            for one, other in combinations_with_replacement(groups, 2)
            if one == other or self.account.joined(one, other, "succession")
        ]
        for one, other in pairs:
            holders = [column for column in self.foliar if one in column.uses.by_group or other in column.uses.by_group]
            if self.strict or any(use.active.risk == "high" for column in holders for use in column.uses.uses):
                self._succession(one, other, holders)

    def _succession(self, one: str, other: str, holders: list[Column]) -> None:
        classes: dict[int, dict[tuple[Any, ...], list[Column]]] = {}
        for column in holders:
            classes.setdefault(column.slot, {}).setdefault(self._signature(column, one, other), []).append(column)
        rule = "ROT01" if one == other else "ROT02"
        words = self.account.group_words(one) + ("" if one == other else f" and {self.account.group_words(other)}")
        tag = Tag(rule, f"{words} may not lead two passes in succession without a partner in either")
        slots = sorted(classes)
        relieving: dict[str, list[Column]] = {}
        told: dict[tuple[Any, ...], str | None] = {}
        for at, first_slot in enumerate(slots):
            for second_slot in slots[at + 1 :]:
                for sign, firsts in classes[first_slot].items():
                    clashing = self._clashing(sign, firsts[0], classes[second_slot], one, other, told)
                    for target, seconds in clashing.items():
                        if target not in relieving:
                            relieving[target] = [c for c in self.foliar if self._relieves(c, target, one, other)]
                        between = [c for c in relieving[target] if first_slot < c.slot < second_slot]
                        self.add(tag, self.total(firsts) + self.total(seconds) <= 1 + self.total(between))

    def _clashing(
        self,
        sign: tuple[Any, ...],
        first: Column,
        seconds: dict[tuple[Any, ...], list[Column]],
        one: str,
        other: str,
        known: dict[tuple[Any, ...], str | None],
    ) -> dict[str, list[Column]]:
        """Columns of a later slot that break the rule after a pass of this signature, by the target that the succession
        is read for (an empty text: neighbouring passes, no target shared). ``known``: what was said of passes of the
        same signatures that lie as far apart."""
        found: dict[str, list[Column]] = {}
        for second_sign, columns in seconds.items():
            second = columns[0]
            marks = [
                (target, here[1] or there[1], end)
                for target, here, there, end in zip(self.account.targets, sign[3], second_sign[3], sign[4], strict=True)
                if here[0] and there[0]
            ]
            shared = [target for target, _, _ in marks]
            apart = self.space.slots[second.slot].day - self.space.slots[first.slot].day
            ends = [end for _, _, end in marks if end is not None]
            # what is said depends on the days bare between the two, not on how they come about
            bare = self._told_apart(apart - max(ends)) if ends else None
            key = (*sign[:4], sign[5], *second_sign[:4], second_sign[5], bare, None if shared else (sign[4], apart))
            if key not in known:
                known[key] = self.severity(first, second, one, other)
            if not self._kept_apart(known[key], bool(shared), first, second, one, other):
                if any(estimated for _, estimated, _ in marks):
                    self.left["ROT01 where a target's stage is an estimate"] = None
                continue
            for target_id in [target.id for target in shared] or [""]:
                found.setdefault(target_id, []).extend(columns)
        return found

    def _told_apart(self, bare: int) -> Any:
        """Days bare as far as the two rules tell them apart: on which side of each of their bounds they lie."""
        if self._bounds is None:
            read = [
                condition
                for rule in self.space.book.running
                if rule.code in ("ROT01", "ROT02")
                for case in rule.cases
                for condition in case.when
                if "days_bare" in condition.reads
            ]
            plain = all(not one.other and all(isinstance(value, int) for value in one.values) for one in read)
            self._bounds = [int(value) for one in read for value in one.values] if plain else []
            self._by_bounds = plain
        return tuple((bare > bound) - (bare < bound) for bound in self._bounds) if self._by_bounds else bare

    def _kept_apart(
        self, told: str | None, shared: bool, first: Column, second: Column, one: str, other: str
    ) -> bool:
        """Whether two passes may not follow each other: a breach; with ``strict`` 1 a caution as well; with 2 whatever
        leans twice in a row on an at-risk group of more than low-to-medium risk, partnered, rested or not, also where
        the rules cannot say whether a partner stands beside it."""
        if told not in (None, "advice") or self.strict < 2:
            return told == "breach" or (told == "caution" and self.strict > 0)
        uses = [use for key in (one, other) for column in (first, second) for use in column.uses.by_group.get(key, [])]
        return shared and self.account.at_risk(uses) is True and self.account.risk(uses) != "low-medium"

    def severity(self, first: Column, second: Column, one: str, other: str) -> str | None:
        """What ROT01 or ROT02 says of two passes with nothing between them."""
        seen = self.space.view([first, second])
        for fact in pairs_of(seen, one, other):
            for code in ("ROT01", "ROT02"):
                told = self._judged(code, fact)
                if told is not None:
                    return told
        return None

    def _judged(self, code: str, fact: Fact) -> str | None:
        rule = next((rule for rule in self.space.book.running if rule.code == code), None)
        if rule is None or (rule.unknown_when and undecided(rule.cases, rule.unknown_when, fact.values)):
            return None
        for case in rule.cases:
            if all_hold(case.when, fact.values) is True:
                # nothing is milder than advice, so what is told of the fact need not be made for it
                return "advice" if case.severity == "advice" else allowed(case.severity, fact.told)[0]
        return None

    def _estimated(self, column: Column, target: TargetState) -> bool:
        return self.account.meets(column.uses, target).estimated

    def _signature(self, column: Column, one: str, other: str) -> tuple[Any, ...]:
        account, state = self.account, column.uses
        day = self.space.slots[column.slot].day
        uses = [use for key in dict.fromkeys((one, other)) for use in state.by_group.get(key, [])]
        return (
            tuple((key, account.alone(state, key)) for key in dict.fromkeys((one, other)) if key in state.by_group),
            account.risk(uses),
            account.at_risk(uses),
            tuple((account.works(state, target), account.meets(state, target).estimated) for target in account.targets),
            tuple(
                max((end - day for use in uses if (end := account.cover_end(use, state, target))), default=None)
                for target in account.targets
            ),
            tuple(self.published.solo(state, key.partition(" ")[2], None) for key in (one, other)),
        )

    def _relieves(self, column: Column, target_id: str, one: str, other: str) -> bool:
        """Whether a pass in between ends or takes over the succession against a target."""
        if not target_id:
            return True
        account, state = self.account, column.uses
        target = next(entry for entry in account.targets if entry.id == target_id)
        if not account.works(state, target):
            return False
        if one in state.by_group or other in state.by_group:
            return True
        return any(
            account.effect(use, target).value
            for use in account.others(state, one)
            if not account.joined(use.group, other, "mixing")
        )

    def _two_modes(self) -> None:
        """At least two effective modes of action over the season on every target at high pressure (FRAC's general
        advice is to mix or alternate effective modes; two as the least number is common practice, no source)."""
        for target in self.account.targets:
            if target.entry.pressure != "high":
                continue
            by_group: dict[str, list[Column]] = {}
            for column in self.foliar:
                if target.id not in column.spans:
                    continue
                for use in column.uses.uses:
                    if self.account.effect(use, target).value:
                        key = next(
                            (one for one in by_group if self.account.joined(one, use.group, "mixing")), use.group
                        )
                        by_group.setdefault(key, []).append(column)
            if len(by_group) > 1:
                self.rule(sum(self.some(columns) for columns in by_group.values()) >= 2)

    def _kept_well(self) -> None:
        """Targets at high pressure: a stage-timed one has a pass at its published timing (within 3 days), the others
        are not bare for more than half of their window (both common practice, no source). With ``strict`` 2 the first
        of the published stages is meant, and every target of more than low pressure is covered on the day its window
        opens, where what can be bought covers it then."""
        for target in self.account.targets:
            pressure = target.entry.pressure
            covering = [column for column in self.foliar if target.id in column.spans]
            if target.id not in self.bare_days or not covering:
                continue
            opening = target.window.first if target.window is not None else None
            if self.strict > 1 and pressure != "low" and opening is not None:
                self._asked([column for column in covering if column.spans[target.id][0][0] <= opening])
            if pressure != "high":
                continue
            if target.target.timing_style == "stage_timed" and target.target.best_timing:
                stages = target.target.best_timing[:1] if self.strict > 1 else target.target.best_timing
                days = [day for code in stages if (day := self.account.season.day(code)[0]) is not None]
                dates = {column.slot: self.space.slots[column.slot].day for column in covering}
                self._asked([c for c in covering if any(abs(dates[c.slot] - day) <= 3 for day in days)])
            else:
                stretches = self.bare_days[target.id]
                whole = sum(days for days, _ in stretches)
                self.model.add(2 * sum(days * bare for days, bare in stretches) <= whole)
                self.most_bare_days[target.id] = whole // 2

    def _asked(self, columns: list[Column]) -> None:
        """One of these must be chosen, where there is one."""
        if columns:
            self.rule(self.total(columns) >= 1)

    # --- published limits -------------------------------------------------------------------------------------------

    def _published(self) -> None:
        codes = sorted({use.code for column in self.columns for use in column.uses.uses})
        makers = {
            "max_applications": self._count,
            "no_repeated_solo_use": self._solo_count,
            "max_share_of_total": self._share,
            "max_consecutive": self._consecutive,
            "max_interval_days": self._interval,
        }
        done: set[tuple[Any, ...]] = set()
        for kind, make in makers.items():
            for code in codes:
                for target in self.account.targets or [None]:  # type: ignore[list-item]
                    for row, given in self._chosen(kind, code, target):
                        per_target = bool(row.targets) or bool(
                            {"pathogen_risk", "pressure", "variety", "report"} & set(row.needs)
                        )
                        at = target if per_target or kind == "max_interval_days" else None
                        key = (row.id, code if row.counted != "together" else "", at.id if at else "")
                        if not given and key in done:
                            continue
                        if not given:
                            done.add(key)
                        make(row, code, at, given)

    def _chosen(self, kind: str, code: str, target: TargetState | None) -> list[tuple[Limit, list[Literal_]]]:
        """Rows of a kind that can decide for a code against a target, each with the conditions under which it does."""
        firm: dict[tuple[Any, ...], list[Limit]] = {}
        beside: list[Limit] = []
        for row, regional in self.published.of_kind(kind):
            if not self.published.names_code(row, code) or not self.published.names_target(row, target):
                continue
            if regional or row.combine == "stricter":
                beside.append(row)
            else:
                firm.setdefault((row.counted, row.actives), []).append(row)
        found: list[tuple[Limit, list[Literal_]]] = []
        for rows in firm.values():
            ordered = sorted(rows, key=lambda entry: self.published.order(entry, code))
            found += self._winners(ordered, code, target)
        for row in beside:
            held = self._holds(row, code, target)
            if held is not None and held is not False:
                found.append((row, list(held)))
        return [(row, given) for row, given in found if self._firm(row, kind)]

    def _winners(self, rows: list[Limit], code: str, target: TargetState | None) -> list[tuple[Limit, list[Literal_]]]:
        found: list[tuple[Limit, list[Literal_]]] = []
        before: list[Literal_] = []
        for row in rows:
            held = self._holds(row, code, target)
            if held is None:  # its condition cannot be written: neither it nor what it may beat is enforced
                self.left[f"row {row.id}"] = None
                return found
            if held is False:
                continue
            found.append((row, [*before, *held]))
            whole = self.both(held)
            if whole is None:
                break
            before.append(~whole)
        return found

    def _firm(self, row: Limit, kind: str) -> bool:
        """Whether a finding on this row can be a breach."""
        regional = any(entry is row and flag for entry, flag in self.published.of_kind(kind))
        cap = self.published.cap(row, regional)
        return cap.severity == "breach" and not cap.lower

    def _holds(self, row: Limit, code: str, target: TargetState | None) -> list[Literal_] | Literal[False] | None:
        """Conditions of a row as literals (empty: it holds always), False where it never does, None: cannot be told."""
        literals: list[Literal_] = []
        counted = self._counted(row, target)
        if row.target_passes:
            literals.append(self._between(counted, row.target_passes, len(self.space.slots)))
        used = self._with_code(row, code, counted)
        if row.group_passes:
            literals.append(self._between(used, row.group_passes, len(self.space.slots)))
        if row.uses and row.kind != "max_consecutive":
            literals.append(self._solo_literal(row, code, target, used))
        for key, value in row.needs.items():
            if key in _STATIC_NEEDS or (key == "place"):
                continue
            if key == "codes_in_season":
                for needed in value:
                    having = [column for column in self.columns if needed in column.uses.codes]
                    if not having:
                        return False
                    literals.append(self.some(having))
            elif key != "report":
                return None
        static = {key: value for key, value in row.needs.items() if key != "codes_in_season"}
        if "report" in static and not self._one_standing(code, target):
            return None
        if static:
            held, _ = self.published.needs_hold(msgspec.structs.replace(row, needs=static), code, target)
            if not held:
                return False
        return literals

    def _one_standing(self, code: str, target: TargetState | None) -> bool:
        """Whether all actives of a code have one level on a target, so that it does not matter which is used."""
        if target is None:
            return True
        names = {use.active.name for column in self.columns for use in column.uses.by_group.get(f"FRAC {code}", [])}
        found = {self.account.standing(f"FRAC {code}", name, target) for name in names}
        return len({(one.level, one.country_level) for one in found}) <= 1

    def _between(self, columns: Sequence[Column], bounds: tuple[int | None, int | None], most: int) -> Literal_:
        low, high = bounds[0] or 0, most if bounds[1] is None else bounds[1]
        inside = self.model.new_bool_var("")
        from ortools.sat.python import cp_model

        number = self.model.new_int_var(0, most + 2, "")
        self.model.add(number == self.total(columns))
        domain = cp_model.Domain(low, high)
        self.model.add_linear_expression_in_domain(number, domain).only_enforce_if(inside)
        self.model.add_linear_expression_in_domain(number, domain.complement()).only_enforce_if(~inside)
        self._make(number, "sum", [self.x[column.number] for column in columns])
        self._make(inside, "inside", [number], (low, high))
        assert all(within(value, bounds) == (low <= value <= high) for value in range(most + 1))
        return inside

    def _solo_literal(self, row: Limit, code: str, target: TargetState | None, used: list[Column]) -> Literal_:
        told = {
            column.number: self.published.solo(column.uses, code, target if row.targets else None) for column in used
        }
        solo = [column for column in used if told[column.number]]
        mixed = [column for column in used if told[column.number] is False]
        unknown = [column for column in used if told[column.number] is None]
        any_solo, any_mixed, any_unknown = self.some_of(solo), self.some_of(mixed), self.some_of(unknown)
        wanted = {"solo": [any_solo, ~any_mixed], "mixed": [any_mixed, ~any_solo]}.get(row.uses, [any_solo, any_mixed])
        whole = self.both([*wanted, ~any_unknown])
        assert whole is not None
        return whole

    def some_of(self, columns: Sequence[Column]) -> Literal_:
        """As :meth:`some`; false where there is none."""
        if columns:
            return self.some(columns)
        one = self.model.new_constant(1)
        self._make(one, "one", [])
        return ~one

    def _counted(self, row: Limit, target: TargetState | None) -> list[Column]:
        if row.targets and target is not None:
            return [column for column in self.foliar if self.account.works(column.uses, target)]
        return self.foliar

    def _with_code(self, row: Limit, code: str, columns: Sequence[Column]) -> list[Column]:
        if row.counted == "together":
            return [column for column in columns if any(use.code in row.codes for use in column.uses.uses)]
        return [column for column in columns if code in column.uses.codes]

    def _sure(self, row: Limit, target: TargetState | None, used: Sequence[Column]) -> list[Literal_] | None:
        """The condition that no counted pass hangs on an estimated stage; None: all of them do."""
        if target is None or not row.targets:
            return []
        guessed = [column for column in used if self._estimated(column, target)]
        if not guessed:
            return []
        if len(guessed) == len(used):
            return None
        return [~self.some(guessed)]

    def _row_tag(self, rule: str, row: Limit, code: str) -> Tag:
        return Tag(rule, f"{self.account.group_words(f'FRAC {code}')}: {row.text}")

    def _count(self, row: Limit, code: str, target: TargetState | None, given: list[Literal_]) -> None:
        used = self._with_code(row, code, self._counted(row, target))
        if row.actives and "each" not in row.actives:
            used = [column for column in used if any(use.active.name in row.actives for use in column.uses.uses)]
        sure = self._sure(row, target, used)
        if not used or sure is None:
            return
        most: Any = int(float(row.value))
        ids = {entry.id for entry in self.account.targets}
        loose = [int(entry.value) for entry in row.exceptions if entry.target in ids]
        if loose:
            most = max([most, *loose])
            self.left[f"the exception of row {row.id}"] = None
        for other, _ in self.published.of_kind("max_applications_adjust"):
            if row.id not in other.adjusts:
                continue
            held = self._holds(other, code, target)
            if held is None:
                most = most + max(0, int(float(other.value)))
                self.left[f"row {other.id}"] = None
            elif held is not False:
                whole = self.both(held)
                most = most + int(float(other.value)) * (1 if whole is None else whole)
        self.add(self._row_tag("LIM01", row, code), self.total(used) <= most, [*given, *sure])

    def _solo_count(self, row: Limit, code: str, target: TargetState | None, given: list[Literal_]) -> None:
        base = self.foliar if target is None else [c for c in self.foliar if self.account.works(c.uses, target)]
        solo = [column for column in base if self.published.solo(column.uses, code, target)]
        by_slot = self.by_slot(solo)
        for one, firsts in by_slot.items():
            for other, seconds in by_slot.items():
                if one >= other:
                    continue
                last = [
                    column
                    for column in seconds
                    if target is None
                    or self.account.partner(column.uses, f"FRAC {code}", target)[1].severity == "breach"
                ]
                later = [column for column in solo if column.slot > other]
                if last:
                    tag = self._row_tag("LIM01", row, code)
                    self.add(tag, self.total(firsts) + self.total(last) <= 1 + self.total(later), given)

    def _share(self, row: Limit, code: str, target: TargetState | None, given: list[Literal_]) -> None:
        counted = self._counted(row, target)
        used = self._with_code(row, code, counted)
        sure = self._sure(row, target, used)
        slots = len(self.by_slot(counted))
        if not used or sure is None or slots < SHARE_HOLDS_FROM:
            return
        value = float(row.value)
        table = [
            slots if count < SHARE_HOLDS_FROM else max(1, math.floor(count * value + 1e-9))
            for count in range(slots + 1)
        ]
        number = self.model.new_int_var(0, slots, "")
        most = self.model.new_int_var(0, slots, "")
        self.model.add(number == self.total(counted))
        self.model.add_element(number, table, most)
        self._make(number, "sum", [self.x[column.number] for column in counted])
        self._make(most, "table", [number], table)
        self.add(self._row_tag("LIM02", row, code), self.total(used) <= most, [*given, *sure])

    def _consecutive(self, row: Limit, code: str, target: TargetState | None, given: list[Literal_]) -> None:
        counted = self._counted(row, target)
        most = int(float(row.value))
        if row.counted == "same_product":
            names = sorted(
                {
                    use.item.product or use.active.name
                    for column in counted
                    for use in column.uses.uses
                    if use.code in row.codes
                }
            )
            holds = [
                {
                    column.number
                    for column in counted
                    if any(
                        use.code in row.codes and (use.item.product or use.active.name) == name
                        for use in column.uses.uses
                    )
                }
                for name in names
            ]
        else:
            used = self._with_code(row, code, counted)
            holds = [
                {
                    column.number
                    for column in used
                    if row.uses != "solo" or bool(self.published.solo(column.uses, code, target))
                }
            ]
        for inside in holds:
            held = [column for column in counted if column.number in inside]
            sure = self._sure(row, target, held)
            if sure is None or len(self.by_slot(held)) <= most:
                continue
            if sure:
                self.left[f"row {row.id} where a stage is an estimate"] = None
            lengths, _ = self._run(counted, inside)
            for length in lengths:
                self.add(self._row_tag("LIM03", row, code), length <= most, [*given, *sure])

    def _interval(self, row: Limit, code: str, target: TargetState | None, given: list[Literal_]) -> None:
        days = [slot.day for slot in self.space.slots]
        base = self.foliar if target is None else [c for c in self.foliar if self.account.works(c.uses, target)]
        by_slot = self.by_slot(base)
        for one, columns in by_slot.items():
            firsts = [
                column
                for column in columns
                if code in column.uses.codes and self.account.meant_for(column.uses, code, target)
            ]
            for other, seconds in by_slot.items():
                if one < other and firsts and days[other] - days[one] > float(row.value):
                    between = [column for column in base if one < column.slot < other]
                    tag = self._row_tag("LIM04", row, code)
                    self.add(tag, self.total(firsts) + self.total(seconds) <= 1 + self.total(between), given)


def _row(constraint: Any) -> Row:
    """A linear constraint of the model in plain numbers (one that can never hold has no terms and low above high)."""
    proto = constraint.proto
    given = tuple(proto.enforcement_literal)
    if not proto.has_linear():
        return Row((), 1, 0, given)
    linear = proto.linear
    low, high = list(linear.domain)
    return Row(tuple(zip(linear.vars, linear.coeffs, strict=True)), low, high, given)
