"""From matches to findings, on facts made by hand (contract, sections 3 and 5)."""

from __future__ import annotations

from typing import Any

import pytest

from planner import rulebook
from planner.conditions import Case, Condition
from planner.facts.kinds import Fact, FactKind, Telling
from planner.judge import allowed, judge, say_passes
from planner.model import Finding, NotAssessed
from planner.rulebook import Parameter, Rule, RuleSource

pytestmark = pytest.mark.short

KINDS = {
    "use": FactKind(
        name="use", about="", fields={"count": "int", "most": "int", "risk": "text"}, shows=("group",)
    )
}


def rule(code: str = "LIM01", *cases: Case, **more: Any) -> Rule:
    whole: dict[str, Any] = {
        "name": f"name-{code.lower()}",
        "family": "limits",
        "since": "0.1",
        "status": "stable",
        "title": "",
        "why": "why, {grace}",
        "remedy": "leave out {group}",
        "message": "{passes} with {group}: {count} of {most}",
        "kind": "use",
        "sources": (RuleSource(key="src"),),
        "parameters": {"grace": Parameter(value=14, unit="d", source="common practice", grade="practice")},
        "cases": cases or (Case("breach", (Condition("count", "more_than", (), "most"),)),),
        **more,
    }
    return Rule(code=code, **whole)


def fact(
    number: int, count: int | None = 3, most: int | None = 2, group: str = "group 11", **more: Any
) -> Fact:
    return Fact(
        kind="use",
        id=f"fact {number}",
        passes=more.pop("passes", (number,)),
        values={"count": count, "most": most, "risk": more.pop("risk", "high")},
        unknown=more.pop("unknown", {}),
        tell=Telling(shows={"group": group}, evidence=more.pop("evidence", {"count": count}), **more),
    )


def run(facts: list[Fact], *rules: Rule) -> tuple[list[Finding], list[NotAssessed]]:
    both = [
        judge(rulebook.make(rules or (rule(),)), facts, kinds=KINDS, backend=backend)
        for backend in ("auto", "interpreter")
    ]
    assert both[0] == both[1]
    return both[0]


def test_a_finding_carries_words_numbers_and_sources() -> None:
    findings, not_assessed = run([fact(2, sources=("limit",), place="plan.yaml:7")])
    assert findings == [
        Finding(
            rule="LIM01",
            name="name-lim01",
            severity="breach",
            passes=(2,),
            message="pass 2 with group 11: 3 of 2",
            why="why, 14 d",
            remedy="leave out group 11",
            sources=("limit",),
            evidence={"count": 3},
            place="plan.yaml:7",
        )
    ]
    assert not_assessed == []


def test_where_no_fact_names_a_source_the_rule_does() -> None:
    findings, _ = run([fact(1)])
    assert findings[0].sources == ("src",)


def test_the_first_case_that_fits_decides_and_says_because() -> None:
    one = rule(
        "LIM01",
        Case("advice", (Condition("risk", "is", ("low",)),), "for {group} is of low risk"),
        Case("breach", (Condition("count", "more_than", (), "most"),)),
    )
    findings, _ = run([fact(1, risk="low"), fact(2, risk="high")], one)
    assert [(found.severity, found.message) for found in findings] == [
        ("advice", "pass 1 with group 11: 3 of 2; for group 11 is of low risk"),
        ("breach", "pass 2 with group 11: 3 of 2"),
    ]


@pytest.mark.parametrize(
    "lower, cap, expected",
    [
        (0, "breach", ("breach", None)),
        (0, "caution", ("caution", "cap")),
        (0, "advice", ("advice", "cap")),
        (1, "breach", ("caution", "lower")),
        (2, "breach", ("advice", "lower")),
        (5, "breach", ("advice", "lower")),
        (1, "caution", ("caution", "lower")),
        (1, "advice", ("advice", "lower; cap")),
    ],
)
def test_evidence_lowers_and_caps_a_breach(lower: int, cap: Any, expected: Any) -> None:
    one = fact(1, lower=lower, lower_reason="lower", cap=cap, cap_reason="cap")
    assert allowed("breach", one.told) == expected


def test_advice_cannot_sink_and_an_unused_cap_is_not_named() -> None:
    assert allowed("advice", fact(1, lower=1, lower_reason="lower", cap="caution", cap_reason="cap").told) == (
        "advice",
        None,
    )
    findings, _ = run([fact(1, cap="caution", cap_reason="the limit is recalled, medium confidence")])
    assert (findings[0].severity, findings[0].capped) == (
        "caution",
        "the limit is recalled, medium confidence",
    )


def test_a_milder_finding_that_says_the_same_is_folded_into_the_firmer_one() -> None:
    """Two published rows ask one thing of one pass: one finding, both sources; another pass or disease stays apart."""
    firm = fact(3, subject="49", evidence={"group": "FRAC 49", "targets": []}, sources=("row-one",))
    weak: dict[str, Any] = {"subject": "49", "cap": "advice", "sources": ("row-two",)}
    mild = fact(1, passes=(3,), evidence={"group": "FRAC 49", "targets": ["a"]}, **weak)
    elsewhere = fact(4, evidence={"group": "FRAC 49", "targets": ["a"]}, **weak)
    findings, _ = run([mild, firm, elsewhere], rule(merge=True))
    assert [(found.passes, found.severity, found.sources) for found in findings] == [
        ((3,), "breach", ("row-one", "row-two")),
        ((4,), "advice", ("row-two",)),
    ]
    other = fact(3, subject="x", evidence={"group": "FRAC 49", "targets": ["b"]}, sources=("row-one",))
    assert [found.severity for found in run([other, mild], rule(merge=True))[0]] == ["breach", "advice"]


