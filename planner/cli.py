"""The door: reads the command line, loads the one command that was asked for, and leaves with its exit code.

``--help`` and ``--version`` answer without the catalogue; a command module is imported only when chosen.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from typing import Any, NoReturn

from planner import __version__, exits
from planner.commands import COMMANDS, module
from planner.errors import nearest
from planner.exits import UsageError

_ABOUT = "Drafts, audits and teaches spray programmes that keep modes of action working."

_EXAMPLES = """examples:
  planner audit programme.yaml                     is this programme sound?
  planner audit sheet.csv --field f.yaml --products p.yaml
  planner audit *.yaml --format json -o answers.json
  planner explain ROT01                            one rule in plain words
"""

_MORE = f"""
exit codes:
{chr(10).join(f"  {code:<4} {meaning}" for code, meaning in exits.TABLE)}

environment: NO_COLOR, FORCE_COLOR, COLUMNS, PLANNER_NO_CACHE, XDG_CACHE_HOME
files:       planner.yaml, the nearest one from here upwards, may set catalog,
             rules, units and format
"""


class Parser(argparse.ArgumentParser):
    """argparse without abbreviations, whose complaints are ours: one line with a cure, exit code 2."""

    def __init__(self, *args: Any, **options: Any) -> None:
        options.setdefault("allow_abbrev", False)
        options.setdefault("formatter_class", _Formatter)
        super().__init__(*args, **options)

    def error(self, message: str) -> NoReturn:
        """Raise instead of printing, so that all messages leave through one place."""
        text = message.removeprefix("argument ")
        raise UsageError(text, f"'{self.prog} --help' shows examples")


class _Formatter(argparse.RawDescriptionHelpFormatter):
    """Help that fits 80 columns."""

    def __init__(self, prog: str, **options: Any) -> None:
        options.setdefault("width", 80)
        options.setdefault("max_help_position", 26)
        super().__init__(prog, **options)

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        """Paragraphs folded to the width; examples stay as they are, ready to be copied."""
        import textwrap

        parts = text.split("\n\n")
        return "\n\n".join(
            part if part.startswith("examples:") else textwrap.fill(" ".join(part.split()), width) for part in parts
        )


class _Subparsers:
    """What a command module's ``add`` is given: makes parsers with the planner's habits."""

    def __init__(self, action: argparse._SubParsersAction[Parser]) -> None:
        self._action = action

    def add_parser(self, name: str, *, examples: str, **options: Any) -> Parser:
        """A command's parser; ``examples`` stand before the options in its help."""
        summary = COMMANDS.get(name, "")
        about = options.pop("description", "") or summary[:1].upper() + summary[1:] + "."
        about += "\n\nexamples:\n" + "\n".join(f"  {line}" for line in examples.strip().splitlines())
        options.setdefault("help", summary)
        return self._action.add_parser(name, description=about, **options)


def command(subparsers: Any, name: str, examples: str, description: str = "") -> Parser:
    """Make the parser of one command: ``examples`` is one command line per line."""
    parser: Parser = subparsers.add_parser(name, examples=examples, description=description)
    return parser


def part(parts: Any, name: str, summary: str, examples: str) -> Parser:
    """Make the parser of one part of a command, with those of the command's examples that are its own."""
    own = [line for line in examples.strip().splitlines() if line.split()[2:3] == [name]]
    about = f"{summary[:1].upper()}{summary[1:]}.\n\nexamples:\n" + "\n".join(f"  {line}" for line in own)
    made: Parser = parts.add_parser(name, help=summary, description=about)
    return made


