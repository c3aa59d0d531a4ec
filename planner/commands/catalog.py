"""``planner catalog``: list, show and check what the planner knows; start a new entry."""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from planner import exits, places
from planner.commands import common
from planner.errors import InputError

if TYPE_CHECKING:
    from planner.catalogue import Catalogue

_EXAMPLES = """
planner catalog list actives
planner catalog list targets --crop soybean
planner catalog show azoxystrobin
planner catalog check
planner catalog new active demo-example --output my-catalog/actives/demo-example.yaml
"""

KINDS = ("crops", "targets", "groups", "actives", "stages", "limits", "reports", "sources")


def add(subparsers: Any) -> None:
    """The parser of this command and of its parts."""
    from planner import cli

    parser = cli.command(subparsers, "catalog", _EXAMPLES)
    parts = parser.add_subparsers(dest="part", metavar="PART", required=True, parser_class=cli.Parser)
    listing = parts.add_parser("list", help="entries of one kind")
    listing.add_argument("kind", nargs="?", choices=KINDS, metavar="KIND", help=", ".join(KINDS))
    listing.add_argument("--crop", metavar="CROP", help="only this crop")
    listing.add_argument("--scheme", choices=("FRAC", "IRAC", "HRAC"), help="only this scheme (groups, actives)")
    common.add_common(listing, ("text", "json"))
    show = parts.add_parser("show", help="one entry in full, as 'planner explain' does")
    show.add_argument("what", nargs="+", metavar="NAME")
    show.add_argument("--crop", metavar="CROP", help="crop of a target or stage")
    common.add_common(show, ("text", "json"))
    check = parts.add_parser("check", help="read every catalogue file afresh and list what needs a change")
    common.add_common(check, ("text", "json"))
    new = parts.add_parser("new", help="an entry to start from")
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
    from planner.render import jsonout, lists

    catalogue = common.catalogue(chosen)
    if args.kind is None:
        rows: list[tuple[str, ...]] = [(kind, str(len(_rows(kind, catalogue, args)[1]))) for kind in KINDS]
        header: tuple[str, ...] = ("kind", "entries")
        title = "kind"
    else:
        header, rows = _rows(args.kind, catalogue, args)
        title = args.kind[:-1]
    if chosen.format == "json":
        common.deliver(args, jsonout.dump([dict(zip(header, row, strict=True)) for row in rows]))
    else:
        common.deliver(args, lists.entries(title, header, rows, common.width()))
    return exits.DONE


def _rows(kind: str, catalogue: Catalogue, args: argparse.Namespace) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    crops = [catalogue.crop(args.crop)] if args.crop else list(catalogue.crops.values())
    ids = {crop.id for crop in crops}
    schemes = [args.scheme] if args.scheme else ["FRAC", "IRAC", "HRAC"]
    if kind == "crops":
        return ("id", "name", "class", "targets", "scale"), [
            (crop.id, crop.name, crop.crop_class, str(len(catalogue.targets(crop.id))), crop.scale) for crop in crops
        ]
    if kind == "targets":
        return ("crop", "id", "window", "style", "pathogen"), [
            (crop.id, one.id, "-".join(one.window or ()), one.timing_style, one.pathogen)
            for crop in crops
            for one in catalogue.targets(crop.id).values()
        ]
    if kind == "groups":
        return ("key", "risk", "multi-site", "grade", "name"), [
            (one.key, one.risk, "yes" if one.multi_site else "", one.backing.words, one.family or one.name)
            for one in catalogue.groups.values()
            if one.scheme in schemes
        ]
    if kind == "actives":
        return ("active", "group", "risk", "movement", "grade", "family"), [
            (one.name, one.group, one.risk, one.mobility, one.backing.words, one.chemical_group)
            for scheme in schemes
            for one in catalogue.of_scheme(scheme).values()
        ]
    if kind == "stages":
        return ("crop", "code", "bbch", "name"), [
            (crop.id, one.code, str(one.bbch), one.name or one.look_for) for crop in crops for one in crop.stages
        ]
    if kind == "limits":
        return ("id", "kind", "crops", "where", "date", "grade"), [
            (one.id, one.kind, " ".join(one.crops), " ".join(one.countries), one.date, one.backing.words)
            for one in catalogue.limits
            if not args.crop or ids & set(one.crops)
        ]
    if kind == "reports":
        return ("crop", "group", "level", "first", "where", "pathogen"), [
            (
                one.crop,
                f"FRAC {one.code}",
                one.level,
                str(one.first_year or ""),
                " ".join([*one.countries, *one.subdivisions]),
                one.pathogen,
            )
            for crop in crops
            for of in catalogue.facts(crop.id).reports.values()
            for one in of
        ]
    return ("key", "source"), [(key, one.words) for key, one in catalogue.sources.items()]


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
