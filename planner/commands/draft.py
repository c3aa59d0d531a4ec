"""``planner draft``: the best sound programmes for a field from what can be bought, with reasons."""

from __future__ import annotations

import argparse
import datetime
from typing import TYPE_CHECKING, Any

from planner import exits
from planner.commands import common
from planner.errors import InputError, UnknownName

if TYPE_CHECKING:
    from planner.catalogue import Catalogue
    from planner.draft.result import Draft
    from planner.model import Accept, AuditReport, Field, Pass, Product, SheetRead

_EXAMPLES = """
planner draft field.yaml --products shop.yaml
planner draft field.yaml --products shop.yaml --passes 2 --budget 90
planner draft field.yaml --products shop.yaml --avoid 'FRAC 11' -o plan.yaml
planner draft field.yaml --products shop.xlsx --format xlsx -o plan.xlsx
planner draft field.yaml --products shop.yaml --keep sprayed.yaml --from R3
"""


def add(subparsers: Any) -> None:
    """The parser of this command."""
    from planner import cli

    parser = cli.command(
        subparsers,
        "draft",
        _EXAMPLES,
        "Draft the best sound programmes: the cheapest, the best covered, the gentlest on resistance and\n"
        "the balanced one side by side, then the balanced one in full with what keeps the rest out.",
    )
    parser.add_argument("field", metavar="FIELD", help="field document, - for stdin")
    parser.add_argument(
        "--products", metavar="FILE", action="append", required=True, help="what can be bought; may be given again"
    )
    common.add_map(parser)
    parser.add_argument("--passes", metavar="N", help="number of passes, or a range such as 1-3 (kept ones count)")
    parser.add_argument("--budget", metavar="MONEY", type=float, help="most money per hectare to pay")
    parser.add_argument(
        "--top",
        metavar="K",
        type=int,
        default=0,
        help="list K programmes that none beats as well, those nearest to balanced",
    )
    parser.add_argument(
        "--avoid", metavar="NAME", action="append", default=[], help="a group, active or product to do without"
    )
    parser.add_argument("--keep", metavar="FILE", help="programme with the passes already made or decided")
    parser.add_argument("--from", dest="start", metavar="DATE|STAGE", help="first day of the new passes")
    parser.add_argument(
        "--target",
        metavar="NAME",
        action="append",
        default=[],
        help="only this target of the field; may be given again",
    )
    parser.add_argument("--seconds", metavar="S", type=float, default=300.0, help="longest search (300)")
    common.add_common(parser, ("text", "json", "markdown", "yaml", "csv", "xlsx", "html"), explain=True)


def run(args: argparse.Namespace) -> int:
    """Search and answer."""
    from planner.render import console

    chosen = common.settings(args)
    common.check_stdin(_inputs(args))
    console.may_write(args.output, inputs=_inputs(args))
    catalogue = common.catalogue(chosen)
    field, products, keep, accept, _checksum = _documents(args, catalogue)
    answer = search(args, catalogue, field, products, keep, accept)
    _deliver(args, chosen, answer, catalogue)
    return exits.DONE


def _inputs(args: argparse.Namespace) -> list[str]:
    return [args.field, *args.products, *([args.keep] if args.keep else [])]


def _documents(
    args: argparse.Namespace, catalogue: Catalogue
) -> tuple[Field, tuple[Product, ...], tuple[Pass, ...], tuple[Accept, ...], str]:
    from planner.documents import load_field, load_products, load_programme

    field = load_field(args.field, catalogue)
    notices: list[str] = []
    columns = common.columns(args)
    readings: list[SheetRead] = []
    products = load_products(args.products, catalogue, columns=columns, notices=notices, readings=readings)
    common.tell_reading(readings)
    for notice in notices:
        exits.say(f"planner: notice: {notice}")
    keep: tuple[Pass, ...] = ()
    accept: tuple[Accept, ...] = ()
    if args.keep:
        kept = load_programme(args.keep, catalogue, field=args.field, products=args.products, columns=columns)
        keep, accept = kept.passes, kept.accept
    return _only_targets(field, args.target, catalogue), products, keep, accept, ""


def _only_targets(field: Field, names: list[str], catalogue: Catalogue) -> Field:
    """The field with those of its targets that are named; a target that it lacks is added."""
    from msgspec import structs

    from planner.model import FieldTarget

    if not names:
        return field
    listed = {entry.target: entry for entry in field.targets or ()}
    try:
        ids = [catalogue.target(field.crop, name).id for name in names]
    except UnknownName as error:
        raise InputError("--target", f"unknown target '{error.name}'", error.cure) from error
    targets = tuple(listed.get(one) or FieldTarget(target=one) for one in dict.fromkeys(ids))
    return structs.replace(field, targets=targets)


