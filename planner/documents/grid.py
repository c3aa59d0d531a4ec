"""One sheet as a grid of cells with addresses, from CSV text or from a workbook; nothing here knows what cells mean."""

from __future__ import annotations

import datetime
import re
import unicodedata

from planner.documents import csvtext
from planner.documents.cells import address, unguarded
from planner.documents.shapes import LONGEST_TEXT
from planner.errors import InputError
from planner.model import Place, Struct

BLANKS = frozenset(("-", "--", "\u2013", "\u2014", "n/a", "N/A"))  # what people write where nothing is to be said

Value = str | int | float | bool | datetime.datetime | datetime.date | datetime.time | None


class Cell(Struct, frozen=True, kw_only=True):
    """One cell that holds something. ``row`` and ``column`` count from 1."""

    value: Value
    row: int
    column: int
    place: Place
    merged_from: str = ""  # address of the cell that the value stands in, where several are merged
    problem: str = ""  # why the value cannot be used: a formula error, a formula without a result

    @property
    def text(self) -> str:
        """The value as text with single spaces.

        Raises:
            InputError: it holds a control character, or no value that can be used.
        """
        if self.problem:
            raise InputError(self.place, self.problem, "write the value itself into the cell")
        return " ".join(self.raw.split())

    @property
    def raw(self) -> str:
        """The value as text, line ends kept."""
        value = self.value
        if isinstance(value, bool):
            return "true" if value else "false"
        if isinstance(value, float):
            return number_text(value)
        if isinstance(value, datetime.datetime):
            return value.date().isoformat() if value.time() == datetime.time() else value.isoformat(" ", "minutes")
        if isinstance(value, (datetime.date, datetime.time)):
            return value.isoformat()
        text = "" if value is None else str(value)
        if len(text) > LONGEST_TEXT:
            raise InputError(self.place, f"a cell has {len(text)} characters", f"write at most {LONGEST_TEXT}")
        if any(unicodedata.category(char) in ("Cc", "Cs") and char not in "\t\n\r" for char in text):
            raise InputError(self.place, "a control character stands in this cell", "remove it")
        return unguarded(text.strip())

    @property
    def is_number(self) -> bool:
        """Whether the value is a number by itself, not text that looks like one."""
        return isinstance(self.value, (int, float)) and not isinstance(self.value, bool)


class Grid:
    """One sheet: its cells by row and column, empty ones left out.

    ``sheet`` is empty where the file has one sheet only; ``delimiter`` where the file is a workbook.
    """

    def __init__(
        self,
        *,
        name: str,
        cells: dict[tuple[int, int], Cell],
        sheet: str = "",
        hidden_rows: frozenset[int] = frozenset(),
        hidden_columns: frozenset[int] = frozenset(),
        base_1904: bool = False,
        delimiter: str = "",
    ) -> None:
        self.name = name
        self.sheet = sheet
        self.cells = cells
        self.hidden_rows = hidden_rows
        self.hidden_columns = hidden_columns
        self.base_1904 = base_1904
        self.delimiter = delimiter
        self.columns = sorted({column for _, column in cells})
        self._rows: dict[int, list[Cell]] = {}
        for (row, _), cell in sorted(cells.items()):
            self._rows.setdefault(row, []).append(cell)
        self.rows = list(self._rows)

    def place(self, row: int, column: int) -> Place:
        """Where a cell stands, also an empty one."""
        return cell_place(self.name, self.sheet, row, column)

    def row(self, row: int) -> list[Cell]:
        """The cells of one row, from the left."""
        return self._rows.get(row, [])


def cell_place(name: str, sheet: str, row: int, column: int) -> Place:
    """A cell's place; the sheet is named where there are several."""
    where = address(row, column)
    return Place(file=name, line=row, cell=f"{sheet}!{where}" if sheet else where)


def number_text(value: float) -> str:
    """A number with all its digits and no exponent.

    >>> number_text(0.1), number_text(187.0)
    ('0.1', '187')
    """
    from planner.quantities import decimal_text

    return decimal_text(value) if value == value and abs(value) < 1e15 else str(value)


def from_csv(content: bytes, name: str) -> Grid:
    """A CSV file as it comes: rows of any length, delimiter from the whole text.

    Raises:
        InputError: not text, a quote that is not closed, too large.
    """
    text = csvtext.decode(content, name)
    lines = [f"{line}\n" for line in text.replace("\r\n", "\n").replace("\r", "\n").split("\n")]
    if len(lines) > csvtext.MOST_ROWS:
        raise InputError(name, f"the table has more than {csvtext.MOST_ROWS} rows", "split it into smaller files")
    delimiter = _delimiter(lines)
    cells: dict[tuple[int, int], Cell] = {}
    for row, (_, values) in enumerate(csvtext.records(lines, delimiter, name, 0), 1):
        if len(values) > csvtext.MOST_COLUMNS:
            values = values[: csvtext.MOST_COLUMNS] if not any(values[csvtext.MOST_COLUMNS :]) else values
            if len(values) > csvtext.MOST_COLUMNS:
                raise InputError(
                    cell_place(name, "", row, len(values)), "too many columns", "keep the columns that are needed"
                )
        for column, value in enumerate(values, 1):
            if value.strip():
                place = cell_place(name, "", row, column)
                cells[row, column] = Cell(value=value.strip(), row=row, column=column, place=place)
    return Grid(name=name, cells=cells, delimiter=delimiter)


def _delimiter(lines: list[str]) -> str:
    """The mark that most often splits a line into the most columns."""
    bare = [re.sub(r'"[^"]*"', "", line) for line in lines[:200]]
    scores = {mark: sorted((line.count(mark) for line in bare), reverse=True)[:5] for mark in csvtext.DELIMITERS}
    best = max(csvtext.DELIMITERS, key=lambda mark: sum(scores[mark]))
    return best if sum(scores[best]) else ","
