"""Text with a unit becomes a number in base units, and a number is printed back, metric or US.

Two consultants who type ``10 fl oz/ac`` and ``0.73 L/ha`` mean the same; a bare ``10`` means nothing, so it
is refused. Spellings, ranges and printed units are data (``catalog/units.yaml``). Factors come from pint when
the catalogue is compiled, as decimals, so that ``0.07 kg/ha`` is exactly 70 g/ha and a label's limit equals
the same rate typed later.

Base units: L/ha and kg/ha (product), g/ha (active), g/L and g/kg (content), L/ha (water), ha, L, m, km/h,
days, hours, kg/ha (yield), money per ha, per L and per kg. Definitions: NIST Handbook 44, Appendix C.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Literal

from planner import compiled, places
from planner.errors import InputError, RulebookError, nearest
from planner.model import Place, Struct

System = Literal["metric", "us"]

_NUMBER = re.compile(r"([+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+))\s*(.*)\Z", re.DOTALL)
_GROUPED = re.compile(r"[+-]?[0-9]+(?:[.,' ][0-9]+)+(?=\s|\Z|[^0-9])")
_MONEY = "money"
_MOST_DIGITS = 30
_MOST_KEPT = 4_000  # amounts read before, some 300 bytes each


class Unit(Struct, frozen=True, kw_only=True):
    """One unit of one kind; ``factor`` in the kind's own base (L, g, ha, m, h), None for the bushel."""

    name: str
    kind: str
    factor: str | None


class Dimension(Struct, frozen=True, kw_only=True):
    """What a key of a document holds: its kinds, base unit, printed units and believable range."""

    words: str
    of: tuple[str, ...]
    base: str
    metric: str
    us: str
    us_words: str
    us_else: str
    examples: tuple[str, ...]
    least: float
    most: float
    zero: bool
    digits: int | None
    decimals: int | None


class UnitTable(Struct, frozen=True, kw_only=True):
    """``catalog/units.yaml``, compiled."""

    units: dict[str, Unit]  # folded spelling -> unit
    compounds: dict[str, tuple[str, tuple[str, str], str]]  # folded spelling -> printed, kinds, factor
    whole: dict[str, str]
    refused: dict[str, str]
    dimensions: dict[str, Dimension]


class _Raw(Struct, frozen=True, kw_only=True):
    version: int
    sources: list[str]
    range_grade: str
    units: dict[str, dict[str, _RawUnit]]
    compound: dict[str, _RawCompound]
    whole: dict[str, str]
    refused: dict[str, str]
    dimensions: dict[str, _RawDimension]


class _RawUnit(Struct, frozen=True, kw_only=True):
    pint: str = ""
    unit: str = ""
    also: tuple[str, ...] = ()


class _RawCompound(Struct, frozen=True, kw_only=True):
    pint: str
    of: tuple[str, str]
    also: tuple[str, ...] = ()


class _RawDimension(Struct, frozen=True, kw_only=True):
    words: str
    of: list[str]
    base: str
    us: str
    examples: list[str]
    range: tuple[float, float]
    metric: str = ""
    us_words: str = ""
    us_else: str = ""
    zero: bool = False
    digits: int | None = None
    decimals: int | None = None


_KIND_BASE = {"volume": "liter", "mass": "gram", "area": "hectare", "length": "meter", "time": "hour"}


@cache
def table() -> UnitTable:
    """The compiled unit table.

    Raises:
        RulebookError: ``catalog/units.yaml`` is wrong.
    """
    files: list[Path | str] = [
        places.folder("catalog") / "units.yaml",
        *compiled.code("quantities", "datafile", "yamlio"),
    ]
    return compiled.section("units", build, UnitTable, files)


