"""Limit rows of every shape in the drafter's model, against the audit of every plan of a small season.

The rows are invented, each for a group of its own: a cap by the number of passes, by passes of the group, by solo use,
beside a code, as a change to another cap, with an exception, in a row of one product, as a share and as an interval.
"""

from __future__ import annotations

import itertools
from datetime import date
from functools import cache

import pytest
from own_limits import catalogue_with
from test_draft_sampled import Model

from planner.catalogue import Catalogue
from planner.draft.options import Column, Space
from planner.model import Accept, Application, CropLabel, Field, FieldTarget, Pass, Product, TankItem

pytest.importorskip("ortools")

ROWS = """\
limits:
  - {id: own-few, kind: max_applications, codes: ['45'], crops: [soybean], targets: [Cercospora sojina], value: 1,
     target_passes: [1, 3], HEAD}
  - {id: own-many, kind: max_applications, codes: ['45'], crops: [soybean], targets: [Cercospora sojina], value: 2,
     target_passes: [4, null], HEAD}
  - {id: own-twice, kind: max_consecutive, codes: ['49'], crops: [soybean], value: 1, group_passes: [2, 2], HEAD}
  - {id: own-solo, kind: max_applications, codes: ['50'], crops: [soybean], targets: [Cercospora sojina], value: 1,
     uses: solo, HEAD}
  - {id: own-mixed, kind: max_applications, codes: ['50'], crops: [soybean], targets: [Cercospora sojina], value: 2,
     uses: mixed, HEAD}
  - {id: own-beside, kind: max_applications, codes: ['43'], crops: [soybean], value: 1,
     needs: {codes_in_season: ['40']}, HEAD}
  - {id: own-cap, kind: max_applications, codes: ['21'], crops: [soybean], value: 1, HEAD}
  - {id: own-more, kind: max_applications_adjust, codes: ['21'], crops: [soybean], value: 1, adjusts: [own-cap],
     needs: {codes_in_season: ['40']}, HEAD}
  - {id: own-product, kind: max_consecutive, codes: ['22'], crops: [soybean], value: 1, counted: same_product, HEAD}
  - {id: own-share, kind: max_share_of_total, codes: ['13'], crops: [soybean], value: 0.5, HEAD}
  - {id: own-days, kind: max_interval_days, codes: ['5'], crops: [soybean], targets: [Cercospora sojina], value: 12,
     HEAD}
  - {id: own-stricter, kind: max_applications, codes: ['1'], crops: [soybean], value: 2, combine: stricter, HEAD}
  - {id: own-looser, kind: max_applications, codes: ['27'], crops: [soybean], value: 1,
     exceptions: [{target: frogeye-leaf-spot, from_stage: R4, value: 2}], HEAD}
  - {id: own-one, kind: max_applications, codes: ['29'], crops: [soybean], value: 1, actives: [fluazinam], HEAD}
  - {id: own-high, kind: max_applications, codes: ['1'], crops: [soybean], value: 1, needs: {pressure: high}, HEAD}
""".replace("HEAD", "authority: own, text: own row, date: '2030', source: frac-sbi-2022, grade: read")

ACTIVES = {
    "45": "ametoctradin", "49": "oxathiapiprolin", "50": "metrafenone", "43": "fluopicolide", "40": "dimethomorph",
    "21": "cyazofamid", "22": "zoxamide", "13": "quinoxyfen", "5": "spiroxamine", "1": "carbendazim",
    "27": "cymoxanil", "29": "fluazinam",
}  # fmt: skip


@cache
def catalogue() -> Catalogue:
    return catalogue_with(ROWS)


def season(code: str, other: str, pressure: str = "moderate") -> Space:
    """Four dates ten days apart, a product of each of two groups, both good on frogeye leaf spot."""
    stages = {"R1": 1, "R2": 5, "R3": 15, "R4": 25, "R5": 35, "R6": 60}
    field = Field(
        name="Rows",
        crop="soybean",
        area=10.0,
        country="US",
        stages={stage: date.fromordinal(date(2026, 7, 1).toordinal() + day) for stage, day in stages.items()},
        harvest=date(2026, 10, 20),
        targets=(FieldTarget(target="frogeye-leaf-spot", pressure=pressure),),
        application=Application(cost=20.0, water=200.0),
    )
    label = CropLabel(rate_least=0.5, rate_most=1.0, protection=7.0, targets={"frogeye-leaf-spot": "good"})
    shop = tuple(
        Product(name=f"Demo {one}", actives={ACTIVES[one]: 100.0}, price=10.0, labels={"soybean": label}, demo=True)
        for one in (code, other)
    )
    first = date(2026, 7, 2).toordinal()
    days = [first + 10 * at for at in range(4)]
    return Space(field, shop, catalogue(), slots=days, most_in_tank=2, reduce=False)


