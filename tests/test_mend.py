"""The mend against the audit and against every single change, on the shipped scenario and on random flawed seasons."""

from __future__ import annotations

import itertools
import random
from collections.abc import Sequence
from datetime import date
from functools import lru_cache

import pytest
from seasons import space_of

from planner import cover
from planner.account import Account
from planner.audit import audit, rules_of
from planner.catalogue import Catalogue, load
from planner.documents import load_programme
from planner.draft.mend import Mending, make_space, mend
from planner.draft.options import PRESSURE_WEIGHT
from planner.errors import NoProgramme
from planner.model import Accept, AuditReport, Pass, Product, Programme, TankItem

pytest.importorskip("ortools")


@lru_cache(maxsize=1)
def catalogue() -> Catalogue:
    return load()


@lru_cache(maxsize=4)
def shipped(name: str) -> tuple[Programme, Mending]:
    """A programme of the scenario and its mend."""
    programme = load_programme(f"shared/scenarios/{name}.yaml", catalogue())
    return programme, mend(programme, catalogue())


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
    programme, answer = shipped(name)
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
    _, answer = shipped("solo-strobilurins-quarry-bottom")
    best = answer.mends[0]
    removed = {finding.rule for change in best.changes for finding in change.removes}
    assert all(change.removes for change in best.changes)
    assert removed <= set(breaches(answer.before))


def test_the_next_ways_differ_and_never_need_fewer() -> None:
    for name in ("over-label-heron-flat", "solo-strobilurins-quarry-bottom"):
        _, answer = shipped(name)
        told = [tuple((change.passes, change.words) for change in one.changes) for one in answer.mends]
        assert len(told) == 3 == len(set(told))
        assert [one.edits for one in answer.mends] == sorted(one.edits for one in answer.mends)


def test_sound_programme_is_left_alone() -> None:
    programme = load_programme("shared/scenarios/sound-quarry-bottom.yaml", catalogue())
    assert mend(programme, catalogue()).mends == ()


# --- against every combination of changes ----------------------------------------------------------------------------


def tanks_one_change_away(tank: tuple[TankItem, ...], shop: Sequence[Product], crop: str) -> list[tuple[TankItem, ...]]:
    """The stated changes of a tank, written anew: rates to the label, one rate, out, in, one for another."""
    labels = {product.name: product.labels[crop] for product in shop}
    contents = {product.name: set(product.actives) for product in shop}

    def at(name: str, rate: float) -> TankItem:
        unit = next(product for product in shop if product.name == name).amount_unit
        return TankItem(product=name, rate=rate, unit=unit)

    found = [
        tuple(at(i.product, min(max(i.rate, labels[i.product].rate_least), labels[i.product].rate_most)) for i in tank)
    ]
    for place, item in enumerate(tank):
        rest = tank[:place] + tank[place + 1 :]
        for rate in (labels[item.product].rate_least, labels[item.product].rate_most):
            found.append((*tank[:place], at(item.product, rate), *tank[place + 1 :]))
        if rest:
            found.append(rest)
        for name, label in labels.items():
            new = name not in {one.product for one in tank}
            if new and not any(contents[name] & contents[one.product] for one in rest):
                found.append((*rest, at(name, label.rate_most)))
    for name, label in labels.items():
        new = name not in {one.product for one in tank}
        if new and len(tank) < 3 and not any(contents[name] & contents[one.product] for one in tank):
            found.append((*tank, at(name, label.rate_most)))
    return found


def key(tank: tuple[TankItem, ...]) -> frozenset[tuple[str | None, float | None]]:
    return frozenset((item.product, item.rate) for item in tank)


Treated = tuple[Pass | None, int]  # the pass afterwards and its day


def treatments(entry: Pass, day: int, days: list[int], programme: Programme) -> dict[int, list[Treated]]:
    """By number of changes: the pass afterwards (None: left out) and its day."""
    tanks = {key(entry.tank): (0, entry.tank)}
    for step in (1, 2):
        for count, tank in list(tanks.values()):
            if count == step - 1:
                for other in tanks_one_change_away(tank, programme.products, programme.field.crop):
                    tanks.setdefault(key(other), (step, other))
    found: dict[int, list[Treated]] = {0: [], 1: [(None, -1)], 2: []}
    for to in [day, *days]:
        for count, tank in tanks.values():
            whole = count + (to != day)
            if whole <= 2:
                values = {name: getattr(entry, name) for name in entry.__struct_fields__}
                values |= {"tank": tank} | ({"date": date.fromordinal(to), "stage": None} if to != day else {})
                found[whole].append((Pass(**values), to))
    return found


