"""The shapes of all documents, declared once, and the reader that holds a document against its shape.

Each class is one mapping that a user may write: its keys, which of them are required, and what stands in
them. The ``Annotated`` text types say what kind of text it is, so that a bare number is answered with the
words to write. msgspec checks the whole document in one go; only when it objects does ``_first_problem``
walk the document to find the first wrong place in reading order and say it with line and cure.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Annotated, Any, Literal, Protocol, TypeVar, get_args

import msgspec

from planner import quantities
from planner.errors import InputError, nearest
from planner.model import Place, RatingClass
from planner.yamlio import Document

T = TypeVar("T", bound=msgspec.Struct)
Path = tuple[str | int, ...]

_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f]")  # YAML's escapes can write them into quoted text
_UPPER_CONTROL = re.compile(rb"\xc2[\x80-\x9f]")
LONGEST_TEXT = 1000  # characters of one value; common practice, no source: longer is no name, reason or amount


def _amount(*dimensions: str) -> msgspec.Meta:
    return msgspec.Meta(extra={"amount": dimensions})


def _say(cure: str) -> msgspec.Meta:
    return msgspec.Meta(extra={"cure": cure})


DateText = Annotated[str, _say("write a date as year-month-day, for example 2026-07-02")]
StageText = Annotated[str, msgspec.Meta(extra={"stage": True})]
GroupText = Annotated[str, msgspec.Meta(extra={"group": True})]
RateText = Annotated[str, _amount("liquid_rate", "solid_rate")]
DoseText = Annotated[str, _amount("dose")]
TotalText = Annotated[str, _amount("season_total")]
ContentText = Annotated[str, _amount("liquid_content", "solid_content")]
WaterText = Annotated[str, _amount("water")]
AreaText = Annotated[str, _amount("area")]
TankText = Annotated[str, _amount("tank")]
BoomText = Annotated[str, _amount("boom")]
SpacingText = Annotated[str, _amount("spacing")]
SpeedText = Annotated[str, _amount("speed")]
DaysText = Annotated[str, _amount("days")]
HoursText = Annotated[str, _amount("hours")]
CostText = Annotated[str, _amount("area_cost")]
PriceText = Annotated[str, _amount("liquid_price", "solid_price")]
StockText = Annotated[str, _amount("liquid_stock", "solid_stock")]
YieldText = Annotated[str, _amount("grain_yield")]
GrainPriceText = Annotated[str, _amount("grain_price")]

Pressure = Literal["low", "moderate", "high"]
Cultivar = Literal["susceptible", "moderate", "resistant"]
How = Literal["foliar", "seed", "in-furrow"]
Canopy = Literal["open", "closing", "closed"]
SeasonType = Literal["spring", "winter"]


class Shape(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Base of all shapes: a key that is not declared is refused."""


class TargetShape(Shape, frozen=True, kw_only=True):
    """One disease of a field."""

    target: str
    pressure: Pressure | None = None
    cultivar: Cultivar | None = None
    resistant: list[GroupText] = []


class GrainShape(Shape, frozen=True, kw_only=True):
    """What the crop yields and earns."""

    yield_: YieldText | None = msgspec.field(default=None, name="yield")
    price: GrainPriceText | None = None


class ApplicationShape(Shape, frozen=True, kw_only=True):
    """How the field is usually sprayed."""

    cost: CostText | None = None
    water: WaterText | None = None
    droplets: str | None = None
    tank: TankText | None = None
    boom: BoomText | None = None
    spacing: SpacingText | None = None
    speed: SpeedText | None = None


class SeasonShape(Shape, frozen=True, kw_only=True):
    """An earlier season: the groups of each of its passes."""

    season: int | str
    crop: str
    groups: list[list[GroupText]]


class TemperaturesShape(Shape, frozen=True, kw_only=True):
    """Daily least and most temperature, written inline."""

    unit: Literal["C", "F"]
    days: list[tuple[DateText, float, float]]


