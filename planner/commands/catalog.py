"""``planner catalog``: list, show and check what the planner knows; start a new entry."""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from planner import exits, places
from planner.commands import common
from planner.errors import InputError

_EXAMPLES = """
planner catalog list actives
planner catalog list targets --crop soybean
planner catalog show azoxystrobin
planner catalog check
planner catalog new active demo-example -o mine/actives/demo-example.yaml
"""

KINDS = ("crops", "targets", "groups", "actives", "stages", "limits", "reports", "sources")


def add(subparsers: Any) -> None:
    """The parser of this command and of its parts."""
    from planner import cli

    parser = cli.command(subparsers, "catalog", _EXAMPLES)
    parts = parser.add_subparsers(dest="part", metavar="PART", required=True, parser_class=cli.Parser)
    listing = cli.part(parts, "list", "entries of one kind", _EXAMPLES)
    listing.add_argument("kind", nargs="?", choices=KINDS, metavar="KIND", help=", ".join(KINDS))
    listing.add_argument("--crop", metavar="CROP", help="only this crop")
    listing.add_argument("--scheme", choices=("FRAC", "IRAC", "HRAC"), help="only this scheme (groups, actives)")
    common.add_common(listing, ("text", "json", "markdown"))
    show = cli.part(parts, "show", "one entry in full, as 'planner explain' does", _EXAMPLES)
    show.add_argument("what", nargs="+", metavar="NAME")
    show.add_argument("--crop", metavar="CROP", help="crop of a target or stage")
    common.add_common(show, ("text", "json", "markdown"))
    check = cli.part(parts, "check", "read every catalogue file afresh and list what needs a change", _EXAMPLES)
    common.add_common(check, ("text", "json"))
    new = cli.part(parts, "new", "an entry to start from", _EXAMPLES)
    new.add_argument("kind", choices=("active", "group", "crop", "target", "limit"))
    new.add_argument("name", help="ISO common name, code, or id in kebab case")
    common.add_common(new, ("yaml",))


def run(args: argparse.Namespace) -> int:
    """Do the part that was asked for; ``check`` leaves with 2 where a file needs a change."""
    if args.part == "show":
        from planner.commands import explain

        return explain.run(args)
    chosen = common.settings(args)
    part = {"list": _list, "check": _check, "new": _new}[args.part]
    return part(args, chosen)


def _list(args: argparse.Namespace, chosen: common.Settings) -> int:
    from planner.catalogue_list import listed
    from planner.render import jsonout, lists

    catalogue = common.catalogue(chosen)
    crop, scheme = args.crop or "", args.scheme or ""
    found = {kind: listed(catalogue, kind, crop=crop, scheme=scheme) for kind in ([args.kind] if args.kind else KINDS)}
    header: tuple[str, ...]
    if args.kind is None:
        header, title = ("kind", "entries"), "kind"
        rows: Sequence[tuple[str, ...]] = [(kind, str(len(table.rows))) for kind, table in found.items()]
    else:
        header, rows, title = found[args.kind].header, found[args.kind].rows, args.kind[:-1]
    if chosen.format == "json":
        common.deliver(args, jsonout.dump([dict(zip(header, row, strict=True)) for row in rows]))
    elif chosen.format == "markdown":
        common.deliver(args, lists.table(f"{title[:1].upper()}{title[1:]}: {len(rows)} in the catalogue", header, rows))
    else:
        common.deliver(args, lists.entries(title, header, rows, common.width()))
    return exits.DONE


def _check(args: argparse.Namespace, chosen: common.Settings) -> int:
    from planner.catalogue_read import read_all

    folders = (places.folder("catalog"), *(Path(name) for name in chosen.catalog))
    rules = (places.folder("rules"), *(Path(name) for name in chosen.rules))
    everything, problems = read_all(folders, rules)
    for problem in problems:
        exits.say(str(problem))
    counts, grades = _counts(everything)
    if chosen.format == "json":
        from planner.render import jsonout

        data = {"counts": counts, "grades": grades, "problems": [str(problem) for problem in problems]}
        common.deliver(args, jsonout.dump(data))
    else:
        from planner.render import lists

        common.deliver(args, lists.checked(counts, grades, problems, common.width()))
    return exits.INPUT if problems else exits.DONE


def _counts(everything: Any) -> tuple[dict[str, int], dict[str, dict[str, int]]]:
    """Entries of each kind, and how many of them rest on which grade."""
    kinds: dict[str, list[Any]] = {}
    for scheme, rows in everything.actives.items():
        kinds[f"{scheme} actives"] = list(rows.values())
    for name in (
        "groups",
        "targets",
        "ratings",
        "reports",
        "limits",
        "protection",
        "coverage",
        "harmful_uses",
    ):
        kinds[name.replace("_", " ")] = list(_flat(getattr(everything, name, ())))
    kinds["stages"] = [stage for crop in everything.crops.values() for stage in crop.stages]
    counts = {name: len(rows) for name, rows in kinds.items() if rows}
    grades = {name: dict(Counter(_grade(row) for row in kinds[name])) for name in counts}
    return counts, grades


def _flat(found: Any) -> Iterable[Any]:
    """The entries of nested mappings and lists."""
    values = found.values() if isinstance(found, dict) else found
    for value in values:
        if isinstance(value, dict | list | tuple):
            yield from _flat(value)
        else:
            yield value


def _grade(row: Any) -> str:
    backing = getattr(row, "backing", None) or getattr(row, "window_backing", None)
    return str(backing.grade) if backing is not None else "unknown"


def _new(args: argparse.Namespace, chosen: common.Settings) -> int:
    from planner.render import scaffold

    if args.output and args.output != "-" and Path(args.output).exists():
        raise InputError(args.output, "exists already", "choose another name for --output")
    common.deliver(args, scaffold.entry(args.kind, args.name))
    return exits.DONE
