"""What if? Change one pass of a programme and see which findings come and go and how the selection days move."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import msgspec

from planner.catalogue import Catalogue
from planner.errors import UnknownName, nearest
from planner.lessons.cast import product, product_name, tank_item
from planner.lessons.season import Judged, judged
from planner.model import Active, Finding, Pass, Product, Programme, TankItem

FORM = "write for example: pass 2 = boscalid + chlorothalonil; or: pass 2 = nothing; or: undo, show, done"
_CHANGE = re.compile(r"(?:pass\s*)?(\d{1,3})\s*(?:=|:|is|becomes)\s*(.+)\Z", re.IGNORECASE)
_NOTHING = {"nothing", "none", "no spray", "leave out", "out", "-"}


class Hint(ValueError):
    """What was typed cannot be done; the text says what to type instead."""


@dataclass(frozen=True)
class Difference:
    """What a change did. ``selection``: group key -> days before and after."""

    gone: tuple[Finding, ...]
    come: tuple[Finding, ...]
    eased: tuple[tuple[Finding, Finding], ...]  # before, after: same rule and passes, another severity
    selection: Mapping[str, tuple[float, float]]


def difference(before: Judged, after: Judged) -> Difference:
    """Findings and selection days that a change moved."""
    old = {(one.rule, one.passes): one for one in before.report.findings}
    new = {(one.rule, one.passes): one for one in after.report.findings}
    return Difference(
        gone=tuple(one for key, one in old.items() if key not in new),
        come=tuple(one for key, one in new.items() if key not in old),
        eased=tuple((one, new[key]) for key, one in old.items() if key in new and new[key].severity != one.severity),
        selection={
            group: (before.selection.get(group, 0.0), after.selection.get(group, 0.0))
            for group in dict.fromkeys([*before.selection, *after.selection])
        },
    )


class WhatIf:
    """A programme under trial. Every change can be taken back."""

    def __init__(self, programme: Programme, catalogue: Catalogue, now: Judged | None = None) -> None:
        self.catalogue = catalogue
        self._states = [now or judged(programme, catalogue)]
        self._numbers = {entry.number: entry for entry in programme.passes}

    @property
    def now(self) -> Judged:
        """The season as it stands."""
        return self._states[-1]

    @property
    def changed(self) -> int:
        """How many changes can be taken back."""
        return len(self._states) - 1

    def undo(self) -> Difference:
        """Take the last change back.

        Raises:
            Hint: there is none.
        """
        if not self.changed:
            raise Hint("nothing has been changed yet")
        left = self._states.pop()
        return difference(left, self.now)

    def change(self, text: str) -> Difference:
        """Apply one typed change, for example ``pass 2 = boscalid + chlorothalonil``.

        Raises:
            Hint: it cannot be understood; the hint says what to type.
        """
        found = _CHANGE.match(text.strip())
        if not found:
            raise Hint(FORM)
        number, tank = int(found.group(1)), found.group(2).strip().rstrip(".")
        if number not in self._numbers:
            known = ", ".join(str(one) for one in self._numbers)
            raise Hint(f"there is no pass {number}; the passes are {known}")
        programme = self.now.programme
        if tank.casefold() in _NOTHING:
            kept = tuple(entry for entry in programme.passes if entry.number != number)
            if not kept:
                raise Hint("one pass has to stay")
            changed = msgspec.structs.replace(programme, passes=kept)
        else:
            items, products = self._tank(tank, programme)
            entry = msgspec.structs.replace(self._numbers[number], tank=items)
            passes = [one for one in programme.passes if one.number != number]
            passes = sorted([*passes, entry], key=_order)
            changed = msgspec.structs.replace(programme, passes=tuple(passes), products=products)
        before = self.now
        self._states.append(judged(changed, self.catalogue))
        return difference(before, self.now)

    def _tank(self, text: str, programme: Programme) -> tuple[tuple[TankItem, ...], tuple[Product, ...]]:
        products = list(programme.products)
        items: list[TankItem] = []
        for word in re.split(r"\s*(?:\+|,|\band\b|\bwith\b)\s*", text):
            name = self._product(word.strip(), products, programme.field.crop)
            if any(item.product == name for item in items):
                raise Hint(f"{word.strip()} is in the tank already; write it once")
            items.append(tank_item(name))
        return tuple(items), tuple(products)

    def _product(self, word: str, products: list[Product], crop: str) -> str:
        for listed in products:
            if listed.name.casefold() == word.casefold():
                return listed.name
        try:
            active = self.catalogue.active(word)
        except UnknownName as error:
            near = error.nearest or nearest(word, [listed.name for listed in products])
            cure = f"; did you mean {' or '.join(near)}?" if near else ""
            raise Hint(f"'{word}' is no active of the catalogue{cure}") from None
        if active.kind != "fungicide":
            raise Hint(f"{active.name} is no fungicide; name a fungicide")
        return self._listed(active, products, crop)

    def _listed(self, active: Active, products: list[Product], crop: str) -> str:
        """The product of this active; an invented one where none is listed."""
        for listed in products:
            if tuple(listed.actives) == (active.name,):
                return listed.name
        taken = {listed.name for listed in products}
        place = 0
        while product_name(active, place) in taken and place < 99:
            place += 1
        name = product_name(active, place)
        if name in taken:
            name = f"Demo {active.name}"
        products.append(product(name, (active,), self.catalogue, crop))
        return name


def _order(entry: Pass) -> int:
    return entry.number
