"""How quick the printable page of an eight-pass season is beside the JSON answer of the same audit, and how large.

Ratios of times taken in the same minute on the same machine; nothing is asserted here. The season is the invented one
of ``tests/browser/eight``: eight passes on potato without a breach, so its page holds all eight spray sheets. The sound
programme of the demo farm (three passes) and the page of each other command are timed as well, each beside the JSON
answer of the same command. Run it with ``python tests/benchmarks/bench_page.py``.
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from planner.audit import audit, rules_of
from planner.calendar import calendar
from planner.catalogue import load
from planner.compare import compare
from planner.documents import load_programme
from planner.model import Programme
from planner.render import calendar as render_calendar
from planner.render import compare as render_compare
from planner.render import jsonout
from planner.render import sheet as render_sheet
from planner.render.page import answers, page, side_by_side
from planner.sheet import sheet

EIGHT = ROOT / "tests" / "browser" / "eight" / "programme.yaml"
SCENARIO = ROOT / "shared" / "scenarios" / "sound-quarry-bottom.yaml"


def best(work: Callable[[], object], repeat: int, clock: Callable[[], float] = time.process_time) -> float:
    """Least seconds of one call: of this process's own work, so that a busy machine does not blur a ratio."""
    found = math.inf
    for _ in range(repeat):
        begin = clock()
        work()
        found = min(found, clock() - begin)
    return found


def row(name: str, ours: float, peer: float, unit: str, note: str) -> dict[str, Any]:
    return {"name": name, "ours": ours, "peer": peer, "ratio": ours / peer, "unit": unit, "note": note}


def run() -> list[dict[str, Any]]:
    """Page against JSON: in one process and as a command, and the page's size against the limit of 300 kB."""
    catalogue = load()
    eight, three = load_programme(str(EIGHT), catalogue), load_programme(str(SCENARIO), catalogue)
    key, sources = rules_of(()).key, catalogue.sources

    def audit_json(programme: Programme) -> str:
        return jsonout.audit([audit(programme, catalogue)], catalogue_date=catalogue.date)

    def audit_page(programme: Programme) -> str:
        report = audit(programme, catalogue)
        sheets = answers.sheets_of(report, catalogue, "metric")
        return page([report], sheets=sheets, rules=key, sources=sources)

    def sheet_json() -> str:
        found = sheet(eight, catalogue, "metric", report=audit(eight, catalogue))
        return jsonout.dump(render_sheet.document(found, catalogue.date, eight.checksum))

    def sheet_page() -> str:
        report = audit(eight, catalogue)
        found = sheet(eight, catalogue, "metric", report=report)
        return answers.sheet(found, report, versions="", rules=key, sources=sources)

    def compare_json() -> str:
        return jsonout.dump(render_compare.document(compare([eight, eight], catalogue), catalogue_date=catalogue.date))

    def compare_page() -> str:
        return side_by_side.compare(
            compare([eight, eight], catalogue), units="metric", versions="", rules=key, sources=sources
        )

    def calendar_json() -> str:
        dates = jsonout.dump(render_calendar.document(calendar(eight, catalogue), None, catalogue.date))
        return dates + audit_json(eight)

    def calendar_page() -> str:
        found = calendar(eight, catalogue)
        blocks = render_calendar.page(found)
        return answers.calendar(found, blocks, [audit(eight, catalogue)], versions="", rules=key, sources=sources)

    pairs: list[tuple[str, str, Callable[[], str], Callable[[], str]]] = [
        ("audit", "eight passes with their spray sheets", lambda: audit_page(eight), lambda: audit_json(eight)),
        ("audit", "three passes with their spray sheets", lambda: audit_page(three), lambda: audit_json(three)),
        ("sheet", "eight passes, audit on the page", sheet_page, sheet_json),
        ("compare", "eight passes twice, both audits on the page", compare_page, compare_json),
        ("calendar", "eight passes; beside both JSON answers that it holds", calendar_page, calendar_json),
    ]
    rows = []
    for name, note, html, data in pairs:
        html(), data()
        rows.append(row(f"{name}: page against JSON, in one process", best(html, 9), best(data, 9), "s", note))
    for name, note, html, _ in pairs:
        if "three" not in note:
            size = len(html().encode())
            rows.append(row(f"{name}: page of eight passes against its limit", size, 300_000, "bytes", note))
    with tempfile.TemporaryDirectory() as folder:

        def command(form: str) -> None:
            out = str(Path(folder) / f"answer.{form}")
            line = [sys.executable, "-m", "planner", "audit", str(EIGHT), "--format", form, "--output", out]
            subprocess.run(line, cwd=ROOT, capture_output=True, check=False)

        command("html"), command("json")
        seconds = [best(partial(command, form), 5, time.perf_counter) for form in ("html", "json")]
        note = "eight passes with their spray sheets, start of Python included"
        rows.append(row("audit: page against JSON, as a command", *seconds, "s", note))
    return rows


if __name__ == "__main__":
    print(json.dumps(run(), indent=1))
