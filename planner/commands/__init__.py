"""The commands of the planner, one module each, loaded only when chosen.

A command module offers ``add(subparsers) -> None`` (makes its parser with :func:`planner.cli.command`) and
``run(args) -> int`` (an exit code of :mod:`planner.exits`). To add one: write the module, put its line below.
"""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from types import ModuleType

# name and what it does, in the order of the help
_ALL: tuple[tuple[str, str], ...] = (
    ("draft", "draft the best sound programmes for a field"),
    ("audit", "say whether a programme is sound, and if not, what to change"),
    ("mend", "the fewest changes that leave no breach"),
    ("compare", "programmes side by side"),
    ("calendar", "stage dates, infection windows and spray windows of a field"),
    ("sheet", "what to put in the tank, pass by pass"),
    ("teach", "lessons and exercises on rotation and mixing"),
    ("explain", "a rule, group, active, target or stage in plain words"),
    ("catalog", "list, show and check what the planner knows"),
    ("rules", "list, check and scaffold the rules"),
    ("completion", "shell completion for bash, zsh or fish"),
)

COMMANDS: dict[str, str] = {name: summary for name, summary in _ALL if (Path(__file__).parent / f"{name}.py").exists()}


def module(name: str) -> ModuleType:
    """The module of one command."""
    return import_module(f"planner.commands.{name}")
