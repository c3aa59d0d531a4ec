"""A sheet of passes becomes the contract's table (``pass,date,stage,...``), every cell with its address."""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable, Mapping, Sequence
from typing import TypeVar

from planner.documents import layout, sheetdates
from planner.documents.cells import address, letters
from planner.documents.columns import column_words, fold
from planner.documents.csvtext import Row, Table
from planner.documents.grid import BLANKS, Cell, Grid
from planner.documents.layout import Found, cells_named
from planner.documents.shapes import AcceptShape
from planner.documents.table import COLUMNS
from planner.errors import InputError, raise_all
from planner.model import CellRead, Place, RowRead, Struct

T = TypeVar("T")

NEEDED: layout.Needed = (("product", "active"), ("date", "stage"))
MOST_QUOTED = 20  # cells whose text is repeated in the remarks; more are named by their addresses alone
_NUMBERED = re.compile(r"(?:[a-z][a-z. ]*)?[#]?\s*0*([0-9]{1,4})(?:st|nd|rd|th|\.)?\Z")
_SEVERAL = re.compile(r"\s+\+\s+|\s*\n\s*|\s*;\s*")
_CONTENT = re.compile(r"\s*\(?[0-9]+(?:[.,][0-9]+)?\s*(?:g/L|g/l|g/kg|%)(?:\s*w/w|\s*w/v)?\)?", re.IGNORECASE)
_BARE = re.compile(r"[0-9]{1,3}(?:\.[0-9]+)*\Z")


class Sheet(Struct, frozen=True, kw_only=True):
    """What a sheet says: its table, what stands above it about the whole programme, and remarks by cell."""

    table: Table
    name: str = ""
    currency: str = ""
    accept: tuple[AcceptShape, ...] = ()
    accept_places: tuple[Place, ...] = ()
    remarks: tuple[str, ...] = ()
    sheet: str = ""
    rows: tuple[RowRead, ...] = ()
    refused: tuple[InputError, ...] = ()  # every cell that cannot be read
    spoilt: frozenset[str] = frozenset()  # the passes that they belong to


