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
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib
import itertools
import os
import threading
import warnings
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Literal, NamedTuple

from planner.conditions import MOST, Case, Condition, all_hold
from planner.errors import EngineError
from planner.facts.kinds import KINDS, Fact, FactKind
from planner.rulebook import Rulebook

Backend = Literal["auto", "durable-rules", "interpreter"]

MOST_CASES = 60  # durable-rules follows at most 64 branches per fact (its error 303)
MOST_BRANCHES = 400  # and holds at most 512 comparisons side by side
BATCH = 4_000  # facts per session: ids are told apart by 32 bits only
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


def run(
    rulebook: Rulebook,
    facts: Sequence[Fact],
    *,
    backend: Backend = "auto",
    kinds: Mapping[str, FactKind] | None = None,
) -> list[Match]:
    """Every case of every running rule that holds for a fact, in order of facts, rules and cases.

    Both back ends give the same list. A condition that reads an unknown value (None) never holds.

    Raises:
        EngineError: a fact is malformed (unknown kind, missing field, wrong type, id given twice), a kind has
        too
            many cases, the back end that was asked for is not there, or durable-rules failed.
    """
    kinds = KINDS if kinds is None else kinds
    plan = _plan(rulebook, kinds)
    chosen = backend_name(backend)
    seen: set[str] = set()
    relevant: list[tuple[int, Fact, _KindPlan]] = []
    for index, fact in enumerate(facts):
        if fact.id in seen:
            raise EngineError(f"two facts have the id '{fact.id}'")
        seen.add(fact.id)
        kind_plan = plan.kinds.get(fact.kind)
        if kind_plan is None:
            if fact.kind not in kinds:
                raise EngineError(f"fact '{fact.id}' is of unknown kind '{fact.kind}'")
            continue
        _check(fact, kind_plan)
        relevant.append((index, fact, kind_plan))
    if chosen == "interpreter":
        found = _interpret(relevant)
    else:
        found = []
        for start in range(0, len(relevant), BATCH):
            found += _durable(plan, relevant[start : start + BATCH])
    found.sort()
    cases = plan.cases
    return [Match(cases[position].rule, cases[position].case, facts[index].id) for index, position in found]


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


def first_cases(matches: Iterable[Match]) -> dict[tuple[str, str], int]:
    """The case that decides, for each rule and fact that match: the lowest index."""
    first: dict[tuple[str, str], int] = {}
    for match in matches:
        key = (match.rule, match.fact)
        if key not in first or match.case < first[key]:
            first[key] = match.case
    return first


# --- what a rulebook asks of facts --------------------------------------------------------------------------


class _PlannedCase(NamedTuple):
    rule: str
    case: int
    position: int  # in the order of rules and cases
    when: tuple[Condition, ...]


class _KindPlan(NamedTuple):
    name: str
    fields: tuple[tuple[str, str, str], ...]  # the fields that rules read: name, type, name of "it is known"
    cases: tuple[_PlannedCase, ...]


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
        self.kinds = {
            name: _KindPlan(name, _fields(kinds[name], cases), tuple(cases))
            for name, cases in by_kind.items()
        }
        for name, cases in by_kind.items():
            branches = sum(_branches(case.when) for case in cases)
            if len(cases) > MOST_CASES or branches > MOST_BRANCHES:
                codes = ", ".join(dict.fromkeys(case.rule for case in cases))
                raise EngineError(
                    f"{len(cases)} cases ({branches} patterns) look at the kind of fact '{name}' ({codes}); "
                    f"durable-rules follows at most {MOST_CASES} ({MOST_BRANCHES}); split the kind"
                )
        self.session: _Session | None = None  # made when durable-rules first runs this rulebook


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


def _interpret(facts: Iterable[tuple[int, Fact, _KindPlan]]) -> list[tuple[int, int]]:
    return [
        (index, case.position)
        for index, fact, plan in facts
        for case in plan.cases
        if all_hold(case.when, fact.values) is True
    ]


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


def _durable(plan: _Plan, facts: Sequence[tuple[int, Fact, _KindPlan]]) -> list[tuple[int, int]]:
    rows = []
    for index, fact, kind in facts:
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
        return plan.session.run(rows)


# A fork waits until no session is open, so that a child never inherits a half-run one or a lock that nobody
# frees.
if hasattr(os, "register_at_fork"):
    os.register_at_fork(before=_lock.acquire, after_in_parent=_lock.release, after_in_child=_lock.release)
