"""One line per finding, as editors and ``grep`` read it: ``file:line: severity[CODE name]: message``."""

from __future__ import annotations

from collections.abc import Sequence

from planner.model import AuditReport
from planner.render.words import dated, in_units, passes, safe


def audit(reports: Sequence[AuditReport], *, units: str = "metric") -> str:
    """All findings of all reports, then what was not assessed; an empty text where there is neither."""
    lines = []
    for report in reports:
        file = report.programme.file or report.programme.name
        for one in report.findings:
            kept = f" (accepted: {one.accepted})" if one.accepted is not None else ""
            message = in_units(dated(one.message), units)
            lines.append(f"{one.place or file}: {one.severity}[{one.rule} {one.name}]: {message}{kept}")
        for missing in report.not_assessed:
            about = f"{passes(missing.passes)}: " if missing.passes else ""
            lines.append(f"{file}: not assessed[{missing.rule}]: {about}{missing.reason}")
    return "".join(safe(line) + "\n" for line in lines)
