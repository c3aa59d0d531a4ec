"""What is kept from programme to programme changes no answer, goes with its catalogue, and stays bounded.

The judge outside of what is kept is the same programme judged by a catalogue that has seen no other one.
"""

from __future__ import annotations

import gc
import random
import weakref

import pytest
from test_engine_programmes import random_programme

from planner import catalogue, memo
from planner.account import Account
from planner.audit import audit
from planner.catalogue import Catalogue
from planner.model import Field, FieldTarget, Pass, Programme, TankItem
from planner.render.jsonout import document


@pytest.fixture(scope="module")
def warm() -> Catalogue:
    """A catalogue that has judged 400 programmes of all crops."""
    known = catalogue.load()
    for seed in range(400):
        audit(random_programme(random.Random(seed), known), known, backend="interpreter", detail=False)
    return known


@pytest.mark.parametrize("seed", range(0, 120, 10))
def test_a_programme_is_judged_alike_alone_and_after_hundreds_of_others(seed: int, warm: Catalogue) -> None:
    cold = catalogue.load()
    for number in range(1000 + seed, 1010 + seed):
        programme = random_programme(random.Random(number), cold)
        memo.forget(cold)
        assert document(audit(programme, warm)) == document(audit(programme, cold)), number


def plan(*actives: str, **about: object) -> Programme:
    whole = {"crop": "soybean", "country": "US", "targets": (FieldTarget(target="frogeye-leaf-spot"),), **about}
    passes = tuple(
        Pass(number=at, stage=stage, tank=(TankItem(active=name, dose=100.0),))
        for at, (stage, name) in enumerate(zip(("R1", "R3", "R5"), actives, strict=False), start=1)
    )
    return Programme(field=Field(**whole), passes=passes)  # type: ignore[arg-type]


def test_fields_of_one_crop_place_and_targets_share_a_ground_and_no_others_do() -> None:
    known = catalogue.load()
    grounds = [
        Account(plan("azoxystrobin", **about), known).ground
        for about in (
            {},
            {"name": "another field", "area": 12.0},
            {"country": "BR"},
            {"region": "US-TN"},
            {"targets": (FieldTarget(target="frogeye-leaf-spot", pressure="high"),)},
            {"targets": (FieldTarget(target="frogeye-leaf-spot", cultivar="resistant"),)},
            {"targets": (FieldTarget(target="frogeye-leaf-spot", resistant=("FRAC 11",)),)},
            {"targets": (FieldTarget(target="sclerotinia-stem-rot"),)},
            {"targets": None},
        )
    ]
    assert grounds[0] is grounds[1]
    assert len({id(one) for one in grounds}) == len(grounds) - 1  # all are alive, so no number comes twice


def test_resistance_on_one_field_says_nothing_of_the_next() -> None:
    known = catalogue.load()
    lost = FieldTarget(target="frogeye-leaf-spot", resistant=("FRAC 3",))
    for targets, level in (((lost,), "lost"), ((FieldTarget(target="frogeye-leaf-spot"),), "unreported")):
        account = Account(plan("prothioconazole", targets=targets), known)
        assert account.effect(account.passes[0].uses[0], account.targets[0]).standing.level == level


def test_all_goes_with_the_catalogue() -> None:
    known = catalogue.load()
    audit(plan("azoxystrobin", "prothioconazole"), known, backend="interpreter", detail=False)
    gone = weakref.ref(Account(plan("azoxystrobin"), known).ground.codes(()))
    alive = weakref.ref(known)
    del known
    gc.collect()
    assert alive() is None and gone() is None


def test_what_is_kept_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(memo, "GROUNDS", 3)
    monkeypatch.setattr(memo, "PARTS", 20)
    known, fresh = catalogue.load(), catalogue.load()
    for seed in range(60):
        programme = random_programme(random.Random(seed), known)
        found = audit(programme, known, backend="interpreter", detail=False)
        assert document(found)["findings"] == document(audit(programme, fresh, backend="interpreter"))["findings"]
        grounds, parts = memo.size(known)
        assert grounds <= 3 and parts <= 20


def test_an_audited_programme_is_let_go_at_once() -> None:
    """Without the collector: an account that points to itself would wait for it, a thousand of them in a batch."""
    known = catalogue.load()
    account = Account(plan("azoxystrobin", "azoxystrobin"), known)
    assert account.published is account.published
    gone = weakref.ref(account.published)
    gc.disable()
    try:
        account.let_go()
        assert gone() is None
    finally:
        gc.enable()


def test_kinds_that_are_passed_over_have_no_undecided_row(warm: Catalogue) -> None:
    """What may lack a fact is read off the rows once per set of codes; the rows themselves are the judge here."""
    met = 0
    for seed in range(2000, 2150):
        account = Account(random_programme(random.Random(seed), warm), warm)
        open_ = set(account.published.open_kinds())
        for kind in warm.kinds:
            if account.published.undecided(kind):
                assert kind in open_, (seed, kind)
                met += 1
    assert met > 50
