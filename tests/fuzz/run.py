"""The long run: ``python tests/fuzz/run.py --cases 200000 --seconds 1800``.

Counts cases by loader and outcome, keeps each new kind of crash under tests/fuzz/cases/ as a regression case
(``LOADER-checksum.bin``, with a line on what came out in ``LOADER-checksum.txt``), and leaves with 1 if there was one.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import random
import shutil
import sys
import time
import traceback
from collections import Counter
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE.parent)]

from fuzz import mutate, targets


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=10_000)
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", action="append", help="only this loader")
    parser.add_argument("--report", help="write the counts to this file, as JSON, while it runs")
    args = parser.parse_args()
    counts, crashes, slowest = run(args)
    print(json.dumps(_report(args, counts, crashes, slowest), indent=2))
    shutil.rmtree(targets.folder(), ignore_errors=True)
    return 1 if crashes else 0


def run(args: argparse.Namespace) -> tuple[Counter[str], Counter[str], dict[str, float]]:
    """The cases; counts by loader and outcome, crashes by their place, slowest case of each loader in seconds."""
    drawn = random.Random(args.seed)
    names = args.only or list(targets.TARGETS)
    weights = [targets.SLOW.get(name, 1.0) for name in names]
    counts: Counter[str] = Counter()
    crashes: Counter[str] = Counter()
    slowest: dict[str, float] = {}
    begun = last = time.monotonic()
    for _ in range(args.cases):
        name = drawn.choices(names, weights)[0]
        sound = targets.seeds(name)
        content = mutate.mutate(drawn, drawn.choice(sound), sound)
        before = time.monotonic()
        said = targets.judge(name, content)
        now = time.monotonic()
        slowest[name] = max(slowest.get(name, 0.0), now - before)
        outcome = said if said in ("read", "refused") else "crash"
        counts[f"{name} {outcome}"] += 1
        if outcome == "crash":
            where = _where(name, content)
            if not crashes[where]:
                keep(name, content, f"{said}  at {where}")
            crashes[where] += 1
        if args.report and now - last > 20:
            last = now
            Path(args.report).write_text(json.dumps(_report(args, counts, crashes, slowest), indent=2))
        if now - begun > args.seconds:
            break
    if args.report:
        Path(args.report).write_text(json.dumps(_report(args, counts, crashes, slowest), indent=2))
    return counts, crashes, slowest


def keep(name: str, content: bytes, what: str) -> None:
    """A crash becomes a regression case."""
    stem = f"{name}-{hashlib.sha256(content).hexdigest()[:10]}"
    (HERE / "cases").mkdir(exist_ok=True)
    (HERE / "cases" / f"{stem}.bin").write_bytes(content)
    (HERE / "cases" / f"{stem}.txt").write_text(what[:300].encode("ascii", "backslashreplace").decode() + "\n")


def _where(name: str, content: bytes) -> str:
    """The last place inside the planner that the traceback names: one crash is kept once."""
    try:
        targets.TARGETS[name](content)
    except Exception as error:
        frames = [frame for frame in traceback.extract_tb(error.__traceback__) if "/planner/" in frame.filename]
        place = frames[-1] if frames else None
        return f"{name} {type(error).__name__} {Path(place.filename).name}:{place.lineno}" if place else name
    return name


def _report(
    args: argparse.Namespace, counts: Counter[str], crashes: Counter[str], slowest: dict[str, float]
) -> dict[str, object]:
    return {
        "seed": args.seed,
        "cases": sum(counts.values()),
        "outcomes": dict(sorted(counts.items())),
        "crashes": dict(crashes),
        "slowest_seconds": {name: round(value, 3) for name, value in sorted(slowest.items())},
    }


if __name__ == "__main__":
    raise SystemExit(main())
