"""What the templates print, made from the reports: plain words and numbers in the order of the page."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from planner import __version__
from planner.model import AuditReport, Finding
from planner.render import cautions as usual
from planner.render import money, selection, strip, text, words
from planner.render.first import first_change
from planner.render.page import chart, course, season
from planner.render.page.bibliography import Bibliography, Words

# ASABE S572 classes by their codes
DROPLETS = {
    "XF": "extremely fine", "VF": "very fine", "F": "fine", "M": "medium", "C": "coarse", "VC": "very coarse",
    "XC": "extremely coarse", "EC": "extremely coarse", "UC": "ultra coarse",
}  # fmt: skip
TONES = {"breaches": "breach", "cautions": "caution", "clean": "clean"}


def whole(
    reports: Sequence[AuditReport],
    *,
    kind: str,
    title: str,
    verdict: str,
    tone: str,
    first: Sequence[tuple[str, str, str]],
    unchecked: tuple[str, str, str] | None,
    about: Sequence[tuple[str, str]],
    sections: Sequence[Any],
    sheets: Sequence[Any],
    judged: Sequence[Any],
    behind: Sequence[AuditReport],
    inputs: Sequence[tuple[str, str]],
    cite: Sequence[tuple[str, str]],
    demo: bool,
    notices: Sequence[str],
    units: str,
    versions: str,
    rules: str,
    sources: Mapping[str, Words],
    cautions: bool,
) -> dict[str, Any]:
    """All values of ``page.html.j2``. What is printed first is made first, so that sources are numbered in order."""
    books = Bibliography(sources)
    alone = len(reports) == 1 and not title
    before = [_section(one, f"s{number}", books, units) for number, one in enumerate(sections, 1)]
    chapters = [
        chapter(report, books, units, prefix="" if alone else f"p{number}-") for number, report in enumerate(reports, 1)
    ]
    tails = [_tail(one, books, units) for one in judged]
    after = [_section(one, f"t{number}", books, units) for number, one in enumerate(sheets, 1)]
    if alone:
        only = chapters[0]
        title, verdict, tone, about = only["title"], only["verdict"], only["tone"], only["about"]
    elif not title:
        title = words.count(len(reports), "programme")
        verdict = verdict or f"{_tally(reports)}."
        tone = tone or next((TONES[name] for name in TONES if any(one.verdict == name for one in reports)), "")
    told = [*reports, *(one.report for one in judged), *behind]
    demo = demo or any(product.demo for report in told for product in report.programme.products)
    rests_on = [(books.cite([key])[0], where) for key, where in cite]
    warned = [
        {"title": one.title, "text": one.text, "refs": books.cite([one.source])}
        for one in (usual.load() if cautions else ())
    ]
    return {
        "label": Labels().once,
        "kind": kind,
        "title": title,
        "alone": alone,
        "verdict": verdict,
        "tone": tone,
        "first": list(first),
        "unchecked": unchecked,
        "notices": list(notices),
        "about": list(about),
        "sections": before,
        "chapters": chapters,
        "tails": tails,
        "sheets": after,
        "cautions": warned,
        "demo": demo,
        "rests_on": rests_on,
        "sources": books.listed(),
        "colophon": _colophon(told, inputs, versions, rules),
    }


def _tail(one: Any, books: Bibliography, units: str) -> dict[str, Any]:
    """A report without its season, for the end of a page."""
    told = chapter(one.report, books, units, prefix=one.prefix, drawn=False, leave_out=one.leave_out)
    return {**told, "title": one.title}


class Labels:
    """Accessible names of regions: each is told once, a second one of the same name is numbered."""

    def __init__(self) -> None:
        self._times: dict[str, int] = {}

    def once(self, name: str) -> str:
        """The name, with its number from the second time on."""
        times = self._times[name] = self._times.get(name, 0) + 1
        return name if times == 1 else f"{name} ({times})"


def _tally(reports: Sequence[AuditReport]) -> str:
    parts = []
    for verdict, said in (("breaches", "with breaches"), ("cautions", "with cautions"), ("clean", "clean")):
        total = sum(1 for report in reports if report.verdict == verdict)
        if total:
            parts.append(f"{total} {said}")
    return words.joined(parts)


def chapter(
    report: AuditReport,
    books: Bibliography,
    units: str,
    *,
    prefix: str,
    drawn: bool = True,
    leave_out: Sequence[str] = (),
) -> dict[str, Any]:
    """One report. ``drawn`` False: its season is drawn elsewhere; ``leave_out``: parts that are told elsewhere."""
    made = strip.make(report) if drawn else None
    listed = _listed(report, books, units, prefix)
    open_ = [one for one in listed if one["finding"].accepted is None]
    totals = _totals(report, units) if "totals" not in leave_out else {"actives": [], "groups": []}
    return {
        "prefix": prefix,
        "title": text.title(report),
        "file": report.programme.file,
        "verdict": words.verdict(report),
        "tone": TONES[report.verdict],
        "about": about(report, units) if drawn else [],
        "first": first_of(report, units, prefix),
        "unchecked": words.unchecked(report),
        "counts": words.counts(words.open_findings(report)),
        "drawing": season.draw(made, report) if made is not None else None,
        "cover": _cover(made),
        "cover_notes": [_digits(note) for note in made.notes] if made is not None else [],
        "passes": _passes(report, units) if drawn else [],
        "findings": open_,
        "accepted": [one for one in listed if one["finding"].accepted is not None],
        "not_assessed": _not_assessed(report),
        "notices": list(dict.fromkeys([*report.programme.notices, *report.notices])),
        "totals": totals,
        "cost": _cost(report, units, books) if "cost" not in leave_out else None,
        "cost_head": _cost_head(report, units),
        "selection": _selection(report, books) if "selection" not in leave_out else None,
    }


def _shown(report: AuditReport) -> list[Finding]:
    """Findings in the order of the page: open ones, then accepted departures."""
    kept = [finding for finding in report.findings if finding.accepted is not None]
    return [*text._ordered(words.open_findings(report)), *text._ordered(kept)]


def anchors(report: AuditReport, prefix: str) -> dict[int, str]:
    """The anchor of each finding, by the identity of the finding."""
    used: dict[str, int] = {}
    found = {}
    for finding in _shown(report):
        base = re.sub(r"[^A-Za-z0-9-]", "", "-".join([finding.rule, *map(str, finding.passes[:6])])) or "finding"
        used[base] = used.get(base, 0) + 1
        found[id(finding)] = f"{prefix}{base}" + (f"-n{used[base]}" if used[base] > 1 else "")
    return found


def _listed(report: AuditReport, books: Bibliography, units: str, prefix: str) -> list[dict[str, Any]]:
    at = anchors(report, prefix)
    return [_finding(finding, report, books, units, at[id(finding)]) for finding in _shown(report)]


def about(report: AuditReport, units: str) -> list[tuple[str, str]]:
    """Field, crop, season and what else the first lines say."""
    field = report.programme.field
    targets = words.joined(
        (entry.get("name") or entry["target"]) + (f" ({entry['pressure']} pressure)" if entry.get("pressure") else "")
        for entry in report.cover
    )
    rows = [
        ("Field", field.name or "not named"),
        ("Crop", field.crop.replace("-", " ")),
        ("Season", _years(report)),
        ("Area", words.amount(field.area, "area", units) if field.area else ""),
        ("Place", field.region or field.country or ""),
        ("Sown", words.day(field.sown, year=True)),
        ("Harvest", words.day(field.harvest, year=True)),
        ("Against", targets),
    ]
    return [(name, value) for name, value in rows if value]


def _years(report: AuditReport) -> str:
    field = report.programme.field
    days = [entry.date for entry in report.programme.passes if entry.date] + [day for day in (field.harvest,) if day]
    days = days or [day for day in (field.sown, *field.stages.values()) if day]
    years = sorted({day.year for day in days})
    if not years:
        return "not dated"
    return str(years[0]) if len(years) == 1 else f"{years[0]} to {years[-1]}"


def sentence(value: str) -> str:
    """A whole sentence: a large first letter and a full stop, unless one closes it inside a bracket."""
    return value[:1].upper() + value[1:] if value.rstrip().endswith((".)", "!)", "?)")) else text._sentence(value)


def said(value: str, units: str) -> str:
    """Dates and amounts of a message as the reader's."""
    return words.in_units(words.dated(value), units)


