"""Rule files: what is read, and that every slip is refused with file, line and the nearest right name."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import msgspec
import pytest

from planner import rulebook, yamlio
from planner.conditions import Condition
from planner.errors import InputError, RulebookError, UnknownName
from planner.facts.kinds import KINDS, FactKind
from planner.rulebook import Rulebook
from planner.rulereader import Found, read_folders, read_rule, try_folders

pytestmark = pytest.mark.short

TEST_KINDS = {
    "pair": FactKind(
        name="pair",
        about="two passes",
        fields={
            "days_apart": "int",
            "interval": "int",
            "risk": "text",
            "other_risk": "text",
            "alone": "flag",
            "mixed": "flag",
        },
        shows=("first", "second", "group"),
    ),
}
SOURCES = frozenset(("frac-sbi-2022", "frac-qoi-2020"))

GOOD = """\
rule: ROT01
name: same-group-in-succession
family: rotation
since: "0.1"
status: stable
title: Two passes lean on one group
why: The same group twice lets what survives multiply.
adviser: More than {grace_days} between them let the effect fade.
remedy: put another group between {first} and {second}
not_for: multi-site groups
sources: [{key: frac-sbi-2022, where: general}]
for: pair
parameters:
  grace_days: {value: 14, unit: d, source: common practice, grade: practice}
  lowest: {value: low, source: frac-sbi-2022, grade: read}
cases:
  - severity: advice
    when:
      - {field: risk, is: $lowest}
      - {field: days_apart, more_than: $grace_days}
    because: the risk of {group} is low
  - severity: breach
    when:
      - {field: risk, one_of: [medium, high]}
      - {field: alone, is: true}
      - {field: days_apart, less_than: {field: interval, times: 2, plus: $grace_days}}
unknown_when: [risk]
merge: true
message: "{passes} lean on {group}: {days_apart} days apart"
lasting: true
examples:
  - name: twice
    kind: firing
    passes: [{stage: R1, use: [azoxystrobin]}, {stage: R3, use: [azoxystrobin]}]
    finds: [{passes: [1, 2], severity: breach, group: FRAC 11}]
  - name: once
    kind: quiet
    passes: [{stage: R1, use: [azoxystrobin]}]
    finds: []
  - name: at fourteen days
    kind: boundary
    passes: [{stage: R1, tank: [{active: azoxystrobin, dose: 100 g/ha}]}]
  - name: risk unknown
    kind: unknown
    passes: [{stage: R1, use: [oxathiapiprolin]}]
    not_assessed: true
