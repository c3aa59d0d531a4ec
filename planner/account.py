"""The one account of a season that every rule, the drafter and the lessons share.

It answers, for one programme: which actives are in which pass, how well each works on each target here (rating, then
resistance report), which passes work against which target, who is whose partner, and until which day a pass covers.
Truth is three-valued: ``None`` is unknown and stays unknown. Every answer carries the cap that its evidence sets.

Words are those of the contract, section 5.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cached_property
from typing import TYPE_CHECKING

import msgspec

from planner.memo import Agent, Tank, ground_of
from planner.model import (
    CLASSES,
    Active,
    Backing,
    CropLabel,
    FieldTarget,
    Pass,
    Product,
    Programme,
    Protection,
    Rating,
    Report,
    Severity,
    Struct,
    TankItem,
    Target,
    Truth,
)
from planner.season import PassTime, Season, Window

if TYPE_CHECKING:
    from planner.catalogue import Catalogue, Purpose
    from planner.published import Published

RANK: dict[str, int] = {name: at for at, name in enumerate(CLASSES, start=1)}  # poor 1 ... excellent 5
GOOD, FAIR, POOR = RANK["good"], RANK["fair"], RANK["poor"]
CAP_RANK: dict[Severity, int] = {"advice": 0, "caution": 1, "breach": 2}
RISK_RANK = {"unknown": 0, "low": 1, "low-medium": 2, "medium": 3, "medium-high": 4, "high": 5}
LEVEL_RANK = {"none": 0, "reduced": 1, "lost": 2}


class Cap(Struct, frozen=True):
    """The most severe finding that some evidence allows, and the fact that sets it."""

    severity: Severity = "breach"
    reason: str = ""
    lower: int = 0  # steps of severity lower (advice of a region that the field does not name)
    lower_reason: str = ""


FREE = Cap()


def tightest(caps: Iterable[Cap]) -> Cap:
    """One cap that honours all of them."""
    severity: Severity = "breach"
    reason, lower, lower_reason = "", 0, ""
    for cap in caps:
        if CAP_RANK[cap.severity] < CAP_RANK[severity]:
            severity, reason = cap.severity, cap.reason
        if cap.lower > lower:
            lower, lower_reason = cap.lower, cap.lower_reason
    return Cap(severity, reason, lower, lower_reason) if (reason or lower) else FREE


def cap_of(backing: Backing, what: str) -> Cap:
    """The cap that a fact's grade sets, named by what the fact is."""
    severity = backing.cap
    return FREE if severity == "breach" else Cap(severity, f"{what} is {backing.words}")


class Rated(Struct, frozen=True):
    """How well an active controls a target before any resistance report. ``rank`` None: unknown."""

    rank: int | None
    basis: str  # label, active, group, unknown
    cap: Cap = FREE
    after_resistance: bool = False
    sources: tuple[str, ...] = ()
    before: int | None = None  # class before resistance, where the rating was made in resistant populations

    @property
    def rated_for(self) -> Truth:
        """Fair or better before any report."""
        rank = self.before if self.after_resistance and self.before is not None else self.rank
        return None if rank is None else rank >= FAIR

    @property
    def words(self) -> str:
        """The class in words."""
        return "unknown" if self.rank is None else CLASSES[self.rank - 1]


UNRATED = Rated(None, "unknown")


class Standing(Struct, frozen=True):
    """What reports say of a group (or active) against a target here."""

    level: str  # lost, reduced, none (a survey found none), unreported
    cap: Cap = FREE
    words: str = ""  # place and year, as the report's reader meets them
    sources: tuple[str, ...] = ()
    mutation: tuple[str, ...] = ()
    country_level: str = "unreported"  # the level without reports of regions that the field does not name


UNREPORTED = Standing("unreported")


class Effect(Struct, frozen=True):
    """Whether an active is effective on a target on its own here."""

    value: Truth
    rated: Rated
    standing: Standing
    cap: Cap
    rank: int | None  # class after the report


