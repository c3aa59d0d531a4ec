"""Completion scripts for bash, zsh and fish from an argparse parser."""

from __future__ import annotations

import argparse

from planner.model import Struct


class Option(Struct, frozen=True, kw_only=True):
    """One option of one command."""

    names: tuple[str, ...]
    help: str
    takes: bool
    choices: tuple[str, ...]


class Entry(Struct, frozen=True, kw_only=True):
    """One command line to complete after ``path``: its words and its options."""

    path: tuple[str, ...]
    help: str
    words: tuple[str, ...]
    options: tuple[Option, ...]


def script(shell: str, parser: argparse.ArgumentParser) -> str:
    """The script of one shell.

    Raises:
        KeyError: the shell is not bash, zsh or fish.
    """
    return {"bash": _bash, "zsh": _zsh, "fish": _fish}[shell](entries(parser))


def entries(parser: argparse.ArgumentParser, path: tuple[str, ...] = (), about: str = "") -> list[Entry]:
    """All commands and subcommands, outermost first."""
    words: list[str] = []
    options: list[Option] = []
    below: list[Entry] = []
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            helps = {one.dest: one.help or "" for one in action._choices_actions}
            words.extend(action.choices)
            for name, child in action.choices.items():
                below.extend(entries(child, (*path, name), helps.get(name, "")))
        elif action.option_strings:
            if action.help == argparse.SUPPRESS:
                continue
            options.append(
                Option(
                    names=tuple(action.option_strings),
                    help=action.help or "",
                    takes=action.nargs != 0,
                    choices=tuple(str(choice) for choice in action.choices or ()),
                )
            )
        elif action.choices:
            words.extend(str(choice) for choice in action.choices)
    return [Entry(path=path, help=about, words=tuple(words), options=tuple(options)), *below]


def _bash(found: list[Entry]) -> str:
    cases, values = [], []
    for entry in found:
        key = " ".join(entry.path)
        names = " ".join([*entry.words, *(name for option in entry.options for name in option.names)])
        cases.append(f'    "{key}") words="{names}" ;;')
        for option in entry.options:
            if option.choices:
                for name in option.names:
                    values.append(f'    "{key} {name}") words="{" ".join(option.choices)}" ;;')
    paths = " ".join(f'"{" ".join(entry.path)}"' for entry in found if entry.path)
    return f"""# bash completion of planner; written by `planner completion bash`
_planner() {{
  local current previous word path="" words=""
  current="${{COMP_WORDS[COMP_CWORD]}}"
  previous="${{COMP_WORDS[COMP_CWORD-1]}}"
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
  COMPREPLY=( $(compgen -W "$words" -- "$current") )
  if [[ "$current" != -* ]]; then COMPREPLY+=( $(compgen -f -- "$current") ); fi
}}
complete -o filenames -F _planner planner
"""


def _quoted(text: str) -> str:
    return text.replace("'", "").replace("[", "(").replace("]", ")").replace(":", ",")


def _zsh(found: list[Entry]) -> str:
    cases = []
    for entry in found:
        specs = []
        for option in entry.options:
            for name in option.names:
                value = ""
                if option.takes:
                    value = f":value:({' '.join(option.choices)})" if option.choices else ":file:_files"
                specs.append(f"'{name}[{_quoted(option.help)}]{value}'")
        below = {other.path[-1]: other.help for other in found if other.path[:-1] == entry.path and other.path}
        if entry.words:
            words = " ".join(f"'{word}:{_quoted(below.get(word, ''))}'" for word in entry.words)
            cases.append(f"    '{' '.join(entry.path)}') words=({words}); specs=({' '.join(specs)}) ;;")
        else:
            cases.append(f"    '{' '.join(entry.path)}') words=(); specs=({' '.join(specs)}) ;;")
    paths = " ".join(f"'{' '.join(entry.path)}'" for entry in found if entry.path)
    return f"""#compdef planner
# zsh completion of planner; written by `planner completion zsh`
_planner() {{
  local path_so_far="" word known joined
  local -a words_before=("${{(@)words[2,CURRENT-1]}}") specs
  local typed="$words[CURRENT]"
  for word in $words_before; do
    joined="${{path_so_far:+$path_so_far }}$word"
    for known in {paths}; do
      [[ "$known" == "$joined" ]] && path_so_far="$known"
    done
  done
  local -a choices
  _planner_entry "$path_so_far"
  if [[ "$typed" == -* || "$words[CURRENT-1]" == -* ]]; then
    _arguments $specs '*:file:_files'
  else
    (( $#choices )) && _describe 'planner' choices
    _files
  fi
}}
_planner_entry() {{
  case "$1" in
{chr(10).join(cases).replace("words=(", "choices=(")}
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
        for word in entry.words:
            once = mine if not entry.path else f"{mine}; and not __fish_seen_subcommand_from {' '.join(entry.words)}"
            help_text = _quoted(below.get(word, ""))
            lines.append(f"complete -c planner -n '{once}' -a '{word}' -d '{help_text}'")
        for option in entry.options:
            spelled = " ".join(f"-l {name[2:]}" if name.startswith("--") else f"-s {name[1:]}" for name in option.names)
            value = f" -x -a '{' '.join(option.choices)}'" if option.choices else " -r" if option.takes else ""
            lines.append(f"complete -c planner -n '{mine}' {spelled}{value} -d '{_quoted(option.help)}'")
    return "\n".join(lines) + "\n"
