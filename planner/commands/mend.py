"""``planner mend``: the fewest changes to a programme that leave no breach, and the next best ways."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from planner import exits
from planner.commands import common
from planner.errors import InputError

if TYPE_CHECKING:
    from planner.draft.mend import Mending
    from planner.model import Programme

_EXAMPLES = """
planner mend programme.yaml
planner mend programme.yaml --output mended.yaml
planner mend programme.yaml --fixed 1 --avoid 'FRAC 11' --top 5
planner mend sheet.csv --field field.yaml --products shop.yaml
"""


def add(subparsers: Any) -> None:
    """The parser of this command."""
    from planner import cli

    parser = cli.command(
        subparsers,
        "mend",
        _EXAMPLES,
        "Find the fewest changes (rate, water, product, partner, day, or a pass left out) that leave no breach.\n"
        "The answer shows the passes before and after, and which findings each change removes.",
    )
    parser.add_argument("programme", metavar="PROGRAMME", help="programme (YAML, CSV, XLSX), - for stdin")
    parser.add_argument("--field", metavar="FILE", help="field document, where the programme names none (CSV)")
    parser.add_argument("--products", metavar="FILE", action="append", help="product list; may be given again")
    common.add_map(parser)
    parser.add_argument("--top", metavar="K", type=int, default=3, help="how many ways to give (3)")
    parser.add_argument(
        "--avoid", metavar="NAME", action="append", default=[], help="a group, active or product not to bring in"
    )
    parser.add_argument(
        "--fixed", metavar="N", action="append", type=int, default=[], help="pass that must stay as it is"
    )
    parser.add_argument("--seconds", metavar="S", type=float, default=300.0, help="longest search (300)")
    common.add_common(parser, ("text", "json", "markdown", "yaml", "csv", "xlsx"), explain=True)


def run(args: argparse.Namespace) -> int:
    """Mend and answer; 0 also where nothing had to be mended."""
    from planner.commands.draft import avoided
    from planner.documents import load_programme
    from planner.draft.mend import mend
    from planner.render import console

    chosen = common.settings(args)
    common.check_stdin(_inputs(args))
    if args.top < 1:
        raise InputError("--top", f"'{args.top}' ways cannot be given", "write --top 3")
    catalogue = common.catalogue(chosen)
    programme: Programme = load_programme(
        args.programme,
        catalogue,
        field=args.field,
        products=tuple(args.products) if args.products else None,
        columns=common.columns(args),
    )
    common.tell_reading(programme.readings)
    for notice in programme.notices:
        exits.say(f"{programme.file or args.programme}: notice: {notice}")
    unknown = [number for number in args.fixed if not 1 <= number <= len(programme.passes)]
    if unknown:
        raise InputError("--fixed", f"there is no pass {unknown[0]}", f"passes are 1 to {len(programme.passes)}")
    console.may_write(args.output, inputs=_inputs(args))
    exits.say("planner: looking for the fewest changes; Ctrl-C stops with the best so far")
    answer = mend(
        programme,
        catalogue,
        top=args.top,
        rules=tuple(chosen.rules),
        avoid=tuple(avoided(args.avoid, programme.products, catalogue)),
        fixed=frozenset(args.fixed),
        seconds=args.seconds,
        told=lambda line: exits.say(f"planner: {line}"),
    )
    _deliver(args, chosen, answer)
    return exits.DONE


def _inputs(args: argparse.Namespace) -> list[str]:
    return [args.programme, *([args.field] if args.field else []), *(args.products or [])]


def _deliver(args: argparse.Namespace, chosen: common.Settings, answer: Mending) -> None:
    from planner.documents import dump_csv, dump_programme, dump_xlsx
    from planner.render import console
    from planner.render import mend as render

    inputs = _inputs(args)
    best = answer.mends[0].programme if answer.mends else answer.before.programme
    if chosen.format == "json":
        common.deliver(args, render.as_json(answer), inputs)
        return
    if not best.passes and (chosen.format in ("yaml", "csv", "xlsx") or args.output not in (None, "-")):
        raise InputError(
            "--output", "the mended programme has no pass, so there is no document to write", "leave --output out"
        )
    if chosen.format == "markdown":
        from planner.render import markdown

        shown = render.show(answer, width=100, units=chosen.units, explain=args.explain)
        common.deliver(args, f"# The fewest changes\n\n{markdown.verbatim(shown)}", inputs)
        return
    if chosen.format == "yaml":
        common.deliver(args, dump_programme(best), inputs)
        return
    if chosen.format in ("csv", "xlsx"):
        common.deliver(args, dump_csv(best) if chosen.format == "csv" else dump_xlsx(best), inputs)
        return
    if args.output not in (None, "-"):
        console.deliver(dump_programme(best), output=args.output, inputs=inputs)
        exits.say(f"planner: the mended programme is written to {args.output}")
    lines = render.show(answer, width=common.width(), units=chosen.units, explain=args.explain)
    exits.gap()
    console.deliver(lines, no_color=args.no_color)
