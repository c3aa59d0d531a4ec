"""Leaves that unfold after a pass: until when the crop unfolds them, and whether an active reaches them.

Both are facts of the catalogue (``leaves`` of a crop, ``new_leaves`` of a mobility), both three-valued: what no source
says is not known and is never taken as covered. Days are ordinals.
"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from planner.model import Active, Struct, Truth
from planner.season import scale_of

if TYPE_CHECKING:
    from planner.account import Account

FAR = date.max.toordinal()  # a day that no season reaches

_REACHED: dict[str, Truth] = {"protected": True, "bare": False, "partly": None, "": None}


def reached(active: Active) -> Truth:
    """Whether leaves that unfold after a pass with this active are protected; None: in part, or no source says."""
    return _REACHED[active.new_leaves]


class Growth(Struct, frozen=True):
    """Until when a crop unfolds leaves on a field: surely before ``sure_until``, none after ``none_after``.

    None: nothing dates it, or no source says. Estimated stages count at the careful end of their spread: the early end
    for ``sure_until``, the late one for ``none_after``. ``stages`` and ``words`` (the grade) are the catalogue's.
    """

    sure_until: int | None = None
    none_after: int | None = None
    stages: tuple[str, str] | None = None
    estimated: tuple[bool, bool] = (True, True)  # of the two days
    words: str = ""
    sources: tuple[str, ...] = ()

    def after(self, day: int) -> Truth:
        """Whether leaves unfold after a day; None: nobody can say."""
        if self.none_after is not None and day >= self.none_after:
            return False
        if self.sure_until is not None and day < self.sure_until:
            return True
        return None


def growth(account: Account) -> Growth:
    """Until when the crop of an account unfolds leaves, by its stages and their dates on this field."""
    crop, season = account.crop, account.season
    found = crop.leaves
    if found is None:
        return Growth()
    stages, words, sources = (found.sure, found.last), found.backing.words, found.backing.sources
    if season.floating or not season.stages:
        return Growth(stages=stages, words=words, sources=sources)
    scale = scale_of(account.catalogue, crop)  # stages that share a BBCH code still follow each other
    sure, last = scale.place(found.sure), scale.place(found.last)
    placed = [(scale.place(code), entry) for code, entry in season.stages.items() if entry.on_line]
    begun = [entry for place, entry in placed if place <= sure]
    over = [entry for place, entry in placed if place >= last]
    ends = max(begun, key=lambda entry: entry.earliest, default=None)
    stops = min(over, key=lambda entry: entry.latest, default=None)
    lifelong = sure >= crop.harvest_bbch  # leaves unfold until the crop is lifted, whenever that is
    return Growth(
        sure_until=FAR if lifelong and stops is None else ends.earliest.toordinal() if ends is not None else None,
        none_after=stops.latest.toordinal() if stops is not None else None,
        stages=stages,
        estimated=(ends is None or ends.estimated, stops is None or stops.estimated),
        words=words,
        sources=sources,
    )
