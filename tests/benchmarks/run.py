"""All benchmarks in one run: ``python tests/benchmarks/run.py [NAME ...] [--json FILE]``.

Prints one table of ratios (ours beside a peer measured in the same run) with machine and versions, and writes JSON.
Nothing here is a test: a slow machine changes seconds, hardly ratios.
"""

from __future__ import annotations

import argparse
import importlib
import json
import os
import platform
import sys
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE.parent)]
PACKAGES = ("durable-rules", "clipspy", "clingo", "ortools", "numpy", "scipy", "msgspec", "pyyaml", "rich")


def machine() -> dict[str, Any]:
    """What the figures were measured on."""
    versions = {}
    for name in PACKAGES:
        try:
            versions[name] = version(name)
        except PackageNotFoundError:
            versions[name] = "not installed"
    return {
        "python": platform.python_version(),
        "platform": platform.platform(),
        "cores": os.cpu_count(),
        "versions": versions,
    }


def main() -> None:
    """Run the benchmarks asked for (all of them without a name)."""
    known = sorted(path.stem.removeprefix("bench_") for path in HERE.glob("bench_*.py"))
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("name", nargs="*", help=f"of {', '.join(known)}")
    parser.add_argument("--json", default="benchmarks.json", metavar="FILE", help="where the figures go")
    args = parser.parse_args()
    about, rows = machine(), []
    print(f"Python {about['python']}, {about['platform']}, {about['cores']} cores")
    print(", ".join(f"{name} {value}" for name, value in about["versions"].items()))
    print(f"{'benchmark':<58}{'ours':>12}{'peer':>12}{'ratio':>9}  note")
    for name in args.name or known:
        for line in importlib.import_module(f"benchmarks.bench_{name}").run():
            rows.append({"benchmark": name, **line})
            ours, peer = float(line["ours"]), float(line["peer"])
            print(
                f"{line['name']:<58.58}{ours:>12.4g}{peer:>12.4g}{float(line['ratio']):>9.3g}  {line['note']}",
                flush=True,
            )
    whole = Path(f"{args.json}.part")
    whole.write_text(json.dumps({"machine": about, "rows": rows}, indent=1) + "\n", encoding="utf-8")
    whole.replace(args.json)


if __name__ == "__main__":
    main()
