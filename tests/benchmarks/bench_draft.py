"""A draft beside the bare solving time of the same CP-SAT model, the front beside one solve, an impossible season."""

from __future__ import annotations

import gc
import random
import resource
import sys
import time
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[1])]

from benchmarks.measure import median, row
from seasons import products_of

from planner.audit import audit
from planner.catalogue import Catalogue, load
from planner.documents import load_field, load_products
from planner.draft.conflict import clash
from planner.draft.front import draft
from planner.draft.options import Column, Space
from planner.draft.solve import Search, Wanted
from planner.model import Field
from planner.places import folder

FIELD = folder("shared") / "scenarios" / "quarry-bottom.yaml"
ORDER = ("bare", "cost", "selection")
PRODUCTS = 24  # the smallest shop of this kind that fills 40 options on each of the 8 dates


class Cut(Space):
    """A space that keeps the first so many options of each slot instead of those that none beats."""

    most = 40

    def _best(self, fit: Any) -> set[str]:
        return {product.name for product, _ in fit}

    def _reduced(self, columns: list[Column]) -> list[Column]:
        kept: dict[int, list[Column]] = {}
        for column in columns:
            kept.setdefault(column.slot, []).append(column)
        return sorted((c for here in kept.values() for c in here[: self.most]), key=lambda column: column.number)

    def whole(self) -> Space:
        """What is cut off is not on offer here."""
        return self


def make(known: Catalogue, field: Field, slots: int, options: int) -> Space:
    """A space of this many slots with at most this many options on each."""
    products = products_of(random.Random(11), known, field, PRODUCTS)
    first = field.stages["R1"].toordinal()
    Cut.most = options
    return Cut(field, products, known, slots=[first + 7 * at for at in range(slots)], most_in_tank=2)


def long_season(known: Catalogue) -> dict[str, Any]:
    """The shipped potato field: named programmes, part of the front and the audit of each, beside one solve."""
    folder_ = FIELD.parent
    field = load_field(folder_ / "long-furrow.yaml", known)
    begin = time.perf_counter()
    space = Space(field, load_products(folder_ / "potato-shop.yaml", known), known)
    found = draft(space, seconds=600.0)
    for answer in found.named.values():
        audit(space.programme(answer.columns), known)
    whole = time.perf_counter() - begin
    search = Search(found.space)
    objective = search._weighted(ORDER)
    one = median(lambda: search._solve(objective), repeat=3)
    sizes = f"{len(space.slots)} dates, {len(found.space.columns)} tanks, {len(found.points)} programmes"
    note = f"{sizes}; goal under 60 s"
    return row("a long season", whole, one, note)


def run() -> list[dict[str, Any]]:
    """Rows of the table."""
    known = load()
    gc.freeze()  # as a command does when it has the catalogue
    field = load_field(FIELD, known)
    space = make(known, field, 8, 40)
    sizes = [len(columns) for columns in space.by_slot]

    def one() -> None:
        search = Search(space)
        answer = search.best(ORDER)
        assert answer is not None
        audit(space.programme(answer.columns), known)

    search = Search(space)
    objective = search._weighted(ORDER)
    bare = median(lambda: search._solve(objective), repeat=5)
    ours = median(one, repeat=5)
    options = median(lambda: make(known, field, 8, 40), repeat=5)
    note = f"8 slots, {sizes} options; model, solve, audit beside the solve alone; goal at most 3"
    rows = [row("one-figure draft", ours, bare, note)]
    rows.append(
        row(
            "one-figure draft with its options",
            ours + options,
            bare,
            "the same, making every option too; goal 3 and 3 s",
        )
    )
    smaller = make(known, field, 6, 30)
    small = Search(smaller)
    single = median(lambda: small._solve(small._weighted(ORDER)), repeat=5)
    for slots, options, space_ in ((6, 30, smaller), (8, 40, space)):
        begin = time.perf_counter()
        found = draft(space_, seconds=120.0)
        whole = "all of them" if found.complete else "not all, the draft stops there"
        goal = "; goal at most 150" if slots == 6 else ""
        note = f"{slots} slots x {options} options: {len(found.points)} programmes, {whole}; beside one solve{goal}"
        rows.append(row("front", time.perf_counter() - begin, single if slots == 6 else bare, note))
    rows.append(long_season(known))
    begin = time.perf_counter()
    tags = clash(space, Wanted(passes=(8, 8), budget=40.0)).tags
    rows.append(
        row("an impossible season", time.perf_counter() - begin, bare, f"{len(tags)} clashing rules; goal under 5 s")
    )
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    rows.append(row("memory", peak, 600.0, "MiB at most, beside 600", "MiB"))
    return rows


if __name__ == "__main__":
    for line in run():
        print(line)
