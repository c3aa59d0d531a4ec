"""``planner completion``: a static script, made from the parser, so that TAB never starts Python."""

from __future__ import annotations

import argparse
from typing import Any

from planner import exits
from planner.commands import COMMANDS

_EXAMPLES = """
planner completion bash > ~/.local/share/bash-completion/completions/planner
planner completion zsh > "${fpath[1]}/_planner"
planner completion fish > ~/.config/fish/completions/planner.fish
"""


def add(subparsers: Any) -> None:
    """The parser of this command."""
    from planner import cli

    parser = cli.command(subparsers, "completion", _EXAMPLES)
    parser.add_argument("shell", choices=("bash", "zsh", "fish"), help="which shell")
    parser.add_argument("--debug", action="store_true", help=argparse.SUPPRESS)


def run(args: argparse.Namespace) -> int:
    """Print the script."""
    from planner import cli
    from planner.render import completion, console

    console.deliver(completion.script(args.shell, cli.parser(*COMMANDS), _names()))
    return exits.DONE


def _names() -> dict[str, list[str]]:
    """What may stand for a metavar: names of the shipped catalogue, rules and lessons, as they are today."""
    from planner.catalogue import load
    from planner.documents.programme import rule_names
    from planner.lessons.lesson import lessons

    catalogue = load()
    targets = [target for crop in catalogue.crops for target in catalogue.targets(crop)]
    named = [*rule_names(catalogue), *sorted(set(targets)), *sorted(catalogue.of_scheme("FRAC"))]
    return {
        "CROP": sorted(catalogue.crops),
        "LESSON": [lesson.lesson for lesson in lessons()],
        "LEVEL": ["1", "2", "3"],
        "NAME": named,
        "WHAT": named,
    }