@pytest.mark.parametrize(
    ("code", "other", "pressure"),
    [
        ("45", "40", "moderate"), ("49", "40", "moderate"), ("50", "40", "moderate"), ("43", "40", "moderate"),
        ("21", "40", "moderate"), ("22", "40", "moderate"), ("13", "40", "moderate"), ("5", "40", "moderate"),
        ("1", "40", "high"), ("1", "40", "low"), ("27", "40", "moderate"), ("29", "40", "moderate"),
    ],
)  # fmt: skip
def test_a_plan_is_sound_exactly_where_the_model_allows_it(code: str, other: str, pressure: str) -> None:
    space = season(code, other, pressure)
    model = Model(space)
    choices: list[list[Column | None]] = [[None, *columns] for columns in space.by_slot]
    limited = 0
    for plan in itertools.product(*choices):
        columns = tuple(column for column in plan if column is not None)
        breaches = space.breaches(columns)
        limited += any(one.rule.startswith("LIM") for one in breaches)
        allowed = model.allows(columns)
        assert allowed or breaches, [(column.slot, column.products) for column in columns]
        if model.compiled.complete:
            assert not (allowed and breaches), ([(c.slot, c.products) for c in columns], [one.rule for one in breaches])
    if (code, pressure) != ("1", "low"):
        assert limited, code


def test_what_cannot_be_written_is_left_to_the_audit() -> None:
    """An exception by stage is looser than the model's cap; a rule that is accepted in part and a stage that is an
    estimate leave its constraints out. What the audit passes is never forbidden, and it is said that more may be."""
    exception = Model(season("27", "40")).compiled
    assert not exception.complete and any("own-looser" in one for one in exception.left_to_audit)
    space = season("22", "40")
    accept = (Accept(rule="LIM03", passes=(1,), reason="test"),)
    kept = Space(space.field, space.products, catalogue(), slots=[slot.day for slot in space.slots], accept=accept,
                 reduce=False)  # fmt: skip
    compiled = Model(kept).compiled
    assert "LIM03 (accepted in part)" in compiled.left_to_audit and not compiled.complete
    sown = {name: getattr(space.field, name) for name in space.field.__struct_fields__}
    guessed = Field(**{**sown, "stages": {}, "sown": date(2026, 5, 12)})
    for code in ("45", "50", "13", "5"):
        base = season(code, "40")
        loose = Space(guessed, base.products, catalogue(), slots=[slot.day for slot in base.slots], most_in_tank=2,
                      reduce=False)  # fmt: skip
        model = Model(loose)
        for plan in itertools.product(*[[None, *columns] for columns in loose.by_slot]):
            columns = tuple(column for column in plan if column is not None)
            if not loose.breaches(columns):
                assert model.allows(columns), [(column.slot, column.products) for column in columns]


def test_a_seed_treatment_counts_in_the_season_of_its_active() -> None:
    """LBL05 over all products: 60 g on the seed and 100 g sprayed are over a season of 150 g, alone they are not."""
    base = season("22", "40")
    label = base.products[0].labels["soybean"]
    values = {name: getattr(label, name) for name in label.__struct_fields__}
    capped = CropLabel(**{**values, "active_total": {"zoxamide": 150.0}})
    entry = {name: getattr(base.products[0], name) for name in base.products[0].__struct_fields__}
    shop = (Product(**{**entry, "labels": {"soybean": capped}}), base.products[1])
    seed = Pass(number=1, how="seed", tank=(TankItem(active="zoxamide", dose=60.0),))
    days = [slot.day for slot in base.slots]
    for keep in ((), (seed,)):
        space = Space(base.field, shop, catalogue(), slots=days, most_in_tank=1, reduce=False, keep=keep)
        model = Model(space)
        once = next(column for column in space.columns if column.products == ("Demo 22",) and not column.kept)
        plan = (*space.kept, once)
        assert model.allows(plan) == (not keep) == (not [b for b in space.breaches(plan) if b.rule == "LBL05"])
