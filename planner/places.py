"""The one function that finds the data folders: beside the package in a checkout, inside it in a wheel."""

from __future__ import annotations

from functools import cache
from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


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
