"""Changes to sound files, drawn from one generator: the same seed gives the same cases."""

from __future__ import annotations

import copy
import io
import random
import zipfile
from functools import lru_cache
from typing import Any

from planner import yamlio
from planner.errors import PlannerError

WORDS = tuple(
    text.encode("utf-8", "surrogatepass")
    for text in (
        "0", "-1", "1e999", "9" * 400, "1" + "0" * 30, ".nan", ".inf", "0x1F", "1/3", "99999999 L/ha", "1e-300 L/ha",
        "-0.0 g/ha", "0 L/ha", "1e308 kg/ha", "NaN g/ha", "inf d", "²³ L/ha", "٣ L/ha", "1_000 L/ha", "1,5 L/ha",
        "2026-02-30", "0000-00-00", "9999-12-31", "0001-01-01", "2026-7-2", "2026-07-02T00:00:00", "10000-01-01",
        "null", "~", "true", "[]", "{}", "[[]]", "{a: {}}", "&a", "*a", "<<: *a", "!!python/object:os.system", "!x",
        "---", "...", "%YAML 9.9", "|", ">", "'", '"', "\\x00", "\t", "\r", "\n\n", "\u2028", "\u0085", "\ufeff",
        "\u202e",
        "\ud800", "\U0010ffff", "\0", "\x1b[31m", "a" * 3000, "FRAC 11", "FRAC", "frac 999999", "11A", "BBCH65",
        "BBCH-1",
        "BBCH999999999999", "Z39", "F10.5.1", "R1", "R99", "V" + "9" * 30, "VT", "EL19", "../../etc/passwd",
        "/dev/null",
        ".", "", "-", "nul\0l", "con", "soybean", "wheat", "grapevine", "US", "ZZ", "US-IL", "per t", "480 per", "$1",
        "frogeye-leaf-spot", "azoxystrobin", "azoxystrobin + azoxystrobin", "{field}", "{0}", "%s", "$grace_days", "{",
        ",,,,,", ";", '"a\nb"', '""', "ß", "ŉ", "İ", "ﬁ", "é", "e\u0301",
    )
)  # fmt: skip
HOSTILE = (
    b"", b"\n", b"\0" * 64, b"\xff\xfe\x00\xd8", b"\xfe\xff\xdc", b"\xef\xbb\xbf", b"[" * 4000, b"{a: " * 3000,
    b"- " * 3000, b"? " * 500, b"a: &a [x]\nb: [" + b"*a," * 500 + b"]", b"a: " + b"9" * 5000, b"\xc3\x28",
    b"\xed\xa0\x80",
    b'"' + b"\n" * 2000, b"a,b\n" + b"x," * 3000, b"PK\x03\x04" + b"\0" * 60, b"%TAG ! x\n---\n!a b", b"a: |9\n x",
)  # fmt: skip


def mutate(random_: random.Random, seed: bytes, others: tuple[bytes, ...]) -> bytes:
    """One to six changes of ``seed``; now and then something hostile altogether."""
    if random_.random() < 0.02:
        return random_.choice(HOSTILE)
    if seed.startswith(b"PK") and random_.random() < 0.8:
        seed = _inside(random_, seed)
        if random_.random() < 0.8:
            return seed
    if random_.random() < 0.4:
        shaped = _shaped(random_, seed, others)
        if shaped is not None:
            return shaped
    content = bytearray(seed)
    for _ in range(random_.choice((1, 1, 1, 2, 2, 3, 6))):
        _CHANGES[random_.randrange(len(_CHANGES))](random_, content, others)
    return bytes(content[:60_000])


VALUES: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 2, 3, 10**17, -(10**17), 0.1, 1e308, -1e-300, "", " ", "0", "R1", "R6", "BBCH65",
    "2026-07-02",
    "2025-07-02", "2027-01-01", "0.6 L/ha", "10 fl oz/ac", "110 g/ha", "0 g/ha", "-1 L/ha", "1e9 L/ha", "99 kg/ha",
    "14 d", "0 d",
    "100000 d", "12 h", "187 L/ha", "soybean", "wheat", "FRAC 11", "M05", "high", "good", "azoxystrobin", [], {},
    [[]], [None],
    ["R1", "R6"], ["R6", "R1"], {"a": 1}, [{"a": 1}], "x" * 300, "Demo Alder 250 SC", "quarry-bottom.yaml", ".",
    "per t",
)  # fmt: skip


@lru_cache(maxsize=512)
def _parsed(seed: bytes) -> Any:
    """Data of a seed that is YAML, else None."""
    try:
        data = yamlio.read(seed).data
    except PlannerError:
        return None
    return data if isinstance(data, dict) else None


