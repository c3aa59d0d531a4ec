"""The JSON answer, as the contract prints it; the keys after ``notices`` are additions and may grow."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import msgspec

from planner import __version__
from planner.model import AuditReport, Finding
from planner.render import reading


def audit(reports: Sequence[AuditReport], *, catalogue_date: str = "", sources: Mapping[str, str] | None = None) -> str:
    """One report, or ``{"programmes": [...]}`` for several in the order given."""
    documents = [document(report, catalogue_date=catalogue_date, sources=sources or {}) for report in reports]
    return dump(documents[0] if len(documents) == 1 else {"programmes": documents})


def document(
    report: AuditReport, *, catalogue_date: str = "", sources: Mapping[str, str] | None = None
) -> dict[str, Any]:
    """One report as plain data. ``sources`` words the bibliography keys that its findings name."""
    keys = sorted({key for one in report.findings for key in one.sources})
    return {
        "planner": __version__,
        "programme": report.programme.name or report.programme.file,
        "field": report.programme.field.name,
        "verdict": report.verdict,
        "findings": [finding(one) for one in report.findings],
        "not_assessed": [
            {"rule": one.rule, "passes": list(one.passes), "reason": one.reason} for one in report.not_assessed
        ],
        "cover": list(report.cover),
        "selection": list(report.selection),
        "totals": report.totals,
        "rules_run": report.rules_run,
        "notices": [
            *report.programme.notices,
            *(one for one in report.notices if one not in report.programme.notices),
        ],
        "reading": reading.document(report.programme.readings),
        "file": report.programme.file,
        "checksum": report.programme.checksum,
        "catalogue": catalogue_date,
        "engine": report.engine,
        "sources": {key: (sources or {}).get(key, key) for key in keys},
    }


def finding(one: Finding) -> dict[str, Any]:
    """One finding: the contract's ten keys, then what capped it and where it stands in the document."""
    return {
        "rule": one.rule,
        "name": one.name,
        "severity": one.severity,
        "passes": list(one.passes),
        "message": one.message,
        "why": one.why,
        "remedy": one.remedy,
        "sources": list(one.sources),
        "evidence": one.evidence,
        "accepted": one.accepted,
        "capped": one.capped,
        "place": one.place,
        "where": one.where,
    }


def dump(data: Any) -> str:
    """Indented JSON; dates as ISO text, a number that is not finite as null."""
    return msgspec.json.format(msgspec.json.encode(_clean(data)), indent=2).decode() + "\n"


def _clean(data: Any) -> Any:
    """Texts that UTF-8 cannot carry (file names of other encodings) are made safe."""
    if isinstance(data, str):
        return data.encode("utf-8", "backslashreplace").decode()
    if isinstance(data, dict):
        return {_clean(key) if isinstance(key, str) else key: _clean(value) for key, value in data.items()}
    if isinstance(data, list | tuple):
        return [_clean(value) for value in data]
    return data
