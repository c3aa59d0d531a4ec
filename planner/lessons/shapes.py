"""The shapes of all teaching data, declared once: classrooms, roles, lessons and exercise sheets.

Teaching data speak in *roles* (``risky``, ``sister``, ``multi``), never in actives, so that one lesson serves every
crop whose catalogue holds an active for each role. ``README.md`` in this folder is the grammar.
"""

from __future__ import annotations

from typing import Literal

import msgspec

from planner.model import Severity


class Shape(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Base of all shapes: a key that is not declared is refused."""


# --- the classroom of a crop ----------------------------------------------------------------------------------------


class SlotShape(Shape, frozen=True, kw_only=True):
    """A possible pass: its date and stage."""

    date: str
    stage: str


class ClassTarget(Shape, frozen=True, kw_only=True):
    """A disease that the small season is for, with its possible passes in order."""

    target: str
    pressure: Literal["low", "moderate", "high"] = "moderate"
    slots: list[SlotShape]
    late: SlotShape | None = None  # a pass after the best timing
    beside: str = ""  # another disease of the crop, for passes that meet one and miss the other


class ClassroomShape(Shape, frozen=True, kw_only=True):
    """One crop's small season. Everything in it is invented but the names that the catalogue holds."""

    classroom: str  # crop id
    name: str
    note: str
    sown: str | None = None
    type: Literal["spring", "winter"] | None = None
    stages: dict[str, str]
    harvest: str
    targets: list[ClassTarget]


class RoleShape(Shape, frozen=True, kw_only=True):
    """What an active must be to play a part. Every key given must hold."""

    role: str
    about: str  # in words: shown when no active fits
    risk: list[str] = []
    at_risk: bool | None = None
    multi_site: bool | None = None
    same_group: str = ""  # role
    other_group: list[str] = []  # roles
    other_active: list[str] = []  # roles
    only_beside: bool = False  # works on the class's other disease and is not rated for the target
    prefer: list[str] = []  # actives, first that fits wins


class RolesShape(Shape, frozen=True, kw_only=True):
    """All roles, in the order in which they are cast, and the invented product names."""

    roles: list[RoleShape]
    common: list[str]  # actives that exercises draw from
    names: list[str]


# --- lessons --------------------------------------------------------------------------------------------------------


class UseShape(Shape, frozen=True, kw_only=True):
    """A role with the share of its full label rate."""

    role: str
    share: float = 1.0
    protection: float | None = None  # days that the invented label claims


class PassShape(Shape, frozen=True, kw_only=True):
    """One pass of a lesson's season: a slot (1-based, or ``late``) and roles."""

    at: int | Literal["late"]
    use: list[str | UseShape]
    how: Literal["foliar", "seed"] = "foliar"


class FindsShape(Shape, frozen=True, kw_only=True):
    """A finding that must be there."""

    rule: str
    severity: list[Severity] = []  # one of these; empty: any
    passes: list[int] = []


class RatioShape(Shape, frozen=True, kw_only=True):
    """How the selection days of a role's group stand to those of an earlier step."""

    role: str
    between: tuple[float, float]
    step: int = 0  # 1-based step to compare with; 0: the step before


class ModesShape(Shape, frozen=True, kw_only=True):
    """Number of modes of action in a pass that work on the target; ``codes``: groups in the tank."""

    at: int
    are: int
    codes: int | None = None


class GroupsShape(Shape, frozen=True, kw_only=True):
    """Whether two roles have one mode-of-action group."""

    roles: tuple[str, str]
    same: bool


class BareShape(Shape, frozen=True, kw_only=True):
    """Days of the target's window between first and last pass that nothing effective covers."""

    between: tuple[int, int] | None = None
    falls: bool = False  # fewer than at the step before


class ClaimShape(Shape, frozen=True, kw_only=True):
    """One statement that a lesson makes and the planner computes. Exactly one key."""

    breaks: FindsShape | None = None  # a finding that holds at this step
    advises: FindsShape | None = None  # the same, for what is no breach
    mends: str = ""  # a rule found at the step before, not at this one
    quiet: str = ""  # a rule that finds nothing at this step
    verdict: Literal["clean", "cautions", "breaches"] | None = None
    selection: RatioShape | None = None
    modes: ModesShape | None = None
    groups: GroupsShape | None = None
    bare: BareShape | None = None
    notice: str = ""  # words that a notice of the audit holds
    unselected: str = ""  # a role whose group the index does not charge at all


class StepShape(Shape, frozen=True, kw_only=True):
    """One state of the small season, with what is said about it."""

    say: str
    passes: list[PassShape]
    resistant: list[str] = []  # roles whose group is confirmed not to work on this field
    history: list[list[str]] = []  # last season's passes, as roles
    beside: bool = False  # the class's other disease is in the field too
    claims: list[ClaimShape]


class ChoiceShape(Shape, frozen=True, kw_only=True):
    """An answer to choose."""

    text: str
    right: bool = False
    because: str


class QuestionShape(Shape, frozen=True, kw_only=True):
    """The question at the end."""

    ask: str
    choices: list[ChoiceShape]


class CureShape(Shape, frozen=True, kw_only=True):
    """A misconception and what holds."""

    number: int
    they_think: str
    holds: str


class TermShape(Shape, frozen=True, kw_only=True):
    """A word explained where it is first used."""

    term: str
    means: str


class LessonSource(Shape, frozen=True, kw_only=True):
    """A key of ``catalog/sources.yaml`` and the place in it."""

    key: str
    where: str = ""


class LessonShape(Shape, frozen=True, kw_only=True):
    """One lesson."""

    lesson: str
    order: int
    title: str
    idea: str  # the one idea, in one sentence
    cures: list[CureShape] = []
    roles: list[str]  # that its texts and steps need
    targets: dict[str, str] = {}  # crop -> disease of its classroom, where not the first
    only: list[str] = []  # crops on which its claims hold; empty: every crop with the roles
    only_because: str = ""
    terms: list[TermShape] = []
    farmer: list[str]
    adviser: list[str]
    steps: list[StepShape]
    shows: list[Literal["reports", "limits"]] = []
    question: QuestionShape
    sources: list[LessonSource]
    cautions: list[str] = []


# --- exercises ------------------------------------------------------------------------------------------------------


class KindShape(Shape, frozen=True, kw_only=True):
    """Texts of one kind of exercise."""

    kind: Literal["faults", "mend", "order", "partner", "product", "label"]
    title: str
    task: str
    form: str  # how to write an answer: the hint after nonsense
    sources: list[LessonSource]


class FaultShape(Shape, frozen=True, kw_only=True):
    """How a statement about one rule reads."""

    rule: str
    says: str


class ExercisesShape(Shape, frozen=True, kw_only=True):
    """All texts of the exercises."""

    kinds: list[KindShape]
    faults: list[FaultShape]
    cautions: list[str]