def first_of(report: AuditReport, units: str, prefix: str) -> dict[str, Any] | None:
    """The one change that would help most: lead, place, remedy, and its finding's anchor; None where none helps."""
    change = first_change(report)
    if change is None:
        return None
    codes = words.joined(dict.fromkeys(one.rule for one in change.eased))
    eased = f"It also bears on {words.count(len(change.eased), 'other finding')} ({codes})." if change.eased else ""
    return {
        "lead": "First change" if report.verdict != "clean" else "If you change one thing",
        "where": words.where(change.finding, report),
        "remedy": sentence(said(change.finding.remedy, units)),
        "anchor": anchors(report, prefix)[id(change.finding)],
        "rule": change.finding.rule,
        "eased": eased,
    }


def _finding(finding: Finding, report: AuditReport, books: Bibliography, units: str, anchor: str) -> dict[str, Any]:
    return {
        "finding": finding,
        "anchor": anchor,
        "severity": finding.severity,
        "rule": finding.rule,
        "name": finding.name.replace("-", " "),
        "where": words.where(finding, report),
        "message": sentence(said(finding.message, units)),
        "rows": [
            (name, value if name == "Numbers" else said(value, units))
            for name, value in (
                ("Why", finding.why),
                ("Change", sentence(finding.remedy) if finding.remedy else ""),
                ("Numbers", _numbers(finding.evidence, report, units)),
                ("Held at", f"{finding.severity}, because {finding.capped}" if finding.capped else ""),
                ("Reason given", finding.accepted or ""),
                ("Written at", _place(finding.place)),
            )
            if value
        ],
        "refs": _within(finding, books),
    }


