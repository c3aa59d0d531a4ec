"""The engine: both back ends give the plain meaning of the conditions, whatever rules and facts come.

The judge outside of the project is durable-rules 2.0.28, a general-purpose rule library: the interpreter and
the library are written apart, and each is held against the other. A third reading of the conditions,
`_obvious`, stands here in the test, as long as it is plain.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from planner import engine, rulebook
from planner.conditions import MOST, OPERATORS, ORDERED, Case, Condition, all_hold, holds, undecided
from planner.engine import Match
from planner.errors import EngineError
from planner.facts.kinds import Fact, FactKind
from planner.model import SEVERITIES
from planner.rulebook import Rule, Rulebook

pytestmark = pytest.mark.short

needs_library = pytest.mark.skipif(engine._library() is None, reason="durable-rules cannot be imported here")

KINDS = {
    "use": FactKind(
        name="use",
        about="",
        fields={"a": "int", "b": "int", "c": "int", "t": "text", "u": "text", "f": "flag"},
    ),
    "pair": FactKind(
        name="pair", about="", fields={"a": "int", "d": "int", "t": "text", "g": "flag", "h": "flag"}
    ),
}
# what a text in a fact may be mistaken for: numbers, keywords, quotes, JSON, the library's own words
TEXTS = [
    "",
    "x",
    "xy",
    "1",
    "0",
    "true",
    "null",
    "é",
    "FRAC 11",
    "FRAC 11A",
    '"',
    "\\",
    'x"',
    "{}",
    "$m",
    "a\nb",
    "~",
    "use",
]
NUMBERS = [-MOST, -1000, -3, -1, 0, 1, 2, 3, 5, 14, 1000, MOST]


def rule(code: str, *cases: Case, kind: str = "use", status: Any = "stable") -> Rule:
    return Rule(
        code=code,
        name=code.lower(),
        family="rotation",
        since="0.1",
        status=status,
        title="",
        why="",
        remedy="",
        kind=kind,
        cases=cases,
        message="",
    )


def fact(id_: str, kind: str = "use", **values: Any) -> Fact:
    whole: dict[str, Any] = {
        name: {"int": 0, "text": "", "flag": 0}[type_] for name, type_ in KINDS[kind].fields.items()
    }
    return Fact(kind=kind, id=id_, passes=(1,), values={**whole, **values})


def case(*conditions: Condition, severity: Any = "advice") -> Case:
    return Case(severity=severity, when=conditions)


def run(book: Rulebook, facts: list[Fact], backend: Any = "auto", remember: bool = False) -> list[Match]:
    """Without memory, unless it is what is tried: the back end is asked for every fact, each time."""
    return engine.run(book, facts, backend=backend, kinds=KINDS, remember=remember)


def _obvious(book: Rulebook, facts: list[Fact]) -> list[Match]:
    """The conditions read aloud: no tables, no early exit, nothing shared with the planner."""
    found = []
    for one in facts:
        for each in book.rules:
            if each.kind != one.kind:
                continue
            for index, each_case in enumerate(each.cases):
                answers = []
                for test in each_case.when:
                    left = one.values[test.field]
                    if test.other:
                        other = one.values[test.other]
                        numbers = None not in (left, other) and not isinstance(other, str)
                        rights: Any = [other * test.times + test.plus if numbers else other]
                    else:
                        rights = list(test.values)
                    if left is None or None in rights:
                        answers.append(False)
                    elif test.operator in ("is", "one_of"):
                        answers.append(any(left == right for right in rights))
                    elif test.operator == "not":
                        answers.append(left != rights[0])
                    elif test.operator == "less_than":
                        answers.append(left < rights[0])
                    elif test.operator == "at_most":
                        answers.append(left <= rights[0])
                    elif test.operator == "more_than":
                        answers.append(left > rights[0])
                    else:
                        answers.append(left >= rights[0])
                if all(answers):
                    found.append(Match(each.code, index, one.id))
    return found


# --- random rule sets ---------------------------------------------------------------------------------------


def conditions(kind: FactKind) -> st.SearchStrategy[Condition]:
    def for_field(field: str) -> st.SearchStrategy[Condition]:
        type_ = kind.fields[field]
        values: st.SearchStrategy[Any] = {
            "int": st.sampled_from(NUMBERS),
            "text": st.sampled_from(TEXTS) | st.text(max_size=5),
            "flag": st.sampled_from([0, 1]),
        }[type_]
        plain = [
            operator
            for operator in OPERATORS
            if operator != "one_of" and (type_ == "int" or operator not in ORDERED)
        ]
        made = [
            st.builds(
                lambda operator, value: Condition(field, operator, (value,)), st.sampled_from(plain), values
            )
        ]
        others = [name for name, other in kind.fields.items() if other == type_ and name != field]
        if others and type_ == "int":
            made.append(
                st.builds(
                    lambda operator, other, times, plus: Condition(field, operator, (), other, times, plus),
                    st.sampled_from(plain),
                    st.sampled_from(others),
                    st.sampled_from([1, 0, -1, 2, 1000]),
                    st.sampled_from(NUMBERS),
                )
            )
        elif others:
            made.append(
                st.builds(
                    lambda operator, other: Condition(field, operator, (), other),
                    st.sampled_from(plain),
                    st.sampled_from(others),
                )
            )
        if type_ != "flag":
            made.append(
                st.builds(
                    lambda several: Condition(field, "one_of", tuple(several)),
                    st.lists(values, min_size=1, max_size=3, unique=True),
                )
            )
        return st.one_of(made)

    return st.sampled_from(sorted(kind.fields)).flatmap(for_field)


@st.composite
def rulebooks(draw: Any) -> Rulebook:
    rules = []
    for number in range(draw(st.integers(1, 8))):
        kind = draw(st.sampled_from(sorted(KINDS)))
        cases = draw(
            st.lists(
                st.builds(
                    Case,
                    severity=st.sampled_from(SEVERITIES),
                    when=st.lists(conditions(KINDS[kind]), max_size=4).map(tuple),
                ),
                min_size=1,
                max_size=4,
            )
        )
        rules.append(rule(f"RUL{number:02}", *cases, kind=kind))
    return rulebook.make(rules)


@st.composite
def fact_lists(draw: Any) -> list[Fact]:
    seed = draw(st.integers(0, 2**32))
    count = draw(st.integers(1, 30))
    return random_facts(random.Random(seed), count)


def random_facts(dice: random.Random, count: int) -> list[Fact]:
    """Facts as values that rules like to trip over; one value in six is unknown."""
    facts = []
    for number in range(count):
        kind = dice.choice(sorted(KINDS))
        values: dict[str, Any] = {}
        for field, type_ in KINDS[kind].fields.items():
            pool: list[Any] = {"int": NUMBERS, "text": TEXTS, "flag": [0, 1, True, False]}[type_]
            values[field] = None if dice.random() < 1 / 6 else dice.choice(pool)
        facts.append(Fact(kind=kind, id=f"fact {number}", passes=(1,), values=values))
    return facts


def random_rulebook(dice: random.Random) -> Rulebook:
    rules = []
    for number in range(dice.randint(4, 12)):
        kind = KINDS[dice.choice(sorted(KINDS))]
        cases = []
        for _ in range(dice.randint(1, 3)):
            tests = []
            for _ in range(dice.choice([0, 1, 1, 2, 2, 3, 4])):
                field = dice.choice(sorted(kind.fields))
                type_ = kind.fields[field]
                pool: list[Any] = {"int": NUMBERS, "text": TEXTS, "flag": [0, 1]}[type_]
                operator = dice.choice(
                    [
                        one
                        for one in OPERATORS
                        if (type_ == "int" or one not in ORDERED) and (type_ != "flag" or one != "one_of")
                    ]
                )
                others = [name for name, other in kind.fields.items() if other == type_ and name != field]
                if operator == "one_of":
                    tests.append(Condition(field, operator, tuple(dice.sample(pool, dice.randint(1, 3)))))
                elif others and dice.random() < 0.4:
                    times, plus = (
                        (dice.choice([1, 1, 2, -1, 1000]), dice.choice(NUMBERS)) if type_ == "int" else (1, 0)
                    )
                    tests.append(Condition(field, operator, (), dice.choice(others), times, plus))
                else:
                    tests.append(Condition(field, operator, (dice.choice(pool),)))
            cases.append(Case(severity=dice.choice(SEVERITIES), when=tuple(tests)))
        rules.append(rule(f"RUL{number:02}", *cases, kind=kind.name))
    return rulebook.make(rules)


@needs_library
@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(rulebooks(), fact_lists())
def test_any_rules_and_facts_match_alike_in_both_back_ends(book: Rulebook, facts: list[Fact]) -> None:
    expected = _obvious(book, facts)
    assert run(book, facts, "interpreter") == expected
    assert run(book, facts, "durable-rules") == expected


@needs_library
@pytest.mark.parametrize("seed", range(10))
def test_random_rule_sets_over_many_facts_match_alike(seed: int) -> None:
    """10 x 30 random rule sets, each over 40 random facts: 12,000 facts judged by both."""
    dice = random.Random(seed)
    matches = 0
    for _ in range(30):
        book, facts = random_rulebook(dice), random_facts(dice, 40)
        expected = _obvious(book, facts)
        assert run(book, facts, "interpreter") == expected
        assert run(book, facts, "durable-rules") == expected
        matches += len(expected)
    assert matches > 1000  # the comparison is not between empty lists


# --- single facts of life -----------------------------------------------------------------------------------


@pytest.fixture(params=["interpreter", pytest.param("durable-rules", marks=needs_library)])
def backend(request: Any) -> Iterator[str]:
    yield request.param


BOOK = rulebook.make(
    [
        rule(
            "AAA01", case(Condition("a", "more_than", (5,))), case(Condition("a", "more_than", (), "b", 2, 1))
        ),
        rule("AAA02", case(Condition("t", "one_of", ("x", "y")), Condition("f", "is", (1,)))),
    ]
)


def test_the_order_of_matches_is_facts_then_rules_then_cases(backend: str) -> None:
    facts = [fact("late", a=9, b=1, t="y", f=1), fact("early", a=6, b=9)]
    assert run(BOOK, facts, backend) == [
        ("AAA01", 0, "late"),
        ("AAA01", 1, "late"),
        ("AAA02", 0, "late"),
        ("AAA01", 0, "early"),
    ]
    silent = fact("silent", a=1, b=9)
    deciding = engine.decide(BOOK, [*facts, silent], backend=backend, kinds=KINDS)  # type: ignore[arg-type]
    assert deciding == [{"AAA01": 0, "AAA02": 0}, {"AAA01": 0}, {}]
    assert list(deciding[0]) == ["AAA01", "AAA02"]  # in order of rules
    only_second = fact("only second", a=5, b=1)
    assert engine.decide(BOOK, [only_second], backend=backend, kinds=KINDS) == [{"AAA01": 1}]  # type: ignore[arg-type]


@pytest.mark.parametrize("operator", ["is", "not", "less_than", "at_most", "more_than", "at_least"])
def test_an_unknown_value_never_matches_not_even_as_zero_or_not_equal(backend: str, operator: Any) -> None:
    book = rulebook.make(
        [rule("AAA01", case(Condition("a", operator, (0,))), case(Condition("a", operator, (), "b")))]
    )
    assert run(book, [fact("left", a=None), fact("both", a=None, b=None)], backend) == []
    assert all(match.case == 0 for match in run(book, [fact("right", b=None)], backend))


def test_the_number_1_and_the_text_1_and_an_empty_text_stay_apart(backend: str) -> None:
    book = rulebook.make(
        [rule("AAA01", case(Condition("t", "is", ("1",)))), rule("AAA02", case(Condition("a", "is", (0,))))]
    )
    assert run(book, [fact("one", t="1", a=1), fact("none", t="", a=0)], backend) == [
        ("AAA01", 0, "one"),
        ("AAA02", 0, "none"),
    ]


@pytest.mark.parametrize("size", [10, 999, 1001, 65_535, 65_536, 65_537, 200_000])
def test_long_texts_compare_whole(backend: str, size: int) -> None:
    book = rulebook.make(
        [
            rule("AAA01", case(Condition("t", "is", (), "u"))),
            rule("AAA02", case(Condition("t", "not", (), "u"))),
        ]
    )
    text = "x" * size
    assert run(book, [fact("same", t=text, u=text)], backend) == [("AAA01", 0, "same")]
    assert run(book, [fact("other", t=text, u=text[:-1] + "y")], backend) == [("AAA02", 0, "other")]
    assert run(book, [fact("longer", t=text, u=text + "x")], backend) == [("AAA02", 0, "longer")]


def test_broken_text_harms_nothing(backend: str) -> None:
    book = rulebook.make([rule("AAA01", case(Condition("t", "is", (), "u")))])
    assert run(book, [fact("same", t="\ud800", u="\ud800"), fact("other", t="\ud800", u="?")], backend) == [
        ("AAA01", 0, "same")
    ]


@needs_library
def test_a_first_session_in_which_nothing_fires_does_not_kill_the_process() -> None:
    """durable-rules 2.0.28 frees pointers that it never set, in a first session without a match."""
    for number in range(50):
        book = rulebook.make(
            [rule("AAA01", case(Condition("a", "is", (number,)), Condition("b", "is", (-number - 1,))))]
        )
        assert run(book, [fact("one", a=-1)], "durable-rules") == []


def test_no_facts_or_only_facts_that_no_rule_reads_match_nothing(backend: str) -> None:
    assert run(BOOK, [], backend) == []
    assert run(BOOK, [fact("other", kind="pair")], backend) == []


def test_a_deprecated_rule_does_not_run(backend: str) -> None:
    book = rulebook.make(
        [rule("AAA01", case(), status="deprecated"), rule("AAA02", case(), status="preview")]
    )
    assert run(book, [fact("one")], backend) == [("AAA02", 0, "one")]


def test_more_facts_than_one_session_takes(backend: str) -> None:
    facts = [fact(f"fact {number}", a=number % 10) for number in range(2 * engine.BATCH + 3)]
    assert run(BOOK, facts, backend) == _obvious(BOOK, facts)


def test_the_same_rulebook_runs_again_and_again(backend: str) -> None:
    facts = [fact("one", a=9), fact("two", a=1)]
    first = run(BOOK, facts, backend)
    assert all(run(BOOK, facts, backend) == first for _ in range(200))


@pytest.mark.parametrize(
    "values, said",
    [
        ({"a": 1.5}, "'a' must be int"),
        ({"a": "1"}, "'a' must be int"),
        ({"a": True}, "'a' must be int"),
        ({"a": MOST + 1}, "'a' must be int"),
        ({"t": 1}, "'t' must be text"),
        ({"f": 2}, "'f' must be flag"),
    ],
)
def test_a_fact_of_the_wrong_type_is_refused(backend: str, values: dict[str, Any], said: str) -> None:
    with pytest.raises(EngineError, match=said):
        run(BOOK, [fact("bad", **values)], backend)


def test_malformed_facts_are_refused(backend: str) -> None:
    with pytest.raises(EngineError, match="lacks the field 'a'"):
        run(BOOK, [Fact(kind="use", id="bad", passes=(), values={"b": 1})], backend)
    with pytest.raises(EngineError, match="unknown kind 'usage'"):
        run(BOOK, [Fact(kind="usage", id="bad", passes=(), values={})], backend)
    with pytest.raises(EngineError, match="two facts have the id"):
        run(BOOK, [fact("one"), fact("one")], backend)


def test_a_rule_for_a_kind_that_is_not_there_is_refused(backend: str) -> None:
    with pytest.raises(EngineError, match="unknown kind of fact 'usage'"):
        run(rulebook.make([rule("AAA01", case(), kind="usage")]), [], backend)


@pytest.mark.parametrize("name", ["id", "sid", "kind", "a b"])
def test_a_field_that_would_upset_the_library_is_refused(name: str) -> None:
    kinds = {"use": FactKind(name="use", about="", fields={name: "int"})}
    with pytest.raises(EngineError, match="cannot have a field called"):
        engine.run(rulebook.make([rule("AAA01", case())]), [], kinds=kinds)


def test_as_many_cases_as_the_library_follows_and_no_more(backend: str) -> None:
    """durable-rules gives up at 65 branches per fact (its error 303), so the planner stops at 60."""
    many = [
        case(Condition("a", "at_least", (-number,)), Condition("t", "one_of", ("x", "y", "z")))
        for number in range(60)
    ]
    facts = [fact("one", a=1, t="y")]
    book = rulebook.make([rule(f"AAA{number:02}", one) for number, one in enumerate(many)])
    assert run(book, facts, backend) == _obvious(book, facts)
    assert len(run(book, facts, backend)) == 60
    with pytest.raises(EngineError, match="61 cases"):
        run(rulebook.make([*book.rules, rule("AAA99", case())]), facts, backend)


@needs_library
def test_every_case_may_hang_on_the_other_fields_at_once() -> None:
    """The widest tree: 60 cases with comparisons of fields, each of which durable-rules follows."""
    many = [
        case(Condition("a", "more_than", (), "b", 1, number), Condition("c", "at_most", (), "b", 2, -number))
        for number in range(60)
    ]
    book = rulebook.make([rule(f"AAA{number:02}", one) for number, one in enumerate(many)])
    facts = [fact(f"fact {a} {b}", a=a, b=b, c=-a) for a in range(-3, 40, 7) for b in range(-5, 9, 3)]
    assert run(book, facts, "durable-rules") == _obvious(book, facts)


# --- what is kept of earlier facts --------------------------------------------------------------------------


@settings(max_examples=120, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    rulebooks(), st.lists(fact_lists(), min_size=1, max_size=4), st.integers(0, 2**32), st.sampled_from([1, 3, 20_000])
)
def test_what_is_kept_changes_no_answer_in_any_order_and_however_often(
    book: Rulebook, lists: list[list[Fact]], seed: int, most: int
) -> None:
    dice = random.Random(seed)
    backends = ["interpreter", *(["durable-rules"] if engine._library() is not None else [])]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(engine, "MOST_KEPT", most)
        engine.forget()
        for _ in range(6):
            facts = [dice.choice(dice.choice(lists)) for _ in range(dice.randint(1, 40))]
            facts = [Fact(kind=one.kind, id=str(at), passes=(), values=one.values) for at, one in enumerate(facts)]
            backend = dice.choice(backends)
            assert run(book, facts, backend, remember=True) == run(book, facts, backend) == _obvious(book, facts)
            assert engine._plan(book, KINDS).kept <= most


def test_a_back_end_is_asked_once_for_a_row_and_again_when_told_so(
    backend: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[list[str]] = []
    consult = engine._consult

    def count(plan: Any, name: str, facts: Any, remember: bool) -> Any:
        asked.append([one.id for one in facts])
        return consult(plan, name, facts, remember)

    monkeypatch.setattr(engine, "_consult", count)
    engine.forget()
    facts = [fact("one", a=9), fact("two", a=1), fact("as one", a=9), fact("as two", a=1)]
    expected = [("AAA01", 0, "one"), ("AAA01", 1, "one"), ("AAA01", 0, "as one"), ("AAA01", 1, "as one")]
    assert [match for match in run(BOOK, facts, backend, remember=True) if match.fact.endswith("one")] == expected
    assert asked == [["one", "two"]] and engine.kept() == 2  # each row once
    run(BOOK, facts[::-1], backend, remember=True)
    assert len(asked) == 1  # nothing is new
    run(BOOK, facts, backend)
    assert asked[1:] == [["one", "two", "as one", "as two"]]  # without memory: every fact
    run(BOOK, [fact("c is read by no rule", a=9, c=77), fact("new", a=2)], backend, remember=True)
    assert asked[2:] == [["new"]]
    engine.forget()
    assert engine.kept() == 0
    run(BOOK, facts[:1], backend, remember=True)
    assert asked[3:] == [["one"]]


class _Word(str):
    """Equal to a text and no plain text."""


@pytest.mark.parametrize(
    "values, said",
    [
        ({"a": 1.0}, "'a' must be int, not 1.0"),
        ({"a": True}, "'a' must be int, not True"),
        ({"a": [1]}, "'a' must be int"),
        ({"t": _Word("x")}, "'t' must be text"),
        ({"t": ["x"]}, "'t' must be text"),
        ({"f": 1.0}, "'f' must be flag"),
    ],
)
def test_a_value_that_equals_a_known_one_is_refused_for_its_type(
    backend: str, values: dict[str, Any], said: str
) -> None:
    good = {"a": 1, "t": "x", "f": 1}
    run(BOOK, [fact("known", **good)], backend, remember=True)
    with pytest.raises(EngineError, match=said):
        run(BOOK, [fact("bad", **{**good, **values})], backend, remember=True)
    with pytest.raises(EngineError, match="lacks the field 'b'"):
        run(BOOK, [Fact(kind="use", id="bad", passes=(), values=good)], backend, remember=True)
    # a flag may be written as truth, and is the same fact then
    same = [fact("known", **good), fact("truth", **{**good, "f": True})]
    assert run(BOOK, same, backend, remember=True) == run(BOOK, same, backend) == _obvious(BOOK, same)


def test_a_kind_of_one_field_and_one_of_which_no_rule_reads_any_are_known_too(backend: str) -> None:
    kinds = {name: FactKind(name=name, about="", fields={"a": "int"}) for name in ("one", "none")}
    book = rulebook.make(
        [rule("AAA01", case(Condition("a", "is", (7,))), kind="one"), rule("AAA02", case(), kind="none")]
    )
    facts = [
        Fact(kind=kind, id=f"{kind} {value}", passes=(), values={"a": value})
        for kind, value in (("one", 7), ("one", 8), ("none", 7), ("none", 8))
    ]
    for _ in range(2):
        found = engine.run(book, facts, backend=backend, kinds=kinds)  # type: ignore[arg-type]
        assert found == [("AAA01", 0, "one 7"), ("AAA02", 0, "none 7"), ("AAA02", 0, "none 8")]


def test_rulebooks_that_differ_in_their_conditions_share_nothing(backend: str) -> None:
    facts = [fact("one", a=9)]
    books = [rulebook.make([rule("AAA01", case(Condition("a", "is", (number,))))]) for number in (9, 8)]
    for _ in range(2):
        assert [len(run(book, facts, backend, remember=True)) for book in books] == [1, 0]


# --- processes and threads ----------------------------------------------------------------------------------


@pytest.mark.parametrize("remember", [False, True])
def test_threads_get_their_own_answers(backend: str, remember: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engine, "MOST_KEPT", 4)  # of ten rows, so that what is kept goes again and again
    wrong: list[Any] = []

    def work(number: int) -> None:
        for turn in range(40):
            facts = [fact(f"{number} {turn} {one}", a=(one + number + turn) % 10) for one in range(8)]
            if run(BOOK, facts, backend, remember) != _obvious(BOOK, facts):
                wrong.append((number, turn))

    threads = [threading.Thread(target=work, args=(number,)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []


@pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork here")
@pytest.mark.filterwarnings("ignore::DeprecationWarning")
@pytest.mark.parametrize("remember", [False, True])
def test_a_forked_process_audits_too_even_while_other_threads_do(
    backend: str, remember: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engine, "MOST_KEPT", 4)
    facts = [fact("one", a=9), *(fact(f"more {number}", a=number) for number in range(8))]
    expected = run(BOOK, facts, backend)
    stop = threading.Event()

    def busy() -> None:
        while not stop.is_set():
            run(BOOK, facts, backend, remember)

    thread = threading.Thread(target=busy)
    thread.start()
    try:
        for _ in range(5):
            child = os.fork()
            if child == 0:
                signal.alarm(30)  # a child that waits for a lock for ever fails, instead of holding the run up
                os._exit(0 if run(BOOK, facts, backend, remember) == expected else 1)
            assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
    finally:
        stop.set()
        thread.join()


@needs_library
def test_no_thread_is_left_running() -> None:
    run(BOOK, [fact("one", a=9)], "durable-rules")
    assert [thread.name for thread in threading.enumerate() if isinstance(thread, threading.Timer)] == []


def test_without_the_library_the_interpreter_takes_over() -> None:
    """As on CPython 3.13, where its C part does not import."""
    code = (
        "import sys; sys.modules['durable'] = None; sys.modules['durable.engine'] = None\n"
        "from planner import engine\n"
        "from planner.errors import EngineError\n"
        "print(engine.backend_name())\n"
        "try: engine.backend_name('durable-rules')\n"
        "except EngineError as error: print(error)\n"
    )
    root = Path(__file__).resolve().parent.parent
    told = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONPATH": str(root)},
    )
    assert told.stdout.splitlines()[0] == "interpreter"
    assert "cannot be imported" in told.stdout


@needs_library
def test_an_error_inside_the_library_is_not_swallowed(monkeypatch: pytest.MonkeyPatch) -> None:
    book = rulebook.make([rule("AAA01", case(Condition("a", "is", (7,))))])
    run(book, [fact("one", a=7)], "durable-rules")
    session = engine._plan(book, KINDS).session
    assert session is not None
    monkeypatch.setattr(session.host, "assert_facts", lambda *_: (_ for _ in ()).throw(ValueError("boom")))
    with pytest.raises(EngineError, match="boom"):
        run(book, [fact("one", a=7)], "durable-rules")
    monkeypatch.undo()
    assert run(book, [fact("one", a=7)], "durable-rules") == [("AAA01", 0, "one")]


def test_only_the_engine_imports_durable() -> None:
    root = Path(__file__).resolve().parent.parent / "planner"
    users = {
        path.relative_to(root).as_posix()
        for path in root.rglob("*.py")
        if any(
            "durable" in line
            for line in path.read_text(encoding="utf-8").splitlines()
            if line.lstrip().startswith(("import ", "from ")) or "import_module" in line
        )
    }
    assert users == {"engine.py"}


# --- three-valued truth -------------------------------------------------------------------------------------

A5, B1, T = Condition("a", "more_than", (5,)), Condition("b", "is", (1,)), Condition("t", "is", ("x",))


def test_and_is_three_valued() -> None:
    assert holds(A5, {"a": None}) is None
    assert all_hold((A5, B1), {"a": 6, "b": 1}) is True
    assert all_hold((A5, B1), {"a": None, "b": 2}) is False  # one false condition settles it
    assert all_hold((A5, B1), {"a": None, "b": 1}) is None
    assert all_hold((), {}) is True


@pytest.mark.parametrize(
    "values, lacking",
    [
        ({"a": None, "b": 1, "t": "x"}, ("a",)),  # the first case may hold
        ({"a": None, "b": 2, "t": "x"}, ()),  # the first case is ruled out by b, the second decides
        ({"a": 6, "b": None, "t": "x"}, ()),  # b is not in unknown_when: the case does not hold
        ({"a": None, "b": 2, "t": "y"}, ()),  # no case can hold
        ({"a": 6, "b": 1, "t": None}, ()),  # decided by the first case
    ],
)
def test_a_rule_is_undecided_only_where_the_unknown_matters(
    values: dict[str, Any], lacking: tuple[str, ...]
) -> None:
    assert undecided((case(A5, B1), case(T)), ("a",), values) == lacking


def test_a_gate_leaves_undecided_what_is_not_ruled_out() -> None:
    cases = (case(A5),)
    assert undecided(cases, ("b",), {"a": 6, "b": None}) == ("b",)
    assert undecided(cases, ("b",), {"a": 5, "b": None}) == ()
