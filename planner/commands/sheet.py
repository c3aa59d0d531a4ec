"""``planner sheet``: what goes into the tank, pass by pass, and what to buy for the season."""

from __future__ import annotations

import argparse
from typing import Any

from planner import exits
from planner.commands import common

_EXAMPLES = """
planner sheet programme.yaml
planner sheet programme.yaml --units us
planner sheet passes.csv --field field.yaml --products shop.yaml
planner sheet programme.yaml --format xlsx --output sheet.xlsx
planner sheet programme.yaml --format ics --output passes.ics
"""


def add(subparsers: Any) -> None:
    """The parser of this command."""
    from planner import cli

    parser = cli.command(
        subparsers,
        "sheet",
        _EXAMPLES,
        "Per pass: amounts per load and for the field, loads, nozzle flow, mixing order, re-entry and\n"
        "earliest harvest. For the season: the shopping list, the cost and what a pass must earn.\n"
        "The field's application (water, tank, speed, spacing) is used; what it lacks is named.\n"
        "Exit code 1 where the audit finds a breach; the sheet is written all the same and says so.",
    )
    parser.add_argument("programme", metavar="PROGRAMME", help="programme (YAML, CSV, XLSX), - for stdin")
    parser.add_argument("--field", metavar="FILE", help="field document, where the programme names none (CSV, XLSX)")
    parser.add_argument(
        "--products", metavar="FILE", action="append", help="product list (YAML, CSV, XLSX); may be given again"
    )
    common.add_map(parser)
    common.add_common(parser, ("text", "json", "markdown", "csv", "xlsx", "ics", "html"))


def run(args: argparse.Namespace) -> int:
    """Write the sheet; 1 where the audit finds a breach."""
    from planner.audit import audit
    from planner.documents import load_programme
    from planner.render import blocks, jsonout, reading
    from planner.render import sheet as render
    from planner.sheet import sheet

    chosen = common.settings(args)
    common.check_stdin([args.programme])
    catalogue = common.catalogue(chosen)
    programme = load_programme(
        args.programme,
        catalogue,
        field=args.field,
        products=tuple(args.products) if args.products else None,
        columns=common.columns(args),
    )
    report = audit(programme, catalogue)
    found = sheet(programme, catalogue, chosen.units, report=report)
    common.tell_reading(programme.readings)
    for notice in programme.notices:
        exits.say(f"{programme.file or args.programme}: notice: {notice}")
    answer: Any
    if chosen.format == "json":
        document = render.document(found, catalogue.date, programme.checksum)
        answer = jsonout.dump({**document, "reading": reading.document(programme.readings)})
    elif chosen.format == "csv":
        answer = render.table(found)
    elif chosen.format == "xlsx":
        from planner.documents import csv_to_xlsx

        answer = csv_to_xlsx(render.table(found), "Spray sheet")
    elif chosen.format == "ics":
        from planner.render import ics

        answer = ics.of_programme(found, programme, stamp=catalogue.date)
    elif chosen.format == "html":
        from planner.audit import rules_of
        from planner.render.page import answers

        versions, rules = common.versions(catalogue), rules_of(()).key
        answer = answers.sheet(found, report, versions=versions, rules=rules, sources=catalogue.sources)
    else:
        page = render.page(found, versions=common.versions(catalogue), checksum=programme.checksum)
        wide = common.width() if args.output in (None, "-") else 100
        answer = blocks.to_text(page, wide)
        if chosen.format == "markdown":
            answer = "\n".join([blocks.to_markdown(page), *reading.markdown(programme.readings)])
    inputs = [args.programme, *([args.field] if args.field else []), *(args.products or [])]
    common.deliver(args, answer, inputs)
    return exits.BREACH if found.verdict == "breaches" else exits.DONE
