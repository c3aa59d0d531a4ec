"""Every example of every rule file, one test each: ``pytest tests/test_rule_examples.py -k ROT01``.

The examples are part of the rules; what a rule means is stated in the contract, and the sources behind it
stand in the rule file that carries the example.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from examples import differences, programme

from planner import catalogue, rulebook
from planner.rulebook import EXAMPLE_KINDS, Example

pytestmark = pytest.mark.short

EXAMPLES = rulebook.load_examples()


@pytest.fixture(scope="module")
def known() -> catalogue.Catalogue:
    return catalogue.load()


@pytest.mark.parametrize("example", EXAMPLES, ids=[f"{example.rule}:{example.name}" for example in EXAMPLES])
def test_example(example: Example, known: catalogue.Catalogue, tmp_path: Path) -> None:
    from planner.audit import audit

    report = audit(programme(example, known, tmp_path), known)
    assert differences(example, report) == [], f"{example.place}"


def test_every_rule_has_every_kind_of_example() -> None:
    kinds: dict[str, Counter[str]] = {}
    for example in EXAMPLES:
        kinds.setdefault(example.rule, Counter())[example.kind] += 1
    rules = rulebook.load().rules
    assert set(kinds) == {rule.code for rule in rules}
    for rule in rules:
        needed: set[Any] = set(EXAMPLE_KINDS) - ({"unknown"} if rule.decided_always else set())
        assert needed <= set(kinds[rule.code]), rule.code


def test_the_rulebook_holds_the_rules_that_were_promised() -> None:
    """The codes of the contract's section 4: 35 rules."""
    promised = {"LBL": 10, "ROT": 5, "LIM": 5, "MIX": 6, "RES": 4, "TIM": 5}
    codes = {f"{family}{number:02}" for family, count in promised.items() for number in range(1, count + 1)}
    assert {rule.code for rule in rulebook.load().rules} == codes
