"""Examples of rule files as programmes: written out as the document a user would write, and read like one.

So an example passes through everything that a user's programme passes through, and the rule files speak the
words of the documents (``rules/README.md``, "Examples").
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from planner import yamlio
from planner.catalogue import Catalogue
from planner.model import AuditReport, Finding, Programme
from planner.rulebook import Example

_FIELD_KEYS = (
    "country",
    "region",
    "sown",
    "type",
    "area",
    "stages",
    "harvest",
    "targets",
    "history",
    "application",
)


def document(example: Example) -> dict[str, Any]:
    """The programme document that an example stands for."""
    data = example.data
    field: dict[str, Any] = {"crop": data.get("crop", "soybean")}
    field |= {key: data[key] for key in _FIELD_KEYS if key in data}
    passes = []
    for one in data["passes"]:
        written = {key: value for key, value in one.items() if key != "use"}
        if "use" in one:
            written["tank"] = [{"active": active} for active in one["use"]]
        passes.append(written)
    whole: dict[str, Any] = {"programme": 1, "name": f"{example.rule}: {example.name}", "field": field}
    whole |= {key: data[key] for key in ("products", "accept") if key in data}
    return {**whole, "passes": passes}


def programme(example: Example, catalogue: Catalogue, folder: Path) -> Programme:
    """The example as a loaded programme; its document is written to ``folder``."""
    from planner.documents import load_programme

    path = folder / "example.yaml"
    path.write_text(yamlio.dump(document(example)), encoding="utf-8")
    return load_programme(path, catalogue)


def differences(example: Example, report: AuditReport) -> list[str]:
    """What the report says otherwise than the example promises, in words. Only its own rule is looked at."""
    found = [finding for finding in report.findings if finding.rule == example.rule]
    expected: list[dict[str, Any]] = example.data.get("finds", [])
    told = []
    left = list(found)
    for entry in expected:
        hit = next((finding for finding in left if _fits(entry, finding)), None)
        if hit is None:
            told.append(f"not found: {entry}")
        else:
            left.remove(hit)
    told += [f"found as well: {_short(finding)}" for finding in left]
    reasons = [entry.reason for entry in report.not_assessed if example.rule in _codes(entry.rule)]
    wanted = example.data.get("not_assessed")
    if wanted is None and example.kind == "quiet":
        # it must be quiet because all is well, not because something is unknown; an entry for several rules
        # at once (bare actives beside a product) is another matter
        wanted = False
        reasons = [entry.reason for entry in report.not_assessed if entry.rule == example.rule]
    if wanted is not None and bool(reasons) != wanted:
        told.append(f"not assessed: {reasons}" if reasons else "was assessed")
    return told


def _codes(text: str) -> set[str]:
    """The rules that an entry is for: ``LBL01-LBL10, MIX04`` are eleven."""
    codes: set[str] = set()
    for part in text.split(","):
        first, _, last = part.strip().partition("-")
        codes |= {f"{first[:3]}{number:02}" for number in range(int(first[3:]), int((last or first)[3:]) + 1)}
    return codes


def _fits(entry: dict[str, Any], finding: Finding) -> bool:
    for key, value in entry.items():
        if key == "passes":
            same = list(finding.passes) == list(value)
        elif key in ("severity", "accepted", "capped"):
            same = getattr(finding, key) == value
        else:
            same = key in finding.evidence and finding.evidence[key] == value
        if not same:
            return False
    return True


def _short(finding: Finding) -> str:
    return f"{finding.severity} on passes {list(finding.passes)}: {finding.message} {finding.evidence}"