def _numbers(evidence: Mapping[str, Any], report: AuditReport, units: str) -> str:
    """The numbers compared, without what is no number: a plain "no", an empty list, a negative count of bare days."""
    kept = {}
    names = words.group_names(report)
    for name, value in evidence.items():
        if value is None or value is False or value in ("", [], (), {}):
            continue
        if name == "days_bare" and isinstance(value, int | float):
            name = "days between the end of the cover and the next pass" if value > 0 else "days of overlapping cover"
            value = abs(value)
        elif name == "alone":
            name, value = "alone in a tank", "yes"
        elif name in _LABELS:
            name = _LABELS[name]
        if isinstance(value, Mapping):  # by target
            value = {names.get(str(key), key): one for key, one in value.items()}
        kept[name] = value
    return words.evidence(kept, units, names) if kept else ""


# names of the evidence that read as an abbreviation
_LABELS = {
    "most": "most allowed",
    "least": "least asked for",
    "run": "passes in a row",
    "of": "passes in all",
    "allowed": "most allowed",
    "rate_most": "most on the label",
    "rate_least": "least on the label",
    "water_least": "least on the label",
    "stage_low": "stage of the pass",
    "first_stage": "stages on the label",
    "harvest_interval": "days to harvest on the label",
    "days_to_harvest": "days from the pass to harvest",
    "interval": "days asked for between passes",
}


def _place(place: Any) -> str:
    """``line 21 of sound.yaml`` for ``folder/sound.yaml:21``; the folder stands at the end of the page."""
    found = re.fullmatch(r"(.+):(\d+)", str(place or ""))
    if found is None:
        return str(place or "")
    name = found.group(1).replace("\\", "/").rpartition("/")[2]
    return f"line {found.group(2)} of {name}"


def _within(finding: Finding, books: Bibliography) -> list[tuple[int, str]]:
    """The number of each source with the place within it, where the rule or row gives one."""
    keys = dict.fromkeys(finding.sources)
    return [(number, finding.where.get(key, "")) for key, number in zip(keys, books.cite(keys), strict=True)]


def _cover(made: strip.Strip | None) -> list[tuple[str, str, str, Any]]:
    """Target, window, bare days and the runs in words."""
    from planner.render.page import Bits

    rows: list[tuple[str, str, str, Any]] = []
    for row in made.rows if made is not None else ():
        if row.window is None:
            rows.append((row.name, "not dated", "not known", "not known"))
            continue
        runs = season.runs_of(row)
        bare = sum(last - first + 1 for first, last, modes in runs if modes == 0)
        sign = " (estimated)" if row.estimated else ""
        window = f"{season._day(row.window[0])} to {season._day(row.window[1])}{sign}"
        told = Bits(bits=tuple((_span_words(first, last, modes), modes == 0) for first, last, modes in runs))
        rows.append((row.name, window, words.count(bare, "day"), told))
    return rows


def _digits(note: str) -> str:
    """A remark of the strip as a sentence; what the terminal shows as digits are figures here."""
    return sentence(note.replace("these digits", "these figures"))