def build() -> UnitTable:
    """Read ``catalog/units.yaml`` and let pint work out every factor (slow: imports pint).

    Raises:
        RulebookError: an unknown key, a value of another type, an unknown pint expression, or a spelling that is given
            twice.
    """
    import pint

    from planner import datafile, yamlio

    path = places.folder("catalog") / "units.yaml"
    document = yamlio.read(path)
    raw = datafile.typed(document, _Raw)
    registry: pint.UnitRegistry[Decimal] = pint.UnitRegistry(non_int_type=Decimal)

    def factor(expression: str, base: str, *where: str) -> str:
        try:
            quantity = Decimal(1) * registry.parse_expression(expression)
            return str(quantity.to(base).magnitude.normalize())
        except (pint.errors.PintError, AttributeError) as error:
            raise RulebookError(document.place(where), f"pint cannot convert '{expression}': {error}") from None

    units: dict[str, Unit] = {}
    compounds: dict[str, tuple[str, tuple[str, str], str]] = {}
    for kind, members in raw.units.items():
        for name, entry in members.items():
            number = None if entry.unit == "bushel" else factor(entry.pint, _KIND_BASE[kind], "units", kind, name)
            unit = Unit(name=name, kind=kind, factor=number)
            for spelling in (name, *entry.also):
                if _fold(spelling) in units and units[_fold(spelling)] != unit:
                    place = document.place(("units", kind, name))
                    raise RulebookError(place, f"'{spelling}' is spelled twice", "give it to one unit")
                units[_fold(spelling)] = unit
    for name, compound in raw.compound.items():
        top, bottom = (_KIND_BASE[kind] for kind in compound.of)
        found = (name, compound.of, factor(compound.pint, f"{top} / {bottom}", "compound", name))
        for spelling in (name, *compound.also):
            compounds[_fold(spelling)] = found
    dimensions = {
        name: Dimension(
            words=entry.words,
            of=tuple(entry.of),
            base=entry.base,
            metric=entry.metric or entry.base,
            us=entry.us,
            us_words=entry.us_words or entry.us,
            us_else=entry.us_else,
            examples=tuple(entry.examples),
            least=entry.range[0],
            most=entry.range[1],
            zero=entry.zero,
            digits=entry.digits,
            decimals=entry.decimals,
        )
        for name, entry in raw.dimensions.items()
    }
    return UnitTable(
        units=units,
        compounds=compounds,
        whole={_fold(key): value for key, value in raw.whole.items()},
        refused={_fold(key): value for key, value in raw.refused.items()},
        dimensions=dimensions,
    )


# --- reading ------------------------------------------------------------------------------------------


def read(
    text: str,
    dimension: str,
    *,
    place: Place | None = None,
    name: str = "",
    bushel_kg: float | None = None,
    crop: str = "",
) -> float:
    """Number in base units of one amount.

    Args:
        text: number and unit, for example ``10 fl oz/ac``.
        dimension: key of ``dimensions`` in ``catalog/units.yaml``.
        place, name: where it stands and the key it belongs to, for messages.
        bushel_kg, crop: weight of a bushel of this crop; without it bushels are refused.

    Raises:
        InputError: no number or unit, an unknown unit or one of another kind, or an amount that nobody means.

    >>> read("1 gal/ac", "water")
    9.353956228956228
    """
    value, _ = read_any(text, (dimension,), place=place, name=name, bushel_kg=bushel_kg, crop=crop)
    return value


def read_any(
    text: str,
    dimensions: Sequence[str],
    *,
    place: Place | None = None,
    name: str = "",
    bushel_kg: float | None = None,
    crop: str = "",
) -> tuple[float, str]:
    """As ``read`` for a key that takes one of several dimensions; tells which one it was.

    >>> read_any("0.5 kg/ha", ("liquid_rate", "solid_rate"))
    (0.5, 'solid_rate')
    """
    kinds_wanted = tuple(dimensions)
    value = known(text, kinds_wanted, bushel_kg)
    if value is None:
        value = _read(text, kinds_wanted, place or Place(), name or "amount", bushel_kg, crop)
        if len(_KEPT) >= _MOST_KEPT:
            _KEPT.clear()
        _KEPT[text, kinds_wanted, bushel_kg] = value
    return value


# Amounts that were read, by all that their reading hangs on; the table of units stays the same while a process runs.
# A text that is refused is not kept: its message says where it stands.
_KEPT: dict[tuple[str, tuple[str, ...], float | None], tuple[float, str]] = {}


def known(text: str, dimensions: tuple[str, ...], bushel_kg: float | None = None) -> tuple[float, str] | None:
    """What ``read_any`` gave for this text before, or None."""
    return _KEPT.get((text, dimensions, bushel_kg))


