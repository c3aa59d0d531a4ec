"""Casting: which active of the catalogue plays which role in a crop's small season, and what is missing.

A crop has a classroom file (an invented field with a disease and a few possible passes); the roles are described once
for all crops. The catalogue decides who fits: nothing here names an active or a crop.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TypeVar

from planner import yamlio
from planner.account import Account, Use
from planner.catalogue import Catalogue
from planner.documents.shapes import shaped
from planner.errors import InputError, NoProgramme, RulebookError, UnknownName
from planner.lessons.shapes import ClassroomShape, ClassTarget, RoleShape, RolesShape, Shape
from planner.model import Active, CropLabel, Field, FieldTarget, Pass, Product, Programme, Season, TankItem, Truth

T = TypeVar("T", bound=Shape)

FOLDER = Path(__file__).resolve().parent
FULL_RATE = 1.0  # L/ha: every invented product has this full rate, so that a share reads as a rate
LEAST_SHARE = 0.8  # of the full rate; the invented label's least
CONTENT = 100.0  # g/L of each active in an invented product
WATER = 200.0  # L/ha
APPLICATIONS, INTERVAL, HARVEST_INTERVAL = 6, 7, 14  # of the invented labels: wide, so that groups speak, not labels


@lru_cache(maxsize=1)
def roles() -> RolesShape:
    """The roles and invented names (``data/roles.yaml``).

    Raises:
        RulebookError: the file is wrong.
    """
    return _read(FOLDER / "data" / "roles.yaml", RolesShape, "list of roles")


@lru_cache(maxsize=1)
def classrooms() -> Mapping[str, ClassroomShape]:
    """Every classroom by crop id.

    Raises:
        RulebookError: a file is wrong.
    """
    found: dict[str, ClassroomShape] = {}
    for path in sorted((FOLDER / "classroom").glob("*.yaml")):
        room = _read(path, ClassroomShape, "classroom")
        if room.classroom != path.stem:
            problem = f"the classroom of '{room.classroom}' has another name"
            raise RulebookError(str(path), problem, "name the file by its crop")
        found[room.classroom] = room
    return found


def _read(path: Path, shape: type[T], kind: str) -> T:
    document = yamlio.read(path)
    try:
        return shaped(document, shape, kind)
    except InputError as error:
        raise RulebookError(error.place, error.problem, error.cure) from None


@dataclass(frozen=True)
class Cast:
    """The parts of one small season. ``actives``: role -> active; ``missing``: role -> what is lacking, in words."""

    room: ClassroomShape
    entry: ClassTarget
    target: str
    target_name: str
    actives: Mapping[str, Active]
    missing: Mapping[str, str]
    pool: tuple[Active, ...]  # every common at-risk or multi-site active that works on the target


def cast(catalogue: Catalogue, crop: str, target: str = "") -> Cast:
    """Cast every role of the crop's first classroom target (or of ``target``).

    Raises:
        UnknownName: no such crop or target.
        NoProgramme: the crop has no classroom yet; the message says which file to add.
    """
    return _cast(catalogue, catalogue.crop(crop).id, target)


@lru_cache(maxsize=32)
def _cast(catalogue: Catalogue, crop: str, target: str) -> Cast:
    room = classrooms().get(crop)
    if room is None:
        raise NoProgramme(
            f"no lessons for {crop} yet: it has no classroom",
            [f"add planner/lessons/classroom/{crop}.yaml (grammar: planner/lessons/README.md)"],
        )
    entry = room.targets[0]
    if target:
        wanted = catalogue.target(crop, target).id
        known = {one.target: one for one in room.targets}
        if wanted not in known:
            raise UnknownName("target of the classroom", target, known)
        entry = known[wanted]
    uses, account = _tried(catalogue, room, entry)
    state = account.targets[0]
    works = {use.active.name: account.effect(use, state).value for use in uses}
    aside = _aside(account, uses)
    found: dict[str, Active] = {}
    missing: dict[str, str] = {}
    for role in roles().roles:
        pick = next(
            (
                use.active
                for use in _preferred(uses, role)
                if _fits(use.active, role, found, aside if role.only_beside else works, catalogue)
            ),
            None,
        )
        if pick is None:
            missing[role.role] = role.about
        else:
            found[role.role] = pick
    common = set(roles().common)
    pool = tuple(
        use.active
        for use in uses
        if use.active.name in common and works[use.active.name] and (use.active.multi_site or use.active.at_risk)
    )
    return Cast(room, entry, state.id, state.name, found, missing, pool)


def _tried(catalogue: Catalogue, room: ClassroomShape, entry: ClassTarget) -> tuple[list[Use], Account]:
    """Every fungicide on the first slot, so that the account can be asked how each works on the target."""
    slot = entry.slots[0]
    tank = tuple(TankItem(active=active.name) for active in catalogue.of_scheme("FRAC").values())
    one = Pass(number=1, date=datetime.date.fromisoformat(slot.date), stage=slot.stage, tank=tank)
    account = Account(Programme(field=field_of(room, entry, beside=True), passes=(one,)), catalogue)
    return list(account.passes[0].uses), account


def _aside(account: Account, uses: Sequence[Use]) -> dict[str, Truth]:
    """Which actives work on the class's other disease and are not rated for its target."""
    if len(account.targets) < 2:
        return {use.active.name: False for use in uses}
    state, other = account.targets[0], account.targets[1]
    return {
        use.active.name: account.rated(use, state).rated_for is not True and account.effect(use, other).value
        for use in uses
    }


