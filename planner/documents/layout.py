"""Finds the table in a sheet: where its header is, which column holds what, where it ends, and what is left over.

Nothing is dropped silently: every cell that is not read, and everything that was read by a guess, makes a remark
that names the cell.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterable, Mapping, Sequence

from planner.documents import sheetdates
from planner.documents.cells import address, letters
from planner.documents.columns import Heading, column_words, fold, heading, of_field, unit_fits
from planner.documents.grid import Cell, Grid
from planner.errors import InputError, nearest
from planner.model import Place, Struct

HEADER_WITHIN = 80  # rows from the top in which a header is looked for; common practice, no source
IGNORE = "ignore"  # what --map says of a column that is not to be read
SEVERAL = ("rate", "water")  # fields that sheets give twice, metric and US: the first filled cell of a row counts
Needed = tuple[tuple[str, ...], ...]


class Column(Struct, frozen=True, kw_only=True):
    """One column that is read."""

    index: int
    title: str
    heading: Heading


class Found(Struct, frozen=True, kw_only=True):
    """A table in a sheet."""

    grid: Grid
    header: int
    columns: dict[str, tuple[Column, ...]]  # field -> its columns, one of them but for SEVERAL
    rows: tuple[int, ...]
    above: tuple[int, ...]  # rows above the header that hold something
    remarks: tuple[str, ...]

    def place(self, row: int, field: str) -> Place:
        """Where the cell of a field stands in a row; the row's first cell where the table has no such column."""
        columns = self.columns.get(field)
        if columns:
            return next(
                (self.grid.place(row, one.index) for one in columns if (row, one.index) in self.grid.cells),
                self.grid.place(row, columns[0].index),
            )
        return self.grid.place(row, min(one.index for many in self.columns.values() for one in many))

    def cell(self, row: int, field: str) -> tuple[Cell, Column] | None:
        """The cell of a field in a row, with its column; None where it is empty."""
        for one in self.columns.get(field, ()):
            cell = self.grid.cells.get((row, one.index))
            if cell is not None:
                return cell, one
        return None


def find(grids: Sequence[Grid], kind: str, needed: Needed, mapping: Mapping[str, str]) -> Found:
    """The one table of ``kind`` among the sheets.

    Args:
        kind: ``programme`` or ``products``.
        needed: of each of these choices at least one field must have a column.
        mapping: column (its heading, or its letters) -> field, as the user said it.

    Raises:
        InputError: no sheet or several hold such a table, or two columns say the same.
    """
    _check_mapping(mapping, kind)
    found = [(grid, row) for grid in grids if (row := _header(grid, kind, needed, mapping)) is not None]
    if not found:
        raise _no_header(grids, kind, needed, mapping)
    if len(found) > 1:
        names = ", ".join(f"'{grid.sheet}'" for grid, _ in found)
        first = found[0]
        raise InputError(
            first[0].place(first[1], 1),
            f"{len(found)} sheets look like a table: {names}",
            "keep one of them in the file",
        )
    grid, header = found[0]
    others = [
        f"sheet '{other.sheet}' is not read" for other in grids if other is not grid and other.cells and other.sheet
    ]
    return _cut(grid, header, kind, mapping, others)


def cells_named(cells: Iterable[Cell]) -> str:
    """Addresses of cells, neighbours of one column drawn together.

    >>> cells_named([])
    ''
    """
    found: list[list[int]] = []  # column, first row, last row
    for cell in cells:
        if found and found[-1][0] == cell.column and found[-1][2] == cell.row - 1:
            found[-1][2] = cell.row
        else:
            found.append([cell.column, cell.row, cell.row])
    return ", ".join(
        address(first, column) + (f":{address(last, column)}" if last > first else "") for column, first, last in found
    )


# --- the header ---------------------------------------------------------------------------------------


def _check_mapping(mapping: Mapping[str, str], kind: str) -> None:
    fields = sorted(set(column_words().fields["programme"].values()) | set(column_words().fields["products"].values()))
    own = set(column_words().fields[kind].values())
    for column, field in mapping.items():
        if field not in fields and field != IGNORE:
            near = nearest(field, sorted(own), count=1)
            cure = f"did you mean {column}={near[0]}?" if near else f"fields are {', '.join(sorted(own))}"
            raise InputError("--map", f"'{column}={field}': there is no field '{field}'", cure)


