"""``planner compare``: programmes side by side, each held against the first."""

from __future__ import annotations

import argparse
import math
from typing import Any

from planner import exits
from planner.commands import common

_EXAMPLES = """
planner compare solo.yaml mixed.yaml --units us
planner compare a.yaml b.yaml c.yaml --format json --output side-by-side.json
planner compare a.csv b.csv --field field.yaml --products shop.yaml
planner compare a.yaml b.yaml --growth-rate 0.1 --start-fraction 1e-5
"""


_RATE = "a rate per day above 0 and up to 5, for example 0.1"
_SHARE = "a share above 0 and below 1, for example 1e-5"


def add(subparsers: Any) -> None:
    """The parser of this command."""
    from planner import cli

    parser = cli.command(
        subparsers,
        "compare",
        _EXAMPLES,
        "Hold programmes against the first one: passes, cost, findings, cover, published limits and how hard\n"
        "each selects for resistance, with what drives the difference. What hangs on an unknown fact is\n"
        "'not assessed'. Nothing is said about seasons unless you state growth rate and start.",
    )
    parser.add_argument(
        "programme", nargs="+", metavar="PROGRAMME", help="two or more programmes (YAML, CSV, XLSX), - for stdin"
    )
    parser.add_argument("--field", metavar="FILE", help="field document, where the programmes name none (CSV)")
    parser.add_argument("--products", metavar="FILE", action="append", help="product list; may be given again")
    common.add_map(parser)
    parser.add_argument(
        "--engine", choices=("auto", "durable-rules", "interpreter"), default="auto", help="back end of the rules"
    )
    course = parser.add_argument_group("over seasons (both, or nothing is said about seasons)")
    course.add_argument("--growth-rate", metavar="R", help="growth rate of the pathogen, per day, for example 0.1")
    course.add_argument(
        "--start-fraction", metavar="F", help="resistant share before the first season, for example 1e-5"
    )
    course.add_argument("--seasons", metavar="N", help="seasons to draw (10)")
    common.add_common(parser, ("text", "json", "markdown", "html"), explain=True)


def run(args: argparse.Namespace) -> int:
    """Compare and answer; always 0 where the comparison could be made (``planner audit`` judges)."""
    from planner.commands import audit
    from planner.compare import compare
    from planner.compare_selection import SEASONS

    chosen = common.settings(args)
    rate = _number(args.growth_rate, "--growth-rate", _RATE, 5.0)
    start = _number(args.start_fraction, "--start-fraction", _SHARE, 1.0)
    if (rate is None) != (start is None):
        given, lacking = (
            ("--growth-rate", "--start-fraction") if start is None else ("--start-fraction", "--growth-rate")
        )
        raise exits.UsageError(f"{given} without {lacking}", f"give {lacking} as well; neither is guessed")
    if start == 1.0:
        raise exits.UsageError("--start-fraction is 1", f"write {_SHARE}")
    seasons = _seasons(args.seasons, rate is not None, SEASONS)
    if len(args.programme) < 2:
        raise exits.UsageError(
            "one programme alone cannot be compared",
            f"name two or more; to judge one write 'planner audit {args.programme[0]}'",
        )
    common.check_stdin(args.programme)
    catalogue = common.catalogue(chosen)
    programmes = audit.load(args, catalogue)
    found = compare(
        programmes,
        catalogue,
        backend=args.engine,
        rules=chosen.rules,
        growth_rate=rate,
        start_fraction=start,
        seasons=seasons,
    )
    inputs = [*args.programme, *([args.field] if args.field else []), *(args.products or [])]
    if chosen.format == "text":
        audit.tell_notices(list(found.reports))
    common.deliver(args, _render(found, args, chosen, catalogue), inputs)
    return exits.DONE


def _render(found: Any, args: argparse.Namespace, chosen: common.Settings, catalogue: Any) -> Any:
    from planner.render import compare, jsonout

    if chosen.format == "json":
        return jsonout.dump(compare.document(found, catalogue_date=catalogue.date))
    versions = common.versions(catalogue)
    if chosen.format == "markdown":
        return compare.markdown(found, units=chosen.units, versions=versions)
    if chosen.format == "html":
        from planner.audit import rules_of
        from planner.render.page import side_by_side

        key = rules_of(tuple(chosen.rules)).key
        return side_by_side.compare(found, units=chosen.units, versions=versions, rules=key, sources=catalogue.sources)
    width = common.width() if args.output in (None, "-") else 100
    return compare.text(found, width=width, units=chosen.units, explain=args.explain, versions=versions)


def _number(text: str | None, option: str, cure: str, high: float) -> float | None:
    """A number above 0 and up to ``high``.

    Raises:
        UsageError: it is none, or lies outside.
    """
    if text is None:
        return None
    try:
        value = float(text)
    except ValueError:
        raise exits.UsageError(f"{option} '{text}' is not a number", f"write {cure}") from None
    if not (math.isfinite(value) and 0.0 < value <= high):
        raise exits.UsageError(f"{option} is {text}", f"write {cure}")
    return value


def _seasons(text: str | None, wanted: bool, default: int) -> int:
    if text is None:
        return default
    if not wanted:
        raise exits.UsageError("--seasons without --growth-rate and --start-fraction", "give both; neither is guessed")
    if not text.isdigit() or not 1 <= int(text) <= 30:
        raise exits.UsageError(f"--seasons is '{text}'", "write a whole number from 1 to 30")
    return int(text)