class _Reader:
    """Reads one row after the other and keeps what they share."""

    def __init__(self, found: Found) -> None:
        self.found = found
        self.remarks: list[str] = []
        self.rows: list[Row] = []
        self.begun = False
        self.number = 0
        self.label: str | None = None
        self.labels: dict[str, int] = {}
        self.stamp: tuple[str, str] = ("", "")  # date and stage of the pass that is open
        self.numbered = self._numbered()
        self.carried: list[Cell] = []
        self.unread: list[Cell] = []
        self.spare: list[Cell] = []
        self.serials: list[Cell] = []
        self.texts: list[str] = []
        self.refused: list[InputError] = []
        self.spoilt: set[str] = set()  # passes of which a cell is refused
        self.how: dict[tuple[int, str], str] = {}  # row and field -> what was done to its cell
        self.read_rows: list[RowRead] = []

    def _numbered(self) -> bool:
        """Whether every pass cell holds a number, by itself or as ``Pass 2`` or ``T2``, and never goes down."""
        numbers: list[int] = []
        for row in self.found.rows:
            held = self.found.cell(row, "pass")
            if held is None:
                continue
            match = _NUMBERED.match(held[0].raw.casefold())
            if match is None:
                return False
            numbers.append(int(match.group(1)))
        return True

    def read(self, row: int) -> None:
        """One row of the sheet: none, one or several rows of the table. What cannot be read is kept in ``refused``."""
        before = len(self.refused)
        product = self._try(lambda: self._text(row, "product"), "")
        active = self._try(lambda: self._text(row, "active"), "")
        if not product and not active and len(self.refused) == before:
            self._try(lambda: self._empty(row), None)
            return
        date, stage = self._try(lambda: self._date(row), ""), self._try(lambda: self._stage(row), "")
        key = self._try(lambda: self._pass(row, date, stage), str(self.number))
        fields = {
            "pass": key,
            "date": date,
            "stage": stage,
            "water": self._try(lambda: self._amount(row, "water")[0], ""),
            "droplets": self._try(lambda: self._text(row, "droplets"), ""),
            "how": self._try(lambda: self._word(row, "how"), ""),
            "canopy": self._try(lambda: self._word(row, "canopy"), ""),
        }
        nothing: list[tuple[str, str, str, str]] = []
        tank = self._try(lambda: self._tank(row, product, active), nothing)
        self.begun = True
        if len(self.refused) > before:
            self.spoilt.add(key)
            return
        for product_text, active_text, rate, unit in tank:
            cells = {**fields, "product": product_text, "active": active_text, "rate": rate, "unit": unit}
            self.rows.append(
                Row(
                    place=self.found.place(row, "product" if product_text else "active"),
                    cells=tuple(cells[name] for name in COLUMNS),
                    places=tuple(self.found.place(row, name) for name in COLUMNS),
                )
            )
            self.read_rows.append(self._told(row, cells))

    def _try(self, read: Callable[[], T], otherwise: T) -> T:
        try:
            return read()
        except InputError as error:
            self.refused.append(error)
            return otherwise

    def _told(self, row: int, cells: Mapping[str, str]) -> RowRead:
        """What this row was read as, cell by cell."""
        said = dict(cells)
        if said["unit"] and said["rate"]:
            said["rate"] = f"{said['rate']} {said['unit']}"
        told = []
        for field in COLUMNS:
            if field == "unit" or not said[field]:
                continue
            held = self.found.cell(row, field)
            how = self.how.get((row, field), "")
            if held is not None and held[0].merged_from:
                how = f"merged with {held[0].merged_from}"
            elif field in ("rate", "water") and not how and held is not None and held[1].heading.unit:
                bare = self.found.cell(row, "unit") is None or field == "water"
                how = "unit from the heading" if bare and held[0].raw.strip() != said[field] else ""
            told.append(CellRead(cell=self.found.place(row, field).cell, field=field, read=said[field], how=how))
        own = [cell for cell in self.found.grid.row(row) if not cell.merged_from] or self.found.grid.row(row)
        first, last = own[0].place.cell, address(row, own[-1].column)
        return RowRead(place=first if first.endswith(last) else f"{first}:{last}", cells=tuple(told))

    def _text(self, row: int, field: str) -> str:
        held = self.found.cell(row, field)
        if held is None:
            return ""
        cell = held[0]
        if field in ("product", "active") and cell.merged_from and self.found.cell(row, "rate") is None:
            return ""  # one product over several rows, with its rate in the first
        text = cell.text
        return "" if str(cell.value).strip() in BLANKS else text

    def _word(self, row: int, field: str) -> str:
        text = self._text(row, field)
        return column_words().values.get(field, {}).get(fold(text), text.casefold())

    def _empty(self, row: int) -> None:
        """A row without product and active: a remark where it is only text, an error where it looks like a pass."""
        for field in ("rate", "unit", "date", "stage"):
            if (held := self.found.cell(row, field)) is not None and not held[0].merged_from:
                where, text = held[0].place.cell.split("!")[-1], held[0].text[:40]
                raise InputError(
                    self.found.place(row, "product" if "product" in self.found.columns else "active"),
                    f"this cell is empty, but the row has a {field} ({where} '{text}')",
                    "name the product or active, or clear the row",
                )
        self.unread += [cell for cell in self.found.grid.row(row) if not cell.merged_from]

    def _date(self, row: int) -> str:
        held = self.found.cell(row, "date")
        if held is None:
            return ""
        cell, column = held
        if isinstance(cell.value, (datetime.datetime, datetime.date)) and not cell.problem:
            day = cell.value.date() if isinstance(cell.value, datetime.datetime) else cell.value
            return day.isoformat()
        text = cell.text
        if cell.is_number or (self.found.grid.delimiter != "" and re.fullmatch(r"[0-9]{5}", text)):
            self.serials.append(cell)
            self.how[row, "date"] = f"from day number {text}"
            return sheetdates.from_serial(float(text), cell.place, base_1904=self.found.grid.base_1904).isoformat()
        day = sheetdates.from_text(text, cell.place, day_first=column.heading.day_first)
        if day.isoformat() != text and not cell.merged_from:
            self.how[row, "date"] = f"from '{text}'"
            self.texts.append(f"{cell.place.cell} '{text}' as {day.isoformat()}")
        return day.isoformat()

    def _stage(self, row: int) -> str:
        held = self.found.cell(row, "stage")
        if held is None:
            return ""
        cell, column = held
        text = cell.text
        short = re.sub(r"\s*[(\[].*[)\]]\s*\Z", "", text) or text
        if column.heading.scale and _BARE.match(short):
            short = f"{column.heading.scale}{short}"
        if short != text and not cell.merged_from:
            self.how[row, "stage"] = f"from '{text}'"
            self.texts.append(f"{cell.place.cell} '{text}' as {short}")
        return short

    def _pass(self, row: int, date: str, stage: str) -> str:
        """The number of the pass that the row belongs to."""
        held = self.found.cell(row, "pass")
        stamp = (date, stage)
        moved = any(new and new != old for new, old in zip(stamp, self.stamp, strict=True))
        if held is not None:
            label = held[0].text
            if self.numbered:
                match = _NUMBERED.match(label.casefold())
                number = int(match.group(1)) if match else 0
            elif label in self.labels and label != self.label:
                raise InputError(held[0].place, f"pass '{label}' goes on after another pass", "put its rows together")
            else:
                number = self.labels.setdefault(label, len(self.labels) + 1)
            if not self.numbered:
                self.how[row, "pass"] = f"guessed from '{label}'"
            if number != self.number or label != self.label:
                self.stamp = stamp
            self.number, self.label = number, label
            return str(number)
        self.how[row, "pass"] = "guessed"
        if "pass" in self.found.columns:
            if not self.begun:
                raise InputError(self.found.place(row, "pass"), "the first row has no pass number", "fill in the cell")
            if moved:
                raise InputError(
                    self.found.place(row, "pass"),
                    "this cell is empty, but date or stage differ from the row above",
                    "number the pass, or write the date of the pass above",
                )
            self.carried.append(Cell(value="", row=row, column=self.found.columns["pass"][0].index, place=Place()))
            return str(self.number)
        if not self.begun and not any(stamp):
            raise InputError(self.found.place(row, "date"), "the first row has neither date nor stage", "fill in one")
        if not self.begun or moved:
            self.number += 1
            self.stamp = stamp
        return str(self.number)

    def _amount(self, row: int, field: str) -> tuple[str, str]:
        """Text of an amount with its unit from the heading, and the unit apart."""
        held = self.found.cell(row, field)
        if held is None:
            return "", ""
        cell, column = held
        for other in self.found.columns[field]:
            spare = self.found.grid.cells.get((row, other.index))
            if other.index != column.index and spare is not None and not spare.merged_from:
                self.spare.append(spare)
        text = cell.text
        unit = column.heading.unit
        bare = re.fullmatch(r"[+-]?[0-9][0-9.,]*", text) is not None
        if field == "water":
            return (f"{text} {unit}" if bare and unit else text), ""
        return text, unit if bare else ""

    def _tank(self, row: int, product: str, active: str) -> list[tuple[str, str, str, str]]:
        """Product, active, rate and unit of each thing in the tank that this row names."""
        rate, own = self._amount(row, "rate")
        heading = next((one.heading.unit for one in self.found.columns.get("rate", ())), "")
        unit = self._text(row, "unit") or own
        if own and self._text(row, "unit") and fold(own) != fold(self._text(row, "unit")):
            raise InputError(
                self.found.place(row, "unit"),
                f"the unit '{self._text(row, 'unit')}' differs from the heading's, '{own}'",
                "write one of them",
            )
        if product and active:
            active = _CONTENT.sub("", active).strip()
        raw = self.found.cell(row, "product" if product else "active")
        names = [part for part in _SEVERAL.split(raw[0].raw) if part] if raw else []
        rate_cell = self.found.cell(row, "rate")
        rates = [part for part in _SEVERAL.split(rate_cell[0].raw) if part] if rate_cell else []
        if len(names) < 2 or len(rates) < 2:
            return [(product, active, rate, unit if rate else "")]
        if len(rates) != len(names):
            raise InputError(
                self.found.place(row, "rate"),
                f"{len(names)} products stand in one cell, {len(rates)} rates in this one",
                "give each product its own row",
            )
        assert raw is not None
        self.texts.append(f"{raw[0].place.cell} as {len(names)} products in one tank")
        self.how[row, "product" if product else "active"] = self.how[row, "rate"] = "one of several in this cell"
        split = []
        for at, name in enumerate(names):
            name = " ".join(name.split())
            amount = rates[at]
            bare = re.fullmatch(r"[+-]?[0-9][0-9.,]*", amount) is not None
            of = (unit or heading) if bare else ""
            split.append((name, "", amount, of) if product else ("", name, amount, of))
        return split