def _headings(grid: Grid, row: int, kind: str, mapping: Mapping[str, str]) -> dict[int, tuple[Cell, Heading | None]]:
    own = {*column_words().fields[kind].values(), IGNORE}
    wanted = {fold(column): field for column, field in mapping.items() if field in own}
    found: dict[int, tuple[Cell, Heading | None]] = {}
    for cell in grid.row(row):
        if cell.merged_from or cell.problem or cell.is_number or len(cell.raw) > 200:
            continue
        title = cell.text
        field = wanted.get(fold(title)) or wanted.get(letters(cell.column).casefold())
        said = None if field == IGNORE else of_field(field, title) if field else heading(title, kind)
        found[cell.column] = (cell, said)
    return found


def _header(grid: Grid, kind: str, needed: Needed, mapping: Mapping[str, str]) -> int | None:
    for row in [row for row in grid.rows if row <= HEADER_WITHIN + min(grid.rows, default=0)]:
        fields = {said.field for _, said in _headings(grid, row, kind, mapping).values() if said is not None}
        if all(any(field in fields for field in choice) for choice in needed):
            return row
    return None


def _no_header(grids: Sequence[Grid], kind: str, needed: Needed, mapping: Mapping[str, str]) -> InputError:
    """Says what the most table-like row lacks."""
    best: tuple[int, Grid, int, dict[int, tuple[Cell, Heading | None]]] | None = None
    for grid in grids:
        for row in grid.rows[:HEADER_WITHIN]:
            found = _headings(grid, row, kind, mapping)
            score = len({said.field for _, said in found.values() if said is not None})
            if score and (best is None or score > best[0]):
                best = (score, grid, row, found)
    across = _across(grids) if kind == "programme" else None
    if across is not None:
        return InputError(
            across.place,
            "the passes stand side by side in columns here",
            "turn the table: one row per product in a tank, with columns pass, date, stage, product, rate and unit",
        )
    if best is None or best[0] < 2:
        name = grids[0].name if grids else ""
        place = grids[0].place(1, 1) if grids and grids[0].cells else Place(file=name)
        what = "the passes of a programme" if kind == "programme" else "products"
        problem = f"no row names the columns of {what}" if any(grid.cells for grid in grids) else "the file is empty"
        return InputError(place, problem, _wanted(needed))
    _, grid, row, found = best
    fields = {said.field for _, said in found.values() if said is not None}
    missing = [choice for choice in needed if not any(field in fields for field in choice)]
    groups = [cell for cell, said in found.values() if said is None and fold(cell.text) in column_words().groups]
    if groups and any("product" in choice or "name" in choice for choice in missing):
        return InputError(
            groups[0].place,
            f"column '{groups[0].text}' names mode-of-action groups only",
            "add a column 'product' or 'active': a group does not say what is in the tank",
        )
    words = " and ".join(" or ".join(f"'{field}'" for field in choice) for choice in missing)
    unknown = [cell.text for cell, said in found.values() if said is None]
    hint = f"; if one of {', '.join(map(repr, unknown[:6]))} is meant, say --map COLUMN=FIELD" if unknown else ""
    where = min(found)
    return InputError(grid.place(row, where), f"column {words} is missing", _wanted(missing) + hint)


_STAGE_CODE = re.compile(r"(?:BBCH|[A-Z]{1,2})\s?[0-9]{1,2}(?:\.[0-9]+)*(?:\s*\(.*)?\Z")  # R3, Z39, F10.5.1, BBCH 65


def _across(grids: Sequence[Grid]) -> Cell | None:
    """The first pass of a sheet whose passes stand in columns: dates across a row, or the headings down a column."""
    for grid in grids:
        for row in grid.rows[:HEADER_WITHIN]:
            own = [cell for cell in grid.row(row) if not cell.merged_from]
            for found in (
                [cell for cell in own if _is_date(cell)],
                [cell for cell in own if _STAGE_CODE.match(cell.raw[:40])],
            ):
                if len(found) >= 2:
                    return found[0]
        down = [grid.row(row)[0] for row in grid.rows[:HEADER_WITHIN]]
        labels = [
            cell for cell in down if not cell.is_number and len(cell.raw) <= 200 and heading(cell.raw, "programme")
        ]
        fields = {said.field for cell in labels if (said := heading(cell.raw, "programme")) is not None}
        if len(fields) >= 2 and fields & {"product", "active"} and len(grid.row(labels[0].row)) > 1:
            return grid.row(labels[0].row)[1]
    return None


