"""The bench that exercises are made on: one crop, disease and level, one stream of chance, seasons that are sound."""

from __future__ import annotations

import random
from collections.abc import Iterable, Sequence

from planner.catalogue import Catalogue
from planner.lessons.cast import Cast
from planner.lessons.exercises.exercise import Exercise, Fact, Fault, Item, Kind, Tank, text_of
from planner.lessons.season import findings_of, season
from planner.model import Active, Finding, Programme

TRIES = 40


class Bench:
    """What every kind is made from. ``risky`` and ``multi``: at-risk and multi-site actives; ``groups``: the risky."""

    def __init__(self, catalogue: Catalogue, parts: Cast, rng: random.Random, level: int, seed: int) -> None:
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

    @property
    def intro(self) -> str:
        """Crop and disease, and that the rest is invented."""
        return f"{self.parts.room.classroom}, against {self.parts.target_name}. Field and products are invented."

    def judge(self, tanks: Sequence[Tank]) -> tuple[Finding, ...]:
        """The findings on these tanks on the classroom's slots."""
        return findings_of(self.season(tanks), self.catalogue)

    def season(self, tanks: Sequence[Tank], resistant: Sequence[str] = ()) -> Programme:
        """These tanks on the classroom's slots."""
        return season(self.parts, self.catalogue, tanks, f"exercise {self.seed}", resistant=resistant)

    def sound(self, count: int) -> tuple[Tank, ...] | None:
        """A season of ``count`` passes without breach and caution."""
        for _ in range(TRIES):
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

    def exercise(
        self,
        kind: Kind,
        items: Sequence[Item],
        key: Sequence[str],
        *,
        tanks: tuple[Tank, ...] = (),
        resistant: tuple[str, ...] = (),
        intro: str = "",
        lines: tuple[str, ...] = (),
        facts: tuple[Fact, ...] = (),
    ) -> Exercise:
        """An exercise of this bench; ``tanks`` become its programme."""
        return Exercise(
            kind=kind,
            level=self.level,
            seed=self.seed,
            crop=self.parts.room.classroom,
            target=self.parts.target,
            text=text_of(kind),
            intro=intro or self.intro,
            items=tuple(items),
            key=tuple(key),
            programme=self.season(tanks, resistant) if tanks else None,
            tanks=tanks,
            resistant=resistant,
            lines=lines,
            facts=facts,
        )


def weighty(findings: Iterable[Finding]) -> set[Fault]:
    """Breaches and cautions as rule and passes."""
    return {(one.rule, one.passes) for one in findings if one.severity != "advice"}


def put(tanks: Sequence[Tank], changes: dict[int, Tank]) -> tuple[Tank, ...]:
    """The tanks with some of them changed."""
    return tuple(changes.get(at, tank) for at, tank in enumerate(tanks))
