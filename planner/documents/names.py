"""Names and amounts that a user wrote become the catalogue's spelling and base units, or an error at
their line.
"""

from __future__ import annotations

import datetime
import re
from functools import lru_cache
from typing import TYPE_CHECKING

from planner import quantities
from planner.documents import words
from planner.documents.shapes import Part
from planner.errors import InputError, UnknownName
from planner.model import Active, Crop, Day, Group, Stage, Target

if TYPE_CHECKING:
    from planner.catalogue import Catalogue

_ISO = re.compile(r"([0-9]{4})-([0-9]{2})-([0-9]{2})\Z")
_BARE_CODE = re.compile(r"[A-Za-z]{0,2}[0-9]{1,2}[A-Za-z]?\Z")
_BARE_STAGE = re.compile(r"[0-9]{1,3}(?:\.[0-9]+)*\Z")
DATE_CURE = "write a date as year-month-day, for example 2026-07-02"
_FIRST_YEAR, _LAST_YEAR = 1950, 2100


class Names:
    """Looks names up in one catalogue; every miss is an ``InputError`` at the place of the part.

    Here and in the functions below ``steps`` lead from the part down to the text. They are walked only where there is
    an error to be placed: most texts are right, and a batch reads some millions of them.
    """

    def __init__(self, catalogue: Catalogue) -> None:
        self.catalogue = catalogue

    def active(self, text: str, part: Part, *steps: str | int) -> Active:
        """The active ingredient of this name."""
        try:
            return self.catalogue.active(text)
        except UnknownName as error:
            here = part.at(*steps)
            raise _unknown(here, error, "write its ISO common name, as 'planner catalog list' shows it") from None

    def crop(self, text: str, part: Part, *steps: str | int) -> Crop:
        """The crop of this name."""
        try:
            return self.catalogue.crop(text)
        except UnknownName as error:
            raise _unknown(part.at(*steps), error, "'planner catalog list' shows the crops") from None

    def target(self, crop: Crop, text: str, part: Part, *steps: str | int) -> Target:
        """The disease of this name, alias or pathogen on this crop."""
        try:
            return self.catalogue.target(crop.id, text)
        except UnknownName as error:
            here = part.at(*steps)
            raise _unknown(here, error, f"'planner catalog list' shows the diseases of {crop.name}") from None

    def stage(self, crop: Crop, text: str, part: Part, *steps: str | int) -> Stage:
        """The growth stage of this code on this crop."""
        if _BARE_STAGE.match(text):
            raise part.at(*steps).error(
                f"stage '{text}' names no scale",
                f"write the scale with it, for example BBCH{text} or {_sample(crop)}",
            )
        try:
            return self.catalogue.stage(crop.id, text)
        except UnknownName as error:
            here = part.at(*steps)
            raise _unknown(here, error, f"write a stage of {crop.name}, for example {_sample(crop)}") from None

    def group(self, text: str, part: Part, *steps: str | int) -> Group:
        """The mode-of-action group of this code."""
        if _BARE_CODE.match(text.strip()):
            raise part.at(*steps).error(
                f"group code '{text}' names no scheme",
                f"write scheme and code, for example FRAC {text.strip()}",
            )
        try:
            return self.catalogue.group(self.catalogue.normal_group(text))
        except UnknownName as error:
            here = part.at(*steps)
            raise _unknown(here, error, "write scheme and code, for example FRAC 11 or IRAC 4A") from None


def _unknown(part: Part, error: UnknownName, otherwise: str) -> InputError:
    return part.error(f"unknown {error.kind} '{error.name}'", error.cure or otherwise)


def _sample(crop: Crop) -> str:
    """A code to show as an example: the crop in flower."""
    return next((stage.code for stage in crop.stages if stage.bbch >= 65), "BBCH65")


def droplets(text: str, part: Part, *steps: str | int) -> str:
    """Class code of a droplet class."""
    try:
        return words.droplet_class(text)
    except UnknownName as error:
        known = ", ".join(entry.name for entry in words.words().droplets.values())
        here = part.at(*steps)
        raise here.error(f"unknown droplet class '{text}'", error.cure or f"write one of {known}") from None


@lru_cache(maxsize=4096)
def iso_date(text: str) -> Day | None:
    """A date written year-month-day (ISO 8601, extended form), or None."""
    found = _ISO.match(text)
    if not found:
        return None
    year, month, day = (int(number) for number in found.groups())
    try:
        return datetime.date(year, month, day)
    except ValueError:
        return None


def date(text: str, part: Part, *steps: str | int) -> Day:
    """A date written year-month-day."""
    value = iso_date(text)
    if value is not None and _FIRST_YEAR <= value.year <= _LAST_YEAR:
        return value
    part = part.at(*steps)
    if value is None:
        what = "is not in the calendar" if _ISO.match(text) else "is no date that the planner reads"
        raise part.error(f"{part.key} '{text}' {what}", DATE_CURE)
    raise part.error(f"{part.key} {text} is not a year of this time", DATE_CURE)


def amount(
    text: str, dimensions: tuple[str, ...], part: Part, *steps: str | int, crop: Crop | None = None
) -> tuple[float, str]:
    """Number in base units, and the dimension it was in."""
    bushel = crop.bushel_kg if crop else None
    known = quantities.known(text, dimensions, bushel)
    if known is not None:
        return known
    here = part.at(*steps)
    name = crop.name if crop else ""
    return quantities.read_any(text, dimensions, place=here.place, name=here.key, bushel_kg=bushel, crop=name)


def number(text: str, dimension: str, part: Part, *steps: str | int) -> float:
    """Number in base units of one dimension."""
    return amount(text, (dimension,), part, *steps)[0]


def title(text: str | None, part: Part, *steps: str | int) -> str:
    """A name without spaces around it; an empty one is refused."""
    if text is None:
        return ""
    clean = " ".join(text.split())
    if not clean:
        part = part.at(*steps)
        raise part.error(f"'{part.key}' is empty", "write a name, or leave the key out")
    return clean


def currency(text: str | None, part: Part, *steps: str | int) -> str:
    """An ISO 4217 code in capitals, or empty."""
    if text is None:
        return ""
    if not re.fullmatch(r"[A-Za-z]{3}", text.strip()):
        raise part.at(*steps).error(
            f"currency '{text}' is no ISO 4217 code", "write three letters, for example CAD, USD, EUR or GBP"
        )
    return text.strip().upper()
