"""Many programmes at their edges: sources that are not what they say, streams and terminals, what is not installed.

All programmes are invented.
"""

from __future__ import annotations

import datetime
import io
import json
import os
import sys
import time
import types
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner import exits
from planner.batch import inputs, pool, results
from planner.batch.inputs import Job, find
from planner.batch.pool import run
from planner.batch.work import Setup, judge, judge_many
from planner.cli import main
from planner.errors import InputError

SOUND = """programme: 1
name: {name}
field: {{crop: soybean}}
passes:
  - {{stage: R3, tank: [{{active: prothioconazole, dose: 200 g/ha}}]}}
"""
Captured = pytest.CaptureFixture[str]


def many(folder: Path, count: int) -> Path:
    folder.mkdir()
    for number in range(count):
        (folder / f"p{number:03d}.yaml").write_text(SOUND.format(name=f"p{number}"), encoding="utf-8")
    return folder


def jobs(*sources: Path) -> list[Job]:
    return list(find([str(one) for one in sources]))


# --- the command line -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["-", "--odd"], "standard input holds one programme"),
        (["{folder}", "--resume"], "--resume needs a file to go on with; add --results FILE"),
        (["{folder}", "absent", "--odd"], "absent: there is no such file or folder"),
    ],
)
def test_a_batch_that_cannot_begin(words: list[str], said: str, tmp_path: Path, capsys: Captured) -> None:
    folder = str(many(tmp_path / "d", 1))
    assert main(["audit", *(word.format(folder=folder) for word in words)]) == exits.INPUT
    out, err = capsys.readouterr()
    assert out == "" and said in err


def test_answers_as_json_lines_on_standard_output(tmp_path: Path, capfd: Captured) -> None:
    folder = many(tmp_path / "d", 3)
    assert main(["audit", str(folder), "--format", "json"]) == exits.DONE
    lines = [json.loads(line) for line in capfd.readouterr().out.splitlines()]
    assert [line["programme"] for line in lines] == ["p0", "p1", "p2"]


def test_a_document_that_cannot_be_read_ends_with_2_and_not_assessed_with_1_when_strict(
    tmp_path: Path, capfd: Captured
) -> None:
    folder = many(tmp_path / "d", 1)
    assert main(["audit", str(folder), "--strict"]) == exits.BREACH  # a field without dates leaves points not assessed
    (folder / "q.yaml").write_text("programme: 1\npasses: [\n", encoding="utf-8")
    assert main(["audit", str(folder)]) == exits.INPUT
    out, err = capfd.readouterr()
    assert any(line.startswith("unreadable  ") and "q.yaml:" in line for line in out.splitlines())
    assert "2 programmes: " in err and "1 unreadable" in err


def test_a_run_that_is_whole_is_not_done_again(tmp_path: Path, capfd: Captured) -> None:
    folder, out = many(tmp_path / "d", 4), tmp_path / "lines.jsonl"
    words = ["audit", str(folder), "--results", str(out)]
    assert main([*words, "--resume"]) == exits.DONE  # nothing there yet: the run begins at the first programme
    whole = out.read_bytes()
    assert len(whole.splitlines()) == 4
    shown = capfd.readouterr().out
    lines = whole.splitlines(keepends=True)
    out.write_bytes(b"".join(lines[:2]) + lines[2][:9])  # as a kill leaves it
    assert main([*words, "--resume"]) == exits.DONE
    assert out.read_bytes() == whole
    assert capfd.readouterr().out == shown  # the answer on the screen is that of all four
    out.write_bytes(b"[1]\n")
    assert main([*words, "--resume"]) == exits.INPUT
    assert "lines.jsonl:1: this is no line of results" in capfd.readouterr().err


class Terminal(io.StringIO):
    """Standard error as a person sees it."""

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(("term", "drawn"), [("xterm", True), ("dumb", False)])
def test_progress_is_drawn_for_a_person_only(
    term: str, drawn: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: Captured
) -> None:
    folder = many(tmp_path / "d", 50)
    monkeypatch.setenv("TERM", term)
    monkeypatch.setattr(sys, "stderr", Terminal())
    assert main(["audit", str(folder)]) == exits.DONE
    told = sys.stderr.getvalue()  # type: ignore[attr-defined]
    assert ("100%" in told) is drawn
    assert "50 programmes: " in told
    assert len(capfd.readouterr().out.splitlines()) == 50


# --- what is judged ---------------------------------------------------------------------------------------------------


