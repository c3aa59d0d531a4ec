"""What every command shares: common options, the settings file, the catalogue, handing over the answer."""

from __future__ import annotations

import argparse
import gc
import re
import sys
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from planner import __version__, places
from planner.errors import InputError, nearest
from planner.model import Place, Struct

if TYPE_CHECKING:
    from planner.catalogue import Catalogue
    from planner.model import SheetRead
    from planner.render.console import Answer

SETTINGS_FILE = "planner.yaml"
_KEYS = ("catalog", "rules", "units", "format")
UNITS = ("metric", "us")
FORMATS = (
    "text",
    "json",
    "markdown",
    "concise",
    "html",
    "yaml",
    "csv",
    "xlsx",
    "ics",
    "history",
)  # of all commands together

System = Literal["metric", "us"]


class Settings(Struct, frozen=True, kw_only=True):
    """Options of one run after the settings file has had its say; the command line wins."""

    catalog: tuple[str, ...] = ()
    rules: tuple[str, ...] = ()
    units: System = "metric"
    format: str = "text"


def add_common(
    parser: argparse.ArgumentParser,
    formats: Sequence[str] = ("text", "json"),
    *,
    explain: bool = False,
    strict: bool = False,
) -> None:
    """Options that mean the same for every command. ``formats``: what it can write, the first by default."""
    group = parser.add_argument_group("answer")
    group.add_argument("--format", choices=tuple(formats), metavar="|".join(formats), help="form of the answer")
    group.add_argument("-o", "--output", metavar="FILE", help="write the answer to FILE, whole or not at all")
    group.add_argument("--units", choices=UNITS, metavar="metric|us", help="units of the answer")
    group.add_argument("--no-color", action="store_true", help="no colour (NO_COLOR does the same)")
    if explain:
        group.add_argument("--explain", action="store_true", help="the adviser's depth: evidence, caps, sources")
    if strict:
        group.add_argument("--strict", action="store_true", help="exit 1 also when a point could not be assessed")
    data = parser.add_argument_group("data")
    data.add_argument("--catalog", metavar="DIR", action="append", help="lay your own catalogue folder over ours")
    data.add_argument("--rules", metavar="DIR", action="append", help="lay your own rules folder over ours")
    data.add_argument("--debug", action="store_true", help=argparse.SUPPRESS)
    parser.set_defaults(_formats=tuple(formats))


def add_map(parser: argparse.ArgumentParser) -> None:
    """The option that tells what a spreadsheet's column holds."""
    parser.add_argument(
        "--map",
        metavar="COLUMN=FIELD",
        action="append",
        default=[],
        help="a spreadsheet's column, by heading or letter, holds FIELD (pass, date, stage, product, active, rate, "
        "unit, water, droplets ..., or ignore); may be given again",
    )


def columns(args: argparse.Namespace) -> dict[str, str]:
    """Column and field of every ``--map``.

    Raises:
        InputError: one of them is not COLUMN=FIELD, or a column is given twice.
    """
    found: dict[str, str] = {}
    for text in args.map:
        column, sign, field = text.rpartition("=")
        column, field = column.strip(), field.strip().casefold()
        if not sign or not column or not field:
            raise InputError("--map", f"'{text}' is not COLUMN=FIELD", 'write for example --map "Trade name=product"')
        if found.setdefault(column, field) != field:
            raise InputError("--map", f"column '{column}' is given to {found[column]} and {field}", "keep one of them")
    return found


def settings(args: argparse.Namespace) -> Settings:
    """Options of this run: the command line first, then the nearest ``planner.yaml``, then the defaults.

    Raises:
        InputError: ``planner.yaml`` has an unknown key or value.
    """
    found = read_settings(Path.cwd())
    formats: tuple[str, ...] = getattr(args, "_formats", FORMATS)
    chosen = getattr(args, "format", None) or (found.format if found.format in formats else formats[0])
    return Settings(
        catalog=tuple(getattr(args, "catalog", None) or found.catalog),
        rules=tuple(getattr(args, "rules", None) or found.rules),
        units=getattr(args, "units", None) or found.units,
        format=chosen,
    )