def _span_words(first: int, last: int, modes: int | None) -> str:
    """``8 to 14 June: 2 modes``; the month once where both days share it."""
    begin, end = season._day(first), season._day(last)
    if first == last:
        return f"{end}: {season.modes_words(modes)}"
    if begin.partition(" ")[2] == end.partition(" ")[2]:
        begin = begin.partition(" ")[0]
    return f"{begin} to {end}: {season.modes_words(modes)}"


def _passes(report: AuditReport, units: str) -> list[dict[str, Any]]:
    """The table of passes: when, groups, tank, water, droplets, cost."""
    names = words.group_names(report)
    groups: dict[int, list[str]] = {}
    for code, entry in (report.totals.get("groups") or {}).items():
        for number in entry.get("passes", ()):
            groups.setdefault(number, []).append(names[code])
    costs = {one["pass"]: one["per_ha"] for one in (report.totals.get("cost") or {}).get("passes", ())}
    rows = []
    for entry, (number, when, _, water) in zip(report.programme.passes, strip.tanks(report, units), strict=True):
        rows.append(
            {
                "number": number,
                "when": when or "not dated",
                "groups": groups.get(number, []),
                "tank": [_item(item, units) for item in entry.tank],
                "water": water or "not given",
                "droplets": DROPLETS.get(entry.droplets or "", entry.droplets or "not given"),
                "cost": _money(costs[number], units) if number in costs else "",
            }
        )
    return rows


def _item(item: Any, units: str) -> tuple[str, str]:
    """Name and amount of what stands in a tank."""
    amount = ""
    if item.rate is not None:
        amount = words.amount(item.rate, "solid_rate" if item.unit == "kg/ha" else "liquid_rate", units)
    elif item.dose is not None:
        amount = words.amount(item.dose, "dose", units)
    return item.product or item.active or "", amount


def _not_assessed(report: AuditReport) -> list[tuple[str, str, str]]:
    """Rules, passes and the fact to supply, one row per reason."""
    grouped: dict[str, list[Any]] = {}
    for entry in report.not_assessed:
        grouped.setdefault(entry.reason, []).append(entry)
    rows = []
    for reason, members in grouped.items():
        numbers = sorted({number for entry in members for number in entry.passes})
        rules = words.joined(dict.fromkeys(entry.rule for entry in members))
        rows.append((rules, words.passes(numbers), sentence(words.dated(reason))))
    return rows


def _totals(report: AuditReport, units: str) -> dict[str, list[tuple[str, ...]]]:
    actives, groups = (report.totals.get(name) or {} for name in ("actives", "groups"))
    return {
        "actives": [
            (
                name,
                words.joined(map(str, entry.get("passes", ()))),
                words.amount(entry["g_per_ha"], "dose", units) if entry.get("g_per_ha") is not None else "not known",
            )
            for name, entry in actives.items()
        ],
        "groups": [
            (
                entry.get("words") or code,
                words.joined(map(str, entry.get("passes", ()))),
                f"{100 * entry['share']:.0f} %" if entry.get("share") is not None else "",
            )
            for code, entry in groups.items()
        ],
    }


def _cost(report: AuditReport, units: str, books: Bibliography) -> dict[str, Any] | None:
    cost = report.totals.get("cost") or {}
    if not cost:
        return None
    earned = report.totals.get("money") or {}
    show = money.yields(units, earned.get("bushel_kg"))
    gains = {one["pass"]: show(one["break_even"]) for one in earned.get("passes", ())}
    rows = [
        (str(one["pass"]), _money(one["per_ha"], units), gains.get(one["pass"], "not known"))
        for one in cost.get("passes", ())
    ]
    head = next((one for one in earned.get("responses", ()) if one["headline"]), None)
    return {
        "words": sentence(text.cost_words(cost, units)),
        "rows": rows,
        "money": [sentence(line) for line in money.lines(earned, units)],
        "refs": books.cite(head["sources"]) if head else [],
    }


def _money(value: float, units: str) -> str:
    """An amount per area without its unit, which stands in the head of the column."""
    return words.amount(value, "area_cost", units).partition(" ")[0]