"""


def read(text: str, **more: Any) -> Found:
    return read_rule(
        text,
        name="rules/rotation/ROT01-x.yaml",
        kinds=TEST_KINDS,
        bibliography=more.get("bibliography", SOURCES),
    )


def test_a_rule_is_read_whole() -> None:
    rule, examples = read(GOOD)
    assert (rule.code, rule.name, rule.family, rule.kind, rule.status) == (
        "ROT01",
        "same-group-in-succession",
        "rotation",
        "pair",
        "stable",
    )
    assert rule.merge and rule.lasting and rule.unknown_when == ("risk",)
    assert rule.cases[0].severity == "advice"
    assert rule.cases[0].when == (
        Condition("risk", "is", ("low",)),
        Condition("days_apart", "more_than", (14,)),
    )
    assert rule.cases[1].when == (
        Condition("risk", "one_of", ("medium", "high")),
        Condition("alone", "is", (1,)),
        Condition("days_apart", "less_than", (), "interval", 2, 14),
    )
    assert rule.words(rule.adviser) == "More than 14 d between them let the effect fade."
    assert str(rule.place) == "rules/rotation/ROT01-x.yaml:1"
    assert [example.kind for example in examples] == ["firing", "quiet", "boundary", "unknown"]
    assert examples[0].data["finds"] == [{"passes": [1, 2], "severity": "breach", "group": "FRAC 11"}]


def test_a_rule_with_one_case_may_write_it_at_the_top() -> None:
    start, end = GOOD.index("cases:"), GOOD.index("unknown_when:")
    text = (
        GOOD[:start] + "severity: caution\nwhen:\n"
        "  - {field: days_apart, at_most: $grace_days}\n  - {field: risk, not: $lowest}\n" + GOOD[end:]
    )
    rule, _ = read(text)
    assert [(case.severity, case.when) for case in rule.cases] == [
        ("caution", (Condition("days_apart", "at_most", (14,)), Condition("risk", "not", ("low",))))
    ]


def test_what_every_case_asks_may_be_written_once() -> None:
    rule, _ = read(GOOD.replace("cases:\n", "given:\n  - {field: mixed, is: false}\ncases:\n"))
    assert [case.when[0] for case in rule.cases] == [Condition("mixed", "is", (0,))] * 2
    assert [len(case.when) for case in rule.cases] == [3, 4]


def test_a_case_without_conditions_always_holds() -> None:
    start, end = GOOD.index("  - severity: breach"), GOOD.index("unknown_when:")
    rule, _ = read(GOOD[:start] + "  - {severity: caution, when: []}\n" + GOOD[end:])
    assert rule.cases[1].when == ()


# Each slip: what stands in the good file, what is written instead, the line it is reported for, and what is
# said.
SLIPS = [
    ("merge: true", "merges: true", "merges", "unknown key 'merges' in a rule; did you mean merge"),
    ("message:", "mesage:", "mesage", "unknown key 'mesage' in a rule; did you mean message"),
    ("why: The same group twice lets what survives multiply.\n", "", "rule:", "a rule has no 'why'"),
    ("remedy: put another group between {first} and {second}\n", "", "rule:", "a rule has no 'remedy'"),
    ("why: The same group twice lets what survives multiply.", "why: ''", "why:", "why is empty"),
    ("rule: ROT01", "rule: ROT1", "rule:", "'ROT1' is not a rule code"),
    ('since: "0.1"', "since: 0.1", "since:", "must be text; put quotes"),
    ("family: rotation", "family: rotations", "family:", "unknown family 'rotations'; did you mean rotation"),
    ("status: stable", "status: done", "status:", "unknown status 'done'"),
    ("for: pair", "for: pairs", "for:", "unknown kind of fact 'pairs'; did you mean pair"),
    (
        "key: frac-sbi-2022, where",
        "key: frac-sbi-2002, where",
        "sources:",
        "unknown source 'frac-sbi-2002'; did you mean frac-sbi-2022",
    ),
    ("{key: frac-sbi-2022, where: general}", "{where: general}", "sources:", "a source has no 'key'"),
    ("source: frac-sbi-2022, grade", "source: frac-sbi, grade", "lowest:", "unknown source 'frac-sbi'"),
    ("grade: practice", "grade: practise", "grace_days:", "unknown grade 'practise'; did you mean practice"),
    ("value: 14,", "value: 14.5,", "grace_days:", "must be a whole number or text"),
    ("value: 14, unit: d,", "unit: d,", "grace_days:", "the parameter 'grace_days' has no 'value'"),
    (
        "  lowest:",
        "  unused: {value: 1, source: common practice, grade: practice}\n  lowest:",
        "unused:",
        "the parameter 'unused' is never used",
    ),
    (
        "  lowest:",
        "  group: {value: 1, source: common practice, grade: practice}\n  lowest:",
        "group:",
        "is also a field of pair",
    ),
    (
        "{field: risk, is: $lowest}",
        "{field: risc, is: $lowest}",
        "risc",
        "the kind 'pair' has no field 'risc'; did you mean risk",
    ),
    (
        "{field: risk, is: $lowest}",
        "{field: risk, equals: $lowest}",
        "equals",
        "unknown key 'equals' in a condition",
    ),
    ("{field: risk, is: $lowest}", "{field: risk}", "{field: risk}", "a condition with no operator"),
    ("{field: risk, is: $lowest}", "{field: risk, is: low, not: high}", "is: low", "more than one operator"),
    (
        "{field: risk, is: $lowest}",
        "{field: risk, is: $lowst}",
        "$lowst",
        "unknown parameter '$lowst'; did you mean lowest",
    ),
    (
        "{field: risk, is: $lowest}",
        "{field: risk, less_than: $lowest}",
        "less_than: $lowest",
        "'less_than' needs a number, and 'risk' is text; use is, not or one_of",
    ),
    ("{field: risk, is: $lowest}", "{field: risk, is: 3}", "is: 3", "'risk' is text and '3' is not"),
    (
        "{field: risk, is: $lowest}",
        "{field: risk, is: $grace_days}",
        "is: $grace_days",
        "'risk' is text and '14' is not",
    ),
    (
        "{field: risk, is: $lowest}",
        "{field: risk, is: {field: alone}}",
        "field: alone}",
        "'risk' is text and 'alone' is a flag",
    ),
    (
        "{field: risk, is: $lowest}",
        "{field: risk, is: {field: other_risk, plus: 1}}",
        "plus: 1",
        "'plus' needs numbers",
    ),
    ("more_than: $grace_days", "more_than: 14.5", "14.5", "a whole number is needed, not '14.5'"),
    ("more_than: $grace_days", "more_than: fourteen", "fourteen", "a whole number is needed"),
    ("more_than: $grace_days", "more_than: true", "than: true", "a whole number is needed, not true"),
    ("more_than: $grace_days", "more_than: 10000000000000", "100000", "is too large"),
    (
        "more_than: $grace_days",
        "more_than: {field: days_apart}",
        "field: days_apart}",
        "'days_apart' is compared with itself",
    ),
    (
        "field: interval, times: 2",
        "field: interval, time: 2",
        "time: 2",
        "unknown key 'time' in the right side; did you mean times",
    ),
    (
        "field: interval, times: 2",
        "field: intervals, times: 2",
        "intervals",
        "has no field 'intervals'; did you mean interval",
    ),
    (
        "{field: alone, is: true}",
        "{field: alone, is: maybe}",
        "maybe",
        "'alone' is a flag and 'maybe' is not",
    ),
    (
        "{field: alone, is: true}",
        "{field: alone, at_least: 1}",
        "at_least: 1",
        "'at_least' needs a number, and 'alone' is a flag",
    ),
    (
        "{field: alone, is: true}",
        "{field: alone, one_of: [0, 1]}",
        "one_of: [0",
        "makes no sense for the flag",
    ),
    ("one_of: [medium, high]", "one_of: []", "one_of: []", "needs a list of different values"),
    ("one_of: [medium, high]", "one_of: [high, high]", "one_of: [high", "needs a list of different values"),
    ("one_of: [medium, high]", "one_of: high", "one_of: high", "one_of must be a list"),
    ("severity: breach", "severity: error", "severity: error", "unknown severity 'error'"),
    (
        "unknown_when: [risk]",
        "unknown_when: [risks]",
        "unknown_when:",
        "has no field 'risks'; did you mean risk",
    ),
    (
        "{passes} lean on {group}",
        "{passes} lean on {groups}",
        "message:",
        "unknown placeholder '{groups}' in message; did you mean group",
    ),
    ("{passes} lean on {group}", "{passes lean on {group}", "message:", "a lone brace in message"),
    ("risk of {group} is low", "risk of {grp} is low", "because:", "unknown placeholder '{grp}'"),
    (
        "between {first} and",
        "between {firts} and",
        "remedy:",
        "unknown placeholder '{firts}' in remedy; did you mean first",
    ),
    ("More than {grace_days}", "More than {group}", "adviser:", "unknown placeholder '{group}' in adviser"),
    ("merge: true", "merge: yes", "merge:", "merge must be true or false"),
    (
        "merge: true",
        "merge: true\nseverity: caution",
        "severity: caution",
        "'severity' stands beside 'cases'",
    ),
    (
        "unknown_when: [risk]",
        "unknown_when: [risk]\ndecided_always: the label says it",
        "decided_always:",
        "stands beside 'unknown_when'",
    ),
    ("unknown_when: [risk]", "unknown_when: risk", "unknown_when:", "must be a list"),
    ("kind: firing", "kind: fires", "kind: fires", "unknown kind of example 'fires'"),
    ("kind: quiet", "kind: boundary", "examples:", "there is no quiet example; add one with kind: quiet"),
    ("    kind: boundary\n", "    kind: quiet\n", "examples:", "there is no boundary example"),
    ("  - name: once\n", "  - name: twice\n", "name: twice", "two examples are called 'twice'"),
    (
        "    finds: []",
        "    findings: []",
        "findings",
        "unknown key 'findings' in an example; did you mean finds",
    ),
    ("    finds: []", "    finds: [{passes: [1]}]", "name: once", "a quiet example finds something"),
    (
        "severity: breach, group: FRAC 11}]",
        "severity: bad, group: FRAC 11}]",
        "bad",
        "unknown severity 'bad'",
    ),
    (
        "finds: [{passes: [1, 2], severity: breach, group: FRAC 11}]",
        "finds: []",
        "name: twice",
        "a firing example finds nothing",
    ),
    ("    not_assessed: true\n", "", "name: risk unknown", "an unknown example must be 'not assessed'"),
    (
        "use: [oxathiapiprolin]",
        "uses: [oxathiapiprolin]",
        "uses",
        "unknown key 'uses' in a pass of an example; did you mean use",
    ),
    (
        "{stage: R1, use: [oxathiapiprolin]}",
        "{stage: R1}",
        "{stage: R1}",
        "a pass needs either 'use' or 'tank'",
    ),
]


@pytest.mark.parametrize("good, bad, line_of, said", SLIPS, ids=[slip[3][:50] for slip in SLIPS])
def test_a_slip_is_refused_with_its_line_and_a_cure(good: str, bad: str, line_of: str, said: str) -> None:
    assert good in GOOD
    text = GOOD.replace(good, bad) if good.startswith("    kind") else GOOD.replace(good, bad, 1)
    if good == "  - name: once\n":
        line_of = "name: twice"
    with pytest.raises(RulebookError) as caught:
        read(text)
    assert said in str(caught.value)
    lines = text.splitlines()
    place = caught.value.place
    assert not isinstance(place, str)
    assert line_of in lines[place.line - 1]
    assert str(caught.value).startswith(f"rules/rotation/ROT01-x.yaml:{place.line}: ")


def test_a_case_that_can_never_decide_is_refused() -> None:
    text = GOOD.replace(
        "  - severity: breach\n    when:\n      - {field: risk, one_of: [medium, high]}\n",
        "  - severity: breach\n    when:\n"
        "      - {field: risk, is: low}\n      - {field: days_apart, more_than: 14}\n",
    )
    with pytest.raises(RulebookError, match="case 2 can never decide: case 1 holds whenever it does"):
        read(text)


def test_the_unknown_example_may_be_left_out_only_with_a_reason() -> None:
    without = GOOD[: GOOD.index("  - name: risk unknown")].replace("unknown_when: [risk]\n", "")
    with pytest.raises(RulebookError, match=r"there is no unknown example; .*decided_always"):
        read(without)
    rule, _ = read(without + "decided_always: the passes say all that this rule reads\n")
    assert rule.decided_always
    with pytest.raises(RulebookError, match="there is no unknown example; add one"):
        read(GOOD[: GOOD.index("  - name: risk unknown")])


def test_sources_are_left_unchecked_only_when_no_bibliography_is_given() -> None:
    rule, _ = read(GOOD.replace("key: frac-sbi-2022", "key: elsewhere"), bibliography=None)
    assert rule.sources[0].key == "elsewhere"


@pytest.mark.parametrize("text", ["", "[]", "rule", "rule: ROT01\nrule: ROT02\n", "a: &x 1\nb: *x\n", "\0"])
def test_what_is_no_rule_at_all_is_refused(text: str) -> None:
    with pytest.raises(InputError):
        read(text)


# --- folders ------------------------------------------------------------------------------------------------


def write(folder: Path, code: str, name: str, text: str = GOOD, family: str = "rotation") -> Path:
    path = folder / family / f"{code}-{name}.yaml"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(
        text.replace("rule: ROT01", f"rule: {code}").replace(
            "name: same-group-in-succession", f"name: {name}"
        ),
        encoding="utf-8",
    )
    return path


def folders(*paths: Path) -> list[Found]:
    return read_folders(paths, kinds=TEST_KINDS, bibliography=SOURCES)


def test_a_users_rule_of_the_same_code_replaces_the_shipped_one(tmp_path: Path) -> None:
    write(tmp_path / "rules", "ROT01", "first")
    write(tmp_path / "rules", "ROT02", "second")
    own = tmp_path / "own"
    own.mkdir()
    (own / "ROT01-first.yaml").write_text(
        GOOD.replace("name: same-group-in-succession", "name: first").replace("value: 14", "value: 21"),
        encoding="utf-8",
    )
    write(own, "OWN01", "third")
    rules = {rule.code: rule for rule, _ in folders(tmp_path / "rules", own)}
    assert sorted(rules) == ["OWN01", "ROT01", "ROT02"]
    assert rules["ROT01"].parameters["grace_days"].value == 21
    assert str(rules["ROT02"].place) == "rules/rotation/ROT02-second.yaml:1"


def test_one_code_twice_in_a_folder_is_refused(tmp_path: Path) -> None:
    write(tmp_path, "ROT01", "first")
    write(tmp_path, "ROT01", "second")
    with pytest.raises(RulebookError, match=r"rule ROT01 is there twice, first in .*ROT01-first.yaml"):
        folders(tmp_path)


def test_one_name_for_two_codes_is_refused(tmp_path: Path) -> None:
    write(tmp_path / "rules", "ROT01", "first")
    write(tmp_path / "own", "ROT02", "first")
    with pytest.raises(RulebookError, match="the name 'first' belongs to ROT01 as well"):
        folders(tmp_path / "rules", tmp_path / "own")


def test_a_file_in_the_wrong_place_or_under_the_wrong_name_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "a", "ROT01", "first", family="mixing")
    with pytest.raises(
        RulebookError, match="a rule of family rotation stands in folder mixing; move it to rotation/"
    ):
        folders(tmp_path / "a")
    path = write(tmp_path / "b", "ROT01", "first")
    path.rename(path.with_name("ROT01-other.yaml"))
    with pytest.raises(RulebookError, match=r"is called ROT01-other.yaml; name it ROT01-first.yaml"):
        folders(tmp_path / "b")
    path = write(tmp_path / "c", "ROT01", "first")
    path.rename(path.with_name("rot1-first.yaml"))
    with pytest.raises(RulebookError, match="not the name of a rule file"):
        folders(tmp_path / "c")


def test_published_limits_may_stand_beside_the_rules_on_limits(tmp_path: Path) -> None:
    write(tmp_path, "LIM01", "first", GOOD.replace("family: rotation", "family: limits"), family="limits")
    (tmp_path / "limits" / "frac-qoi.yaml").write_text("limits: []\n", encoding="utf-8")
    assert [rule.code for rule, _ in folders(tmp_path)] == ["LIM01"]


def test_every_wrong_file_is_named_at_once(tmp_path: Path) -> None:
    write(tmp_path, "ROT01", "first", GOOD.replace("for: pair", "for: pears"))
    write(tmp_path, "ROT02", "second", GOOD.replace("kind: quiet", "kind: calm"))
    write(tmp_path, "ROT03", "third")
    (tmp_path / "rotation" / "ROT04-fourth.yaml").write_text("a: [", encoding="utf-8")
    found, errors = try_folders([tmp_path], kinds=TEST_KINDS, bibliography=SOURCES)
    assert [rule.code for rule, _ in found] == ["ROT03"]
    codes = [found[0] for error in errors if (found := re.search(r"ROT\d\d", str(error)))]
    assert codes == ["ROT01", "ROT02", "ROT04"]


def test_a_rules_folder_that_is_not_there_is_refused() -> None:
    with pytest.raises(RulebookError, match="there is no such folder of rules"):
        rulebook.load(["/nowhere/at/all"])


# --- the rulebook -------------------------------------------------------------------------------------------


def test_rules_stand_in_order_of_family_and_code_and_are_found_by_code_and_name() -> None:
    first, _ = read(GOOD)
    later = msgspec.structs.replace(first, code="ABC01", name="other", family="timing")
    book = rulebook.make([later, first])
    assert [rule.code for rule in book.rules] == ["ROT01", "ABC01"]
    assert book.rule("rot01") is first and book.rule("Same-Group-In-Succession") is first
    with pytest.raises(UnknownName, match="unknown rule 'ROT10'; did you mean ROT01"):
        book.rule("ROT10")


def test_the_key_changes_with_the_conditions_and_not_with_the_words() -> None:
    first, _ = read(GOOD)
    worded, _ = read(GOOD.replace("lets what survives multiply", "is a pity"))
    other, _ = read(GOOD.replace("value: 14", "value: 15"))
    assert rulebook.make([first]).key == rulebook.make([worded]).key != rulebook.make([other]).key


def test_a_rulebook_keeps_its_shape_in_the_cache() -> None:
    book = rulebook.make([read(GOOD)[0]])
    assert msgspec.msgpack.decode(msgspec.msgpack.encode(book), type=Rulebook) == book


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_a_new_rule_starts_from_a_file_that_is_sound(kind: str) -> None:
    text = rulebook.scaffold("OWN01", "my-own-rule", "rotation", kinds={kind: KINDS[kind]})
    rule, examples = read_rule(text, name="OWN01-my-own-rule.yaml", kinds=KINDS, bibliography=SOURCES)
    assert (rule.code, rule.name, rule.family, rule.kind) == ("OWN01", "my-own-rule", "rotation", kind)
    assert {example.kind for example in examples} == {"firing", "quiet", "boundary", "unknown"}
    assert yamlio.read(text).data["rule"] == "OWN01"


@pytest.mark.parametrize(
    "code, name, family, error",
    [
        ("own01", "good", "rotation", ValueError),
        ("OWN1", "good", "rotation", ValueError),
        ("OWN01", "Bad Name", "rotation", ValueError),
        ("OWN01", "good", "rotations", UnknownName),
    ],
)
def test_a_new_rule_needs_a_code_a_name_and_a_family(code: str, name: str, family: str, error: Any) -> None:
    with pytest.raises(error):
        rulebook.scaffold(code, name, family)


# --- the shipped rules --------------------------------------------------------------------------------------


def test_the_shipped_rules_are_sound_and_their_sources_are_known() -> None:
    keys = rulebook._keys()
    assert keys is not None and "frac-sbi-2022" in keys
    rules, errors = rulebook.check()
    assert [str(error) for error in errors] == []
    assert {source.key for rule in rules for source in rule.sources} <= keys


def test_the_cache_gives_the_same_rulebook(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PLANNER_NO_CACHE", "1")
    afresh = rulebook.load()
    monkeypatch.delenv("PLANNER_NO_CACHE")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert rulebook.load() == afresh  # makes the cache
    assert list((tmp_path / "planner").glob("rules-*"))
    assert rulebook.load() == afresh  # reads it


def test_a_users_folder_is_laid_over_the_shipped_rules(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    own = tmp_path / "own"
    own.mkdir()
    (own / "OWN01-my-own-rule.yaml").write_text(
        rulebook.scaffold("OWN01", "my-own-rule", "rotation"), encoding="utf-8"
    )
    shipped = rulebook.load()
    for _ in range(2):
        book = rulebook.load([own])
        assert len(book.rules) == len(shipped.rules) + 1
        assert book.rule("OWN01").place.file == str(own / "OWN01-my-own-rule.yaml")
    assert rulebook.load() == shipped
    assert "OWN01" in {example.rule for example in rulebook.load_examples([own])}


def test_a_deprecated_rule_is_listed_and_does_not_run() -> None:
    rule, _ = read(GOOD.replace("status: stable", "status: deprecated"))
    book = rulebook.make([rule])
    assert book.rules == (rule,) and book.running == ()
