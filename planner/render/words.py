"""Sentences, lists, dates and amounts as a grower reads them; plain words, no blame."""

from __future__ import annotations

import datetime
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from planner.model import AuditReport, Finding, Pass, Severity

MANY: dict[Severity, tuple[str, str]] = {
    "breach": ("breach", "breaches"),
    "caution": ("caution", "cautions"),
    "advice": ("piece of advice", "pieces of advice"),
}

_AMOUNT = re.compile(r"(?<![\w.])(?:(\d+(?:\.\d+)?) to )?(\d+(?:\.\d+)?) (L/ha|kg/ha|g/ha|ha|km/h)(?![\w/])")
_DIMENSION = {"L/ha": "liquid_rate", "kg/ha": "solid_rate", "g/ha": "dose", "ha": "area", "km/h": "speed"}
_WATER_FROM = 20.0  # L/ha: nobody sprays so much of a product, so the sentence speaks of water
_ISO = re.compile(r"(?<!\d)(\d{4})-(\d{2})-(\d{2})(?!\d)")


def safe(text: object) -> str:
    """Text of others on one line, with control and direction-changing characters made visible.

    >>> safe("a\\x1b[31mb")
    'a\\\\x1b[31mb'
    """
    plain = str(text)
    if plain.isascii() and plain.isprintable():
        return plain
    shown = []
    for char in plain:
        kind = unicodedata.category(char)
        if char in "\n\t\r":
            shown.append(" ")
        elif kind in ("Cc", "Cf", "Cs", "Zl", "Zp") and char != "\u200d":
            shown.append(f"\\x{ord(char):02x}" if ord(char) < 256 else f"\\u{ord(char):04x}")
        else:
            shown.append(char)
    return "".join(shown)


def joined(parts: Iterable[object], last: str = "and") -> str:
    """``a, b and c``."""
    items = [str(part) for part in parts]
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {last} {items[-1]}"


def count(number: int, one: str, many: str = "") -> str:
    """``1 pass``, ``2 passes``, ``no passes``."""
    return f"{number if number else 'no'} {one if number == 1 else many or one + 's'}"


def number(value: float, digits: int = 3) -> str:
    """So many significant digits, never an exponent; whole numbers keep all of theirs.

    >>> number(0.6), number(1234.5), number(66.666)
    ('0.6', '1234', '66.7')
    """
    if value == 0:
        return "0"
    rounded = float(f"{value:.{digits}g}")
    if abs(rounded) >= 10**digits:
        return f"{value:.0f}"
    text = f"{rounded:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def day(value: datetime.date | str | None, *, year: bool = False) -> str:
    """``2 July``, with the year on request."""
    if value is None:
        return ""
    if isinstance(value, str):
        value = datetime.date.fromisoformat(value)
    shown = f"{value.day} {MONTHS[value.month - 1]}"
    return f"{shown} {value.year}" if year else shown


MONTHS = (
    "January", "February", "March", "April", "May", "June", "July",
    "August", "September", "October", "November", "December",
)  # fmt: skip


def amount(value: float, dimension: str, units: str = "metric") -> str:
    """Amount in base units as ``units`` (metric or us) prints it."""
    from planner import quantities

    return quantities.show(value, dimension, "us" if units == "us" else "metric")


def in_units(text: str, units: str) -> str:
    """``text`` with its metric amounts printed in ``units``.

    Rules write their messages in base units; a US reader meets fl oz/ac, oz/ac and acres instead.
    """
    if units != "us":
        return text

    def swap(found: re.Match[str]) -> str:
        low, high, unit = found.groups()
        dimension = "water" if unit == "L/ha" and float(high) >= _WATER_FROM else _DIMENSION[unit]
        span = [amount(float(value), dimension, units) for value in (low, high) if value]
        return " to ".join(span)

    return _AMOUNT.sub(swap, text)


_DEGREES = re.compile(r"(?<![\w.-])(-?\d+)(?:(-| to )(\d+))? ?([FC])\b(?!')")


def temperatures(text: str, units: str) -> str:
    """``text`` with its whole degrees in Celsius, or in Fahrenheit for a US reader.

    >>> temperatures("rain splash with 59-68 F", "metric"), temperatures("mild, 15-25 C", "us")
    ('rain splash with 15-20 C', 'mild, 59-77 F')
    """
    wanted = "F" if units == "us" else "C"

    def turned(number: str) -> str:
        value = int(number)
        return str(round(value * 1.8 + 32 if wanted == "F" else (value - 32) / 1.8))

    def swap(found: re.Match[str]) -> str:
        low, link, high, unit = found.groups()
        if unit == wanted:
            return found.group()
        return f"{turned(low)}{f'{link}{turned(high)}' if high else ''} {wanted}"

    return _DEGREES.sub(swap, text)


def dated(text: str) -> str:
    """``text`` with ISO dates printed as ``2 July 2026``."""

    def swap(found: re.Match[str]) -> str:
        try:
            return day(found.group(), year=True)
        except ValueError:
            return found.group()

    return _ISO.sub(swap, text)