def _read(
    text: str, dimensions: tuple[str, ...], where: Place, label: str, bushel_kg: float | None, crop: str
) -> tuple[float, str]:
    found = _NUMBER.match(text.strip())
    grouped = _GROUPED.match(text.strip())
    if grouped and not (found and found.group(1) == grouped.group()):
        raise InputError(
            where,
            f"{label} '{text}' has a comma or space in its number",
            "write the number with a decimal point and without separators, for example 1200 or 0.5",
        )
    if not found:
        raise InputError(where, f"{label} '{text}' does not begin with a number", f"write {example(dimensions)}")
    digits, rest = found.groups()
    if len(digits) > _MOST_DIGITS:
        raise InputError(where, f"{label} {digits[:12]}... has too many digits", f"write {example(dimensions)}")
    if not rest.strip():
        raise bare_number(digits, dimensions, place=where, name=label)
    amount = Decimal(digits)
    printed, kinds, top, bottom = _unit(rest, where, label, text, dimensions, bushel_kg, crop)
    for key in dimensions:
        dimension = table().dimensions[key]
        if dimension.of != kinds:
            continue
        base_top, base_bottom = _ratio(dimension.base, None)
        value = float(amount * top * base_bottom / (bottom * base_top))
        scale = float(bottom * base_top / (top * base_bottom))
        _check_range(digits, value, scale, printed, dimension, where, label)
        return value, key
    wanted = " or ".join(dict.fromkeys(table().dimensions[key].words for key in dimensions))
    raise InputError(
        where,
        f"{label} '{text}' is in {printed}, which does not fit {wanted}",
        f"write {example(dimensions)}",
    )


def fits(unit: str, dimensions: Sequence[str]) -> bool:
    """Whether ``unit`` measures one of the dimensions.

    >>> fits("fl oz/ac", ("liquid_rate",)), fits("medium", ("liquid_rate",))
    (True, False)
    """
    try:
        _, kinds, _, _ = _unit(unit, Place(), "unit", unit, dimensions, None, "")
    except InputError:
        return False
    return any(table().dimensions[key].of == kinds for key in dimensions)


def bare_number(
    number: object, dimensions: Sequence[str], *, place: Place | None = None, name: str = "amount"
) -> InputError:
    """The error for a number without unit; the cure shows the number with the units that fit."""
    choices = _alternatives(dimensions, str(number))
    return InputError(place or Place(), f"{name} {number} has no unit", f"write {' or '.join(choices)}")


def example(dimensions: Sequence[str]) -> str:
    """Amounts as one would write them, for a cure: ``28 ha or 70 ac``."""
    return " or ".join(dict.fromkeys(text for key in dimensions for text in table().dimensions[key].examples))


def _alternatives(dimensions: Sequence[str], number: str) -> list[str]:
    units = [text.split(" ", 1)[1] for key in dimensions for text in table().dimensions[key].examples]
    return [f"{number} {unit}" for unit in dict.fromkeys(units)]


def _fold(spelling: str) -> str:
    return " ".join(spelling.replace(".", " ").casefold().split())


def _unit(
    rest: str,
    place: Place,
    label: str,
    text: str,
    dimensions: Sequence[str],
    bushel_kg: float | None,
    crop: str,
) -> tuple[str, tuple[str, ...], Decimal, Decimal]:
    """Printed unit, its kinds, and numerator and denominator of its factor."""
    units = table()
    folded = _fold(rest)
    if folded in units.refused:
        raise InputError(place, f"{label} '{text}': '{rest.strip()}' can mean two things", units.refused[folded])
    if folded in units.compounds:
        printed, of, factor = units.compounds[folded]
        return printed, of, Decimal(factor), Decimal(1)
    folded = _fold(units.whole.get(folded, folded))
    money = folded.startswith(("per ", "/"))
    parts = [part.strip() for part in re.split(r"\s+per\s+|/", folded.removeprefix("per ").removeprefix("/"))]
    if len(parts) > 2 or (money and len(parts) > 1):
        raise InputError(place, f"{label} '{text}' has an unknown unit '{rest}'", f"write {example(dimensions)}")
    found: list[Unit] = []
    for part in parts:
        if part in units.refused:
            raise InputError(place, f"{label} '{text}': '{part}' can mean two things", units.refused[part])
        if part not in units.units:
            raise InputError(
                place, f"{label} '{text}' has an unknown unit '{rest}'", _cure(parts, part, money, dimensions)
            )
        found.append(units.units[part])
    factors = []
    for unit in found:
        if unit.factor is None:
            if bushel_kg is None:
                what = f"no bushel weight is known for {crop}" if crop else "bushels need a crop with a bushel weight"
                raise InputError(
                    place,
                    f"{label} '{text}': {what}",
                    f"write {_by_weight(dimensions) or example(dimensions)}",
                )
            factors.append(Decimal(repr(bushel_kg)) * 1000)
        else:
            factors.append(Decimal(unit.factor))
    names = [unit.name for unit in found]
    kinds = tuple(unit.kind for unit in found)
    if money:
        return f"per {names[0]}", (_MONEY, *kinds), Decimal(1), factors[0]
    if len(found) == 1:
        return names[0], kinds, factors[0], Decimal(1)
    return "/".join(names), kinds, factors[0], factors[1]


