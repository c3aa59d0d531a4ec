"""``planner explain``: a rule, a group, an active, a target or a growth stage in plain words."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from planner import exits
from planner.commands import common
from planner.errors import UnknownName

if TYPE_CHECKING:
    from planner.catalogue import Catalogue
    from planner.render.paper import Paper

_EXAMPLES = """
planner explain ROT01
planner explain "FRAC 11"
planner explain azoxystrobin
planner explain frogeye leaf spot
planner explain R3 --crop soybean
planner explain qoi-cereals-max
"""


def add(subparsers: Any) -> None:
    """The parser of this command."""
    from planner import cli

    parser = cli.command(
        subparsers,
        "explain",
        _EXAMPLES,
        "Explain a rule, a group, an active, a target or a growth stage; also a crop, or a published row or a\n"
        "source by its id.",
    )
    parser.add_argument("what", nargs="+", metavar="WHAT", help="code or name")
    parser.add_argument("--crop", metavar="CROP", help="crop of a target or stage; without it, every crop that has it")
    common.add_common(parser, ("text", "json", "markdown"))


def run(args: argparse.Namespace) -> int:
    """Show everything that goes by this name.

    Raises:
        UnknownName: nothing does; the nearest names are given.
    """
    chosen = common.settings(args)
    catalogue = common.catalogue(chosen)
    name = " ".join(args.what)
    found = look_up(name, args.crop, catalogue, chosen)
    if not found:
        raise UnknownName("rule, group, active, target, stage, crop or limit", name, _all_names(catalogue, chosen))
    if chosen.format == "json":
        import msgspec

        from planner.render import jsonout

        data = [{"kind": kind, **msgspec.to_builtins(entry[0])} for kind, *entry in found]
        common.deliver(args, jsonout.dump(data[0] if len(data) == 1 else data))
        return exits.DONE
    from planner.render.paper import Paper

    paper = Paper(100 if chosen.format == "markdown" else common.width())
    for kind, *entry in found:
        paper.blank()
        _show(paper, kind, entry, catalogue, chosen)
    if chosen.format == "markdown":
        from planner.render import markdown

        title = f"# {markdown.escape(name)}\n\n"
        common.deliver(args, title + markdown.verbatim(paper.lines))
        return exits.DONE
    common.deliver(args, paper.lines)
    return exits.DONE


def look_up(name: str, crop: str | None, catalogue: Catalogue, chosen: common.Settings) -> list[tuple[Any, ...]]:
    """Kind and entry of everything called ``name``; rules, groups and actives end the search, other entries of the
    catalogue (crops, limits, sources) come last."""
    from planner import catalogue_list, rulebook

    rules = rulebook.load(chosen.rules)
    for kind, find in (
        ("rule", lambda: rules.rule(name)),
        ("group", lambda: _group(name, catalogue)),
        ("active", lambda: catalogue.active(name)),
    ):
        try:
            return [(kind, find())]
        except UnknownName:
            continue
    crops = [catalogue.crop(crop).id] if crop else list(catalogue.crops)
    found: list[tuple[Any, ...]] = []
    for one in crops:
        try:
            found.append(("target", catalogue.target(one, name)))
        except UnknownName:
            continue
    for one in crops:
        try:
            found.append(("stage", catalogue.stage(one, name), catalogue.crops[one]))
        except UnknownName:
            continue
    return found or [(one.kind, one) for one in catalogue_list.entries(catalogue, name)]


def _group(name: str, catalogue: Catalogue) -> Any:
    """A group by key, or by a bare code of the fungicide scheme (``11``, ``M05``, ``group 7``)."""
    try:
        return catalogue.group(name)
    except UnknownName:
        return catalogue.group(f"FRAC {name.casefold().removeprefix('group').strip().upper()}")


def _all_names(catalogue: Catalogue, chosen: common.Settings) -> list[str]:
    from planner import catalogue_list, rulebook

    names = [word for rule in rulebook.load(chosen.rules).rules for word in (rule.code, rule.name)]
    names += [*catalogue.groups, *catalogue.actives, *catalogue_list.names(catalogue)]
    for crop in catalogue.crops.values():
        names += [stage.code for stage in crop.stages]
        for target in catalogue.targets(crop.id).values():
            names += [target.id, target.name, *target.aliases]
    return names


def _show(paper: Paper, kind: str, entry: list[Any], catalogue: Catalogue, chosen: common.Settings) -> None:
    from planner.render import explain

    if kind == "rule":
        from planner import rulebook

        one = entry[0]
        examples = [example for example in rulebook.load_examples(chosen.rules) if example.rule == one.code]
        explain.rule(paper, one, examples, catalogue)
    elif kind == "stage":
        explain.stage(paper, entry[0], entry[1], catalogue)
    elif kind not in ("group", "active", "target"):
        explain.entry(paper, entry[0])
    else:
        getattr(explain, kind)(paper, entry[0], catalogue)
