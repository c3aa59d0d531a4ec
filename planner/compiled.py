"""Compiled data: what was read, checked and worked out once is kept as msgpack in the user's cache folder.

Reading and checking all data files takes a good part of a second, and one command has to answer in a tenth.
Each section is one file whose head tells what it was made from: the planner's version, the code that made
it, and path, size and time of change of every data file. Any difference, a damaged file or a folder that
cannot be written are no errors: the section is built again. ``PLANNER_NO_CACHE=1`` switches the store off.

Set ``XDG_CACHE_HOME`` to move the folder (XDG Base Directory Specification); it is ``~/.cache/planner``
otherwise.
"""

from __future__ import annotations

import contextlib
import os
import re
import zlib
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TypeVar

import msgspec

import planner

T = TypeVar("T")

_MAGIC = b"planner1"
_KEPT = 6  # stamps kept of one section: several checkouts or overlays may share a home folder
_PACKAGE = Path(__file__).resolve().parent


def folder() -> Path | None:
    """The cache folder, or None where the store is switched off or there is no home."""
    if os.environ.get("PLANNER_NO_CACHE", "") not in ("", "0"):
        return None
    base = os.environ.get("XDG_CACHE_HOME", "")
    if base and os.path.isabs(base):
        return Path(base) / "planner"
    try:
        return Path.home() / ".cache" / "planner"
    except RuntimeError:
        return None


def stamp(files: Iterable[Path | str]) -> bytes:
    """What a section was made from: version, and path, size and time of change of each file."""
    lines = [planner.__version__]
    for file in files:
        try:
            found = os.stat(file)
        except OSError:
            lines.append(f"{file} missing")
        else:
            lines.append(f"{file} {found.st_size} {found.st_mtime_ns}")
    return "\n".join(lines).encode("utf-8", "surrogateescape")


def code(*modules: str) -> list[str]:
    """Files of these modules of the planner (``name/``: all of a package), so that changed code makes a new section."""
    found: list[str] = []
    for module in ("compiled", "model", *modules):
        if module.endswith("/"):
            inside = sorted(name for name in os.listdir(f"{_PACKAGE}/{module}") if name.endswith(".py"))
            found += [f"{_PACKAGE}/{module}{name}" for name in inside]
        else:
            found.append(f"{_PACKAGE}/{module}.py")
    return found


def section(
    name: str,
    build: Callable[[], T],
    type: type[T],
    files: Iterable[Path | str] = (),
    *,
    made_from: bytes | None = None,
) -> T:
    """The section ``name``, from the cache where it still holds, else from ``build``.

    Args:
        name: letters, digits and hyphens; one name stands for one type and one builder.
        build: makes the value; its errors pass through and nothing is stored.
        type: what msgspec decodes to (a struct, ``dict[str, Struct]`` ...).
        files: data and code files it is made from (see ``code``).
        made_from: a stamp taken before, instead of ``files``.
    """
    head = stamp(files) if made_from is None else made_from
    where = folder()
    path = where / f"{name}-{zlib.crc32(head):08x}.msgpack" if where else None
    if path is not None:
        found = _read(path, head, type)
        if found is not None:
            return found
    value = build()
    if path is not None:
        _write(path, head, msgspec.msgpack.encode(value), name)
    return value


def _read(path: Path, head: bytes, type: type[T]) -> T | None:
    try:
        content = path.read_bytes()
    except OSError:
        return None
    start = len(_MAGIC) + 8 + len(head)
    body = memoryview(content)[start:]
    length = len(head).to_bytes(4, "big")
    expected = _MAGIC + length + zlib.crc32(body).to_bytes(4, "big") + head
    if content[:start] != expected:
        return None
    try:
        return msgspec.msgpack.decode(body, type=type)
    except (msgspec.DecodeError, msgspec.ValidationError, RecursionError):
        return None


def _write(path: Path, head: bytes, body: bytes, name: str) -> None:
    import tempfile  # a tenth of a short command's time, and needed only after a change

    content = _MAGIC + len(head).to_bytes(4, "big") + zlib.crc32(body).to_bytes(4, "big") + head + body
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=".", suffix=".part")
    except OSError:
        return
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        os.replace(temporary, path)
        _tidy(path.parent, name)
    except OSError:
        with contextlib.suppress(OSError):
            os.unlink(temporary)


def _tidy(where: Path, name: str) -> None:
    """Keep the newest stamps of one section."""
    own = re.compile(re.escape(name) + r"-[0-9a-f]{8}\.msgpack\Z")
    found = [entry for entry in os.scandir(where) if own.match(entry.name)]
    found.sort(key=lambda entry: entry.stat().st_mtime_ns, reverse=True)
    for entry in found[_KEPT:]:
        os.unlink(entry.path)
