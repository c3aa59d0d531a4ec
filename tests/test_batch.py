"""Many programmes at once: the same bytes whatever the workers, restartable after a kill, bad documents on the way."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from planner.batch import results, summary
from planner.batch.inputs import find
from planner.batch.pool import run
from planner.batch.work import Setup
from planner.cli import main

PROGRAMME = """programme: 1
name: {name}
field: {{field: 1, name: Invented {number}, crop: soybean, country: US, sown: 2026-05-12,
  stages: {{R1: 2026-07-02, R3: 2026-07-16}},
  targets: [{{target: frogeye-leaf-spot, pressure: high}}]}}
passes:
  - {{date: 2026-07-02, stage: R1, tank: [{{active: {first}, dose: 100 g/ha}}]}}
  - {{date: 2026-07-20, stage: R3, tank: [{{active: {second}, dose: 100 g/ha}}]}}
"""
PAIRS = (
    ("azoxystrobin", "pyraclostrobin"),
    ("prothioconazole", "fluxapyroxad"),
    ("thiophanate-methyl", "azoxystrobin"),
)


def district(folder: Path, count: int) -> Path:
    """A folder of invented programmes, one of them not readable."""
    folder.mkdir(parents=True, exist_ok=True)
    for number in range(count):
        first, second = PAIRS[number % len(PAIRS)]
        text = PROGRAMME.format(name=f"p{number}", number=number, first=first, second=second)
        (folder / f"p{number:05d}.yaml").write_text(text, encoding="utf-8")
    (folder / "p00001x.yaml").write_text("programme: 1\npasses: [\n", encoding="utf-8")
    return folder


def planner(*args: str) -> list[str]:
    return [sys.executable, "-m", "planner", *args]


def test_one_line_each_and_a_bad_document_stops_nothing(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    folder = district(tmp_path / "d", 6)
    out = tmp_path / "lines.jsonl"
    table, page = tmp_path / "t.csv", tmp_path / "o.html"
    code = main(["audit", str(folder), "--results", str(out), "--summary", str(table), "--overview", str(page)])
    assert code == 1
    lines = [json.loads(line) for line in out.read_text(encoding="utf-8").splitlines()]
    assert [Path(line["file"]).name for line in lines] == sorted(path.name for path in folder.iterdir())
    assert sum(line["verdict"] == "unreadable" for line in lines) == 1
    assert len(table.read_text(encoding="utf-8").splitlines()) == 8
    assert "FRAC 11" in page.read_text(encoding="utf-8")
    assert "7 programmes" in capfd.readouterr().err


def test_only_the_odd_ones_are_shown(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    folder = district(tmp_path / "d", 6)
    main(["audit", str(folder), "--odd"])
    shown = capfd.readouterr().out.splitlines()
    assert shown
    assert not any(line.startswith("clean") for line in shown)


def test_processes_give_the_same_bytes_as_one(tmp_path: Path) -> None:
    folder = district(tmp_path / "d", 60)
    jobs = list(find([str(folder)]))
    one = [results.encode(line) for line in run(jobs, Setup())]
    two = [results.encode(line) for line in run(jobs, Setup(), workers=2)]
    assert one == two


def test_a_killed_run_goes_on_to_the_same_bytes(tmp_path: Path) -> None:
    folder = district(tmp_path / "d", 600)
    whole, cut = tmp_path / "whole.jsonl", tmp_path / "cut.jsonl"
    subprocess.run(planner("audit", str(folder), "--results", str(whole)), capture_output=True, check=False)
    process = subprocess.Popen(
        planner("audit", str(folder), "--results", str(cut)), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline and (not cut.exists() or cut.stat().st_size < 20_000):
        time.sleep(0.01)
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    assert 0 < cut.stat().st_size < whole.stat().st_size
    with open(cut, "ab") as file:
        file.write(b'{"file": "half a li')  # as a kill in the middle of a write leaves it
    subprocess.run(planner("audit", str(folder), "--results", str(cut), "--resume"), capture_output=True, check=False)
    assert cut.read_bytes() == whole.read_bytes()


def test_resume_refuses_results_of_other_programmes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "lines.jsonl"
    main(["audit", str(district(tmp_path / "a", 2)), "--results", str(out)])
    assert main(["audit", str(district(tmp_path / "b", 3)), "--results", str(out), "--resume"]) == 2
    assert "other programmes" in capsys.readouterr().err


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_a_table_keyed_by_field(tmp_path: Path, form: str) -> None:
    for name in ("north", "south"):
        (tmp_path / f"{name}.yaml").write_text(
            f"field: 1\nname: {name}\ncrop: soybean\nstages: {{R1: 2026-07-02, R3: 2026-07-16}}\n", encoding="utf-8"
        )
    header = "field,pass,date,stage,active,rate,unit"
    rows = [
        "north.yaml,1,2026-07-02,R1,azoxystrobin,100,g/ha",
        "north.yaml,2,2026-07-16,R3,azoxystrobin,100,g/ha",
        "south.yaml,1,2026-07-16,R3,prothioconazole,100,g/ha",
    ]
    table = tmp_path / f"all.{form}"
    if form == "csv":
        table.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    else:
        pyarrow = pytest.importorskip("pyarrow")
        from pyarrow import parquet

        columns = zip(*(row.split(",") for row in rows), strict=True)
        parquet.write_table(pyarrow.table(dict(zip(header.split(","), map(list, columns), strict=True))), table)
    lines = list(run(find([str(table)]), Setup()))
    assert [line["file"].rpartition("#")[2] for line in lines] == ["north.yaml", "south.yaml"]
    assert [line["verdict"] for line in lines] == ["breaches", "clean"]


def test_cells_that_start_like_a_formula_are_made_plain() -> None:
    text = summary.table([{"file": "=1+1", "verdict": "clean", "programme": "@x", "field": "-2"}])
    assert "'=1+1" in text
    assert "'@x" in text
    assert "'-2" in text


def test_a_cluster_loses_nothing_when_a_worker_is_killed(tmp_path: Path) -> None:
    """A real local scheduler with two worker processes, one of which is killed on the way."""
    distributed = pytest.importorskip("distributed", reason="Dask distributed is an optional extra")
    folder = district(tmp_path / "d", 400)
    jobs = list(find([str(folder)]))
    expected = [results.encode(line) for line in run(jobs, Setup())]
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1"
    ) as cluster:
        lines: list[str] = []
        for line in run(jobs, Setup(), cluster=cluster.scheduler_address):
            lines.append(results.encode(line))
            if len(lines) == 30:
                worker = next(iter(cluster.workers.values()))
                os.kill(worker.process.pid, signal.SIGKILL)
        assert lines == expected
