"""The words of the house: every other room passes these values on and none of them does any work.

All classes are frozen ``msgspec`` structs, so that a compiled catalogue decodes straight into them and nothing can
change a fact on its way. Numbers are in base units: hectares, days, g/ha of active, L/ha or kg/ha of product,
L/ha of water, hours of re-entry. Dates are ``datetime.date``. Group codes and stage codes are text, always.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from typing import Any, Literal

import msgspec

Severity = Literal["breach", "caution", "advice"]
Grade = Literal["read", "trial", "recalled", "practice", "our reading", "demo", "unknown"]
Confidence = Literal["high", "medium", "low"]
RatingClass = Literal["poor", "fair", "good", "very good", "excellent"]
Truth = bool | None  # three-valued: None is "unknown", never "no"
Day = datetime.date

SEVERITIES: tuple[Severity, ...] = ("breach", "caution", "advice")
CLASSES: tuple[RatingClass, ...] = ("poor", "fair", "good", "very good", "excellent")


class Struct(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Base of every model class: immutable, keyword-only, unknown fields refused."""


class Place(Struct, frozen=True, kw_only=True):
    """Where a value stands in what the user wrote: file name and line (1-based), or a cell address."""

    file: str = ""
    line: int = 0
    cell: str = ""

    def __str__(self) -> str:
        if self.cell:
            return f"{self.file}:{self.cell}"
        return f"{self.file}:{self.line}" if self.line else self.file


class Backing(Struct, frozen=True, kw_only=True):
    """What a fact rests on: keys into the bibliography, the place in them, and how sure we are."""

    sources: tuple[str, ...] = ()
    where: str = ""
    grade: Grade = "unknown"
    confidence: Confidence | None = None
    note: str = ""

    @property
    def cap(self) -> Severity:
        """The most severe finding that may rest on this fact (contract, section 5, "Severity")."""
        if self.grade in ("recalled", "practice", "our reading", "unknown"):
            if self.confidence == "low" or (self.grade == "unknown"):
                return "advice"
            if self.confidence == "high":
                return "breach"
            return "caution"
        return "breach"

    @property
    def words(self) -> str:
        """The grade as a reader meets it, for example ``recalled, medium confidence``."""
        return f"{self.grade}, {self.confidence} confidence" if self.confidence and self.grade != "read" else self.grade


class Source(Struct, frozen=True, kw_only=True):
    """One entry of the bibliography."""

    key: str
    title: str
    publisher: str = ""
    year: str = ""
    section: str = ""
    address: str = ""
    note: str = ""

    @property
    def words(self) -> str:
        """Title, publisher, year and section in one line."""
        return ", ".join(part for part in (self.title, self.publisher, self.year, self.section) if part)


# --- groups and actives ---------------------------------------------------------------------------------------------


class Group(Struct, frozen=True, kw_only=True):
    """One mode-of-action group. ``key`` is scheme and code, for example ``FRAC 11``."""

    key: str
    scheme: Literal["FRAC", "IRAC", "HRAC"]
    code: str
    name: str
    family: str = ""  # the trade's family name, for example "strobilurin"
    target_site: str = ""
    risk: str = "unknown"  # low, low-medium, medium, medium-high, high, mixed (see the actives), unknown
    multi_site: bool = False
    former: tuple[str, ...] = ()  # codes that older lists print for it, without the scheme
    main: str = ""  # main group where the code is a sub-group (IRAC 1 for 1A)
    acts_on: str = ""  # IRAC: nerve muscle, respiration, growth ...
    moa: str = ""  # FRAC: code of the mode of action, for example C3
    family_backing: Backing = Backing()
    backing: Backing = Backing()

    @property
    def words(self) -> str:
        """``group 11 (strobilurin)``: code first, the family's name beside it."""
        family = self.family or self.name
        lead = "group" if self.scheme == "FRAC" else f"{self.scheme} group"
        return f"{lead} {self.code} ({family})" if family else f"{lead} {self.code}"


