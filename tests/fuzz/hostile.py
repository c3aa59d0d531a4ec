"""Hostile files of up to 5 MB and more, and one loader run on one of them inside 1 GB and 10 s (a process of its own).

``python tests/fuzz/hostile.py LOADER NAME`` prints one line: outcome, seconds, peak memory in MB. The sizes are those
of the project's promise (issue 8); the attacks are the common ones: alias bomb ("billion laughs", CWE-776), zip bomb
(CWE-409), deep nesting (CWE-674), huge integers (CWE-1339 is near it), null bytes, mixed encodings.
"""

from __future__ import annotations

import io
import random
import resource
import sys
import time
import zipfile
from collections.abc import Callable
from pathlib import Path

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).resolve().parents[1]), str(Path(__file__).resolve().parents[2])]

SIZE = 4_990_000
MEMORY, SECONDS = 1_000_000_000, 10

_HEAD = b"programme: 1\nfield: quarry-bottom.yaml\npasses:\n"
_PASS = b"  - {date: 2026-07-02, tank: [{active: azoxystrobin, dose: 100 g/ha}]}\n"
_ROW = b"%d,2026-07-02,R1,,azoxystrobin,110,g/ha,187 L/ha,medium\n"
_COLUMNS = b"pass,date,stage,product,active,rate,unit,water,droplets\n"