def parser(*chosen: str) -> Parser:
    """The whole parser; only the modules of ``chosen`` commands are loaded, the others are only named."""
    top = Parser(
        prog="planner",
        description=_ABOUT,
    )
    top.add_argument("--version", action="store_true", help="versions of planner, catalogue and engine, and leave")
    top.add_argument("--debug", action="store_true", help="show the traceback where the planner itself breaks")
    action = top.add_subparsers(dest="command", metavar="COMMAND", prog="planner", parser_class=Parser)
    for name, summary in COMMANDS.items():
        if name in chosen:
            module(name).add(_Subparsers(action))
        else:
            action.add_parser(name, help=summary, add_help=False)
    return top


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command line; the exit code (see :mod:`planner.exits`)."""
    words = list(sys.argv[1:] if argv is None else argv)
    debug = "--debug" in words[: words.index("--")] if "--" in words else "--debug" in words
    return exits.guarded(lambda: _run(words), debug=debug, argv=words)


def _run(words: list[str]) -> int:
    words = _arrange(words)
    if "--version" in words and (words[0] == "--version" or words[0] not in COMMANDS):
        return _version()
    name = words[0] if words and words[0] in COMMANDS else ""
    if not name:
        return _without_command(words)
    top = parser(name)
    try:
        args, unknown = top.parse_known_args(words)
    except SystemExit as left:  # --help
        return left.code if isinstance(left.code, int) else exits.DONE
    if unknown:
        raise _unknown_option(unknown[0], top, name)
    run: Callable[[argparse.Namespace], int] = module(name).run
    return run(args)


def _arrange(words: list[str]) -> list[str]:
    """``help X`` becomes ``X --help``; options that stand before the command move behind it."""
    if words[:1] == ["help"]:
        return [*words[1:2], "--help"]
    words = [word for at, word in enumerate(words) if word != "--debug" or "--" in words[:at]]
    at = next((at for at, word in enumerate(words) if word in COMMANDS), None)
    if at and words[0].startswith("-") and "--" not in words[:at]:
        return [words[at], *words[:at], *words[at + 1 :]]
    return words


def _without_command(words: list[str]) -> int:
    from planner.render import console

    if not words or words[0] in ("-h", "--help"):
        console.deliver(_help() if words else _short_help())
        return exits.DONE
    first = words[0]
    if first.startswith("-"):
        raise UsageError(f"unknown option '{first}'", "'planner --help' lists commands and options")
    near = nearest(first, COMMANDS, count=1)
    if near:
        cure = f"did you mean 'planner {near[0]}'?"
    elif os.path.exists(first):
        cure = f"to audit that file write 'planner audit {first}'"
    else:
        cure = "'planner --help' lists the commands"
    raise UsageError(f"unknown command '{first}'", cure)


def _commands() -> str:
    return "\n".join(f"  {name:<12}{summary}" for name, summary in COMMANDS.items())


def _short_help() -> str:
    return (
        f"{_ABOUT}\n\n  planner audit programme.yaml\n\ncommands:\n{_commands()}\n\n"
        "'planner COMMAND --help' has examples and options.\n"
    )


def _help() -> str:
    return (
        f"usage: planner COMMAND [options] ...\n\n{_ABOUT}\n\n{_EXAMPLES}\ncommands:\n{_commands()}\n\n"
        "options:\n"
        "  -h, --help  this help; after a command, its examples and options\n"
        "  --version   versions of planner, catalogue and engine\n"
        "  --debug     show the traceback where the planner itself breaks\n"
        f"{_MORE}"
    )


def _unknown_option(word: str, top: argparse.ArgumentParser, name: str) -> UsageError:
    if not word.startswith("-") or word == "-":
        return UsageError(f"unexpected '{word}'", f"'planner {name} --help' shows what the command takes")
    known = [option for part in _parsers(top, name) for option in part._option_string_actions]
    near = nearest(word.split("=")[0], known, count=1)
    cure = f"did you mean {near[0]}?" if near else f"'planner {name} --help' lists the options"
    return UsageError(f"unknown option '{word}'", cure)


def _parsers(top: argparse.ArgumentParser, name: str) -> list[argparse.ArgumentParser]:
    """The parser of a command and those of its own subcommands."""
    found: list[argparse.ArgumentParser] = []
    waiting = [_choices(top)[name]]
    while waiting:
        one = waiting.pop()
        found.append(one)
        waiting.extend(_choices(one).values())
    return found


def _choices(one: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    for action in one._actions:
        if isinstance(action, argparse._SubParsersAction):
            return dict(action.choices)
    return {}


def _version() -> int:
    from planner.commands import common
    from planner.render import console

    lines = [
        f"planner {__version__}",
        f"catalogue {common.catalogue_date()}",
        f"engine {common.engine_name()}",
    ]
    console.deliver("\n".join(lines) + "\n")
    return exits.DONE
