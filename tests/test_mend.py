"""The mend against the audit and against every single change, on the shipped scenario and on random flawed seasons."""

from __future__ import annotations

import random
from functools import lru_cache

import pytest
from seasons import space_of

from planner.audit import audit, rules_of
from planner.catalogue import Catalogue, load
from planner.documents import load_programme
from planner.draft.mend import make_space, mend
from planner.errors import NoProgramme
from planner.model import Accept, AuditReport, Programme

pytest.importorskip("ortools")


@lru_cache(maxsize=1)
def catalogue() -> Catalogue:
    return load()


def breaches(report: AuditReport) -> list[str]:
    return [one.rule for one in report.findings if one.severity == "breach" and one.accepted is None]


def flawed(seed: int) -> Programme | None:
    """A random programme with a breach."""
    space = space_of(seed, catalogue(), slots=(2, 3), products=3)
    rng = random.Random(seed)
    plan = [rng.choice(columns) for columns in space.by_slot if columns]
    return space.programme(plan, "flawed") if plan and space.breaches(plan) else None


@pytest.mark.parametrize(
    "name", ["over-label-heron-flat", "solo-strobilurins-quarry-bottom", "premix-counted-twice-heron-flat"]
)
def test_shipped_programmes_are_mended(name: str) -> None:
    programme = load_programme(f"shared/scenarios/{name}.yaml", catalogue())
    answer = mend(programme, catalogue())
    if not breaches(answer.before):
        assert not answer.mends
        return
    assert answer.mends
    edits = [one.edits for one in answer.mends]
    assert edits == sorted(edits)
    for one in answer.mends:
        assert not breaches(one.report)
        assert not breaches(audit(one.programme, catalogue(), backend="interpreter"))
        for entry in one.programme.passes:
            for item in entry.tank:
                product = one.programme.product(item.product) if item.product else None
                label = product.labels.get(programme.field.crop) if product else None
                if label is not None and label.rate_least is not None and item.rate is not None:
                    assert item.rate >= label.rate_least - 1e-9 or item in [
                        old for was in programme.passes for old in was.tank
                    ]


def test_each_change_of_the_shipped_mend_is_needed() -> None:
    programme = load_programme("shared/scenarios/solo-strobilurins-quarry-bottom.yaml", catalogue())
    best = mend(programme, catalogue(), top=1).mends[0]
    removed = {finding.rule for change in best.changes for finding in change.removes}
    assert all(change.removes for change in best.changes)
    assert removed <= set(breaches(mend(programme, catalogue(), top=1).before))


def test_sound_programme_is_left_alone() -> None:
    programme = load_programme("shared/scenarios/sound-quarry-bottom.yaml", catalogue())
    assert mend(programme, catalogue()).mends == ()


def test_fewest_changes_on_random_seasons() -> None:
    """One change is claimed when one is enough, and never when trying every single change finds none."""
    tried = one_is_enough = 0
    for seed in range(200, 300):
        programme = flawed(seed)
        if programme is None:
            continue
        tried += 1
        answer = mend(programme, catalogue(), top=1)
        best = answer.mends[0]
        assert not breaches(best.report), seed
        assert best.proven
        space = make_space(programme, catalogue(), rules_of(), (), frozenset())
        originals = {c.variant.origin: c for c in space.columns if c.variant and c.variant.edits == 0}
        single = False
        for origin, was in originals.items():
            rest = [column for column in originals.values() if column is not was]
            ways = [c for c in space.columns if c.variant and c.variant.origin == origin and c.variant.edits == 1]
            taken = {column.slot for column in rest}
            if not space.breaches(rest) or any(
                not space.breaches([*rest, way]) for way in ways if way.slot not in taken
            ):
                single = True
                break
        assert (best.edits == 1) == single, seed
        one_is_enough += single
        if tried == 15:
            break
    assert tried == 15 and one_is_enough >= 3


def test_a_fixed_pass_stays() -> None:
    programme = load_programme("shared/scenarios/over-label-heron-flat.yaml", catalogue())
    with pytest.raises(NoProgramme) as caught:
        mend(programme, catalogue(), fixed=frozenset(range(1, len(programme.passes) + 1)))
    assert any("accept:" in line for line in caught.value.reasons)


def test_accepted_departures_follow_their_passes() -> None:
    programme = load_programme("shared/scenarios/over-label-heron-flat.yaml", catalogue())
    values = {name: getattr(programme, name) for name in programme.__struct_fields__}
    kept = Programme(**{**values, "accept": (Accept(rule="LBL03", passes=(3,), reason="test"),)})
    for one in mend(kept, catalogue()).mends:
        for entry in one.programme.accept:
            assert all(1 <= number <= len(one.programme.passes) for number in entry.passes)


def test_same_input_same_mend() -> None:
    programme = load_programme("shared/scenarios/over-label-heron-flat.yaml", catalogue())
    first, second = (
        [[(change.passes, change.words) for change in one.changes] for one in mend(programme, catalogue()).mends]
        for _ in range(2)
    )
    assert first == second
