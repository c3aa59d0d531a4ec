"""Cells of spreadsheets: their addresses, and text that no spreadsheet takes for a formula."""

from __future__ import annotations

import re

_FORMULA = re.compile(r"'*[=+\-@\t\r]")
_GUARDED = re.compile(r"''*[=+\-@\t\r]")


def plain(cell: str) -> str:
    """A cell that no spreadsheet runs as a formula; ``unguarded`` takes the mark off again.

    >>> plain("=1+1"), plain("-"), plain("Demo Alder 250 SC")
    ("'=1+1", "'-", 'Demo Alder 250 SC')
    """
    return f"'{cell}" if _FORMULA.match(cell) else cell


def unguarded(cell: str) -> str:
    """The text of a cell that ``plain`` wrote.

    >>> unguarded("'=1+1"), unguarded("'tis")
    ('=1+1', "'tis")
    """
    return cell[1:] if _GUARDED.match(cell) else cell


def letters(column: int) -> str:
    """Letters of a column, from 1.

    >>> letters(1), letters(26), letters(27), letters(703)
    ('A', 'Z', 'AA', 'AAA')
    """
    text = ""
    while column > 0:
        column, rest = divmod(column - 1, 26)
        text = chr(65 + rest) + text
    return text


def address(row: int, column: int) -> str:
    """Address of a cell as a spreadsheet shows it, both counted from 1.

    >>> address(7, 3)
    'C7'
    """
    return f"{letters(column)}{row}"