class Active(Struct, frozen=True, kw_only=True):
    """One active ingredient. Risk belongs to the active: a code may hold two levels."""

    name: str
    scheme: Literal["FRAC", "IRAC", "HRAC"]
    groups: tuple[str, ...]  # first is the one that counts; more where a scheme prints two codes or two schemes list it
    kind: Literal["fungicide", "insecticide", "herbicide"]
    chemical_group: str = ""
    risk: str = "unknown"
    multi_site: bool = False
    mobility: str = ""  # contact, translaminar, locally systemic, xylem mobile, systemic; empty: not known
    new_leaves: str = ""  # leaves that unfold after the pass are: protected, partly, bare; empty: not known
    aliases: tuple[str, ...] = ()  # other spellings and trade words for the same active
    former: tuple[str, ...] = ()  # letters and numbers that older lists and labels print, in words
    recalled: tuple[str, ...] = ()  # parts of the row that were recalled although the row was read
    backing: Backing = Backing()

    @property
    def group(self) -> str:
        """Key of the group that counts."""
        return self.groups[0]

    @property
    def at_risk(self) -> Truth:
        """Single-site and of medium or higher risk (low-to-medium counts, its findings are advice); None: unknown."""
        if self.multi_site or self.risk == "low":
            return False
        return None if self.risk == "unknown" else True


# --- crops, stages, targets -----------------------------------------------------------------------------------------


class Stage(Struct, frozen=True, kw_only=True):
    """One growth stage of one scale. ``bbch`` puts all scales of a crop in one order."""

    code: str
    bbch: int
    name: str = ""
    look_for: str = ""
    backing: Backing = Backing()


class StageInterval(Struct, frozen=True, kw_only=True):
    """Typical days between two stages (``sown`` and ``harvest`` are stages here): average, least, most."""

    first: str
    last: str
    average: float | None = None
    least: float | None = None
    most: float | None = None
    kind: str = ""  # "spring" or "winter" where the row is for one of them
    backing: Backing = Backing()


class LeafGrowth(Struct, frozen=True, kw_only=True):
    """Until when a crop unfolds leaves: surely up to ``sure``, none after ``last``; in between nobody can say."""

    sure: str  # stage
    last: str  # stage, the same or a later one
    backing: Backing = Backing()


class Crop(Struct, frozen=True, kw_only=True):
    """One crop with its stage scales and typical days between stages."""

    id: str
    name: str
    crop_class: str = ""  # cereals, root crops ... as limits name them
    scale: str = ""
    stages: tuple[Stage, ...] = ()
    intervals: tuple[StageInterval, ...] = ()
    harvest_bbch: int = 99
    from_sowing: bool = True  # False: stages are never estimated from the sowing date (winter cereals, vines)
    from_sowing_kinds: tuple[str, ...] = ()  # field types for which from_sowing holds ("spring"); empty: all
    aliases: tuple[str, ...] = ()
    two_digit_prefixes: tuple[str, ...] = ()  # scales whose two-digit codes read as BBCH codes (Z, GS)
    note: str = ""
    bushel_kg: float | None = None
    leaves: LeafGrowth | None = None  # None: not known until when it unfolds leaves
    backing: Backing = Backing()


class RatedGroup(Struct, frozen=True, kw_only=True):
    """A group's class on a target, before any resistance report."""

    code: str
    rating: RatingClass
    backing: Backing = Backing()


