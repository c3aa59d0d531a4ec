"""Where the bytes of a document come from, and which other files it may name.

A document that somebody sent may name other files only inside its own folder: a programme must not make
the planner read (and quote in an error) a private file elsewhere on the machine. What the user names on
the command line is free.
"""

from __future__ import annotations

import hashlib
import os
import stat
import sys
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import BinaryIO

from planner import yamlio
from planner.errors import InputError
from planner.model import Place, SheetRead

STDIN_NAME = "standard input"


class Files:
    """Reads the files of one programme and keeps the checksum of all of them, in the order of reading."""

    def __init__(
        self,
        stdin: BinaryIO | None = None,
        *,
        allow_outside: bool = False,
        columns: Mapping[str, str] | None = None,
    ) -> None:
        self.columns = dict(columns or {})  # what the user said about the columns of spreadsheets
        self.notices: list[str] = []  # what was guessed or not read in the spreadsheets among the files
        self.readings: list[SheetRead] = []  # and how each row of them was read
        self._stdin = stdin
        self._stdin_read = False
        self._allow_outside = allow_outside
        self._digest = hashlib.sha256()

    @property
    def checksum(self) -> str:
        """SHA-256, hexadecimal, over length and content of every file read so far."""
        return self._digest.hexdigest()

    def read(self, path: Path | str) -> bytes:
        """Content of a file, or of standard input for ``-``.

        Raises:
            InputError: it cannot be read, is too large, or standard input was asked for twice.
        """
        if str(path) == "-":
            if self._stdin_read:
                raise InputError(STDIN_NAME, "two documents are asked from it", "name a file for one of them")
            self._stdin_read = True
            stream = self._stdin if self._stdin is not None else sys.stdin.buffer
            content = stream.read(yamlio.MAX_BYTES + 1)
            if len(content) > yamlio.MAX_BYTES:
                megabytes = yamlio.MAX_BYTES // 1_000_000
                raise InputError(STDIN_NAME, f"the text is larger than {megabytes} MB", "split it into smaller files")
        else:
            content = yamlio.read_bytes(path if isinstance(path, Path) else Path(path))
        self._digest.update(len(content).to_bytes(8, "big"))
        self._digest.update(content)
        return content

    def beside(self, named: str, document: Path | str, place: Place, key: str) -> Path:
        """Path of a file that the document names, resolved beside it.

        Raises:
            InputError: it lies outside the document's folder, or does not exist.
        """
        base = Path.cwd() if str(document) == "-" else _folder(document)
        if not named or "\0" in named:
            raise InputError(place, f"{key} names no file", f"write a file name, for example {key}: quarry.yaml")
        path = base / named
        if os.path.basename(named) == named and _is_file_itself(path):
            return path
        try:
            inside = path.resolve().is_relative_to(base.resolve())
        except (OSError, RuntimeError):
            inside = False
        if not inside and not self._allow_outside:
            raise InputError(
                place,
                f"{key} '{named}' lies outside the folder of this document",
                "put the file beside the document, or name it on the command line",
            )
        try:
            there = path.is_file()
        except OSError:
            there = False
        if not there:
            raise InputError(place, f"there is no file '{named}' for {key}", _hint(path, base))
        return path


def suffix(path: Path | str) -> str:
    """How a file's name ends, as ``Path.suffix`` has it; a batch asks for thousands, and a path is slow to make."""
    if isinstance(path, Path):
        return path.suffix
    name = os.path.basename(path)
    dot = name.rfind(".")
    return name[dot:] if 0 < dot < len(name) - 1 else ""


def _folder(document: Path | str) -> Path:
    """The folder that a document lies in."""
    if isinstance(document, Path):
        return document.parent
    folder, name = os.path.split(document)
    return _path(folder) if name else Path(document).parent


@lru_cache(maxsize=64)
def _path(folder: str) -> Path:
    return Path(folder)


def _is_file_itself(path: Path) -> bool:
    """A regular file, not a link to one: by its bare name it lies in the folder it is looked for in."""
    try:
        return stat.S_ISREG(os.lstat(path).st_mode)
    except OSError:
        return False


def display(path: Path | str) -> str:
    """What messages call a document."""
    return STDIN_NAME if str(path) == "-" else str(path)


def _hint(path: Path, base: Path) -> str:
    from planner.errors import nearest

    try:
        names = sorted(entry.name for entry in path.parent.iterdir() if entry.is_file())[:2000]
    except OSError:
        names = []
    near = nearest(path.name, names, count=1)
    where = "" if path.parent == base else f" in {path.parent}"
    return f"did you mean {near[0]}{where}?" if near else f"put it in {path.parent}, or correct the name"
