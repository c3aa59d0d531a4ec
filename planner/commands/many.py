"""``planner audit`` over a folder, a table or thousands of files: a line each, restartable, spread over workers."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from planner import exits
from planner.batch import inputs, pool, results, summary
from planner.batch.work import Setup
from planner.commands import common
from planner.exits import UsageError
from planner.render import console, words

Line = dict[str, Any]


def add(parser: argparse.ArgumentParser) -> None:
    """The options for many programmes."""
    group = parser.add_argument_group("many programmes (a folder, or any of these options)")
    group.add_argument("--jobs", type=_positive, default=1, metavar="N", help="processes to work with")
    group.add_argument("--results", metavar="FILE", help="write each answer as a JSON line as soon as it is there")
    group.add_argument("--resume", action="store_true", help="go on where the results file stops")
    group.add_argument("--summary", metavar="FILE", help="write a CSV table, one row per programme")
    group.add_argument("--overview", metavar="FILE", help="write a page: verdicts, rules, use of groups")
    group.add_argument("--odd", action="store_true", help="show only programmes that are not clean")
    group.add_argument("--full", action="store_true", help="the whole answer in each line of --results")
    group.add_argument(
        "--cluster", metavar="ADDRESS", help="an existing Dask scheduler, for example tcp://10.0.0.5:8786"
    )


def _positive(text: str) -> int:
    if not text.isdigit() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"'{text}' is not a number of processes; write 1 or more")
    return int(text)


def wanted(args: argparse.Namespace) -> bool:
    """Whether the command line asks for a batch."""
    options = (args.results, args.summary, args.overview, args.cluster, args.odd, args.resume, args.full)
    return args.jobs > 1 or any(options) or any(_is_many(name) for name in args.programme)


def _is_many(name: str) -> bool:
    return name != "-" and (Path(name).is_dir() or name.endswith(".parquet"))


def run(args: argparse.Namespace, chosen: common.Settings) -> int:
    """Judge all; 1 where a programme has a breach, else 2 where a document cannot be read, else 0."""
    if "-" in args.programme:
        raise UsageError("standard input holds one programme", "name files or a folder, or leave the batch options out")
    if args.resume and not args.results:
        raise UsageError("--resume needs a file to go on with", "add --results FILE")
    common.catalogue(chosen)  # checks the user's folders and warns of a stale catalogue, once and not in each worker
    setup = Setup(
        catalog=chosen.catalog,
        rules=chosen.rules,
        backend=args.engine,
        columns=tuple(common.columns(args).items()),
        full=args.full,
    )
    jobs = list(inputs.find(args.programme, field=args.field, products=args.products or ()))
    overview = summary.Overview()
    rows: list[Line] = []
    keep_rows = bool(args.summary)
    code = exits.DONE
    with _writer(args) as writer:
        for line in _lines(args, jobs, setup):
            if not line.pop("_old", False) and writer is not None:
                writer.add(line)
            overview.add(line)
            if keep_rows:
                rows.append({name: line.get(name) for name in summary.COLUMNS})
            if line["verdict"] == "breaches" or (args.strict and line.get("not_assessed")):
                code = exits.BREACH
            elif line["verdict"] == "unreadable" and code == exits.DONE:
                code = exits.INPUT
            if not args.odd or summary.is_odd(line):
                _show(line, chosen.format)
    if args.summary:
        console.save(summary.table(rows).encode("utf-8", "backslashreplace"), args.summary, inputs=args.programme)
    if args.overview:
        from planner.render import overview as page

        console.save(page.html(overview.rows()).encode("utf-8"), args.overview, inputs=args.programme)
    _close(overview)
    return code


class _NoWriter:
    def __enter__(self) -> None:
        return None

    def __exit__(self, *_: object) -> None:
        return None


def _writer(args: argparse.Namespace) -> Any:
    return results.Writer(Path(args.results), resume=args.resume) if args.results else _NoWriter()


def _lines(args: argparse.Namespace, jobs: list[inputs.Job], setup: Setup) -> Iterator[Line]:
    """Lines already there first (marked), then those still to be made; progress on standard error."""
    start = 0
    if args.resume:
        there = results.done(Path(args.results))
        names = [job.name for job in jobs[: len(there)]]
        if there != names:
            raise UsageError(
                f"{args.results} holds the results of other programmes",
                "name the same programmes, or a new results file",
            )
        start = len(there)
        for line in results.read(Path(args.results)):
            yield {**line, "_old": True}
    shown = _progress(len(jobs), start)
    for line in pool.run(jobs[start:], setup, workers=args.jobs, cluster=args.cluster):
        shown(1)
        yield line


def _progress(total: int, start: int) -> Any:
    """A progress bar on a terminal, nothing elsewhere."""
    if not sys.stderr.isatty() or os.environ.get("TERM") == "dumb" or total - start < 50:
        return lambda _: None
    from rich.console import Console
    from rich.progress import Progress

    bar = Progress(console=Console(stderr=True), transient=True)
    task = bar.add_task("audit", total=total, completed=start)
    bar.start()
    count = start

    def step(by: int) -> None:
        nonlocal count
        count += by
        bar.update(task, completed=count)
        if count >= total:
            bar.stop()

    return step


def _show(line: Line, form: str) -> None:
    if form == "json":
        console.tell(results.encode(line))
        return
    if line["verdict"] == "unreadable":
        console.tell(f"unreadable  {line['problem']}")
        return
    forms = (("breaches", "breach", "breaches"), ("cautions", "caution", "cautions"), ("advice", "advice", "advice"))
    counts = ", ".join(words.count(line[key], one, many) for key, one, many in forms if line.get(key))
    rules = f"  {' '.join(line['rules'])}" if line.get("rules") else ""
    console.tell(f"{line['verdict']:<10}  {line['file']}  {counts}{rules}".rstrip())


def _close(overview: summary.Overview) -> None:
    rows = overview.rows()
    said = {"breaches": "with breaches", "cautions": "with cautions"}
    verdicts = ", ".join(f"{count} {said.get(name, name)}" for name, count in rows["verdicts"].items())
    exits.say(f"{words.count(rows['programmes'], 'programme')}: {verdicts or 'none'}")
