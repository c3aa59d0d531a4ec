"""The second look: over every tank mix that the labels allow, with what the quick look found.

A draft first scans the mixes that hardly another one beats on their date (``Space.reduce``): that takes a second or two
and gives a front that is nearly right. Here the whole season is scanned, nothing left out, and what is known already
cuts most of it off. No exchange of one mix for another is argued about, so nothing has to be proven about labels that
run out: a beginning goes only because a rule throws it out or because known programmes beat every end of it.

A tank mix is one to three products at their full label rate, each with a mode of action that the others lack, each
working on a target that it meets or a named partner of one that does (``Space._mixes``, ``Space._worth``).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from planner.draft.options import Space
from planner.draft.scan import Scan
from planner.draft.solve import Answer, Search, Stopped

if TYPE_CHECKING:
    from planner.draft.front import Front

# beginnings; then the look ends and the front is that of the mixes weighed. Three times what the demo fields take
MOST_LOOKED_AT = 8_000_000


class Whole:
    """The season with every mix, beside the one that was scanned first."""

    def __init__(self, few: Space, search: Search, seconds: float) -> None:
        self.few = few
        self.space = few.whole()
        self.search = replace(search, space=self.space, seconds=seconds)
        self.seconds = seconds
        place = {(column.slot, column.products): column for column in self.space.columns if not column.kept}
        self._same = {
            column.number: place[column.slot, column.products] for column in few.columns if not column.kept
        } | {one.number: other for one, other in zip(few.kept, self.space.kept, strict=True)}

    @property
    def passes(self) -> int:
        """How many passes there are to choose from."""
        return sum(not column.kept for column in self.space.columns)

    def here(self, answer: Answer) -> Answer:
        """A programme of the few mixes in the columns of the whole season."""
        return replace(answer, columns=tuple(self._same[column.number] for column in answer.columns))

    def settled(self, answers: Sequence[Answer]) -> Space:
        """The season with the mixes that were scanned first and those of some programmes, in columns of the whole."""
        kept = {column.number for column in self._same.values()}
        kept |= {column.number for answer in answers for column in answer.columns}
        return self.space.only(kept, self.few)


def look(found: Front, search: Search, seconds: float, told: Callable[[int, int], None]) -> tuple[Whole, Scan] | None:
    """Make a complete front of few mixes one of all mixes. None: there are no others, or it did not come to an end.

    ``found`` then holds columns of the whole season, and its space is to be ``Whole.settled``.
    """
    found.weighed = found.allowed = sum(not column.kept for column in found.space.columns)
    if not found.space.reduce:
        found.over_all = True
        return None
    whole = Whole(found.space, search, seconds)
    found.allowed = whole.passes
    if found.allowed == found.weighed:
        found.over_all = True
        return None
    scan = Scan(whole.search, seconds=seconds)
    scan.resolution = found.resolution
    try:
        made = scan.front([whole.here(one) for one in found.points], told, most=MOST_LOOKED_AT)
    except Stopped:
        return None
    found.looked_at += made.looked_at
    if not made.complete:
        return None
    found.weighed, found.over_all = found.allowed, True
    found.points = [replace(one, proven=True) for one in made.answers]
    found.named = {name: whole.here(one) for name, one in found.named.items()}
    found.nothing = whole.here(found.nothing)
    return whole, scan
