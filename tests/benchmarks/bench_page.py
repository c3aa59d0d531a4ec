"""How quick the printable page of an eight-pass season is beside the JSON answer of the same audit, and how large.

Ratios of times taken in the same minute on the same machine; nothing is asserted here. The eight passes are the
tanks of the invented scenario's sound programme in turn, only so that there are eight; the audit finds breaches in
them, so the page has no spray sheets, and the sound programme itself (three passes, with sheets) is timed as well.
Run it with ``python tests/benchmarks/bench_page.py``.
"""

from __future__ import annotations

import datetime
import json
import math
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from planner.audit import audit, rules_of
from planner.catalogue import load
from planner.documents import dump_programme, load_programme
from planner.model import Pass, Programme
from planner.render import jsonout
from planner.render.page import answers, page

SCENARIO = ROOT / "shared" / "scenarios" / "sound-quarry-bottom.yaml"


def best(work: Callable[[], object], repeat: int) -> float:
    """Least seconds of one call."""
    found = math.inf
    for _ in range(repeat):
        begin = time.perf_counter()
        work()
        found = min(found, time.perf_counter() - begin)
    return found


def row(name: str, ours: float, peer: float, unit: str, note: str) -> dict[str, Any]:
    return {"name": name, "ours": ours, "peer": peer, "ratio": ours / peer, "unit": unit, "note": note}


def eight_passes(programme: Programme) -> Programme:
    """The same field with eight passes, nine days apart, the tanks of the programme in turn."""
    first = datetime.date(2026, 6, 25)
    passes = tuple(
        Pass(
            **{
                **{name: getattr(one, name) for name in one.__struct_fields__},
                "number": at + 1,
                "date": first + datetime.timedelta(days=9 * at),
                "stage": None,
            }
        )
        for at, one in enumerate((programme.passes * 3)[:8])
    )
    values = {name: getattr(programme, name) for name in programme.__struct_fields__}
    return Programme(**{**values, "passes": passes})


def run() -> list[dict[str, Any]]:
    """Page against JSON: in one process, as a command, and the page's size against the limit of 300 kB."""
    catalogue = load()
    sound = load_programme(str(SCENARIO), catalogue)
    programme = eight_passes(sound)
    key = rules_of(()).key

    def as_json(programme: Programme = programme) -> str:
        return jsonout.audit([audit(programme, catalogue)], catalogue_date=catalogue.date)

    def as_page(programme: Programme = programme) -> str:
        report = audit(programme, catalogue)
        sheets = answers.sheets_of(report, catalogue, "metric")
        return page([report], sheets=sheets, rules=key, sources=catalogue.sources)

    as_json(), as_page()
    rows = [row("page against JSON, in one process", best(as_page, 9), best(as_json, 9), "s", "audit included")]
    with_sheets, data = best(lambda: as_page(sound), 9), best(lambda: as_json(sound), 9)
    rows.append(row("page with spray sheets against JSON, in one process", with_sheets, data, "s", "three passes"))
    size = len(as_page().encode())
    rows.append(row("page of eight passes against its limit", size, 300_000, "bytes", "one file, nothing fetched"))
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "eight.yaml"
        file.write_text(dump_programme(programme), encoding="utf-8")

        def command(form: str) -> None:
            line = [sys.executable, "-m", "planner", "audit", str(file), "--format", form, "--output", f"{file}.{form}"]
            subprocess.run(line, cwd=ROOT, capture_output=True, check=False)

        command("html"), command("json")
        html, data = best(lambda: command("html"), 5), best(lambda: command("json"), 5)
        rows.append(row("page against JSON, as a command", html, data, "s", "start of Python included"))
    return rows


if __name__ == "__main__":
    print(json.dumps(run(), indent=1))
