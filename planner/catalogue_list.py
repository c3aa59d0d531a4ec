"""Plain rows of the catalogue for lists, and the entries that are no rule, group, active, target or stage: data only,
every renderer draws them its own way."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from planner.catalogue import Catalogue
from planner.errors import UnknownName
from planner.model import Backing, Crop, Limit, LimitKind, Pathogen, Source, Struct

Row = tuple[str, ...]
SCHEMES = ("FRAC", "IRAC", "HRAC")


class Table(Struct, frozen=True, kw_only=True):
    """Rows of one kind under a header."""

    header: Row
    rows: tuple[Row, ...]


class Entry(Struct, frozen=True, kw_only=True):
    """One entry in full: title, facts in order, tables below, and its sources in words."""

    kind: str
    title: str
    facts: dict[str, str]
    tables: dict[str, Table] = {}
    sources: tuple[str, ...] = ()


def listed(catalogue: Catalogue, kind: str, *, crop: str = "", scheme: str = "") -> Table:
    """One list (see ``LISTS``): of one crop where the list is by crop and a crop is given, of one scheme likewise.

    Raises:
        UnknownName: no such list or crop.
    """
    if kind not in LISTS:
        raise UnknownName("list", kind, LISTS)
    crops = [catalogue.crop(crop)] if crop else list(catalogue.crops.values())
    header, rows = LISTS[kind](catalogue, crops, (scheme,) if scheme else SCHEMES)
    return Table(header=header, rows=tuple(rows))


def entries(catalogue: Catalogue, name: str) -> list[Entry]:
    """What goes by this name among crops, limits, pathogens, kinds of limits and sources; empty where nothing does."""
    found: list[Entry] = []
    finders: tuple[Callable[[], Entry], ...] = (
        lambda: _crop(catalogue, catalogue.crop(name)),
        lambda: _limit(catalogue, catalogue.limit(name)),
        lambda: _pathogen(catalogue, catalogue.pathogen(name)),
    )
    for finder in finders:
        try:
            found.append(finder())
        except UnknownName:
            continue
    if name in catalogue.kinds:
        found.append(_kind(catalogue, catalogue.kinds[name]))
    if name in catalogue.sources:
        found.append(_source(catalogue.sources[name]))
    return found


def names(catalogue: Catalogue) -> list[str]:
    """Every name that :func:`entries` knows, apart from sources (hundreds of keys that nobody types from memory)."""
    return [*catalogue.crops, *catalogue.pathogens, *catalogue.kinds, *(limit.id for limit in catalogue.limits)]


# --- lists ----------------------------------------------------------------------------------------------------------

Listing = tuple[Row, Iterable[Row]]


def _crops(catalogue: Catalogue, crops: Sequence[Crop], _schemes: Sequence[str]) -> Listing:
    return ("id", "name", "class", "targets", "scale"), (
        (crop.id, crop.name, crop.crop_class, str(len(catalogue.targets(crop.id))), crop.scale) for crop in crops
    )


def _targets(catalogue: Catalogue, crops: Sequence[Crop], _schemes: Sequence[str]) -> Listing:
    return ("crop", "id", "window", "style", "pathogen"), (
        (crop.id, one.id, "-".join(one.window or ()), one.timing_style, one.pathogen)
        for crop in crops
        for one in catalogue.targets(crop.id).values()
    )


def _groups(catalogue: Catalogue, _crops: Sequence[Crop], schemes: Sequence[str]) -> Listing:
    return ("key", "risk", "multi-site", "grade", "name"), (
        (one.key, one.risk, "yes" if one.multi_site else "", one.backing.words, one.family or one.name)
        for one in catalogue.groups.values()
        if one.scheme in schemes
    )


def _actives(catalogue: Catalogue, _crops: Sequence[Crop], schemes: Sequence[str]) -> Listing:
    return ("active", "group", "risk", "movement", "grade", "family"), (
        (one.name, one.group, one.risk, one.mobility, one.backing.words, one.chemical_group)
        for scheme in schemes
        for one in catalogue.of_scheme(scheme).values()
    )


def _stages(_catalogue: Catalogue, crops: Sequence[Crop], _schemes: Sequence[str]) -> Listing:
    return ("crop", "code", "bbch", "name"), (
        (crop.id, one.code, str(one.bbch), one.name or one.look_for) for crop in crops for one in crop.stages
    )


def _limits(catalogue: Catalogue, crops: Sequence[Crop], _schemes: Sequence[str]) -> Listing:
    everything = len(crops) == len(catalogue.crops)
    return ("id", "kind", "crops", "where", "date", "grade"), (
        (one.id, one.kind, " ".join(one.crops), " ".join(one.countries), one.date, one.backing.words)
        for one in catalogue.limits
        if everything or any(catalogue.names_crop(one, crop.id, crop.crop_class) for crop in crops)
    )


def _reports(catalogue: Catalogue, crops: Sequence[Crop], _schemes: Sequence[str]) -> Listing:
    return ("crop", "group", "level", "first", "where", "pathogen"), (
        (
            one.crop,
            f"FRAC {one.code}",
            one.level,
            str(one.first_year or ""),
            " ".join([*one.countries, *one.subdivisions]),
            one.pathogen,
        )
        for crop in crops
        for rows in catalogue.facts(crop.id).reports.values()
        for one in rows
    )


def _sources(catalogue: Catalogue, _crops: Sequence[Crop], _schemes: Sequence[str]) -> Listing:
    return ("key", "source"), ((key, one.words) for key, one in catalogue.sources.items())


LISTS: dict[str, Callable[[Catalogue, Sequence[Crop], Sequence[str]], Listing]] = {
    "crops": _crops,
    "targets": _targets,
    "groups": _groups,
    "actives": _actives,
    "stages": _stages,
    "limits": _limits,
    "reports": _reports,
    "sources": _sources,
}


# --- one entry ------------------------------------------------------------------------------------------------------


def value_words(limit: Limit) -> str:
    """Value of a published row: count, share in percent or list; empty where it only holds or not."""
    value = limit.value
    if value is True:
        return ""
    if isinstance(value, float):
        return f"{value:.0%}"
    if isinstance(value, list):
        return " to ".join(map(str, value)) if limit.kind == "stage_window" else ", ".join(map(str, value))
    if isinstance(value, dict):
        return ", ".join(f"{key} {part}" for key, part in value.items())
    return str(value)


def _kept(facts: Iterable[tuple[str, str]]) -> dict[str, str]:
    return {label: text for label, text in facts if text}


def _cited(catalogue: Catalogue, backings: Iterable[Backing]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(words for backing in backings for words in catalogue.cite(backing)))


def _crop(catalogue: Catalogue, crop: Crop) -> Entry:
    start = "no" if not crop.from_sowing else ", ".join(crop.from_sowing_kinds) or "yes"
    facts = [
        ("stage scale", crop.scale),
        ("how to count", crop.note),
        ("class", crop.crop_class),
        ("stages estimated from sowing", start),
        ("other names", ", ".join(crop.aliases)),
    ]
    tables = {kind: listed(catalogue, kind, crop=crop.id) for kind in ("targets", "stages")}
    sources = _cited(catalogue, (stage.backing for stage in crop.stages))
    return Entry(kind="crop", title=crop.name, facts=_kept(facts), tables=tables, sources=sources)


def _limit(catalogue: Catalogue, limit: Limit) -> Entry:
    kind = catalogue.kinds[limit.kind]
    facts = [
        ("says", limit.text),
        ("authority", limit.authority),
        ("kind", f"{limit.kind}: {kind.means}"),
        ("checked by", ", ".join(kind.rules) or "no rule: shown only"),
        ("value", value_words(limit)),
        ("groups", ", ".join(limit.codes)),
        ("crops", ", ".join(limit.crops)),
        ("against", ", ".join(limit.targets)),
        ("where", ", ".join(limit.countries) or "worldwide"),
        ("holds where", limit.condition),
        ("superseded by", limit.superseded_by),
        ("date", limit.date_words or limit.date),
        ("grade", limit.backing.words),
        ("note", limit.backing.note),
        *((f"basis of {key}", text) for key, text in limit.basis.items()),
    ]
    return Entry(kind="limit", title=limit.id, facts=_kept(facts), sources=_cited(catalogue, [limit.backing]))


def _pathogen(catalogue: Catalogue, pathogen: Pathogen) -> Entry:
    facts = [
        ("other names", ", ".join(pathogen.synonyms)),
        *((f"resistance risk on {crop}", f"{risk} ({held.words})") for crop, (risk, held) in pathogen.risk.items()),
    ]
    cited = _cited(catalogue, (backing for _risk, backing in pathogen.risk.values()))
    hosts = tuple(
        (crop, target.id)
        for crop in catalogue.crops
        for target in catalogue.targets(crop).values()
        if target.pathogen == pathogen.id
    )
    tables = {"targets": Table(header=("crop", "target"), rows=hosts)} if hosts else {}
    return Entry(kind="pathogen", title=pathogen.id, facts=_kept(facts), tables=tables, sources=cited)


def _kind(catalogue: Catalogue, kind: LimitKind) -> Entry:
    facts = [
        ("means", kind.means),
        ("checked by", ", ".join(kind.rules) or ("carried, not checked" if kind.carried else "")),
        ("fact for", ", ".join(kind.fact_for)),
        ("reads", kind.reads),
        ("rows", ", ".join(limit.id for limit in catalogue.limits if limit.kind == kind.kind)),
    ]
    return Entry(kind="kind of limit", title=kind.kind, facts=_kept(facts))


def _source(source: Source) -> Entry:
    facts = [
        ("publisher", source.publisher),
        ("year", source.year),
        ("section", source.section),
        ("address", source.address),
        ("note", source.note),
    ]
    return Entry(kind="source", title=source.title, facts=_kept(facts))
