"""Which rules and wishes cannot hold together: a smallest set that clashes, for a draft that has no answer.

Every constraint of a rule or wish is switched on by the literal of its tag, and the solver is asked under assumptions:
all tags first, which gives a core; the core is then thinned tag by tag until each of the rest is needed (a minimal
set). Whether a set with fewer tags exists is asked from below: a clash must hit every *correction set* (tags whose
absence lets all others hold), so the least set that hits those found so far is no larger than any clash; where it
clashes itself, or is as large as the minimal set at hand, that is proven to be of least number. The same question is
put in whole rules where there are many tags. Limits are counted in the solver's own deterministic time, so that the
same season gives the same set on every machine; the clock only guards against a machine that is very slow.

A season with eight full dates and a dozen label limits that all matter can take longer than a user waits: then whole
rules are told, each of them needed, with one of its limits in words and the number of the others.

Measured (8 slots x 40 options, one worker): presolve off and full linearisation answer one question in 0.03-0.1 s and
give cores of one to three tags; with presolve it is twice that, with the default linearisation cores of a dozen.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from planner.draft.compile import Tag
from planner.draft.options import Space
from planner.draft.solve import SEED, Search, Stopped, Wanted
from planner.model import Finding

HARD = 0.3  # deterministic seconds of the first question from which presolve pays
WORK = 4.0  # deterministic seconds for one clash; about as many on a present-day core
ROUNDS = 60  # correction sets that are gathered for the proof of least number
MAX_ONE = 0.25  # deterministic seconds for one correction set; a larger one than needed is still right


@dataclass(frozen=True)
class Clash:
    """Tags that cannot hold together; empty where all can.

    ``minimal``: with any one of them left out the others can hold. ``least``: no clashing set has fewer tags.
    ``by_rule``: not proven minimal, but with all tags of any one rule left out the others can hold.
    """

    tags: tuple[Tag, ...]
    minimal: bool = False
    least: bool = False
    by_rule: bool = False


@dataclass
class _Question:
    """One soft model, asked again and again under other assumptions."""

    search: Search
    end: float
    left: float
    asked: int = 0
    presolve: bool = False
    of_index: dict[int, Tag] = field(init=False)

    def __post_init__(self) -> None:
        self.literals = self.search.compiler.literals
        self.of_index = {literal.index: tag for tag, literal in self.literals.items()}
        self.model = self.search.compiled.model

    def _ask(self, tags: Sequence[Tag], most: float) -> Any:
        from ortools.sat.python import cp_model

        wall = self.end - time.monotonic()
        if self.left <= 0 or wall <= 0:
            raise Stopped
        self.model.clear_assumptions()
        self.model.add_assumptions([self.literals[tag] for tag in tags])
        solver = cp_model.CpSolver()
        solver.parameters.num_workers = 1
        solver.parameters.random_seed = SEED
        solver.parameters.cp_model_presolve = self.presolve
        solver.parameters.linearization_level = 2
        solver.parameters.max_time_in_seconds = wall
        solver.parameters.max_deterministic_time = min(most, self.left)
        solver.parameters.catch_sigint_signal = False
        self.asked += 1
        status = solver.solve(self.model)
        self.left -= solver.response_proto.deterministic_time
        self.presolve = self.presolve or (self.asked == 1 and solver.response_proto.deterministic_time > HARD)
        return solver, status

    def core(self, tags: Sequence[Tag]) -> list[Tag] | None:
        """Those of these tags that already clash; None where all can hold.

        Raises:
            Stopped: the time is over before either is known.
        """
        from ortools.sat.python import cp_model

        self.model.clear_objective()  # type: ignore[no-untyped-call]
        solver, status = self._ask(tags, self.left)
        if status == cp_model.INFEASIBLE:
            found = {
                self.of_index[index]
                for index in solver.sufficient_assumptions_for_infeasibility()
                if index in self.of_index
            }
            return [tag for tag in tags if tag in found]
        if status == cp_model.UNKNOWN:
            raise Stopped
        return None

    def correction(self, held: Sequence[Tag], tags: Sequence[Tag]) -> list[Tag] | None:
        """Tags that are broken where ``held`` hold and as many others as can be; None where ``held`` clash."""
        from ortools.sat.python import cp_model

        self.model.maximize(sum(self.literals[tag] for tag in tags))
        solver, status = self._ask(held, MAX_ONE)
        if status == cp_model.INFEASIBLE:
            return None
        if status == cp_model.UNKNOWN:
            raise Stopped
        return [tag for tag in tags if not solver.boolean_value(self.literals[tag])]


def clash(space: Space, wanted: Wanted, seconds: float = 30.0, work: float = WORK) -> Clash:
    """The smallest set of rules and wishes that cannot hold together.

    Args:
        seconds: guard of the clock; the search is meant to end by its deterministic limits long before.
        work: the solver's deterministic seconds, after which what is known by then is told.

    An empty set means that a programme exists, that what is not a rule forbids it (one tank per date), or that the
    audit alone forbids what the model allows.
    """
    search = Search(space, wanted, seconds=seconds, soft=True)
    question = _Question(search, time.monotonic() + seconds, work)
    try:
        found = question.core(search.tags)
    except Stopped:
        return Clash(tuple(search.tags))
    if not found:
        return Clash(())
    try:
        found = _thinned(found, question.core)
    except _Unfinished as left:
        return Clash(tuple(left.tags), by_rule=left.by_rule)
    try:
        return _least(found, search.tags, question)
    except Stopped:
        return Clash(tuple(found), minimal=True)


class _Unfinished(Exception):
    """The time was over while a set was thinned; ``tags`` clash, but one of them may not be needed."""

    def __init__(self, tags: list[Tag], by_rule: bool) -> None:
        super().__init__()
        self.tags, self.by_rule = tags, by_rule


def _thinned(tags: list[Tag], core: Callable[[Sequence[Tag]], list[Tag] | None]) -> list[Tag]:
    """A minimal set: whole rules are left out first, then single tags. Later tags (the wishes) are kept longest."""
    kept = tags
    by_rule = False
    try:
        for rule in dict.fromkeys(tag.rule for tag in tags):
            rest = [tag for tag in kept if tag.rule != rule]
            if len(rest) < len(kept):
                smaller = core(rest)
                kept = kept if smaller is None else smaller
        by_rule = True
        for tag in list(kept):
            if tag in kept:
                smaller = core([one for one in kept if one != tag])
                kept = kept if smaller is None else smaller
    except Stopped:
        raise _Unfinished(kept, by_rule) from None
    return kept


def _least(minimal: list[Tag], tags: Sequence[Tag], question: _Question) -> Clash:
    """That set, or one with fewer tags where there is one; ``least`` where the proof ended."""
    corrections: list[list[Tag]] = []
    for _ in range(ROUNDS):
        hitting = _hitting(corrections, tags)
        if len(hitting) >= len(minimal):
            return Clash(tuple(minimal), minimal=True, least=True)
        broken = question.correction(hitting, tags)
        if broken is None:  # it hits every correction set with as few tags as can be, and clashes
            return Clash(tuple(hitting), minimal=True, least=True)
        corrections.append(broken)
    return Clash(tuple(minimal), minimal=True)


def _hitting(sets: Sequence[Sequence[Tag]], tags: Sequence[Tag]) -> list[Tag]:
    """The fewest tags of which every set holds one."""
    from ortools.sat.python import cp_model

    if not sets:
        return []
    model = cp_model.CpModel()
    chosen = {tag: model.new_bool_var("") for tag in dict.fromkeys(tag for one in sets for tag in one)}
    for one in sets:
        model.add_bool_or([chosen[tag] for tag in one])
    model.minimize(sum(chosen.values()))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = SEED
    solver.solve(model)
    return [tag for tag in tags if tag in chosen and solver.boolean_value(chosen[tag])]


def reasons(space: Space, wanted: Wanted, work: float = WORK) -> list[str]:
    """A smallest set of rules and wishes that clash, in words, with a line to paste where a rule can be accepted."""
    found = clash(space, wanted, work=work)
    enough = wanted.passes is None or len(space.slots) >= wanted.passes[0]
    alone = len(found.tags) == 1 and not _is_rule(found.tags[0]) and enough
    asked = space
    if found.tags and (alone or space.avoid):
        # what a label's days or the user keep out was no part of that question: ask it with those passes as well
        wide = space.wider()
        wider = clash(wide, wanted, work=work)
        found, asked = (wider, wide) if wider.minimal else (found, space)
    if not found.tags:
        return in_words(space.breaches(space.kept))
    lines = [f"{tag.rule}: {tag.words}" for tag in found.tags] if found.minimal else by_rule(found)
    lines += _dates(asked, wanted, found)
    if found.by_rule:
        lines.append("these rules and wishes clash, and with any one of them left out the rest can hold together")
    elif not found.minimal:
        lines.append("these clash; it is not proven that each of them is needed")
    elif len(found.tags) > 1:
        least = "; no smaller set clashes" if found.least else ""
        lines.append(f"leave any one of these out and the rest can hold together{least}")
    rules = [tag.rule for tag in found.tags if _is_rule(tag)]
    return lines + (_accept([f"{{rule: {rules[0]}, reason: write your reason here}}"]) if rules else [])


def by_rule(found: Clash) -> list[str]:
    """One line for each rule: its first limit in words, and how many more of them there are."""
    lines = []
    for rule in dict.fromkeys(tag.rule for tag in found.tags):
        words = [tag.words for tag in found.tags if tag.rule == rule]
        more = f" (and {len(words) - 1} more of this rule)" if len(words) > 1 else ""
        lines.append(f"{rule}: {words[0]}{more}")
    return lines


def _is_rule(tag: Tag) -> bool:
    """A rule of the book, not a wish of the user."""
    return tag.rule[:3].isupper()


def _dates(space: Space, wanted: Wanted, found: Clash) -> list[str]:
    """Too few spray dates for the passes that are asked for: no rule says so, the windows do."""
    dates = sum(1 for slot in space.slots if slot.kept or space.by_slot[slot.index])
    if wanted.passes is None or all(tag.rule != "--passes" for tag in found.tags) or dates >= wanted.passes[0]:
        return []
    words = "1 spray date has" if dates == 1 else f"{dates or 'no'} spray dates have"
    return [f"{words} a pass to choose from, a week or more apart within the windows of the targets"]


def in_words(findings: Sequence[Finding]) -> list[str]:
    """Breaches in words, and how to keep them as departures."""
    lines = [f"{one.rule} {one.name}: {one.message}" for one in findings]
    entries = [
        f"{{rule: {one.rule}, passes: [{', '.join(map(str, one.passes))}], reason: write your reason here}}"
        for one in findings
    ]
    return lines + (_accept(entries) if entries else [])


def _accept(entries: list[str]) -> list[str]:
    return ["to keep a departure, paste this into the programme named with --keep:", f"accept: [{', '.join(entries)}]"]