def _shaped(random_: random.Random, seed: bytes, others: tuple[bytes, ...]) -> bytes | None:
    """Sound YAML that says something else: values of another kind, keys gone, renamed, doubled or borrowed."""
    head = seed[: seed.index(b"\n") + 1] if seed.startswith(b"# ") and b"\n" in seed else b""
    data = copy.deepcopy(_parsed(seed))
    if data is None:
        return None
    for _ in range(random_.choice((1, 1, 1, 2, 3))):
        holder, key = random_.choice(_nodes(data))
        kind = random_.randrange(8)
        if kind < 4:
            holder[key] = copy.deepcopy(random_.choice(VALUES))
        elif kind == 4:
            del holder[key]
        elif kind == 5 and isinstance(holder, list):
            holder.insert(random_.randrange(len(holder) + 1), copy.deepcopy(holder[key]))
        elif kind == 5:
            holder[str(random_.choice(VALUES))[:40] or "x"] = holder.pop(key)
        else:
            other, at = random_.choice(_nodes(data))
            holder[key] = copy.deepcopy(other[at])
        if not data:
            break
    return head + yamlio.dump(data).encode("utf-8")


def _nodes(data: Any) -> list[tuple[Any, Any]]:
    """Every place in nested data that holds a value."""
    found: list[tuple[Any, Any]] = []
    waiting = [data]
    while waiting:
        holder = waiting.pop()
        for key, value in list(holder.items()) if isinstance(holder, dict) else list(enumerate(holder)):
            found.append((holder, key))
            if isinstance(value, dict | list) and value:
                waiting.append(value)
    return found


def _inside(random_: random.Random, seed: bytes) -> bytes:
    """A change of one member of a workbook, zipped again."""
    stream = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(seed)) as old, zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as new:
        chosen = random_.choice(old.namelist())
        for name in old.namelist():
            content = bytearray(old.read(name))
            if name == chosen:
                if random_.random() < 0.1:
                    continue
                for _ in range(random_.choice((1, 2, 4))):
                    random_.choice(_CHANGES)(random_, content, ())
            new.writestr(name, bytes(content))
    return stream.getvalue()


def _lines(content: bytearray) -> list[bytes]:
    return bytes(content).split(b"\n")


def _byte(random_: random.Random, content: bytearray, others: tuple[bytes, ...]) -> None:
    if content:
        content[random_.randrange(len(content))] = random_.randrange(256)


def _cut(random_: random.Random, content: bytearray, others: tuple[bytes, ...]) -> None:
    at = random_.randrange(len(content) + 1)
    del content[at : at + random_.choice((1, 2, 8, 64, 2000))]


def _word(random_: random.Random, content: bytearray, others: tuple[bytes, ...]) -> None:
    at = random_.randrange(len(content) + 1)
    content[at:at] = random_.choice(WORDS)


def _value(random_: random.Random, content: bytearray, others: tuple[bytes, ...]) -> None:
    """Another value behind a colon, a comma or a bracket."""
    marks = [at for at, byte in enumerate(content) if byte in b":,[{("]
    if not marks:
        _word(random_, content, others)
        return
    at = random_.choice(marks) + 1
    end = at
    while end < len(content) and content[end] not in b",]}\n#)":
        end += 1
    content[at:end] = b" " + random_.choice(WORDS)


def _line(random_: random.Random, content: bytearray, others: tuple[bytes, ...]) -> None:
    """A line gone, doubled, moved or indented."""
    lines = _lines(content)
    at = random_.randrange(len(lines))
    kind = random_.randrange(5)
    if kind == 0:
        del lines[at]
    elif kind == 1:
        lines.insert(at, lines[at])
    elif kind == 2:
        lines.insert(random_.randrange(len(lines)), lines.pop(at))
    elif kind == 3:
        lines[at] = b"  " + lines[at]
    else:
        lines[at] = lines[at].lstrip()
    content[:] = b"\n".join(lines)


def _splice(random_: random.Random, content: bytearray, others: tuple[bytes, ...]) -> None:
    """Lines of another sound file."""
    if not others:
        return
    other = _lines(bytearray(random_.choice(others)))
    start = random_.randrange(len(other))
    lines = _lines(content)
    at = random_.randrange(len(lines) + 1)
    lines[at:at] = other[start : start + random_.choice((1, 2, 5))]
    content[:] = b"\n".join(lines)


def _swap(random_: random.Random, content: bytearray, others: tuple[bytes, ...]) -> None:
    """Two words of the file change places."""
    words = bytes(content).split(b" ")
    if len(words) > 2:
        one, other = random_.randrange(len(words)), random_.randrange(len(words))
        words[one], words[other] = words[other], words[one]
        content[:] = b" ".join(words)


def _repeat(random_: random.Random, content: bytearray, others: tuple[bytes, ...]) -> None:
    at = random_.randrange(len(content) + 1)
    piece = bytes(content[at : at + random_.choice((1, 3, 20))])
    content[at:at] = piece * random_.choice((2, 40, 400))


_CHANGES = (_byte, _cut, _word, _value, _value, _value, _line, _line, _splice, _swap, _repeat)