def _wanted(needed: Iterable[tuple[str, ...]]) -> str:
    return "head the columns " + ", ".join(" or ".join(choice) for choice in needed)


# --- columns and rows ---------------------------------------------------------------------------------


def _cut(grid: Grid, header: int, kind: str, mapping: Mapping[str, str], remarks: list[str]) -> Found:
    headings = _headings(grid, header, kind, mapping)
    _check_used(mapping, headings, grid, header, kind)
    mapped = {fold(column) for column in mapping}
    columns: dict[str, list[Column]] = {}
    unread: list[int] = []
    for index, (cell, said) in sorted(headings.items()):
        if said is None:
            unread.append(index)
            continue
        column = Column(index=index, title=cell.text, heading=said)
        others = columns.setdefault(said.field, [])
        if others and said.field not in SEVERAL:
            ours = fold(cell.text) in mapped or letters(index).casefold() in mapped
            theirs = fold(others[0].title) in mapped or letters(others[0].index).casefold() in mapped
            if ours == theirs:
                raise InputError(
                    cell.place,
                    f"columns '{others[0].title}' ({address(header, others[0].index)}) and '{cell.text}' both hold "
                    f"'{said.field}'",
                    f'remove one, or say which with --map "COLUMN={said.field}"',
                )
            unread.append(others[0].index if ours else index)
            if ours:
                columns[said.field] = [column]
            continue
        others.append(column)
    rows = [row for row in grid.rows if row > header]
    _unit_column(grid, header, rows, columns, headings, unread, remarks)
    if rows:
        rows = _unit_row(grid, rows, columns, remarks)
    body = _body(grid, header, rows, headings, remarks)
    if kind == "programme":
        ignored = {fold(column) for column, field in mapping.items() if field == IGNORE}
        for index in unread:
            cell = headings[index][0]
            if not ignored & {fold(cell.text), letters(index).casefold()}:
                _check_unread(cell, [grid.cells[row, index] for row in body if (row, index) in grid.cells], columns)
    fields = {one.index for many in columns.values() for one in many}
    for index in grid.columns:
        if index in fields:
            if index in grid.hidden_columns:
                remarks.append(f"column {letters(index)} is hidden; it is read all the same")
            continue
        held = [grid.cells[row, index] for row in body if (row, index) in grid.cells]
        title = f" '{headings[index][0].text}'" if index in headings else ""
        if held or title:
            cells = f" ({cells_named(held)})" if held else ""
            groups = index in headings and fold(headings[index][0].text) in column_words().groups
            why = ": groups come from the product list" if groups else ""
            remarks.append(f"column {letters(index)}{title} is not read{cells}{why}")
    hidden = [row for row in body if row in grid.hidden_rows]
    if hidden:
        remarks.append(f"row {', '.join(map(str, hidden))} is hidden; it is read all the same")
    return Found(
        grid=grid,
        header=header,
        columns={field: tuple(many) for field, many in columns.items()},
        rows=tuple(body),
        above=tuple(row for row in grid.rows if row < header),
        remarks=tuple(remarks),
    )


def _check_unread(title: Cell, held: list[Cell], columns: dict[str, list[Column]]) -> None:
    """A column that plainly holds what the table lacks is not passed over because of its heading.

    Raises:
        InputError: it holds dates or rates, and no other column does.
    """
    for field, holds in (("date", _is_date), ("rate", _is_rate)):
        if field not in columns and held and all(holds(cell) for cell in held):
            raise InputError(
                title.place,
                f"column '{title.text}' looks like the {field} of the passes, but its heading is not known",
                f'say --map "{title.text}={field}", or --map "{title.text}={IGNORE}" to leave it out',
            )