class Target(Struct, frozen=True, kw_only=True):
    """One disease of one crop."""

    id: str
    crop: str
    name: str
    aliases: tuple[str, ...] = ()
    pathogen: str = ""
    window: tuple[str, str] | None = None  # first and last stage at which it infects
    window_end_before_harvest: int | None = None  # days; closes the window earlier
    best_timing: tuple[str, ...] = ()  # stages, in order
    follow_up_days: int | None = None
    timing_style: Literal["continuous", "stage_timed", ""] = ""
    foliar_treatment: Truth = True  # False: no foliar treatment is listed for it
    survives_on_field: Truth = None
    survives_backing: Backing = Backing()
    treatment: str = ""  # seed or none where no foliar treatment is listed
    rated_groups: tuple[RatedGroup, ...] = ()
    risk: Literal["low", "medium", "high", ""] = ""  # pathogen risk class
    risk_backing: Backing = Backing()
    window_backing: Backing = Backing()
    timing_backing: Backing = Backing()
    note: str = ""
    risk_raisers: tuple[str, ...] = ()
    weather: str = ""
    facts: dict[str, str] = {}  # further facts to show: how it spreads, yield loss ...
    backing: Backing = Backing()


class Rating(Struct, frozen=True, kw_only=True):
    """How well exactly these actives control one target (one row per crop, target, actives and country)."""

    crop: str
    target: str
    actives: tuple[str, ...]  # sorted
    country: str
    rating: RatingClass | None  # the lower end of a range; None: unknown
    printed: str = ""
    stops_lookup: bool = False
    elsewhere: bool = False
    after_resistance: bool = False
    control: float | None = None  # percent, where the row comes from trials
    interval: tuple[float, float] | None = None
    trials: int | None = None
    years: tuple[int, int] | None = None
    passes: tuple[int, int] | None = None  # passes of the season that the trials rated; None: one timely pass
    backing: Backing = Backing()


class Report(Struct, frozen=True, kw_only=True):
    """Reported field resistance (or a survey that found none: level ``none``) of one pathogen to one group."""

    crop: str
    pathogen: str
    code: str  # FRAC code
    level: Literal["lost", "reduced", "none"]
    level_by_active: dict[str, str] = {}
    actives_concerned: tuple[str, ...] = ()
    countries: tuple[str, ...] = ()
    subdivisions: tuple[str, ...] = ()
    first_year: int | None = None
    mutation: tuple[str, ...] = ()
    survey: bool = False
    words: str = ""  # region or finding in the words of the source
    status: str = ""
    gene: str = ""
    level_by_strain: dict[str, str] = {}
    level_basis: str = ""  # on what the level rests
    countries_basis: str = ""
    mutation_recalled: bool = False
    outside: bool = False  # of a crop that the catalogue does not hold: shown only
    backing: Backing = Backing()


class Protection(Struct, frozen=True, kw_only=True):
    """Published days of protection: lower and upper end for these codes, or for a number of working groups."""

    crops: tuple[str, ...]  # ("all",) or crop ids
    codes: tuple[str, ...] = ()
    working_groups: int | None = None
    least: float = 0.0
    most: float = 0.0
    kind: str = ""
    backing: Backing = Backing()


class Retreatment(Struct, frozen=True, kw_only=True):
    """Published days to the next spray against one target."""

    crop: str
    targets: tuple[str, ...]
    least: float
    most: float
    typical: float | None = None
    backing: Backing = Backing()


class CoverageAdvice(Struct, frozen=True, kw_only=True):
    """Droplets (ASABE S572 class codes) and carrier volume (L/ha) advised for a target and canopy."""

    crop: str
    targets: tuple[str, ...]  # ids, or ("any",)
    canopy: Literal["open", "closing", "closed", "any"] = "any"
    droplets: tuple[str, ...] = ()
    volume: tuple[float, float] | None = None
    volume_least: float | None = None
    note: str = ""
    backing: Backing = Backing()


class HarmfulUse(Struct, frozen=True, kw_only=True):
    """A use that a source warns against at some stages for harm other than resistance."""

    id: str
    codes: tuple[str, ...]  # FRAC codes or ("any",)
    crop: str
    stages: tuple[str, str]
    needs_target: str = ""
    needs_other: str = ""  # a fact that no document gives: the row is carried, not checked
    days_before_harvest: int | None = None
    when: str = ""
    effect: str = ""
    do_instead: str = ""
    worst_stages: tuple[str, str] | None = None
    kind: str = ""  # "resistance" where it is bad for resistance as well
    includes: str = ""
    backing: Backing = Backing()


