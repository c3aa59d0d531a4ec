"""``planner audit``: is this programme sound, and if not, what is to change and why?"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from planner import exits
from planner.commands import common, many
from planner.errors import InputError, UnknownName, raise_all
from planner.exits import UsageError

if TYPE_CHECKING:
    from planner.catalogue import Catalogue
    from planner.model import AuditReport, Programme

_EXAMPLES = """
planner audit programme.yaml
planner audit programme.yaml --explain --units us
planner audit sheet.xlsx --field field.yaml --products shop.yaml
planner audit programme.yaml --format history
planner audit farm/*.yaml --format json --output answers.json
planner audit programme.yaml --format html --output programme.html
planner audit district/ --jobs 2 --summary district.csv --odd
cat programme.yaml | planner audit -
"""


def add(subparsers: Any) -> None:
    """The parser of this command."""
    from planner import cli

    parser = cli.command(
        subparsers,
        "audit",
        _EXAMPLES,
        "Audit one or more programmes. The answer begins with the verdict and the one change\n"
        "that would help most. With several programmes: a line each, then those that are not clean.\n"
        "--format history writes this season's passes as YAML for the field document of next season.",
    )
    parser.add_argument("programme", nargs="+", metavar="PROGRAMME", help="programme (YAML, CSV, XLSX), - for stdin")
    parser.add_argument("--field", metavar="FILE", help="field document, where the programme names none (CSV, XLSX)")
    parser.add_argument(
        "--products", metavar="FILE", action="append", help="product list (YAML, CSV, XLSX); may be given again"
    )
    common.add_map(parser)
    parser.add_argument(
        "--engine",
        choices=("auto", "durable-rules", "interpreter"),
        default="auto",
        help="back end of the rules",
    )
    many.add(parser)
    common.add_common(parser, ("text", "json", "markdown", "concise", "history", "html"), explain=True, strict=True)


def run(args: argparse.Namespace) -> int:
    """Audit and answer; 1 where something is breached (with ``--strict`` also where not assessed)."""
    chosen = common.settings(args)
    common.check_stdin(args.programme)
    if chosen.format == "history" and (len(args.programme) > 1 or many.wanted(args)):
        raise UsageError("--format history is for one programme", "name one programme")
    if many.wanted(args):
        return many.run(args, chosen)
    catalogue = common.catalogue(chosen)
    programmes = load(args, catalogue)
    reports = [judge(programme, catalogue, args, chosen) for programme in programmes]
    inputs = [*args.programme, *([args.field] if args.field else []), *(args.products or [])]
    if chosen.format in ("text", "concise", "history"):
        tell_notices(reports)
    elif chosen.format == "html":
        common.tell_reading([one for report in reports for one in report.programme.readings])
    common.deliver(args, render(reports, args, chosen, catalogue), inputs)
    breached = any(report.verdict == "breaches" for report in reports)
    unsure = args.strict and any(report.not_assessed for report in reports)
    return exits.BREACH if breached or unsure else exits.DONE


def load(args: argparse.Namespace, catalogue: Catalogue) -> list[Programme]:
    """All programmes of the command line.

    Raises:
        ManyInputErrors: one error for each document that needs a change.
    """
    from planner.documents import load_programme

    programmes, errors = [], []
    for name in args.programme:
        try:
            products = tuple(args.products) if args.products else None
            programmes.append(
                load_programme(name, catalogue, field=args.field, products=products, columns=common.columns(args))
            )
        except InputError as error:
            errors.append(error)
        except UnknownName as error:
            errors.append(InputError(name, str(error)))
    raise_all(errors)
    return programmes


def judge(programme: Programme, catalogue: Catalogue, args: argparse.Namespace, chosen: common.Settings) -> AuditReport:
    """One report."""
    from planner.audit import audit

    options: dict[str, Any] = {"backend": args.engine}
    if chosen.rules:
        options["rules"] = chosen.rules
    report: AuditReport = audit(programme, catalogue, **options)
    return report


def tell_notices(reports: list[AuditReport]) -> None:
    """How spreadsheets were read, then notices, on standard error; each once."""
    common.tell_reading([one for report in reports for one in report.programme.readings])
    for report in reports:
        file = report.programme.file or report.programme.name
        for notice in dict.fromkeys([*report.programme.notices, *report.notices]):
            exits.say(f"{file}: notice: {notice}")


def render(reports: list[AuditReport], args: argparse.Namespace, chosen: common.Settings, catalogue: Catalogue) -> Any:
    """The answer in the form asked for."""
    if chosen.format == "history":
        from planner.documents import dump_history

        return dump_history(reports[0].programme, catalogue)
    sources = cited(reports, catalogue)
    if chosen.format == "json":
        from planner.render import jsonout

        return jsonout.audit(reports, catalogue_date=catalogue.date, sources=sources)
    if chosen.format == "concise":
        from planner.render import concise

        return concise.audit(reports, units=chosen.units)
    versions = common.versions(catalogue)
    if chosen.format == "html":
        from planner.audit import rules_of
        from planner.render.page import answers, page

        rules = rules_of(tuple(chosen.rules)).key
        sheets = answers.sheets_of(reports[0], catalogue, chosen.units) if len(reports) == 1 else ()
        return page(
            reports, sheets=sheets, units=chosen.units, versions=versions, rules=rules, sources=catalogue.sources
        )
    if chosen.format == "markdown":
        from planner.render import markdown

        return markdown.audit(reports, units=chosen.units, versions=versions, sources=sources)
    from planner.render import text

    options: dict[str, Any] = {
        "width": common.width() if args.output in (None, "-") else 100,
        "units": chosen.units,
        "explain": args.explain,
        "versions": versions,
        "sources": sources,
        "advisers": advisers(chosen) if args.explain else {},
    }
    return text.audit(reports[0], **options) if len(reports) == 1 else text.several(reports, **options)


def cited(reports: list[AuditReport], catalogue: Catalogue) -> dict[str, str]:
    """Words of every bibliography key that a finding names."""
    keys = dict.fromkeys(key for report in reports for finding in report.findings for key in finding.sources)
    known = catalogue.sources if keys else {}
    return {key: known[key].words for key in keys if key in known}


def advisers(chosen: common.Settings) -> dict[str, str]:
    """The adviser's paragraph of each rule."""
    from planner.audit import rules_of

    return {rule.code: rule.words(rule.adviser).strip() for rule in rules_of(chosen.rules).rules if rule.adviser}
