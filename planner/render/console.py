"""Writes a finished answer to standard output or a file, with colour only where somebody sees it."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from planner.errors import InputError

if TYPE_CHECKING:
    from rich.text import Text

PLAIN_WIDTH = 100
_LEAST, _MOST = 40, 120

Answer = str | list["Text"]


def is_terminal(stream: TextIO) -> bool:
    """Whether a person sees this stream as it is written."""
    try:
        return stream.isatty()
    except (AttributeError, ValueError):
        return False


def wants_colour(stream: TextIO, *, no_color: bool = False) -> bool:
    """Colour on a terminal, unless ``--no-color``, ``NO_COLOR`` (not empty) or ``TERM=dumb`` says no."""
    if no_color or os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb":
        return False
    return bool(os.environ.get("FORCE_COLOR")) or is_terminal(stream)


def width_of(stream: TextIO) -> int:
    """Columns to fill: the terminal's (40 to 120), 100 for a pipe or a file."""
    if not is_terminal(stream):
        return PLAIN_WIDTH
    import shutil

    return max(_LEAST, min(_MOST, shutil.get_terminal_size().columns))


def plain(answer: Answer) -> str:
    """The answer as text without any styling, ending in one line end."""
    whole = answer if isinstance(answer, str) else "\n".join(line.plain.rstrip() for line in answer)
    return whole if whole.endswith("\n") else whole + "\n"


def deliver(answer: Answer, *, output: str | None = None, no_color: bool = False, inputs: Sequence[str] = ()) -> None:
    """Write to ``output`` (complete, then renamed) or to standard output.

    Raises:
        InputError: ``output`` is one of the inputs, or cannot be written.
    """
    if output is not None and output != "-":
        save(plain(answer).encode("utf-8", "backslashreplace"), output, inputs=inputs)
        return
    stream = sys.stdout
    with contextlib.suppress(AttributeError, ValueError):
        stream.reconfigure(errors="backslashreplace")  # type: ignore[union-attr]
    if isinstance(answer, str) or not wants_colour(stream, no_color=no_color):
        stream.write(plain(answer))
        return
    from rich.console import Console

    console = Console(file=stream, force_terminal=True, highlight=False, markup=False, emoji=False, width=10_000)
    for line in answer:
        console.print(line, soft_wrap=True)


def tell(line: str) -> None:
    """One line of a stream of answers on standard output, written at once."""
    from planner.render.words import safe

    sys.stdout.buffer.write(safe(line).encode("utf-8", "backslashreplace") + b"\n")
    sys.stdout.buffer.flush()


def may_write(output: str | None, *, inputs: Sequence[str] = ()) -> None:
    """Whether a file can be written here, asked before a long search as well as when it is written.

    Raises:
        InputError: the file is one of the inputs or a folder, or there is no such folder.
    """
    if output in (None, "-"):
        return
    assert output is not None
    target = Path(output)
    for name in inputs:
        with contextlib.suppress(OSError):
            if name != "-" and target.exists() and target.samefile(name):
                raise InputError(output, "the output would replace an input", "choose another name for --output")
    if target.is_dir():
        raise InputError(output, "is a folder", "name a file for --output")
    if not target.parent.is_dir():
        raise InputError(output, "cannot be written: no such file or directory", "choose another place for --output")


def save(content: bytes, output: str, *, inputs: Sequence[str] = ()) -> None:
    """Write one file whole or not at all.

    Raises:
        InputError: the file is one of the inputs, or its folder cannot be written.
    """
    import tempfile

    may_write(output, inputs=inputs)
    target = Path(output)
    draft = ""
    try:
        handle, draft = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}-", suffix=".part")
        with open(handle, "wb") as file:
            file.write(content)
        mode = target.stat().st_mode & 0o777 if target.exists() else 0o666 & ~_umask()
        os.chmod(draft, mode)
        os.replace(draft, target)
    except OSError as error:
        if draft:
            with contextlib.suppress(OSError):
                os.unlink(draft)
        reason = (error.strerror or "cannot be written").lower()
        raise InputError(output, f"cannot be written: {reason}", "choose another place for --output") from None
    except BaseException:
        if draft:
            with contextlib.suppress(OSError):
                os.unlink(draft)
        raise


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
