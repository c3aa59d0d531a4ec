"""Completion scripts for bash, zsh and fish from an argparse parser."""

from __future__ import annotations

import argparse
import re
from collections.abc import Mapping, Sequence

from planner.model import Struct

_FILES = ("FILE", "DIR", "PROGRAMME", "FIELD")  # metavars of what names a file or a folder
_PLAIN = re.compile(r"[A-Za-z0-9][A-Za-z0-9._+-]*\Z")  # a word that no shell wants quoted

Names = Mapping[str, Sequence[str]]


class Option(Struct, frozen=True, kw_only=True):
    """One option of one command. ``file``: its value names a file or folder."""

    names: tuple[str, ...]
    help: str
    takes: bool
    choices: tuple[str, ...]
    file: bool = False


class Entry(Struct, frozen=True, kw_only=True):
    """One command line to complete after ``path``: its words, its options, and whether it takes files."""

    path: tuple[str, ...]
    help: str
    words: tuple[str, ...]
    options: tuple[Option, ...]
    files: bool = False


def script(shell: str, parser: argparse.ArgumentParser, names: Names | None = None) -> str:
    """The script of one shell.

    Args:
        shell: bash, zsh or fish.
        names: what may stand for a metavar of the parser (``LESSON`` -> the lessons).

    Raises:
        KeyError: the shell is not bash, zsh or fish.
    """
    return {"bash": _bash, "zsh": _zsh, "fish": _fish}[shell](entries(parser, names=names))


def entries(
    parser: argparse.ArgumentParser, path: tuple[str, ...] = (), about: str = "", names: Names | None = None
) -> list[Entry]:
    """All commands and subcommands, outermost first."""
    words: list[str] = []
    options: list[Option] = []
    below: list[Entry] = []
    files = False
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            helps = {one.dest: one.help or "" for one in action._choices_actions}
            words.extend(action.choices)
            for name, child in action.choices.items():
                below.extend(entries(child, (*path, name), helps.get(name, ""), names))
        elif action.help == argparse.SUPPRESS:
            continue
        elif action.option_strings:
            options.append(
                Option(
                    names=tuple(action.option_strings),
                    help=action.help or "",
                    takes=action.nargs != 0,
                    choices=_choices(action, names),
                    file=action.metavar in _FILES,
                )
            )
        else:
            words.extend(_choices(action, names))
            files = files or action.metavar in _FILES
    return [Entry(path=path, help=about, words=tuple(words), options=tuple(options), files=files), *below]


def _choices(action: argparse.Action, names: Names | None) -> tuple[str, ...]:
    if action.choices:
        return tuple(str(choice) for choice in action.choices)
    known = (names or {}).get(str(action.metavar), ())
    return tuple(dict.fromkeys(name for name in known if _PLAIN.match(name)))


def _bash(found: list[Entry]) -> str:
    cases, values = [], []
    for entry in found:
        key = " ".join(entry.path)
        words, options = " ".join(entry.words), " ".join(name for option in entry.options for name in option.names)
        cases.append(f'    "{key}") words="{words}"; options="{options}"; files={int(entry.files)} ;;')
        for option in entry.options:
            if option.takes:
                names = "|".join(f'"{key} {name}"' for name in option.names)
                values.append(
                    f'    {names}) words="{" ".join(option.choices)}"; options=""; files={int(option.file)} ;;'
                )
    paths = " ".join(f'"{" ".join(entry.path)}"' for entry in found if entry.path)
    return f"""# bash completion of planner; written by `planner completion bash`
_planner() {{
  local current previous word known path="" words="" options="" files=0
  current="${{COMP_WORDS[COMP_CWORD]}}"
  previous="${{COMP_WORDS[COMP_CWORD-1]}}"
  if [[ "$current" == "=" ]]; then
    current=""
  elif [[ "$previous" == "=" ]]; then
    previous="${{COMP_WORDS[COMP_CWORD-2]}}"
  fi
  for word in "${{COMP_WORDS[@]:1:COMP_CWORD-1}}"; do
    for known in {paths}; do
      if [[ "$known" == "${{path:+$path }}$word" ]]; then path="$known"; fi
    done
  done
  case "$path" in
{chr(10).join(cases)}
  esac
  case "$path $previous" in
{chr(10).join(values)}
  esac
  if [[ "$current" == -* ]]; then words="$options"; files=0; fi
  COMPREPLY=( $(compgen -W "$words" -- "$current") )
  if (( files )); then
    local IFS=$'\\n'
    COMPREPLY+=( $(compgen -f -- "$current") )
  fi
}}
complete -o filenames -F _planner planner
"""


