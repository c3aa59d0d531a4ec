"""One thing in plain words: a rule, a group, an active, a target or a growth stage, with what it rests on."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from planner.model import Active, Backing, Crop, Group, Limit, Rating, Report, Stage, Target
from planner.render import words
from planner.render.paper import Paper, Part

if TYPE_CHECKING:
    from planner.catalogue import Catalogue
    from planner.catalogue_list import Entry
    from planner.rulebook import Example, Rule

_LEVEL = {
    "lost": "no longer works there",
    "reduced": "works less well than it did there",
    "none": "a survey found it still works there",
}
_AT_RISK = ("low-medium", "medium", "medium-high", "high")


def backing(found: Backing, catalogue: Catalogue) -> str:
    """Grade and sources in one line: ``read: title, publisher, year``."""
    cited = "; ".join(catalogue.cite(found))
    note = f" ({found.note})" if found.note else ""
    return f"{found.words}: {cited}{note}" if cited else f"{found.words}, no source{note}"


def rule(paper: Paper, one: Rule, examples: Sequence[Example], catalogue: Catalogue) -> None:
    """A rule with its reason, remedy, thresholds, sources and examples."""
    severities = list(dict.fromkeys(case.severity for case in one.cases))
    paper.line((f"{one.code} {one.name}", "head"), f"  {one.family}, {words.joined(severities, 'or')}")
    paper.line(one.words(one.title).strip(), indent=2)
    paper.blank()
    paper.field("why", one.words(one.why).strip(), indent=2)
    paper.field("change", _placeholders(one.remedy), indent=2)
    if one.adviser:
        paper.field("adviser", one.words(one.adviser).strip(), indent=2)
    if one.not_for:
        paper.field("not for", one.words(one.not_for).strip(), indent=2)
    for name, parameter in one.parameters.items():
        said = f"{name.replace('_', ' ')} {parameter.words} ({parameter.grade}: {parameter.source})"
        paper.field("limit", said, indent=2)
    for source in one.sources:
        known = catalogue.sources.get(source.key)
        said = known.words if known else source.key
        paper.field("source", f"{said}{', ' + source.where if source.where else ''}", indent=2)
    if not one.sources:
        paper.field("source", "the facts a finding names: labels, published rows, ratings or reports", indent=2)
    if one.status != "stable":
        paper.field("status", f"{one.status} since {one.since}", indent=2)
    if examples:
        paper.heading("examples")
        for example in examples:
            paper.line((f"{example.kind}: ", "quiet"), example.name, indent=2, hang=4)


def _placeholders(text: str) -> str:
    """A remedy before it is filled in: ``{second}`` reads as ``[second]``."""
    return text.strip().replace("{", "[").replace("}", "]")


def group(paper: Paper, one: Group, catalogue: Catalogue) -> None:
    """A group with its actives, its risk and what else falls with it."""
    paper.line((one.words, "head"), f"  {one.scheme} code {one.code}")
    paper.line(one.name, indent=2)
    if one.target_site:
        paper.field("acts on", one.target_site, indent=2)
    paper.field("risk", _risk(one.risk, one.multi_site), indent=2)
    joined = [
        f"{catalogue.group(other).words}: {row.text}" if row.text else catalogue.group(other).words
        for row in catalogue.statements.joined
        if one.key in row.groups
        for other in row.groups
        if other != one.key
    ]
    for said in joined:
        paper.field("falls with", f"if one stops working, the other goes with it (cross-resistance): {said}", indent=2)
    if catalogue.partly_joined(one.key):
        paper.field("inside", "its actives are only partly cross-resistant", indent=2)
    for row in catalogue.statements.exceptions:
        if one.key in row.groups and row.text:
            paper.field("exception", row.text, indent=2)
    paper.field("source", backing(one.backing, catalogue), indent=2)
    members = [active for active in catalogue.of_scheme(one.scheme).values() if one.key in active.groups]
    paper.heading(words.count(len(members), "active"))
    rows: list[list[Part]] = [
        [active.name, active.chemical_group or "-", active.mobility or "-", active.backing.words] for active in members
    ]
    paper.table(("active", "family", "movement", "grade"), rows)
    if one.scheme == "FRAC":
        _limits(paper, [row for row in catalogue.limits if one.code in row.codes], catalogue)


def _risk(risk: str, multi_site: bool) -> str:
    if multi_site:
        return f"{risk}; it acts on many sites at once (multi-site), the usual partner"
    if risk in _AT_RISK:
        return f"{risk}; each spray leaves the tough ones to breed"
    return risk


def active(paper: Paper, one: Active, catalogue: Catalogue) -> None:
    """An active with its group, how it moves, its ratings and the rows that name it."""
    main = catalogue.group(one.group)
    paper.line((one.name, "head"), f"  {one.kind}, {main.words}")
    for other in one.groups[1:]:
        paper.field("also", catalogue.group(other).words if catalogue.has_group(other) else other, indent=2)
    if one.chemical_group:
        paper.field("family", one.chemical_group, indent=2)
    paper.field("risk", _risk(one.risk, one.multi_site), indent=2)
    paper.field("movement", one.mobility or "not known", indent=2)
    paper.field("source", backing(one.backing, catalogue), indent=2)
    if one.scheme != "FRAC":
        return
    code = main.code
    for row in catalogue.protection:
        if code in row.codes:
            crops = "other crops" if "all" in row.crops else words.joined(row.crops)
            paper.field("protects", f"{words.number(row.least)} to {words.number(row.most)} days on {crops}", indent=2)
    ratings = [
        rating
        for crop in catalogue.crops
        for target in catalogue.targets(crop).values()
        for rating in catalogue.ratings(crop, target.id)
        if one.name.casefold() in (name.casefold() for name in rating.actives)
    ]
    paper.heading(f"{words.count(len(ratings), 'rating')} by disease")
    _ratings(paper, ratings)
    _limits(paper, [row for row in catalogue.limits if one.name in row.actives or code in row.codes], catalogue)


def _ratings(paper: Paper, ratings: Iterable[Rating], *, of_target: bool = False) -> None:
    rows: list[list[Part]] = []
    for rating in ratings:
        shown = rating.rating or rating.printed or "unknown"
        detail = []
        if rating.control is not None:
            detail.append(f"{words.number(rating.control)} % control")
        if rating.interval:
            detail.append(f"{words.number(rating.interval[0])} to {words.number(rating.interval[1])} %")
        if rating.trials:
            detail.append(words.count(rating.trials, "trial"))
        detail.append(rating.backing.words)
        row: list[Part] = [] if of_target else [rating.crop, rating.target]
        rows.append([*row, rating.country, shown, f"{' + '.join(rating.actives)} ({', '.join(detail)})"])
    if rows:
        lead = () if of_target else ("crop", "target")
        paper.table((*lead, "where", "class", "actives (basis)"), rows)


def _limits(paper: Paper, rows: Sequence[Limit], catalogue: Catalogue) -> None:
    if not rows:
        return
    paper.heading(f"{words.count(len(rows), 'published recommendation')}")
    for row in rows:
        place = words.joined(row.countries) or "worldwide"
        year = f", {row.date}" if row.date else ""
        paper.line(
            (f"{row.kind.replace('_', ' ')}: ", "quiet"),
            f"{row.text} ({place}{year}; {row.backing.words})",
            indent=2,
            hang=4,
        )


def target(paper: Paper, one: Target, catalogue: Catalogue) -> None:
    """A target with its window, best timing, reports and the groups rated for it."""
    paper.line((f"{one.name} of {one.crop}", "head"), f"  {one.id}")
    if one.pathogen:
        paper.field("pathogen", one.pathogen, indent=2)
    if one.aliases:
        paper.field("also", words.joined(one.aliases), indent=2)
    if one.window:
        said = f"{_stage(one.crop, one.window[0], catalogue)} to {_stage(one.crop, one.window[1], catalogue)}"
        paper.field("infects", f"{said} ({one.window_backing.words})", indent=2)
    if one.best_timing:
        stages = words.joined((_stage(one.crop, code, catalogue) for code in one.best_timing), "or")
        paper.field("timing", f"best at {stages} ({one.timing_backing.words})", indent=2)
    if one.timing_style:
        style = "needs cover all through" if one.timing_style == "continuous" else "one or two passes at these stages"
        paper.field("cover", style, indent=2)
    if one.foliar_treatment is False:
        paper.field("note", "no foliar treatment is listed for it", indent=2)
    if one.risk:
        paper.field("risk", f"{one.risk} pathogen risk ({one.risk_backing.words})", indent=2)
    if one.survives_on_field is not None:
        where = "survives on the field" if one.survives_on_field else "does not survive on the field"
        paper.field("next year", where, indent=2)
    for name, said in (
        ("weather", one.weather),
        ("raised by", words.joined(one.risk_raisers)),
        ("note", one.note),
    ):
        if said:
            paper.field(name, said, indent=2)
    sources = dict.fromkeys(
        cited for found in (one.window_backing, one.timing_backing, one.risk_backing) for cited in catalogue.cite(found)
    )
    for cited in sources:
        paper.field("source", cited, indent=2)
    if one.rated_groups:
        paper.heading("groups rated for it, before any report")
        rows: list[list[Part]] = []
        for rated in one.rated_groups:
            key = f"FRAC {rated.code}"
            name = catalogue.group(key).words if catalogue.has_group(key) else key
            rows.append([name, rated.rating, rated.backing.words])
        paper.table(("group", "class", "grade"), rows)
    ratings = catalogue.ratings(one.crop, one.id)
    if ratings:
        paper.heading(f"{words.count(len(ratings), 'rating')} of actives and mixtures")
        _ratings(paper, ratings, of_target=True)
    reports = catalogue.reports(one.crop, one.pathogen) if one.pathogen else ()
    if reports:
        paper.heading(f"{words.count(len(reports), 'report')} from the field")
        for report in reports:
            _report(paper, report, catalogue)


def _report(paper: Paper, report: Report, catalogue: Catalogue) -> None:
    key = f"FRAC {report.code}"
    name = catalogue.group(key).words if catalogue.has_group(key) else key
    where = words.joined([*report.countries, *report.subdivisions]) or report.words or "place not given"
    parts = [
        where,
        f"first seen {report.first_year}" if report.first_year else "",
        words.joined(report.mutation),
    ]
    paper.line(
        (f"{name}: ", "head"),
        f"{_LEVEL[report.level]}: {'; '.join(part for part in parts if part)} ({report.backing.words})",
        indent=2,
        hang=4,
    )


def _stage(crop: str, code: str, catalogue: Catalogue) -> str:
    from planner.errors import UnknownName

    try:
        name = catalogue.stage(crop, code).name
    except UnknownName:
        name = ""
    return f"{code} ({name})" if name and name != code else code


def stage(paper: Paper, one: Stage, crop: Crop, catalogue: Catalogue) -> None:
    """A stage: what to look for, where it stands among the others, which targets are open then."""
    paper.line((f"{one.code} of {crop.name}", "head"), f"  BBCH {one.bbch}")
    if one.name:
        paper.line(one.name, indent=2)
    if one.look_for:
        paper.field("look for", one.look_for, indent=2)
    same = [other.code for other in crop.stages if other.bbch == one.bbch and other.code != one.code]
    if same:
        paper.field("same as", words.joined(same), indent=2)
    for interval in crop.intervals:
        if one.code in (interval.first, interval.last) and interval.average is not None:
            span = ""
            if interval.least is not None and interval.most is not None:
                span = f", {words.number(interval.least)} to {words.number(interval.most)}"
            said = f"{interval.first} to {interval.last}: {words.number(interval.average)} days{span}"
            paper.field("days", f"{said} ({interval.backing.words})", indent=2)
    opened = [
        target.name for target in catalogue.targets(crop.id).values() if _open(target, one.bbch, crop.id, catalogue)
    ]
    if opened:
        paper.field("open to", words.joined(opened), indent=2)
    paper.field("source", backing(one.backing, catalogue), indent=2)


def _open(target: Target, bbch: int, crop: str, catalogue: Catalogue) -> bool:
    if not target.window:
        return False
    first, last = (catalogue.stage(crop, code).bbch for code in target.window)
    return first <= bbch <= last


def entry(paper: Paper, one: Entry) -> None:
    """Another entry of the catalogue (a crop, a limit, a pathogen, a kind of limit, a source): its facts, its rows."""
    paper.line((one.title, "head"), f"  {one.kind}")
    for name, said in one.facts.items():
        paper.field(name, said, indent=2)
    for cited in one.sources:
        paper.field("source", cited, indent=2)
    for title, table in one.tables.items():
        paper.heading(title)
        rows: list[list[Part]] = [[cell or "-" for cell in row] for row in table.rows]
        paper.table(table.header, rows)
