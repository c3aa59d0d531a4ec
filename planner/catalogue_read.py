"""Reads the catalogue and the published limits from YAML into the words of the model, and checks what they
say.

One function per kind of file, in the order in which they lean on each other. Later folders are laid over
earlier ones: a key given again replaces the entry, a list without keys is put in front. Inside one folder a
key stands once.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, cast

from planner import catalogue_shapes, yamlio
from planner.datafile import Problem, Problems, Row
from planner.errors import InputError, nearest
from planner.model import (
    CLASSES,
    Active,
    Backing,
    Confidence,
    CoverageAdvice,
    Crop,
    CrossResistance,
    FungicideScore,
    Group,
    HarmfulUse,
    LeafGrowth,
    Limit,
    LimitException,
    LimitKind,
    LimitTable,
    Pathogen,
    Place,
    Protection,
    RatedGroup,
    Rating,
    Report,
    Retreatment,
    Source,
    Stage,
    StageInterval,
    Target,
)
from planner.stages import find_stage

SCHEMES = ("FRAC", "IRAC", "HRAC")
RISKS = ("low", "low-medium", "medium", "medium-high", "high", "mixed", "unknown")
PURPOSES = ("mixing", "succession", "counting")
LEVELS = ("lost", "reduced", "none")
NEW_LEAVES = ("protected", "partly", "bare")
MOBILITIES = ("contact", "translaminar", "locally systemic", "xylem mobile", "systemic")
DROPLETS = ("XF", "VF", "F", "M", "C", "VC", "XC", "UC")  # ASABE S572
_REGION = re.compile(r"[A-Z]{2}(?:-[A-Z0-9]{1,3})?\Z")  # ISO 3166-1 and 3166-2
_KINDS_WITH_FRACTION = frozenset(
    (
        "max_share_of_total",
        "max_share_of_protection_period",
        "partner_min_rate_fraction",
        "min_rate_fraction",
        "reduced_rate_allowed",
    )
)
_KINDS_WITH_COUNT = frozenset(
    (
        "max_applications",
        "max_applications_adjust",
        "max_consecutive",
        "max_interval_days",
        "max_applications_per_active",
        "min_moa_in_mixture",
        "protection_days",
    )
)


@dataclass(slots=True)
class Everything:
    """All that the data files say."""

    version: str = ""
    date: str = ""
    review_by: str = ""
    sources: dict[str, Source] = field(default_factory=dict)
    groups: dict[str, Group] = field(default_factory=dict)
    actives: dict[str, dict[str, Active]] = field(default_factory=dict)  # scheme -> ISO name -> row
    crops: dict[str, Crop] = field(default_factory=dict)
    pathogens: dict[str, Pathogen] = field(default_factory=dict)
    targets: dict[str, dict[str, Target]] = field(default_factory=dict)  # crop -> id
    ratings: dict[str, dict[tuple[str, tuple[str, ...], str], Rating]] = field(default_factory=dict)
    reports: dict[str, list[Report]] = field(default_factory=dict)
    joined: list[CrossResistance] = field(default_factory=list)
    exceptions: list[CrossResistance] = field(default_factory=list)
    incomplete: list[CrossResistance] = field(default_factory=list)
    active_facts: list[CrossResistance] = field(default_factory=list)
    scores: dict[str, FungicideScore] = field(default_factory=dict)
    risk_scheme: dict[str, Any] = field(default_factory=dict)
    protection: list[Protection] = field(default_factory=list)
    retreatment: list[Retreatment] = field(default_factory=list)
    coverage: list[CoverageAdvice] = field(default_factory=list)
    harmful_uses: dict[str, HarmfulUse] = field(default_factory=dict)
    kinds: dict[str, LimitKind] = field(default_factory=dict)
    crop_words: dict[str, tuple[str, ...] | None] = field(default_factory=dict)  # None: every crop
    crops_elsewhere: tuple[str, ...] = ()
    code_words: dict[str, str] = field(default_factory=dict)
    limits: dict[str, Limit] = field(default_factory=dict)
    tables: dict[str, LimitTable] = field(default_factory=dict)
    raw: dict[str, dict[str, Any]] = field(default_factory=dict)  # selection, spraying, phenology as parsed
    places: dict[tuple[str, str], Place] = field(default_factory=dict)  # by kind and key


def is_rule_file(name: str) -> bool:
    """``LIM01-group-over-season-limit.yaml``: a rule of the family that shares the folder with the limits."""
    return re.match(r"[A-Z]{3}[0-9]{2}-", name) is not None


def kebab(text: str) -> str:
    """``Fusarium head blight (scab)`` -> ``fusarium-head-blight-scab``."""
    return re.sub(r"[^a-z0-9.]+", "-", text.casefold()).strip("-")


def name_key(text: str) -> str:
    """How names of actives are compared: case, blanks and underscores do not matter."""
    return " ".join(text.casefold().replace("_", " ").split())


class _Reader:
    def __init__(self, catalog_dirs: Sequence[Path], rules_dirs: Sequence[Path]) -> None:
        self.catalog_dirs = catalog_dirs
        self.rules_dirs = rules_dirs
        self.problems = Problems()
        self.all = Everything()
        self._seen: dict[tuple[str, Any], tuple[int, str]] = {}
        self._risk: dict[str, dict[str, tuple[str, Backing]]] = {}
        self._mobility: dict[str, tuple[str, str]] = {}  # class, and what becomes of new leaves
        self._checks: list[Callable[[], None]] = []

    # --- files -----------------------------------------------------------------------------------

    def documents(self, pattern: str, *, rules: bool = False) -> Iterable[tuple[int, Row]]:
        """Every file of the pattern, folder by folder, as its top row."""
        for layer, folder in enumerate(self.rules_dirs if rules else self.catalog_dirs):
            for path in sorted(folder.glob(pattern)):
                if path.name.startswith(".") or is_rule_file(path.name):
                    continue
                try:
                    document = yamlio.read(path)
                except InputError as error:
                    self.problems.append(_problem(error))
                    continue
                yield layer, Row(document, self.problems)

    def once(self, layer: int, kind: str, key: Any, row: Row, at: str | tuple[str | int, ...] = ()) -> None:
        """Note a key that stands twice in one layer."""
        place = row.doc.place((*row.path, *((at,) if isinstance(at, str) else at)))
        before = self._seen.get((kind, key))
        if before is not None and before[0] == layer:
            shown = key if isinstance(key, str) else ", ".join(map(str, key))
            row.fail(at, f"{kind} '{shown}' is given twice, first at {before[1]}", "keep one of the two")
        self._seen[(kind, key)] = (layer, str(place))
        if isinstance(key, str):
            self.all.places[(kind, key)] = place

    def later(self, check: Callable[[], None]) -> None:
        """A check that needs the whole catalogue."""
        self._checks.append(check)

    def backing(self, row: Row, default: Backing | None = None) -> Backing:
        """Backing of a row; its sources have to stand in the bibliography."""
        backing = row.backing(default)
        for key in backing.sources:
            self._source(row, "source", key)
        return backing

    def _source(self, row: Row, at: str | tuple[str | int, ...], key: str) -> None:
        if key not in self.all.sources:
            near = nearest(key, self.all.sources)
            cure = f"did you mean '{near[0]}'?" if near else "add it to sources.yaml"
            row.fail(at, f"source '{key}' is not in the bibliography", cure)

    def head(self, row: Row) -> Backing:
        """Source and grade of a whole file, for rows that state none."""
        sources = row.texts("source")
        for key in sources:
            self._source(row, "source", key)
        grade = row.text("grade")
        return Backing(sources=sources, grade=cast(Any, grade or "unknown"))

    # --- order -----------------------------------------------------------------------------------

    def run(self) -> None:
        self.sources()
        self.catalogue()
        self.raw_files()
        self.groups()
        self.mobility()
        self.actives()
        self.cross_resistance()
        self.pathogens()
        self.crops()
        self.targets()
        self.ratings()
        self.reports()
        self.risk_scheme()
        self.protection()
        self.coverage()
        self.harmful_uses()
        self.kinds()
        self.limits()
        for check in self._checks:
            check()

    # --- one kind of file each -------------------------------------------------------------------

    def sources(self) -> None:
        for layer, top in self.documents("sources.yaml"):
            for key, row in top.mapping("sources", required=True):
                self.once(layer, "source", key, row)
                title = row.text("title", required=True)
                self.all.sources[key] = Source(
                    key=key,
                    title=title,
                    publisher=row.text("publisher"),
                    year=row.text("year"),
                    section=row.text("section"),
                    address=row.text("address"),
                    note=row.text("note"),
                )
                row.finish()
            top.finish()

    def catalogue(self) -> None:
        for _layer, top in self.documents("catalogue.yaml"):
            self.all.version = top.text("version", required=True)
            self.all.date = top.date("date", required=True)
            self.all.review_by = top.date("review_by", required=True)
            basis = top.row("review_by_basis") or top.row("review_basis")
            if basis is not None:
                self.backing(basis)
                basis.finish()
            top.finish()

    def raw_files(self) -> None:
        for name in ("selection", "spraying", "phenology"):
            for _layer, top in self.documents(f"{name}.yaml"):
                self.all.raw[name] = top.data
                if name == "phenology":
                    self.check_phenology(top)
                else:
                    catalogue_shapes.SHAPES[name](top)
                self.cited(top, top.data, ())

    def cited(self, top: Row, value: Any, path: tuple[str | int, ...]) -> None:
        """Note every ``source`` (also ``stages_source`` ...) of a file read as it stands that is no known source."""
        if isinstance(value, list):
            for index, entry in enumerate(value):
                self.cited(top, entry, (*path, index))
        elif isinstance(value, dict):
            for key, entry in value.items():
                if key == "source" or key.endswith("_source"):
                    for one in entry if isinstance(entry, list) else (entry,):
                        self._source(top, (*path, key), str(one))
                else:
                    self.cited(top, entry, (*path, key))

    def check_phenology(self, top: Row) -> None:
        """Days and heat sums are made into objects once here, so that a slip is told when the file is read."""
        from planner.stage_scale import Phenology

        try:
            Phenology(top.data)
        except (ArithmeticError, AttributeError, IndexError, KeyError, TypeError, ValueError) as error:
            slip = f"{error} is missing" if isinstance(error, KeyError) else str(error)
            cure = "compare it with the grammar at the head of catalog/phenology.yaml"
            top.fail((), f"this file is not written as its grammar says: {slip[:160]}", cure)

    def season(self, crop: str) -> tuple[tuple[StageInterval, ...], int, str]:
        """Days between stages, stage of harvest, and whether days are counted from sowing, of phenology.yaml."""
        try:
            season = (self.all.raw.get("phenology") or {}).get("scales", {}).get(crop, {})
            intervals = tuple(_interval(entry) for entry in season.get("days_between", ()))
            return intervals, int(season.get("harvest_bbch", 99)), str(season.get("from_sowing", "yes"))
        except (AttributeError, IndexError, KeyError, TypeError, ValueError):
            place = Place(file="phenology.yaml", line=1)
            cure = "compare it with the grammar at the head of catalog/phenology.yaml"
            self.problems.append(Problem(place, f"the scale of {crop} is not written as its grammar says", cure))
            return (), 99, "yes"

    def group_key(self, row: Row, at: str | tuple[str | int, ...], scheme: str, code: str) -> str:
        """Key of a code, former codes resolved; an unknown code is a problem."""
        key = f"{scheme} {code.removeprefix(scheme).strip()}"
        if key in self.all.groups:
            return key
        for found in self.all.groups.values():
            if found.scheme == scheme and code in found.former:
                return found.key
        near = nearest(key, self.all.groups)
        row.fail(at, f"'{code}' is no group of {scheme}", f"did you mean '{near[0]}'?" if near else "")
        return key

    def frac_code(self, row: Row, at: str | tuple[str | int, ...], code: str) -> str:
        """A FRAC code without its scheme, former codes resolved."""
        return self.group_key(row, at, "FRAC", code).removeprefix("FRAC ")

    def groups(self) -> None:
        for layer, top in self.documents("groups/*.yaml"):
            scheme = top.text("scheme", required=True, one_of=SCHEMES)
            head = self.head(top)
            families = top.row("families")
            family_backing = Backing()
            if families is not None:
                family_backing = self.backing(families)
                families.finish()
            for code, row in top.mapping("groups", required=True):
                key = f"{scheme} {code}"
                self.once(layer, "group", key, row)
                family = row.text("family")
                risk = row.text("risk", one_of=RISKS) or "unknown"
                self.all.groups[key] = Group(
                    key=key,
                    scheme=cast(Any, scheme),
                    code=code,
                    name=row.text("name"),
                    family=family,
                    target_site=row.text("site"),
                    risk=risk,
                    multi_site=row.flag("multi_site"),
                    former=row.texts("former"),
                    main=row.text("main"),
                    acts_on=row.text("acts_on"),
                    moa=row.text("moa"),
                    family_backing=family_backing if family else Backing(),
                    backing=self.backing(row, head),
                )
                row.finish()
            top.finish()

    def mobility(self) -> None:
        for _layer, top in self.documents("mobility.yaml"):
            for row in top.rows("mobility"):
                mobility = row.text("mobility", required=True, one_of=MOBILITIES), self.new_leaves(row)
                for index, key in enumerate(row.texts("groups")):
                    scheme, _, code = key.partition(" ")
                    self._mobility[self.group_key(row, ("groups", index), scheme, code)] = mobility
                for name in row.texts("actives"):
                    self._mobility[name_key(name)] = mobility
                row.text("moves")
                self.backing(row)
                row.finish()
            top.finish()

    def new_leaves(self, row: Row) -> str:
        """What becomes of leaves that unfold after a pass with an active of this mobility; empty: no source says."""
        found = row.row("new_leaves")
        if found is None:
            return ""
        value = found.text("are", required=True, one_of=NEW_LEAVES)
        self.backing(found)
        found.finish()
        return value

    def actives(self) -> None:
        for layer, top in self.documents("actives/*.yaml"):
            scheme = top.text("scheme", required=True, one_of=SCHEMES)
            kind = top.text("kind", required=True, one_of=("fungicide", "insecticide", "herbicide"))
            head = self.head(top)
            rows = self.all.actives.setdefault(scheme, {})
            for name, row in top.mapping("actives", required=True):
                self.once(layer, f"active of {scheme}", name_key(name), row)
                if name != name_key(name):
                    row.fail((), f"'{name}' is not written in lower case", f"write '{name_key(name)}'")
                codes = row.texts("group", required=True)
                keys = tuple(
                    self.group_key(row, "group", *(code.split(" ", 1) if " " in code else (scheme, code)))
                    for code in codes
                )
                risk = row.text("risk", one_of=[risk for risk in RISKS if risk != "mixed"]) or "unknown"
                multi_site = row.flag("multi_site")
                found = self.all.groups.get(keys[0]) if keys else None
                if found is not None and found.multi_site != multi_site:
                    row.fail((), f"multi_site differs from group {found.key}", "make the two agree")
                if found is not None and found.risk not in ("mixed", risk):
                    row.fail((), f"risk '{risk}' differs from group {found.key} ('{found.risk}')", "")
                moves, new_leaves = self._mobility.get(
                    name_key(name), self._mobility.get(keys[0], ("", "")) if keys else ("", "")
                )
                rows[name_key(name)] = Active(
                    name=name,
                    scheme=cast(Any, scheme),
                    groups=keys or (f"{scheme} ?",),
                    kind=cast(Any, kind or "fungicide"),
                    chemical_group=row.text("chemical"),
                    risk=risk,
                    multi_site=multi_site,
                    mobility=moves,
                    new_leaves=new_leaves,
                    aliases=row.texts("aliases"),
                    former=row.texts("former"),
                    recalled=row.texts("recalled"),
                    backing=self.backing(row, head),
                )
                row.finish()
            top.finish()

        self.listed_twice()

    def listed_twice(self) -> None:
        """An active of two schemes: the row of the first scheme answers, and names the other's group too."""
        for index, scheme in enumerate(SCHEMES):
            for name, active in self.all.actives.get(scheme, {}).items():
                others = [self.all.actives.get(other, {}).get(name) for other in SCHEMES[index + 1 :]]
                more = tuple(other.groups[0] for other in others if other is not None)
                if more:
                    fields = {key: getattr(active, key) for key in active.__struct_fields__}
                    self.all.actives[scheme][name] = Active(**{**fields, "groups": (*active.groups, *more)})

    def known_active(self, row: Row, at: str | tuple[str | int, ...], name: str) -> None:
        """Note a name that no scheme lists."""
        if not any(name_key(name) in rows for rows in self.all.actives.values()):
            near = nearest(name, [known for rows in self.all.actives.values() for known in rows])
            row.fail(at, f"unknown active '{name}'", f"did you mean '{near[0]}'?" if near else "")

    def cross_resistance(self) -> None:
        lists = {
            "joined": self.all.joined,
            "exceptions": self.all.exceptions,
            "incomplete": self.all.incomplete,
            "actives": self.all.active_facts,
        }
        for _layer, top in self.documents("cross-resistance.yaml"):
            for name, into in lists.items():
                found = []
                for row in top.rows(name):
                    groups = tuple(
                        self.group_key(
                            row, ("groups", index), *(key.split(" ", 1) if " " in key else ("FRAC", key))
                        )
                        for index, key in enumerate(row.texts("groups"))
                    )
                    actives = row.texts("actives")
                    for index, active in enumerate(actives):
                        self.known_active(row, ("actives", index), active)
                    purposes = row.texts("purposes", required=name == "joined")
                    for index, purpose in enumerate(purposes):
                        if purpose not in PURPOSES:
                            row.fail(
                                ("purposes", index),
                                f"'{purpose}' is no purpose",
                                f"one of {', '.join(PURPOSES)}",
                            )
                    if name == "joined" and len(groups) < 2:
                        row.fail("groups", "one group joins nothing", "name two or more groups")
                    found.append(
                        CrossResistance(
                            groups=groups,
                            actives=actives,
                            purposes=purposes,
                            mechanism=row.text("mechanism"),
                            text=row.text("text", required=True),
                            backing=self.backing(row),
                        )
                    )
                    row.finish()
                into[:0] = found
            top.finish()

    def pathogens(self) -> None:
        for layer, top in self.documents("pathogens.yaml"):
            names = top.row("names")
            if names is not None:
                self.backing(names)
                names.finish()
            for row in top.rows("pathogens"):
                key = row.text("id", required=True)
                self.once(layer, "pathogen", key, row)
                self.all.pathogens[key] = Pathogen(id=key, synonyms=row.texts("synonyms"))
                row.finish()
            for row in top.rows("risk"):
                key = self.pathogen(row, "pathogen", row.text("pathogen", required=True))
                crop = row.text("crop", required=True)
                risk = row.text("risk", required=True, one_of=("low", "medium", "high"))
                self.once(layer, "risk of pathogen", (key, crop), row)
                row.text("disease")
                self._risk.setdefault(key, {})[crop] = (risk, self.backing(row))
                row.finish()
            for row in top.rows("unclassified"):
                self.pathogen(row, "pathogen", row.text("pathogen", required=True))
                row.text("crop", required=True)
                row.text("target")
                row.finish()
            top.finish()
        for key, risks in self._risk.items():
            if key in self.all.pathogens:
                found = self.all.pathogens[key]
                self.all.pathogens[key] = Pathogen(id=found.id, synonyms=found.synonyms, risk=risks)

    def pathogen(self, row: Row, at: str | tuple[str | int, ...], name: str) -> str:
        """Id of a pathogen by id or synonym; an unknown one is a problem."""
        folded = name.casefold()
        for key, found in self.all.pathogens.items():
            if folded == key.casefold() or folded in (synonym.casefold() for synonym in found.synonyms):
                return key
        near = nearest(name, self.all.pathogens)
        row.fail(
            at,
            f"unknown pathogen '{name}'",
            f"did you mean '{near[0]}'?" if near else "add it to pathogens.yaml",
        )
        return name

    def crops(self) -> None:
        for layer, top in self.documents("crops/*.yaml"):
            key = top.text("crop", required=True)
            self.once(layer, "crop", key, top)
            for name in ("bbch",):
                row = top.row(name)
                if row is not None:
                    self.backing(row)
                    row.finish()
            bushel = top.row("bushel")
            bushel_kg = None
            if bushel is not None:
                bushel_kg = bushel.number("kg", 1, 100, required=True)
                self.backing(bushel)
                bushel.finish()
            leaves = self.leaf_growth(top, key)
            stages: dict[str, Stage] = {}
            for row in top.rows("stages", required=True):
                bbch = row.integer("bbch", 0, 99, required=True) or 0
                backing = self.backing(row)
                name, look_for = row.text("name"), row.text("look_for")
                for code in row.texts("code", required=True):
                    if code in stages:
                        row.fail("code", f"stage '{code}' is given twice", "keep one of the two")
                    stages[code] = Stage(code=code, bbch=bbch, name=name, look_for=look_for, backing=backing)
                row.finish()
            intervals, harvest, from_sowing = self.season(key)
            # phenology.yaml is the home of days between stages and of the harvest stage
            self.all.crops[key] = Crop(
                id=key,
                name=top.text("name", required=True),
                crop_class=top.text("class"),
                scale=top.text("scale"),
                stages=tuple(sorted(stages.values(), key=lambda stage: stage.bbch)),
                intervals=intervals,
                harvest_bbch=harvest,
                from_sowing=from_sowing != "no",
                from_sowing_kinds=("spring",) if from_sowing == "spring" else (),
                aliases=top.texts("aliases"),
                two_digit_prefixes=top.texts("two_digit_prefixes"),
                note=top.text("how_to_count"),
                bushel_kg=bushel_kg,
                leaves=leaves,
            )
            top.finish()

    def leaf_growth(self, top: Row, crop: str) -> LeafGrowth | None:
        """Until when a crop unfolds leaves; its two stages are checked once the crop's stages are known."""
        row = top.row("leaves")
        if row is None:
            return None
        until = row.texts("unfold_until", required=True)
        backing = self.backing(row)
        row.finish()
        if len(until) != 2:
            row.fail("unfold_until", "two stages are wanted", "write [last sure stage, last possible stage]")
            return None

        def check() -> None:
            known = [code for code in until if self.stage(row, "unfold_until", crop, code)]
            found = [stage.bbch for code in known if (stage := find_stage(self.all.crops[crop], code)) is not None]
            if len(found) == 2 and found[0] > found[1]:
                row.fail("unfold_until", f"{until[0]} comes after {until[1]}", "write the earlier stage first")

        self.later(check)
        return LeafGrowth(sure=until[0], last=until[1], backing=backing)

    def stage(self, row: Row, at: str | tuple[str | int, ...], crop: str, code: str) -> bool:
        """Whether the crop knows the stage; note it if not."""
        found = self.all.crops.get(crop)
        if found is None or find_stage(found, code) is not None:
            return True
        near = nearest(code, [stage.code for stage in found.stages])
        row.fail(at, f"'{code}' is no stage of {crop}", f"did you mean '{near[0]}'?" if near else "")
        return False

    def crop(self, row: Row, at: str, name: str) -> str:
        """A crop id; an unknown one is a problem."""
        if name not in self.all.crops:
            near = nearest(name, self.all.crops)
            row.fail(at, f"unknown crop '{name}'", f"did you mean '{near[0]}'?" if near else "")
        return name

    def stage_pair(self, row: Row, key: str, crop: str) -> tuple[str, str] | None:
        """First and last stage."""
        codes = row.texts(key)
        if not codes:
            return None
        if len(codes) != 2:
            row.fail(key, f"'{key}' has to be two stages", "write [first, last]")
            return None
        if sum(not self.stage(row, (key, index), crop, code) for index, code in enumerate(codes)) == 0:
            found = self.all.crops.get(crop)
            ends = [find_stage(found, code) for code in codes] if found else []
            if len(ends) == 2 and ends[0] and ends[1] and ends[0].bbch > ends[1].bbch:
                row.fail(key, f"{codes[0]} comes after {codes[1]}", "write [first, last]")
        return codes[0], codes[1]

    def targets(self) -> None:
        for layer, top in self.documents("targets/*/*.yaml"):
            crop = self.crop(top, "crop", top.text("crop", required=True))
            key = top.text("target", required=True)
            self.once(layer, "target", f"{crop} {key}", top)
            if key != kebab(key):
                top.fail("target", f"'{key}' is not in kebab case", f"write '{kebab(key)}'")
            pathogen = self.pathogen(top, "pathogen", top.text("pathogen", required=True))
            window = end = None
            window_backing = timing_backing = survives_backing = Backing()
            row = top.row("window")
            if row is not None:
                window = self.stage_pair(row, "stages", crop)
                window_backing = self.backing(row)
                for source in row.texts("note_source"):
                    self._source(row, "note_source", source)
                last = row.row("end")
                if last is not None:
                    end = last.integer("days_before_harvest", 0, 120, required=True)
                    last.text("text")
                    self.backing(last)
                    last.finish()
                row.finish()
            timing: tuple[str, ...] = ()
            follow_up = None
            style = ""
            row = top.row("timing")
            if row is not None:
                timing = row.texts("stages")
                for index, code in enumerate(timing):
                    self.stage(row, ("stages", index), crop, code)
                style = row.text("style", one_of=("continuous", "stage_timed"))
                for source in row.texts("style_source"):
                    self._source(row, "style_source", source)
                follow_up = row.integer("follow_up_days", 1, 60)
                timing_backing = self.backing(row)
                row.finish()
            survives: bool | None = None
            row = top.row("survives")
            if row is not None:
                value = row.raw("value")
                if value not in (True, False, "unknown"):
                    row.fail("value", f"'{value}' is no answer", "write true, false or unknown")
                survives = value if isinstance(value, bool) else None
                row.text("text")
                survives_backing = self.backing(row)
                row.finish()
            rated: list[RatedGroup] = []
            for row in top.rows("groups"):
                code = self.frac_code(row, "code", row.text("code", required=True))
                rating = row.text("class", required=True, one_of=CLASSES)
                if any(code == other.code for other in rated):
                    row.fail("code", f"group '{code}' is rated twice", "keep one of the two")
                if rating in CLASSES:
                    rated.append(RatedGroup(code=code, rating=rating, backing=self.backing(row)))
                row.finish()
            critical = top.row("critical_window")
            if critical is not None:
                self.stage_pair(critical, "stages", crop)
                self.backing(critical)
                critical.finish()
            more = top.row("more")
            facts = {
                name: top.text(name)
                for name in (
                    "pathogen_note", "how", "decision", "yield_loss", "spray_note", "fruit_safe_after",
                    "economics",
                    "groups_note",
                )
            }  # fmt: skip
            if more is not None:
                facts["more"] = more.text("text")
                self.backing(more)
                more.finish()
            for name in ("seed_treatment", "forbidden"):
                codes = top.texts(name)
                if codes:
                    facts[name] = ", ".join(codes)
            if top.text("weather_grade"):
                facts["weather_grade"] = top.text("weather_grade")
            risk, risk_backing = self._risk.get(pathogen, {}).get(crop, ("", Backing()))
            sources = top.texts("source")
            for source in sources:
                self._source(top, "source", source)
            self.all.targets.setdefault(crop, {})[key] = Target(
                id=key,
                crop=crop,
                name=top.text("name", required=True),
                aliases=top.texts("aliases"),
                pathogen=pathogen,
                window=window,
                window_end_before_harvest=end,
                best_timing=timing,
                follow_up_days=follow_up,
                timing_style=cast(Any, style),
                foliar_treatment=top.flag("foliar", True),
                treatment=top.text("treatment"),
                survives_on_field=survives,
                survives_backing=survives_backing,
                rated_groups=tuple(rated),
                risk=cast(Any, risk),
                risk_backing=risk_backing,
                window_backing=window_backing,
                timing_backing=timing_backing,
                note=top.text("note"),
                risk_raisers=top.texts("risk_raisers"),
                weather=top.text("weather"),
                facts={name: text for name, text in facts.items() if text},
                backing=Backing(sources=sources, grade=timing_backing.grade),
            )
            top.finish()
        for crop, targets in self.all.targets.items():
            names: dict[str, str] = {}
            for key, target in targets.items():
                for name in (key, *target.aliases):
                    if names.setdefault(name, key) != key:
                        place = self.all.places[("target", f"{crop} {key}")]
                        self.problems.append(
                            _problem(
                                InputError(place, f"'{name}' also names {names[name]}", "keep names apart")
                            )
                        )

    def ratings(self) -> None:
        for layer, top in self.documents("ratings/*.yaml"):
            crop = self.crop(top, "crop", top.text("crop", required=True))
            elsewhere = top.texts("targets_elsewhere")
            known = self.all.targets.get(crop, {})
            into = self.all.ratings.setdefault(crop, {})
            for row in top.rows("ratings", required=True):
                target = row.text("target", required=True)
                if target not in known and target not in elsewhere:
                    near = nearest(target, known)
                    row.fail(
                        "target",
                        f"'{target}' is no target of {crop}",
                        f"did you mean '{near[0]}'?" if near else "",
                    )
                actives = row.texts("actives", required=True)
                for index, active in enumerate(actives):
                    if not _additive(active):
                        self.known_active(row, ("actives", index), active)
                country = row.text("country", required=True)
                self.regions(row, "country", (country,))
                rating = row.text("class", required=True, one_of=(*CLASSES, "unknown"))
                key = (target, tuple(sorted(actives)), country)
                self.once(layer, f"rating in {crop}", (target, "+".join(key[1]), country), row)
                years = row.pair("years", 1950, 2100)
                passes = row.pair("passes", 1, 20)
                into[key] = Rating(
                    crop=crop,
                    target=target,
                    actives=key[1],
                    country=country,
                    rating=rating if rating in CLASSES else None,
                    printed=row.text("printed") or row.text("range"),
                    stops_lookup=row.flag("stops_lookup"),
                    elsewhere=row.flag("elsewhere"),
                    after_resistance=row.flag("after_resistance"),
                    control=row.number("control", -100, 100),
                    interval=row.pair("interval", -200, 100),
                    trials=row.integer("trials", 1, 5000),
                    years=None if years is None else (int(years[0]), int(years[1])),
                    passes=None if passes is None else (int(passes[0]), int(passes[1])),
                    backing=self.backing(row),
                )
                row.raw("range")
                row.finish()
            top.finish()

    def regions(self, row: Row, key: str, codes: Iterable[str]) -> None:
        """Note what is no ISO 3166 code."""
        for code in codes:
            if not _REGION.match(code):
                row.fail(key, f"'{code}' is no ISO 3166 code", "write US or US-ND")

    def reports(self) -> None:
        for _layer, top in self.documents("resistance/*.yaml"):
            crop = top.text("crop", required=True)
            outside = top.flag("outside")
            if not outside:
                self.crop(top, "crop", crop)
            found: list[Report] = []
            for name in ("reports", "surveys"):
                for row in top.rows(name):
                    pathogen = self.pathogen(row, "pathogen", row.text("pathogen", required=True))
                    level = row.text("level", required=True, one_of=LEVELS)
                    by_active = row.words("by_active")
                    for active, own in by_active.items():
                        self.known_active(row, ("by_active", active), active)
                        if own not in LEVELS:
                            row.fail(
                                ("by_active", active), f"'{own}' is no level", f"one of {', '.join(LEVELS)}"
                            )
                    actives = row.texts("actives")
                    for index, active in enumerate(actives):
                        self.known_active(row, ("actives", index), active)
                    countries, subdivisions = row.texts("countries"), row.texts("subdivisions")
                    self.regions(row, "countries", countries)
                    self.regions(row, "subdivisions", subdivisions)
                    for code in subdivisions:
                        if code.split("-")[0] not in countries:
                            row.fail(
                                "subdivisions", f"'{code}' lies in none of the countries", "add its country"
                            )
                    shared = {
                        "crop": crop,
                        "pathogen": pathogen,
                        "level": level if level in LEVELS else "reduced",
                        "level_by_active": by_active,
                        "actives_concerned": actives,
                        "countries": countries,
                        "subdivisions": subdivisions,
                        "first_year": row.integer("first_year", 1950, 2100),
                        "mutation": row.texts("mutation"),
                        "survey": name == "surveys",
                        "words": row.text("region"),
                        "status": row.text("status"),
                        "gene": row.text("gene"),
                        "level_by_strain": row.words("by_strain"),
                        "level_basis": row.text("level_basis"),
                        "countries_basis": row.text("countries_basis"),
                        "mutation_recalled": row.flag("mutation_recalled"),
                        "outside": outside,
                        "backing": self.backing(row),
                    }
                    for index, code in enumerate(row.texts("codes", required=True)):
                        found.append(
                            Report(code=self.frac_code(row, ("codes", index), code), **cast(Any, shared))
                        )
                    row.finish()
            self.all.reports.setdefault(crop, [])[:0] = found
            top.finish()

    def risk_scheme(self) -> None:
        for layer, top in self.documents("risk-scheme.yaml"):
            for name in ("scheme", "formula", "reach", "score_rule"):
                row = top.row(name)
                if row is not None:
                    self.backing(row)
            for name in ("extremes", "pathogen_risk", "agronomic_risk"):
                top.raw(name)
            self.all.risk_scheme = {
                key: value for key, value in top.data.items() if key != "fungicide_scores"
            }
            for row in top.rows("fungicide_scores", required=True):
                code = self.frac_code(row, "code", row.text("code", required=True))
                self.once(layer, "score of group", code, row)
                score = None if row.raw("score") == "unknown" else row.number("score", 0.1, 3, required=True)
                self.all.scores[code] = FungicideScore(
                    code=code,
                    score=score,
                    risk=row.text("risk", one_of=RISKS),
                    by_active=row.flag("by_active"),
                    backing=self.backing(row),
                )
                row.finish()
            top.finish()

    def _targets_of(self, row: Row, crop: str, words: tuple[str, ...] = ()) -> tuple[str, ...]:
        names = row.texts("targets", required=True)
        known = self.all.targets.get(crop, {})
        for index, name in enumerate(names):
            if name not in known and name not in words:
                near = nearest(name, known)
                cure = f"did you mean '{near[0]}'?" if near else ""
                row.fail(("targets", index), f"'{name}' is no target of {crop}", cure)
        return names

    def protection(self) -> None:
        for _layer, top in self.documents("protection.yaml"):
            rule = top.row("rule")
            if rule is not None:
                self.backing(rule)
            rows = []
            for row in top.rows("protection"):
                crops = row.texts("crops", required=True)
                for crop in crops:
                    if crop != "all":
                        self.crop(row, "crops", crop)
                codes = tuple(
                    self.frac_code(row, ("codes", index), code)
                    for index, code in enumerate(row.texts("codes"))
                )
                groups = row.integer("working_groups", 1, 5)
                if not codes and groups is None:
                    row.fail((), "'codes' is missing", "add 'codes: [...]' or 'working_groups: 2'")
                days = row.pair("days", 1, 120, required=True) or (0.0, 0.0)
                rows.append(
                    Protection(
                        crops=crops,
                        codes=codes,
                        working_groups=groups,
                        least=days[0],
                        most=days[1],
                        kind=row.text("kind"),
                        backing=self.backing(row),
                    )
                )
                row.finish()
            self.all.protection[:0] = rows
            sprays = []
            for row in top.rows("retreatment"):
                crop = self.crop(row, "crop", row.text("crop", required=True))
                days = row.pair("days", 1, 120, required=True) or (0.0, 0.0)
                sprays.append(
                    Retreatment(
                        crop=crop,
                        targets=self._targets_of(row, crop),
                        least=days[0],
                        most=days[1],
                        typical=row.number("typical", 1, 120),
                        backing=self.backing(row),
                    )
                )
                row.finish()
            self.all.retreatment[:0] = sprays
            top.finish()

    def coverage(self) -> None:
        for _layer, top in self.documents("coverage.yaml"):
            otherwise = top.row("otherwise")
            if otherwise is not None:
                self.backing(otherwise)
            rows = []
            for row in top.rows("coverage", required=True):
                crop = self.crop(row, "crop", row.text("crop", required=True))
                droplets = row.texts("droplets")
                for index, code in enumerate(droplets):
                    if code not in DROPLETS:
                        row.fail(
                            ("droplets", index),
                            f"'{code}' is no droplet class",
                            f"one of {', '.join(DROPLETS)}",
                        )
                backing = self.backing(row)
                rows.append(
                    CoverageAdvice(
                        crop=crop,
                        targets=self._targets_of(row, crop, ("any",)),
                        canopy=cast(
                            Any, row.text("canopy", one_of=("open", "closing", "closed", "any")) or "any"
                        ),
                        droplets=droplets,
                        volume=row.pair("volume", 5, 2000),
                        volume_least=row.number("volume_least", 5, 2000),
                        note=backing.note,
                        backing=backing,
                    )
                )
                row.finish()
            self.all.coverage[:0] = rows
            top.finish()

    def harmful_uses(self) -> None:
        for layer, top in self.documents("harmful-uses.yaml"):
            for row in top.rows("harmful_uses", required=True):
                key = row.text("id", required=True)
                self.once(layer, "harmful use", key, row)
                crop = self.crop(row, "crop", row.text("crop", required=True))
                target = row.text("needs_target")
                if target and target not in self.all.targets.get(crop, {}):
                    row.fail("needs_target", f"'{target}' is no target of {crop}", "")
                codes = tuple(
                    code if code == "any" else self.frac_code(row, ("codes", index), code)
                    for index, code in enumerate(row.texts("codes", required=True))
                )
                self.all.harmful_uses[key] = HarmfulUse(
                    id=key,
                    codes=codes,
                    crop=crop,
                    stages=self.stage_pair(row, "stages", crop) or ("", ""),
                    needs_target=target,
                    needs_other=row.text("needs_other"),
                    days_before_harvest=row.integer("days_before_harvest", 0, 200),
                    when=row.text("when"),
                    effect=row.text("effect", required=True),
                    do_instead=row.text("do_instead"),
                    worst_stages=self.stage_pair(row, "worst_stages", crop),
                    kind=row.text("kind"),
                    includes=row.text("includes"),
                    backing=self.backing(row),
                )
                row.finish()
            top.finish()

    def kinds(self) -> None:
        for layer, top in self.documents("limits/kinds.yaml", rules=True):
            for kind, row in top.mapping("kinds", required=True):
                self.once(layer, "kind", kind, row)
                found = LimitKind(
                    kind=kind,
                    means=row.text("means", required=True),
                    rules=row.texts("rules"),
                    fact_for=row.texts("fact_for"),
                    carried=row.flag("carried"),
                    reads=row.text("reads"),
                )
                if bool(found.rules) + bool(found.fact_for) + found.carried != 1:
                    row.fail(
                        (),
                        f"kind '{kind}' is not one of checked, fact and carried",
                        "give one of rules, fact_for, carried",
                    )
                self.all.kinds[kind] = found
                row.finish()
            for word, row in top.mapping("crop_words"):
                crops = row.raw("crops")
                self.all.crop_words[word] = None if crops == "every" else row.texts("crops")
                row.text("means")
                row.text("grade")
                row.finish()
            self.all.crops_elsewhere = (*self.all.crops_elsewhere, *top.texts("crops_elsewhere"))
            self.all.code_words.update(top.words("code_words"))
            top.finish()

    def limit_codes(self, row: Row, key: str) -> tuple[str, ...]:
        """Codes of a limit, words kept."""
        return tuple(
            code if code in self.all.code_words or code == "all" else self.frac_code(row, (key, index), code)
            for index, code in enumerate(row.texts(key))
        )

    def limit_crops(self, row: Row, key: str) -> tuple[str, ...]:
        """Crops of a limit, words kept."""
        names = row.texts(key)
        known = (*self.all.crops, *self.all.crop_words, *self.all.crops_elsewhere)
        for index, name in enumerate(names):
            if name not in known:
                near = nearest(name, known)
                cure = f"did you mean '{near[0]}'?" if near else "add it to crops_elsewhere of kinds.yaml"
                row.fail((key, index), f"unknown crop '{name}'", cure)
        return names

    def limits(self) -> None:
        for layer, top in self.documents("limits/*.yaml", rules=True):
            for row in top.rows("limits"):
                limit = self.limit(layer, row)
                self.all.limits[limit.id] = limit
                row.finish()
            for row in top.rows("tables_by_total"):
                key = row.text("id", required=True)
                self.once(layer, "table", key, row)
                values = _pairs(row, "values")
                self.all.tables[key] = LimitTable(
                    id=key,
                    codes=self.limit_codes(row, "codes"),
                    crops=self.limit_crops(row, "crops"),
                    targets=row.texts("targets"),
                    unit=row.text("unit"),
                    values=values,
                    use=row.flag("use"),
                    use_note=row.text("use_note"),
                    derived=row.flag("derived"),
                    backing=self.backing(row),
                )
                row.finish()
            if top.doc.name.endswith("kinds.yaml"):
                continue  # read before
            top.finish()
        self.later(self.check_limit_links)

    def limit(self, layer: int, row: Row) -> Limit:
        key = row.text("id", required=True)
        self.once(layer, "limit", key, row)
        kind = row.text("kind", required=True)
        if kind and kind not in self.all.kinds:
            near = nearest(kind, self.all.kinds)
            row.fail(
                "kind",
                f"unknown kind '{kind}'",
                f"did you mean '{near[0]}'?" if near else "add it to kinds.yaml",
            )
        if "value" not in row.data:
            row.fail((), "'value' is missing", "add 'value: ...'")
        value: Any = row.raw("value")
        if kind in _KINDS_WITH_FRACTION:
            value = row.fraction("value")
        elif kind in _KINDS_WITH_COUNT:
            value = row.number("value", 1, 60, required=True)
            value = None if value is None else int(value)
        crops = self.limit_crops(row, "crops")
        named = [crop for crop in crops if crop in self.all.crops]
        for word in crops:
            named += self.all.crop_words.get(word) or ()
        stages = row.texts("stages")
        if stages and len(stages) != 2:
            row.fail("stages", "'stages' has to be two stages", "write [first, last]")
        for code in stages:
            if named:
                self.stage(row, "stages", named[0], code)
        exceptions = []
        for entry in row.rows("exceptions"):
            exceptions.append(
                LimitException(
                    target=entry.text("target", required=True),
                    from_stage=entry.text("from_stage", required=True),
                    value=entry.number("value", 0, 60, required=True) or 0,
                )
            )
            entry.finish()
        memory = row.words("crops_from_memory")
        countries = row.texts("countries")
        self.regions(row, "countries", countries)
        return Limit(
            id=key,
            authority=row.text("authority", required=True),
            kind=kind,
            codes=self.limit_codes(row, "codes"),
            crops=crops,
            text=row.text("text", required=True),
            value=value,
            targets=tuple(
                self.pathogen(row, ("targets", index), name)
                for index, name in enumerate(row.texts("targets"))
            ),
            except_targets=tuple(
                self.pathogen(row, ("except_targets", index), name)
                for index, name in enumerate(row.texts("except_targets"))
            ),
            crops_except=self.limit_crops(row, "crops_except"),
            countries=countries,
            unit=row.text("unit"),
            counted=cast(Any, row.text("counted", one_of=("each", "together", "same_product")) or "each"),
            target_passes=_span(row, "target_passes"),
            group_passes=_span(row, "group_passes"),
            stages=(stages[0], stages[1]) if len(stages) == 2 else None,
            last_pass=row.flag("last_pass"),
            uses=cast(
                Literal["solo", "mixed", "both", ""], row.text("uses", one_of=("solo", "mixed", "both"))
            ),
            needs=row.plain("needs"),
            actives=row.texts("actives"),
            adjusts=row.texts("adjusts"),
            combine=row.text("combine", one_of=("stricter",)),
            exceptions=tuple(exceptions),
            codes_from=row.text("codes_from"),
            codes_not_in=row.text("codes_not_in"),
            unless_codes=self.limit_codes(row, "unless_codes"),
            partners_named=self.limit_codes(row, "partners_named"),
            adjacent_only=row.flag("adjacent_only"),
            crops_from_memory={crop: cast(Confidence, own) for crop, own in memory.items()},
            superseded_by=row.text("superseded_by"),
            then_codes=self.limit_codes(row, "then_codes"),
            after=row.plain("after"),
            blocks=row.plain("blocks"),
            preferred=row.number("preferred", 0, 60),
            scope=row.text("scope"),
            also=row.plain("also"),
            exception=row.text("exception"),
            basis=row.words("basis"),
            strength=row.text("strength"),
            condition=row.text("condition"),
            date=row.date("date"),
            date_grade=row.text("date_grade"),
            date_words=row.text("date_words"),
            backing=self.backing(row),
        )

    def check_limit_links(self) -> None:
        for limit in self.all.limits.values():
            for other in (*limit.adjusts, limit.superseded_by, limit.codes_from, limit.codes_not_in):
                if other and other not in self.all.limits:
                    near = nearest(other, self.all.limits)
                    place = self.all.places[("limit", limit.id)]
                    cure = f"did you mean '{near[0]}'?" if near else ""
                    self.problems.append(_problem(InputError(place, f"there is no limit '{other}'", cure)))