class Use(msgspec.Struct, eq=False):
    """One fungicide active in one pass."""

    number: int
    active: Active
    group: str
    item: TankItem
    product: Product | None
    label: CropLabel | None
    dose: float | None  # g/ha
    fraction: float | None  # of the product's full label rate
    agent: Agent  # the active as the label rates it, with what is known of it here
    code: str = ""  # the group's code without its scheme
    cut: bool = False  # the rate lies under the label's least; False as well where either is not known

    def __post_init__(self) -> None:
        self.code = self.group.partition(" ")[2]
        rate, least = self.item.rate, self.label.rate_least if self.label is not None else None
        self.cut = rate is not None and least is not None and rate < least * (1 - 1e-9)

    @property
    def shown(self) -> str:
        """The product with the active in brackets, or the bare active."""
        return f"{self.item.product} ({self.active.name})" if self.item.product else self.active.name


class PassState(msgspec.Struct, eq=False):
    """One fungicide pass with its time and actives."""

    entry: Pass
    number: int
    time: PassTime
    uses: list[Use]
    by_group: dict[str, list[Use]]
    tank: Tank  # what is known of this mix here
    codes: frozenset[str] = frozenset()  # of all fungicide groups in the tank

    def __post_init__(self) -> None:
        self.codes = frozenset(use.code for use in self.uses)


class TargetState(msgspec.Struct, eq=False):
    """One target of the field with its window here."""

    target: Target
    entry: FieldTarget
    window: Window | None
    id: str = ""  # within its crop
    name: str = ""  # common name

    def __post_init__(self) -> None:
        self.id = self.target.id
        self.name = self.target.name


class Meets(Struct, frozen=True):
    """Whether a pass's cover meets a window, and whether that hangs on an estimated stage."""

    value: Truth
    estimated: bool