def _spec(text: str) -> str:
    """Help inside a specification of zsh, in single quotes."""
    return text.replace("'", "'\\''").replace("[", "(").replace("]", ")").replace(":", ",")


def _zsh(found: list[Entry]) -> str:
    cases = []
    for entry in found:
        specs = []
        for option in entry.options:
            value = ""
            if option.takes:
                value = f":value:({' '.join(option.choices)})" if option.choices else ":value: "
                value = ":file:_files" if option.file else value
            specs += [f"'{name}[{_spec(option.help)}]{value}'" for name in option.names]
        below = {other.path[-1]: other.help for other in found if other.path[:-1] == entry.path and other.path}
        choices = " ".join(f"'{word}:{_spec(below[word])}'" if below.get(word) else f"'{word}'" for word in entry.words)
        cases.append(
            f"    '{' '.join(entry.path)}') choices=({choices}); specs=({' '.join(specs)}); files={int(entry.files)} ;;"
        )
    paths = " ".join(f"'{' '.join(entry.path)}'" for entry in found if entry.path)
    return f"""#compdef planner
# zsh completion of planner; written by `planner completion zsh`
_planner() {{
  local path_so_far="" word known joined files=0
  local -a words_before=("${{(@)words[2,CURRENT-1]}}") specs choices
  local typed="$words[CURRENT]"
  for word in $words_before; do
    joined="${{path_so_far:+$path_so_far }}$word"
    for known in {paths}; do
      [[ "$known" == "$joined" ]] && path_so_far="$known"
    done
  done
  _planner_entry "$path_so_far"
  if [[ "$typed" == -* || "$words[CURRENT-1]" == -* ]]; then
    (( files )) && specs+=('*:file:_files') || specs+=('*: : ')
    _arguments $specs
  else
    (( $#choices )) && _describe 'planner' choices
    (( files )) && _files
  fi
}}
_planner_entry() {{
  case "$1" in
{chr(10).join(cases)}
  esac
}}
_planner "$@"
"""


def _fish(found: list[Entry]) -> str:
    lines = ["# fish completion of planner; written by `planner completion fish`"]
    for entry in found:
        below = {other.path[-1]: other.help for other in found if other.path and other.path[:-1] == entry.path}
        seen = [f"__fish_seen_subcommand_from {word}" for word in entry.path]
        mine = "; and ".join(seen) or "__fish_use_subcommand"
        once = mine if not (entry.path and below) else f"{mine}; and not __fish_seen_subcommand_from {' '.join(below)}"
        if not entry.files:
            lines.append(f"complete -c planner -n '{once}' -f")
        for word in entry.words:
            if below.get(word):
                lines.append(f"complete -c planner -n '{once}' -f -a '{word}' -d '{_told(below[word])}'")
        if bare := [word for word in entry.words if not below.get(word)]:
            lines.append(f"complete -c planner -n '{once}' -f -a '{' '.join(bare)}'")
        for option in entry.options:
            spelled = " ".join(f"-l {name[2:]}" if name.startswith("--") else f"-s {name[1:]}" for name in option.names)
            value = ""
            if option.takes:
                value = " -r -F" if option.file else f" -x -a '{' '.join(option.choices)}'" if option.choices else " -x"
            lines.append(f"complete -c planner -n '{mine}' {spelled}{value} -d '{_told(option.help)}'")
    return "\n".join(lines) + "\n"


def _told(text: str) -> str:
    """Help in single quotes of fish."""
    return text.replace("\\", "\\\\").replace("'", "\\'")