def read_settings(start: Path) -> Settings:
    """The settings of the nearest ``planner.yaml`` from ``start`` upwards; its folders are relative to it."""
    path = next((one / SETTINGS_FILE for one in (start, *start.parents) if (one / SETTINGS_FILE).is_file()), None)
    if path is None:
        return Settings()
    from planner import yamlio

    document = yamlio.read(path)
    data = {} if document.data is None else document.data
    if not isinstance(data, dict):
        raise InputError(Place(file=str(path), line=1), "settings are keys with values", f"write {', '.join(_KEYS)}")
    values: dict[str, Any] = {}
    for key, value in data.items():
        place = document.place((key,))
        if key not in _KEYS:
            near = nearest(str(key), _KEYS, count=1)
            cure = f"did you mean {near[0]}?" if near else f"known keys: {', '.join(_KEYS)}"
            raise InputError(place, f"unknown setting '{key}'", cure)
        if key in ("catalog", "rules"):
            names = value if isinstance(value, list) else [value]
            if not all(isinstance(name, str) for name in names):
                raise InputError(place, f"'{key}' is a folder or a list of folders", f"write {key}: my-{key}")
            values[key] = tuple(str((path.parent / name).resolve()) for name in names)
        else:
            allowed = UNITS if key == "units" else FORMATS
            if value not in allowed:
                raise InputError(place, f"'{key}' cannot be '{value}'", f"write one of {', '.join(allowed)}")
            values[key] = value
    return Settings(**values)


def catalogue(chosen: Settings) -> Catalogue:
    """The catalogue with the user's folders laid over it."""
    from planner.catalogue import load

    for name in (*chosen.catalog, *chosen.rules):
        if not Path(name).is_dir():
            raise InputError(name, "there is no such folder", "check the names after --catalog and --rules")
    found = load(catalog_dirs=chosen.catalog, rules_dirs=chosen.rules)
    gc.freeze()  # it lives as long as the process: every full collection would look through all of it, 0.1 s each
    tell_stale(found)
    return found


def today() -> date:
    """The day of this run: it decides on the warning below and on nothing in an answer."""
    return date.today()


def tell_stale(catalogue: Catalogue) -> None:
    """Warn on standard error where the day has passed by which the catalogue was to be reviewed."""
    due = catalogue.review_by
    if due and today().isoformat()[: len(due)] > due:
        from planner import exits

        exits.say(
            f"planner: the catalogue of {catalogue.date} was to be reviewed by {due}; resistance reports and limits "
            "may have changed since: hold the answer against this year's labels and recommendations"
        )


def catalogue_date() -> str:
    """Date of the shipped catalogue, read without loading it."""
    try:
        text = (places.folder("catalog") / "catalogue.yaml").read_text(encoding="utf-8")
    except (OSError, FileNotFoundError):
        return "unknown"
    found = re.search(r"^date:\s*'?\"?(\d{4}-\d{2}-\d{2})", text, re.MULTILINE)
    return found.group(1) if found else "unknown"


def engine_name() -> str:
    """Back end with its version, found without importing it: ``durable-rules 2.0.28``."""
    from importlib.metadata import PackageNotFoundError, version
    from importlib.util import find_spec

    if sys.version_info < (3, 13):
        try:
            if find_spec("durable") is not None:
                return f"durable-rules {version('durable-rules')}"
        except (PackageNotFoundError, ImportError, ValueError):
            pass
    return "interpreter (the planner's own)"


def versions(catalogue: Catalogue) -> str:
    """Planner and catalogue for the last line of an answer."""
    return f"planner {__version__}, catalogue {catalogue.version} of {catalogue.date}"


def width() -> int:
    """Columns for standard output."""
    from planner.render import console

    return console.width_of(sys.stdout)


def deliver(args: argparse.Namespace, answer: Answer | bytes, inputs: Sequence[str] = ()) -> None:
    """Write the answer where the options say; a written file is told on standard error.

    Raises:
        InputError: the file cannot be written, or a workbook would go to a terminal.
    """
    from planner import exits
    from planner.render import console

    if isinstance(answer, bytes):
        if args.output not in (None, "-"):
            console.save(answer, args.output, inputs=inputs)
            exits.say(f"planner: written to {args.output}")
            return
        if console.is_terminal(sys.stdout) and b"\0" in answer:
            raise InputError("--format", "a workbook cannot be shown on a terminal", "add --output FILE.xlsx")
        sys.stdout.flush()
        sys.stdout.buffer.write(answer)
        sys.stdout.buffer.flush()
        return
    exits.gap()
    console.deliver(answer, output=args.output, no_color=args.no_color, inputs=inputs)
    if args.output not in (None, "-"):
        exits.say(f"planner: written to {args.output}")


def tell_reading(readings: Sequence[SheetRead]) -> None:
    """How spreadsheets were read, row by row, on standard error; each file once."""
    if readings:
        from planner import exits
        from planner.render import reading

        for line in reading.lines(list({one.file: one for one in readings}.values())):
            exits.say(line)


def check_stdin(names: Sequence[str]) -> None:
    """Refuse ``-`` twice, and ``-`` on a terminal where nothing is piped.

    Raises:
        InputError: as said.
    """
    if list(names).count("-") > 1:
        raise InputError("-", "standard input can be read only once", "name the other documents by file")
    if "-" in names:
        from planner.render import console

        if console.is_terminal(sys.stdin):
            raise InputError("-", "nothing is piped to standard input", "write 'planner audit - < programme.yaml'")
