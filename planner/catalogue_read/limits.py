"""Published limits and the kinds that they are of: ``rules/limits/``."""

from __future__ import annotations

from typing import Any, Literal, cast

from planner.catalogue_read.chemistry import frac_code
from planner.catalogue_read.crops import known_stage
from planner.catalogue_read.reading import Reading, regions
from planner.catalogue_read.targets import pathogen_id
from planner.datafile import Row
from planner.errors import InputError, nearest
from planner.model import Confidence, Limit, LimitException, LimitKind, LimitTable

_KINDS_WITH_FRACTION = frozenset(
    (
        "max_share_of_total",
        "max_share_of_protection_period",
        "partner_min_rate_fraction",
        "min_rate_fraction",
        "reduced_rate_allowed",
    )
)
_KINDS_WITH_COUNT = frozenset(
    (
        "max_applications",
        "max_applications_adjust",
        "max_consecutive",
        "max_interval_days",
        "max_applications_per_active",
        "min_moa_in_mixture",
        "protection_days",
    )
)


def read_kinds(reading: Reading) -> None:
    """``kinds.yaml``: what each kind of limit means, and the words that limits use for crops and groups."""
    for layer, top in reading.documents("limits/kinds.yaml", rules=True):
        for kind, row in top.mapping("kinds", required=True):
            reading.once(layer, "kind", kind, row)
            found = LimitKind(
                kind=kind,
                means=row.text("means", required=True),
                rules=row.texts("rules"),
                fact_for=row.texts("fact_for"),
                carried=row.flag("carried"),
                reads=row.text("reads"),
            )
            if bool(found.rules) + bool(found.fact_for) + found.carried != 1:
                row.fail(
                    (),
                    f"kind '{kind}' is not one of checked, fact and carried",
                    "give one of rules, fact_for, carried",
                )
            reading.all.kinds[kind] = found
            row.finish()
        for word, row in top.mapping("crop_words"):
            crops = row.raw("crops")
            reading.all.crop_words[word] = None if crops == "every" else row.texts("crops")
            row.text("means")
            row.text("grade")
            row.finish()
        reading.all.crops_elsewhere = (*reading.all.crops_elsewhere, *top.texts("crops_elsewhere"))
        reading.all.code_words.update(top.words("code_words"))
        top.finish()


def read_limits(reading: Reading) -> None:
    """Every other file of ``limits/``: rows that rules check, and tables that are only shown."""
    for layer, top in reading.documents("limits/*.yaml", rules=True):
        for row in top.rows("limits"):
            limit = _limit(reading, layer, row)
            reading.all.limits[limit.id] = limit
            row.finish()
        for row in top.rows("tables_by_total"):
            table = _table(reading, layer, row)
            reading.all.tables[table.id] = table
            row.finish()
        if top.doc.name.endswith("kinds.yaml"):
            continue  # read before
        top.finish()
    reading.later(lambda: _check_links(reading))


def _table(reading: Reading, layer: int, row: Row) -> LimitTable:
    key = row.text("id", required=True)
    reading.once(layer, "table", key, row)
    values = _pairs(row, "values")
    return LimitTable(
        id=key,
        codes=_codes(reading, row, "codes"),
        crops=_crops(reading, row, "crops"),
        targets=row.texts("targets"),
        unit=row.text("unit"),
        values=values,
        use=row.flag("use"),
        use_note=row.text("use_note"),
        derived=row.flag("derived"),
        backing=reading.backing(row),
    )


def _limit(reading: Reading, layer: int, row: Row) -> Limit:
    key = row.text("id", required=True)
    reading.once(layer, "limit", key, row)
    kind = row.text("kind", required=True)
    if kind and kind not in reading.all.kinds:
        near = nearest(kind, reading.all.kinds)
        cure = f"did you mean '{near[0]}'?" if near else "add it to kinds.yaml"
        row.fail("kind", f"unknown kind '{kind}'", cure)
    value = _value(row, kind)
    crops = _crops(reading, row, "crops")
    stages = _stages(reading, row, crops)
    exceptions = _exceptions(row)
    memory = row.words("crops_from_memory")
    countries = row.texts("countries")
    regions(row, "countries", countries)
    return Limit(
        id=key,
        authority=row.text("authority", required=True),
        kind=kind,
        codes=_codes(reading, row, "codes"),
        crops=crops,
        text=row.text("text", required=True),
        value=value,
        targets=_pathogens(reading, row, "targets"),
        except_targets=_pathogens(reading, row, "except_targets"),
        crops_except=_crops(reading, row, "crops_except"),
        countries=countries,
        unit=row.text("unit"),
        counted=cast(Any, row.text("counted", one_of=("each", "together", "same_product")) or "each"),
        target_passes=_span(row, "target_passes"),
        group_passes=_span(row, "group_passes"),
        stages=stages,
        last_pass=row.flag("last_pass"),
        uses=cast(Literal["solo", "mixed", "both", ""], row.text("uses", one_of=("solo", "mixed", "both"))),
        needs=row.plain("needs"),
        actives=row.texts("actives"),
        adjusts=row.texts("adjusts"),
        combine=row.text("combine", one_of=("stricter",)),
        exceptions=exceptions,
        codes_from=row.text("codes_from"),
        codes_not_in=row.text("codes_not_in"),
        unless_codes=_codes(reading, row, "unless_codes"),
        partners_named=_codes(reading, row, "partners_named"),
        adjacent_only=row.flag("adjacent_only"),
        crops_from_memory={crop: cast(Confidence, own) for crop, own in memory.items()},
        superseded_by=row.text("superseded_by"),
        then_codes=_codes(reading, row, "then_codes"),
        after=row.plain("after"),
        blocks=row.plain("blocks"),
        preferred=row.number("preferred", 0, 60),
        scope=row.text("scope"),
        also=row.plain("also"),
        exception=row.text("exception"),
        basis=row.words("basis"),
        strength=row.text("strength"),
        condition=row.text("condition"),
        date=row.date("date"),
        date_grade=row.text("date_grade"),
        date_words=row.text("date_words"),
        backing=reading.backing(row),
    )