def passes(numbers: Sequence[int]) -> str:
    """``pass 2``, ``passes 1, 2 and 3``, ``passes 1 to 4 and 7``, ``the season`` for none."""
    if not numbers:
        return "the season"
    return f"pass {numbers[0]}" if len(numbers) == 1 else f"passes {joined(_runs(numbers))}"


def _runs(numbers: Sequence[int]) -> list[str]:
    """Numbers, four or more in a row by the first and the last of them."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    told: list[str] = []
    for run in runs:
        told += [f"{run[0]} to {run[-1]}"] if len(run) > 3 else [str(one) for one in run]
    return told


def when(entry: Pass, report: AuditReport | None = None) -> str:
    """Date and stage of a pass: ``2 July, R1``; a stage alone takes the report's date for it, marked ``~``."""
    date = day(entry.date)
    if not date and entry.stage and report is not None:
        found = next((one for one in report.totals.get("stages", ()) if one["stage"] == entry.stage), None)
        date = ("~" if found["estimated"] else "") + day(found["date"]) if found else ""
    parts = [date, entry.stage or "", "" if entry.how == "foliar" else entry.how]
    return ", ".join(part for part in parts if part)


def where(finding: Finding, report: AuditReport) -> str:
    """Passes of a finding with their dates and stages, once each."""
    found = [entry for entry in report.programme.passes if entry.number in finding.passes]
    shown = [when(entry, report) for entry in found]
    if len(found) > 4:
        shown = [f"{shown[0]} to {shown[-1]}"] if shown[0] and shown[-1] else []
    said = "; ".join(part for part in shown if part)
    return f"{passes(finding.passes)} ({said})" if said else passes(finding.passes)


def counts(findings: Sequence[Finding]) -> str:
    """``2 breaches, 1 caution and 3 pieces of advice``; empty where there is none."""
    parts = []
    for severity, (one, many) in MANY.items():
        total = sum(1 for finding in findings if finding.severity == severity)
        if total:
            parts.append(count(total, one, many))
    return joined(parts)


def open_findings(report: AuditReport) -> list[Finding]:
    """Findings that are not accepted departures."""
    return [finding for finding in report.findings if finding.accepted is None]


def verdict(report: AuditReport) -> str:
    """The verdict in one plain sentence."""
    found = open_findings(report)
    accepted = [finding for finding in report.findings if finding.accepted is not None]
    kept = f" ({count(len(accepted), 'accepted departure')} apart)" if accepted else ""
    if any(finding.severity == "breach" for finding in found) or report.verdict == "breaches":
        shown = found if any(finding.severity == "breach" for finding in found) else report.findings
        total = sum(1 for finding in shown if finding.severity == "breach")
        rest = counts([finding for finding in found if finding.severity != "breach"])
        also = f"; also {rest}" if rest else ""
        points = "a label or published limit" if total == 1 else "labels or published limits"
        return f"Not sound as it stands: {count(total, 'breach', 'breaches')} of {points}{also}{kept}."
    if any(finding.severity == "caution" for finding in found) or report.verdict == "cautions":
        return f"No breach, but worth a second look: {counts(found) or 'accepted departures only'}{kept}."
    if found:
        return f"Sound: no breach and no caution; {counts(found)}{kept}."
    return f"Sound: nothing checked stands against it{kept}."


def unchecked(report: AuditReport) -> str:
    """One sentence on what could not be judged; empty where all was."""
    total = len(report.not_assessed)
    if not total:
        return ""
    return f"{count(total, 'point')} could not be assessed; what to supply stands below."


def evidence(facts: Mapping[str, Any], units: str, groups: Mapping[str, str] | None = None) -> str:
    """The numbers compared, ``name value`` by ``name value``, in ``units``; ``groups`` words group keys and targets."""
    parts = []
    unit = facts.get("unit")
    for name, value in facts.items():
        if name in ("unit", "limit", "row"):  # ids of published rows are for programs; the source says which
            continue
        if unit and isinstance(value, int | float) and not isinstance(value, bool):
            value = f"{number(value, 4)} {unit}"
        shown = in_units(dated(_value(value)), units)
        if name in ("target", "targets") and shown:
            ids = value if isinstance(value, list | tuple) else [value]
            shown = joined((groups or {}).get(str(one), str(one).replace("-", " ")) for one in ids)
        shown = (groups or {}).get(shown, shown)
        if shown:
            label = name.replace("_", " ")
            parts.append(shown if shown.startswith(f"{label} ") else f"{label} {shown}")
    return "; ".join(parts)


def group_names(report: AuditReport) -> dict[str, str]:
    """``group 11 (strobilurin)`` for each key of the totals, and the name of each target."""
    found = {code: entry.get("words") or code for code, entry in (report.totals.get("groups") or {}).items()}
    return found | {entry["target"]: safe(entry.get("name") or entry["target"]) for entry in report.cover}


def _value(value: Any) -> str:
    if value is None or value == "" or value == [] or value == {}:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return number(value, 4)
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, Mapping):
        if set(value) == {"value", "unit"}:
            return f"{_value(value['value'])} {value['unit']}"
        return joined(f"{key} {_value(item)}" for key, item in value.items())
    if isinstance(value, list | tuple | set | frozenset):
        return joined(_value(item) for item in value)
    return str(value)
