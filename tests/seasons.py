"""Small random seasons for the drafter's tests: real crops, actives and limits of the catalogue, invented products.

Every stage of the crop is given a date, so that findings are firm and the rules bite.
"""

from __future__ import annotations

import random
from datetime import date

from planner.catalogue import Catalogue
from planner.draft.options import MONEY, Space
from planner.model import Application, CropLabel, Field, FieldTarget, Product

CROPS = ("soybean", "wheat", "potato", "grapevine", "sugar-beet", "barley")
PLACES = ((None, None), ("US", "US-IL"), ("GB", None), ("DE", None), ("CA", "CA-ON"), ("FR", None))
RATINGS = ("poor", "fair", "good", "very good", "excellent")
BASE = date(2026, 4, 1).toordinal()


def field_of(rng: random.Random, catalogue: Catalogue, targets: int = 2) -> Field:
    """A field of a random crop with one or two targets."""
    crop = catalogue.crop(rng.choice(CROPS))
    names = [
        name
        for name, target in catalogue.targets(crop.id).items()
        if target.window is not None and target.foliar_treatment is not False
    ]
    chosen = rng.sample(names, min(len(names), rng.randint(1, targets)))
    country, region = rng.choice(PLACES)
    return Field(
        name="Random",
        crop=crop.id,
        area=10.0,
        country=country,
        region=region,
        stages={
            stage.code: date.fromordinal(BASE + round(stage.bbch * 1.5))
            for stage in crop.stages
            if stage.bbch < crop.harvest_bbch
        },
        harvest=date.fromordinal(BASE + round(crop.harvest_bbch * 1.5)),
        targets=tuple(
            FieldTarget(
                target=name,
                pressure=rng.choice(("low", "moderate", "high")),
                cultivar=rng.choice(("susceptible", None)),
            )
            for name in chosen
        ),
        application=Application(cost=20.0, water=200.0),
    )


def products_of(rng: random.Random, catalogue: Catalogue, field: Field, count: int) -> tuple[Product, ...]:
    """Invented products of fungicide actives of a few groups, so that groups meet again."""
    fungicides = [
        active
        for active in catalogue.actives.values()
        if active.kind == "fungicide" and active.group.startswith("FRAC")
    ]
    wanted = {
        "FRAC 3",
        "FRAC 7",
        "FRAC 11",
        "FRAC M03",
        "FRAC M05",
        "FRAC 4",
        "FRAC 40",
        "FRAC 28",
        "FRAC 29",
        "FRAC 1",
    }
    pool = [active for active in fungicides if active.group in wanted]
    found = []
    for number in range(count):
        actives = rng.sample(pool, rng.choice((1, 1, 2)))
        label = CropLabel(
            rate_least=0.5,
            rate_most=1.0,
            applications=rng.choice((None, 1, 2, 3)),
            active_total={actives[0].name: rng.choice((150.0, 250.0, 450.0))} if rng.random() < 0.5 else {},
            interval=rng.choice((None, 7, 14, 21)),
            consecutive=rng.choice((None, None, 1, 2)),
            protection=rng.choice((None, 7.0, 14.0)),
            targets={entry.target: rng.choice(RATINGS) for entry in field.targets or () if rng.random() < 0.8},
        )
        found.append(
            Product(
                name=f"Demo Test {number}",
                actives={active.name: 100.0 for active in actives},
                price=float(rng.randint(5, 60)),
                on_hand=rng.choice((None, None, 10.0)),
                labels={field.crop: label},
                demo=True,
            )
        )
    return tuple(found)


def space_of(
    seed: int, catalogue: Catalogue, *, slots: tuple[int, int], products: int, in_tank: int = 2, reduce: bool = False
) -> Space:
    """One random season as a space of columns."""
    rng = random.Random(seed)
    field = field_of(rng, catalogue)
    shop = products_of(rng, catalogue, field, products)
    probe = Space(field, shop[:1], catalogue)
    windows = [target.window for target in probe.account.targets if target.window is not None]
    first = min(window.first for window in windows if window.first is not None)
    last = max(window.last for window in windows if window.last is not None)
    count = rng.randint(*slots)
    step = rng.randint(6, 16)
    days = list(range(first, last + 1, step))[:count] or [first]
    return Space(field, shop, catalogue, slots=days, most_in_tank=in_tank, reduce=reduce)


KINDS = ("free", "budget", "every slot", "clash")  # of larger seasons, in turn by seed


def large_products(rng: random.Random, catalogue: Catalogue, field: Field, count: int) -> tuple[Product, ...]:
    """As :func:`products_of`, with every season limit of a label given."""
    found = []
    for product in products_of(rng, catalogue, field, count):
        label = product.labels[field.crop]
        values = {name: getattr(label, name) for name in label.__struct_fields__}
        first = next(iter(product.actives))
        values |= {
            "applications": rng.choice((1, 2, 2, 3)),
            "active_total": {first: rng.choice((150.0, 250.0, 450.0))},
            "interval": rng.choice((7, 10, 14, 21)),
            "consecutive": rng.choice((1, 2, 3)),
            "harvest_interval": rng.choice((7, 14, 21)),
        }
        entries = {name: getattr(product, name) for name in product.__struct_fields__}
        found.append(Product(**{**entries, "on_hand": None, "labels": {field.crop: CropLabel(**values)}}))
    return tuple(found)


def large_season(seed: int, catalogue: Catalogue) -> tuple[str, Space, dict[str, object]]:
    """A season of 5 to 8 slots with up to 40 options a slot, all season limits on: its kind, space and wishes.

    Kinds in turn: nothing asked; a budget; no slot may stay bare (a pass on each); a pass on each slot from so few
    products, or for so little money, that mostly nothing satisfies all.
    """
    for salt in range(100):
        rng = random.Random(seed * 1000 + salt)
        kind = KINDS[seed % len(KINDS)]
        field = field_of(rng, catalogue)
        few = kind == "clash" and rng.random() < 0.5
        shop = large_products(rng, catalogue, field, 3 if few else 14)
        probe = Space(field, shop[:1], catalogue)
        windows = [target.window for target in probe.account.targets if target.window is not None]
        first = min(window.first for window in windows if window.first is not None)
        last = max(window.last for window in windows if window.last is not None)
        count = rng.randint(5, 8)
        step = min(14, (last - first) // (count - 1))
        if step < 5:
            continue
        days = [first + step * at for at in range(count)]
        space = Space(field, shop, catalogue, slots=days, most_in_tank=2, reduce=False)
        columns = []
        for options in space.by_slot:
            columns += sorted(rng.sample(options, min(40, len(options))), key=lambda column: column.number)
        space.columns = columns
        space.by_slot = [[column for column in columns if column.slot == slot.index] for slot in space.slots]
        if not all(space.by_slot) or (len(columns) < 8 * count and not few):
            continue
        wishes: dict[str, object] = {}
        cheap = sum(min((column.cost for column in options), default=0) for options in space.by_slot) / MONEY
        if kind == "budget":
            wishes["budget"] = float(round(cheap * rng.choice((0.5, 1.0, 1.5))))
        elif kind == "every slot":
            wishes["passes"] = (count, count)
        elif kind == "clash":
            wishes["passes"] = (count, count)
            if not few:
                wishes["budget"] = float(round(cheap * rng.choice((0.9, 1.0, 1.1))))
        return kind, space, wishes
    raise AssertionError(f"no season of this size for seed {seed}")
