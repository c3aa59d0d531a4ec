"""Plain rows of the catalogue for lists and ``show``: data only, every renderer draws them its own way."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from planner.catalogue import Catalogue
from planner.errors import UnknownName
from planner.model import Active, Backing, Crop, Group, Limit, Pathogen, Rating, Report, Source, Target

Rows = list[dict[str, str]]


@dataclass(frozen=True, slots=True)
class Shown:
    """One entry in full: title, facts in order, tables below, and its sources in words."""

    kind: str
    title: str
    facts: tuple[tuple[str, str], ...]
    tables: tuple[tuple[str, Rows], ...] = ()
    sources: tuple[str, ...] = ()


def list_rows(catalogue: Catalogue, what: str, *, crop: str = "") -> Rows:
    """Rows of one list (see ``LISTS``), for one crop where the list is by crop and a crop is given.

    Raises:
        UnknownName: no such list or crop.
    """
    if what not in LISTS:
        raise UnknownName("list", what, LISTS)
    return LISTS[what](catalogue, catalogue.crop(crop).id if crop else "")


def show(catalogue: Catalogue, name: str, *, crop: str = "") -> list[Shown]:
    """Everything that goes by this name: groups, actives, crops, targets, pathogens, limits, kinds, sources.

    Raises:
        UnknownName: nothing does; the nearest names are given.
    """
    found: list[Shown] = []
    finders: tuple[Callable[[], Shown], ...] = (
        lambda: _group(catalogue, catalogue.group(name)),
        lambda: _active(catalogue, catalogue.active(name)),
        lambda: _crop(catalogue, catalogue.crop(name)),
        lambda: _limit(catalogue, catalogue.limit(name)),
        lambda: _pathogen(catalogue, catalogue.pathogen(name)),
    )
    for finder in finders:
        try:
            found.append(finder())
        except UnknownName:
            continue
    for one in (catalogue.crop(crop).id,) if crop else catalogue.crops:
        try:
            found.append(_target(catalogue, catalogue.target(one, name)))
        except UnknownName:
            continue
    kind = catalogue.kinds.get(name)
    if kind is not None:
        checked = ", ".join(kind.rules) or ("carried, not checked" if kind.carried else "")
        facts = [("means", kind.means), ("checked by", checked), ("fact for", ", ".join(kind.fact_for))]
        found.append(Shown("kind of limit", name, _kept([*facts, ("reads", kind.reads)])))
    source = catalogue.sources.get(name)
    if source is not None:
        found.append(_source(source))
    if not found:
        raise UnknownName("name", name, _every_name(catalogue))
    return found


def _every_name(catalogue: Catalogue) -> list[str]:
    names = [*catalogue.groups, *catalogue.actives, *catalogue.crops, *catalogue.pathogens]
    for crop in catalogue.crops:
        for target in catalogue.targets(crop).values():
            names += (target.id, *target.aliases)
    return [*names, *catalogue.kinds, *(limit.id for limit in catalogue.limits)]


# --- lists --------------------------------------------------------------------------------------


def _groups(catalogue: Catalogue, _crop: str) -> Rows:
    counts: dict[str, int] = {}
    for active in catalogue.actives.values():
        for key in active.groups:
            counts[key] = counts.get(key, 0) + 1
    return [
        {
            "group": group.key,
            "family": group.family or group.name,
            "risk": group.risk if group.scheme == "FRAC" else "",
            "multi-site": "yes" if group.multi_site else "",
            "target site": group.target_site,
            "actives": str(counts.get(group.key, 0)),
            "grade": group.backing.words,
        }
        for group in catalogue.groups.values()
    ]


def _actives(catalogue: Catalogue, _crop: str) -> Rows:
    return [
        {
            "active": active.name,
            "kind": active.kind,
            "group": ", ".join(active.groups),
            "risk": active.risk if active.scheme == "FRAC" else "",
            "multi-site": "yes" if active.multi_site else "",
            "mobility": active.mobility,
            "grade": active.backing.words,
        }
        for active in sorted(catalogue.actives.values(), key=lambda active: active.name)
    ]


def _crops(catalogue: Catalogue, _crop: str) -> Rows:
    return [
        {
            "crop": crop.id,
            "scale": crop.scale,
            "stages": str(len(crop.stages)),
            "targets": str(len(catalogue.targets(crop.id))),
            "other names": ", ".join(crop.aliases),
        }
        for crop in catalogue.crops.values()
    ]


def _chosen(catalogue: Catalogue, crop: str) -> Iterable[str]:
    return (crop,) if crop else catalogue.crops


def _targets(catalogue: Catalogue, crop: str) -> Rows:
    return [
        {
            "crop": one,
            "target": target.id,
            "pathogen": target.pathogen,
            "window": " to ".join(target.window or ()),
            "best timing": ", ".join(target.best_timing),
            "groups": ", ".join(rated.code for rated in target.rated_groups),
            "risk": target.risk,
            "other names": ", ".join(target.aliases),
        }
        for one in _chosen(catalogue, crop)
        for target in catalogue.targets(one).values()
    ]


def _stages(catalogue: Catalogue, crop: str) -> Rows:
    return [
        {
            "crop": one,
            "stage": stage.code,
            "BBCH": f"{stage.bbch:02d}",
            "name": stage.name,
            "look for": stage.look_for,
            "grade": stage.backing.words,
        }
        for one in _chosen(catalogue, crop)
        for stage in catalogue.crop(one).stages
    ]


def _ratings(catalogue: Catalogue, crop: str) -> Rows:
    return [
        {"crop": one, "target": rating.target, **_rating(rating)}
        for one in _chosen(catalogue, crop)
        for rows in catalogue.facts(one).ratings.values()
        for rating in rows
    ]


def _reports(catalogue: Catalogue, crop: str) -> Rows:
    return [
        {"crop": one, "pathogen": report.pathogen, **_report(report)}
        for one in _chosen(catalogue, crop)
        for rows in catalogue.facts(one).reports.values()
        for report in rows
    ]


def _limits(catalogue: Catalogue, crop: str) -> Rows:
    chosen = catalogue.limits
    if crop:
        found = catalogue.crop(crop)
        chosen = tuple(limit for limit in chosen if catalogue.names_crop(limit, found.id, found.crop_class))
    return [
        {
            "limit": limit.id,
            "kind": limit.kind,
            "groups": ", ".join(limit.codes),
            "crops": ", ".join(limit.crops),
            "against": ", ".join(limit.targets),
            "value": value_words(limit),
            "where": ", ".join(limit.countries) or "worldwide",
            "authority": limit.authority,
            "date": limit.date,
            "checked by": ", ".join(catalogue.kinds[limit.kind].rules) or "shown only",
            "grade": limit.backing.words,
        }
        for limit in chosen
    ]


def _kinds(catalogue: Catalogue, _crop: str) -> Rows:
    return [
        {
            "kind": kind.kind,
            "means": kind.means,
            "checked by": ", ".join(kind.rules),
            "fact for": ", ".join(kind.fact_for),
            "shown only": "yes" if kind.carried else "",
        }
        for kind in catalogue.kinds.values()
    ]


def _sources(catalogue: Catalogue, _crop: str) -> Rows:
    return [{"source": source.key, "words": source.words} for source in catalogue.sources.values()]


LISTS: dict[str, Callable[[Catalogue, str], Rows]] = {
    "groups": _groups,
    "actives": _actives,
    "crops": _crops,
    "targets": _targets,
    "stages": _stages,
    "ratings": _ratings,
    "reports": _reports,
    "limits": _limits,
    "kinds": _kinds,
    "sources": _sources,
}


# --- one entry ----------------------------------------------------------------------------------


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


def _kept(facts: Iterable[tuple[str, str]]) -> tuple[tuple[str, str], ...]:
    return tuple((label, text) for label, text in facts if text)


def _rating(rating: Rating) -> dict[str, str]:
    control = "" if rating.control is None else f"{rating.control:g} %"
    if rating.interval is not None:
        control += f" ({rating.interval[0]:g} to {rating.interval[1]:g})"
    years = "" if rating.years is None else "-".join(str(year) for year in dict.fromkeys(rating.years))
    return {
        "actives": " + ".join(rating.actives),
        "class": rating.rating or "unknown",
        "printed": rating.printed,
        "control": control,
        "trials": "" if rating.trials is None else str(rating.trials),
        "years": years,
        "country": rating.country,
        "grade": rating.backing.words,
    }


def _report(report: Report) -> dict[str, str]:
    return {
        "group": report.code,
        "level": f"{report.level} (survey)" if report.survey else report.level,
        "by active": ", ".join(f"{name} {level}" for name, level in report.level_by_active.items()),
        "mutation": ", ".join(report.mutation),
        "where": ", ".join(report.subdivisions or report.countries) or "general knowledge",
        "since": "" if report.first_year is None else str(report.first_year),
        "grade": report.backing.words,
    }


def _cited(catalogue: Catalogue, backings: Iterable[Backing]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(words for backing in backings for words in catalogue.cite(backing)))


def _group(catalogue: Catalogue, group: Group) -> Shown:
    members = [active for active in catalogue.actives.values() if group.key in active.groups]
    joined = [
        other.key
        for other in catalogue.groups.values()
        if other.key != group.key and catalogue.joined(group.key, other.key, "succession")
    ]
    facts = [
        ("family", group.family),
        ("name", group.name),
        ("target site", group.target_site),
        ("resistance risk", group.risk if group.scheme == "FRAC" else ""),
        ("multi-site", "yes" if group.multi_site else ""),
        ("former codes", ", ".join(group.former)),
        ("counts as one with", ", ".join(joined)),
        ("members cross-resistant", "only in part" if catalogue.partly_joined(group.key) else ""),
        ("grade", group.backing.words),
    ]
    names: Rows = [
        {
            "active": active.name,
            "risk": active.risk,
            "mobility": active.mobility,
            "grade": active.backing.words,
        }
        for active in sorted(members, key=lambda active: active.name)
    ]
    rows = [row for row in _limits(catalogue, "") if group.code in row["groups"].split(", ")]
    tables = [("actives", names)]
    if group.scheme == "FRAC" and rows:
        tables.append(("published limits", rows))
    return Shown("group", group.words, _kept(facts), tuple(tables), _cited(catalogue, [group.backing]))


def _active(catalogue: Catalogue, active: Active) -> Shown:
    facts = [
        ("kind", active.kind),
        ("group", ", ".join(catalogue.group(key).words for key in active.groups)),
        ("chemical group", active.chemical_group),
        ("resistance risk", active.risk if active.scheme == "FRAC" else ""),
        ("multi-site", "yes" if active.multi_site else ""),
        ("mobility", active.mobility),
        ("other names", ", ".join(active.aliases)),
        ("older codes", ", ".join(active.former)),
        ("note", active.backing.note),
        ("grade", active.backing.words),
    ]
    ratings: Rows = [
        {"crop": crop, "target": rating.target, **_rating(rating)}
        for crop in catalogue.crops
        for rows in catalogue.facts(crop).ratings.values()
        for rating in rows
        if active.name in rating.actives
    ]
    tables = (("ratings", ratings),) if ratings else ()
    return Shown("active", active.name, _kept(facts), tables, _cited(catalogue, [active.backing]))


def _crop(catalogue: Catalogue, crop: Crop) -> Shown:
    start = "no" if not crop.from_sowing else ", ".join(crop.from_sowing_kinds) or "yes"
    facts = [
        ("stage scale", crop.scale),
        ("how to count", crop.note),
        ("class", crop.crop_class),
        ("stages estimated from sowing", start),
        ("other names", ", ".join(crop.aliases)),
    ]
    tables = (("targets", _targets(catalogue, crop.id)), ("stages", _stages(catalogue, crop.id)))
    return Shown("crop", crop.name, _kept(facts), tables, _cited(catalogue, (s.backing for s in crop.stages)))


def _target(catalogue: Catalogue, target: Target) -> Shown:
    end = target.window_end_before_harvest
    survives = {True: "yes", False: "no", None: "not known"}[target.survives_on_field]
    facts = [
        ("crop", target.crop),
        ("pathogen", target.pathogen),
        ("other names", ", ".join(target.aliases)),
        ("infects", " to ".join(target.window or ()) + (f", until {end} days before harvest" if end else "")),
        ("best timing", ", ".join(target.best_timing)),
        ("style", target.timing_style.replace("_", " ")),
        ("timing", target.timing_backing.note),
        ("foliar treatment", "" if target.foliar_treatment else "none is listed"),
        ("lives on in the field", survives),
        ("resistance risk of the pathogen", target.risk),
        ("weather", target.weather),
        ("raises risk", ", ".join(target.risk_raisers)),
        ("note", target.note),
        *target.facts.items(),
    ]
    groups: Rows = [
        {
            "group": rated.code,
            "family": catalogue.group(f"FRAC {rated.code}").family
            or catalogue.group(f"FRAC {rated.code}").name,
            "class": rated.rating,
            "grade": rated.backing.words,
            "note": rated.backing.note,
        }
        for rated in target.rated_groups
    ]
    ratings: Rows = [_rating(row) for row in catalogue.ratings(target.crop, target.id)]
    reports: Rows = [_report(row) for row in catalogue.reports(target.crop, target.pathogen)]
    tables = [
        ("groups that work (before resistance)", groups),
        ("ratings", ratings),
        ("resistance reports", reports),
    ]
    backings = [
        target.window_backing,
        target.timing_backing,
        *(rated.backing for rated in target.rated_groups),
    ]
    kept = tuple((title, rows) for title, rows in tables if rows)
    return Shown("target", f"{target.name} of {target.crop}", _kept(facts), kept, _cited(catalogue, backings))


def _limit(catalogue: Catalogue, limit: Limit) -> Shown:
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
    return Shown("limit", limit.id, _kept(facts), (), _cited(catalogue, [limit.backing]))


def _pathogen(catalogue: Catalogue, pathogen: Pathogen) -> Shown:
    hosts: Rows = [
        {"crop": crop, "target": target.id}
        for crop in catalogue.crops
        for target in catalogue.targets(crop).values()
        if target.pathogen == pathogen.id
    ]
    risks: Rows = [
        {"crop": crop, "risk": risk, "grade": backing.words}
        for crop, (risk, backing) in pathogen.risk.items()
    ]
    facts = _kept([("other names", ", ".join(pathogen.synonyms))])
    tables = tuple((title, rows) for title, rows in (("targets", hosts), ("resistance risk", risks)) if rows)
    cited = _cited(catalogue, (backing for _risk, backing in pathogen.risk.values()))
    return Shown("pathogen", pathogen.id, facts, tables, cited)


def _source(source: Source) -> Shown:
    facts = [
        ("publisher", source.publisher),
        ("year", source.year),
        ("section", source.section),
        ("address", source.address),
        ("note", source.note),
    ]
    return Shown("source", source.title, _kept(facts))
