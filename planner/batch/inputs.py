"""Finds the programmes of a batch: files, folders of files, or one table of rows keyed by field."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterator, Sequence
from pathlib import Path

from planner import yamlio
from planner.errors import InputError
from planner.model import Place, Struct

PROGRAMME_SUFFIXES = (".yaml", ".yml", ".csv", ".xlsx")
FIELD_COLUMN = "field"
MAX_TABLE_BYTES = 100_000_000  # one table may hold a district; 1 million rows of a programme fit


class Job(Struct, frozen=True, kw_only=True):
    """One programme to judge: a file, or the rows of one field out of a table (as CSV text)."""

    name: str
    rows: str = ""
    field: str = ""
    products: tuple[str, ...] = ()
    problem: str = ""  # why it cannot be judged, where that is known before it is read


def find(sources: Sequence[str], *, field: str | None = None, products: Sequence[str] = ()) -> Iterator[Job]:
    """Jobs in a fixed order: sources as given, folders by path.

    Raises:
        InputError: a source does not exist, or a table lacks what it needs.
    """
    for source in sources:
        path = Path(source)
        if path.is_dir():
            for name in sorted(_programmes_below("" if str(path) == "." else f"{str(path).rstrip(os.sep)}{os.sep}")):
                yield Job(name=name, field=field or "", products=tuple(products))
        elif not path.exists():
            raise InputError(source, "there is no such file or folder", "check the name")
        elif path.suffix == ".parquet" or (path.suffix == ".csv" and _is_keyed(path)):
            yield from _table(path, products)
        else:
            yield Job(name=str(path), field=field or "", products=tuple(products))


def _programmes_below(folder: str) -> Iterator[str]:
    """Files in ``folder`` (empty, or with its separator) and in the folders below; a link to a folder is not followed.

    A folder that may not be read is passed over.
    """
    folders = [folder]
    for inside in folders:
        try:
            entries = list(os.scandir(inside or "."))
        except OSError:
            continue
        for entry in entries:
            path = f"{inside}{entry.name}"
            if entry.is_dir(follow_symlinks=False):
                folders.append(f"{path}{os.sep}")
            elif os.path.splitext(entry.name)[1] in PROGRAMME_SUFFIXES and _is_file(entry) and _says_programme(path):
                yield path


def _is_file(entry: os.DirEntry[str]) -> bool:
    """A regular file, or a link to one."""
    return entry.is_file(follow_symlinks=False) or os.path.isfile(entry.path)


def _says_programme(path: str) -> bool:
    """Field documents and product lists lie beside programmes; a file's first 4 kB say which of them it is."""
    if not path.endswith((".yaml", ".yml")):
        return True
    try:
        with open(path, "rb", buffering=0) as file:
            content = file.read(4096)
    except OSError:
        return True  # the job itself will say what is wrong with it
    if content.startswith(b"programme:"):
        return True
    head = content.decode("utf-8", errors="replace")
    kinds = [line.partition(":")[0].strip() for line in head.splitlines() if line and not line[0].isspace()]
    first = next((kind for kind in kinds if kind in ("programme", "field", "products", "passes")), "programme")
    return first in ("programme", "passes") or "passes" in kinds


def _is_keyed(path: Path) -> bool:
    with open(path, encoding="utf-8-sig", errors="replace") as file:
        header = file.readline()
    return any(name.strip().casefold() == FIELD_COLUMN for name in header.replace(";", ",").split(","))


def _table(path: Path, products: Sequence[str]) -> Iterator[Job]:
    """One job per field of a table whose column ``field`` names the field documents (beside the table)."""
    header, rows = _parquet(path) if path.suffix == ".parquet" else _csv(path)
    names = [name.strip().casefold() for name in header]
    if FIELD_COLUMN not in names:
        raise InputError(str(path), "the table has no column 'field'", "add one that names each row's field document")
    at = names.index(FIELD_COLUMN)
    grouped: dict[str, list[list[str]]] = {}
    for row in rows:
        if any(cell.strip() for cell in row):
            grouped.setdefault(row[at] if at < len(row) else "", []).append(row)
    for key, members in grouped.items():
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow([name for index, name in enumerate(header) if index != at])
        writer.writerows([cell for index, cell in enumerate(row) if index != at] for row in members)
        yield Job(
            name=f"{path}#{key}",
            rows=text.getvalue(),
            field=str(path.parent / key) if key else "",
            products=tuple(products),
            problem=_problem(path, key),
        )


def _problem(path: Path, key: str) -> str:
    """A table that somebody sent may name field documents only inside its own folder."""
    try:
        inside = (path.parent / key).resolve().is_relative_to(path.parent.resolve())
    except (OSError, RuntimeError, ValueError):
        inside = False
    if inside:
        return ""
    return f"{path}: field {key[:80]!r} lies outside the folder of this table; put the field document beside the table"


def _csv(path: Path) -> tuple[list[str], list[list[str]]]:
    text = yamlio.decode(yamlio.read_bytes(path, limit=MAX_TABLE_BYTES), name=str(path))
    header = text.partition("\n")[0]
    delimiter = ";" if header.count(";") > header.count(",") else ","
    reader = csv.reader(io.StringIO(text), delimiter=delimiter, strict=True)
    try:
        rows = list(reader)
    except csv.Error as error:
        place = Place(file=str(path), line=reader.line_num)
        raise InputError(
            place, f"this row is no CSV ({error})", "close every quote, double a quote inside quotes"
        ) from None
    return (rows[0], rows[1:]) if rows else ([], [])


def _parquet(path: Path) -> tuple[list[str], list[list[str]]]:
    try:
        from pyarrow import parquet
    except ImportError:
        cure = "pip install 'planner[parquet]', or save the table as CSV"
        raise InputError(str(path), "reading Parquet needs pyarrow, which is not installed", cure) from None
    from pyarrow.lib import ArrowException

    try:
        table = parquet.read_table(path)
    except (ArrowException, OSError) as error:
        what = str(error).partition("\n")[0][:120]
        raise InputError(str(path), f"this is no Parquet file ({what})", "write the table again, or as CSV") from None
    columns = [["" if cell is None else str(cell) for cell in column.to_pylist()] for column in table.columns]
    return list(table.column_names), [list(row) for row in zip(*columns, strict=True)]