class FieldShape(Shape, frozen=True, kw_only=True):
    """The field document; also inline in a programme."""

    field: Literal[1] | None = None
    name: str | None = None
    crop: str
    area: AreaText | None = None
    country: Annotated[str, _say('write its two-letter code in quotes, for example "NO"')] | None = None
    region: str | None = None
    sown: DateText | None = None
    type: SeasonType | None = None
    stages: dict[str, DateText] = {}
    harvest: DateText | None = None
    targets: list[str | TargetShape] = []
    grain: GrainShape | None = None
    currency: str | None = None
    application: ApplicationShape | None = None
    history: list[SeasonShape] = []
    latitude: float | None = None
    maturity_group: str | None = None
    temperatures: str | TemperaturesShape | None = None


class LabelShape(Shape, frozen=True, kw_only=True):
    """What a product's label says for one crop."""

    rate: tuple[RateText, RateText] | None = None
    applications: int | None = None
    active_total: dict[str, TotalText] = {}
    interval: DaysText | None = None
    stages: tuple[StageText, StageText] | None = None
    harvest_interval: DaysText | None = None
    consecutive: int | None = None
    water: WaterText | None = None
    reentry: HoursText | None = None
    protection: DaysText | None = None
    targets: dict[str, RatingClass] = {}


class ProductShape(Shape, frozen=True, kw_only=True):
    """One product of a product list."""

    name: str
    kind: str | None = None
    formulation: str | None = None
    actives: dict[str, ContentText] = {}
    price: PriceText | None = None
    on_hand: StockText | None = None
    label: dict[str, LabelShape] = {}
    demo: bool = False


class ProductListShape(Shape, frozen=True, kw_only=True):
    """The product list document."""

    currency: str | None = None
    demo: bool = False
    products: list[ProductShape]


class TankShape(Shape, frozen=True, kw_only=True):
    """One product or bare active in a tank."""

    product: str | None = None
    active: str | None = None
    rate: RateText | None = None
    dose: DoseText | None = None


class PassShape(Shape, frozen=True, kw_only=True):
    """One pass."""

    date: DateText | None = None
    stage: StageText | None = None
    how: How = "foliar"
    tank: list[TankShape]
    water: WaterText | None = None
    droplets: str | None = None
    canopy: Canopy | None = None


class AcceptShape(Shape, frozen=True, kw_only=True):
    """A known departure."""

    rule: str
    passes: list[int] = []
    reason: str


class ProgrammeShape(Shape, frozen=True, kw_only=True):
    """The programme document."""

    programme: Literal[1] | None = None
    name: str | None = None
    field: str | FieldShape | None = None
    products: str | list[str | ProductShape] | None = None
    currency: str | None = None
    passes: list[PassShape]
    accept: list[AcceptShape] = []


class Origin(Protocol):
    """What knows where each value was written: a YAML document, or the rows of a table."""

    @property
    def data(self) -> Any:
        """Plain data."""

    def place(self, path: Path = ()) -> Place:
        """Where the value at ``path`` stands."""


class Part:
    """A shaped value together with where it was written: what the builders work on."""

    __slots__ = ("origin", "path")

    def __init__(self, origin: Origin, path: Path = ()) -> None:
        self.origin = origin
        self.path = path

    def at(self, *steps: str | int) -> Part:
        """The part below."""
        return Part(self.origin, (*self.path, *steps))

    @property
    def place(self) -> Place:
        """Where it stands."""
        return self.origin.place(self.path)

    def places(self, count: int) -> list[Place]:
        """Where each of the ``count`` entries of this list stands: as ``at(index).place``, but in one go."""
        if isinstance(self.origin, Document):
            return self.origin.places(self.path)
        return [self.at(index).place for index in range(count)]

    @property
    def key(self) -> str:
        """Name of the key, for messages."""
        return next((str(step) for step in reversed(self.path) if isinstance(step, str)), "value")

    @property
    def label(self) -> str:
        """``'tank'``, or ``an entry of 'tank'`` where a list entry is meant."""
        entry = bool(self.path) and isinstance(self.path[-1], int)
        return f"an entry of '{self.key}'" if entry else f"'{self.key}'"

    def error(self, problem: str, cure: str = "") -> InputError:
        """An error that points here; raise it."""
        return InputError(self.place, problem, cure)


