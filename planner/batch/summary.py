"""What a district looks like: verdicts, most frequent rules, use of groups, from the lines of a batch."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterable
from typing import Any

from planner.documents.cells import plain

Line = dict[str, Any]
COLUMNS = (
    "file",
    "programme",
    "field",
    "crop",
    "area_ha",
    "verdict",
    "breaches",
    "cautions",
    "advice",
    "not_assessed",
    "rules",
    "groups",
    "passes",
    "cost_per_ha",
    "problem",
)
VERDICTS = ("breaches", "cautions", "clean", "unreadable")


class Overview:
    """Counts that grow line by line; memory does not grow with the number of programmes."""

    def __init__(self) -> None:
        self.programmes = 0
        self.verdicts: Counter[str] = Counter()
        self.rules: Counter[str] = Counter()
        self.group_programmes: Counter[str] = Counter()
        self.group_passes: Counter[str] = Counter()

    def add(self, line: Line) -> None:
        """Count one line."""
        self.programmes += 1
        self.verdicts[str(line["verdict"])] += 1
        self.rules.update(line.get("rules", ()))
        for group, passes in (line.get("groups") or {}).items():
            self.group_programmes[group] += 1
            self.group_passes[group] += int(passes)

    def rows(self) -> dict[str, Any]:
        """The counts as plain values, most frequent first."""
        return {
            "programmes": self.programmes,
            "verdicts": {name: self.verdicts[name] for name in VERDICTS if self.verdicts[name]},
            "rules": dict(sorted(self.rules.items(), key=lambda pair: (-pair[1], pair[0]))),
            "groups": {
                group: {"programmes": self.group_programmes[group], "passes": passes}
                for group, passes in sorted(self.group_passes.items(), key=lambda pair: (-pair[1], pair[0]))
            },
        }


def is_odd(line: Line) -> bool:
    """Whether a programme is worth a look: anything but clean."""
    return bool(line["verdict"] != "clean")


def table(lines: Iterable[Line]) -> str:
    """The lines as CSV; cells that a spreadsheet would take for a formula are made plain text."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for line in lines:
        writer.writerow([plain(_cell(line.get(name))) for name in COLUMNS])
    return text.getvalue()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, dict):
        return " ".join(f"{key}:{entry}" for key, entry in value.items())
    return " ".join(map(str, value)) if isinstance(value, list) else str(value)
