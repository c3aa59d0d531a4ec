"""What stays the same from programme to programme, worked out once per process.

A batch of a district meets the same crops, places, targets and tank mixes again and again. How well an active works on
a target here, who is whose partner in a tank, which published rows can hold: all of it follows from the catalogue, from
crop, country, region and targets of the field (a :class:`Ground`), from what is in one tank (a :class:`Tank`), and from
which groups the season holds (a :class:`Codes`). Nothing kept here knows a date, a pass number, a rate or a programme.
The answers are worked out where they belong (``planner.account``, ``planner.published``, ``planner.facts``); this
module only keeps them.

Every key is made of values and holds all that its answer reads; none is the number of an object, for the number of a
freed object may come again. All of it goes with its catalogue, and how much is kept is bounded.
"""

from __future__ import annotations

from collections.abc import Hashable
from typing import TYPE_CHECKING, Any
from weakref import WeakKeyDictionary

if TYPE_CHECKING:
    from planner.account import Effect, Rated, Standing
    from planner.catalogue import Catalogue
    from planner.model import Crop, Field

# a tank or a set of codes is some kB, a ground some 100 kB: together below 100 MB
GROUNDS = 200
PARTS = 4_000  # tanks, agents and sets of codes, over all grounds of a catalogue

AgentKey = tuple[str, tuple[tuple[str, str], ...]]
Known = dict[Hashable, Any]  # answers by question and what it is asked of


class Agent:
    """One active as one label rates it: how well it works on each target of a ground (by the target's id)."""

    __slots__ = ("effects", "key", "rated", "serves_none")

    def __init__(self, key: AgentKey) -> None:
        self.key = key
        self.rated: dict[str, Rated] = {}
        self.effects: dict[str, Effect] = {}
        self.serves_none: bool | None = None  # of the ground's targets


class Tank:
    """One tank mix on a ground; ``known`` holds what its agents alone decide."""

    __slots__ = ("known",)

    def __init__(self) -> None:
        self.known: Known = {}


class Codes:
    """The codes of a season on a ground; ``known`` holds what they alone decide."""

    __slots__ = ("__weakref__", "known")

    def __init__(self) -> None:
        self.known: Known = {}


class Ground:
    """A crop at a place with its targets; ``known`` holds what no tank changes."""

    __slots__ = ("_agents", "_codes", "_kept", "_tanks", "known", "standings", "words")

    def __init__(self, kept: _Kept) -> None:
        self._kept = kept
        self._agents: dict[AgentKey, Agent] = {}
        self._tanks: dict[tuple[AgentKey, ...], Tank] = {}
        self._codes: dict[tuple[tuple[str, bool], ...], Codes] = {}
        self.standings: dict[tuple[str, str, str], Standing] = {}
        self.words: dict[str, str] = {}  # of groups
        self.known: Known = {}

    def agent(self, active: str, told: dict[str, Any]) -> Agent:
        """The active of this name under a label that gives these classes by target."""
        key = (active, tuple(told.items()))
        found = self._agents.get(key)
        if found is None:
            self._kept.count(self)
            found = self._agents[key] = Agent(key)
        return found

    def tank(self, agents: tuple[AgentKey, ...]) -> Tank:
        """The tank that holds these agents in this order."""
        found = self._tanks.get(agents)
        if found is None:
            self._kept.count(self)
            found = self._tanks[agents] = Tank()
        return found

    def codes(self, flags: tuple[tuple[str, bool], ...]) -> Codes:
        """A season with these codes, in order, each with whether what it holds of them is at risk."""
        found = self._codes.get(flags)
        if found is None:
            self._kept.count(self)
            found = self._codes[flags] = Codes()
        return found

    def forget(self) -> None:
        """Drop everything; who still holds a part of it keeps that part."""
        for kept in (self._agents, self._tanks, self._codes, self.standings, self.words, self.known):
            kept.clear()


class _Kept:
    """The grounds of one catalogue."""

    __slots__ = ("grounds", "parts")

    def __init__(self) -> None:
        self.grounds: dict[Hashable, Ground] = {}
        self.parts = 0

    def count(self, ground: Ground) -> None:
        """One part more; past the bound all is dropped and begun afresh."""
        self.parts += 1
        if self.parts > PARTS:
            self.parts = 0
            self.grounds.clear()
            ground.forget()


_KEPT: WeakKeyDictionary[Catalogue, _Kept] = WeakKeyDictionary()


def ground_of(catalogue: Catalogue, crop: Crop, field: Field) -> Ground:
    """The ground of a field: all that is known of its crop, place and targets, whatever is sprayed."""
    kept = _KEPT.get(catalogue)
    if kept is None:
        kept = _KEPT[catalogue] = _Kept()
    targets = tuple([(one.target, one.pressure, one.cultivar, one.resistant) for one in field.targets or ()])
    key = (crop.id, field.country, field.region, targets)
    found = kept.grounds.get(key)
    if found is None:
        if len(kept.grounds) >= GROUNDS:
            kept.grounds.clear()
            kept.parts = 0
        found = kept.grounds[key] = Ground(kept)
    return found


def forget(catalogue: Catalogue) -> None:
    """Drop all that is kept for a catalogue."""
    _KEPT.pop(catalogue, None)


def size(catalogue: Catalogue) -> tuple[int, int]:
    """How many grounds are kept for a catalogue, and how many parts of them."""
    kept = _KEPT.get(catalogue)
    return (len(kept.grounds), kept.parts) if kept is not None else (0, 0)
