"""CSV text as people send it becomes a header and rows with line numbers: byte order mark, semicolons,
tabs.

Nothing here knows what the columns mean. Spreadsheets of other kinds give the same ``Table``.
"""

from __future__ import annotations

import csv
import re
import unicodedata
from collections.abc import Iterator

from planner import yamlio
from planner.documents.shapes import LONGEST_TEXT
from planner.errors import InputError
from planner.model import Place, Struct

DELIMITERS = (",", ";", "\t")
MOST_ROWS = 20_000  # 54 years of days, and far more than a season has tanks
MOST_LINES = 200_000  # with empty ones
MOST_COLUMNS = 200
_COMMA_NUMBER = re.compile(r"([+-]?[0-9]+),([0-9]+)\Z")


class Row(Struct, frozen=True, kw_only=True):
    """One row: its place, and as many cells as the header has."""

    place: Place
    cells: tuple[str, ...]
    places: tuple[Place, ...] = ()  # of each cell, where cells have addresses

    def place_of(self, column: int) -> Place:
        """Where a cell stands: its address, else the row's line."""
        return self.places[column] if self.places else self.place


class Table(Struct, frozen=True, kw_only=True):
    """A header and the rows below it; cells are text without spaces around it."""

    name: str
    delimiter: str
    header: tuple[str, ...]
    place: Place  # of the header
    rows: tuple[Row, ...]


def read_csv(content: bytes, name: str) -> Table:
    """The table in a CSV file (RFC 4180; comma, semicolon or tab, found from the header line).

    Raises:
        InputError: not text, no header, a row with more cells than the header, a quote that is not closed.
    """
    text = decode(content, name)
    lines = [f"{line}\n" for line in text.replace("\r\n", "\n").replace("\r", "\n").split("\n")]
    if len(lines) > MOST_LINES:
        raise InputError(name, f"the table has more than {MOST_LINES} lines", "split it into smaller files")
    first = next((index for index, line in enumerate(lines) if line.strip(" \t\r\n,;")), None)
    if first is None:
        raise InputError(name, "the file is empty", "begin it with a line of column names")
    delimiter = _delimiter(lines[first])
    header: tuple[str, ...] | None = None
    place = Place(file=name, line=first + 1)
    rows: list[Row] = []
    for line, cells in records(lines[first:], delimiter, name, first):
        here = Place(file=name, line=line)
        clean = tuple(_clean(cell, here) for cell in cells)
        if header is None:
            while clean and not clean[-1]:
                clean = clean[:-1]
            header = clean
            if len(header) > MOST_COLUMNS:
                raise InputError(here, f"{len(header)} columns are too many", "keep the columns that are needed")
            continue
        if not any(clean):
            continue
        if len(clean) > len(header):
            if any(clean[len(header) :]):
                raise InputError(
                    here,
                    f"this row has {len(clean)} cells, the header {len(header)}",
                    f"put quotes around cells that hold '{delimiter.replace(chr(9), 'tab')}'",
                )
            clean = clean[: len(header)]
        rows.append(Row(place=here, cells=clean + ("",) * (len(header) - len(clean))))
        if len(rows) > MOST_ROWS:
            raise InputError(here, f"the table has more than {MOST_ROWS} rows", "split it into smaller files")
    return Table(name=name, delimiter=delimiter, header=header or (), place=place, rows=tuple(rows))


def decimal(text: str, delimiter: str) -> str | None:
    """A number cell with a decimal point, or None where its comma can mean two things.

    A comma is a decimal comma where three digits after it could not be thousands (``0,125`` or ``12,5``).
    Text without a comma comes back as it is.

    >>> decimal("0,6", ";"), decimal("0,125", ";"), decimal("1,000", ";"), decimal("0.6", ",")
    ('0.6', '0.125', None, '0.6')
    """
    text = text.strip()
    if "," not in text:
        return text
    found = _COMMA_NUMBER.match(text)
    if not found:
        return None
    whole, fraction = found.groups()
    if len(fraction) == 3 and whole.lstrip("+-0"):
        return None
    return f"{whole}.{fraction}"


_UTF16 = (b"\xff\xfe", b"\xfe\xff")


def decode(content: bytes, name: str) -> str:
    """Text of a CSV file: UTF-8, or UTF-16 with its mark, as spreadsheets save 'Unicode text'.

    Raises:
        InputError: it is neither.
    """
    return yamlio.decode(content, name=name) if not content.startswith(_UTF16) else _utf16(content, name)


def _utf16(content: bytes, name: str) -> str:
    try:
        return content.decode("utf-16")
    except UnicodeDecodeError:
        raise InputError(name, "the file is text in a damaged UTF-16", "save it as CSV in UTF-8") from None


def _delimiter(header: str) -> str:
    bare = re.sub(r'"[^"]*"', "", header)
    counts = {mark: bare.count(mark) for mark in DELIMITERS}
    best = max(DELIMITERS, key=lambda mark: counts[mark])
    return best if counts[best] else ","


def records(lines: list[str], delimiter: str, name: str, offset: int) -> Iterator[tuple[int, list[str]]]:
    """Line and cells of each record (RFC 4180); ``offset`` lines stand above ``lines`` in the file.

    Raises:
        InputError: a quote is not closed, or text stands behind one.
    """
    reader = csv.reader(lines, delimiter=delimiter, strict=True)
    line = 1
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            place = Place(file=name, line=offset + line)
            raise InputError(
                place, f"this row is no CSV ({error})", "close every quote, double a quote inside quotes"
            ) from None
        yield offset + line, cells
        line = reader.line_num + 1


def _clean(cell: str, place: Place) -> str:
    text = " ".join(cell.split())
    if len(text) > LONGEST_TEXT:
        raise InputError(place, f"a cell has {len(text)} characters", f"write at most {LONGEST_TEXT}")
    if any(unicodedata.category(char) in ("Cc", "Cs") for char in text):
        raise InputError(place, "a control character stands in a cell", "remove it")
    return text