def read(grids: Sequence[Grid], mapping: Mapping[str, str] | None = None) -> Sheet:
    """The passes that the sheets of one file hold.

    Raises:
        InputError: no such table, or a cell that cannot be read; it names the cell.
    """
    found = layout.find(grids, "programme", NEEDED, mapping or {})
    reader = _Reader(found)
    about = _above(found)
    for row in found.rows:
        reader.read(row)
    header = Place(file=found.grid.name, line=found.header, cell=found.place(found.header, "product").cell)
    if not reader.rows:
        raise_all(reader.refused)
        raise InputError(header, "the table has no rows below its header", "add one row per product in a tank")
    table = Table(
        name=found.grid.name,
        delimiter=found.grid.delimiter or ",",
        header=COLUMNS,
        place=header,
        rows=tuple(reader.rows),
    )
    return Sheet(
        table=table,
        name=about.name,
        currency=about.currency,
        accept=about.accept,
        accept_places=about.accept_places,
        remarks=(_summary(found, reader), *about.remarks, *found.remarks, *_guesses(reader)),
        sheet=found.grid.sheet,
        rows=tuple(reader.read_rows),
        refused=tuple(reader.refused),
        spoilt=frozenset(reader.spoilt),
    )


def _summary(found: Found, reader: _Reader) -> str:
    passes = len({row.cells[0] for row in reader.rows})
    fields = ", ".join(
        f"{field} from {'+'.join(letters(one.index) for one in columns)}" for field, columns in found.columns.items()
    )
    sheet = f"sheet '{found.grid.sheet}', " if found.grid.sheet else ""
    used = list(found.rows)
    rows = f"rows {used[0]} to {used[-1]}" if len(used) > 1 else f"row {used[0]}"
    things = f"{len(reader.rows)} product{'s' if len(reader.rows) > 1 else ''}"
    trips = f"{passes} pass{'es' if passes > 1 else ''}"
    return f"{sheet}header in row {found.header}, {rows} read as {trips} with {things}: {fields}"