def shaped(origin: Origin, type: type[T], kind: str) -> T:
    """The whole document as ``type``.

    Args:
        origin: the document.
        kind: what messages call it, for example ``field document``.

    Raises:
        InputError: a key is unknown, missing or holds the wrong kind of value; the first in reading order.
    """
    if not isinstance(origin.data, dict):
        keys = ", ".join(f"{field.encode_name}:" for field in msgspec.structs.fields(type)[:4])
        raise InputError(
            origin.place(),
            f"a {kind} is a list of keys with values, not {_kind_of(origin.data)}",
            f"begin with {keys}",
        )
    problem = None if _fit(origin.data) else _first_unfit(Part(origin))
    if problem is not None:
        raise problem
    try:
        return msgspec.convert(origin.data, type, strict=True)
    except msgspec.ValidationError as error:
        found = _first_problem(origin, (), origin.data, msgspec.inspect.type_info(type), {}, kind)
        raise found or InputError(origin.place(), f"this is no {kind}: {error}") from None


def _fit(data: Any) -> bool:
    """Whether ``_first_unfit`` surely finds nothing, by a quick look at all values written as JSON.

    There an empty value is ``null``, a control character below the space stands behind a backslash, the others are
    what they are in UTF-8 (U+007F, U+0080 to U+009F), and every text lies between two quotes.
    """
    try:
        text = msgspec.json.encode(data)
    except (UnicodeEncodeError, OverflowError):
        return False
    return (
        b"null" not in text
        and b"\\" not in text
        and (text.isascii() or not _UPPER_CONTROL.search(text))
        and b"\x7f" not in text
        and max(map(len, text.split(b'"'))) <= LONGEST_TEXT
    )


def _first_unfit(part: Part, node: Any = ...) -> InputError | None:
    """The first key or list entry that has no value, or holds more text than any name needs."""
    node = part.origin.data if node is ... else node
    if node is None:
        return part.error(f"'{part.key}' is empty", "write a value, or leave the key out")
    if isinstance(node, str) and len(node) > LONGEST_TEXT:
        return part.error(f"this text has {len(node)} characters", f"write at most {LONGEST_TEXT}")
    if isinstance(node, str) and _CONTROL.search(node):
        return part.error(f"a control character stands in '{part.key}'", "remove it")
    if isinstance(node, (dict, list)):
        for key, value in node.items() if isinstance(node, dict) else enumerate(node):
            if isinstance(key, str) and _CONTROL.search(key):
                return part.error("a control character stands in a key", "remove it")
            if value is None or isinstance(value, (str, dict, list)):
                found = _first_unfit(part.at(key), value)
                if found is not None:
                    return found
    return None


# --- the walk that finds the first wrong place --------------------------------------------------


def _first_problem(
    origin: Origin, path: Path, node: Any, type: Any, extra: dict[str, Any], kind: str
) -> InputError | None:
    """The first thing in ``node`` that does not fit ``type``, in the order in which the user wrote it."""
    info = msgspec.inspect
    part = Part(origin, path)
    if isinstance(type, info.Metadata):
        return _first_problem(origin, path, node, type.type, type.extra or {}, kind)
    if isinstance(type, info.UnionType):
        return _union_problem(part, node, type, extra, kind)
    if isinstance(type, info.StructType):
        return _struct_problem(part, node, type, kind)
    if isinstance(type, info.DictType):
        if not isinstance(node, dict):
            return part.error(f"{part.label} takes keys with values, not {_kind_of(node)}", _mapping_cure(part))
        for key, value in node.items():
            problem = _first_problem(origin, (*path, key), value, type.value_type, {}, kind)
            if problem:
                return problem
        return None
    if isinstance(type, (info.ListType, info.VarTupleType, info.TupleType)):
        return _list_problem(part, node, type, kind)
    if isinstance(type, info.LiteralType):
        return _literal_problem(part, node, type)
    return _scalar_problem(part, node, type, extra)