class Account:
    """Everything the rules need to know about one programme. Answers are remembered; nothing is changed."""

    def __init__(self, programme: Programme, catalogue: Catalogue, season: Season | None = None) -> None:
        self.programme = programme
        self.catalogue = catalogue
        self.field = programme.field
        self.crop = catalogue.crop(self.field.crop)
        self.season = season or Season(self.field, self.crop, catalogue, programme.passes)
        self.ground = ground_of(catalogue, self.crop, self.field)
        self.targets = [self._target(entry) for entry in self.field.targets or ()]
        states = [self._pass(entry) for entry in programme.passes]
        self.all_states = states
        self.fungicide_states = [state for state in states if state.uses]
        self.passes = [state for state in self.fungicide_states if state.entry.how == "foliar"]
        self.early = [state for state in self.fungicide_states if state.entry.how != "foliar"]
        self._works: dict[tuple[int, str], Truth] = {}
        self._against: dict[int, list[TargetState]] = {}
        self._served: dict[tuple[int, str], list[TargetState]] = {}
        self._meets: dict[tuple[int, str], Meets] = {}
        self._working: dict[str, list[PassState]] = {}
        self._days: dict[tuple[int, str], Protection | None] = {}

    # --- building ---------------------------------------------------------------------------------------------------

    def _target(self, entry: FieldTarget) -> TargetState:
        target = self.catalogue.target(self.crop.id, entry.target)
        return TargetState(target, entry, self.season.window(target))

    def _pass(self, entry: Pass) -> PassState:
        uses: list[Use] = []
        for item in entry.tank:
            if item.product is None:
                assert item.active is not None
                active = self.catalogue.active(item.active)
                if active.kind == "fungicide":
                    agent = self.ground.agent(active.name, {})
                    uses.append(Use(entry.number, active, active.group, item, None, None, item.dose, None, agent))
                continue
            product = self.programme.product(item.product)
            if product is None:
                continue
            label = product.labels.get(self.crop.id)
            full = label.rate_most if label else None
            fraction = item.rate / full if item.rate is not None and full else None
            for name, content in product.actives.items():
                active = self.catalogue.active(name)
                if active.kind == "fungicide":
                    dose = item.rate * content if item.rate is not None else None
                    agent = self.ground.agent(active.name, label.targets if label else {})
                    uses.append(Use(entry.number, active, active.group, item, product, label, dose, fraction, agent))
        by_group: dict[str, list[Use]] = {}
        for use in uses:
            by_group.setdefault(use.group, []).append(use)
        tank = self.ground.tank(tuple([use.agent.key for use in uses]))
        return PassState(entry, entry.number, self.season.place(entry), uses, by_group, tank)

    # --- groups -----------------------------------------------------------------------------------------------------

    def at_risk(self, uses: Iterable[Use]) -> Truth:
        """Whether any of these uses is at risk; unknown only where none is and one may be."""
        unknown = False
        for use in uses:
            risk = use.active.at_risk
            if risk:
                return True
            unknown = unknown or risk is None
        return None if unknown else False

    def risk(self, uses: Iterable[Use]) -> str:
        """The highest risk level among these uses' actives."""
        return max([use.active.risk for use in uses], key=_risk_rank)

    def joined(self, one: str, other: str, purpose: Purpose) -> bool:
        """Whether two group keys count as one for mixing, succession or counting."""
        return one == other or self.catalogue.joined(one, other, purpose)

    def group_words(self, key: str) -> str:
        """``group 11 (strobilurin)``."""
        words = self.ground.words
        found = words.get(key)
        if found is None:
            found = words[key] = self.catalogue.group(key).words
        return found

    # --- ratings and reports ----------------------------------------------------------------------------------------

    def rated(self, use: Use, target: TargetState) -> Rated:
        """The class of one active on one target, before reports: label, active, group list, unknown."""
        found = use.agent.rated.get(target.id)
        if found is None:
            found = use.agent.rated[target.id] = self._look_up(use, target)
        return found

    def _look_up(self, use: Use, target: TargetState) -> Rated:
        if use.label is not None:
            told = use.label.targets.get(target.id)
            if told is not None:
                return Rated(RANK[told], "label")
        row = self._row(target, (use.active.name,))
        if row is not None:
            if row.rating is not None:
                return Rated(
                    RANK[row.rating],
                    "active",
                    cap_of(row.backing, f"the rating of {use.active.name} on {target.name}"),
                    row.after_resistance,
                    row.backing.sources,
                    self._group_rank(use, target) if row.after_resistance else None,
                )
            if row.stops_lookup:
                return UNRATED
        for group in target.target.rated_groups:
            if group.code == use.code:
                cap = cap_of(group.backing, f"the rating of group {group.code} on {target.name}")
                group_cap = Cap("caution", f"{target.name} is rated for group {group.code}, not for {use.active.name}")
                return Rated(RANK[group.rating], "group", tightest((group_cap, cap)), False, group.backing.sources)
        return UNRATED

    def _group_rank(self, use: Use, target: TargetState) -> int | None:
        """The class of the use's group on the target, before any report."""
        found = next((group for group in target.target.rated_groups if group.code == use.code), None)
        return None if found is None else RANK[found.rating]

    def _row(self, target: TargetState, actives: tuple[str, ...]) -> Rating | None:
        """The rating row for exactly these actives: own country, else the row that serves elsewhere."""
        elsewhere = None
        for row in self.catalogue.ratings(self.crop.id, target.id):
            if row.actives != actives:
                continue
            if self.field.country is not None and row.country == self.field.country:
                return row
            if row.elsewhere and not row.after_resistance:
                elsewhere = row
        return elsewhere

    def mixture_rated(self, state: PassState, target: TargetState) -> Rated:
        """The published rating of exactly this tank's mixture, for the tank as a whole (never for one partner)."""
        key = ("mixture", target.id)
        found: Rated | None = state.tank.known.get(key)
        if found is None:
            found = state.tank.known[key] = self._mixture(state, target)
        return found

    def _mixture(self, state: PassState, target: TargetState) -> Rated:
        names = tuple(sorted({use.active.name for use in state.uses}))
        if len(names) < 2:
            return UNRATED
        row = self._row(target, names)
        if row is None or row.rating is None:
            return UNRATED
        cap = cap_of(row.backing, f"the rating of the mixture on {target.name}")
        return Rated(RANK[row.rating], "mixture", cap, row.after_resistance, row.backing.sources)

    def standing(self, group: str, active: str, target: TargetState) -> Standing:
        """The resistance level of a group's active against a target here, most local report first."""
        key = (group, active, target.id)
        found = self.ground.standings.get(key)
        if found is None:
            found = self.ground.standings[key] = self._find_standing(group, active, target)
        return found

    def _find_standing(self, group: str, active: str, target: TargetState) -> Standing:
        if group in target.entry.resistant:
            return Standing("lost", words="confirmed on this field", country_level="lost")
        country = self.field.country
        if country is None:
            return UNREPORTED
        code = group.partition(" ")[2]
        region = self.field.region
        wide: list[Report] = []
        local: list[Report] = []
        for report in self.catalogue.reports(self.crop.id, target.target.pathogen):
            if report.code != code or country not in report.countries:
                continue
            if report.actives_concerned and active not in report.actives_concerned:
                continue
            here = [place for place in report.subdivisions if place.startswith(f"{country}-")]
            if not here:
                wide.append(report)
            elif region is None or region in here:
                local.append(report)
        if region is not None and local:
            return self._as_standing(_newest(local), active, target)
        best = self._as_standing(_newest(wide), active, target) if wide else UNREPORTED
        if not local:
            return best
        worst = max(local, key=lambda report: (LEVEL_RANK[_level(report, active)], report.first_year or 0))
        if LEVEL_RANK[_level(worst, active)] <= LEVEL_RANK.get(best.level, 0):
            return best
        found = self._as_standing(worst, active, target)
        places = ", ".join(place for place in worst.subdivisions if place.startswith(f"{country}-"))
        lower = Cap(
            found.cap.severity,
            found.cap.reason,
            1,
            f"the report is for {places}; the field names its country only",
        )
        return Standing(found.level, lower, found.words, found.sources, found.mutation, best.level)

    def _as_standing(self, report: Report, active: str, target: TargetState) -> Standing:
        level = _level(report, active)
        place = report.words or ", ".join(report.countries)
        year = f", since {report.first_year}" if report.first_year else ""
        mutation = f" ({', '.join(report.mutation)})" if report.mutation else ""
        cap = cap_of(report.backing, f"the resistance report for group {report.code} on {target.name}")
        return Standing(level, cap, f"{place}{year}{mutation}", report.backing.sources, report.mutation, level)

    def effect(self, use: Use, target: TargetState) -> Effect:
        """Whether one active of a pass is effective on a target on its own here (contract: "Effective")."""
        found = use.agent.effects.get(target.id)
        if found is None:
            found = use.agent.effects[target.id] = self._judge(use, target)
        return found

    def _judge(self, use: Use, target: TargetState) -> Effect:
        rated = self.rated(use, target)
        standing = self.standing(use.group, use.active.name, target)
        if standing.level == "lost":
            return Effect(False, rated, standing, standing.cap, POOR)
        if rated.rank is None:
            return Effect(None, rated, standing, FREE, None)
        if standing.level == "reduced":
            rank = rated.rank if rated.after_resistance else max(POOR, rated.rank - 1)
            return Effect(rank >= FAIR, rated, standing, tightest((rated.cap, standing.cap)), rank)
        return Effect(rated.rank >= GOOD, rated, standing, rated.cap, rated.rank)

    def rated_for(self, uses: Iterable[Use], target: TargetState) -> Truth:
        """Whether any of these uses is rated for the target; unknown only where none is and one may be."""
        unknown = False
        for use in uses:
            told = self.rated(use, target).rated_for
            if told:
                return True
            unknown = unknown or told is None
        return None if unknown else False

    def group_rated_for(self, state: PassState, group: str, target: TargetState) -> Truth:
        """Whether what a pass holds of a group is rated for the target."""
        key = ("rated for", group, target.id)
        known = state.tank.known
        if key not in known:
            known[key] = self.rated_for(state.by_group.get(group, ()), target)
        found: Truth = known[key]
        return found

    def _serves_no_target(self, use: Use) -> bool:
        found = use.agent.serves_none
        if found is None:
            found = use.agent.serves_none = not any(self.rated(use, target).rated_for for target in self.targets)
        return found

    def _holds(self, state: PassState, target: TargetState) -> bool:
        """Whether a pass holds an active rated for the target, or one rated for none of the field's targets."""
        key = ("holds", target.id)
        found: bool | None = state.tank.known.get(key)
        if found is None:
            found = state.tank.known[key] = any(
                self.rated(use, target).rated_for or self._serves_no_target(use) for use in state.uses
            )
        return found

    # --- windows, cover ---------------------------------------------------------------------------------------------

    def working_groups(self, state: PassState, target: TargetState) -> int:
        """Number of mode-of-action groups in the tank that are effective on the target."""
        key = ("groups", target.id)
        known: int | None = state.tank.known.get(key)
        if known is None:
            known = state.tank.known[key] = self._count_groups(state, target)
        return known

    def _count_groups(self, state: PassState, target: TargetState) -> int:
        found: list[str] = []
        for use in state.uses:
            if self.effect(use, target).value and not any(self.joined(use.group, key, "mixing") for key in found):
                found.append(use.group)
        return len(found)

    def protection(self, use: Use, state: PassState, target: TargetState | None) -> Protection | None:
        """The protection days of one use against one target: label, working groups, code and crop, retreatment."""
        key = (id(use), target.id if target else "")
        if key not in self._days:
            self._days[key] = self._find_protection(use, state, target)
        return self._days[key]

    def _find_protection(self, use: Use, state: PassState, target: TargetState | None) -> Protection | None:
        if use.label is not None and use.label.protection is not None:
            days = use.label.protection
            return Protection(crops=(self.crop.id,), least=days, most=days, kind="label", backing=Backing(grade="read"))
        working = self.working_groups(state, target) if target is not None else 0
        return self.catalogue.protection_of(use.code, self.crop.id, target.id if target else "", working)

    def cover_end(self, use: Use, state: PassState, target: TargetState | None, *, upper: bool = False) -> int | None:
        """Ordinal of the last day that a use covers, by the lower (or upper) end; None where days are unknown.

        Unknown are the days of an active without published ones, and those of a rate under the label's least: labels
        and tables give days for label rates only, so such a pass is never taken to last as long (our reading).
        """
        if use.cut or state.time.day is None:
            return None
        row = self.protection(use, state, target)
        if row is None:
            return None
        return state.time.day + round(row.most if upper else row.least)

    def longest_end(self, use: Use, state: PassState, target: TargetState | None) -> int | None:
        """The day by which cover has ended at the latest, a cut rate or not; None: no published days, or no date."""
        row = self.protection(use, state, target)
        return None if row is None or state.time.day is None else state.time.day + round(row.least)

    def pass_cover_end(self, state: PassState, target: TargetState | None) -> int | None:
        """The latest day that any active of the pass covers."""
        return max((end for use in state.uses if (end := self.cover_end(use, state, target)) is not None), default=None)

    def meets(self, state: PassState, target: TargetState) -> Meets:
        """Whether the pass's cover meets the target's window."""
        key = (state.number, target.id)
        found = self._meets.get(key)
        if found is None:
            found = self._meets[key] = self._compare(state, target)
        return found

    def _compare(self, state: PassState, target: TargetState) -> Meets:
        window, time = target.window, state.time
        if window is None:
            return Meets(None, True)
        if time.bbch is not None and not time.bbch_estimated:
            low, high, firm = *time.bbch, True
        elif time.day is not None:
            low, high = self.season.given_range(time.day)
            firm = False
        else:
            return Meets(None, True)
        if window.first_bbch <= low and high <= window.last_bbch:
            return Meets(True, False)
        if low > window.last_bbch:
            return Meets(False, False)
        estimated = window.estimated or time.day_estimated
        if time.day is None:
            return Meets(None, True)
        if firm:  # its own stage says it is still before the window
            return self._reaches(state, target, window, estimated)
        if window.last is not None and time.day > window.last:
            return Meets(False, True)
        if low >= window.first_bbch or (window.first is not None and time.day >= window.first):
            # begun; where given dates say so, and no estimate has to tell when it closes, the answer is firm
            begun = low >= window.first_bbch
            sure = window.surely_open
            firm = (begun and (window.last is None or not window.last_estimated)) or (
                sure is not None and (begun or time.day >= sure[0]) and time.day <= sure[1]
            )
            return Meets(True, not firm)
        return self._reaches(state, target, window, estimated)

    def _reaches(self, state: PassState, target: TargetState, window: Window, estimated: bool) -> Meets:
        """Whether a pass before the window still covers its first day; a rate that is cut leaves that open."""
        end, first = self.pass_cover_end(state, target), window.first
        if first is None:
            return Meets(None, True)
        if end is not None and end > first:
            return Meets(True, estimated)
        at_most = [self.longest_end(use, state, target) for use in state.uses if use.cut]
        if any(day is None or day > first for day in at_most) or (end is None and len(at_most) < len(state.uses)):
            return Meets(None, True)
        return Meets(False, estimated)

    def works(self, state: PassState, target: TargetState) -> Truth:
        """A pass works against a target when its cover meets the window and it holds an active rated for it, or one
        rated for none of the field's targets."""
        key = (state.number, target.id)
        if key not in self._works:
            self._works[key] = self.meets(state, target).value if self._holds(state, target) else False
        return self._works[key]

    def against(self, state: PassState) -> list[TargetState]:
        """Targets that a pass works against, in the field's order."""
        found = self._against.get(state.number)
        if found is None:
            found = self._against[state.number] = [target for target in self.targets if self.works(state, target)]
        return found

    def working(self, target: TargetState) -> list[PassState]:
        """Foliar passes that work against a target, in order."""
        if target.id not in self._working:
            self._working[target.id] = [state for state in self.passes if self.works(state, target)]
        return self._working[target.id]

    def effective(self, state: PassState, target: TargetState) -> tuple[Truth, Cap]:
        """Whether a pass holds something effective on a target: any active alone, else the published mixture."""
        key = ("effective", target.id)
        found: tuple[Truth, Cap] | None = state.tank.known.get(key)
        if found is None:
            found = state.tank.known[key] = self._effective(state, target)
        return found

    def _effective(self, state: PassState, target: TargetState) -> tuple[Truth, Cap]:
        effects = [self.effect(use, target) for use in state.uses]
        good = [effect for effect in effects if effect.value]
        if good:
            return True, max((effect.cap for effect in good), key=lambda cap: CAP_RANK[cap.severity])
        mixture = self.mixture_rated(state, target)
        all_lost = all(effect.standing.level == "lost" for effect in effects)
        if mixture.rank is not None and not all_lost:
            reported = any(effect.standing.level in ("lost", "reduced") for effect in effects)
            if mixture.after_resistance or not reported:
                return mixture.rank >= GOOD, mixture.cap
        if any(effect.value is None for effect in effects):
            return None, FREE
        return False, tightest(effect.cap for effect in effects)

    # --- partners ---------------------------------------------------------------------------------------------------

    def others(self, state: PassState, group: str) -> list[Use]:
        """Fungicide uses in the tank of groups not joined to this one."""
        key = ("others", group)
        known: tuple[int, ...] | None = state.tank.known.get(key)
        if known is None:
            known = state.tank.known[key] = tuple(
                at for at, use in enumerate(state.uses) if not self.joined(use.group, group, "mixing")
            )
        return [state.uses[at] for at in known]

    def is_partner(self, use: Use, group: str, target: TargetState) -> tuple[Truth, Cap]:
        """Whether one other active partners a group against a target: effective alone, or a named multi-site."""
        if use.active.multi_site and use.code in self.named_partners(group, target):
            return True, FREE
        effect = self.effect(use, target)
        return effect.value, effect.cap

    def partner(self, state: PassState, group: str, target: TargetState) -> tuple[Truth, Cap]:
        """Whether a group has a partner in a pass against a target, with the cap of the evidence for it."""
        # of the season beside the tank the answer reads one thing: whether the group's code is at risk there
        key = ("partner", group, target.id, self.published.at_risk(group))
        found: tuple[Truth, Cap] | None = state.tank.known.get(key)
        if found is None:
            answers = [self.is_partner(use, group, target) for use in self.others(state, group)]
            if any(value for value, _ in answers):
                found = (True, FREE)
            elif any(value is None for value, _ in answers):
                found = (None, FREE)
            else:
                found = (False, tightest(cap for _, cap in answers))
            state.tank.known[key] = found
        return found

    def meant_for(self, state: PassState, code: str, target: TargetState | None) -> bool:
        """Whether a pass's actives of a code are there for a target: rated for it, or for no target of the field."""
        uses = [use for use in state.uses if use.code == code]
        return target is None or any(self.rated(use, target).rated_for or self._serves_no_target(use) for use in uses)

    def served(self, state: PassState, group: str) -> list[TargetState]:
        """Targets that the pass works against and the group is rated for."""
        key = (state.number, group)
        found = self._served.get(key)
        if found is None:
            found = self._served[key] = [
                target for target in self.against(state) if self.group_rated_for(state, group, target)
            ]
        return found

    def alone(self, state: PassState, group: str) -> tuple[Truth, Truth, Cap]:
        """Whether a group is alone against at least one, and against every target it is rated for in a pass."""
        served = self.served(state, group)
        if not served:
            lonely = not self.others(state, group)
            return lonely, lonely, FREE
        key = ("alone", group, self.published.at_risk(group), *[target.id for target in served])
        found: tuple[Truth, Truth, Cap] | None = state.tank.known.get(key)
        if found is None:
            found = state.tank.known[key] = self._alone(state, group, served)
        return found

    def _alone(self, state: PassState, group: str, served: list[TargetState]) -> tuple[Truth, Truth, Cap]:
        answers = [self.partner(state, group, target) for target in served]
        some = any_of([_not(value) for value, _ in answers])
        every = all_of([_not(value) for value, _ in answers])
        caps = [cap for value, cap in answers if value is False]
        # one firm lack of a partner is enough for "some": the least capped of them speaks
        cap = max(caps, key=lambda entry: CAP_RANK[entry.severity]) if caps else FREE
        return some, every, cap

    def named_partners(self, group: str, target: TargetState) -> frozenset[str]:
        """Codes of multi-sites that a row for this crop or target names as partner of a group."""
        return self.published.partners_named(group.partition(" ")[2], target)

    def let_go(self) -> None:
        """Drop what points back here, so that an account that is done with goes at once, without the collector."""
        self.__dict__.pop("published", None)

    @cached_property
    def published(self) -> Published:
        """The published limits as they hold for this field (see planner.published)."""
        from planner.published import Published

        return Published(self)


def _risk_rank(level: str) -> int:
    return RISK_RANK.get(level, 0)


def _level(report: Report, active: str) -> str:
    return report.level_by_active.get(active, report.level)


def _newest(reports: list[Report]) -> Report:
    """A report for fewer countries first, then the newest (README of the reference tables)."""
    return min(reports, key=lambda report: (len(report.countries), -(report.first_year or 0)))


def _not(value: Truth) -> Truth:
    return None if value is None else not value


def any_of(values: Iterable[Truth]) -> Truth:
    """Three-valued or."""
    unknown = False
    for value in values:
        if value:
            return True
        unknown = unknown or value is None
    return None if unknown else False


def all_of(values: Iterable[Truth]) -> Truth:
    """Three-valued and."""
    unknown = False
    for value in values:
        if value is False:
            return False
        unknown = unknown or value is None
    return None if unknown else True