def _preferred(uses: Sequence[Use], role: RoleShape) -> list[Use]:
    order = {name: at for at, name in enumerate(role.prefer)}
    return sorted(uses, key=lambda use: (order.get(use.active.name, len(order)), use.active.name))


def _fits(
    active: Active, role: RoleShape, found: Mapping[str, Active], works: Mapping[str, Truth], catalogue: Catalogue
) -> bool:
    if not works[active.name] or (role.risk and active.risk not in role.risk):
        return False
    if role.at_risk is not None and active.at_risk is not role.at_risk:
        return False
    if role.multi_site is not None and active.multi_site is not role.multi_site:
        return False
    if role.same_group and (role.same_group not in found or found[role.same_group].group != active.group):
        return False
    if any(name not in found for name in role.other_group):
        return False
    if any(catalogue.joined(found[name].group, active.group, "succession") for name in role.other_group):
        return False
    return not any(name in found and found[name].name == active.name for name in role.other_active)


# --- seasons --------------------------------------------------------------------------------------------------------


def field_of(
    room: ClassroomShape,
    entry: ClassTarget,
    *,
    resistant: Sequence[str] = (),
    beside: bool = False,
    history: Sequence[Sequence[str]] = (),
) -> Field:
    """The classroom's field. ``resistant``: group keys that no longer work here; ``history``: last season's groups."""
    targets = [FieldTarget(target=entry.target, pressure=entry.pressure, resistant=tuple(resistant))]
    if beside and entry.beside:
        targets.append(FieldTarget(target=entry.beside, pressure=entry.pressure))
    day = datetime.date.fromisoformat
    harvest = day(room.harvest)
    past = (Season(season=str(harvest.year - 1), crop=room.classroom, groups=tuple(tuple(one) for one in history)),)
    return Field(
        name=room.name,
        crop=room.classroom,
        sown=day(room.sown) if room.sown else None,
        type=room.type or "",
        stages={code: day(text) for code, text in room.stages.items()},
        harvest=harvest,
        targets=tuple(targets),
        history=past if history else (),
    )


def product_name(active: Active, place: int = 0) -> str:
    """An invented product name that stays with an active: the same in every lesson and run."""
    names = roles().names
    at = (sum(ord(letter) * (3 * index + 1) for index, letter in enumerate(active.name)) + place) % len(names)
    return names[at]


def product(
    name: str, actives: Sequence[Active], catalogue: Catalogue, crop: str, *, protection: float | None = None
) -> Product:
    """An invented product: full rate 1 L/ha, least 0.8 L/ha, 100 g/L of each active, a label with every line."""
    stages = catalogue.crop(crop).stages
    order = sorted(stages, key=lambda stage: stage.bbch)
    label = CropLabel(
        rate_least=FULL_RATE * LEAST_SHARE,
        rate_most=FULL_RATE,
        applications=APPLICATIONS,
        interval=INTERVAL,
        first_stage=order[0].code,
        last_stage=order[-1].code,
        harvest_interval=HARVEST_INTERVAL,
        consecutive=APPLICATIONS,
        water=WATER / 2,
        protection=protection,
    )
    return Product(
        name=name,
        formulation="SC",
        amount_unit="L/ha",
        actives={active.name: CONTENT for active in actives},
        labels={crop: label},
        demo=True,
    )


def tank_item(name: str, share: float = 1.0) -> TankItem:
    """A product at a share of its full rate."""
    return TankItem(product=name, rate=round(FULL_RATE * share, 4), unit="L/ha")
