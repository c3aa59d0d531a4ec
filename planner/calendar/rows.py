"""The calendar as values: one class per kind of row, and the whole answer."""

from __future__ import annotations

from typing import Literal

from planner.model import Day, Struct

Side = Literal["first", "last"]
RestsOn = Literal[
    "given", "photothermal days", "degree days", "typical days", "between its neighbours", "the order of stages"
]


class StageRow(Struct, frozen=True, kw_only=True):
    """One stage. ``named``: the field, a target, a label or a pass speaks of it. ``earliest`` to ``latest``: spread."""

    code: str
    bbch: int
    name: str
    look_for: str
    date: Day
    earliest: Day
    latest: Day
    rests_on: RestsOn
    basis: str
    estimated: bool
    named: bool
    grade: str = ""
    confidence: str | None = None
    sources: tuple[str, ...] = ()


class Undated(Struct, frozen=True, kw_only=True):
    """Stages of the crop's scale that nothing dates, in order, and why; ``before``: the first dated one after them."""

    codes: tuple[str, ...]
    why: str
    before: When | None = None


class When(Struct, frozen=True, kw_only=True):
    """The day of one stage, with its spread; all None where nothing dates it."""

    stage: str
    date: Day | None
    earliest: Day | None
    latest: Day | None
    estimated: bool


class LeavesRow(Struct, frozen=True, kw_only=True):
    """Until when the crop unfolds leaves: surely until the first stage, none after the second; days by their spread."""

    sure: str
    last: str
    surely_until: Day | None
    none_after: Day | None
    estimated: tuple[bool, bool]
    grade: str
    sources: tuple[str, ...]


class NewLeaves(Struct, frozen=True, kw_only=True):
    """Days on which leaves that unfolded after a pass are bare against a target, while it still covers older ones."""

    target: str
    name: str
    first: Day
    last: Day
    sure: bool  # False: bare if the crop still unfolds leaves then


class TargetRow(Struct, frozen=True, kw_only=True):
    """One target: its infection window, its best timing, and what the user says of its pressure."""

    target: str
    name: str
    window: tuple[When, When] | None
    first: Day | None
    last: Day | None
    window_grade: str
    style: str
    best: tuple[When, ...]
    best_until: When | None  # the stage that follows the best timing: from here on a first pass is late
    follow_up_days: int | None
    timing_grade: str
    foliar_treatment: bool | None
    pressure: str | None
    cultivar: str | None
    raises: tuple[str, ...]
    lowers: tuple[str, ...]
    risk_raisers: tuple[str, ...]
    weather: str
    sources: tuple[str, ...]


class Bound(Struct, frozen=True, kw_only=True):
    """One reason why a pass cannot, or had better not, go on earlier (``first``) or later (``last``) than ``day``.

    ``kind``: ``label`` and ``season`` (sowing, harvest, the neighbouring passes) bind; ``timing`` (best timing of a
    target that the pass works against) and ``cover`` (the pass before it has faded) are what the disease asks.
    """

    side: Side
    kind: Literal["label", "season", "timing", "cover"]
    day: Day
    why: str
    estimated: bool


class Covered(Struct, frozen=True, kw_only=True):
    """Until which day a pass covers a target; ``last`` None: not known, and ``why``."""

    target: str
    name: str
    last: Day | None
    why: str


class PassRow(Struct, frozen=True, kw_only=True):
    """First and last day of one pass. ``first``/``last`` None with a ``note``: no day fits, or nothing bounds it."""

    number: int
    day: Day | None
    day_estimated: bool
    stage: str | None
    how: str
    first: Day | None
    last: Day | None
    first_stage: str
    last_stage: str
    allowed_first: Day | None  # by label and season alone
    allowed_last: Day | None
    bounds: tuple[Bound, ...]
    targets: tuple[str, ...]
    covers: tuple[Covered, ...]
    new_leaves: tuple[NewLeaves, ...]
    missing: tuple[str, ...]
    note: str


class ProductRow(Struct, frozen=True, kw_only=True):
    """Between which days a listed product can go on this field, by label stage and by pre-harvest interval."""

    product: str
    on_label: bool
    first_stage: When | None
    last_stage: When | None
    last_by_stage: Day | None
    last_by_stage_estimated: bool
    harvest_interval: int | None
    last_by_harvest: Day | None
    last: Day | None
    sets: Literal["stage", "harvest", ""]
    missing: tuple[str, ...]


class Calendar(Struct, frozen=True, kw_only=True):
    """The whole answer. ``notices`` say what stands in the way of dates."""

    field: str
    crop: str
    programme: str
    sown: Day | None
    harvest: Day | None
    temperatures: tuple[Day, Day] | None
    stages: tuple[StageRow, ...]
    undated: tuple[Undated, ...]
    leaves: LeavesRow | None
    targets: tuple[TargetRow, ...]
    passes: tuple[PassRow, ...]
    products: tuple[ProductRow, ...]
    notices: tuple[str, ...]
    demo: bool = False
