"""``planner rules``: list what an audit checks, check rule files, start a new one."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from planner import exits
from planner.commands import common
from planner.errors import InputError

_EXAMPLES = """
planner rules list
planner rules check --rules my-rules
planner rules new ROT06 same-partner --family rotation -o ROT06.yaml
"""


def add(subparsers: Any) -> None:
    """The parser of this command and of its three parts."""
    from planner import cli

    parser = cli.command(subparsers, "rules", _EXAMPLES)
    parts = parser.add_subparsers(dest="part", metavar="PART", required=True, parser_class=cli.Parser)
    listing = cli.part(parts, "list", "every rule, and what published rows feed it", _EXAMPLES)
    listing.add_argument("family", nargs="?", metavar="FAMILY", help="only this family (label, rotation ...)")
    common.add_common(listing, ("text", "json", "markdown"))
    check = cli.part(parts, "check", "read every rule file afresh and try its examples' shape", _EXAMPLES)
    common.add_common(check, ("text", "json"))
    new = cli.part(parts, "new", "a rule file to start from", _EXAMPLES)
    new.add_argument("code", help="three capital letters and two digits, as in ROT06")
    new.add_argument("name", help="the bad thing, small letters joined by '-'")
    new.add_argument("--family", required=True, help="label, rotation, mixing, limits, resistance or timing")
    common.add_common(new, ("yaml",))


def run(args: argparse.Namespace) -> int:
    """Do the part that was asked for; ``check`` leaves with 2 where a file needs a change."""
    chosen = common.settings(args)
    part = {"list": _list, "check": _check, "new": _new}[args.part]
    return part(args, chosen)


def _list(args: argparse.Namespace, chosen: common.Settings) -> int:
    from planner import rulebook

    book = rulebook.load(chosen.rules)
    families = list(dict.fromkeys(rule.family for rule in book.rules))
    if args.family and args.family not in families:
        raise exits.UsageError(f"unknown family '{args.family}'", f"families: {', '.join(families)}")
    rules = [rule for rule in book.rules if args.family in (None, rule.family)]
    if chosen.format == "json":
        from planner.render import jsonout

        common.deliver(args, jsonout.dump([_plain(rule) for rule in rules]))
        return exits.DONE
    from planner.render import lists

    if chosen.format == "markdown":
        common.deliver(args, lists.rule_table(rules))
        return exits.DONE
    kinds = common.catalogue(chosen).kinds.values()
    common.deliver(args, lists.rules(rules, list(kinds), common.width(), whole=args.family is None))
    return exits.DONE


def _plain(rule: Any) -> dict[str, Any]:
    return {
        "rule": rule.code,
        "name": rule.name,
        "family": rule.family,
        "title": rule.words(rule.title).strip(),
        "severities": list(dict.fromkeys(case.severity for case in rule.cases)),
        "status": rule.status,
        "since": rule.since,
        "lasting": rule.lasting,
        "sources": [source.key for source in rule.sources],
    }


def _check(args: argparse.Namespace, chosen: common.Settings) -> int:
    from planner import rulebook

    rules, errors = rulebook.check(chosen.rules)
    for error in errors:
        exits.say(str(error))
    examples = rulebook.load_examples(chosen.rules) if not errors else ()
    if chosen.format == "json":
        from planner.render import jsonout

        data = {"rules": len(rules), "examples": len(examples), "problems": [str(error) for error in errors]}
        common.deliver(args, jsonout.dump(data))
    else:
        from planner.render import lists

        common.deliver(args, lists.rules_checked(rules, examples, len(errors), common.width()))
    return exits.INPUT if errors else exits.DONE


def _new(args: argparse.Namespace, chosen: common.Settings) -> int:
    from planner import rulebook

    book = rulebook.load(chosen.rules)
    taken = next((rule for rule in book.rules if args.code == rule.code or args.name == rule.name), None)
    if taken is not None:
        raise exits.UsageError(
            f"'{taken.code} {taken.name}' is taken", f"the next free code is {_next(args.code, book.rules)}"
        )
    try:
        text = rulebook.scaffold(args.code, args.name, args.family)
    except ValueError as error:
        raise exits.UsageError(*str(error).split("; ", 1)) from None
    if args.output and args.output != "-" and Path(args.output).exists():
        raise InputError(args.output, "exists already", "choose another name for --output")
    common.deliver(args, text)
    return exits.DONE


def _next(code: str, rules: Any) -> str:
    family = code[:3]
    used = [int(rule.code[3:]) for rule in rules if rule.code.startswith(family)]
    return f"{family}{max(used, default=0) + 1:02d}"
