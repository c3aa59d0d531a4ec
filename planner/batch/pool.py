"""Spreads a batch: in this process, over local processes, or over an existing Dask cluster. Order is always kept."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from itertools import islice
from typing import Any

from planner.batch.inputs import Job
from planner.batch.work import Setup, judge, judge_many
from planner.errors import InputError

CHUNK = 25  # programmes handed over at once: some 0.04 s of work, and handing over costs 5 microseconds a programme
AHEAD = 8  # chunks in flight per worker; bounds the memory of a long run

Line = dict[str, Any]


def run(jobs: Iterable[Job], setup: Setup, *, workers: int = 1, cluster: str | None = None) -> Iterator[Line]:
    """Lines in the order of the jobs.

    Raises:
        InputError: a cluster was asked for and cannot be reached, or ``distributed`` is not installed.
    """
    if cluster:
        return _cluster(jobs, setup, cluster)
    return _local(jobs, setup, workers) if workers > 1 else (judge(job, setup) for job in jobs)


def chunks(jobs: Iterable[Job], size: int = CHUNK) -> Iterator[list[Job]]:
    """Neighbouring jobs in lists of at most ``size``."""
    feed = iter(jobs)
    while part := list(islice(feed, size)):
        yield part


def ordered(parts: Iterable[list[Job]], submit: Callable[[list[Job]], Any], ahead: int) -> Iterator[Line]:
    """Lines of all parts, in their order, however the work on them ends; at most ``ahead`` parts are in hand at once.

    Args:
        submit: begins the work on one part and gives a future; its ``result()`` waits for the lines.
    """
    waiting: deque[Any] = deque()
    for part in parts:
        waiting.append(submit(part))
        if len(waiting) >= ahead:
            yield from waiting.popleft().result()
    while waiting:
        yield from waiting.popleft().result()


def _local(jobs: Iterable[Job], setup: Setup, workers: int) -> Iterator[Line]:
    # imported here: an audit of one programme passes this module too, and has no use for processes
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    # spawned, not forked: the rule engine's C part holds state that a fork in mid-run would share
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        yield from ordered(chunks(jobs), lambda part: pool.submit(judge_many, part, setup), workers * AHEAD)


def _cluster(jobs: Iterable[Job], setup: Setup, address: str) -> Iterator[Line]:
    """Chunks over a Dask scheduler; a chunk whose worker dies is given to another one by the scheduler."""
    try:
        from distributed import Client
    except ImportError:
        cure = "pip install 'planner[cluster]', or leave --cluster out"
        raise InputError("--cluster", "this needs Dask distributed, which is not installed", cure) from None
    try:
        client = Client(address, timeout="10s")  # type: ignore[no-untyped-call,unused-ignore]
    except (OSError, TimeoutError) as error:
        raise InputError("--cluster", f"no scheduler answers at {address} ({error})", "check the address") from None
    with client:
        workers = max(1, len(client.scheduler_info()["workers"]))
        # pure=False: a chunk is work to be done, not a value that an earlier run may have left behind
        yield from ordered(
            chunks(jobs), lambda part: client.submit(judge_many, part, setup, pure=False, retries=3), workers * AHEAD
        )