def _by_weight(dimensions: Iterable[str]) -> str:
    return " or ".join(text for key in dimensions for text in table().dimensions[key].examples if "bu" not in text)


def _cure(parts: list[str], wrong: str, money: bool, dimensions: Sequence[str]) -> str:
    units = table().units
    near = nearest(wrong, units, count=1)
    if not near:
        return f"write {example(dimensions)}"
    names = [units[near[0]].name if part == wrong else units[part].name if part in units else part for part in parts]
    return f"did you mean {'per ' if money else ''}{'/'.join(names)}? For example {example(dimensions)}"


def _check_range(
    digits: str, value: float, scale: float, printed: str, dimension: Dimension, place: Place, label: str
) -> None:
    if value == 0 and dimension.zero:
        return
    low, high = _plain(dimension.least * scale, 2), _plain(dimension.most * scale, 2)
    cure = f"write between {low} and {high} {printed}"
    if dimension.zero:
        cure += ", or 0"
    if digits.startswith("-") and value != 0:
        raise InputError(place, f"{label} {digits} {printed} is negative", cure)
    if value == 0:
        raise InputError(place, f"{label} is 0 {printed}", cure)
    slack = 1e-9
    if not dimension.least * (1 - slack) <= value <= dimension.most * (1 + slack):
        size = "small" if value < dimension.least else "large"
        raise InputError(place, f"{label} {digits} {printed} is too {size} for {dimension.words}", cure)


# --- printing ------------------------------------------------------------------------------------------


@cache
def _ratio(unit: str, bushel_kg: float | None) -> tuple[Decimal, Decimal]:
    _, _, top, bottom = _unit(unit, Place(), "unit", unit, (), bushel_kg, "")
    return top, bottom


def convert(
    value: float, dimension: str, system: System = "metric", *, bushel_kg: float | None = None
) -> tuple[float, str]:
    """Number and unit as ``system`` prints them, without rounding.

    >>> convert(28.0, "area")
    (28.0, 'ha')
    """
    entry = table().dimensions[dimension]
    unit = entry.metric if system == "metric" else entry.us
    if system == "us" and entry.us_else and bushel_kg is None:
        unit = entry.us_else
    top, bottom = _ratio(unit, bushel_kg)
    base_top, base_bottom = _ratio(entry.base, None)
    number = float(Decimal(repr(value)) * base_top * bottom / (base_bottom * top))
    return number, entry.us_words if unit == entry.us else unit


def show(
    value: float,
    dimension: str,
    system: System = "metric",
    digits: int | None = None,
    *,
    bushel_kg: float | None = None,
) -> str:
    """Amount with its unit; money with two decimals, the rest with ``digits`` significant digits.

    >>> show(0.6, "liquid_rate"), show(0.6, "liquid_rate", "us"), show(41, "liquid_price")
    ('0.6 L/ha', '8.21 fl oz/ac', '41.00 per L')
    """
    number, unit = convert(value, dimension, system, bushel_kg=bushel_kg)
    entry = table().dimensions[dimension]
    if entry.decimals is not None and digits is None:
        return f"{number:.{entry.decimals}f} {unit}"
    return f"{_plain(number, digits or entry.digits or 3)} {unit}"


def exact(value: float, dimension: str) -> str:
    """Amount in base units that ``read`` turns back into the very same number."""
    return f"{decimal_text(value)} {table().dimensions[dimension].base}"


def decimal_text(value: float) -> str:
    """A number written out: no exponent, no idle zeros."""
    text = format(Decimal(repr(float(value))), "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def _plain(number: float, digits: int) -> str:
    """``number`` with so many significant digits, never an exponent; whole numbers keep all their digits."""
    if number == 0:
        return "0"
    rounded = float(f"{number:.{digits}g}")
    if abs(rounded) >= 10**digits:
        rounded = float(round(number))
    return decimal_text(rounded)
