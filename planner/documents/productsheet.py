"""A sheet of products becomes the data of a product list: one row per product, or several for its actives and crops."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from planner.documents import layout
from planner.documents.cells import address
from planner.documents.columns import fold, unit_fits
from planner.documents.grid import BLANKS, Grid
from planner.documents.layout import Found
from planner.documents.products import folded
from planner.documents.shapes import Path
from planner.errors import InputError, raise_all
from planner.model import CellRead, Place, RowRead, Struct

NEEDED: layout.Needed = (("name",), ("active", "content", "price", "rate", "rate_least", "rate_most", "kind"))
_PARTS = re.compile(r"\s*(?:\+|\n|;|&)\s*|\s*,\s+(?=[a-z])")
_ACTIVE = re.compile(r"(?P<name>[^0-9(]*[^0-9(\s])\s*\(?\s*(?P<content>[0-9][0-9.,]*\s*[^0-9\s()][^()]*)?\)?\Z")
_RANGE = re.compile(r"([0-9.,]+)\s*([^0-9.,\-\u2013\s][^0-9\-\u2013]*)?\s*(?:-|\u2013|to)\s*([0-9.,]+)\s*(.*)\Z")
_MONEY = re.compile(
    r"(?P<code>[A-Z]{3})?\s*[$€£]?\s*(?P<number>[0-9][0-9.,]*)\s*(?P<code2>[A-Z]{3}\b)?\s*(?P<unit>.*)\Z"
)
_LABEL_TEXT = ("interval", "harvest_interval", "water", "reentry", "protection")
_LABEL_COUNT = ("applications", "consecutive")


class ProductSheet(Struct, frozen=True, kw_only=True):
    """Data as a YAML product list has it, where each value stands, and remarks by cell."""

    data: dict[str, Any]
    places: dict[tuple[str | int, ...], Place]
    name: str
    remarks: tuple[str, ...]
    sheet: str = ""
    rows: tuple[RowRead, ...] = ()

    def place(self, path: Path = ()) -> Place:
        """Place of the value, or of its nearest parent that has one."""
        while path and path not in self.places:
            path = path[:-1]
        return self.places.get(path, Place(file=self.name))


class _Builder:
    """Gathers products row by row."""

    def __init__(self, found: Found) -> None:
        self.found = found
        self.products: list[dict[str, Any]] = []
        self.index: dict[str, int] = {}
        self.places: dict[tuple[str | int, ...], Place] = {}
        self.currencies: dict[str, Place] = {}
        self.remarks: list[str] = []
        self.goes_on: dict[int, str] = {}  # row without a name -> the product it is guessed to go on with

    def row(self, row: int) -> bool:
        """One row: a product, or a further active or crop of one. Whether anything of it was read."""
        name = self._text(row, "name")
        if not name:
            held = [cell for cell in self.found.grid.row(row) if not cell.merged_from]
            if not self.products or not any(self.found.cell(row, field) for field in ("active", "crop")):
                self.remarks += [f"{cell.place.cell} '{cell.text[:40]}' is not read" for cell in held]
                return False
            at = len(self.products) - 1
            self.goes_on[row] = str(self.products[at]["name"])
            self.remarks.append(
                f"{self.found.place(row, 'name').cell}: empty, guessed to go on with '{self.products[at]['name']}'"
            )
        else:
            key = folded(name)
            if key not in self.index:
                self.index[key] = len(self.products)
                self.products.append({"name": name})
                self._note((self.index[key],), row, "name")
                self._note((self.index[key], "name"), row, "name")
            at = self.index[key]
        self._actives(row, at)
        self._facts(row, at)
        self._label(row, at)
        return True

    def told(self, row: int) -> RowRead:
        """What the cells of this row were read as."""
        cells = []
        if row in self.goes_on:
            where = self.found.place(row, "name").cell
            cells.append(CellRead(cell=where, field="name", read=self.goes_on[row], how="guessed"))
        for field in self.found.columns:
            text = self._amount(row, field)
            held = self.found.cell(row, field)
            if held is None or not text:
                continue
            text = self._price(row, text) if field == "price" else text
            how = f"merged with {held[0].merged_from}" if held[0].merged_from else ""
            if not how and text != self._text(row, field):
                how = "unit from the heading"
            cells.append(CellRead(cell=held[0].place.cell, field=field, read=text, how=how))
        own = [cell for cell in self.found.grid.row(row) if not cell.merged_from] or self.found.grid.row(row)
        first, last = own[0].place.cell, address(row, own[-1].column)
        return RowRead(place=first if first.endswith(last) else f"{first}:{last}", cells=tuple(cells))

    def _note(self, path: tuple[str | int, ...], row: int, field: str) -> None:
        self.places["products", *path] = self.found.place(row, field)

    def _text(self, row: int, field: str) -> str:
        held = self.found.cell(row, field)
        text = held[0].text if held is not None else ""
        return "" if text in BLANKS else text

    def _amount(self, row: int, field: str) -> str:
        """An amount with the heading's unit where it has none of its own."""
        held = self.found.cell(row, field)
        text = self._text(row, field)
        if held is None or not text:
            return ""
        unit = held[1].heading.unit
        return f"{text} {unit}" if unit and re.fullmatch(r"[0-9][0-9.,]*", text) else text

    def _actives(self, row: int, at: int) -> None:
        held = self.found.cell(row, "active")
        text = self._text(row, "active")
        if held is None or not text:
            return
        cell, column = held
        names = [part for part in _PARTS.split(cell.raw) if part and part.strip()]
        contents_cell = self.found.cell(row, "content")
        contents = [part for part in _PARTS.split(contents_cell[0].raw) if part.strip()] if contents_cell else []
        if contents and len(contents) != len(names):
            raise InputError(
                self.found.place(row, "content"),
                f"{len(names)} actives stand beside {len(contents)} contents",
                "write one content for each active",
            )
        unit = contents_cell[1].heading.unit if contents_cell else column.heading.unit
        actives = self.products[at].setdefault("actives", {})
        for number, part in enumerate(names):
            match = _ACTIVE.match(" ".join(part.split()))
            if match is None:
                raise InputError(
                    cell.place, f"'{part.strip()}' is no active with its content", "write azoxystrobin 250 g/L"
                )
            name = match["name"].strip(" ,:=-") if not contents else part.strip()
            content = contents[number].strip() if contents else (match["content"] or "").strip()
            if not content:
                raise InputError(
                    self.found.place(row, "content"), f"the content of {name} is not given", f"write {name} 250 g/L"
                )
            if re.fullmatch(r"[0-9][0-9.,]*", content):
                content = f"{content} {unit}" if unit else content
            if name in actives and actives[name] != content:
                raise InputError(cell.place, f"{name} stands twice with different contents", "correct one of the two")
            actives[name] = content
            self.places["products", at, "actives", name] = self.found.place(row, "content" if contents else "active")

    def _facts(self, row: int, at: int) -> None:
        product = self.products[at]
        for field in ("kind", "formulation", "price", "on_hand"):
            text = self._amount(row, field)
            if field == "price" and text:
                text = self._price(row, text)
            if field == "kind":
                text = text.casefold()
            if not text:
                continue
            if product.setdefault(field, text) != text:
                raise InputError(
                    self.found.place(row, field),
                    f"{field} '{text}' differs from '{product[field]}' above for '{product['name']}'",
                    "write one of them",
                )
            self._note((at, field), row, field)
        if self._text(row, "demo").casefold() in ("yes", "true", "demo", "x", "1"):
            product["demo"] = True
        if code := self._text(row, "currency"):
            self.currencies.setdefault(code.upper(), self.found.place(row, "currency"))

    def _price(self, row: int, text: str) -> str:
        """``41.00 per L`` from a number, with the unit from the cell or the heading; a currency code is kept apart."""
        match = _MONEY.match(text)
        held = self.found.cell(row, "price")
        if match is None or held is None:
            return text
        code = match["code"] or match["code2"]
        bracket = re.search(r"\b([A-Z]{3})\b", held[1].title)
        if code or bracket:
            self.currencies.setdefault(str(code or (bracket and bracket.group(1))), held[0].place)
        unit = re.sub(r"\A(?:per\b|/)\s*", "", match["unit"].strip())
        if not unit:
            said = re.search(r"(?:\bper\b|/)\s*([A-Za-z ]+)", held[1].title)
            unit = said.group(1).strip() if said else ""
        return f"{match['number']} per {unit}" if unit and unit_fits("price", f"per {unit}") else text

    def _label(self, row: int, at: int) -> None:
        fields = {field: self._amount(row, field) for field in _LABEL_TEXT}
        counts = {field: self._text(row, field) for field in _LABEL_COUNT}
        stages = (self._text(row, "first_stage"), self._text(row, "last_stage"))
        rate = self._rate(row)
        crop = self._text(row, "crop")
        if not crop:
            if any((*fields.values(), *counts.values(), *stages, rate)):
                raise InputError(
                    self.found.place(row, "crop"),
                    f"the label of '{self.products[at]['name']}' names no crop",
                    "add a column 'crop': a label's limits are for one crop",
                )
            return
        labels = self.products[at].setdefault("label", {})
        name = fold(crop).replace(" ", "-")
        label = labels.setdefault(name, {})
        path: tuple[str | int, ...] = ("products", at, "label", name)
        self.places.setdefault(path, self.found.place(row, "crop"))
        if rate:
            self._set(
                label,
                "rate",
                rate,
                path,
                self.found.place(row, "rate" if "rate" in self.found.columns else "rate_least"),
            )
        for field, text in fields.items():
            if text:
                self._set(label, field, text, path, self.found.place(row, field))
        for field, text in counts.items():
            if text:
                if not re.fullmatch(r"[0-9]{1,3}", text):
                    raise InputError(
                        self.found.place(row, field), f"{field} '{text}' is no number", "write for example 2"
                    )
                self._set(label, field, int(text), path, self.found.place(row, field))
        if any(stages):
            if not all(stages):
                raise InputError(
                    self.found.place(row, "first_stage" if not stages[0] else "last_stage"),
                    "first and last stage go together",
                    "fill in both cells, or neither",
                )
            self._set(label, "stages", list(stages), path, self.found.place(row, "first_stage"))

    def _set(self, label: dict[str, Any], field: str, value: Any, path: tuple[str | int, ...], place: Place) -> None:
        if label.setdefault(field, value) != value:
            raise InputError(place, f"{field} differs from what a row above says", "write one of them")
        self.places.setdefault((*path, field), place)

    def _rate(self, row: int) -> list[str]:
        least, most = self._amount(row, "rate_least"), self._amount(row, "rate_most")
        if least or most:
            if not (least and most):
                raise InputError(
                    self.found.place(row, "rate_least" if not least else "rate_most"),
                    "least and most rate go together",
                    "fill in both cells, or neither",
                )
            return [least, most]
        held, text = self.found.cell(row, "rate"), self._text(row, "rate")
        if held is None or not text:
            return []
        unit = held[1].heading.unit
        match = _RANGE.match(text)
        if match is None:
            one = self._amount(row, "rate")
            return [one, one]
        low, low_unit, high, high_unit = match.groups()
        own = (high_unit or low_unit or unit or "").strip()
        return [f"{low} {(low_unit or own).strip()}".strip(), f"{high} {own}".strip()]