def test_the_whole_answer_in_each_line(tmp_path: Path) -> None:
    folder = many(tmp_path / "d", 1)
    (line,) = run(jobs(folder), Setup(full=True))
    assert line["file"] == str(folder / "p000.yaml")
    assert {"findings", "not_assessed", "totals", "verdict"} <= set(line)  # contract, section 3
    assert json.loads(results.encode(line))["verdict"] == line["verdict"]


def test_a_document_that_exhausts_the_stack_stops_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import planner.documents

    def deep(name: str, *_: object, **__: object) -> None:
        raise RecursionError

    (job,) = jobs(many(tmp_path / "d", 1))
    monkeypatch.setattr(planner.documents, "load_programme", deep)
    assert judge(job, Setup()) == {
        "file": job.name,
        "verdict": "unreadable",
        "problem": f"{job.name}: nested too deeply",
    }


@pytest.mark.parametrize("ahead", [1, 3, 50])
def test_parts_keep_their_order_whichever_is_done_first_and_few_are_in_hand(tmp_path: Path, ahead: int) -> None:
    """Threads of the standard library do the work, the later parts first: what is waited for are real futures."""
    parts = list(pool.chunks(jobs(many(tmp_path / "d", 20)), 2))
    in_hand: set[int] = set()
    most = 0

    def work(number: int, part: list[Job]) -> list[dict[str, object]]:
        time.sleep(0.002 * (len(parts) - number) if number % 2 else 0.0)
        return judge_many(part, Setup())

    with ThreadPoolExecutor(4) as threads:

        def submit(part: list[Job]) -> Future[list[dict[str, object]]]:
            nonlocal most
            number = parts.index(part)
            in_hand.add(number)
            most = max(most, len(in_hand))
            return threads.submit(work, number, part)

        lines = []
        for line in pool.ordered(parts, submit, ahead):
            lines.append(line)
            in_hand.discard((len(lines) - 1) // 2)
    assert [line["programme"] for line in lines] == [f"p{number}" for number in range(20)]
    assert most == min(ahead, len(parts))


def test_what_a_worker_raises_comes_to_the_caller(tmp_path: Path) -> None:
    parts = list(pool.chunks(jobs(many(tmp_path / "d", 4)), 2))
    with ThreadPoolExecutor(2) as threads, pytest.raises(ZeroDivisionError):
        list(pool.ordered(parts, lambda part: threads.submit(lambda: [{"at": 1 // 0} for _ in part]), 2))


def test_more_chunks_than_may_wait_keep_their_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two workers, one chunk ahead each: the third chunk waits until the first is written."""
    folder = many(tmp_path / "d", 2 * pool.CHUNK + 5)
    monkeypatch.setattr(pool, "AHEAD", 1)
    lines = list(run(jobs(folder), Setup(), workers=2))
    assert [line["programme"] for line in lines] == [f"p{number}" for number in range(2 * pool.CHUNK + 5)]


# --- tables -----------------------------------------------------------------------------------------------------------


def table(folder: Path, rows: list[str], name: str = "all.csv") -> Path:
    (folder / "north.yaml").write_text("field: 1\nname: North\ncrop: soybean\n", encoding="utf-8")
    path = folder / name
    path.write_text("\n".join(["field,pass,date,stage,active,rate,unit", *rows]) + "\n", encoding="utf-8")
    return path


def test_a_wrong_row_is_told_with_the_name_of_the_table(tmp_path: Path) -> None:
    path = table(tmp_path, ["north.yaml,1,2026-07-02,R1,no-such-active,100,g/ha"])
    (line,) = run(jobs(path), Setup())
    assert line["verdict"] == "unreadable"
    assert line["problem"].startswith(f"{path}#north.yaml:") and "no-such-active" in line["problem"]


def test_rows_without_a_field_are_told(tmp_path: Path) -> None:
    row = "1,2026-07-02,R1,boscalid,100,g/ha"
    path = table(tmp_path, [f"north.yaml,{row}", ",,,,,,", f",{row}"])
    good, bad = run(jobs(path), Setup())
    assert good["verdict"] != "unreadable"
    assert bad["verdict"] == "unreadable" and bad["file"] == f"{path}#"


def test_quotes_that_never_close_are_told_at_their_line(tmp_path: Path) -> None:
    path = table(tmp_path, ['north.yaml,1,2026-07-02,R1,"boscalid,100,g/ha'])
    with pytest.raises(InputError, match=r"all\.csv:2: this row is no CSV"):
        jobs(path)


def test_semicolons_and_an_empty_table(tmp_path: Path) -> None:
    path = table(tmp_path, [])
    path.write_text("Field;pass;stage;active;rate;unit\nnorth.yaml;1;R1;boscalid;100;g/ha\n", encoding="utf-8")
    assert [job.field for job in jobs(path)] == [str(tmp_path / "north.yaml")]
    assert [line["field"] for line in run(jobs(path), Setup())] == ["North"]
    path.write_text("field,pass\n", encoding="utf-8")
    assert jobs(path) == []


def test_a_parquet_table_must_be_one_and_name_its_fields(tmp_path: Path) -> None:
    pyarrow = pytest.importorskip("pyarrow")
    from pyarrow import parquet

    path = tmp_path / "all.parquet"
    path.write_bytes(b"PAR1 but not really")
    with pytest.raises(InputError, match=r"all\.parquet: this is no Parquet file"):
        jobs(path)
    parquet.write_table(pyarrow.table({"pass": ["1"]}), path)
    with pytest.raises(InputError, match="the table has no column 'field'"):
        jobs(path)
    parquet.write_table(pyarrow.table({"field": ["a\0b.yaml", "../other.yaml"], "pass": ["1", None]}), path)
    lines = list(run(jobs(path), Setup()))
    assert [line["verdict"] for line in lines] == ["unreadable"] * 2
    assert all("lies outside the folder of this table" in line["problem"] for line in lines)


@pytest.mark.skipif(sys.platform != "linux", reason="file names that are no UTF-8, as Linux has them")
def test_a_file_name_that_is_no_utf_8_stops_nothing(tmp_path: Path, capfd: Captured) -> None:
    """POSIX file names are bytes; Python carries what is no UTF-8 in them as lone surrogates (PEP 383)."""
    folder, out, table = many(tmp_path / "d", 2), tmp_path / "lines.jsonl", tmp_path / "t.csv"
    odd = os.fsencode(folder) + b"/caf\xe9.yaml"
    Path(os.fsdecode(odd)).write_text(SOUND.format(name="odd"), encoding="utf-8")
    words = ["audit", str(folder), "--results", str(out)]
    assert main([*words, "--summary", str(table)]) == exits.DONE
    whole = out.read_bytes()
    lines = [json.loads(line) for line in whole.splitlines()]
    assert os.fsencode(lines[0]["file"]) == odd
    assert [line["programme"] for line in lines] == ["odd", "p0", "p1"]
    assert "caf\\udce9.yaml" in table.read_text(encoding="utf-8")
    out.write_bytes(whole.splitlines(keepends=True)[0])
    assert main([*words, "--resume"]) == exits.DONE
    assert out.read_bytes() == whole
    assert capfd.readouterr().out.count("caf\\udce9.yaml") == 2


def test_a_folder_is_listed_with_its_links_to_files_but_not_to_folders(tmp_path: Path) -> None:
    folder, other = many(tmp_path / "d", 1), many(tmp_path / "other", 1)
    (folder / "deep" / "er").mkdir(parents=True)
    for name in ("deep/er/q.yaml", ".hidden.yaml", "UPPER.YAML", ".yaml", "t.csv", "b.xlsx", "deep/q.yml"):
        (folder / name).write_text("programme: 1\n", encoding="utf-8")
    (folder / "link.yaml").symlink_to(other / "p000.yaml")
    (folder / "self.yaml").symlink_to("self.yaml")
    (folder / "gone.yaml").symlink_to("nowhere.yaml")
    (folder / "linked").symlink_to(other)
    (folder / "folder.yaml").mkdir()
    found = [str(Path(job.name).relative_to(folder)) for job in jobs(folder)]
    assert found == [".hidden.yaml", "b.xlsx", "deep/er/q.yaml", "deep/q.yml", "link.yaml", "p000.yaml", "t.csv"]


def test_a_folder_here_is_named_as_it_was_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    many(tmp_path / "d", 1)
    monkeypatch.chdir(tmp_path)
    assert [job.name for source in (".", "d", "d/", "./d") for job in find([source])] == ["d/p000.yaml"] * 4
    monkeypatch.chdir(tmp_path / "d")
    assert [job.name for job in find(["."])] == ["p000.yaml"]


def test_a_folder_that_vanishes_while_it_is_listed_is_passed_over(tmp_path: Path) -> None:
    assert list(inputs._programmes_below(str(tmp_path / "gone" / ""))) == []


JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53), 2**53)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(codec=None), max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=10,
)


@settings(max_examples=300, deadline=None)
@given(line=st.dictionaries(st.text(max_size=5), JSON, max_size=5))
def test_a_line_is_json_in_utf_8_and_read_back_as_it_was(line: dict[str, object]) -> None:
    """RFC 8259; the reader is that of Python's library."""
    written = results.encode(line)
    assert "\n" not in written
    assert json.loads(written.encode("utf-8")) == line


@pytest.mark.parametrize("tail", [0, 1, 9, 65_536, 200_000])
@pytest.mark.parametrize("whole", [0, 1, 3])
def test_a_line_that_a_kill_cut_off_is_taken_away_however_long(whole: int, tail: int, tmp_path: Path) -> None:
    path = tmp_path / "lines.jsonl"
    lines = [{"file": f"p{number}.yaml", "verdict": "clean"} for number in range(whole)]
    with results.Writer(path, resume=False) as writer:
        for line in lines:
            writer.add(line)
    kept = path.read_bytes()
    path.write_bytes(kept + (b'{"file":"' + b"x" * tail)[:tail])
    assert results.done(path) == [line["file"] for line in lines]
    assert path.read_bytes() == kept
    assert list(results.read(path)) == lines
    assert results.done(tmp_path / "none.jsonl") == []


@pytest.mark.parametrize("line", [b"[1]", b"not JSON", b"\xff", b"[" * 100_000, b""])
def test_a_file_that_holds_no_results_is_told_with_its_line(line: bytes, tmp_path: Path) -> None:
    path = tmp_path / "lines.jsonl"
    path.write_bytes(b'{"file":"a"}\n' + line + b"\n")
    with pytest.raises(InputError, match=r"lines\.jsonl:2: this is no line of results; name another file"):
        results.done(path)


def test_of_several_slips_in_a_sheet_the_first_is_told_and_how_many_more(tmp_path: Path) -> None:
    (tmp_path / "field.yaml").write_text("field: 1\ncrop: soybean\n", encoding="utf-8")
    sheet = tmp_path / "plan.csv"
    sheet.write_text(
        "pass,stage,active,rate,unit\n1,R1,no-such-active,100,g/ha\n2,R99,boscalid,100,g/ha\n3,R5,boscalid,1,xx\n",
        encoding="utf-8",
    )
    (line,) = run([Job(name=str(sheet), field=str(tmp_path / "field.yaml"))], Setup())
    assert line["problem"].startswith(f"{sheet}:2: unknown active 'no-such-active'")
    assert line["problem"].endswith(" (and 2 more)")


def test_what_json_has_no_form_for_is_written_as_text_or_null() -> None:
    line = {"day": datetime.date(2026, 7, 2), "all": (1, 2), "none": float("nan"), "path": Path("a/b")}
    assert results.encode(line) == '{"day":"2026-07-02","all":[1,2],"none":null,"path":"a/b"}'


def test_a_source_that_vanishes_is_left_to_its_job(tmp_path: Path) -> None:
    assert inputs._says_programme(str(tmp_path / "gone.yaml"))
    (line,) = run([Job(name=str(tmp_path / "gone.yaml"))], Setup())
    assert line["verdict"] == "unreadable" and "gone.yaml" in line["problem"]


def test_fields_and_lists_beside_programmes_are_no_programmes(tmp_path: Path) -> None:
    folder = many(tmp_path / "d", 1)
    (folder / "field.yaml").write_text("field: 1\ncrop: soybean\n", encoding="utf-8")
    (folder / "shop.yaml").write_text("# list\nproducts:\n  - {name: Demo}\n", encoding="utf-8")
    (folder / "notes.txt").write_text("programme: 1\n", encoding="utf-8")
    assert [Path(job.name).name for job in jobs(folder)] == ["p000.yaml"]


# --- what is not there ------------------------------------------------------------------------------------------------


def test_without_the_library_a_table_or_a_cluster_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Captured
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    monkeypatch.setitem(sys.modules, "distributed", None)
    path = tmp_path / "all.parquet"
    path.write_bytes(b"")
    assert main(["audit", str(path)]) == exits.INPUT
    assert "pip install 'planner[parquet]', or save the table as CSV" in capsys.readouterr().err
    assert main(["audit", str(many(tmp_path / "d", 1)), "--cluster", "tcp://127.0.0.1:1"]) == exits.INPUT
    assert "pip install 'planner[cluster]', or leave --cluster out" in capsys.readouterr().err


def test_a_scheduler_that_does_not_answer_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Captured
) -> None:
    def client(address: str, timeout: str) -> None:
        raise TimeoutError(f"timed out after {timeout}")

    monkeypatch.setitem(sys.modules, "distributed", types.SimpleNamespace(Client=client))
    assert main(["audit", str(many(tmp_path / "d", 1)), "--cluster", "tcp://127.0.0.1:1"]) == exits.INPUT
    err = capsys.readouterr().err
    assert "no scheduler answers at tcp://127.0.0.1:1 (timed out after 10s); check the address" in err
