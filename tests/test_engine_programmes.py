"""Random programmes through the whole rulebook: both back ends, and the promises of every finding.
finding.

The judge outside of the project is durable-rules 2.0.28; the interpreter is held against it on the facts of
programmes that nobody would think of (2,000 of them, all crops, half the values missing).
"""

from __future__ import annotations

import datetime
import random
from collections import Counter
from typing import Any

import pytest

from planner import catalogue, engine, rulebook
from planner.account import Account
from planner.audit import report
from planner.catalogue import Catalogue
from planner.facts import derive
from planner.facts.kinds import KINDS
from planner.model import (
    CLASSES,
    SEVERITIES,
    Application,
    CropLabel,
    Field,
    FieldTarget,
    Pass,
    Product,
    Programme,
    Season,
    TankItem,
)
from planner.rulebook import PLACEHOLDER

pytestmark = pytest.mark.short

SEEDS = 20
PER_SEED = 100  # 2,000 programmes
PLACES = [
    (None, None),
    ("US", None),
    ("CA", "CA-ON"),
    ("DE", None),
    ("GB", "GB-ENG"),
    ("FR", None),
    ("BR", None),
    ("AU", None),
]
FIRST = datetime.date(2026, 5, 1)


@pytest.fixture(scope="module")
def known() -> Catalogue:
    return catalogue.load()


def maybe(dice: random.Random, value: Any, odds: float = 0.5) -> Any:
    return value if dice.random() < odds else None


def random_programme(dice: random.Random, known: Catalogue) -> Programme:
    """A programme that is well-formed as documents are, and otherwise as it comes."""
    crop = known.crop(dice.choice(sorted(known.crops)))
    stages = sorted(
        (stage for stage in crop.stages if 10 <= stage.bbch < min(90, crop.harvest_bbch)),
        key=lambda stage: stage.bbch,
    )
    targets = sorted(known.targets(crop.id))
    # often the same few actives, so that runs, repeats and limits come about
    all_actives = sorted(name for name, active in known.actives.items() if active.kind == "fungicide")
    rated = sorted(
        {
            name
            for target in targets
            for row in known.ratings(crop.id, target)
            for name in row.actives
            if known.has_active(name)
        }
    )
    actives = dice.sample(rated or all_actives, min(4, len(rated or all_actives))) + dice.sample(
        all_actives, 2
    )
    products = tuple(random_product(dice, number, crop.id, stages, targets, actives) for number in range(3))
    count = dice.randint(1, 7)
    spots = sorted(dice.sample(range(len(stages)), min(count, len(stages))))
    harvest = maybe(dice, FIRST + datetime.timedelta(days=dice.randint(120, 180)))
    day = FIRST + datetime.timedelta(days=dice.randint(0, 30))
    passes = []
    for number, spot in enumerate(spots, start=1):
        day += datetime.timedelta(days=dice.choice([0, 3, 7, 10, 14, 14, 21, 28]))
        date = day if dice.random() < 0.6 and (harvest is None or day <= harvest) else None
        tank = []
        for _ in range(dice.choice([1, 1, 2, 2, 3])):
            if dice.random() < 0.5:
                product = dice.choice(products)
                rate = maybe(dice, dice.choice([0.2, 0.4, 0.5, 1.0, 1.2]), 0.8)
                tank.append(TankItem(product=product.name, rate=rate, unit=product.amount_unit))
            else:
                tank.append(
                    TankItem(
                        active=dice.choice(actives), dose=maybe(dice, dice.choice([50.0, 125.0, 1500.0]))
                    )
                )
        passes.append(
            Pass(
                number=number,
                date=date,
                stage=stages[spot].code if date is None or dice.random() < 0.5 else None,
                how=dice.choice(["foliar"] * 8 + ["seed", "in-furrow"]) if number == 1 else "foliar",
                tank=tuple({(item.product, item.active): item for item in tank}.values()),
                water=maybe(dice, dice.choice([60.0, 93.5, 187.0, 400.0])),
                droplets=maybe(dice, dice.choice(["F", "M", "C", "VC"])),
                canopy=maybe(dice, dice.choice(["open", "closing", "closed"])),
            )
        )
    country, region = dice.choice(PLACES)
    field_targets = tuple(
        FieldTarget(
            target=target,
            pressure=maybe(dice, dice.choice(["low", "moderate", "high"])),
            cultivar=maybe(dice, dice.choice(["susceptible", "moderate", "resistant"]), 0.3),
            resistant=("FRAC 11",) if dice.random() < 0.15 else (),
        )
        for target in dice.sample(targets, min(len(targets), dice.randint(0, 3)))
    )
    field = Field(
        crop=crop.id,
        country=country,
        region=region,
        sown=maybe(dice, FIRST - datetime.timedelta(days=5), 0.6),
        type=dice.choice(["spring", "winter", ""]),
        stages={stages[spots[0]].code: day} if len(spots) == 1 and dice.random() < 0.3 else {},
        harvest=harvest,
        targets=field_targets or None,
        application=Application(water=maybe(dice, 187.0)),
        history=(Season(season="2025", crop=crop.id, groups=(("FRAC 11",), ("FRAC 3", "FRAC 7"))),)
        if dice.random() < 0.3
        else (),
    )
    return Programme(field=field, products=products, passes=tuple(passes))