def read(grids: Sequence[Grid], mapping: Mapping[str, str] | None = None) -> ProductSheet:
    """The products that the sheets of one file hold.

    Raises:
        InputError: no such table, or a cell that cannot be read; it names the cell.
    """
    found = layout.find(grids, "products", NEEDED, mapping or {})
    builder = _Builder(found)
    refused: list[InputError] = []
    rows: list[RowRead] = []
    for row in found.rows:
        try:
            if builder.row(row):
                rows.append(builder.told(row))
        except InputError as error:
            refused.append(error)
    raise_all(refused)
    if not builder.products:
        raise InputError(
            found.place(found.header, "name"), "the list has no rows below its header", "add one per product"
        )
    data: dict[str, Any] = {}
    codes = list(builder.currencies)
    if len(codes) > 1:
        raise InputError(
            builder.currencies[codes[1]], f"prices are in {codes[0]} and {codes[1]}", "write one list for each currency"
        )
    places = dict(builder.places)
    if codes:
        data["currency"] = codes[0]
        places["currency",] = builder.currencies[codes[0]]
    data["products"] = builder.products
    above = [cell for row in found.above for cell in found.grid.row(row) if not cell.merged_from]
    remarks = [
        f"header in row {found.header}, {len(builder.products)} product{'s' if len(builder.products) > 1 else ''} read",
        *(f"{cell.place.cell} '{cell.text[:40]}' is above the header and not read" for cell in above),
        *found.remarks,
        *builder.remarks,
    ]
    return ProductSheet(
        data=data,
        places=places,
        name=found.grid.name,
        remarks=tuple(remarks),
        sheet=found.grid.sheet,
        rows=tuple(rows),
    )
