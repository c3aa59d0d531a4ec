"""Tables of the documentation made from the code and the data: ``python tests/docs.py`` writes them afresh.

Each stands between ``<!-- NAME: begin ... -->`` and ``<!-- NAME: end -->``; tests/test_house.py fails where one is old.
"""

from __future__ import annotations

import argparse
import re
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))

from planner import cli, rulebook  # noqa: E402
from planner.commands import COMMANDS  # noqa: E402


def commands() -> str:
    """Every command with what it takes, from its parser."""
    lines = ["| command | for |", "|---|---|"]
    for name, summary in COMMANDS.items():
        parser = cli._choices(cli.parser(name))[name]
        lines.append(f"| `planner {' '.join([name, *_takes(parser)])}` | {summary} |")
    return "\n".join(lines)


def _takes(parser: argparse.ArgumentParser) -> list[str]:
    """Words after the command: names of its parts, or of its positional arguments."""
    words: list[str] = []
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            words.append(f"({', '.join(action.choices)})")
        elif not action.option_strings:
            word = action.metavar if isinstance(action.metavar, str) else action.dest.upper()
            many = "..." if action.nargs in ("+", "*") else ""
            words.append(f"[{word}{many}]" if action.nargs in ("?", "*") else f"{word}{many}")
    return words


def rules() -> str:
    """Every rule with code, name, title and severities, from its file."""
    lines = ["| code | name | finds | severity | status |", "|---|---|---|---|---|"]
    for rule in rulebook.load().rules:
        severities = ", ".join(dict.fromkeys(case.severity for case in rule.cases))
        title = " ".join(rule.words(rule.title).split()).replace("|", "\\|")
        lines.append(f"| {rule.code} | {rule.name} | {title} | {severities} | {rule.status} |")
    return "\n".join(lines)


TABLES = {"commands": (ROOT / "README.md", commands), "rules": (ROOT / "rules" / "README.md", rules)}


def renewed(name: str) -> tuple[Path, str, str]:
    """File, its text, and its text with the table made afresh."""
    path, make = TABLES[name]
    text = path.read_text(encoding="utf-8")
    block = re.compile(rf"(<!-- {name}: begin[^>]*-->\n).*?(<!-- {name}: end -->)", re.DOTALL)
    if not block.search(text):
        raise SystemExit(f"{path}: there is no '<!-- {name}: begin -->' ... '<!-- {name}: end -->'")
    return path, text, block.sub(lambda found: f"{found[1]}{make()}\n{found[2]}", text)


if __name__ == "__main__":
    for table in TABLES:
        target, _, new = renewed(table)
        target.write_text(new, encoding="utf-8")