def _is_date(cell: Cell) -> bool:
    return isinstance(cell.value, datetime.date) or bool(sheetdates.LOOKS_LIKE.match(cell.raw.casefold()))


def _is_rate(cell: Cell) -> bool:
    number, unit = re.match(r"\s*([0-9.,]*)\s*(.*)", cell.raw, re.DOTALL).groups()  # type: ignore[union-attr]
    return bool(number) and unit_fits("rate", unit)


def _check_used(
    mapping: Mapping[str, str], headings: dict[int, tuple[Cell, Heading | None]], grid: Grid, header: int, kind: str
) -> None:
    own = set(column_words().fields[kind].values())
    titles = {fold(cell.text): cell.text for cell, _ in headings.values()}
    for column, field in mapping.items():
        if field not in own and field != IGNORE:
            continue  # it is for the other kind of table
        if fold(column) in titles or column.casefold() in {letters(index).casefold() for index in headings}:
            continue
        if field == IGNORE:
            continue  # nothing is lost where there is no such column
        if field in column_words().fields["products"].values() and field in column_words().fields["programme"].values():
            continue  # a field that both kinds of table have: the column may be in the other
        near = nearest(column, titles.values(), count=1)
        cure = f"did you mean '{near[0]}'?" if near else f"its columns are {', '.join(titles.values())}"
        raise InputError(grid.place(header, min(headings)), f"--map: there is no column '{column}'", cure)


def _unit_column(
    grid: Grid,
    header: int,
    rows: list[int],
    columns: dict[str, list[Column]],
    headings: dict[int, tuple[Cell, Heading | None]],
    unread: list[int],
    remarks: list[str],
) -> None:
    """A column without a heading beside the rate that holds nothing but units is the unit column."""
    if "unit" in columns or "rate" not in columns:
        return
    beside = columns["rate"][0].index + 1
    values = [grid.cells[row, beside] for row in rows if (row, beside) in grid.cells]
    if beside in headings or not values or not all(unit_fits("rate", cell.raw) for cell in values):
        return
    columns["unit"] = [Column(index=beside, title="", heading=Heading(field="unit"))]
    remarks.append(
        f"column {letters(beside)} has no heading; guessed to be the unit of the rate ({cells_named(values)})"
    )


def _unit_row(grid: Grid, rows: list[int], columns: dict[str, list[Column]], remarks: list[str]) -> list[int]:
    """A row right below the header that holds nothing but units belongs to the header."""
    first = grid.row(rows[0])
    by_index = {one.index: (field, at) for field, many in columns.items() for at, one in enumerate(many)}
    units = {}
    for cell in first:
        field, at = by_index.get(cell.column, ("", 0))
        text = cell.raw.strip("()[] ")
        if cell.is_number or not field or not unit_fits(field, text):
            return rows
        units[field, at] = text
    if not units:
        return rows
    for (field, at), text in units.items():
        old = columns[field][at]
        columns[field][at] = Column(
            index=old.index, title=old.title, heading=Heading(field=field, unit=text, scale=old.heading.scale)
        )
    remarks.append(f"row {rows[0]} is guessed to hold the units of the columns ({cells_named(first)})")
    return rows[1:]


def _body(
    grid: Grid,
    header: int,
    rows: list[int],
    headings: dict[int, tuple[Cell, Heading | None]],
    remarks: list[str],
) -> list[int]:
    """The rows of the table: no repeated headers, no totals, no remarks below."""
    titles = {index: fold(cell.text) for index, (cell, _) in headings.items()}
    ends = column_words().ends
    body: list[int] = []
    for row in rows:
        cells = grid.row(row)
        own = [cell for cell in cells if not cell.merged_from]
        if own and all(titles.get(cell.column) == fold(cell.raw) for cell in own):
            remarks.append(f"row {row} repeats the header and is not read")
            continue
        first = fold(own[0].raw) if own else ""
        if own and not own[0].is_number and any(re.match(rf"{re.escape(word)}\b", first) for word in ends):
            text = own[0].text
            shown = text if len(text) <= 40 else f"{text[:37]}..."
            remarks.append(f"row {row} is not read: {cells_named(own)} '{shown}'")
            continue
        if not own:
            continue
        body.append(row)
    return body
