"""One sentence on leaves that unfold after a pass: what the strip's digits, which count treated leaves, do not tell."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from planner.render import words


def lines(cover: Iterable[Mapping[str, Any]]) -> tuple[str, ...]:
    """Working actives that do not reach new leaves, those that do, and those of which no source says.

    ``cover`` as the report carries it; without ``uses`` in it there is nothing to say.
    """
    kinds: dict[bool | None, dict[str, set[int]]] = {False: {}, True: {}, None: {}}
    for entry in cover:
        for use in entry.get("uses", ()):
            if use["effective"]:
                kinds[use["new_leaves"]].setdefault(use["active"], set()).add(use["pass"])
    if not any(kinds.values()):
        return ()
    parts = []
    if kinds[False]:
        parts.append(f"{_named(kinds[False])} stays on the leaves it met and leaves them bare")
    if kinds[True]:
        parts.append(f"{_named(kinds[True])} moves into them")
    if kinds[None]:
        parts.append(f"of {_named(kinds[None])} no source here says whether it reaches them")
    return (f"leaves that unfold after a pass are not in these digits: {'; '.join(parts)}",)


def _named(found: Mapping[str, set[int]]) -> str:
    return words.joined(f"{words.safe(name)} ({words.passes(sorted(numbers))})" for name, numbers in found.items())