def avoided(names: list[str], products: tuple[Product, ...], catalogue: Catalogue) -> list[str]:
    """Group keys, actives and product names in the catalogue's spelling."""
    found = []
    by_name = {product.name.casefold(): product.name for product in products}
    for name in names:
        if name.casefold() in by_name:
            found.append(by_name[name.casefold()])
        elif catalogue.has_active(name):
            found.append(catalogue.active(name).name)
        else:
            try:
                found.append(catalogue.normal_group(name))
            except UnknownName as error:
                raise InputError(
                    "--avoid",
                    f"'{name}' is no group, active or product here",
                    "write 'FRAC 11', an active or a product's name",
                ) from error
    return found


def _passes(text: str | None) -> tuple[int, int] | None:
    if text is None:
        return None
    low, dash, high = text.partition("-")
    if not low.isdigit() or (dash and not high.isdigit()) or (dash and int(high) < int(low)):
        raise InputError("--passes", f"'{text}' is no number of passes", "write --passes 3 or --passes 1-3")
    return int(low), int(high) if dash else int(low)


def _start(text: str | None, field: Field, catalogue: Catalogue, keep: tuple[Pass, ...]) -> int | None:
    """The first day of new passes."""
    from planner.season import Season

    if text is None:
        return None
    try:
        return datetime.date.fromisoformat(text).toordinal()
    except ValueError:
        pass
    try:
        day, _ = Season(field, catalogue.crop(field.crop), catalogue, keep).day(text)
    except UnknownName as error:
        raise InputError(
            "--from", f"'{text}' is no date and no stage", "write --from 2026-07-20 or --from R3"
        ) from error
    if day is None:
        raise InputError("--from", f"no date is known for stage {text}", "write a date, such as --from 2026-07-20")
    return day


def search(
    args: argparse.Namespace,
    catalogue: Catalogue,
    field: Field,
    products: tuple[Product, ...],
    keep: tuple[Pass, ...],
    accept: tuple[Accept, ...],
) -> Draft:
    """All of the work between documents and answer."""
    from planner.audit import rules_of
    from planner.draft import result
    from planner.draft.options import Space
    from planner.draft.solve import Wanted

    if not field.targets:
        exits.say("planner: notice: the field names no targets, so cover cannot be counted; add targets:")
    wanted = Wanted(passes=_passes(args.passes), budget=args.budget)
    rules = tuple(args.rules or ())
    space = Space(
        field,
        products,
        catalogue,
        keep=keep,
        accept=accept,
        avoid=avoided(args.avoid, products, catalogue),
        start=_start(args.start, field, catalogue, keep),
        rulebook=rules_of(rules),
    )
    exits.say(
        f"planner: {len(space.slots)} dates, {len(space.columns)} passes to choose from; Ctrl-C gives the best so far"
    )
    return result.make(
        space,
        wanted,
        rules=rules,
        top=args.top,
        seconds=args.seconds,
        told=lambda line: exits.say(f"planner: {line}"),
    )


def _deliver(args: argparse.Namespace, chosen: common.Settings, answer: Draft, catalogue: Catalogue) -> None:
    from planner.documents import dump_csv, dump_programme, dump_xlsx
    from planner.render import console
    from planner.render import draft as render

    inputs = _inputs(args)
    report = answer.reports.get("balanced") or next(iter(answer.reports.values()))
    if chosen.format == "json":
        common.deliver(args, render.as_json(answer), inputs)
        return
    if chosen.format == "yaml":
        common.deliver(args, dump_programme(report.programme), inputs)
        return
    if chosen.format in ("csv", "xlsx"):
        made = dump_csv(report.programme) if chosen.format == "csv" else dump_xlsx(report.programme)
        common.deliver(args, made, inputs)
        return
    if chosen.format == "markdown":
        common.deliver(args, _markdown(answer, report, args, chosen, catalogue), inputs)
        return
    if chosen.format == "html":
        from planner.audit import rules_of
        from planner.render.page import answers

        rules = rules_of(tuple(chosen.rules)).key
        versions = common.versions(catalogue)
        made = answers.draft(answer, catalogue, units=chosen.units, versions=versions, rules=rules, inputs=inputs)
        common.deliver(args, made, inputs)
        return
    if args.output not in (None, "-"):
        console.deliver(dump_programme(report.programme), output=args.output, inputs=inputs)
        exits.say(f"planner: the balanced programme is written to {args.output}")
    lines = render.show(
        answer, width=common.width(), units=chosen.units, explain=args.explain, versions=common.versions(catalogue)
    )
    exits.gap()
    console.deliver(lines, no_color=args.no_color)


def _markdown(
    answer: Draft, report: AuditReport, args: argparse.Namespace, chosen: common.Settings, catalogue: Catalogue
) -> str:
    """The choice as the terminal shows it, then the audit of the programme that is shown in full."""
    from planner.commands.audit import cited
    from planner.render import draft as render
    from planner.render import markdown

    versions = common.versions(catalogue)
    lines = render.show(answer, width=100, units=chosen.units, explain=args.explain, versions=versions)
    body = markdown.verbatim(lines)
    rest = markdown.audit([report], units=chosen.units, versions=versions, sources=cited([report], catalogue))
    return f"# Programmes to choose from\n\n{body}\n---\n\n{rest}"


__all__ = ["add", "run", "search"]
