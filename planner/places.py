"""Finds the data folders, beside the package in a checkout, inside it in a wheel; tells rule files from data files."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent
_RULE_FILE = re.compile(r"[A-Z]{3}[0-9]{2}-")


@cache
def folder(name: str) -> Path:
    """Path of the data folder ``catalog``, ``rules`` or ``shared``.

    Raises:
        FileNotFoundError: the installation is incomplete.
    """
    for base in (_PACKAGE / "data", _PACKAGE.parent):
        if (base / name).is_dir():
            return base / name
    raise FileNotFoundError(f"the planner's data folder '{name}' is missing; install the package again")


def is_rule_file(name: str) -> bool:
    """``LIM01-group-over-season-limit.yaml``: a rule of the family that shares the folder with the limits."""
    return _RULE_FILE.match(name) is not None
