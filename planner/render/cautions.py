"""The usual cautions, from ``shared/cautions.yaml``: they end everything that may end in a tank."""

from __future__ import annotations

from functools import cache

from planner import places
from planner.errors import RulebookError
from planner.model import Struct


class Caution(Struct, frozen=True, kw_only=True):
    """One caution with what it rests on."""

    id: str
    title: str
    text: str
    grade: str
    source: str


class _File(Struct, frozen=True, kw_only=True):
    cautions: int
    items: tuple[Caution, ...]


@cache
def load() -> tuple[Caution, ...]:
    """All cautions in the order of the file; read once, from the compiled copy where there is one.

    Raises:
        RulebookError: an entry lacks its text, grade or source.
    """
    from planner import compiled

    path = places.folder("shared") / "cautions.yaml"
    return compiled.section("cautions", _read, _File, [path, *compiled.code("render/cautions")]).items


def _read() -> _File:
    import msgspec

    from planner import yamlio

    path = places.folder("shared") / "cautions.yaml"
    try:
        return msgspec.convert(yamlio.read(path).data, _File)
    except msgspec.ValidationError as error:
        raise RulebookError(str(path), f"not a list of cautions: {error}", "see the head of the file") from None
