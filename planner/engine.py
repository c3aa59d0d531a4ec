"""The rule engine: rules and flat facts go in, matches come out. The only module that imports durable.

durable-rules is right only inside a narrow form (found by trying it against a brute-force judge): flat facts
of integers and text with every field present, one pattern per rule, a flat *and* of comparisons. Outside of
it, it answers wrongly without a word or kills the process. So nothing but this module speaks to it, and this
module speaks only that form:

- each case of a rule is one pattern (``one_of``: one for each value), with the kind of fact first;
- an unknown value goes in as 0 or "" with a second field that says so, and every comparison asks that field
  first;
- a rule that never fires takes every fact, ``cap`` brings all matches of a rule in one call;
- a session in which something fires comes first, for a first session without a match kills the process;
- one batch of facts under one session name, under a lock; the state is checked for the exception that
  durable-rules swallows, and always deleted; one host per rulebook and process, with its polling threads
  off.

CPython 3.13 cannot import durable-rules. There, and wherever it is not installed, the interpreter takes over:
the plain meaning of the same conditions (``planner.conditions``). Tests hold the two equal.

A pattern looks at one fact, and every session begins empty. So what a back end says of a fact hangs on its kind and on
the values of the fields that rules read, and on nothing else. Therefore a back end is asked once per process for each
such row of values, and its answer is kept: in the 60,000 facts of a thousand programmes of six passes on one crop are a
hundred rows; where crops, dates and labels differ from programme to programme, some four to each. ``remember=False``
asks for every fact, each time, and keeps nothing: so the tests hold the back ends equal, and what is kept equal to what
is asked.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib
import itertools
import os
import threading
import warnings
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from operator import itemgetter
from typing import Any, Literal, NamedTuple

from planner.conditions import MOST, Case, Condition, all_hold
from planner.errors import EngineError
from planner.facts.kinds import KINDS, Fact, FactKind, FactValue
from planner.rulebook import Rulebook

Backend = Literal["auto", "durable-rules", "interpreter"]

MOST_CASES = 60  # durable-rules follows at most 64 branches per fact (its error 303)
MOST_BRANCHES = 400  # and holds at most 512 comparisons side by side
BATCH = 4_000  # facts per session: ids are told apart by 32 bits only
MOST_KEPT = 20_000  # rows whose answers are kept, per rulebook: at most some 15 MB; past it all go and it fills afresh
_CAP = 60_000  # matches per call, a 16-bit number
_LONG = 1_000  # bytes of text; durable-rules keeps text lengths in 16 bits
_FREED = 4 << 20  # bytes
_SESSION = "audit"
_NEVER = "never"
_FIRST = "first"


class Match(NamedTuple):
    """One case of a rule whose conditions all hold for one fact."""

    rule: str
    case: int  # index of the case in the rule, from 0
    fact: str


Decided = Mapping[str, int]  # by the code of each rule that matches: the case that decides, the first that holds


def run(
    rulebook: Rulebook,
    facts: Sequence[Fact],
    *,
    backend: Backend = "auto",
    kinds: Mapping[str, FactKind] | None = None,
    remember: bool = True,
) -> list[Match]:
    """Every case of every running rule that holds for a fact, in order of facts, rules and cases.

    Both back ends give the same list. A condition that reads an unknown value (None) never holds.

    Args:
        remember: take what the back end said of earlier facts with the same values, and keep what it says now.
            Without, it is asked for every fact.

    Raises:
        EngineError: a fact is malformed (unknown kind, missing field, wrong type, id given twice), a kind has
        too
            many cases, the back end that was asked for is not there, or durable-rules failed.
    """
    answers = _answers(rulebook, facts, backend, kinds, remember)
    return [
        Match(rule, case, fact.id) for fact, answer in zip(facts, answers, strict=True) for rule, case in answer.held
    ]


def decide(
    rulebook: Rulebook,
    facts: Sequence[Fact],
    *,
    backend: Backend = "auto",
    kinds: Mapping[str, FactKind] | None = None,
    remember: bool = True,
) -> list[Decided]:
    """For each fact, in order, the cases that decide among those that ``run`` finds.

    Raises:
        EngineError: as ``run``.
    """
    return [answer.decided for answer in _answers(rulebook, facts, backend, kinds, remember)]


def kept() -> int:
    """How many rows of values are known, over all rulebooks and back ends."""
    return sum(plan.kept for plan in list(_plans.values()))


def forget() -> None:
    """Drop all that is kept of earlier facts, as in a process that has just begun."""
    for plan in list(_plans.values()):
        plan.forget()


def backend_name(backend: Backend = "auto") -> str:
    """Name of the back end that ``run`` uses: ``durable-rules`` or ``interpreter``.

    Raises:
        EngineError: durable-rules was asked for by name and cannot be imported.
    """
    if backend == "interpreter":
        return "interpreter"
    if _library() is not None:
        return "durable-rules"
    if backend == "durable-rules":
        raise EngineError("durable-rules cannot be imported here; use the interpreter")
    return "interpreter"


# --- what a rulebook asks of facts --------------------------------------------------------------------------


class _PlannedCase(NamedTuple):
    rule: str
    case: int
    position: int  # in the order of rules and cases
    when: tuple[Condition, ...]


class _Answer(NamedTuple):
    """What a back end says of a row, the values of a fact that rules read."""

    types: tuple[type, ...]  # of the values: 1, True and 1.0 are equal as keys, and not every field takes them all
    held: tuple[tuple[str, int], ...]  # rules and cases, in order
    decided: Decided


_SILENT = _Answer((), (), {})
_Row = tuple[FactValue, ...]


class _KindPlan(NamedTuple):
    name: str
    fields: tuple[tuple[str, str, str], ...]  # the fields that rules read: name, type, name of "it is known"
    cases: tuple[_PlannedCase, ...]
    row: Callable[[Mapping[str, FactValue]], _Row]  # takes these fields out of a fact's values
    known: dict[str, dict[_Row, _Answer]]  # by back end


class _Plan:
    """A rulebook made ready for both back ends. ``branches`` maps a pattern of durable-rules to its case."""

    def __init__(self, rulebook: Rulebook, kinds: Mapping[str, FactKind]) -> None:
        self.cases: list[_PlannedCase] = []
        by_kind: dict[str, list[_PlannedCase]] = {}
        for rule in rulebook.running:
            if rule.kind not in kinds:
                raise EngineError(f"rule {rule.code} looks at the unknown kind of fact '{rule.kind}'")
            for index, case in enumerate(rule.cases):
                planned = _PlannedCase(rule.code, index, len(self.cases), case.when)
                self.cases.append(planned)
                by_kind.setdefault(rule.kind, []).append(planned)
        self.kinds = {name: _kind_plan(kinds[name], cases) for name, cases in by_kind.items()}
        for name, cases in by_kind.items():
            branches = sum(_branches(case.when) for case in cases)
            if len(cases) > MOST_CASES or branches > MOST_BRANCHES:
                codes = ", ".join(dict.fromkeys(case.rule for case in cases))
                raise EngineError(
                    f"{len(cases)} cases ({branches} patterns) look at the kind of fact '{name}' ({codes}); "
                    f"durable-rules follows at most {MOST_CASES} ({MOST_BRANCHES}); split the kind"
                )
        self.session: _Session | None = None  # made when durable-rules first runs this rulebook
        self.kept = 0  # rows, over all kinds and back ends

    def keep(self, kind: _KindPlan, backend: str, row: _Row, answer: _Answer) -> None:
        """Take note of what a back end says of a row."""
        with _lock:
            if self.kept >= MOST_KEPT:
                self.forget()
            self.kept += 1
            kind.known[backend][row] = answer

    def forget(self) -> None:
        """Drop what was noted."""
        with _lock:
            self.kept = 0
            for kind in self.kinds.values():
                for known in kind.known.values():
                    known.clear()


def _kind_plan(kind: FactKind, cases: Sequence[_PlannedCase]) -> _KindPlan:
    fields = _fields(kind, cases)
    return _KindPlan(kind.name, fields, tuple(cases), _row_of(fields), {"durable-rules": {}, "interpreter": {}})


def _row_of(fields: Sequence[tuple[str, str, str]]) -> Callable[[Mapping[str, FactValue]], _Row]:
    names = [name for name, _, _ in fields]
    if not names:
        return lambda values: ()
    return itemgetter(*names, names[0])  # one name more than there are: of a single one it would give no tuple


def _fields(kind: FactKind, cases: Iterable[_PlannedCase]) -> tuple[tuple[str, str, str], ...]:
    for field in kind.fields:
        if field in ("id", "sid", "kind") or not field.isidentifier():
            raise EngineError(f"the kind of fact '{kind.name}' cannot have a field called '{field}'")
    read = {field for case in cases for condition in case.when for field in condition.reads}
    return tuple((field, type_, _known(field)) for field, type_ in kind.fields.items() if field in read)


def _branches(when: Iterable[Condition]) -> int:
    count = 1
    for condition in when:
        count *= len(condition.values) or 1
    return count


_plans: dict[tuple[str, str], _Plan] = {}
_lock = threading.RLock()


def _plan(rulebook: Rulebook, kinds: Mapping[str, FactKind]) -> _Plan:
    # The kinds belong to the key: the types of fields decide what a fact is checked for.
    key = (rulebook.key, "" if kinds is KINDS else repr(sorted(kinds.items())))
    plan = _plans.get(key)
    if plan is None:
        plan = _plans.setdefault(key, _Plan(rulebook, kinds))  # two threads may both make one; the first stays
    return plan


# --- answers ------------------------------------------------------------------------------------------------


def _answers(
    rulebook: Rulebook,
    facts: Sequence[Fact],
    backend: Backend,
    kinds: Mapping[str, FactKind] | None,
    remember: bool,
) -> list[_Answer]:
    """What the back end says of each fact; it is asked in one go for what is not known yet."""
    kinds = KINDS if kinds is None else kinds
    plan = _plan(rulebook, kinds)
    chosen = backend_name(backend)
    _each_id_once(facts)
    answers: list[_Answer] = []
    asked: dict[Hashable, list[int]] = {}  # places of the facts that wait for one and the same answer
    for at, fact in enumerate(facts):
        kind = plan.kinds.get(fact.kind)
        if kind is None:
            if fact.kind not in kinds:
                raise EngineError(f"fact '{fact.id}' is of unknown kind '{fact.kind}'")
            answers.append(_SILENT)
            continue
        try:
            row = kind.row(fact.values)
            known = kind.known[chosen].get(row) if remember else None
        except (KeyError, TypeError):  # a field is lacking, or a value is a list or the like: the check refuses it
            row, known = (), None
        if known is None or known.types != tuple(map(type, row)):
            _check(fact, kind)
        if known is None:
            asked.setdefault((kind.name, row) if remember else at, []).append(at)
        answers.append(known or _SILENT)
    if asked:
        firsts = [facts[places[0]] for places in asked.values()]
        for places, answer in zip(asked.values(), _consult(plan, chosen, firsts, remember), strict=True):
            for at in places:
                answers[at] = answer
    return answers


def _each_id_once(facts: Sequence[Fact]) -> None:
    if len({fact.id for fact in facts}) == len(facts):
        return
    seen: set[str] = set()
    for fact in facts:
        if fact.id in seen:
            raise EngineError(f"two facts have the id '{fact.id}'")
        seen.add(fact.id)


def _consult(plan: _Plan, backend: str, facts: Sequence[Fact], remember: bool) -> list[_Answer]:
    """What a back end says of facts that are checked."""
    pairs = [(fact, plan.kinds[fact.kind]) for fact in facts]
    found: list[list[int]] = []  # positions of cases
    if backend == "interpreter":
        found = [_interpret(fact, kind) for fact, kind in pairs]
    else:
        for start in range(0, len(pairs), BATCH):
            found += _durable(plan, pairs[start : start + BATCH])
    answers = []
    for (fact, kind), positions in zip(pairs, found, strict=True):
        row = kind.row(fact.values)
        held = tuple([(plan.cases[at].rule, plan.cases[at].case) for at in positions])
        decided: dict[str, int] = {}
        for rule, case in held:
            decided.setdefault(rule, case)
        answer = _Answer(tuple(map(type, row)), held, decided)
        answers.append(answer)
        if remember:
            plan.keep(kind, backend, row, answer)
    return answers


def _check(fact: Fact, plan: _KindPlan) -> None:
    """Refuse a fact that durable-rules could misread."""
    values = fact.values
    for field, type_, _ in plan.fields:
        try:
            value = values[field]
        except KeyError:
            raise EngineError(f"fact '{fact.id}' of kind '{fact.kind}' lacks the field '{field}'") from None
        if value is None:
            continue
        if type_ == "text":
            good = type(value) is str
        elif type_ == "int":
            good = type(value) is int and -MOST <= value <= MOST
        else:
            good = value is True or value is False or (type(value) is int and value in (0, 1))
        if not good:
            raise EngineError(
                f"fact '{fact.id}' of kind '{fact.kind}': '{field}' must be {type_}, not {value!r}"
            )


# --- the interpreter ----------------------------------------------------------------------------------------


def _interpret(fact: Fact, plan: _KindPlan) -> list[int]:
    return [case.position for case in plan.cases if all_hold(case.when, fact.values) is True]


# --- durable-rules ------------------------------------------------------------------------------------------

_missing = object()
_imported: Any = _missing


def _library() -> Any:
    """The module durable.engine, or None where it cannot be imported (CPython 3.13, or not installed)."""
    global _imported
    if _imported is _missing:
        with _lock:
            try:
                _imported = importlib.import_module("durable.engine")
            except ImportError:
                _imported = None
            else:
                # its clock uses a function that CPython 3.12 deprecates; nothing that a user could mend
                warnings.filterwarnings("ignore", category=DeprecationWarning, module=r"durable\.engine")
    return _imported


def _text(value: str) -> str:
    """``value`` as durable-rules compares it safely: long or broken text stands in as its checksum."""
    if len(value) * 4 <= _LONG and value.isascii():
        return value
    data = value.encode("utf-8", "surrogatepass")
    if len(data) <= _LONG and not any("\ud800" <= letter <= "\udfff" for letter in value):
        return value
    return "sha256:" + hashlib.sha256(data).hexdigest()


def _known(field: str) -> str:
    return f"{field}?"  # no field of a kind can be called so: a rule could not name it


_COMPARE: dict[str, str] = {
    "not": "$neq",
    "less_than": "$lt",
    "at_most": "$lte",
    "more_than": "$gt",
    "at_least": "$gte",
}


def patterns(kind: str, case: Case | Sequence[Condition]) -> list[list[dict[str, Any]]]:
    """What durable-rules gets for one case: flat comparisons, for each combination of ``one_of`` values."""
    when = case.when if isinstance(case, Case) else case
    single = [condition for condition in when if condition.operator != "one_of"]
    several = [condition for condition in when if condition.operator == "one_of"]
    found = []
    for chosen in itertools.product(*(condition.values for condition in several)):
        tests: list[dict[str, Any]] = [{"kind": kind}]
        asked: set[str] = set()
        for condition in single:
            _ask(tests, asked, condition.reads)
            right = _right(condition)
            operator = _COMPARE.get(condition.operator)
            tests.append({operator: {condition.field: right}} if operator else {condition.field: right})
        for condition, value in zip(several, chosen, strict=True):
            _ask(tests, asked, condition.reads)
            tests.append({condition.field: _text(value) if isinstance(value, str) else value})
        found.append(tests)
    return found


def _ask(tests: list[dict[str, Any]], asked: set[str], fields: Iterable[str]) -> None:
    for field in fields:
        if field not in asked:
            asked.add(field)
            tests.append({_known(field): 1})


def _right(condition: Condition) -> Any:
    if not condition.other:
        value = condition.values[0]
        return _text(value) if isinstance(value, str) else value
    right: dict[str, Any] = {"$m": condition.other}
    if condition.times != 1:
        right = {"$mul": {"$l": right, "$r": condition.times}}
    if condition.plus:
        right = {"$add": {"$l": right, "$r": condition.plus}}
    return right


class _Session:
    """One rulebook inside durable-rules. Made once; its hosts are never freed by the library."""

    def __init__(self, library: Any, plan: _Plan) -> None:
        self.positions: dict[str, int] = {}
        self.hits: list[tuple[int, int]] = []
        self.failure: BaseException | None = None
        rules: dict[str, Any] = {}
        for kind in plan.kinds.values():
            for case in kind.cases:
                for number, tests in enumerate(patterns(kind.name, case.when)):
                    name = f"{case.rule}/{case.case}/{number}"
                    self.positions[name] = case.position
                    rules[name] = {"all": [{"m": {"$and": tests}}], "run": name, "cap": _CAP}
        # takes every fact, so that none is "not handled", and never fires
        rules[_NEVER] = {"all": [{"m": {"$ex": {"kind": 1}}}, {"never": {"kind": "~"}}], "run": _NEVER}
        rules[_FIRST] = {"all": [{"m": {"kind": f"~{_FIRST}"}}], "run": _FIRST}
        # The library takes and frees some hundred kB a run, and glibc gives freed memory at the end of its heap back
        # to the system once it passes a bound, to fetch it again page by page: half the time of a run. A large block
        # that is freed raises the bound (mallopt(3), "dynamic mmap threshold"); elsewhere it costs nothing.
        bytearray(_FREED)
        self.host = _host(library, self.action)
        self.host.set_rulesets({_SESSION: rules})
        # The library forgets to clear two pointers of a new session (state.c, createStateNode). A first
        # session in which nothing fires frees whatever they hold and kills the process; firing sets them, for
        # this session and for all later ones, which use the same slot.
        if self.run([{"id": "0", "sid": _SESSION, "kind": f"~{_FIRST}"}]) != [(0, -1)]:
            raise EngineError("durable-rules does not answer to its simplest rule")

    def action(self, name: str) -> Callable[[Any], None]:
        """What durable-rules calls with all matches of one pattern: it only takes notes."""
        position = self.positions.get(name, -1)

        def note(context: Any) -> None:
            try:
                found = context.m
                for one in found if isinstance(found, list) else (found,):
                    self.hits.append((int(one["id"]), position))
            except BaseException as error:  # durable-rules would swallow it
                self.failure = error

        return note

    def run(self, rows: list[dict[str, Any]]) -> list[tuple[int, int]]:
        self.hits = []
        self.failure = None
        try:
            try:
                self.host.assert_facts(_SESSION, rows)
                swallowed = self.host.get_state(_SESSION, _SESSION).get("exception")
            finally:
                # an error of the call itself must not hide behind "no such state"
                with contextlib.suppress(Exception):
                    self.host.delete_state(_SESSION, _SESSION)
        except Exception as error:
            raise EngineError(f"durable-rules failed: {type(error).__name__}: {error}"[:500]) from error
        if self.failure is not None:
            raise self.failure
        if swallowed:
            raise EngineError(f"durable-rules failed: {swallowed}"[:500])
        return self.hits


def _host(library: Any, action: Callable[[str], Callable[[Any], None]]) -> Any:
    class Host(library.Host):  # type: ignore[misc]
        """A host without polling threads; with them, calls from several threads crash."""

        def _run(self) -> None:
            return

        def get_action(self, action_name: str) -> Callable[[Any], None]:
            return action(action_name)

    return Host()


def _durable(plan: _Plan, facts: Sequence[tuple[Fact, _KindPlan]]) -> list[list[int]]:
    """Positions of the cases that hold, for each fact of one session."""
    rows = []
    for index, (fact, kind) in enumerate(facts):
        row: dict[str, Any] = {"id": str(index), "sid": _SESSION, "kind": kind.name}
        values = fact.values
        for field, type_, known in kind.fields:
            value = values[field]
            if value is None:
                row[field] = "" if type_ == "text" else 0
                row[known] = 0
            else:
                row[field] = _text(value) if isinstance(value, str) else int(value)
                row[known] = 1
        rows.append(row)
    with _lock:
        if plan.session is None:
            plan.session = _Session(_library(), plan)
        hits = plan.session.run(rows)
    found: list[list[int]] = [[] for _ in facts]
    for index, position in sorted(hits):
        found[index].append(position)
    return found


# A fork waits until no session is open, so that a child never inherits a half-run one or a lock that nobody
# frees.
if hasattr(os, "register_at_fork"):
    os.register_at_fork(before=_lock.acquire, after_in_parent=_lock.release, after_in_child=_lock.release)
