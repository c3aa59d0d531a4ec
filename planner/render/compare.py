"""The answer of a comparison: in the terminal, as Markdown and as JSON."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from planner import __version__
from planner.compare import Comparison
from planner.exposure import CAVEAT, RATES
from planner.render import cautions, chart, reading, strip, words
from planner.render.paper import Paper, Part
from planner.render.selection import basis, figure

if TYPE_CHECKING:
    from rich.text import Text

FORECAST_CAVEAT = (
    "This draws what the stated growth rate and start would give if every season were like this one. It is "
    "arithmetic on the index, not a forecast: real seasons differ, and resistance also comes in from elsewhere or "
    "pays a price."
)


def document(one: Comparison, *, catalogue_date: str = "") -> dict[str, Any]:
    """The answer as plain data for JSON; keys may be added, never taken away."""
    return {
        "planner": __version__,
        "programmes": list(one.programmes),
        "summary": list(one.summary),
        "passes": list(one.passes),
        "cost": list(one.cost),
        "findings": list(one.findings),
        "cover": list(one.cover),
        "selection": list(one.selection),
        "forecast": None if one.forecast is None else {**one.forecast, "note": FORECAST_CAVEAT},
        "limits": list(one.limits),
        "rests_on": one.rests_on,
        "notes": [CAVEAT, RATES],
        "notices": list(one.notices),
        "reading": reading.document([sheet for report in one.reports for sheet in report.programme.readings]),
        "sources": one.sources,
        "catalogue": catalogue_date,
        "engine": one.reports[0].engine,
    }


def text(
    one: Comparison, *, width: int = 100, units: str = "metric", explain: bool = False, versions: str = ""
) -> list[Text]:
    """The answer as lines; what stands first is what a grower asks first: what it costs and what it changes."""
    paper = Paper(width)
    paper.line((_named(one), "head"), hang=2)
    for line in _lead(one, units):
        paper.line(line, hang=2)
    paper.heading("the programmes")
    paper.table(*_programmes(one, units), right=(1, 2))
    for notice in one.notices:
        paper.line(("notice: ", "quiet"), notice, indent=2, hang=4)
    paper.heading("pass by pass")
    for row in one.passes:
        _pass(row, one, paper, units)
    paper.heading("cover and working modes")
    for name, header, rows in _cover(one):
        paper.line(name, indent=2, hang=4)
        paper.table(header, [list(row) for row in rows], indent=4)
    paper.heading("how hard each selects for resistance")
    header, rows = _selection(one)
    if rows:
        paper.table(header, [list(row) for row in rows], right=range(len(header) - 1))
    for line in _selection_words(one, explain):
        paper.line(line, indent=2, hang=4)
    paper.line((f"{CAVEAT} {RATES}", "quiet"), indent=2)
    if one.forecast is not None:
        paper.heading(_forecast_title(one.forecast))
        for name, drawn, told in _charts(one, width - 2):
            paper.line(name, indent=2, hang=4)
            for line in drawn:
                paper.raw("  ", line)
            for said in told:
                paper.line(said, indent=4, hang=6)
            paper.blank()
        paper.line((FORECAST_CAVEAT, "quiet"), indent=2)
    for title, entries in _findings(one, units):
        paper.heading(title)
        for part in entries:
            paper.line(*part, indent=2, hang=6)
    paper.heading("published limits that tell the programmes apart")
    for line in _limits(one, explain):
        paper.line(line, indent=2, hang=4)
    paper.heading("before anything is sprayed")
    for caution in cautions.load():
        paper.line((f"{caution.title}: ", "head"), caution.text, indent=2, hang=4)
    if _demo(one):
        paper.line(("invented products: ", "head"), _DEMO, indent=2, hang=4)
    paper.blank()
    paper.line((f"{versions}; rules run by {one.reports[0].engine}", "quiet"))
    paper.line(("next: ", "quiet"), f"planner audit {one.reports[-1].programme.file}")
    return paper.lines


_DEMO = "a product list is a demo; its names, labels and prices stand for nothing that is sold"


def _demo(one: Comparison) -> bool:
    return any(product.demo for report in one.reports for product in report.programme.products)


def markdown(one: Comparison, *, units: str = "metric", versions: str = "") -> str:
    """The answer as Markdown, in the order and the words of the terminal."""
    from planner.render.markdown import escape

    def table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
        lines = ["| " + " | ".join(escape(cell) for cell in header) + " |", "|" + "---|" * len(header)]
        return [*lines, *("| " + " | ".join(escape(cell) for cell in row) + " |" for row in rows), ""]

    def listed(lines: Sequence[str]) -> list[str]:
        return [*(f"- {escape(line)}" for line in lines), ""] if lines else []

    title = " and ".join(str(entry["name"]) for entry in one.programmes)
    out = [f"# {escape(title)}, side by side", "", *listed([_named(one), *_lead(one, units)]), "## The programmes", ""]
    out += table(*_programmes(one, units))
    out += listed([f"notice: {notice}" for notice in one.notices])
    out += ["## Pass by pass", ""]
    rows = []
    for row in one.passes:
        rows.append([*(_pass_cell(cell, one, units) for cell in row["cells"]), "; ".join(row["notes"])])
    out += table([*one.labels, "what differs"], rows)
    out += ["## Cover and working modes", ""]
    for name, header, body in _cover(one):
        out += [f"**{escape(name)}**", "", *table(header, body)]
    out += ["## How hard each selects for resistance", "", *table(*_selection(one))]
    out += listed(_selection_words(one, explain=False))
    out += [escape(f"{CAVEAT} {RATES}"), ""]
    if one.forecast is not None:
        out += [f"## {escape(_forecast_title(one.forecast).capitalize())}", ""]
        for name, lines, told in _charts(one):
            drawn = [line.rstrip().replace("```", "'''") for line in lines]
            out += [escape(name), "", "```text", *drawn, "```", "", *listed(told)]
        out += [escape(FORECAST_CAVEAT), ""]
    for heading, parts in _findings(one, units):
        out += [f"## {escape(heading.capitalize())}", ""]
        out += listed(["".join(part if isinstance(part, str) else str(part[0]) for part in line) for line in parts])
    out += ["## Published limits that tell the programmes apart", "", *listed(_limits(one, explain=False))]
    out += reading.markdown([sheet for report in one.reports for sheet in report.programme.readings])
    out += ["## Before anything is sprayed", ""]
    out += [f"- **{escape(entry.title)}**: {escape(entry.text)} ({escape(entry.source)})" for entry in cautions.load()]
    if _demo(one):
        out.append(f"- **invented products**: {escape(_DEMO)}")
    return "\n".join([*out, "", escape(f"{versions}; rules run by {one.reports[0].engine}"), ""])


# --- the first lines ------------------------------------------------------------------------------------------------


def _named(one: Comparison) -> str:
    """Which letter stands for which programme; first, because every line below speaks in letters."""
    return "; ".join(f"{label}: {entry['name']}" for label, entry in zip(one.labels, one.programmes, strict=True))


def _lead(one: Comparison, units: str) -> list[str]:
    lines = []
    for cost, summary, found in zip(one.cost, one.summary, one.findings, strict=True):
        lines.append(_cost_words(one, cost, units))
        gone = _tally(found["vanish"])
        new = _tally(found["new"])
        unsure = words.count(len(found["unsure"]), "finding")
        more = f"; {unsure} could not be judged there" if found["unsure"] else ""
        pair = f"{cost['programme']} against {cost['beside']}"
        lines.append(f"{pair}, findings that vanish: {gone or 'none'}; new ones: {new or 'none'}{more}.")
        lines.append(f"Resistance: {summary['text']}.")
        lines += [f"{_capital(said)}." for said in summary["cover"]]
    return lines


def _tally(found: Sequence[Mapping[str, Any]]) -> str:
    parts = []
    for severity, (single, many) in words.MANY.items():
        total = sum(1 for entry in found if entry["severity"] == severity)
        if total:
            parts.append(words.count(total, single, many))
    return words.joined(parts)


def _capital(said: str) -> str:
    return said[:1].upper() + said[1:] if not said.startswith("group") else said


def _cost_words(one: Comparison, cost: Mapping[str, Any], units: str) -> str:
    pair = f"{cost['programme']} against {cost['beside']}"
    if cost["not_assessed"]:
        return f"{pair}, cost: not assessed, because {cost['not_assessed']}."
    gap = cost["per_ha"]
    money = f"{cost['currency']} " if cost["currency"] else ""
    if not gap:
        return f"{pair}: the cost is the same."
    said = f"{pair}: costs {money}{words.amount(abs(gap), 'area_cost', units)} {'more' if gap > 0 else 'less'}"
    if cost["grain_not_assessed"]:
        return f"{said}; in grain: not assessed, {cost['grain_not_assessed']}."
    from planner.render.money import yields

    grain = yields(units, one.bushel_kg)(abs(cost["grain_kg_ha"]))
    price = _price(cost["grain_price_per_kg"], units, one.bushel_kg)
    return f"{said}, which is {grain} of grain at {money}{price}."


def _price(value: float, units: str, bushel_kg: float | None) -> str:
    from planner import quantities

    return quantities.show(value, "grain_price", "us" if units == "us" else "metric", bushel_kg=bushel_kg)


# --- tables ---------------------------------------------------------------------------------------------------------


def _programmes(one: Comparison, units: str) -> tuple[tuple[str, ...], list[list[str]]]:
    rows = []
    for entry in one.programmes:
        cost = entry["cost"]
        money = "not known"
        if cost["per_ha"] is not None:
            money = f"{cost['currency']} {words.amount(cost['per_ha'], 'area_cost', units)}".strip()
            if cost["missing"]:
                money += f", without {words.joined(words.safe(name) for name in cost['missing'])}"
        counts = [
            words.count(entry["findings"][severity], single, many)
            for severity, (single, many) in words.MANY.items()
            if entry["findings"][severity]
        ]
        found = words.joined(counts) or "nothing found"
        name = words.safe(entry["name"])
        if sum(1 for other in one.programmes if other["name"] == entry["name"]) > 1 and entry["file"]:
            name = f"{name} ({words.safe(entry['file'])})"
        passes = words.count(entry["passes"], "pass", "passes")
        rows.append([entry["label"], passes, money, name, f"{entry['verdict']}: {found}"])
    return ("", "passes", "cost", "programme", "findings"), rows


def _pass_cell(cell: Mapping[str, Any] | None, one: Comparison, units: str) -> str:
    if cell is None:
        return "-"
    report = one.reports[one.labels.index(cell["programme"])]
    tanks = {number: (when, tank) for number, when, tank, _water in strip.tanks(report, units)}
    when, tank = tanks[cell["pass"]]
    codes = "+".join(strip.short(group) for group in cell["groups"]) or "no fungicide"
    money = ""
    if cell["per_ha"] is not None:
        currency = report.totals["cost"]["currency"]
        money = f"; {currency} {words.amount(cell['per_ha'], 'area_cost', units)}".replace("  ", " ")
    return f"{cell['pass']}: {when}; {codes}; {tank}{money}"


def _pass(row: Mapping[str, Any], one: Comparison, paper: Paper, units: str) -> None:
    for label, cell in zip(one.labels, row["cells"], strict=True):
        said: Part = (_pass_cell(cell, one, units), "") if cell else ("no pass here", "quiet")
        paper.line((f"{label} ", "head"), said, indent=2, hang=6)
    for note in row["notes"]:
        paper.line((note, "quiet"), indent=4, hang=6)
    paper.blank()


def _cover(one: Comparison) -> list[tuple[str, tuple[str, ...], list[list[str]]]]:
    """Per target: its name, header and a row for each programme."""
    found: list[tuple[str, tuple[str, ...], list[list[str]]]] = []
    for row in one.cover:
        rows: list[list[str]] = []
        for cell in row["cells"]:
            bare = "not known" if cell["bare_days"] is None else words.count(cell["bare_days"], "day")
            if cell["unknown_days"]:
                bare += f", {cell['unknown_days']} not known"
            per_pass = ", ".join(f"pass {number}: {modes}" for number, modes in cell["per_pass"].items())
            working = words.joined(cell["modes"]) or "none"
            unknown = cell.get("modes_unknown") or []
            if unknown:
                working += f"; {words.joined(unknown)} not known"
            if cell["why"]:
                working += f" ({cell['why']})"
            rows.append([cell["programme"], bare, per_pass or "no pass works against it", working])
        found.append((str(row["name"]), ("", "bare", "working modes", "over the season"), rows))
    return found


def _selection(one: Comparison) -> tuple[tuple[str, ...], list[list[str]]]:
    header: list[str] = []
    for label in one.labels:
        header.append(f"{label}, days")
        if label != one.labels[0]:
            header.append(f"{label} / {one.labels[0]}")
    rows = []
    for row in one.selection:
        cells: list[str] = []
        for at, cell in enumerate(row["cells"]):
            cells.append(_days(cell))
            if at:
                known = cell["ratio"] is not None and cell["state"] == "assessed"
                cells.append(f"{cell['ratio']:.2f}" if known else "-")
        rows.append([*cells, f"{row['words']} on {row['name']}"])
    return (*header, "group and target"), rows


def _days(cell: Mapping[str, Any]) -> str:
    state, span = cell["state"], cell["range"]
    if state == "none":
        return "not used"
    if state == "lost":
        return "no longer works"
    if state == "not assessed":
        return "not assessed"
    if span is not None and (cell["days"] is None or figure(span[0]) != figure(span[1])):
        return f"{figure(span[0])} to {figure(span[1])}"
    band = cell["band"]
    spread = f" ({figure(band['low'])}-{figure(band['high'])})" if band else ""
    return f"{figure(cell['days'])}{spread}"


# --- what drives it -------------------------------------------------------------------------------------------------


def _selection_words(one: Comparison, explain: bool) -> list[str]:
    lines: list[str] = []
    if not one.selection:
        lines.append("not assessed: no target of the field is met by an at-risk active that is rated on it")
    bands = [cell["band"] for row in one.selection for cell in row["cells"] if cell["band"]]
    if bands:
        low, high = bands[0]["half_lives"]
        lines.append(f"In brackets: least and most over half-lives of {low:g} to {high:g} days, one for every active.")
    for row in one.selection:
        for other in row["against"]:
            lines.append(f"{other['text']}.")
            lines += [f"  because {driver['text']}." for driver in other["drivers"]]
        lines += [f"  {entry['text']}." for cell in row["cells"] for entry in cell["fading"]]
        if explain:
            for label, shares in row["passes"].items():
                if shares:
                    told = ", ".join(_share(share) for share in shares)
                    lines.append(f"  {row['words']} on {row['name']} in {label}: {told}")
    lines += _beside(one)
    if explain:
        lines += [basis(name, entry, one.sources) for name, entry in one.rests_on.items()]
    return lines


def _share(share: Mapping[str, Any]) -> str:
    alone = ", alone" if share["alone"] else ""
    return f"{figure(share['days'])} days after pass {share['pass']}{alone}"


def _beside(one: Comparison) -> list[str]:
    """Strains that resist both partners, and what is left out, each once."""
    pairs: dict[str, None] = {}
    left: dict[str, dict[str, None]] = {}
    for row in one.selection:
        for cell in row["cells"]:
            for pair in cell["pairs"]:
                said = f"{row['name']}: a strain that withstands both {words.joined(pair['words'])} would gain"
                days = f"{figure(pair['both'])} days in {cell['programme']}"
                pairs[f"{said} {days}; a mix of the two does not slow it"] = None
            for entry in cell["left_out"]:
                cure = f" - {entry['fact']}" if entry["fact"] else ""
                what = f"{entry['what']} ({cell['programme']} {words.passes(entry['passes'])})"
                left.setdefault(f"{row['name']}, left out, because {entry['why']}{cure}", {})[what] = None
    return [*pairs, *(f"{why}: {', '.join(what)}" for why, what in left.items())]


def _forecast_title(course: Mapping[str, Any]) -> str:
    return (
        f"log-odds of resistance over {course['seasons']} seasons, at a growth rate of {course['growth_rate']:g} a day "
        f"and a start of {course['start_fraction']:g}, both as you state them"
    )


def _charts(one: Comparison, width: int = 98) -> list[tuple[str, list[str], list[str]]]:
    """Title, chart and remarks of each target and group that some programme selects on."""
    assert one.forecast is not None
    found = []
    for row in one.selection:
        series = [
            entry
            for entry in one.forecast["series"]
            if (entry["target"], entry["group"]) == (row["target"], row["group"])
        ]
        drawn = {entry["programme"]: entry["log_odds"] for entry in series if entry["log_odds"]}
        told = [f"{entry['programme']}: not assessed, {entry['why']}" for entry in series if not entry["log_odds"]]
        moves = any(values[-1] > values[0] for values in drawn.values())
        if moves or told:
            found.append((f"{row['words']} on {row['name']}", chart.lines(drawn, width=width) if moves else [], told))
    return found


# --- findings and limits --------------------------------------------------------------------------------------------


def _findings(one: Comparison, units: str) -> list[tuple[str, list[list[Part]]]]:
    found = []
    for entry in one.findings:
        pair = f"{entry['programme']} against {entry['beside']}"
        for key, title in (
            ("vanish", f"findings that vanish, {pair}"),
            ("unsure", f"findings of {entry['beside']} that could not be judged in {entry['programme']}"),
            ("new", f"new findings, {pair}"),
            ("changed", f"findings that weigh differently, {pair}"),
        ):
            if entry[key]:
                found.append((title, [_finding(item, units) for item in entry[key]]))
    return found


def _finding(item: Mapping[str, Any], units: str) -> list[Part]:
    more = f" (then {item['then']})" if "then" in item else ""
    why = f" - not assessed: {item['reason']}" if "reason" in item else ""
    kept = " (accepted)" if item["accepted"] is not None else ""
    message = words.in_units(words.dated(item["message"]), units)
    return [
        (item["severity"], item["severity"]),
        f" {item['rule']} {item['name']}{more}{kept}, {words.passes(item['passes'])}: {message}{why}",
    ]


def _limits(one: Comparison, explain: bool) -> list[str]:
    lines = []
    shown = 0
    for row in one.limits:
        apart = len({(cell["holds"], cell["finding"]) for cell in row["cells"]}) > 1
        if not (apart or explain):
            continue
        shown += 1
        cells = ", ".join(f"{cell['programme']} {_limit_cell(cell)}" for cell in row["cells"])
        source = "; ".join(row["cited"]) or row["authority"]
        place = words.joined(row["place"])
        lines.append(f"{row['text']} [{source}; {row['year']}; {place}; {row['grade']}]: {cells}")
    rest = len(one.limits) - shown
    if not lines:
        lines.append("none: the limits that hold are met or missed alike")
    if rest:
        lines.append(f"{words.count(rest, 'more limit')} met or missed alike (--explain lists them)")
    return lines


def _limit_cell(cell: Mapping[str, Any]) -> str:
    if not cell["holds"]:
        return "it does not apply"
    return str(cell["finding"]) if cell["finding"] else "no finding rests on it"
