"""Exercises that the catalogue makes and the rules mark.

``make`` is deterministic: the same seed, level, crop and kind give the same exercise with the same catalogue. A fault
 is planted into a season that audits without breach and caution, and the exercise is kept only when the audit finds
what was planted and nothing else of weight. ``mark`` never looks at the key: it runs the rules on the answer again.
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import permutations
from typing import Literal

from planner import yamlio
from planner.catalogue import Catalogue
from planner.documents.shapes import shaped
from planner.errors import InputError, NoProgramme, RulebookError, UnknownName
from planner.lessons.cast import FOLDER, LEAST_SHARE, Cast, cast, classrooms, product_name
from planner.lessons.season import Judged, findings_of, judged, season
from planner.lessons.shapes import ExercisesShape, KindShape
from planner.lessons.whatif import Hint
from planner.model import Active, Finding, Programme
from planner.render import words

Kind = Literal["faults", "mend", "order", "partner", "product", "label"]
KINDS: tuple[Kind, ...] = ("faults", "mend", "order", "partner", "product", "label")
LEVELS = (1, 2, 3)
LETTERS = "ABCDEFGHIJ"
NONE = "none"
_TRIES = 40
Tank = tuple[tuple[Active, float], ...]
Fault = tuple[str, tuple[int, ...]]  # rule and passes
Rng = random.Random
_STANDS: dict[tuple[int, str, str, tuple[str, ...]], bool] = {}


@dataclass(frozen=True)
class Item:
    """One lettered line of an exercise. ``tanks``: the whole season that it stands for; ``fault``: what it states."""

    letter: str
    text: str
    tanks: tuple[Tank, ...] = ()
    fault: Fault | None = None
    actives: tuple[Active, ...] = ()  # of a partner; the two tanks of a change, flattened
    split: int = 0  # number of actives of the first tank of a change


@dataclass(frozen=True)
class Fact:
    """One fact of a label: the question, the right answer, other spellings, and the line that it stands on."""

    ask: str
    answer: str
    line: int
    accepts: tuple[str, ...] = ()


@dataclass(frozen=True)
class Exercise:
    """One exercise. ``key``: every right answer, each in the form that :func:`mark` takes."""

    kind: Kind
    level: int
    seed: int
    crop: str
    target: str
    text: KindShape
    intro: str
    items: tuple[Item, ...]
    key: tuple[str, ...]
    programme: Programme | None = None
    tanks: tuple[Tank, ...] = ()
    resistant: tuple[str, ...] = ()
    lines: tuple[str, ...] = ()  # of a label
    facts: tuple[Fact, ...] = ()


@dataclass(frozen=True)
class Mark:
    """What an answer is worth. ``notes``: one line per point, each with whether it was right."""

    right: bool
    notes: tuple[tuple[bool, str], ...]


class Nonsense(Hint):
    """The answer is in no form that can be marked; the text is the hint."""


@lru_cache(maxsize=1)
def texts() -> ExercisesShape:
    """The texts of ``data/exercises.yaml``.

    Raises:
        RulebookError: the file is wrong.
    """
    document = yamlio.read(FOLDER / "data" / "exercises.yaml")
    try:
        return shaped(document, ExercisesShape, "list of exercises")
    except InputError as error:
        raise RulebookError(error.place, error.problem, error.cure) from None


def _text(kind: Kind) -> KindShape:
    return next(one for one in texts().kinds if one.kind == kind)


# --- making ---------------------------------------------------------------------------------------------------------


def make(catalogue: Catalogue, seed: int, *, level: int = 1, crop: str = "", kind: str = "") -> Exercise:
    """The exercise of a seed.

    Args:
        seed: any whole number; the same one gives the same exercise.
        level: 1 to 3.
        crop: crop id; empty: drawn by the seed.
        kind: one of ``KINDS``; empty: drawn by the seed.

    Raises:
        UnknownName: no such crop or kind.
        NoProgramme: the crop lacks the facts for every (or the asked) kind; the message says what.
    """
    if kind and kind not in KINDS:
        raise UnknownName("kind of exercise", kind, KINDS)
    if level not in LEVELS:
        raise UnknownName("level", str(level), [str(one) for one in LEVELS])
    if crop:
        crop = catalogue.crop(crop).id
        cast(catalogue, crop)
    rng = random.Random(f"{seed}/{level}/{crop}/{kind}")
    crops = [crop] if crop else _shuffled(rng, sorted(classrooms()))
    kinds = [kind] if kind else _shuffled(rng, KINDS)
    for one_kind in kinds:
        for one_crop in crops:
            targets = _shuffled(rng, [entry.target for entry in classrooms()[one_crop].targets])
            for target in targets:
                maker = _Maker(catalogue, cast(catalogue, one_crop, target), rng, level, seed)
                found = maker.make(one_kind)
                if found is not None:
                    return found
    named = f"'{kind}' exercise" if kind else "exercise"
    where = f" on {crop}" if crop else ""
    raise NoProgramme(
        f"no {named} of level {level}{where} can be made: its published limits and rated actives leave no such season",
        ["choose another kind with --kind or another crop with --crop"],
    )


def _shuffled(rng: Rng, things: Iterable[str]) -> list[str]:
    drawn = list(things)
    rng.shuffle(drawn)
    return drawn


def weighty(findings: Iterable[Finding]) -> set[Fault]:
    """Breaches and cautions as rule and passes."""
    return {(one.rule, one.passes) for one in findings if one.severity != "advice"}


class _Maker:
    """Makes exercises for one crop, disease and level from one stream of chance."""

    def __init__(self, catalogue: Catalogue, parts: Cast, rng: Rng, level: int, seed: int) -> None:
        self.catalogue = catalogue
        self.parts = parts
        self.rng = rng
        self.level = level
        self.seed = seed
        self.risky = [active for active in parts.pool if active.at_risk]
        self.multi = [active for active in parts.pool if active.multi_site]
        self.groups: dict[str, list[Active]] = {}
        for active in self.risky:
            self.groups.setdefault(active.group, []).append(active)

    def make(self, kind: str) -> Exercise | None:
        """One exercise of a kind, or None where this crop and disease do not give it."""
        making: dict[str, Callable[[], Exercise | None]] = {
            "faults": self.faults,
            "mend": self.mend,
            "order": self.order,
            "partner": self.partner,
            "product": self.product,
            "label": self.label,
        }
        return making[kind]()

    # --- seasons ------------------------------------------------------------------------------------------------

    def judge(self, tanks: Sequence[Tank]) -> tuple[Finding, ...]:
        """The findings on these tanks on the classroom's slots."""
        return findings_of(self.season(tanks), self.catalogue)

    def season(self, tanks: Sequence[Tank], resistant: Sequence[str] = ()) -> Programme:
        """These tanks on the classroom's slots."""
        return season(self.parts, self.catalogue, tanks, f"exercise {self.seed}", resistant=resistant)

    def sound(self, count: int) -> tuple[Tank, ...] | None:
        """A season of ``count`` passes without breach and caution."""
        for _ in range(_TRIES):
            tanks: list[Tank] = []
            last = ""
            for at in range(count):
                choices = [group for group in self.groups if group != last]
                if not choices or (self.multi and self.rng.random() < 0.2 and at):
                    if not self.multi:
                        return None
                    tanks.append(((self.rng.choice(self.multi), 1.0),))
                    last = ""
                    continue
                group = self.rng.choice(choices)
                tank: list[tuple[Active, float]] = [(self.rng.choice(self.groups[group]), 1.0)]
                if self.multi and self.rng.random() < 0.7:
                    tank.append((self.rng.choice(self.multi), 1.0))
                tanks.append(tuple(tank))
                last = group
            if not weighty(self.judge(tanks)):
                return tuple(tanks)
        return None

    def plant(
        self, tanks: tuple[Tank, ...], count: int, *, rates: bool = True
    ) -> tuple[tuple[Tank, ...], set[Fault]] | None:
        """Plant ``count`` faults (``rates``: also of rates); None where the audit finds other than was planted."""
        planters = [self.repeat, self.alone, self.one_group, self.monotone]
        if rates:
            planters += [self.cut, self.over]
        self.rng.shuffle(planters)
        planted: set[Fault] = set()
        for planter in planters:
            if len(planted) == count:
                break
            found = planter(tanks)
            if found is None:
                continue
            changed, fault = found
            if weighty(self.judge(changed)) == planted | {fault}:
                tanks, planted = changed, planted | {fault}
        return (tanks, planted) if len(planted) == count else None

    def repeat(self, tanks: tuple[Tank, ...]) -> tuple[tuple[Tank, ...], Fault] | None:
        """Two passes in a row of one group, the second under another name."""
        pairs = [group for group, members in self.groups.items() if len(members) > 1]
        if not pairs:
            return None
        at = self.rng.randrange(len(tanks) - 1)
        one, other = self.rng.sample(self.groups[self.rng.choice(pairs)], 2)
        return _put(tanks, {at: ((one, 1.0),), at + 1: ((other, 1.0),)}), ("ROT01", (at + 1, at + 2))

    def alone(self, tanks: tuple[Tank, ...]) -> tuple[tuple[Tank, ...], Fault] | None:
        """An at-risk active loses its partner."""
        mixed = [at for at, tank in enumerate(tanks) if len(tank) > 1]
        if not mixed:
            return None
        at = self.rng.choice(mixed)
        return _put(tanks, {at: tanks[at][:1]}), ("MIX01", (at + 1,))

    def one_group(self, tanks: tuple[Tank, ...]) -> tuple[tuple[Tank, ...], Fault] | None:
        """Two actives of one group in a tank."""
        pairs = [members for members in self.groups.values() if len(members) > 1]
        if not pairs:
            return None
        at = self.rng.randrange(len(tanks))
        one, other = self.rng.sample(self.rng.choice(pairs), 2)
        return _put(tanks, {at: ((one, 1.0), (other, 1.0))}), ("MIX02", (at + 1,))

    def cut(self, tanks: tuple[Tank, ...]) -> tuple[tuple[Tank, ...], Fault] | None:
        """A rate below the label."""
        return self._rate(tanks, round(LEAST_SHARE - 0.3, 2), "LBL03")

    def over(self, tanks: tuple[Tank, ...]) -> tuple[tuple[Tank, ...], Fault] | None:
        """A rate above the label."""
        return self._rate(tanks, 1.25, "LBL02")

    def _rate(self, tanks: tuple[Tank, ...], share: float, rule: str) -> tuple[tuple[Tank, ...], Fault]:
        at = self.rng.randrange(len(tanks))
        tank = list(tanks[at])
        which = self.rng.randrange(len(tank))
        tank[which] = (tank[which][0], share)
        return _put(tanks, {at: tuple(tank)}), (rule, (at + 1,))

    def monotone(self, tanks: tuple[Tank, ...]) -> tuple[tuple[Tank, ...], Fault] | None:
        """One mix in every pass."""
        mixed = [tank for tank in tanks if len(tank) > 1]
        if not mixed or len(tanks) < 3:
            return None
        tank = self.rng.choice(mixed)
        return tuple(tank for _ in tanks), ("ROT03", tuple(range(1, len(tanks) + 1)))

    # --- kinds --------------------------------------------------------------------------------------------------

    def _exercise(self, kind: Kind, items: Sequence[Item], key: Sequence[str], **more: object) -> Exercise:
        tanks: tuple[Tank, ...] = more.pop("tanks", ())  # type: ignore[assignment]
        resistant: tuple[str, ...] = tuple(more.get("resistant", ()))  # type: ignore[arg-type]
        intro = more.pop("intro", "") or self._intro()
        return Exercise(
            kind=kind,
            level=self.level,
            seed=self.seed,
            crop=self.parts.room.classroom,
            target=self.parts.target,
            text=_text(kind),
            intro=str(intro),
            items=tuple(items),
            key=tuple(key),
            tanks=tanks,
            programme=self.season(tanks, resistant) if tanks else None,
            **more,  # type: ignore[arg-type]
        )

    def _intro(self) -> str:
        return f"{self.parts.room.classroom}, against {self.parts.target_name}. Field and products are invented."

    def faults(self) -> Exercise | None:
        """A season with as many faults as the level, and statements about it."""
        count = 3 if self.level == 1 else 4
        for _ in range(_TRIES):
            base = self.sound(count)
            planted = base and self.plant(base, self.level)
            if not planted:
                continue
            tanks, faults = planted
            found = self.judge(tanks)
            # other rules may advise; a statement about the same rule and a shared pass would be neither true nor false
            near = {(one.rule, number) for one in found for number in one.passes}
            said = {one.rule: one.says for one in texts().faults}
            if any(rule not in said for rule, _ in faults):
                continue
            false = [
                fault
                for fault in self._statements(count, list(said))
                if not any((fault[0], number) in near for number in fault[1])
            ]
            wanted = 2 + 2 * self.level - len(faults)
            if len(false) < wanted:
                continue
            shown = [*sorted(faults), *self.rng.sample(false, wanted)]
            self.rng.shuffle(shown)
            items = [
                Item(LETTERS[at], said[rule].format(passes=words.passes(passes)), fault=(rule, passes))
                for at, (rule, passes) in enumerate(shown)
            ]
            key = " ".join(item.letter for item in items if item.fault in faults)
            return self._exercise("faults", items, [key], tanks=tanks)
        return None

    def _statements(self, count: int, rules: Sequence[str]) -> Iterator[Fault]:
        for rule in rules:
            if rule == "ROT03":
                yield rule, tuple(range(1, count + 1))
            elif rule in ("ROT01", "LIM02"):
                for at in range(1, count):
                    yield rule, (at, at + 1)
            else:
                for at in range(1, count + 1):
                    yield rule, (at,)

    def mend(self) -> Exercise | None:
        """A season with one fault and changes of one pass; at least one mends it, at least one does not."""
        count = 3 if self.level == 1 else 4
        for attempt in range(_TRIES):
            base = self.sound(count)
            planted = base and self.plant(base, 1, rates=attempt > _TRIES // 2)
            if not planted:
                continue
            tanks, _faults = planted
            good: list[tuple[int, Tank]] = []
            bad: list[tuple[int, Tank]] = []
            for at, tank in self._changes(tanks):
                (bad if weighty(self.judge(_put(tanks, {at: tank}))) else good).append((at, tank))
                if good and len(good) + len(bad) >= 6 + 2 * self.level and len(bad) >= 1 + self.level:
                    break
            if not good or len(bad) < 1 + self.level:
                continue
            shown = [*good[:1], *bad[: 1 + self.level]]
            self.rng.shuffle(shown)
            items = [
                Item(
                    LETTERS[i],
                    f"pass {at + 1} becomes {_tank_words(tank, self.catalogue)}",
                    tanks=_put(tanks, {at: tank}),
                )
                for i, (at, tank) in enumerate(shown)
            ]
            key = [item.letter for item, one in zip(items, shown, strict=True) if one in good]
            return self._exercise("mend", items, key, tanks=tanks)
        return None

    def _changes(self, tanks: tuple[Tank, ...]) -> Iterator[tuple[int, Tank]]:
        """Single changes in random order, none twice."""
        seen: set[tuple[int, tuple[str, ...]]] = set()
        for _ in range(_TRIES):
            at = self.rng.randrange(len(tanks))
            draw = self.rng.random()
            if self.multi and draw < 0.25:
                tank: Tank = ((self.rng.choice(self.multi), 1.0),)
            elif self.multi and draw < 0.6:
                tank = ((self.rng.choice(self.risky), 1.0), (self.rng.choice(self.multi), 1.0))
            else:
                tank = ((self.rng.choice(self.risky), 1.0),)
            mark_ = (at, tuple(active.name for active, _ in tank))
            if mark_ not in seen and mark_[1] != tuple(active.name for active, _ in tanks[at]):
                seen.add(mark_)
                yield at, tank

    def order(self) -> Exercise | None:
        """Tanks whose order decides: as given there is a fault, and another order has none."""
        count = 3 if self.level < 3 else 4
        for _ in range(_TRIES):
            tanks = self._orderable(count)
            if tanks is None or not all(self._may_stand(tank) for tank in tanks):
                continue
            orders = list(permutations(range(count)))
            sound = [order for order in orders if not weighty(self.judge([tanks[at] for at in order]))]
            if not sound or len(sound) > len(orders) - 2:
                continue
            if tuple(range(count)) in sound:
                faulty = [order for order in orders if order not in sound]
                chosen = self.rng.choice(faulty)
                tanks = tuple(tanks[at] for at in chosen)
                place = {old: new for new, old in enumerate(chosen)}
                sound = [tuple(place[at] for at in order) for order in sound]
            items = [Item(LETTERS[at], _tank_words(tank, self.catalogue)) for at, tank in enumerate(tanks)]
            key = sorted({" ".join(LETTERS[at] for at in order) for order in sound})
            return self._exercise("order", items, key, tanks=tanks)
        return None

    def _may_stand(self, tank: Tank) -> bool:
        """Whether a tank is sound as the only pass: where it is not, no order can be (asked often, so remembered)."""
        names = tuple(active.name for active, _ in tank)
        key = (id(self.catalogue), self.parts.room.classroom, self.parts.target, names)
        if key not in _STANDS:
            rules = {rule for rule, _ in weighty(self.judge([tank]))}
            _STANDS[key] = not any(rule.startswith("MIX") for rule in rules)
        return _STANDS[key]

    def _orderable(self, count: int) -> tuple[Tank, ...] | None:
        """Two tanks of one group and others between which they could stand."""
        pairs = [group for group, members in self.groups.items() if len(members) > 1]
        if not pairs:
            return None
        group = self.rng.choice(pairs)
        one, other = self.rng.sample(self.groups[group], 2)
        tanks: list[Tank] = [((one, 1.0),), ((other, 1.0),)]
        others = [name for name in self.groups if name != group]
        while len(tanks) < count:
            if self.multi and self.rng.random() < 0.5:
                tanks.append(((self.rng.choice(self.multi), 1.0),))
            elif others:
                tank: Tank = ((self.rng.choice(self.groups[self.rng.choice(others)]), 1.0),)
                if self.multi and self.rng.random() < 0.5:
                    tank = (*tank, (self.rng.choice(self.multi), 1.0))
                tanks.append(tank)
            else:
                return None
        return tuple(tanks)

    def partner(self) -> Exercise | None:
        """An at-risk active and candidates for the tank; from level 2 on one group no longer works on the field."""
        groups = sorted(self.groups)
        for _ in range(_TRIES):
            group = self.rng.choice(groups)
            lead, *sisters = self.rng.sample(self.groups[group], len(self.groups[group]))
            lost = [name for name in groups if name != group]
            resistant = (self.rng.choice(lost),) if self.level > 1 and lost else ()
            good = [active for active in self.parts.pool if active.group != group and active.group not in resistant]
            bad = [*sisters[: 1 + self.level], *(active for name in resistant for active in self.groups[name][:2])]
            size = 3 + self.level
            chosen = [*self.rng.sample(good, min(len(good), 1 + (self.level > 2))), *bad]
            chosen = list(dict.fromkeys(chosen))[:size]
            self.rng.shuffle(chosen)
            tanks: tuple[Tank, ...] = (((lead, 1.0),),)
            items = [
                Item(
                    LETTERS[at],
                    _active_words(active, self.catalogue, code=self.level == 1),
                    actives=(active,),
                    tanks=(((lead, 1.0), (active, 1.0)),),
                )
                for at, active in enumerate(chosen)
            ]
            ways = [self._partners(item.tanks, resistant) for item in items]
            if None in ways:
                continue
            key = [item.letter for item, way in zip(items, ways, strict=True) if way]
            if key and len(key) < len(items) and len(items) >= 3:
                note = ""
                if resistant:
                    names = " and ".join(self.catalogue.group(name).words for name in resistant)
                    found = f"{names} no longer works on {self.parts.target_name}"
                    note = f" A test on this field (invented) found that {found}."
                intro = f"{self._intro()} Pass 1 holds {_active_words(lead, self.catalogue)}.{note}"
                return self._exercise("partner", items, key, tanks=tanks, resistant=resistant, intro=intro)
        return None

    def _partners(self, tanks: Sequence[Tank], resistant: Sequence[str]) -> bool | None:
        """Whether pass 1 has two working modes; None where it has, and the mix breaks a published row all the same."""
        found = judged(self.season(tanks, resistant), self.catalogue)
        if found.modes[1][0] < 2:
            return False
        return None if any(rule.startswith("MIX") for rule, _ in weighty(found.report.findings)) else True

    def product(self) -> Exercise | None:
        """Pairs of products in succession: did the group change with the name?"""
        size = 2 + self.level
        pairs = [members for members in self.groups.values() if len(members) > 1]
        if not pairs or len(self.groups) < 2:
            return None
        items: list[Item] = []
        for at in range(size):
            same = self.rng.random() < 0.5
            if same:
                one, other = self.rng.sample(self.rng.choice(pairs), 2)
            else:
                first, second = self.rng.sample(sorted(self.groups), 2)
                one, other = self.rng.choice(self.groups[first]), self.rng.choice(self.groups[second])
            left: tuple[Active, ...] = (one,)
            right: tuple[Active, ...] = (other,)
            if self.level == 3 and self.multi and self.rng.random() < 0.5:
                left, right = (one, self.rng.choice(self.multi)), (other, self.rng.choice(self.multi))
            names = self._names(left, right)
            text = f"{names[0]} ({_plus(left)}), then {names[1]} ({_plus(right)})"
            items.append(Item(LETTERS[at], text, actives=(*left, *right), split=len(left)))
        key = " ".join(item.letter for item in items if same_risk(item, self.catalogue)) or NONE
        return self._exercise("product", items, [key])

    def _names(self, left: Sequence[Active], right: Sequence[Active]) -> tuple[str, str]:
        first = product_name(left[0])
        place = 0
        while product_name(right[0], place) == first:
            place += 1
        return first, product_name(right[0], place)

    def label(self) -> Exercise | None:
        """An invented label in awkward order, and five facts to find."""
        return _label(self)


def _put(tanks: Sequence[Tank], changes: dict[int, Tank]) -> tuple[Tank, ...]:
    return tuple(changes.get(at, tank) for at, tank in enumerate(tanks))


def _plus(actives: Sequence[Active]) -> str:
    return " + ".join(active.name for active in actives)


def _active_words(active: Active, catalogue: Catalogue, *, code: bool = True) -> str:
    return f"{active.name} ({catalogue.group(active.group).words})" if code else active.name


def _tank_words(tank: Tank, catalogue: Catalogue) -> str:
    said = []
    for active, share in tank:
        rate = "" if share == 1.0 else f" at {share:g} of its full rate"
        said.append(f"{_active_words(active, catalogue)}{rate}")
    return " + ".join(said)


def same_risk(item: Item, catalogue: Catalogue) -> bool:
    """Whether the at-risk groups of the two tanks of a change share one (story 20: product changed, group did not)."""
    left, right = item.actives[: item.split], item.actives[item.split :]
    return any(
        catalogue.joined(one.group, other.group, "succession")
        for one in left
        for other in right
        if one.at_risk and other.at_risk
    )


# --- the label ------------------------------------------------------------------------------------------------------


def _label(maker: _Maker) -> Exercise:
    rng, parts, catalogue = maker.rng, maker.parts, maker.catalogue
    active = rng.choice(maker.risky)
    crop = parts.room.classroom
    stages = sorted(catalogue.crop(crop).stages, key=lambda one: one.bbch)
    last = rng.choice(stages[len(stages) // 2 :])
    other = rng.choice([one for one in sorted(classrooms()) if one != crop])
    most, interval = rng.choice((1, 2, 3)), rng.choice((7, 10, 14, 21))
    harvest, reentry = rng.choice((14, 21, 28, 35, 45)), rng.choice((12, 24, 48))
    code = catalogue.group(active.group).code
    facts: dict[str, str] = {
        "harvest": f"{crop.capitalize()}: do not apply within {harvest} days of harvest.",
        "stage": f"{crop.capitalize()}: last application no later than stage {last.code}.",
        "group": f"GROUP {code} FUNGICIDE. Active ingredient: {active.name}, {rng.choice((100, 200, 250))} g/L.",
        "interval": f"{crop.capitalize()}: wait at least {interval} days between applications.",
        "most": f"{crop.capitalize()}: make no more than {words.count(most, 'application')} per season.",
    }
    padding = [
        f"Keep out of treated areas for {reentry} hours; wear gloves, long sleeves and eye protection.",
        "Shake well. Add to a half-full tank under agitation.",
        "Do not contaminate water. Keep the distance to water that local rules ask for.",
        "Do not apply where bees are foraging.",
    ]
    padding = rng.sample(padding, 1 + maker.level)
    if maker.level > 1:
        padding.append(f"{other.capitalize()}: no more than {most + 1} applications, {harvest + 7} days to harvest.")
    if maker.level > 2:
        padding.append(f"{other.capitalize()}: at least {interval + 7} days between applications.")
    order = [*facts, *(str(at) for at in range(len(padding)))]
    rng.shuffle(order)
    lines = [facts[name] if name in facts else padding[int(name)] for name in order]
    at = {name: order.index(name) + 1 for name in facts}
    asked = (
        Fact("the mode-of-action group", code, at["group"], (f"frac {code}", f"group {code}", f"frac{code}")),
        Fact("most applications per season", str(most), at["most"]),
        Fact("least days between applications", str(interval), at["interval"], (f"{interval} days", f"{interval} d")),
        Fact("last stage", last.code, at["stage"], (f"stage {last.code}".casefold(),)),
        Fact("days to harvest", str(harvest), at["harvest"], (f"{harvest} days", f"{harvest} d")),
    )
    return maker._exercise(
        "label",
        (),
        [", ".join(fact.answer for fact in asked)],
        lines=tuple(lines),
        facts=asked,
        intro=f"Label of {product_name(active)}, an invented product. Answer for {crop}.",
    )


# --- marking --------------------------------------------------------------------------------------------------------


def read(exercise: Exercise, answer: str) -> tuple[str, ...]:
    """The answer's parts: letters, or the five facts.

    Raises:
        Nonsense: it is in no form that can be marked; the text is the hint.
    """
    hint = f"write {exercise.text.form}"
    if exercise.kind == "label":
        parts = tuple(part.strip() for part in re.split(r"[,;]", answer))
        if len(parts) != len(exercise.facts) or not all(parts):
            raise Nonsense(f"{hint}: {', '.join(fact.ask for fact in exercise.facts)}")
        return parts
    if answer.strip().casefold() == NONE and exercise.kind in ("product", "faults"):
        return ()
    text = re.sub(r"[\s,;.+]+|\band\b", " ", answer.strip(), flags=re.IGNORECASE).strip().upper()
    known = {item.letter for item in exercise.items}
    found = tuple(text.split() if " " in text or len(text) == 1 else text)
    if not found or not all(letter in known for letter in found) or len(set(found)) != len(found):
        raise Nonsense(f"{hint}; the letters are {' '.join(sorted(known))}")
    if exercise.kind in ("mend", "partner") and len(found) != 1:
        raise Nonsense(f"{hint}; one letter only")
    if exercise.kind == "order" and len(found) != len(known):
        raise Nonsense(f"{hint}; every letter once")
    return found


def mark(exercise: Exercise, answer: str, catalogue: Catalogue) -> Mark:
    """Mark an answer by running the rules on what it means, and explain each miss.

    Raises:
        Nonsense: the answer cannot be read; ask again with its text as hint.
    """
    given = read(exercise, answer)
    marking: dict[Kind, Callable[[Exercise, tuple[str, ...], Catalogue], list[tuple[bool, str]]]] = {
        "faults": _mark_faults,
        "mend": _mark_mend,
        "order": _mark_order,
        "partner": _mark_partner,
        "product": _mark_product,
        "label": _mark_label,
    }
    notes = marking[exercise.kind](exercise, given, catalogue)
    return Mark(all(right for right, _ in notes), tuple(notes))


def _again(exercise: Exercise, tanks: Sequence[Tank], catalogue: Catalogue) -> Judged:
    parts = cast(catalogue, exercise.crop, exercise.target)
    programme = season(parts, catalogue, tanks, f"exercise {exercise.seed}", resistant=exercise.resistant)
    return judged(programme, catalogue)


def _mark_faults(exercise: Exercise, given: tuple[str, ...], catalogue: Catalogue) -> list[tuple[bool, str]]:
    found = _again(exercise, exercise.tanks, catalogue)
    by_fault: dict[Fault, Finding] = {
        (one.rule, one.passes): one for one in found.report.findings if one.severity != "advice"
    }
    notes = []
    for item in exercise.items:
        assert item.fault is not None
        finding, chosen = by_fault.get(item.fault), item.letter in given
        if finding is not None:
            lead = f"{item.letter} holds" + ("" if chosen else ", and was missed")
            told = f"{finding.rule} {finding.name}, {finding.severity}: {finding.message}. {finding.why}"
            notes.append((chosen, f"{lead}: {told}"))
        elif chosen:
            shown = _instead(item.fault, exercise, catalogue)
            notes.append((False, f"{item.letter} does not hold: {item.fault[0]} finds nothing there; {shown}"))
    if not notes:
        notes.append((False, "nothing was chosen"))
    return notes


def _instead(fault: Fault, exercise: Exercise, catalogue: Catalogue) -> str:
    said = [
        f"pass {number}: {_tank_words(exercise.tanks[number - 1], catalogue)}"
        for number in fault[1]
        if number <= len(exercise.tanks)
    ]
    return "; ".join(said)


def _left(found: Judged) -> str:
    heavy = [one for one in found.report.findings if one.severity != "advice"]
    return "; ".join(f"{one.rule} {one.name} ({one.severity}): {one.message}" for one in heavy)


def _mark_mend(exercise: Exercise, given: tuple[str, ...], catalogue: Catalogue) -> list[tuple[bool, str]]:
    item = next(one for one in exercise.items if one.letter == given[0])
    before, after = _again(exercise, exercise.tanks, catalogue), _again(exercise, item.tanks, catalogue)
    if not weighty(after.report.findings):
        return [(True, f"{item.letter} mends it; gone: {_left(before)}")]
    return [(False, f"{item.letter} leaves: {_left(after)}"), *_right_letters(exercise)]


def _right_letters(exercise: Exercise) -> list[tuple[bool, str]]:
    return [(False, f"right would be: {' or '.join(exercise.key)}")]


def _mark_order(exercise: Exercise, given: tuple[str, ...], catalogue: Catalogue) -> list[tuple[bool, str]]:
    found = _again(exercise, [exercise.tanks[LETTERS.index(letter)] for letter in given], catalogue)
    if not weighty(found.report.findings):
        return [(True, f"{' '.join(given)} leaves no breach and no caution")]
    return [(False, f"{' '.join(given)} leaves: {_left(found)}"), *_right_letters(exercise)]


def _mark_partner(exercise: Exercise, given: tuple[str, ...], catalogue: Catalogue) -> list[tuple[bool, str]]:
    item = next(one for one in exercise.items if one.letter == given[0])
    lead = exercise.tanks[0][0][0]
    active = item.actives[0]
    found = _again(exercise, item.tanks, catalogue)
    working, _codes = found.modes[1]
    if working >= 2 and not any(rule.startswith("MIX") for rule, _ in weighty(found.report.findings)):
        code = catalogue.group(active.group).words
        return [(True, f"{active.name} is {code} and works by itself: {working} working modes")]
    if catalogue.joined(active.group, lead.group, "mixing"):
        why = f"{active.name} is {catalogue.group(active.group).words}, the same mode of action as {lead.name}"
    elif active.group in exercise.resistant:
        why = f"{catalogue.group(active.group).words} no longer works on this field"
    else:
        why = f"{active.name} gives {working} working mode in the tank; {_left(found)}"
    return [(False, f"{item.letter}: {why}"), *_right_letters(exercise)]


def _mark_product(exercise: Exercise, given: tuple[str, ...], catalogue: Catalogue) -> list[tuple[bool, str]]:
    notes = []
    for item in exercise.items:
        same, chosen = same_risk(item, catalogue), item.letter in given
        codes = [catalogue.group(active.group).words for active in item.actives]
        shown = f"{' + '.join(codes[: item.split])}, then {' + '.join(codes[item.split :])}"
        if same:
            notes.append((chosen, f"{item.letter}: product changed, group did not: {shown}"))
        elif chosen:
            notes.append((False, f"{item.letter}: the group changed with the product: {shown}"))
    return notes or [(True, "in every change the at-risk group changed with the product")]


def _mark_label(exercise: Exercise, given: tuple[str, ...], catalogue: Catalogue) -> list[tuple[bool, str]]:
    notes = []
    for fact, answer in zip(exercise.facts, given, strict=True):
        told = " ".join(answer.casefold().split())
        right = told == fact.answer.casefold() or told in (one.casefold() for one in fact.accepts)
        said = "right" if right else f"'{answer}' is not what the label says"
        notes.append((right, f"{fact.ask}: {fact.answer}, line {fact.line} of the label ({said})"))
    return notes