class FungicideScore(Struct, frozen=True, kw_only=True):
    """Score of a code in the combined-risk scheme."""

    code: str
    score: float | None  # None: no score published, the combined risk is not assessed
    risk: str = ""
    by_active: bool = False  # the level of the active in the tank decides, not the code
    backing: Backing = Backing()


# --- published limits -----------------------------------------------------------------------------------------------


class LimitException(Struct, frozen=True, kw_only=True):
    """A value that holds instead while ``target`` is in the field and the pass is at or after ``from_stage``."""

    target: str
    from_stage: str
    value: float


class Limit(Struct, frozen=True, kw_only=True):
    """One published recommendation, as dated, sourced, graded data. Shares are fractions (0..1)."""

    id: str
    authority: str
    kind: str
    codes: tuple[str, ...]  # FRAC codes, or ("all_single_site",) and the other code words
    crops: tuple[str, ...]  # crop ids or crop words (all, cereals, ...)
    text: str
    value: Any = None  # number, fraction, list or true, by kind
    targets: tuple[str, ...] = ()  # pathogen ids
    except_targets: tuple[str, ...] = ()
    crops_except: tuple[str, ...] = ()
    countries: tuple[str, ...] = ()  # empty: worldwide; ISO 3166-1 or 3166-2
    unit: str = ""
    counted: Literal["each", "together", "same_product"] = "each"
    target_passes: tuple[int | None, int | None] | None = None
    group_passes: tuple[int | None, int | None] | None = None
    stages: tuple[str, str] | None = None
    last_pass: bool = False
    uses: Literal["solo", "mixed", "both", ""] = ""
    needs: dict[str, Any] = {}
    actives: tuple[str, ...] = ()  # ("each",) or names
    adjusts: tuple[str, ...] = ()
    combine: str = ""
    exceptions: tuple[LimitException, ...] = ()
    codes_from: str = ""
    codes_not_in: str = ""
    unless_codes: tuple[str, ...] = ()
    partners_named: tuple[str, ...] = ()
    adjacent_only: bool = False
    crops_from_memory: dict[str, Confidence] = {}
    superseded_by: str = ""
    then_codes: tuple[str, ...] = ()
    after: dict[str, Any] = {}
    blocks: dict[str, Any] = {}
    preferred: float | None = None
    scope: str = ""
    also: dict[str, Any] = {}
    exception: str = ""
    basis: dict[str, str] = {}  # why a machine key reads as it does, where the source does not say it outright
    date_words: str = ""
    strength: str = ""
    condition: str = ""
    date: str = ""  # ISO year, year-month or day; empty is oldest
    date_grade: str = ""
    note: str = ""
    backing: Backing = Backing()


class LimitKind(Struct, frozen=True, kw_only=True):
    """What a kind of published row means and which rules check it."""

    kind: str
    means: str
    rules: tuple[str, ...] = ()
    fact_for: tuple[str, ...] = ()
    carried: bool = False
    reads: str = ""


class LimitTable(Struct, frozen=True, kw_only=True):
    """Most passes with a code by the total of passes: shown, never checked (rows hold the same numbers)."""

    id: str
    codes: tuple[str, ...]
    crops: tuple[str, ...] = ()
    targets: tuple[str, ...] = ()
    unit: str = ""
    values: tuple[tuple[int, int], ...] = ()  # total, most; empty: the table was not read
    use: bool = False
    use_note: str = ""
    derived: bool = False
    note: str = ""
    backing: Backing = Backing()


class CrossResistance(Struct, frozen=True, kw_only=True):
    """A statement about groups or actives that fall together, or do not, when resistance comes."""

    groups: tuple[str, ...] = ()
    actives: tuple[str, ...] = ()
    purposes: tuple[str, ...] = ()  # mixing, succession, counting
    mechanism: str = ""
    text: str = ""
    backing: Backing = Backing()


