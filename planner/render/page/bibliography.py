"""Numbered sources: a number is given where a source is first cited, and the list is printed at the end."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from planner.model import Source, Struct

Words = Source | str


class Cited(Struct, frozen=True, kw_only=True):
    """One numbered source; the address is printed, never linked, so that paper and screen say the same."""

    number: int
    words: str
    address: str = ""
    note: str = ""


class Bibliography:
    """Hands out numbers in the order of first use."""

    def __init__(self, known: Mapping[str, Words]) -> None:
        self._known = known
        self._numbers: dict[str, int] = {}

    def cite(self, keys: Iterable[str]) -> list[int]:
        """Numbers of these keys (a text that is no key is a source in its own words)."""
        return [self._numbers.setdefault(key, len(self._numbers) + 1) for key in dict.fromkeys(keys)]

    def listed(self) -> list[Cited]:
        """All that was cited, by number."""
        found = []
        for key, number in self._numbers.items():
            source = self._known.get(key, key)
            if isinstance(source, Source):
                found.append(Cited(number=number, words=source.words, address=source.address, note=source.note))
            else:
                found.append(Cited(number=number, words=source))
        return found
