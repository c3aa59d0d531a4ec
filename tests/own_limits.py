"""The catalogue with limit rows of one's own laid over it."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

from planner.catalogue import Catalogue, load


def catalogue_with(rows: str) -> Catalogue:
    """``rows``: text of a limits file. What lies over it is read before the file goes."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "limits" / "own.yaml"
        path.parent.mkdir()
        path.write_text(rows, encoding="utf-8")
        found = load(rules_dirs=[folder])
        _ = found.limits, found.kinds
        return found