def test_one_cause_is_one_finding_where_the_rule_merges() -> None:
    facts = [
        fact(3, subject="11", group=("group 11", "group 3"), evidence={"count": 3, "most": 2}),
        fact(1, subject="11", group=("group 11",), evidence={"count": 4, "most": 2}),
        fact(2, subject="7", group="group 7"),
        fact(4, subject="11", cap="caution", cap_reason="recalled"),
        fact(5),
        fact(6),  # no subject: alone
    ]
    findings, _ = run(facts, rule(merge=True))
    assert [(found.passes, found.severity) for found in findings] == [
        ((1, 3), "breach"),
        ((2,), "breach"),
        ((4,), "caution"),
        ((5,), "breach"),
        ((6,), "breach"),
    ]
    assert findings[0].message == "passes 1 and 3 with group 11 and group 3: 3 of 2"
    assert findings[0].evidence == {"count": [3, 4], "most": 2}
    apart, _ = run(facts)
    assert len(apart) == 6


def test_a_merged_finding_is_capped_only_when_every_fact_of_it_is() -> None:
    free = fact(1, subject="11")
    low = rule("LIM01", Case("caution", ()), merge=True)
    capped = fact(2, subject="11", lower=1, lower_reason="a region's report")
    high = rule(
        "LIM01", Case("breach", (Condition("risk", "is", ("high",)),)), Case("caution", ()), merge=True
    )
    findings, _ = run([fact(1, subject="11", risk="low"), capped], high)
    assert [(found.passes, found.severity, found.capped) for found in findings] == [((1, 2), "caution", None)]
    findings, _ = run([free, fact(2, subject="11")], low)
    assert findings[0].capped is None


def test_texts_hold_percent_signs_and_names_that_stand_twice() -> None:
    half = Parameter(value=50, unit="%", source="common practice", grade="practice")
    one = rule(
        message="{count}%s of {group}, {group}: {half} %(x)d {{most}} {nothing}",
        remedy="100 % of {most}",
        why="{half}% %s",
        parameters={"half": half},
    )
    (found,), _ = run([fact(1)], one)
    assert found.message == "3%s of group 11, group 11: 50 % %(x)d {2} {nothing}"
    assert (found.remedy, found.why) == ("100 % of 2", "50 %% %s")


def test_rulebooks_of_the_same_conditions_keep_their_own_words() -> None:
    for words in ("one", "other"):
        (found,), lacking = run([fact(1), fact(2, most=None)], rule(message=words, unknown_when=("most",)))
        assert found.message == words and len(lacking) == 1
        _, none = run([fact(2, most=None)], rule(message=words))
        assert none == []  # a rule of the same conditions that lets the unknown pass


def test_findings_come_in_season_order_then_by_severity_then_code() -> None:
    facts = [fact(2), fact(1), fact(1000, passes=())]
    facts = [
        Fact(kind=one.kind, id=f"{index}", passes=one.passes, values=one.values, tell=one.tell)
        for index, one in enumerate(facts)
    ]
    findings, _ = run(
        facts, rule("LIM02"), rule("LIM01", Case("advice", ())), rule("LIM03", Case("caution", ()))
    )
    assert [(found.passes, found.severity, found.rule) for found in findings] == [
        ((1,), "breach", "LIM02"),
        ((1,), "caution", "LIM03"),
        ((1,), "advice", "LIM01"),
        ((2,), "breach", "LIM02"),
        ((2,), "caution", "LIM03"),
        ((2,), "advice", "LIM01"),
        ((), "breach", "LIM02"),
        ((), "caution", "LIM03"),
        ((), "advice", "LIM01"),
    ]


def test_unknown_is_not_assessed_once_per_rule_and_reason() -> None:
    one = rule(unknown_when=("most", "count"))
    facts = [
        fact(3, most=None, unknown={"most": "the label gives no most; copy it"}),
        fact(1, most=None, unknown={"most": "the label gives no most; copy it"}),
        fact(2, count=None),
        fact(4),
    ]
    findings, not_assessed = run(facts, one)
    assert [found.passes for found in findings] == [(4,)]
    assert not_assessed == [
        NotAssessed(rule="LIM01", passes=(1, 3), reason="the label gives no most; copy it"),
        NotAssessed(rule="LIM01", passes=(2,), reason="the count is not known"),
    ]


def test_unknown_without_unknown_when_is_silent() -> None:
    assert run([fact(1, most=None)]) == ([], [])


def test_unknown_is_not_reported_where_a_known_value_settles_the_rule() -> None:
    one = rule(
        "LIM01",
        Case("breach", (Condition("risk", "is", ("high",)), Condition("count", "more_than", (), "most"))),
        unknown_when=("most",),
    )
    assert run([fact(1, most=None, risk="low")], one) == ([], [])


@pytest.mark.parametrize(
    "passes, words",
    [((), "no pass"), ((2,), "pass 2"), ((1, 2), "passes 1 and 2"), ((1, 2, 4), "passes 1, 2 and 4")],
)
def test_passes_are_said_as_people_say_them(passes: tuple[int, ...], words: str) -> None:
    assert say_passes(passes) == words