def _by_column(cells: list[Cell]) -> list[Cell]:
    return sorted(cells, key=lambda cell: (cell.column, cell.row))


def _guesses(reader: _Reader) -> list[str]:
    said: list[str] = []
    found = reader.found
    if "pass" not in found.columns:
        said.append("no column numbers the passes; guessed that a new date or stage begins a new pass")
    elif not reader.numbered:
        labels = ", ".join(f"'{label}' as pass {number}" for label, number in reader.labels.items())
        said.append(f"guessed from the order: {labels}")
    if reader.carried:
        cells = cells_named(reader.carried)
        said.append(f"{cells}: empty, guessed to go on with the pass above")
    if reader.serials:
        said.append(f"{cells_named(reader.serials)}: day numbers of a spreadsheet, read as dates")
    said += [f"read {text}" for text in reader.texts]
    merged: dict[str, list[Cell]] = {}
    columns = {one.index for many in found.columns.values() for one in many}
    for row in found.rows:
        for cell in found.grid.row(row):
            if cell.merged_from and cell.column in columns:
                merged.setdefault(cell.merged_from, []).append(cell)
    said += [
        f"{first} is merged with {cells_named(cells)}; its value holds for each row" for first, cells in merged.items()
    ]
    if reader.spare:
        said.append(f"{cells_named(_by_column(reader.spare))}: not read, a column to the left says it already")
    if len(reader.unread) <= MOST_QUOTED:
        said += [f"{cells_named([cell])} '{cell.text[:40]}' is not read" for cell in reader.unread]
    else:
        said.append(f"not read: {cells_named(_by_column(reader.unread))}")
    return said


class _About(Struct, frozen=True, kw_only=True):
    name: str = ""
    currency: str = ""
    accept: tuple[AcceptShape, ...] = ()
    accept_places: tuple[Place, ...] = ()
    remarks: tuple[str, ...] = ()


def _above(found: Found) -> _About:
    """What the rows above the header say about the whole programme; all the rest is named as not read."""
    keys = column_words().keys
    name = currency = ""
    accept: list[AcceptShape] = []
    places: list[Place] = []
    remarks: list[str] = []
    for row in found.above:
        cells = [cell for cell in found.grid.row(row) if not cell.merged_from]
        key = keys.get(fold(cells[0].raw)) if cells else None
        if key == "programme" and len(cells) == 2 and not name:
            name = cells[1].text
        elif key == "currency" and len(cells) == 2 and not currency:
            currency = cells[1].text
        elif key == "accept" and len(cells) in (3, 4):
            passes = cells[2].text if len(cells) == 4 and cells[2].text != "all" else ""
            if not re.fullmatch(r"[0-9 ,]*", passes):
                raise InputError(cells[2].place, f"passes '{passes}' are no numbers", "write for example 2, 3")
            numbers = [int(number) for number in re.findall(r"[0-9]{1,6}", passes)]
            accept.append(AcceptShape(rule=cells[1].text, passes=numbers, reason=cells[-1].text))
            places.append(cells[1].place)
        else:
            remarks += [f"{cell.place.cell} '{cell.text[:40]}' is above the header and not read" for cell in cells]
    return _About(
        name=name, currency=currency, accept=tuple(accept), accept_places=tuple(places), remarks=tuple(remarks)
    )