class Pathogen(Struct, frozen=True, kw_only=True):
    """One pathogen with its other names and, by crop, its risk class."""

    id: str
    synonyms: tuple[str, ...] = ()
    risk: dict[str, tuple[str, Backing]] = {}  # crop -> class, backing


# --- products and labels --------------------------------------------------------------------------------------------

AmountUnit = Literal["L/ha", "kg/ha"]


class CropLabel(Struct, frozen=True, kw_only=True):
    """What one product's label says for one crop. None: the user did not copy it, so it cannot be checked."""

    rate_least: float | None = None  # in the product's own unit, L/ha or kg/ha
    rate_most: float | None = None
    applications: int | None = None
    active_total: dict[str, float] = {}  # g/ha per season over all products
    interval: int | None = None  # days
    first_stage: str | None = None
    last_stage: str | None = None
    harvest_interval: int | None = None  # days
    consecutive: int | None = None
    water: float | None = None  # L/ha
    reentry: float | None = None  # hours
    protection: float | None = None  # days
    targets: dict[str, RatingClass] = {}
    place: Place = Place()


class Product(Struct, frozen=True, kw_only=True):
    """Something that can be bought: actives with their content (g/L for liquids, g/kg for solids) and labels."""

    name: str
    kind: str = "fungicide"
    formulation: str = ""  # EC, SC, WG ... where the name or the list gives it
    amount_unit: AmountUnit = "L/ha"
    actives: dict[str, float] = {}  # g per L or per kg
    price: float | None = None  # money per L or per kg
    on_hand: float | None = None  # L or kg
    labels: dict[str, CropLabel] = {}
    currency: str = ""
    demo: bool = False
    place: Place = Place()


# --- field and programme --------------------------------------------------------------------------------------------


class FieldTarget(Struct, frozen=True, kw_only=True):
    """A disease the field is to be protected against."""

    target: str
    pressure: Literal["low", "moderate", "high"] | None = None
    cultivar: Literal["susceptible", "moderate", "resistant"] | None = None
    resistant: tuple[str, ...] = ()  # group keys confirmed lost here
    place: Place = Place()


class Season(Struct, frozen=True, kw_only=True):
    """An earlier season of this field: one tuple of group keys per pass, in order."""

    season: str
    crop: str
    groups: tuple[tuple[str, ...], ...]


class Application(Struct, frozen=True, kw_only=True):
    """How the field is usually sprayed. Water L/ha, tank L, boom m, nozzle spacing m, speed km/h, cost money/ha."""

    cost: float | None = None
    water: float | None = None
    droplets: str | None = None  # ASABE S572 class code: F, M, C ...
    tank: float | None = None
    boom: float | None = None
    spacing: float | None = None
    speed: float | None = None


class Field(Struct, frozen=True, kw_only=True):
    """One field in one season."""

    name: str = ""
    crop: str
    area: float | None = None  # ha
    country: str | None = None
    region: str | None = None
    sown: Day | None = None
    type: Literal["spring", "winter", ""] = ""
    stages: dict[str, Day] = {}
    harvest: Day | None = None
    targets: tuple[FieldTarget, ...] | None = None  # None: the document names none
    grain_yield: float | None = None  # kg/ha
    grain_price: float | None = None  # money per kg
    currency: str = ""
    application: Application = Application()
    history: tuple[Season, ...] = ()
    latitude: float | None = None
    maturity_group: str | None = None
    temperatures: tuple[tuple[Day, float, float], ...] = ()  # day, least, most, Celsius
    place: Place = Place()


class TankItem(Struct, frozen=True, kw_only=True):
    """One product (or bare active) in a tank. ``rate`` L/ha or kg/ha of product; ``dose`` g/ha of a bare active."""

    product: str | None = None
    active: str | None = None
    rate: float | None = None
    unit: AmountUnit | None = None
    dose: float | None = None
    place: Place = Place()