def random_product(
    dice: random.Random, number: int, crop: str, stages: list[Any], targets: list[str], actives: list[str]
) -> Product:
    first, last = sorted((dice.randrange(len(stages)), dice.randrange(len(stages))))
    held = dice.sample(actives, dice.choice([1, 1, 2]))
    label = CropLabel(
        rate_least=maybe(dice, 0.4),
        rate_most=maybe(dice, 1.0),
        applications=maybe(dice, dice.randint(1, 3)),
        active_total={held[0]: dice.choice([100.0, 300.0, 1000.0])} if dice.random() < 0.5 else {},
        interval=maybe(dice, dice.choice([7, 14, 21])),
        first_stage=maybe(dice, stages[first].code),
        last_stage=maybe(dice, stages[last].code),
        harvest_interval=maybe(dice, dice.choice([14, 35, 60])),
        consecutive=maybe(dice, dice.randint(1, 2)),
        water=maybe(dice, dice.choice([94.0, 150.0])),
        protection=maybe(dice, float(dice.choice([7, 14, 28])), 0.3),
        targets={dice.choice(targets): dice.choice(CLASSES)} if targets and dice.random() < 0.3 else {},
    )
    return Product(
        name=f"Demo Larch {number}",
        amount_unit=dice.choice(["L/ha", "kg/ha"]),
        actives={name: dice.choice([80.0, 250.0, 480.0]) for name in held},
        labels={dice.choice([crop, crop, crop, "hops"]): label},
        demo=True,
    )


@pytest.mark.parametrize("seed", range(SEEDS))
def test_random_programmes_match_alike_and_every_finding_keeps_its_promises(
    seed: int, known: Catalogue
) -> None:
    dice = random.Random(1000 + seed)
    book = rulebook.load()
    kinds: Counter[str] = Counter()
    rules: Counter[str] = Counter()
    for _ in range(PER_SEED):
        programme = random_programme(dice, known)
        account = Account(programme, known)
        facts = derive(account)
        plain = engine.run(book, facts, backend="interpreter", remember=False)
        # durable-rules, where it is installed: asked for every fact, and once for those that are like earlier ones
        assert engine.run(book, facts, remember=False) == engine.run(book, facts) == plain
        kinds.update(fact.kind for fact in facts)
        numbers = {one.number for one in programme.passes}
        for fact in facts:
            kind = KINDS[fact.kind]
            assert set(fact.values) == set(kind.fields), fact
            assert set(fact.told.shows) <= set(kind.shows), fact
            assert set(fact.passes) <= numbers, fact
        answer = report(account, book, backend="interpreter")
        for finding in answer.findings:
            rules[finding.rule] += 1
            texts = (finding.message, finding.remedy, finding.why)
            assert not any(PLACEHOLDER.search(text) for text in texts), finding
            assert finding.severity in SEVERITIES and set(finding.passes) <= numbers
            assert finding.why and finding.remedy and finding.message
        places = [finding.passes[0] if finding.passes else 99 for finding in answer.findings]
        assert places == sorted(places)
        assert all(entry.reason and set(entry.passes) <= numbers for entry in answer.not_assessed)
    assert len(kinds) > len(KINDS) / 2 and len(rules) > 15  # the programmes reach the rules