# --- parts of a row -------------------------------------------------------------------------------------------------


def _value(row: Row, kind: str) -> Any:
    """The value as its kind asks for it: a share, a whole number, or what stands there."""
    if "value" not in row.data:
        row.fail((), "'value' is missing", "add 'value: ...'")
    value = row.raw("value")
    if kind in _KINDS_WITH_FRACTION:
        return row.fraction("value")
    if kind in _KINDS_WITH_COUNT:
        number = row.number("value", 1, 60, required=True)
        return None if number is None else int(number)
    return value


def _codes(reading: Reading, row: Row, key: str) -> tuple[str, ...]:
    """Codes of a limit, words kept."""
    return tuple(
        code if code in reading.all.code_words or code == "all" else frac_code(reading, row, (key, index), code)
        for index, code in enumerate(row.texts(key))
    )


def _crops(reading: Reading, row: Row, key: str) -> tuple[str, ...]:
    """Crops of a limit, words kept."""
    names = row.texts(key)
    known = (*reading.all.crops, *reading.all.crop_words, *reading.all.crops_elsewhere)
    for index, name in enumerate(names):
        if name not in known:
            near = nearest(name, known)
            cure = f"did you mean '{near[0]}'?" if near else "add it to crops_elsewhere of kinds.yaml"
            row.fail((key, index), f"unknown crop '{name}'", cure)
    return names


def _pathogens(reading: Reading, row: Row, key: str) -> tuple[str, ...]:
    return tuple(pathogen_id(reading, row, (key, index), name) for index, name in enumerate(row.texts(key)))


def _stages(reading: Reading, row: Row, crops: tuple[str, ...]) -> tuple[str, str] | None:
    """First and last stage, on the scale of the first crop that the row names."""
    named = [crop for crop in crops if crop in reading.all.crops]
    for word in crops:
        named += reading.all.crop_words.get(word) or ()
    stages = row.texts("stages")
    if stages and len(stages) != 2:
        row.fail("stages", "'stages' has to be two stages", "write [first, last]")
    for code in stages:
        if named:
            known_stage(reading, row, "stages", named[0], code)
    return (stages[0], stages[1]) if len(stages) == 2 else None


def _exceptions(row: Row) -> tuple[LimitException, ...]:
    exceptions = []
    for entry in row.rows("exceptions"):
        exceptions.append(
            LimitException(
                target=entry.text("target", required=True),
                from_stage=entry.text("from_stage", required=True),
                value=entry.number("value", 0, 60, required=True) or 0,
            )
        )
        entry.finish()
    return tuple(exceptions)


def _span(row: Row, key: str) -> tuple[int | None, int | None] | None:
    value = row.raw(key)
    if value is None:
        return None
    if (
        not isinstance(value, list)
        or len(value) != 2
        or not all(item is None or (isinstance(item, int) and not isinstance(item, bool)) for item in value)
    ):
        row.fail(key, f"'{key}' has to be [least, most]", "write [4, 6], or [7, null] for an open end")
        return None
    return value[0], value[1]


def _pairs(row: Row, key: str) -> tuple[tuple[int, int], ...]:
    """A list of ``[passes in all, most with the group]``."""
    value = row.raw(key)
    if value is None:
        return ()
    for pair in value if isinstance(value, list) else (value,):
        whole = isinstance(pair, list) and all(type(item) is int for item in pair)
        if not whole or len(pair) != 2:
            row.fail(key, f"'{key}' has to be a list of [total, most]", "write [[1, 1], [2, 1], [3, 2]]")
            return ()
    return tuple((total, most) for total, most in value)


def _check_links(reading: Reading) -> None:
    """Note a limit that leans on one that is not there."""
    limits = reading.all.limits
    for limit in limits.values():
        for other in (*limit.adjusts, limit.superseded_by, limit.codes_from, limit.codes_not_in):
            if other and other not in limits:
                near = nearest(other, limits)
                place = reading.all.places[("limit", limit.id)]
                cure = f"did you mean '{near[0]}'?" if near else ""
                reading.problem(InputError(place, f"there is no limit '{other}'", cure))
