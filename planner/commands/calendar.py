"""``planner calendar``: when each stage, infection window and spray window of a field falls."""

from __future__ import annotations

import argparse
import io
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from planner import exits
from planner.commands import common
from planner.errors import InputError

if TYPE_CHECKING:
    from planner.catalogue import Catalogue
    from planner.model import Programme, SheetRead

_EXAMPLES = """
planner calendar field.yaml
planner calendar field.yaml --products shop.yaml
planner calendar programme.yaml
planner calendar programme.yaml --move 2=+7d
planner calendar field.yaml --all --format json
planner calendar programme.yaml --format ics --output season.ics
"""


def add(subparsers: Any) -> None:
    """The parser of this command."""
    from planner import cli

    parser = cli.command(
        subparsers,
        "calendar",
        _EXAMPLES,
        "Stage dates with their spread and what each rests on, the infection window and best\n"
        "timing of each target, and the last day of each listed product. With a programme also\n"
        "the first and last day of each pass; with --move what an audit says before and after.",
    )
    parser.add_argument("document", metavar="FIELD", help="field document or programme (YAML, CSV, XLSX), - for stdin")
    parser.add_argument("--field", metavar="FILE", help="field document, where a programme names none (CSV, XLSX)")
    parser.add_argument("--products", metavar="FILE", action="append", help="product list; may be given again")
    common.add_map(parser)
    parser.add_argument(
        "--move",
        metavar="PASS=DAYS",
        action="append",
        default=[],
        help="what if a pass went on later or earlier: 2=+7d, 2=-3d, 2=2026-07-20; may be given again",
    )
    parser.add_argument("--all", action="store_true", dest="every", help="all stages of the crop's scales")
    common.add_common(parser, ("text", "json", "markdown", "ics", "html"), explain=True)


def run(args: argparse.Namespace) -> int:
    """Show the calendar; always 0 where the input can be read."""
    from planner.calendar import calendar
    from planner.render import blocks, jsonout, reading
    from planner.render import calendar as render

    chosen = common.settings(args)
    common.check_stdin([args.document])
    catalogue = common.catalogue(chosen)
    moves = {}
    if args.move:
        from planner import moves as moving

        moves = moving.read(args.move)
    programme = load(args, catalogue)
    if moves and not programme.passes:
        raise InputError(args.document, "a field has no passes to move", "name a programme")
    found = calendar(programme, catalogue)
    moved = moving.move(programme, catalogue, moves) if moves else None
    common.tell_reading(programme.readings)
    for notice in programme.notices:
        exits.say(f"{programme.file or args.document}: notice: {notice}")
    answer: Any
    if chosen.format == "json":
        document = render.document(found, moved, catalogue.date)
        answer = jsonout.dump({**document, "reading": reading.document(programme.readings)})
    elif chosen.format == "ics":
        from planner.render import ics

        if moved is not None:
            problem = "a calendar file holds one set of dates"
            raise InputError("--move", problem, "change the dates in the programme")
        answer = ics.of_calendar(found, programme, catalogue)
    else:
        page = render.page(
            found,
            moved=moved,
            every=args.every,
            explain=args.explain,
            units=chosen.units,
            versions=common.versions(catalogue),
        )
        wide = common.width() if args.output in (None, "-") else 100
        if chosen.format == "html":
            from planner.audit import audit, rules_of
            from planner.render.page import answers

            judged = [audit(programme, catalogue)] if programme.passes else []
            answer = answers.calendar(
                found,
                page,
                judged,
                versions=common.versions(catalogue),
                rules=rules_of(()).key,
                units=chosen.units,
                sources=catalogue.sources,
                inputs=_inputs(args),
            )
            common.deliver(args, answer, _inputs(args))
            return exits.DONE
        answer = blocks.to_text(page, wide)
        if chosen.format == "markdown":
            answer = "\n".join([blocks.to_markdown(page), *reading.markdown(programme.readings)])
    common.deliver(args, answer, _inputs(args))
    return exits.DONE


def _inputs(args: argparse.Namespace) -> list[str]:
    """Files that are read, so that no answer replaces one of them."""
    return [args.document, *([args.field] if args.field else []), *(args.products or [])]


def load(args: argparse.Namespace, catalogue: Catalogue) -> Programme:
    """The programme, or the field as a programme without passes, with the products that are named.

    Raises:
        InputError: the document is wrong.
    """
    from planner.documents import load_field, load_products, load_programme
    from planner.model import Programme

    source, columns = args.document, common.columns(args)
    stdin = io.BytesIO(sys.stdin.buffer.read()) if source == "-" else None
    if args.field is not None or is_programme(source, stdin):
        return load_programme(
            source,
            catalogue,
            field=args.field,
            products=tuple(args.products) if args.products else None,
            stdin=stdin,
            columns=columns,
        )
    field = load_field(source, catalogue, stdin=stdin)
    notices: list[str] = []
    readings: list[SheetRead] = []
    listed = args.products or ()
    products = load_products(listed, catalogue, columns=columns, notices=notices, readings=readings) if listed else ()
    return Programme(
        field=field,
        products=products,
        passes=(),
        file=str(source),
        notices=tuple(notices),
        readings=tuple(readings),
    )


def is_programme(source: str, stdin: io.BytesIO | None) -> bool:
    """Whether the document holds passes; a document that cannot be read is left for the loader to refuse."""
    if Path(source).suffix.casefold() in (".csv", ".tsv", ".tab", ".xlsx"):
        return True
    from planner import yamlio

    try:
        content = stdin.getvalue() if stdin is not None else Path(source).read_bytes()
        data = yamlio.read(content, name=source).data
    except (InputError, OSError):
        return False
    return isinstance(data, dict) and "passes" in data
