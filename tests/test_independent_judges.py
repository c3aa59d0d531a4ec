"""The rulebook judged by an independent answer-set solver, and properties that no order or partner may break.

Outside judge: clingo (Potassco), on the facts of random programmes of every crop.
"""

from __future__ import annotations

import random
from typing import Any

import pytest
from msgspec.structs import replace
from test_engine_programmes import random_programme

from planner import engine, rulebook
from planner.account import Account
from planner.audit import audit
from planner.catalogue import Catalogue, load
from planner.facts import derive
from planner.model import Field, Pass, Programme, TankItem

clingo_model = pytest.importorskip("clingo_model", reason="clingo is a test-only package")

PROGRAMMES = 150


@pytest.fixture(scope="module")
def known() -> Catalogue:
    return load()


def test_engine_and_answer_set_solver_agree_on_random_programmes(known: Catalogue) -> None:
    dice = random.Random(20261125)
    book = rulebook.load()
    hits = 0
    for _ in range(PROGRAMMES):
        facts = derive(Account(random_programme(dice, known), known))
        ours = {tuple(match) for match in engine.run(book, facts, remember=False)}
        theirs = clingo_model.judge(book, facts)
        assert ours == theirs
        hits += len(theirs)
    assert hits > PROGRAMMES  # the programmes do meet rules


def found(programme: Programme, known: Catalogue) -> set[tuple[Any, ...]]:
    """Findings without the words that name things in the order they came."""
    report = audit(programme, known, backend="interpreter")
    return {(one.rule, one.severity, one.passes) for one in report.findings}


def test_the_order_of_products_and_targets_changes_no_finding(known: Catalogue) -> None:
    dice = random.Random(7)
    for _ in range(150):
        programme = random_programme(dice, known)
        field: Field = programme.field
        turned = replace(
            programme,
            products=tuple(reversed(programme.products)),
            field=replace(field, targets=tuple(reversed(field.targets)) if field.targets else None),
        )
        assert found(turned, known) == found(programme, known)


def test_the_order_in_a_tank_changes_no_finding(known: Catalogue) -> None:
    dice = random.Random(8)
    for _ in range(150):
        programme = random_programme(dice, known)
        turned = replace(
            programme, passes=tuple(replace(one, tank=tuple(reversed(one.tank))) for one in programme.passes)
        )
        assert found(turned, known) == found(programme, known)


def test_a_partner_of_a_new_group_never_makes_partners_share_a_group(known: Catalogue) -> None:
    """MIX02 is about what shares a group; something of a group that is not there yet cannot bring it about."""
    dice = random.Random(9)
    fungicides = sorted(name for name, active in known.actives.items() if active.kind == "fungicide")
    for _ in range(200):
        programme = random_programme(dice, known)
        at = dice.randrange(len(programme.passes))
        chosen: Pass = programme.passes[at]
        groups = {
            known.active(name).group
            for item in chosen.tank
            for name in ([item.active] if item.active else (programme.product(item.product or "") or _none()).actives)
        }
        new = [
            name
            for name in fungicides
            if not any(known.joined(known.active(name).group, group, "mixing") for group in groups)
        ]
        partner = TankItem(active=dice.choice(new), dose=100.0)
        mixed = replace(chosen, tank=(*chosen.tank, partner))
        passes = (*programme.passes[:at], mixed, *programme.passes[at + 1 :])
        before = {number for one in found(programme, known) if one[0] == "MIX02" for number in one[2]}
        after = {
            number for one in found(replace(programme, passes=passes), known) if one[0] == "MIX02" for number in one[2]
        }
        assert after <= before


def _none() -> Any:
    raise AssertionError("the programme names a product that is not listed")
