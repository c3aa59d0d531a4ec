"""The catalogue: every fact about groups, actives, crops, targets, ratings, resistance and published limits.

``load()`` gives it from the compiled store in a few milliseconds; what an ordinary audit does not touch
(herbicides, insecticides, the bibliography, other crops) stays undecoded until it is asked for.

    >>> catalogue = load()
    >>> catalogue.active("Azoxystrobin").group
    'FRAC 11'
    >>> catalogue.stage("wheat", "f10.5.1").bbch
    61
    >>> [catalogue.joined("FRAC 11", "FRAC 11A", purpose) for purpose in ("succession", "counting")]
    [True, False]
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from planner.catalogue_store import CropFacts, Limits, Statements, Store
from planner.errors import UnknownName
from planner.model import (
    Active,
    Backing,
    CoverageAdvice,
    Crop,
    FungicideScore,
    Group,
    HarmfulUse,
    Limit,
    LimitKind,
    LimitTable,
    Pathogen,
    Protection,
    Rating,
    Report,
    Retreatment,
    Source,
    Stage,
    Target,
)
from planner.places import folder
from planner.spelling import kebab

if TYPE_CHECKING:
    import networkx

Purpose = Literal["mixing", "succession", "counting"]

_GROUP = re.compile(r"(?:(FRAC|IRAC|HRAC)[\s:-]*)?(?:GROUP\s*)?([A-Z]{0,3}\d[\dA-Z.]*|[A-Z]{2,3})\Z")


def load(*, catalog_dirs: Sequence[Path | str] = (), rules_dirs: Sequence[Path | str] = ()) -> Catalogue:
    """The shipped catalogue with the user's folders laid over it, later ones on top.

    Args:
        catalog_dirs: folders shaped like ``catalog/`` (any part of it).
        rules_dirs: folders shaped like ``rules/``; only ``limits/`` below them is read here.

    Raises:
        RulebookError: a file is wrong; file, line, problem and cure of the first problem.
        FileNotFoundError: the installation is incomplete.
    """
    catalog = (folder("catalog"), *(Path(path) for path in catalog_dirs))
    rules = (folder("rules"), *(Path(path) for path in rules_dirs))
    return Catalogue(catalog, rules)


class Catalogue:
    """All facts, with look-ups by every name a user may write. Made by ``load``; nothing in it changes."""

    def __init__(self, catalog_dirs: Sequence[Path], rules_dirs: Sequence[Path]) -> None:
        self.catalog_dirs = tuple(catalog_dirs)
        self.rules_dirs = tuple(rules_dirs)
        self._store = Store(self.catalog_dirs, self.rules_dirs)
        self._facts: dict[str, CropFacts] = {}
        self._schemes: dict[str, dict[str, Active]] = {}
        self._stages: dict[tuple[str, str], Stage] = {}
        self._days: dict[tuple[str, str, str, int], Protection | None] = {}
        self._core = self._store.core()

    # --- head ------------------------------------------------------------------------------------

    @property
    def version(self) -> str:
        """Version of the data."""
        return self._core.version

    @property
    def date(self) -> str:
        """ISO date of the data."""
        return self._core.date

    @property
    def review_by(self) -> str:
        """ISO date after which the data should be reviewed."""
        return self._core.review_by

    # --- groups and actives ----------------------------------------------------------------------

    @property
    def groups(self) -> Mapping[str, Group]:
        """Every group by key (``FRAC 11``)."""
        return self._core.groups

    @cached_property
    def actives(self) -> Mapping[str, Active]:
        """Every active of the three schemes by lower-case ISO name; FRAC beats IRAC beats HRAC."""
        return {**self.of_scheme("HRAC"), **self.of_scheme("IRAC"), **self.of_scheme("FRAC")}

    def of_scheme(self, scheme: str) -> Mapping[str, Active]:
        """The rows of one scheme as listed (also those that another scheme lists too)."""
        if scheme == "FRAC":
            return self._core.actives
        if scheme not in self._schemes:
            self._schemes[scheme] = self._store.scheme(scheme)
        return self._schemes[scheme]

    def active(self, name: str) -> Active:
        """The active of this ISO name or alias, whatever its case.

        Raises:
            UnknownName: with the nearest names.
        """
        key = " ".join(name.casefold().replace("_", " ").split())
        found = self._core.actives.get(key)
        if found is not None:
            return found
        place = self._core.names.get(key) or self._core.names.get(key.replace(" ", "-"))
        if place is None:
            raise UnknownName("active", name, [*self._core.actives, *self._core.names])
        return self.of_scheme(place[0])[place[1]]

    def has_active(self, name: str) -> bool:
        """Whether ``active`` would find it."""
        try:
            self.active(name)
        except UnknownName:
            return False
        return True

    def group(self, key: str) -> Group:
        """The group of this key, in any spelling of ``normal_group``.

        Raises:
            UnknownName: with the nearest keys.
        """
        found = self._core.groups.get(key)
        return found if found is not None else self._core.groups[self.normal_group(key)]

    def has_group(self, key: str) -> bool:
        """Whether this exact key is a group."""
        return key in self._core.groups

    def normal_group(self, text: str) -> str:
        """``frac 11``, ``FRAC11``, ``FRAC M3``, ``FRAC 33`` -> the key (``FRAC 11`` ... ``FRAC M03``,
        ``FRAC P07``).

        Raises:
            UnknownName: no such group, or no scheme given; the error names the nearest keys.
        """
        match = _GROUP.match(text.strip().upper())
        if match:
            scheme, code = match.group(1), match.group(2)
            letters = re.match(r"([A-Z]+)(\d)\Z", code)
            codes = (code, f"{letters.group(1)}0{letters.group(2)}") if letters else (code,)
            if scheme:
                for one in codes:
                    if f"{scheme} {one}" in self._core.groups:
                        return f"{scheme} {one}"
                for group in self._core.groups.values():
                    if group.scheme == scheme and any(one in group.former for one in codes):
                        return group.key
            else:
                error = UnknownName("group", text, ())
                known = [f"{s} {one}" for s in ("FRAC", "IRAC", "HRAC") for one in codes]
                error.nearest = tuple(key for key in known if key in self._core.groups)
                if error.nearest:
                    error.args = (f"unknown group '{text}'; {error.cure}",)
                    raise error
        raise UnknownName("group", text, self._core.groups)

    def joined(self, one: str, other: str, purpose: Purpose) -> bool:
        """Whether two groups count as one for mixing, succession or counting. Keys as in ``groups``."""
        if one == other:
            return True
        parts = self._core.components.get(purpose, {})
        return parts.get(one, one) == parts.get(other, other)

    def partly_joined(self, key: str) -> bool:
        """Whether members of the group are only incompletely cross-resistant (3 and 7)."""
        return key in self._core.incomplete

    @cached_property
    def statements(self) -> Statements:
        """What is stated about cross-resistance, and the combined-risk scheme."""
        return self._store.statements()

    def cross_resistance(self) -> networkx.Graph:
        """Groups as nodes; an edge where they are joined, with ``purposes`` and ``backing``."""
        import networkx

        graph = networkx.Graph()
        graph.add_nodes_from(self._core.groups)
        for row in self.statements.joined:
            for index, one in enumerate(row.groups):
                for other in row.groups[index + 1 :]:
                    graph.add_edge(one, other, purposes=row.purposes, text=row.text, backing=row.backing)
        return graph

    # --- crops, stages, targets ------------------------------------------------------------------

    @property
    def crops(self) -> Mapping[str, Crop]:
        """Every crop by id."""
        return self._core.crops

    def crop(self, name: str) -> Crop:
        """The crop of this id or alias.

        Raises:
            UnknownName: with the nearest names.
        """
        found = self._core.crops.get(name)
        if found is not None:
            return found
        wanted = kebab(name)
        for crop in self._core.crops.values():
            if wanted == crop.id or any(wanted == kebab(alias) for alias in crop.aliases):
                return crop
        raise UnknownName("crop", name, self._core.crops)

    def stage(self, crop: str, code: str) -> Stage:
        """The crop's stage of this code: its own scales, or ``BBCHnn`` on any crop; case does not matter.

        Raises:
            UnknownName: no such stage or crop.
        """
        key = (crop, code)
        found = self._stages.get(key)
        if found is None:
            from planner.stages import find_stage

            own = self.crop(crop)
            found = find_stage(own, code)
            if found is None:
                raise UnknownName("stage", code, [stage.code for stage in own.stages])
            self._stages[key] = found
        return found

    def stage_after(self, crop: str, code: str) -> Stage | None:
        """The next later stage of the crop's table, on the scale of ``code`` if it can; None at the end."""
        here = self.stage(crop, code)
        later = [stage for stage in self.crop(crop).stages if stage.bbch > here.bbch]
        if not later:
            return None
        first = later[0].bbch
        letters = _letters(here.code)
        beside = [stage for stage in later if stage.bbch == first]
        return next((stage for stage in beside if _letters(stage.code) == letters), beside[0])

    def facts(self, crop: str) -> CropFacts:
        """Targets, ratings and reports of a crop id (also of crops that only reports name)."""
        if crop not in self._facts:
            self._facts[crop] = self._store.facts(crop)
        return self._facts[crop]

    def targets(self, crop: str) -> Mapping[str, Target]:
        """Targets of a crop by id."""
        return self.facts(self.crop(crop).id).targets

    def target(self, crop: str, name: str) -> Target:
        """The target of this id, alias, full name or pathogen, within the crop.

        Raises:
            UnknownName: no such target or crop.
        """
        own = self.crop(crop).id
        names = self._core.target_names.get(own, {})
        key = names.get(name) or names.get(kebab(name))
        if key is None:
            raise UnknownName("target", name, [known for known in names if " " not in known])
        return self.facts(own).targets[key]

    def ratings(self, crop: str, target: str) -> tuple[Rating, ...]:
        """Every rating row for the target; the look-up order is in ``catalog/README.md``."""
        return self.facts(crop).ratings.get(target, ())

    def pathogen(self, name: str) -> Pathogen:
        """The pathogen of this name or synonym.

        Raises:
            UnknownName: with the nearest names.
        """
        found = self._core.pathogens.get(name)
        if found is not None:
            return found
        folded = name.casefold()
        for pathogen in self._core.pathogens.values():
            if folded in (pathogen.id.casefold(), *(synonym.casefold() for synonym in pathogen.synonyms)):
                return pathogen
        raise UnknownName("pathogen", name, self._core.pathogens)

    @property
    def pathogens(self) -> Mapping[str, Pathogen]:
        """Every pathogen by id."""
        return self._core.pathogens

    def reports(self, crop: str, pathogen: str) -> tuple[Report, ...]:
        """Reported resistance and surveys of a pathogen (id or synonym) on a crop."""
        rows = self.facts(crop).reports
        found = rows.get(pathogen)
        if found is not None:
            return found
        try:
            return rows.get(self.pathogen(pathogen).id, ())
        except UnknownName:
            return ()

    # --- published limits ------------------------------------------------------------------------

    @cached_property
    def _limits(self) -> Limits:
        return self._store.limits()

    @property
    def limits(self) -> tuple[Limit, ...]:
        """Every published row, superseded and carried ones too."""
        return tuple(self._limits.limits.values())

    def limit(self, key: str) -> Limit:
        """The published row of this id.

        Raises:
            UnknownName: with the nearest ids.
        """
        found = self._limits.limits.get(key)
        if found is None:
            raise UnknownName("limit", key, self._limits.limits)
        return found

    @property
    def tables(self) -> Mapping[str, LimitTable]:
        """Tables by total number of passes: shown, never checked."""
        return self._limits.tables

    @property
    def kinds(self) -> Mapping[str, LimitKind]:
        """What each kind of row means and which rules check it."""
        return self._core.kinds

    def limits_for(
        self, crop: str, crop_class: str = "", country: str | None = None, region: str | None = None
    ) -> dict[str, list[tuple[Limit, bool]]]:
        """Rows that speak of this crop and place, by kind; superseded rows are left out.

        The flag is true where the row is bound to a region of the country and the field names no region.
        """
        found: dict[str, list[tuple[Limit, bool]]] = {}
        for limit in self._limits.limits.values():
            if limit.superseded_by or not self.names_crop(limit, crop, crop_class):
                continue
            regional = False
            if limit.countries:
                if country is None:
                    continue
                if country not in limit.countries and (region is None or region not in limit.countries):
                    regional = region is None and any(place.startswith(f"{country}-") for place in limit.countries)
                    if not regional:
                        continue
            found.setdefault(limit.kind, []).append((limit, regional))
        return found

    def names_crop(self, limit: Limit, crop: str, crop_class: str = "") -> bool:
        """Whether a row speaks of a crop: by name, by its class, or by another word of ``kinds.yaml``."""
        for word, listed in ((limit.crops, False), (limit.crops_except, True)):
            named = crop in word or (crop_class != "" and crop_class in word)
            for one in word:
                if named:
                    break
                if one in self._core.crop_words:
                    crops = self._core.crop_words[one]
                    named = crops is None or crop in crops
            if named is listed:
                return False
        return True

    # --- protection, coverage, harm, risk --------------------------------------------------------

    @property
    def protection(self) -> tuple[Protection, ...]:
        """Published days of protection."""
        return self._core.protection

    @property
    def retreatment(self) -> tuple[Retreatment, ...]:
        """Published days to the next spray."""
        return self._core.retreatment

    def protection_of(self, code: str, crop: str, target: str = "", working: int = 1) -> Protection | None:
        """Days of protection of a FRAC code on a crop, or None where no source tells.

        First hit of: the crop's row for this many working groups (two or more), code and crop, code on all
        crops, the crop's row of retreatment against the target.
        """
        key = (code, crop, target, working)
        if key not in self._days:
            self._days[key] = self._find_days(code, crop, target, working)
        return self._days[key]

    def _find_days(self, code: str, crop: str, target: str, working: int) -> Protection | None:
        if working >= 2:
            rows = [row for row in self._core.protection if row.working_groups and crop in row.crops]
            rows = [row for row in rows if row.working_groups is not None and row.working_groups <= working]
            if rows:
                return max(rows, key=lambda row: row.working_groups or 0)
        for where in (crop, "all"):
            for row in self._core.protection:
                if code in row.codes and where in row.crops:
                    return row
        spray = self.retreatment_of(crop, target)
        if spray is None:
            return None
        return Protection(
            crops=(crop,),
            least=spray.least,
            most=spray.most,
            kind="days to the next spray",
            backing=spray.backing,
        )

    def retreatment_of(self, crop: str, target: str) -> Retreatment | None:
        """Published days to the next spray against a target, or None."""
        return next((row for row in self._core.retreatment if row.crop == crop and target in row.targets), None)

    @property
    def coverage(self) -> tuple[CoverageAdvice, ...]:
        """Droplets and carrier volume advised."""
        return self._core.coverage

    def coverage_for(self, crop: str, target: str) -> list[CoverageAdvice]:
        """Advice for a target of a crop: rows that name it, else rows for any target."""
        rows = [row for row in self._core.coverage if row.crop == crop]
        return [row for row in rows if target in row.targets] or [row for row in rows if "any" in row.targets]

    @property
    def harmful_uses(self) -> tuple[HarmfulUse, ...]:
        """Uses that a source warns against for harm other than resistance."""
        return self._core.harmful_uses

    @property
    def scores(self) -> Mapping[str, FungicideScore]:
        """Score of each FRAC code in the combined-risk scheme."""
        return self._core.scores

    def score(self, code: str, risk: str = "") -> FungicideScore | None:
        """Score of a code; where the active decides, of its own risk. None: the scheme gives none."""
        found = self._core.scores.get(code)
        if found is None:
            return None
        if found.by_active and risk:
            own = self._core.risk_scores.get(risk)
            if own is None:
                return None
            return FungicideScore(code=code, score=own, risk=risk, by_active=True, backing=found.backing)
        return found if found.score is not None else None

    # --- bibliography and files of other rooms ---------------------------------------------------

    @cached_property
    def sources(self) -> Mapping[str, Source]:
        """The bibliography."""
        return self._store.sources()

    def cite(self, backing: Backing) -> tuple[str, ...]:
        """The sources of a fact as a reader meets them, with the place in them."""
        known = self.sources
        words = [known[key].words if key in known else key for key in backing.sources]
        if backing.where and words:
            words[-1] += f", {backing.where}"
        return tuple(words)

    @cached_property
    def selection(self) -> dict[str, Any]:
        """``catalog/selection.yaml`` as parsed; empty where it is missing."""
        return self._store.raw("selection")

    @cached_property
    def spraying(self) -> dict[str, Any]:
        """``catalog/spraying.yaml`` as parsed; empty where it is missing."""
        return self._store.raw("spraying")

    @cached_property
    def phenology(self) -> dict[str, Any]:
        """``catalog/phenology.yaml`` as parsed; empty where it is missing."""
        return self._store.raw("phenology")


def _letters(code: str) -> str:
    return code.rstrip("0123456789.")
