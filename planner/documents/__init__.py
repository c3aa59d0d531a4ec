"""Documents that a user writes become the model: fields, product lists and programmes, from YAML and CSV.

Every load is strict: the first thing that is wrong ends it with an ``InputError`` that says file, line,
what is wrong and what to write instead. What comes out is resolved: names in the catalogue's spelling,
group keys normal, amounts in base units, products loaded. Passes keep what was written: a pass with a
stage alone has no date here (``planner.season`` gives it the field's).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from planner import yamlio
from planner.documents import sheets
from planner.documents.dump import (
    bare,
    dump_field,
    dump_history,
    dump_products,
    dump_programme,
    history_entry,
)
from planner.documents.field import build_field
from planner.documents.files import Files, display
from planner.documents.names import Names, currency, title
from planner.documents.products import build_product, build_products, folded
from planner.documents.programme import build_accept, build_passes, check_calendar
from planner.documents.shapes import (
    FieldShape,
    Part,
    ProductListShape,
    ProductShape,
    ProgrammeShape,
    shaped,
)
from planner.documents.table import check_claims, programme_rows
from planner.documents.writesheet import csv_to_xlsx, dump_csv, dump_xlsx
from planner.errors import InputError, raise_all
from planner.model import Field, Place, Product, Programme, SheetRead

if TYPE_CHECKING:
    from planner.catalogue import Catalogue

__all__ = [
    "bare",
    "csv_to_xlsx",
    "dump_csv",
    "dump_field",
    "dump_history",
    "dump_products",
    "dump_programme",
    "dump_xlsx",
    "history_entry",
    "load_field",
    "load_products",
    "load_programme",
]


KEPT_BYTES = 100_000  # no field document above this is kept; one with a season of daily temperatures has some 10 kB


def load_programme(
    source: str | Path,
    catalogue: Catalogue,
    *,
    field: str | Path | None = None,
    products: Sequence[str | Path] | None = None,
    stdin: BinaryIO | None = None,
    allow_outside: bool = False,
    columns: Mapping[str, str] | None = None,
) -> Programme:
    """A programme with its field and products.

    Args:
        source: path of a YAML, CSV or XLSX document, ``-`` for standard input.
        catalogue: for names.
        field, products: documents that are used instead of those that the programme names.
        stdin: what ``-`` reads; the process's standard input where it is left out.
        allow_outside: documents may name files outside their own folder.
        columns: heading or letters of a column -> field, for spreadsheets whose headings are not known.

    Raises:
        InputError: the document or one that it names is wrong.
    """
    files = Files(stdin, allow_outside=allow_outside, columns=columns)
    content = files.read(source)
    name = display(source)
    if sheets.is_sheet(source, content):
        return _from_table(content, source, name, catalogue, field, products, files)
    document = yamlio.read(content, name=name)
    _check_kind(document, "programme")
    shape = shaped(document, ProgrammeShape, "programme")
    part = Part(document)
    loaded_field = _programme_field(shape, part, catalogue, field, files, source)
    listed = _programme_products(shape, part, catalogue, products, files, source)
    passes = build_passes(shape.passes, part.at("passes"), loaded_field, listed, catalogue)
    notices = check_calendar(passes, part.at("passes"), loaded_field, catalogue)
    return Programme(
        name=title(shape.name, part, "name"),
        field=loaded_field,
        products=listed,
        passes=passes,
        accept=build_accept(shape.accept, part.at("accept"), passes, catalogue),
        currency=_one_currency(currency(shape.currency, part, "currency"), loaded_field, listed, part.place),
        file=name,
        checksum=files.checksum,
        notices=(*files.notices, *notices),
        readings=tuple(files.readings),
    )


def load_field(
    source: str | Path, catalogue: Catalogue, *, stdin: BinaryIO | None = None, allow_outside: bool = False
) -> Field:
    """A field document.

    Raises:
        InputError: it is wrong.
    """
    return _load_field(source, catalogue, Files(stdin, allow_outside=allow_outside))


def load_products(
    sources: str | Path | Sequence[str | Path],
    catalogue: Catalogue,
    *,
    stdin: BinaryIO | None = None,
    columns: Mapping[str, str] | None = None,
    notices: list[str] | None = None,
    readings: list[SheetRead] | None = None,
) -> tuple[Product, ...]:
    """The products of one or several lists (YAML, CSV or XLSX), in order.

    Args:
        columns: heading or letters of a column -> field, for spreadsheets whose headings are not known.
        notices: takes what was guessed or not read in spreadsheets.
        readings: takes how each row of them was read.

    Raises:
        InputError: a list is wrong, or two lists hold one product name.
    """
    paths = [sources] if isinstance(sources, (str, Path)) else list(sources)
    files = Files(stdin, columns=columns)
    found = _load_products(paths, catalogue, files)
    if notices is not None:
        notices += files.notices
    if readings is not None:
        readings += files.readings
    return found


def _load_field(source: str | Path, catalogue: Catalogue, files: Files) -> Field:
    content, name = files.read(source), display(source)
    read = _field_of if len(content) <= KEPT_BYTES else _field_of.__wrapped__
    found = read(content, name, catalogue)
    return found if isinstance(found, Field) else build_field(*found, catalogue, files, source)


@lru_cache(maxsize=32)
def _field_of(content: bytes, name: str, catalogue: Catalogue) -> Field | tuple[FieldShape, Part]:
    """One field; kept, because a season's alternatives name the same one. Not yet built where it names a further file,
    which may change while the document does not.
    """
    document = yamlio.read(content, name=name)
    _check_kind(document, "field document")
    shape, part = shaped(document, FieldShape, "field document"), Part(document)
    return (shape, part) if isinstance(shape.temperatures, str) else build_field(shape, part, catalogue, Files(), name)


def _load_products(paths: Sequence[str | Path], catalogue: Catalogue, files: Files) -> tuple[Product, ...]:
    found: dict[str, Product] = {}
    for path in paths:
        content = files.read(path)
        if sheets.is_sheet(path, content):
            products, read = _sheet_list(content, display(path), catalogue, tuple(sorted(files.columns.items())))
            files.notices += [f"{read.file}: {remark}" for remark in read.remarks]
            files.readings.append(read)
        else:
            products = _list_of(content, display(path), catalogue)
        for product in products:
            _add(found, product)
    return tuple(found.values())


@lru_cache(maxsize=8)
def _sheet_list(
    content: bytes, name: str, catalogue: Catalogue, columns: tuple[tuple[str, str], ...]
) -> tuple[tuple[Product, ...], SheetRead]:
    """The products of a spreadsheet, and how it was read."""
    sheet = sheets.product_list(content, name, dict(columns))
    shape = shaped(sheet, ProductListShape, "product list")
    refused: list[InputError] = []
    products = build_products(shape, Part(sheet), catalogue, refused)
    raise_all(_in_order(refused))
    read = SheetRead(file=name, sheet=sheet.sheet, holds="products", rows=sheet.rows, remarks=sheet.remarks)
    return products, read


@lru_cache(maxsize=32)
def _list_of(content: bytes, name: str, catalogue: Catalogue) -> tuple[Product, ...]:
    """One list; kept, because many programmes name the same one and most of a load is reading it."""
    document = yamlio.read(_without_version(content), name=name)
    _check_kind(document, "product list")
    shape = shaped(document, ProductListShape, "product list")
    return build_products(shape, Part(document), catalogue)


def _add(found: dict[str, Product], product: Product) -> None:
    key = folded(product.name)
    if key in found:
        raise InputError(
            product.place,
            f"product '{product.name}' is listed already, in {found[key].place}",
            "keep one of the two",
        )
    found[key] = product


def _without_version(content: bytes) -> bytes:
    """The list without its line ``products: 1``.

    The contract's example gives the key ``products`` twice, once for kind and version and once for the
    list. Twice the same key is no YAML, so the first is taken off here; its line stays, empty, and all
    line numbers hold.
    """
    lines = content.split(b"\n")
    for index, line in enumerate(lines):
        bare_line = line.removeprefix(b"\xef\xbb\xbf").split(b"#")[0].strip()
        if bare_line in (b"products: 1", b"products:  1"):
            later = any(other.startswith(b"products:") for other in lines[index + 1 :])
            if later:
                lines[index] = b""
                return b"\n".join(lines)
        if bare_line.startswith(b"products:"):
            return content
    return content


def _programme_field(
    shape: ProgrammeShape,
    part: Part,
    catalogue: Catalogue,
    override: str | Path | None,
    files: Files,
    source: str | Path,
) -> Field:
    if override is not None:
        return _load_field(override, catalogue, files)
    written = shape.field
    here = part.at("field")
    if written is None:
        raise part.error(
            "the programme names no field",
            "add field: FILE or the field's keys, or name a document with --field",
        )
    if isinstance(written, FieldShape):
        return build_field(written, here, catalogue, files, source)
    return _load_field(files.beside(written, source, here.place, "field"), catalogue, files)


def _programme_products(
    shape: ProgrammeShape,
    part: Part,
    catalogue: Catalogue,
    override: Sequence[str | Path] | None,
    files: Files,
    source: str | Path,
) -> tuple[Product, ...]:
    if override:
        return _load_products(override, catalogue, files)
    written = shape.products
    here = part.at("products")
    if written is None:
        return ()
    if isinstance(written, str):
        return _load_products([files.beside(written, source, here.place, "products")], catalogue, files)
    found: dict[str, Product] = {}
    names = Names(catalogue)
    of = currency(shape.currency, part, "currency")
    for index, entry in enumerate(written):
        if isinstance(entry, ProductShape):
            _add(found, build_product(entry, here.at(index), names, of, False))
        else:
            path = files.beside(entry, source, here.at(index).place, "products")
            for product in _load_products([path], catalogue, files):
                _add(found, product)
    return tuple(found.values())


def _one_currency(own: str, field: Field, products: Sequence[Product], place: Place) -> str:
    """The one currency of all prices; two of them cannot be added up."""
    found = {"the programme": own, "the field": field.currency}
    for product in products:
        if product.currency and product.price is not None:
            found.setdefault(f"'{product.name}'", product.currency)
    priced = {where: code for where, code in found.items() if code}
    codes = list(dict.fromkeys(priced.values()))
    if len(codes) > 1:
        first, second = (next(where for where, code in priced.items() if code == one) for one in codes[:2])
        raise InputError(
            place,
            f"prices are in two currencies: {first} in {codes[0]}, {second} in {codes[1]}",
            "give all prices in one currency",
        )
    return codes[0] if codes else ""


def _from_table(
    content: bytes,
    source: str | Path,
    name: str,
    catalogue: Catalogue,
    field: str | Path | None,
    products: Sequence[str | Path] | None,
    files: Files,
) -> Programme:
    sheet = sheets.programme(content, name, files.columns)
    refused = list(sheet.refused)
    try:
        shapes, origin, notices = programme_rows(sheet.table, refused, set(sheet.spoilt))
    except InputError as error:
        raise_all([*refused, error])
        raise
    notices = [*sheet.remarks, *notices]
    if field is None:
        raise_all(refused)
        raise InputError(name, "a table of passes names no field", "name the field document with --field")
    loaded_field = _load_field(field, catalogue, files)
    listed = _load_products(products, catalogue, files) if products else ()
    part = Part(origin, ("passes",))
    passes = build_passes(shapes, part, loaded_field, listed, catalogue, refused, origin.spoilt)
    raise_all(_in_order(refused))
    notices += check_calendar(passes, part, loaded_field, catalogue)
    check_claims(origin, passes, listed, catalogue)
    for index, place in enumerate(sheet.accept_places):
        origin.note(("accept", index), place)
    stem = Path(str(source)).stem if str(source) != "-" else ""
    of = currency(sheet.currency or None, Part(origin), "currency")
    return Programme(
        name=sheet.name or stem,
        field=loaded_field,
        products=listed,
        passes=passes,
        accept=build_accept(sheet.accept, Part(origin, ("accept",)), passes, catalogue),
        currency=_one_currency(of, loaded_field, listed, Place(file=name)),
        file=name,
        checksum=files.checksum,
        notices=(*notices, *files.notices),
        readings=(
            SheetRead(file=name, sheet=sheet.sheet, rows=sheet.rows, remarks=sheet.remarks),
            *files.readings,
        ),
    )


def _in_order(refused: Sequence[InputError]) -> list[InputError]:
    """As they stand in the sheet, whatever step refused them."""

    def order(one: InputError) -> tuple[int, int, str]:
        if not isinstance(one.place, Place):
            return (0, 0, "")
        column = one.place.cell.rpartition("!")[2].rstrip("0123456789")
        return (one.place.line, len(column), column)

    return sorted(refused, key=order)


_KEYS_OF = {
    "programme": ("passes", "a programme"),
    "product list": ("products", "a product list"),
    "field document": ("crop", "a field document"),
}


def _check_kind(document: yamlio.Document, wanted: str) -> None:
    """A document of another kind is named as such, not as a heap of unknown keys."""
    data = document.data
    if not isinstance(data, dict) or _KEYS_OF[wanted][0] in data:
        return
    for kind, (key, words) in _KEYS_OF.items():
        if kind != wanted and key in data and (kind != "product list" or isinstance(data[key], list)):
            raise document.error((), f"this is {words}, and a {wanted} belongs here", f"name a {wanted}")