class Pass(Struct, frozen=True, kw_only=True):
    """One trip over the field. ``number`` is its place in the programme, from 1."""

    number: int
    date: Day | None = None
    stage: str | None = None
    how: Literal["foliar", "seed", "in-furrow"] = "foliar"
    tank: tuple[TankItem, ...]
    water: float | None = None
    droplets: str | None = None
    canopy: Literal["open", "closing", "closed"] | None = None
    place: Place = Place()


class Accept(Struct, frozen=True, kw_only=True):
    """A known departure that the user keeps, with the reason."""

    rule: str
    passes: tuple[int, ...] = ()
    reason: str
    place: Place = Place()


class CellRead(Struct, frozen=True, kw_only=True):
    """What one cell of a spreadsheet was read as; ``how`` is empty where it was taken as it is written."""

    cell: str
    field: str
    read: str
    how: str = ""  # guessed, converted, merged ...: what was done to it, in words


class RowRead(Struct, frozen=True, kw_only=True):
    """One row of a spreadsheet that was read: its first and last cell (or its line) and what each cell gave."""

    place: str
    cells: tuple[CellRead, ...]


class SheetRead(Struct, frozen=True, kw_only=True):
    """How one spreadsheet was read: row by row, and remarks on what was guessed or not read, by cell address."""

    file: str
    sheet: str = ""
    holds: str = "passes"  # passes | products
    rows: tuple[RowRead, ...] = ()
    remarks: tuple[str, ...] = ()


class Programme(Struct, frozen=True, kw_only=True):
    """A season's plan for one field, with everything it refers to already loaded."""

    name: str = ""
    field: Field
    products: tuple[Product, ...] = ()
    passes: tuple[Pass, ...]
    accept: tuple[Accept, ...] = ()
    currency: str = ""
    file: str = ""
    checksum: str = ""  # SHA-256 over all input files, hexadecimal
    notices: tuple[str, ...] = ()
    readings: tuple[SheetRead, ...] = ()  # how its spreadsheets were read

    def product(self, name: str) -> Product | None:
        """The listed product of this name, or None."""
        return next((product for product in self.products if product.name == name), None)


# --- answers --------------------------------------------------------------------------------------------------------


class Finding(Struct, frozen=True, kw_only=True):
    """One thing that a rule found. The one shape of every renderer (contract, section 3)."""

    rule: str
    name: str
    severity: Severity
    passes: tuple[int, ...]
    message: str
    why: str = ""
    remedy: str = ""
    sources: tuple[str, ...] = ()
    evidence: dict[str, Any] = {}
    accepted: str | None = None
    capped: str | None = None  # which fact lowered the severity, in words
    place: str = ""
    where: dict[str, str] = {}  # the place within a source, by its key in ``sources``

    def cited(self, words: Mapping[str, str]) -> tuple[str, ...]:
        """The sources as a reader meets them (``words`` by key), each with the place in it where that is known."""
        found = ((words.get(key, key), self.where.get(key, "")) for key in self.sources)
        return tuple(f"{source}, {where}" if where else source for source, where in found)


class NotAssessed(Struct, frozen=True, kw_only=True):
    """A rule that could not be decided, with the fact to supply."""

    rule: str
    passes: tuple[int, ...]
    reason: str


class AuditReport(Struct, frozen=True, kw_only=True):
    """The whole answer of an audit."""

    programme: Programme
    verdict: Literal["clean", "cautions", "breaches"]
    findings: tuple[Finding, ...]
    not_assessed: tuple[NotAssessed, ...] = ()
    cover: tuple[dict[str, Any], ...] = ()
    selection: tuple[dict[str, Any], ...] = ()
    totals: dict[str, Any] = {}
    rules_run: int = 0
    notices: tuple[str, ...] = ()
    engine: str = ""
