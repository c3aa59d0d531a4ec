"""The lines of a batch on disk: JSON lines, appended one by one, so that a killed run goes on where it stopped."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec

from planner.errors import InputError

Line = dict[str, Any]


_ENCODER = msgspec.json.Encoder(enc_hook=str)


def encode(line: Line) -> str:
    """One line as it is written: the same line gives the same bytes.

    A file's name may be no UTF-8; what UTF-8 cannot carry is written as JSON's own escape, and read back as it was.
    """
    try:
        return _ENCODER.encode(line).decode("utf-8")
    except UnicodeEncodeError:
        text = json.dumps(line, ensure_ascii=False, separators=(",", ":"), default=str)
        return text.encode("utf-8", "backslashreplace").decode("utf-8")


def read(path: Path) -> Iterator[Line]:
    """Whole lines of a results file; a last line that a kill cut off is left out."""
    if not path.exists():
        return
    with open(path, "rb") as file:
        for number, raw in enumerate(file, start=1):
            if not raw.endswith(b"\n"):
                return
            try:
                line = json.loads(raw)
            except (ValueError, RecursionError):
                line = None
            if not isinstance(line, dict):
                raise InputError(f"{path}:{number}", "this is no line of results", "name another file")
            yield line


def done(path: Path) -> list[str]:
    """Names of the programmes whose lines are already there; cuts off a last line that is not whole."""
    names = [str(line.get("file", "")) for line in read(path)]
    if path.exists():
        _cut_tail(path)
    return names


def _cut_tail(path: Path) -> None:
    with open(path, "r+b") as file:
        file.seek(0, os.SEEK_END)
        end = file.tell()
        keep = end
        while keep > 0:
            step = min(65536, keep)
            file.seek(keep - step)
            at = file.read(step).rfind(b"\n")
            if at >= 0:
                keep = keep - step + at + 1
                break
            keep -= step
        if keep < end:
            file.truncate(keep)


class Writer:
    """Appends lines; each is on disk, whole, before the next begins."""

    def __init__(self, path: Path, *, resume: bool) -> None:
        self._file = open(path, "ab" if resume else "wb")  # noqa: SIM115 - closed by __exit__

    def __enter__(self) -> Writer:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def add(self, line: Line) -> None:
        """One more line."""
        self._file.write(encode(line).encode("utf-8") + b"\n")
        self._file.flush()