def read_all(catalog_dirs: Sequence[Path], rules_dirs: Sequence[Path]) -> tuple[Everything, Problems]:
    """Read every file of the folders, laid over each other in this order; problems are listed, not raised."""
    reader = _Reader(catalog_dirs, rules_dirs)
    reader.run()
    return reader.all, reader.problems


def _problem(error: InputError) -> Problem:
    place = error.place if isinstance(error.place, Place) else Place(file=str(error.place))
    return Problem(place, error.problem, error.cure)


def _span(row: Row, key: str) -> tuple[int | None, int | None] | None:
    value = row.raw(key)
    if value is None:
        return None
    if (
        not isinstance(value, list)
        or len(value) != 2
        or not all(item is None or (isinstance(item, int) and not isinstance(item, bool)) for item in value)
    ):
        row.fail(key, f"'{key}' has to be [least, most]", "write [4, 6], or [7, null] for an open end")
        return None
    return value[0], value[1]


def _pairs(row: Row, key: str) -> tuple[tuple[int, int], ...]:
    """A list of ``[passes in all, most with the group]``."""
    value = row.raw(key)
    if value is None:
        return ()
    for pair in value if isinstance(value, list) else (value,):
        whole = isinstance(pair, list) and all(type(item) is int for item in pair)
        if not whole or len(pair) != 2:
            row.fail(key, f"'{key}' has to be a list of [total, most]", "write [[1, 1], [2, 1], [3, 2]]")
            return ()
    return tuple((total, most) for total, most in value)


def _additive(name: str) -> bool:
    """Adjuvant salts that trials name beside the actives; they belong to no scheme."""
    return name in ("lignosulfonate",)


def _interval(entry: dict[str, Any]) -> StageInterval:
    span = entry.get("range") or (None, None)
    sources = entry.get("source", ())
    keys = (sources,) if isinstance(sources, str) else tuple(sources)
    return StageInterval(
        first=entry["first"],
        last=entry["last"],
        average=entry.get("average"),
        least=span[0],
        most=span[1],
        kind=entry.get("kind", ""),
        backing=Backing(
            sources=keys,
            grade=entry.get("grade", "unknown"),
            confidence=entry.get("confidence"),
            note=entry.get("note", ""),
        ),
    )
