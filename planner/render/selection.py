"""How hard a programme selects for resistance, as a short block of the audit's answer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from planner.render import words
from planner.render.paper import Paper

HEADING = "how hard it selects for resistance"
SHORT_CAVEAT = (
    "Days of growth by which a strain that withstands the group gets ahead in a season. They rank "
    "programmes against one disease and forecast no years. Fewer uses of a group lower them, cover or no "
    "cover: read them beside the bare days."
)


def figure(value: float) -> str:
    """Days with one decimal, the precision at which two programmes are held apart."""
    return f"{value:.1f}"


def block(
    rows: Sequence[Mapping[str, Any]], gaps: Sequence[Mapping[str, Any]], paper: Paper, *, explain: bool = False
) -> None:
    """The rows of ``AuditReport.selection`` and the targets without one; nothing where there are neither."""
    if not rows and not gaps:
        return
    paper.heading(HEADING)
    if rows:
        header, cells = table(rows)
        paper.table(header, [list(row) for row in cells], right=range(len(header) - 1))
    for entry in gaps:
        paper.line(f"{entry['name']}: no figure, because {entry['why']}", indent=2, hang=4)
    for text in remarks(rows, explain=explain):
        paper.line(text, indent=2, hang=4)
    if rows:
        paper.line((SHORT_CAVEAT, "quiet"), indent=2)


def table(rows: Sequence[Mapping[str, Any]]) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Header and cells: days, their band, their range where something is not known, group and target."""
    band = next((row["band"] for row in rows if row.get("band")), None)
    ranged = any(row.get("range") for row in rows)
    header = ["days"]
    if band:
        header.append(f"half-life {band['half_lives'][0]:g} to {band['half_lives'][1]:g} d")
    if ranged:
        header.append("unknowns")
    cells = []
    for row in rows:
        one = [figure(row["selection_days"])]
        if band:
            one.append(_span(row["band"]["low"], row["band"]["high"]) if row.get("band") else "")
        if ranged:
            one.append(_span(*row["range"]) if row.get("range") else "")
        cells.append((*one, f"{row.get('words') or row['group']} against {row['name']}"))
    return (*header, "group"), cells


def _span(low: float, high: float) -> str:
    return f"{figure(low)} to {figure(high)}" if figure(low) != figure(high) else figure(low)


def remarks(rows: Sequence[Mapping[str, Any]], *, explain: bool = False) -> list[str]:
    """What a reader must know beside the figures: strains that resist both partners, what is left out, assumptions."""
    pairs: dict[str, dict[str, None]] = {}
    left: dict[str, dict[str, None]] = {}  # why, to what
    for row in rows:
        for pair in row.get("pairs") or ():
            said = f"{words.joined(pair['words'])} {figure(pair['both'])} days"
            pairs.setdefault(row["name"], {})[said] = None
        for entry in row.get("left_out") or ():
            cure = f" - {entry['fact']}" if entry.get("fact") else ""
            about = f" ({words.passes(entry['passes'])})" if entry["passes"] else ""
            said = f"{row['name']}, left out, because {entry['why']}{cure}"
            left.setdefault(said, {})[f"{entry['what']}{about}"] = None
    found = [
        f"{name}, a strain that withstands both partners of a tank: {', '.join(said)}; "
        "a mix of the two does not slow it"
        for name, said in pairs.items()
    ]
    found += [f"{why}: {', '.join(what)}" for why, what in left.items()]
    if explain and rows:
        assumed: dict[str, None] = {}
        for row in rows:
            for entry in row.get("assumed") or ():
                assumed[f"{entry['what']} ({words.passes(entry['passes'])}): {entry['why']}"] = None
        found += list(assumed)
        found += [basis(name, entry) for name, entry in (rows[0].get("rests_on") or {}).items()]
    return found


def basis(name: str, entry: Mapping[str, Any], sources: Mapping[str, str] | None = None) -> str:
    """One value behind the index with source and grade; ``sources`` words the bibliography's key."""
    value = entry["value"]
    shown = (
        words.joined(f"{key} {number:g}" for key, number in value.items() if number is not None)
        if isinstance(value, Mapping)
        else f"{value:g}"
    )
    label = {
        "omega_by_class": "share of growth blocked, by efficacy class",
        "theta": "steepness of the dose response, per full label rate",
        "theta_multisite": "the same for multi-sites",
        "half_life_days": "half-life of a residue, days",
    }.get(name, name.replace("_", " "))
    source = (sources or {}).get(entry["source"], entry["source"])
    return f"{label}: {shown} (source {source}; {entry['grade']})"
