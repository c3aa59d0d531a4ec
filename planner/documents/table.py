"""A table of passes, one row per product in a tank, becomes the same shapes that a YAML programme has.

The columns are those of the contract: pass, date, stage, product, active, rate, unit, water, droplets, in
any order. Whatever reads a spreadsheet of another kind makes a ``Table`` of it and comes in by
``programme_rows``.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from planner import quantities
from planner.documents.csvtext import Row, Table, decimal
from planner.documents.shapes import PassShape, Path, TankShape
from planner.errors import InputError, UnknownName, nearest
from planner.model import CellRead, Pass, Place, Product, RowRead

if TYPE_CHECKING:
    from planner.catalogue import Catalogue

COLUMNS = ("pass", "date", "stage", "product", "active", "rate", "unit", "water", "droplets", "how", "canopy")
_OPTIONAL = ("how", "canopy")  # beyond the contract's columns, so that every programme can be a table
_NUMBER = re.compile(r"[+-]?[0-9.,]+\Z")
_AMOUNT = re.compile(r"([+-]?[0-9][0-9.,]*)(\s*[^0-9.,\s\-\u2013].*)\Z")


class RowOrigin:
    """Tells where a value of a table-born programme stands: the row of its tank entry, or the first of
    its pass.
    """

    def __init__(self, table: Table) -> None:
        self.data: Any = {}
        self._top = Place(file=table.name, line=1)
        self._places: dict[Path, Place] = {}
        self.spoilt: set[int] = set()  # passes of which something is refused
        self.claims: dict[tuple[int, int], tuple[str, Place]] = {}  # pass, entry -> what the row says is in it

    def note(self, path: Path, place: Place) -> None:
        """Remember where the value at ``path`` stands."""
        self._places[path] = place

    def place(self, path: Path = ()) -> Place:
        """Place of the value, or of its nearest parent that has one."""
        while path and path not in self._places:
            path = path[:-1]
        return self._places.get(path, self._top)


def programme_rows(
    table: Table, refused: list[InputError], spoilt: set[str]
) -> tuple[list[PassShape], RowOrigin, list[str]]:
    """Passes of a table, where each stands, and notices on columns that are not read.

    Args:
        refused: takes what is wrong in single rows (rows of one pass contradict each other, a number can mean two
            things), so that all of it is told at once.
        spoilt: pass numbers of which a cell is refused already; those refused here are added. Such a pass holds
            only what could be read.

    Raises:
        InputError: a column is missing or misspelt, or the passes are not in order.
    """
    columns, notices = _columns(table)
    origin = RowOrigin(table)
    groups: list[tuple[str, list[Row]]] = []
    seen: set[str] = set()
    for row in table.rows:
        key = row.cells[columns["pass"]]
        if not key:
            raise InputError(_place(row, columns, "pass"), "this row has no pass number", "fill in the column 'pass'")
        if groups and groups[-1][0] == key:
            groups[-1][1].append(row)
        elif key in seen:
            raise InputError(
                _place(row, columns, "pass"),
                f"pass {key} goes on after another pass",
                "put the rows of one pass under each other",
            )
        else:
            groups.append((key, [row]))
            seen.add(key)
    if not groups:
        raise InputError(table.place, "the table has no rows below its header", "add one row per product in a tank")
    _check_numbers(groups, columns)
    passes = []
    for index, (key, rows) in enumerate(groups):
        before = len(refused)
        passes.append(_one_pass(index, rows, columns, origin, table, refused))
        if key in spoilt or len(refused) > before:
            spoilt.add(key)
            origin.spoilt.add(index)
    return passes, origin, notices


def _one_pass(
    index: int,
    rows: list[Row],
    columns: dict[str, int],
    origin: RowOrigin,
    table: Table,
    refused: list[InputError],
) -> PassShape:
    origin.note(("passes", index), rows[0].place)
    common: dict[str, str | None] = {}
    for name in ("date", "stage", "water", "droplets", "how", "canopy"):
        try:
            common[name], place = _common(rows, columns, name)
        except InputError as error:
            refused.append(error)
            common[name], place = None, rows[0].place
        origin.note(("passes", index, name), place)
    tank: list[TankShape] = []
    for row in rows:
        at = len(tank)  # rows that are refused leave no gap
        path: Path = ("passes", index, "tank", at)
        origin.note(path, row.place)
        for name, column in (("product", "product"), ("active", "active"), ("rate", "rate"), ("dose", "rate")):
            origin.note((*path, name), _place(row, columns, column))
        try:
            tank.append(_tank_row(row, columns, table))
        except InputError as error:
            refused.append(error)
        if _cell(row, columns, "product") and _cell(row, columns, "active"):
            origin.claims[index, at] = (_cell(row, columns, "active"), _place(row, columns, "active"))
    try:
        return _pass(common, tank, origin, ("passes", index), table)
    except InputError as error:
        refused.append(error)
        return PassShape(tank=tank)


def rows_told(table: Table) -> tuple[RowRead, ...]:
    """What the rows of a table that is read by line were read as."""
    columns = {title.casefold().strip(): index for index, title in enumerate(table.header)}
    told = []
    for row in table.rows:
        said = {name: _cell(row, columns, name) for name in COLUMNS}
        if said["unit"]:
            said["rate"] = f"{said['rate']} {said['unit']}"
        cells = tuple(
            CellRead(cell=_where(row, columns, name), field=name, read=said[name])
            for name in COLUMNS
            if name != "unit" and said[name]
        )
        told.append(RowRead(place=_where(row, columns, "pass"), cells=cells))
    return tuple(told)


def _where(row: Row, columns: dict[str, int], key: str) -> str:
    place = _place(row, columns, key)
    return place.cell or str(place.line)


def check_claims(origin: RowOrigin, passes: Sequence[Pass], products: Sequence[Product], catalogue: Catalogue) -> None:
    """Hold the 'active' cell beside a product against the product list.

    Raises:
        InputError: the row says that another active is in the product than the list does.
    """
    listed = {product.name: product for product in products}
    for (index, entry), (text, place) in origin.claims.items():
        product = listed[str(passes[index].tank[entry].product)]
        for part in re.split(r"\s*(?:[+&/;,]|\band\b)\s*", text):
            try:
                name = catalogue.active(part).name
            except UnknownName as error:
                raise InputError(place, f"unknown active '{part}'", error.cure or "write its ISO name") from None
            if name not in product.actives:
                raise InputError(
                    place,
                    f"the row says {name} is in '{product.name}', the product list says {_said(product)}",
                    "correct one of the two",
                )


def _said(product: Product) -> str:
    return ", ".join(product.actives) or "it has no actives"


def _columns(table: Table) -> tuple[dict[str, int], list[str]]:
    columns: dict[str, int] = {}
    extra: list[str] = []
    for index, title in enumerate(table.header):
        key = title.casefold().strip()
        if key in columns:
            raise InputError(table.place, f"column '{title}' is given twice", "keep one of the two")
        if key in COLUMNS:
            columns[key] = index
        else:
            extra.append(title)
    for title in extra:
        near = nearest(title, [key for key in COLUMNS if key not in columns and key not in _OPTIONAL], count=1)
        if near and title:
            raise InputError(
                table.place,
                f"unknown column '{title}'",
                f"did you mean {near[0]}? If not, rename or remove it",
            )
    for choice in (("pass",), ("date", "stage"), ("product", "active")):
        if not any(key in columns for key in choice):
            missing = " or ".join(f"'{key}'" for key in choice)
            raise InputError(
                table.place,
                f"column {missing} is missing",
                f"write the header {','.join(COLUMNS[:9])} (any order)",
            )
    names = [f"'{title}'" for title in extra if title]
    notices = [f"{table.place}: column {', '.join(names)} is not read"] if len(names) == 1 else []
    if len(names) > 1:
        notices = [f"{table.place}: columns {', '.join(names)} are not read"]
    return columns, notices


def _check_numbers(groups: list[tuple[str, list[Row]]], columns: dict[str, int]) -> None:
    numbers: list[int] = []
    for key, rows in groups:
        place = _place(rows[0], columns, "pass")
        if not re.fullmatch(r"[0-9]{1,4}", key):
            raise InputError(place, f"pass '{key}' is no number", "number the passes 1, 2, 3")
        if numbers and int(key) <= numbers[-1]:
            raise InputError(place, f"pass {key} stands below pass {numbers[-1]}", "put the passes in order")
        numbers.append(int(key))


def _cell(row: Row, columns: dict[str, int], key: str) -> str:
    return row.cells[columns[key]] if key in columns else ""


def _place(row: Row, columns: dict[str, int], key: str) -> Place:
    return row.place_of(columns[key]) if key in columns else row.place


def _common(rows: list[Row], columns: dict[str, int], key: str) -> tuple[str | None, Place]:
    """The value that the rows of one pass share, and where it stands; an empty cell repeats the one above."""
    found: str | None = None
    place = _place(rows[0], columns, key)
    for row in rows:
        text = _cell(row, columns, key)
        if not text:
            continue
        if found is not None and text != found:
            raise InputError(
                _place(row, columns, key),
                f"{key} '{text}' differs from '{found}' above in the same pass",
                "write one of them",
            )
        if found is None:
            found, place = text, _place(row, columns, key)
    return found, place


def _pass(
    common: dict[str, str | None], tank: list[TankShape], origin: RowOrigin, path: Path, table: Table
) -> PassShape:
    how, canopy = common["how"] or "foliar", common["canopy"]
    for key, text, allowed in (
        ("how", how, ("foliar", "seed", "in-furrow")),
        ("canopy", canopy, ("open", "closing", "closed")),
    ):
        if text is not None and text not in allowed:
            where = origin.place((*path, key))
            raise InputError(where, f"{key} cannot be '{text}'", f"write one of {', '.join(allowed)}")
    water = common["water"]
    return PassShape(
        date=common["date"],
        stage=common["stage"],
        how=how,  # type: ignore[arg-type]  # checked above
        tank=tank,
        water=_amount(water, "", "water", ("water",), origin.place((*path, "water")), table) if water else None,
        droplets=common["droplets"],
        canopy=canopy,  # type: ignore[arg-type]
    )


def _tank_row(row: Row, columns: dict[str, int], table: Table) -> TankShape:
    product, active = _cell(row, columns, "product"), _cell(row, columns, "active")
    if not product and not active:
        raise InputError(row.place, "this row names neither product nor active", "fill in one of the two columns")
    rate, unit = _cell(row, columns, "rate"), _cell(row, columns, "unit")
    place = _place(row, columns, "rate")
    if unit and not rate:
        raise InputError(place, f"this row has a unit ({unit}) but no rate", "fill in the rate, or clear the unit")
    if product:
        # an 'active' cell beside a product says what is in it: see check_claims
        text = _amount(rate, unit, "rate", ("liquid_rate", "solid_rate"), place, table) if rate else None
        return TankShape(product=product, rate=text)
    text = _amount(rate, unit, "dose", ("dose",), place, table) if rate else None
    return TankShape(active=active, dose=text)


def _amount(text: str, unit: str, key: str, dimensions: tuple[str, ...], place: Place, table: Table) -> str:
    """Number and unit as one text; a decimal comma becomes a point where it cannot mean thousands."""
    found = _AMOUNT.match(text)
    number, own = found.groups() if found else (text, "")
    if own and unit and own.strip().casefold() != unit.casefold():
        raise InputError(place, f"{key} '{text}' has a unit, and the unit column says '{unit}'", "write one of them")
    clean = decimal(number, table.delimiter)
    if clean is None or (not found and not _NUMBER.match(number)):
        if clean is None:
            raise InputError(
                place,
                f"{key} '{text}': the comma may be a decimal comma or mark thousands",
                "write it with a decimal point, for example 1.0, or without separator, for example 1000",
            )
        raise InputError(place, f"{key} '{text}' is no number", f"write {quantities.example(dimensions)}")
    if not (own or unit):
        raise quantities.bare_number(clean, dimensions, place=place, name=key)
    return f"{clean} {(own or unit).strip()}"