def sound_ways(programme: Programme, changes: int) -> list[Programme]:
    """Every programme that exactly so many changes away passes the audit."""
    space = make_space(programme, catalogue(), rules_of(), (), frozenset())
    own = {c.variant.origin: space.slots[c.slot].day for c in space.columns if c.variant and c.variant.edits == 0}
    free = [slot.day for slot in space.slots if slot.day not in own.values()]
    ways = [treatments(entry, own[entry.number], free, programme) for entry in programme.passes]
    found = []
    for counts in itertools.product((0, 1, 2), repeat=len(ways)):
        if sum(counts) != changes:
            continue
        for plan in itertools.product(*[way[count] for way, count in zip(ways, counts, strict=True)]):
            passes = [(day, entry) for entry, day in plan if entry is not None]
            if len({day for day, _ in passes}) < len(passes):
                continue
            ordered = [entry for _, entry in sorted(passes, key=lambda pair: pair[0])]
            numbered = tuple(
                Pass(**{**{n: getattr(entry, n) for n in entry.__struct_fields__}, "number": at})
                for at, entry in enumerate(ordered, start=1)
            )
            values = {name: getattr(programme, name) for name in programme.__struct_fields__}
            after = Programme(**{**values, "passes": numbered})
            if not numbered or not breaches(audit(after, catalogue(), backend="interpreter")):
                found.append(after)
    return found


def bare(programme: Programme) -> int:
    """Target-days without known cover, weighted by pressure."""
    account = Account(programme, catalogue())
    return sum(
        PRESSURE_WEIGHT[target.entry.pressure] * (last - first + 1)
        for target in account.targets
        for first, last, modes in cover.days_of(account, target)
        if not modes
    )


def test_fewest_changes_against_every_combination() -> None:
    """As many changes as claimed are enough, fewer never, and no other way of as many leaves fewer days bare."""
    tried: dict[int, int] = {}
    for seed in range(200, 420):
        programme = flawed(seed)
        if programme is None:
            continue
        best = mend(programme, catalogue(), top=1).mends[0]
        if best.edits > 2 or tried.get(best.edits, 0) >= (8 if best.edits == 1 else 6):
            continue
        tried[best.edits] = tried.get(best.edits, 0) + 1
        assert best.proven and not breaches(best.report), seed
        if best.edits == 2:
            assert not sound_ways(programme, 1), seed
        ways = sound_ways(programme, best.edits)
        assert ways, seed
        assert best.bare == min(bare(one) for one in ways), seed
        if tried == {1: 8, 2: 6}:
            break
    assert tried == {1: 8, 2: 6}


def test_a_fixed_pass_stays() -> None:
    programme = load_programme("shared/scenarios/over-label-heron-flat.yaml", catalogue())
    with pytest.raises(NoProgramme) as caught:
        mend(programme, catalogue(), fixed=frozenset(range(1, len(programme.passes) + 1)))
    assert any("accept:" in line for line in caught.value.reasons)


def test_accepted_departures_follow_their_passes() -> None:
    programme = next(one for seed in range(200, 300) if (one := flawed(seed)) is not None and len(one.passes) == 3)
    values = {name: getattr(programme, name) for name in programme.__struct_fields__}
    kept = Programme(**{**values, "accept": (Accept(rule="LBL03", passes=(3,), reason="test"),)})
    for one in mend(kept, catalogue()).mends:
        for entry in one.programme.accept:
            assert all(1 <= number <= len(one.programme.passes) for number in entry.passes)


def test_same_input_same_mend() -> None:
    for seed in range(200, 210):
        programme = flawed(seed)
        if programme is not None:
            first, second = (
                [
                    [(change.passes, change.words) for change in one.changes]
                    for one in mend(programme, catalogue()).mends
                ]
                for _ in range(2)
            )
            assert first == second


def test_stopping_gives_the_best_found_so_far() -> None:
    """Ctrl-C at the first word of each stage: what the stages before found stands, marked as not proven."""
    programme = load_programme("shared/scenarios/over-label-heron-flat.yaml", catalogue())
    for stage, edits in (("one to a pass", 3), ("several changes", 3)):

        def stop(line: str, stage: str = stage) -> None:
            if stage in line:
                raise KeyboardInterrupt

        answer = mend(programme, catalogue(), told=stop)
        assert answer.stopped and answer.mends and not any(one.proven for one in answer.mends)
        assert answer.mends[0].edits == edits
        assert not breaches(answer.mends[0].report)
    with pytest.raises(NoProgramme, match="stopped before"):
        mend(programme, catalogue(), told=lambda _line: (_ for _ in ()).throw(KeyboardInterrupt()))