def _fill(head: bytes, piece: bytes, tail: bytes = b"") -> bytes:
    return head + piece * ((SIZE - len(head) - len(tail)) // len(piece)) + tail


def _laughs() -> bytes:
    lines = [b"a0: &a0 [lol, lol, lol, lol, lol, lol, lol, lol, lol]"]
    lines += [b"a%d: &a%d [%s]" % (at, at, b", ".join([b"*a%d" % (at - 1)] * 9)) for at in range(1, 12)]
    return _fill(b"\n".join(lines) + b"\n", b"# padding\n")


def _numbered(line: bytes) -> bytes:
    out, size, at = [], 0, 0
    while size < SIZE - 200:
        out.append(line % at)
        size += len(out[-1])
        at += 1
    return b"".join(out)


def _zip(members: dict[str, tuple[bytes, int]], *, sound: bool = False) -> bytes:
    """A zip whose members are ``piece * times``; ``sound``: with the other parts of a workbook."""
    from fuzz.targets import workbook

    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as new:
        if sound:
            with zipfile.ZipFile(io.BytesIO(workbook())) as old:
                for name in old.namelist():
                    if name not in members:
                        new.writestr(name, old.read(name))
        for name, (piece, times) in members.items():
            with new.open(name, "w", force_zip64=True) as file:
                block = piece * max(1, min(times, 1_000_000 // len(piece)))
                for _ in range(max(1, times * len(piece) // len(block))):
                    file.write(block)
    return stream.getvalue()


_SHEET = (
    b'<?xml version="1.0"?><worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'
)
_ENTITIES = (
    b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">'
    + b"".join(b'<!ENTITY %c "%s">' % (98 + at, b"&%c;" % (97 + at) * 10) for at in range(9))
    + b']><worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
    b'<sheetData><row r="1"><c r="A1" t="inlineStr">'
    b"<is><t>&j;</t></is></c></row></sheetData></worksheet>"
)

FILES: dict[str, Callable[[], bytes]] = {
    "alias bomb": _laughs,
    "deep flow": lambda: b"[" * SIZE,
    "deep mappings": lambda: _fill(b"", b"{a: "),
    "deep block": lambda: _fill(b"", b"- "),
    "stairs": lambda: b"".join(b" " * at + b"a:\n" for at in range(3100)),
    "question marks": lambda: _fill(b"", b"? "),
    "huge integer": lambda: b"programme: " + b"9" * SIZE,
    "huge float": lambda: b"programme: 1e" + b"9" * SIZE,
    "long list": lambda: _fill(b"passes: [", b"1,", b"1]"),
    "empty mappings": lambda: _fill(b"passes: [", b"{},", b"{}]"),
    "many keys": lambda: _numbered(b"k%d: 1\n"),
    "one key over and over": lambda: _fill(b"", b"a: 1\n"),
    "long scalar": lambda: b"name: " + b"x" * SIZE,
    "long key": lambda: b"x" * SIZE + b": 1\n",
    "many lines in a quote": lambda: b'name: "' + b"\n" * SIZE,
    "many passes": lambda: _fill(_HEAD, _PASS),
    "comment": lambda: _fill(b"", b"# x\n"),
    "null bytes": lambda: b"\0" * SIZE,
    "noise": lambda: random.Random(1).randbytes(SIZE),
    "utf-16": lambda: ("programme: 1\n" * (SIZE // 26)).encode("utf-16"),
    "mixed encodings": lambda: _fill(b"", "name: ß\n".encode()) + "name: ß\n".encode("latin-1"),
    "combining marks": lambda: _fill(b"name: e", "\u0301".encode()),
    "too large": lambda: b"# x\n" * 1_400_000,
    "wide header": lambda: _fill(b"", b"a,"),
    "wide row": lambda: _fill(_COLUMNS, b"a,"),
    "many rows": lambda: _COLUMNS + _numbered(_ROW),
    "one pass of many rows": lambda: _fill(_COLUMNS, _ROW % 1),
    "empty rows": lambda: _fill(_COLUMNS, b",,,\n"),
    "open quote": lambda: _COLUMNS + b'1,"' + b"\n" * (SIZE - 100),
    "quotes": lambda: _fill(_COLUMNS, b'"'),
    "brackets in a pattern": lambda: _fill(b"day,min C,max C\n2026-05-12,", b"("),
    "digits": lambda: _fill(_COLUMNS + b"1,2026-07-02,R1,,azoxystrobin,", b"1"),
    "zip of zeros": lambda: _zip({"xl/worksheets/sheet1.xml": (b"\0", 200_000_000)}, sound=True),
    "zip of rows": lambda: _zip(
        {"xl/worksheets/sheet1.xml": (_SHEET + b"<row><c><v>1</v></c></row>" * 40_000, 150)}, sound=True
    ),
    "zip of strings": lambda: _zip({"xl/sharedStrings.xml": (b"<si><t>" + b"x" * 1000, 150_000)}, sound=True),
    "zip of members": lambda: _zip({f"xl/x{at}.xml": (b"x", 1) for at in range(10_000)}, sound=True),
    "entities": lambda: _zip({"xl/worksheets/sheet1.xml": (_ENTITIES, 1)}, sound=True),
    "far cell": lambda: _zip(
        {
            "xl/worksheets/sheet1.xml": (
                _SHEET + b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData></worksheet>',
                1,
            )
        },
        sound=True,
    ),
}
YAML = tuple(list(FILES)[: list(FILES).index("wide header")])
TABLES = ("null bytes", "noise", "utf-16", "mixed encodings", "too large", "long scalar", "comment")
TABLES += tuple(list(FILES)[list(FILES).index("wide header") : list(FILES).index("zip of zeros")])
SHEETS = ("noise", *list(FILES)[list(FILES).index("zip of zeros") :])


def main() -> int:
    from fuzz import targets

    loader, names = sys.argv[1], sys.argv[2:]
    sound = targets.seeds(loader)[0]
    said = targets.judge(loader, sound)  # what is loaded once (catalogue, modules) is not the file's doing
    if said != "read":
        print(f"the sound file is not read: {said}")
        return 1
    for name in names:
        content = FILES[name]()
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, resource.getrlimit(resource.RLIMIT_AS)[1]))
        began = time.monotonic()
        said = targets.judge(loader, content)
        took = time.monotonic() - began
        resource.setrlimit(resource.RLIMIT_AS, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
        print(f"{name}\t{said[:120]}\t{took:.2f}\t{_peak()}", flush=True)
    return 0


def _peak() -> int:
    """Most memory of this process in MB. ``ru_maxrss`` would not do: it keeps what the parent held at the fork."""
    for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) // 1000
    raise OSError("/proc/self/status tells no peak of memory")


if __name__ == "__main__":
    raise SystemExit(main())