def _union_problem(part: Part, node: Any, type: Any, extra: dict[str, Any], kind: str) -> InputError | None:
    info = msgspec.inspect
    members = [member for member in type.types if not isinstance(member, info.NoneType)]
    for member in members:
        inner = member.type if isinstance(member, info.Metadata) else member
        if isinstance(node, dict) and isinstance(inner, (info.StructType, info.DictType)):
            return _first_problem(part.origin, part.path, node, member, extra, kind)
        if isinstance(node, list) and isinstance(inner, (info.ListType, info.TupleType, info.VarTupleType)):
            return _first_problem(part.origin, part.path, node, member, extra, kind)
    if isinstance(node, str) and any(_takes_text(member) for member in members):
        literals = [member for member in members if isinstance(member, info.LiteralType)]
        return _literal_problem(part, node, literals[0]) if literals else None
    return _first_problem(part.origin, part.path, node, members[0], extra, kind)


def _takes_text(type: Any) -> bool:
    info = msgspec.inspect
    inner = type.type if isinstance(type, info.Metadata) else type
    return isinstance(inner, (info.StrType, info.LiteralType))


def _struct_problem(part: Part, node: Any, type: Any, kind: str) -> InputError | None:
    fields = {field.encode_name: field for field in type.fields}
    if not isinstance(node, dict):
        keys = ", ".join(list(fields)[:4])
        return part.error(f"{part.label} takes keys with values, not {_kind_of(node)}", f"its keys are {keys}")
    for key, value in node.items():
        if key not in fields:
            here = part.at(key)
            near = nearest(key, fields, count=1)
            where = part.label if part.path else f"a {kind}"
            known = f"did you mean {near[0]}?" if near else f"its keys are {', '.join(fields)}"
            return here.error(f"unknown key '{key}' in {where}", known)
        problem = _first_problem(part.origin, (*part.path, key), value, fields[key].type, {}, kind)
        if problem:
            return problem
    for key, field in fields.items():
        if field.required and key not in node:
            where = f"entry of '{part.key}'" if part.path else kind
            return part.error(f"this {where} lacks '{key}'", f"add {_SAMPLES.get(key, f'{key}: ...')}")
    return None


_SAMPLES = {
    "crop": "crop: soybean",
    "passes": "passes: with a list of passes",
    "tank": "tank: [{product: NAME, rate: 0.6 L/ha}]",
    "target": "target: frogeye-leaf-spot",
    "rule": "rule: ROT01",
    "reason": "reason: with the reason in words",
    "name": "name: with the product's name",
    "season": "season: 2025",
    "groups": "groups: [[FRAC 11, FRAC 3], [FRAC 11]]",
    "products": "products: with a list of products",
    "unit": "unit: C",
    "days": "days: [[2026-05-12, 8.0, 21.5]]",
}


def _mapping_cure(part: Part) -> str:
    samples = {
        "stages": "write for example {R1: 2026-07-02, R3: 2026-07-16}",
        "actives": "write for example {azoxystrobin: 250 g/L}",
        "active_total": "write for example {azoxystrobin: 0.5 kg/ha}",
        "targets": "write for example {frogeye-leaf-spot: good}",
        "label": "write the crop as key, for example {soybean: {rate: [0.4 L/ha, 1.0 L/ha]}}",
    }
    return samples.get(part.key, "write 'key: value'")


