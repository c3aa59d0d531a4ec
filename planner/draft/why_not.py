"""Why not: what keeps each product, group and spray date out of the programme that is shown.

First what decides without a search (no label for the crop, no price, a stage, a rule that the product breaks by itself
in every tank). Then the search: every mix of the products that are left out stands beside the mixes on offer, also
those that others beat and those of a product that works on nothing here, and the scan that found the programme shown
finds the best one that holds the product, by the same figure and with the same good practice. What that costs more,
covers less or selects harder is the answer; where only a programme without that practice holds it, what is given up;
where none does, the rules that forbid it. A group is told by the best of its products. In a long season
(``draft.long_season``) CP-SAT answers in place of the scan, from what is on offer.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from planner.account import Standing
from planner.draft import history, long_season
from planner.draft.conflict import by_rule, clash
from planner.draft.front import FREE, Front, balance, balanced
from planner.draft.options import MONEY, SELECTION, Column, Space
from planner.draft.practice import broken
from planner.draft.scan import Scan
from planner.draft.solve import Answer, Search, Stopped, Wanted
from planner.facts.make import listed
from planner.model import Finding, Product

MOST_TOLD = 3  # rules, or points of practice, in one line
MOST_LOOKED_AT = 2_000_000  # beginnings for one question; then the best found so far is told, as not proven
CLASH_SECONDS = 10.0


@dataclass(frozen=True)
class WhyNot:
    """One thing left out. ``kind``: product, group or date; ``rule`` empty where cost or a comparison decides.

    ``answer`` is the best programme with it, of the same practice as the one shown where there is one; ``proven``:
    nothing better holds it, or nothing at all.
    """

    kind: str
    name: str
    reason: str
    rule: str = ""
    more_cost: float | None = None  # money per hectare
    more_bare: int | None = None  # weighted target-days
    more_selection: float | None = None  # days
    answer: Answer | None = None
    proven: bool = True


@dataclass
class _Question:
    """What is asked of the search: one of these columns; and what it answered."""

    kind: str
    name: str
    columns: list[Column]  # those that break a rule by themselves as well
    answer: Answer | None = None
    level: int = -1  # the practice that the answer keeps
    stopped: bool = False

    @property
    def usable(self) -> list[Column]:
        """Columns that could be chosen."""
        return [column for column in self.columns if not column.barred]


@dataclass(frozen=True)
class _Told:
    """An entry with what ranks it among the products of a group: the practice kept and the worth."""

    entry: WhyNot
    level: int = -1
    worth: int = 0


@dataclass
class _Asker:
    """The programmes to choose from, and the scans over them, one for each practice that is asked for."""

    front: Front
    chosen: Answer
    wanted: Wanted
    seconds: float
    space: Space = field(init=False)
    scans: dict[int, Scan | long_season.Asked] = field(default_factory=dict)

    def __post_init__(self) -> None:
        held = {name for column in self.chosen.columns for name in column.products}
        here = self.front.space
        names = [one.name for one in here.products if one.name not in held]
        if self.front.long:  # there a question is answered from what is on offer, where that holds the product at all
            offered = {name for column in here.columns for name in column.products}
            names = [name for name in names if name not in offered]
            self.space = long_season.thinned(here.with_mixes_of(names))[0] if names else here
        else:
            self.space = here.with_mixes_of(names)
        self.figure = balanced(self.front)

    def columns(self, name: str) -> list[Column]:
        """Every mix that holds a product, and could be chosen."""
        return [c for c in self.space.columns if not c.kept and name in c.products and (not c.must or name in c.must)]

    def worth(self, answer: Answer) -> int:
        """By how much a programme falls short, as the balanced one was found."""
        return int(self.figure(answer.cost, answer.bare, answer.selection, answer.cautions))

    def ask(self, questions: Sequence[_Question]) -> None:
        """Answer each by the best programme of the most practice that any programme with it keeps."""
        for level in range(self.front.strict, -1, -1):
            if not (pending := [one for one in questions if one.answer is None and not one.stopped]):
                return
            wanted = replace(self.wanted, most_bare=self.front.most_bare, strict=level)
            space = self.part(*[one.name for one in pending])
            search = Search(space, wanted, seconds=self.seconds)
            scan: Scan | long_season.Asked
            if self.front.long:
                scan = long_season.Asked(search, balance(search, self.front), self._here(space))
            else:
                scan = Scan(search, seconds=self.seconds)
            self.scans[level] = scan
            for one in pending:
                try:
                    one.answer = self._best(one, scan, wanted)
                    one.level = level
                except Stopped:
                    one.stopped = True

    def _here(self, space: Space) -> Answer:
        """The programme shown, in the columns of another space of the same season."""
        same = {(column.slot, column.products): column for column in space.columns}
        return replace(self.chosen, columns=tuple(same[one.slot, one.products] for one in self.chosen.columns))

    def _best(self, one: _Question, scan: Scan | long_season.Asked, wanted: Wanted) -> Answer | None:
        """The best programme that this scan finds for a question.

        Raises:
            Stopped: the time is over.
        """
        spare = {column.number for column in scan.space.columns if column.must and one.name not in column.must}
        if isinstance(scan, long_season.Asked):
            answer = scan.best(one.usable, spare)
            return answer and replace(answer, proven=False)  # it is by the sum of what its passes select
        answer = scan.best(self.figure, [], self.front.most_bare, one.usable, spare, MOST_LOOKED_AT)
        if answer is None and not scan.found.complete:  # any will do, then
            answer = self.covering(one, wanted)
            return answer and replace(answer, proven=False)
        return answer

    def covering(self, one: _Question, wanted: Wanted) -> Answer | None:
        """The best covered programme with one of these columns, for the least money."""
        forced = frozenset(column.number for column in one.columns)
        search = Search(self.part(one.name), replace(wanted, force=forced), seconds=self.seconds)
        return search.best(("bare", "cost"))

    def part(self, *names: str) -> Space:
        """What is on offer, with the mixes that stand there for the sake of these products only."""
        return self.space.part([c for c in self.space.columns if not c.must or not set(names).isdisjoint(c.must)])


def why_not(front: Front, chosen: Answer, wanted: Wanted = FREE, *, seconds: float = 120.0) -> list[WhyNot]:
    """An entry for every product, group and date that the chosen programme leaves out."""
    asker = _Asker(front, chosen, wanted, seconds)
    space = asker.space
    held = {name for column in chosen.columns for name in column.products}
    taken = {column.slot for column in chosen.columns}
    products = [one for one in space.products if one.name not in held]
    dates = [slot for slot in space.slots if slot.index not in taken and not slot.kept]
    questions = {one.name: _Question("product", one.name, asker.columns(one.name)) for one in products}
    for slot in dates:
        here = [c for c in space.columns if c.slot == slot.index and not c.must and not c.kept]
        questions[str(slot.day)] = _Question("date", str(slot.day), here)
    asker.ask([one for one in questions.values() if one.usable])
    told = {product.name: _product(product, questions[product.name], asker) for product in products}
    found = [one.entry for one in told.values()]
    used = {group for column in chosen.columns for group in column.uses.by_group}
    for group in sorted({group for product in space.products for group in _groups(space, product)} - used):
        holders = [told[product.name] for product in space.products if group in _groups(space, product)]
        found.append(_group(space.account.group_words(group), holders))
    return found + [_date(questions[str(slot.day)], asker) for slot in dates]


def _groups(space: Space, product: Product) -> list[str]:
    """Fungicide groups of a product."""
    actives = [space.catalogue.active(name) for name in product.actives]
    return [active.group for active in actives if active.kind == "fungicide" and active.group]


def _product(product: Product, asked: _Question, asker: _Asker) -> _Told:
    space, name = asker.space, product.name
    if space.refused.get(name):
        return _Told(_plain(name, space.refused[name]))
    if not asked.columns:
        return _Told(WhyNot("product", name, "no spray date is left for it"))
    cause, rule = "", ""
    if all(column.must for column in asked.columns):
        cause, rule = _useless(product, space)
        beater = space.beaten.get(name)
        if cause:
            cause += ", so it is not planned"
        elif beater:
            cause = f"{beater} has the same groups, works as well and costs no more"
    told = _searched(asked, asker, bool(cause))
    if not cause:
        return told
    entry = told.entry
    if entry.rule:  # a rule forbids it whatever it works on
        return replace(told, entry=replace(entry, reason=f"{entry.reason}; besides, {cause}"))
    return replace(told, entry=replace(entry, reason=f"{cause}; {entry.reason}", rule=rule))


def _date(asked: _Question, asker: _Asker) -> WhyNot:
    if not asked.columns:
        return WhyNot("date", asked.name, "no tank that the labels allow on this day covers a day that counts")
    return _searched(asked, asker, False).entry


def _group(words: str, holders: Sequence[_Told]) -> WhyNot:
    """A group by the best of its products; where none can be used, by the one that comes nearest."""
    best = min(
        holders,
        key=lambda one: (one.entry.answer is None, -one.level, one.worth, bool(one.entry.rule)),
    )
    entry = best.entry
    if len(holders) == 1:
        who = f"{entry.name}, its only product here"
    elif entry.answer is None:
        who = f"none of its {len(holders)} products can be used, {entry.name} for one"
    else:
        who = f"{entry.name}, the best of its {len(holders)} products here"
    return replace(entry, kind="group", name=words, reason=f"{who}: {entry.reason}")


def _plain(name: str, reason: str) -> WhyNot:
    rule = reason[:5] if reason[:3].isupper() and reason[3:5].isdigit() else ""
    return WhyNot("product", name, reason.removeprefix(f"{rule}: ") if rule else reason, rule)


# --- a product that works on nothing here ---------------------------------------------------------------------------


def _useless(product: Product, space: Space) -> tuple[str, str]:
    """Why a product works on no target of the field: reports of resistance first, then ratings; empty where it does."""
    uses = next(
        [use for use in column.uses.uses if use.item.product == product.name]
        for column in space.columns
        if product.name in column.products
    )
    account = space.account
    if not account.targets or any(account.effect(use, target).value for use in uses for target in account.targets):
        return "", ""
    lost: dict[tuple[str, str], list[str]] = {}
    rated: dict[tuple[str, str], list[str]] = {}
    for use in uses:
        for target in account.targets:
            effect = account.effect(use, target)
            if effect.standing.level in ("lost", "reduced") and effect.rated.rank is not None:
                level = "no longer works" if effect.standing.level == "lost" else "works less well"
                words = (f"{account.group_words(use.group)} {level} on", f" here ({_reported(effect.standing)})")
                lost.setdefault(words, []).append(target.name)
            elif effect.rated.rank is None:
                rated.setdefault((f"no source here rates {use.active.name} on", ""), []).append(target.name)
            else:
                rated.setdefault((f"{use.active.name} is rated {effect.rated.words} on", ""), []).append(target.name)
    told = [f"{head} {listed(names, _link(head))}{tail}" for (head, tail), names in (lost or rated).items()]
    rest = ", and nothing else in it is rated good on a target of this field" if lost and rated else ""
    return "; ".join(told) + rest, "RES01" if lost else ""


def _link(head: str) -> str:
    return "or" if head.startswith("no ") else "and"


def _reported(standing: Standing) -> str:
    """A report of resistance in few words: since when, or where, and the mutation."""
    since = re.search(r"since \d{4}", standing.words)
    mutation = ", ".join(standing.mutation)
    words = f"reported {since.group()}" if since else standing.words.removesuffix(f" ({mutation})")
    return f"{words}, {mutation}" if mutation else words


# --- what the search answers ----------------------------------------------------------------------------------------


def _searched(asked: _Question, asker: _Asker, aside: bool) -> _Told:
    """The answer of the search. ``aside``: something else was told already that keeps it out."""
    kind, name, answer, chosen = asked.kind, asked.name, asked.answer, asker.chosen
    if not asked.usable:
        return _Told(_barred(kind, name, asked.columns))
    if asked.stopped:
        return _Told(_cut_short(kind, name))
    if answer is None:
        try:
            return _Told(_forbidden(asked, asker))
        except Stopped:
            return _Told(_cut_short(kind, name))
    entry = WhyNot(
        kind,
        name,
        _sentence(answer, asked.level, asker, aside),
        "",
        round((answer.cost - chosen.cost) / MONEY, 2),
        answer.bare - chosen.bare,
        round((answer.selection - chosen.selection) / SELECTION, 1),
        answer,
        answer.proven,
    )
    return _Told(entry, asked.level, asker.worth(answer))


def _cut_short(kind: str, name: str) -> WhyNot:
    return WhyNot(kind, name, "the search was stopped before this could be told", proven=False)


def _barred(kind: str, name: str, columns: Sequence[Column]) -> WhyNot:
    """Every tank breaks a rule by itself: the fewest rules that bar them all, as the tanks come."""
    left = list(columns)
    told: list[tuple[Column, Finding]] = []
    while left:
        count = {one.rule: 0 for column in left for one in column.barred}
        for column in left:
            for rule in {one.rule for one in column.barred}:
                count[rule] += 1
        rule = max(count, key=lambda one: count[one])
        first = next(column for column in left if any(one.rule == rule for one in column.barred))
        told.append((first, next(one for one in first.barred if one.rule == rule)))
        left = [column for column in left if all(one.rule != rule for one in column.barred)]
    if len(told) == 1:
        column, one = told[0]
        return WhyNot(kind, name, f"{one.name}: {column.said(one)}", one.rule)
    words = "; ".join(f"{one.rule} {one.name}: {column.said(one)}" for column, one in told[:MOST_TOLD])
    return WhyNot(kind, name, f"each tank breaks a rule by itself: {words}", told[0][1].rule)


def _forbidden(asked: _Question, asker: _Asker) -> WhyNot:
    """What forbids every programme with one of these columns: rules and wishes that clash, or too little cover.

    Raises:
        Stopped: the time is over.
    """
    kind, name = asked.kind, asked.name
    forced = frozenset(column.number for column in asked.columns)
    found = clash(asker.part(name), replace(asker.wanted, force=forced), CLASH_SECONDS)
    if len(found.tags) == 1:
        return WhyNot(kind, name, found.tags[0].words, found.tags[0].rule)
    if found.tags:
        words = "; ".join(by_rule(found))
        return WhyNot(kind, name, f"these clash in every programme with it: {words}", found.tags[0].rule)
    answer = asker.covering(asked, asker.wanted)
    if answer is None:
        return WhyNot(kind, name, "the audit passes no programme with it")
    most = asker.front.most_bare
    words = (
        f"even the best covered programme with it leaves {_days(answer.bare, 'weighted day')} bare; one that leaves "
        f"more than {most}, {asker.front.part} of what can be covered, is not compared"
    )
    return WhyNot(kind, name, words, "", None, answer.bare - asker.chosen.bare, None, answer)


def _sentence(answer: Answer, level: int, asker: _Asker, aside: bool) -> str:
    """What the best programme with it gives up, costs more and brings, then what it has in return."""
    best = "the best programme with it" if answer.proven else "the best programme with it that was found"
    worse, better = _figures(answer, asker.chosen)
    given_up = _given_up(answer, level, asker)
    cautions = _cautions(asker, answer)
    brought = [f"brings {'a caution' if len(cautions) == 1 else 'cautions'} ({listed(cautions)})"] if cautions else []
    if given_up:
        figures = listed(worse) + (", but " if worse and better else "") + listed(better)
        lead = "" if worse else "though "
        return f"good practice keeps it out: {best} {listed(given_up)}" + (f" ({lead}it {figures})" if figures else "")
    if worse or brought:
        return f"{best} {listed([*worse, *brought])}" + (f", but {listed(better)}" if better else "")
    if not better:
        return f"{best} is just as good; of equals the first one found is shown"
    if aside:
        return f"{best} {listed(better)}"
    return f"{best} {listed(better)}, yet it balances the three figures no better"


def _figures(answer: Answer, chosen: Answer) -> tuple[list[str], list[str]]:
    """What is worse, and what is better."""
    worse: list[str] = []
    better: list[str] = []
    cost = round((answer.cost - chosen.cost) / MONEY, 2)
    bare = answer.bare - chosen.bare
    selection = round((answer.selection - chosen.selection) / SELECTION, 1)
    for value, more, less in (
        (cost, f"costs {abs(cost):.2f} more per ha", f"costs {abs(cost):.2f} less per ha"),
        (
            bare,
            f"leaves {_days(abs(bare), 'more weighted day')} bare",
            f"leaves {_days(abs(bare), 'fewer weighted day')} bare",
        ),
        (selection, f"adds {_days(abs(selection))} of selection", f"saves {_days(abs(selection))} of selection"),
    ):
        if value:
            (worse if value > 0 else better).append(more if value > 0 else less)
    return worse, better


def _days(number: float, words: str = "day") -> str:
    return f"{number:g} {words}{'' if number == 1 else 's'}"


def _given_up(answer: Answer, level: int, asker: _Asker) -> list[str]:
    """Points of good practice that the shown programme keeps and this one cannot."""
    if level == asker.front.strict:
        return []
    kept = set(broken(asker.front.space, asker.chosen.columns))
    found = [words for words in broken(asker.space, answer.columns) if words not in kept]
    compiler = asker.scans[level].search.compiler
    if history.repeated(compiler, answer.columns):
        found.append("repeats last season's groups in their order")
    return found[:MOST_TOLD]


def _cautions(asker: _Asker, answer: Answer) -> list[str]:
    """Cautions that the shown programme has not, in words."""
    known = {one.rule for one in asker.front.space.findings(asker.chosen.columns) if one.severity == "caution"}
    found = asker.space.findings(answer.columns)
    return list(
        dict.fromkeys(f"{one.rule} {one.name}" for one in found if one.severity == "caution" and one.rule not in known)
    )


__all__ = ["WhyNot", "why_not"]
