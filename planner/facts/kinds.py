"""The kinds of flat facts that rules look at, declared once.

A rule file may name only the fields and the display texts of its kind; a fact may carry only them. The rulebook, the
engine and the makers of facts all check against this table, so a misspelt field is refused when a rule is loaded and
not silently never found.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any, Literal

from msgspec.structs import force_setattr

from planner.model import Severity, Struct

FieldType = Literal["text", "int", "flag"]
FactValue = str | int | None  # None: unknown, never "no"
Shown = str | tuple[str, ...]  # a text, or the items of a list: those of merged facts make one list


class FactKind(Struct, frozen=True, kw_only=True):
    """One kind of fact.

    ``fields`` are what conditions compare: text, whole numbers in the unit the field's name tells (mg/ha, mL/ha,
    days, per mille) and flags (0 or 1). ``shows`` are further texts that only messages may hold.
    """

    name: str
    fields: dict[str, FieldType]
    shows: tuple[str, ...] = ()
    about: str


class Telling(Struct, frozen=True, kw_only=True):
    """What is told of a fact when a rule fires on it.

    ``cap`` is the most severe finding that the evidence behind the fact allows and ``lower`` the steps by which a
    finding is made milder (contract, section 5, "Severity" and "Limits compete"). ``subject`` is what findings are
    merged by.
    """

    shows: dict[str, Shown] = {}
    evidence: dict[str, Any] = {}
    cap: Severity = "breach"
    cap_reason: str = ""
    lower: int = 0
    lower_reason: str = ""
    sources: tuple[str, ...] = ()
    subject: str = ""
    place: str = ""
    where: dict[str, str] = {}  # the place within a source, by its key


class Fact(Struct, frozen=True, kw_only=True):
    """One flat fact about a programme.

    ``values`` holds every field of its kind; None is unknown, and ``unknown`` then says which fact to supply. Of some
    sixty facts of a season a dozen lead to a finding, so ``tell`` may be what makes the telling: ``told`` asks it once,
    when somebody wants to know.
    """

    kind: str
    id: str
    passes: tuple[int, ...]
    values: dict[str, FactValue]
    unknown: dict[str, str] = {}
    tell: Telling | Callable[[], Telling] = Telling()

    @property
    def told(self) -> Telling:
        """What is told of the fact. Made when first asked for: with every text of its kind, and the end of the fact's
        id as subject where it names none."""
        found = self.tell
        if not isinstance(found, Telling):
            found = found()
            force_setattr(found, "shows", _blank(self.kind) | found.shows)
            if not found.subject:
                force_setattr(found, "subject", self.id.removeprefix(f"{self.kind}:"))
            force_setattr(self, "tell", found)
        return found


@cache
def _blank(kind: str) -> dict[str, Shown]:
    return dict.fromkeys(KINDS[kind].shows, "")


KINDS: dict[str, FactKind] = {
    kind.name: kind
    for kind in (
        # --- label ---------------------------------------------------------------------------------------------------
        FactKind(
            name="label_use",
            about="one listed product in one pass, with what its label says for this crop",
            fields={
                "crop_on_label": "flag",
                "rate": "int",  # mL/ha or g/ha of product, as the label's own unit goes
                "rate_least": "int",
                "rate_most": "int",
                "cut_allowed": "flag",  # a published row accepts a rate cut to this share
                "stage_low": "int",  # BBCH: the least the pass can be at
                "stage_high": "int",
                "first_stage": "int",
                "last_stage": "int",
                "days_to_harvest": "int",
                "harvest_interval": "int",
                "water": "int",  # mL/ha
                "water_least": "int",
            },
            shows=(
                "product",
                "crop",
                "rate_words",
                "least_words",
                "most_words",
                "stage_words",
                "window_words",
                "days_words",
                "interval_words",
                "water_words",
                "water_least_words",
                "cut_words",
                "lawful_window",
            ),
        ),
        FactKind(
            name="label_repeat",
            about="one product used again: the days since its last pass",
            fields={"days_apart": "int", "interval": "int"},
            shows=("product", "first", "second", "days_words", "interval_words"),
        ),
        FactKind(
            name="label_season",
            about="one product over the season",
            fields={"applications": "int", "most": "int"},
            shows=("product",),
        ),
        FactKind(
            name="active_season",
            about="an active over the season, all products and bare actives, beside the least limit of any used label",
            fields={"total": "int", "most": "int"},  # mg/ha
            shows=("active", "total_words", "most_words", "label_of"),
        ),
        FactKind(
            name="label_run",
            about="a run of passes with one group, against the labels in it that limit such runs",
            fields={"run": "int", "most": "int"},
            shows=("product", "group", "passes_words", "labels_words", "most_words"),
        ),
        # --- rotation ------------------------------------------------------------------------------------------------
        FactKind(
            name="succession",
            about="two passes in succession that hold one group, or two groups joined by cross-resistance",
            fields={
                "crossed": "flag",  # two different codes
                "at_risk": "flag",
                "risk": "text",  # low-medium, medium, medium-high, high
                "field_has_targets": "flag",
                "targets_shared": "int",
                "run_allowed": "flag",
                "run_forbidden": "flag",
                "days_bare": "int",  # from the end of the first pass's cover to the second pass
                "alone_some": "flag",
                "alone_all": "flag",
                "row_forbids": "flag",  # a published row keeps these two groups apart
            },
            shows=(
                "first",
                "second",
                "group",
                "other_group",
                "targets",
                "products",
                "actives",
                "row_text",
                "neighbours",
                "partner_words",
            ),
        ),
        FactKind(
            name="season_mix",
            about="the at-risk groups of all passes of the season",
            fields={"passes_counted": "int", "same_set": "flag", "groups_at_risk": "int"},
            shows=("groups",),
        ),
        FactKind(
            name="last_season",
            about="this season's group sequence beside the newest earlier one",
            fields={"same_sequence": "flag", "survives": "flag"},
            shows=("season", "sequence", "targets"),
        ),
        FactKind(
            name="repeated_active",
            about="one active twice in a season, of a group whose members share resistance only in part",
            fields={"uses": "int", "row_asks": "flag", "other_rated": "flag"},
            shows=("active", "group", "others", "row_text"),
        ),
        # --- published limits ----------------------------------------------------------------------------------------
        FactKind(
            name="limit_count",
            about="passes with a group in the season beside the published most",
            fields={"count": "int", "most": "int"},
            shows=("group", "limit_text", "subject", "counted_over"),
        ),
        FactKind(
            name="limit_share",
            about="a group's share of the passes counted beside the published share",
            fields={"count": "int", "allowed": "int", "counted": "int", "holds_from": "int"},
            shows=("group", "limit_text", "subject", "share_words", "counted_over"),
        ),
        FactKind(
            name="limit_run",
            about="the longest run of passes with a group beside the published most",
            fields={"run": "int", "most": "int"},
            shows=("group", "limit_text", "subject", "counted_over"),
        ),
        FactKind(
            name="limit_interval",
            about="days from a pass with a group to the next pass against the target",
            fields={"days": "int", "most": "int"},
            shows=("group", "limit_text", "target", "first", "second"),
        ),
        FactKind(
            name="limit_window",
            about="a use of a group beside the stages, date or position a published row gives it",
            fields={"outside": "flag"},
            shows=("group", "limit_text", "stage_words", "window_words"),
        ),
        # --- mixing --------------------------------------------------------------------------------------------------
        FactKind(
            name="mixture_wanted",
            about="a group that a published row wants mixed, in one pass",
            fields={"others": "int", "others_rated": "flag", "partner_effective": "flag"},
            shows=("group", "limit_text", "targets", "actives", "partners", "companions", "reasons"),
        ),
        FactKind(
            name="shared_group",
            about="two or more at-risk actives of one group (or joined groups) in one tank",
            fields={"partnered": "flag", "row_calls_solo": "flag"},
            shows=("actives", "group", "targets", "limit_text"),
        ),
        FactKind(
            name="partner_rate",
            about="a mixing partner's rate as a share of its full label rate, beside the share a row asks",
            fields={"share": "int", "least": "int"},  # per mille
            shows=("partner", "group", "share_words", "least_words", "limit_text", "rate_words"),
        ),
        FactKind(
            name="partner_cover",
            about="days by which the longest-lasting partner's cover ends too soon",
            fields={"days_short": "int", "multi_site": "flag"},
            shows=("partner", "group", "target", "partner_end", "needed_end", "needed_by"),
        ),
        FactKind(
            name="modes_in_mix",
            about="modes of action in a pass beside the published least",
            fields={"modes": "int", "least": "int", "multi_site_wanted": "flag", "multi_site_present": "flag"},
            shows=("group", "codes", "target", "limit_text", "wanted"),
        ),
        # --- resistance ----------------------------------------------------------------------------------------------
        FactKind(
            name="reported_use",
            about="an active used against a target with reported resistance to its group",
            fields={"rated_for": "flag", "level": "text"},
            shows=("actives", "group", "target", "report", "working", "remedy_row"),
        ),
        FactKind(
            name="pass_effect",
            about="what a pass does against the targets whose window it covers",
            fields={"targets_met": "int", "nothing_works": "flag"},
            shows=("targets", "targets_when", "actives", "reasons", "date_words"),
        ),
        FactKind(
            name="target_modes",
            about="the modes of action that control a target over the season",
            fields={"passes_against": "int", "modes": "int", "multi_site": "flag"},
            shows=("target", "groups", "dates_words", "days_words"),
        ),
        FactKind(
            name="combined_risk",
            about="fungicide score x pathogen score x agronomic score of a group on a target, in hundredths",
            fields={"risk": "int", "alone_some": "flag"},
            shows=("group", "target", "risk_words", "parts"),
        ),
        # --- timing --------------------------------------------------------------------------------------------------
        FactKind(
            name="first_pass",
            about="the stage of the first effective pass against a target beside its best timing",
            fields={"stage": "int", "late_from": "int"},
            shows=("target", "stage_words", "best_words", "date_words", "late_words", "end_words"),
        ),
        FactKind(
            name="cover_gap",
            about="the longest bare stretch inside the window; days_if_cut: the same, unknown where a rate is cut",
            fields={"days": "int", "days_if_cut": "int", "pressure": "text"},
            shows=("target", "span_words", "at_least", "growth_words", "first", "second", "windows"),
        ),
        FactKind(
            name="pass_window",
            about="whether a pass's cover meets any target's window",
            fields={"meets_any": "flag", "only_untreated": "flag"},
            shows=("stage_words", "targets", "windows", "date_words", "cover_words"),
        ),
        FactKind(
            name="coverage",
            about="droplets and carrier volume beside the published advice for target and canopy",
            fields={"droplets_fit": "flag", "water": "int", "water_least": "int"},  # mL/ha
            shows=(
                "target",
                "droplets",
                "advised",
                "water_words",
                "advised_water",
                "droplets_and_water",
                "advised_droplets_and_water",
                "note",
            ),
        ),
        FactKind(
            name="harmful_use",
            about="a use at a stage that a source warns against for harm other than resistance",
            fields={"inside": "flag"},
            shows=("group", "stage_words", "effect", "do_instead", "actives"),
        ),
    )
}