def _list_problem(part: Part, node: Any, type: Any, kind: str) -> InputError | None:
    info = msgspec.inspect
    if not isinstance(node, list):
        cure = _SAMPLES.get(part.key, "") if part.key in ("groups", "tank") else ""
        if part.key == "passes" and isinstance(part.path[-1], str) and kind == "programme" and len(part.path) == 1:
            cure = "begin each pass with '- ', for example '- stage: R3'"
        return part.error(f"{part.label} takes a list, not {_kind_of(node)}", cure or "write [a, b], or '- ' lines")
    if isinstance(type, info.TupleType):
        if len(node) != len(type.item_types):
            cure = {
                "rate": "write the least and the most, for example [0.4 L/ha, 1.0 L/ha]",
                "stages": "write the first and the last stage, for example [V5, R6]",
                "days": "write day, least and most, for example [2026-05-12, 8.0, 21.5]",
            }.get(part.key, "")
            return part.error(f"'{part.key}' takes {len(type.item_types)} values, {len(node)} are given", cure)
        types: Sequence[Any] = type.item_types
    else:
        types = [type.item_type] * len(node)
    for index, (value, member) in enumerate(zip(node, types, strict=True)):
        problem = _first_problem(part.origin, (*part.path, index), value, member, {}, kind)
        if problem:
            return problem
    return None


# msgspec tells the words of a Literal in alphabetical order; messages keep the order in which they are declared
_ORDERS = [list(get_args(word)) for word in (Pressure, Cultivar, How, Canopy, SeasonType, RatingClass)]


def _literal_problem(part: Part, node: Any, type: Any) -> InputError | None:
    allowed = next((order for order in _ORDERS if set(order) == set(type.values)), list(type.values))
    if node in allowed and not isinstance(node, bool):
        return None
    if allowed == [1]:
        return part.error(
            f"'{part.key}: {_short(node)}' is not a version that the planner reads", f"write {part.key}: 1"
        )
    choices = ", ".join(str(value) for value in allowed)
    near = nearest(node, allowed, count=1) if isinstance(node, str) else ()
    cure = f"did you mean {near[0]}? It takes {choices}" if near else f"write one of {choices}"
    return part.error(f"'{part.key}' cannot be '{_short(node)}'", cure)


def _scalar_problem(part: Part, node: Any, type: Any, extra: dict[str, Any]) -> InputError | None:
    info = msgspec.inspect
    number = isinstance(node, (int, float)) and not isinstance(node, bool)
    key = part.key
    if isinstance(type, info.StrType):
        if isinstance(node, str):
            return None
        if number and "amount" in extra:
            return quantities.bare_number(_short(node), extra["amount"], place=part.place, name=key)
        if number and "group" in extra:
            scheme = "FRAC"
            return part.error(
                f"group code {_short(node)} is written as a number",
                f"write scheme and code, for example {scheme} {_short(node)}",
            )
        if number and "stage" in extra:
            return part.error(
                f"{key} {_short(node)} is written as a number",
                f"write the scale with it, for example BBCH{_short(node)} or R3",
            )
        if "cure" in extra:
            return part.error(f"'{key}' cannot be {_kind_of(node)}", extra["cure"])
        if isinstance(node, (int, float)):
            return part.error(f"'{key}' takes text, not {_kind_of(node)}", f'put it in quotes: "{_short(node)}"')
        return part.error(f"'{key}' takes text, not {_kind_of(node)}", "write one text in a line")
    if isinstance(type, info.BoolType):
        return None if isinstance(node, bool) else part.error(f"'{key}' takes true or false", "write true or false")
    if isinstance(type, info.IntType) and not (isinstance(node, int) and number):
        return part.error(f"'{key}' takes a whole number, not {_kind_of(node)}", "write a number such as 2")
    if isinstance(type, info.FloatType) and not number:
        return part.error(f"'{key}' takes a number, not {_kind_of(node)}", "write a number such as 43.5")
    return None


def _short(node: Any) -> str:
    text = {True: "true", False: "false"}[node] if isinstance(node, bool) else str(node)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _kind_of(node: Any) -> str:
    if node is None:
        return "nothing"
    if isinstance(node, bool):
        return f"'{_short(node)}'"
    if isinstance(node, (int, float)):
        return f"the number {_short(node)}"
    if isinstance(node, str):
        return f"the text '{_short(node)}'"
    return "a list" if isinstance(node, list) else "a mapping"