def _cost_head(report: AuditReport, units: str) -> str:
    """``Cost, GBP per ha``; empty where no pass has a cost."""
    cost = report.totals.get("cost") or {}
    if not cost.get("passes"):
        return ""
    return f"Cost, {cost.get('currency') or ''} per {'ac' if units == 'us' else 'ha'}".replace(",  ", " ")


def _selection(report: AuditReport, books: Bibliography) -> dict[str, Any] | None:
    gaps = report.totals.get("selection_gaps") or ()
    drawing = chart.draw(chart.of_audit(report.selection))
    if drawing is None and not gaps:
        return None
    header, cells = selection.table(report.selection) if report.selection else ((), [])
    basis = (report.selection[0].get("rests_on") or {}) if report.selection else {}
    return {
        "drawing": drawing,
        "header": [header[-1], *header[:-1]] if header else [],
        "rows": [(row[-1], *row[:-1]) for row in cells],
        "gaps": [sentence(f"{entry['name']}: no figure, because {entry['why']}") for entry in gaps],
        "remarks": [sentence(one) for one in selection.remarks(report.selection)],
        "caveat": report.selection[0].get("note", "") if report.selection else "",
        "short": selection.SHORT_CAVEAT,
        "refs": books.cite(dict.fromkeys(entry["source"] for entry in basis.values() if entry.get("source"))),
    }


def _section(section: Any, prefix: str, books: Bibliography, units: str) -> dict[str, Any]:
    """A section with its parts told by name, for the template; ``prefix`` begins the names of its drawings."""
    parts: list[dict[str, Any]] = []
    for number, part in enumerate(section.parts, 1):
        name = type(part).__name__
        told: dict[str, Any] = {"name": name, "part": part, "id": f"{prefix}-d{number}"}
        if name == "Prose":
            told["refs"] = books.cite(part.sources)
        elif name == "Table":
            told["rows"] = [[_cell(cell, books) for cell in row] for row in part.rows]
        elif name == "Facts":
            told["brief"] = all(len(label) < 3 for label, _ in part.rows)  # letters or numbers
        elif name == "Picture":
            told["drawing"] = season.draw(part.strip, part.report, plain=part.plain)
        elif name == "Bars":
            told["drawing"] = chart.draw(part.blocks, key=part.key)
        elif name == "Seasons":
            told["drawing"] = course.draw(dict(part.series), part.order, dict(part.spans))
        elif name == "Found":
            told["findings"] = _listed(part.report, books, units, part.prefix)
        if name in ("Bars", "Seasons") and told["drawing"] is None:
            continue
        parts.append(told)
    return {
        "title": section.title,
        "fresh": section.fresh,
        "anchor": section.anchor,
        "parts": parts,
        "sections": [
            _section(one, f"{prefix}-{number}", books, units) for number, one in enumerate(section.sections, 1)
        ],
    }


def _cell(cell: Any, books: Bibliography) -> Any:
    """A cell with its sources numbered."""
    if type(cell).__name__ == "Sourced":
        return {"cited": cell.text, "refs": books.cite(cell.sources)}
    return cell


def plain_rules(text: str) -> str:
    """``LIM02 group over share`` for ``LIM02 group-over-share``: a rule's name as words."""
    return _RULE.sub(lambda found: f"{found.group(1)} {found.group(2).replace('-', ' ')}", text)


_RULE = re.compile(r"\b([A-Z]{3}\d\d) ([a-z]+(?:-[a-z]+)+)")


def _colophon(
    reports: Sequence[AuditReport], inputs: Sequence[tuple[str, str]], versions: str, rules: str
) -> list[tuple[str, str]]:
    """What made this page, so that somebody can ask next March; each row once."""
    rows = [("Made by", versions or f"planner {__version__}")]
    for number, engine in dict.fromkeys((report.rules_run, report.engine) for report in reports):
        by = f", run by {engine}" if engine else ""
        rows.append(("Rules", f"{words.count(number, 'rule')}{by}{f'; rulebook {rules[:12]}' if rules else ''}"))
    if not reports and rules:
        rows.append(("Rules", f"rulebook {rules[:12]}"))
    for report in reports:
        if report.programme.file:
            rows.append(("Input", report.programme.file))
        if report.programme.checksum:
            rows.append(("Input checksum", f"SHA-256 {report.programme.checksum}"))
    for name, checksum in inputs:
        rows.append(("Input", name))
        if checksum:
            rows.append(("Input checksum", f"SHA-256 {checksum}"))
    return list(dict.fromkeys(rows))
