"""Shapes of the data files that other rooms take as they stand: ``spraying.yaml`` and ``selection.yaml``.

The spray sheet, the money and the selection index read these files as plain mappings. They are read here once by every
key they may hold, so that a slip in a user's own copy is told with its file and line and not by the room that meets it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from planner.datafile import Row

MOST_KG_HA = 100_000.0


def spraying(top: Row) -> None:
    """Note everything in ``spraying.yaml`` that is not as the grammar at its head says."""
    top.integer("spraying", 1, 1, required=True)
    droplets = _part(top, "droplets")
    if droplets is not None:
        for row in _graded(droplets, "classes", required=True):
            row.text("code", required=True)
            row.text("name", required=True)
            row.text("color")
            row.pair("microns", 0, 5000)
            row.pair("also_printed", 0, 5000)
        _texts(droplets, "notes")
        choice = droplets.row("fungicide_choice")
        if choice is not None:
            choice.texts("classes", required=True)
            _end(choice)
        droplets.finish()
    for row in _graded(top, "volume"):
        row.text("use", required=True)
        _open_pair(row, "l_ha", 5000)
        row.number("most_km_h", 0, 60)
        row.number("pressure_kpa", 0, 5000)
    _texts(top, "canopy_facts")
    calibration = top.row("calibration")
    if calibration is not None:
        _one(calibration, "nozzle_wear", lambda row: row.number("share", 0, 1, required=True))
        _one(calibration, "catch_test", lambda row: row.number("fl_oz_per_gal", 1, 1000, required=True))
        calibration.finish()
    _mixing(top)
    _reentry(top)
    for row in _graded(top, "cautions"):
        row.text("id", required=True)
        row.text("text", required=True)
        row.pair("days", 0, 365)
    _economics(top)
    top.finish()


def selection(top: Row) -> None:
    """Note everything in ``selection.yaml`` that is not as its comments say."""
    top.integer("selection", 1, 1, required=True)
    classes = _part(top, "omega_by_class")
    if classes is not None:
        count = 0
        for _name, row in classes.mapping("classes", required=True):
            row.number("omega", 0, 1, required=True)
            row.texts("also")
            row.finish()
            count += 1
        if not count and isinstance(classes.data.get("classes"), dict):
            classes.fail("classes", "'classes' is empty", "write at least one class with its omega")
        _end(classes)
    for key, most in (("theta", 1000.0), ("theta_multisite", 1000.0), ("half_life_days", 365.0)):
        value = _part(top, key)
        if value is not None:
            value.number("value", 1e-6, most, required=True)
            value.text("unit")
            if key == "half_life_days":
                _numbers(value, "band", 2, most)
            _end(value)
    for _name, row in top.mapping("published_sets"):
        row.number("omega", 0, 1, required=True)
        row.number("theta", 1e-6, 1000, required=True)
        row.number("lambda", 1e-9, 100, required=True)
        row.text("unit", required=True)
        row.text("stage")
        _end(row)
    models = _part(top, "season_models")
    if models is not None:
        _season_model(models, "wheat", _WHEAT)
        _season_model(models, "grape", _GRAPE, _BEFORE_AND_AFTER_TOPPING)
        models.finish()
    top.finish()


# --- parts of spraying.yaml ---------------------------------------------------------------------------------------


def _mixing(top: Row) -> None:
    mixing = _part(top, "mixing")
    if mixing is None:
        return
    for row in _graded(mixing, "order", required=True):
        row.integer("step", 1, 99, required=True)
        row.text("letter", required=True)
        row.text("add", required=True)
        row.texts("formulations", required=True)
    for key in ("before_all", "label_first", "most_partners"):
        _one(mixing, key, lambda row: row.integer("partners", 1, 20), required=True)
    _one(mixing, "also_taught", lambda row: None)
    _texts(mixing, "unlabelled_mix")
    jar = _part(mixing, "jar_test")
    if jar is not None:
        for key in ("text", "good", "bad"):
            jar.text(key, required=True)
        _one(jar, "holds_for", lambda row: None)
        _end(jar)
    mixing.finish()


def _reentry(top: Row) -> None:
    reentry = _part(top, "reentry")
    if reentry is None:
        return
    for row in _graded(reentry, "by_toxicity", required=True):
        row.integer("worst_category", 1, 4, required=True)
        row.number("hours", 0, 2000, required=True)
    _one(reentry, "low_risk", lambda row: row.number("hours", 0, 2000, required=True))
    _one(reentry, "mix", lambda row: None)
    _one(reentry, "where", lambda row: None)
    reentry.finish()


def _economics(top: Row) -> None:
    economics = _part(top, "economics")
    if economics is None:
        return
    _one(economics, "break_even", lambda row: None)
    for row in _graded(economics, "printed_costs_usd_ac"):
        row.text("what", required=True)
        row.pair("range", 0, 10_000)
        row.number("value", 0, 10_000)
        row.number("product_only", 0, 10_000)
        row.date("year")
    _texts(economics, "flags")
    for row in _graded(economics, "responses", required=True):
        row.text("crop", required=True)
        for key in ("stage", "printed", "condition", "area", "pays"):
            row.text(key)
        if isinstance(row.data.get("kg_ha"), list):
            row.pair("kg_ha", -MOST_KG_HA, MOST_KG_HA)
        else:
            row.number("kg_ha", -MOST_KG_HA, MOST_KG_HA)
        row.number("percent", -100, 1000)
        if row.data.get("kg_ha") is None and row.data.get("percent") is None:
            row.fail((), "the response has no amount", "add 'kg_ha: ...' or 'percent: ...'")
        row.pair("interval", -MOST_KG_HA, MOST_KG_HA)
        row.integer("trials", 1, 1_000_000)
        row.integer("studies", 1, 1_000_000)
        row.raw("years")  # a year or a span of years, shown as it is written
        row.flag("headline")
    for row in _graded(economics, "pays_when"):
        row.text("text", required=True)
        row.number("share_of_years", 0, 1)
        row.text("area")
    economics.finish()


# --- parts of selection.yaml --------------------------------------------------------------------------------------

_WHEAT = (
    "start", "first_treatment", "second_treatment", "senescence_start", "end", "growth", "capacity", "canopy_start",
    "transmission", "latent_rate", "removal_rate", "inoculum_decay", "inoculum", "start_fraction", "critical_loss",
)  # fmt: skip
_GRAPE = (
    "start", "first_treatment", "second_treatment", "topping", "topping_loss", "yield_start", "yield_end", "end",
    "growth", "capacity", "growth_origin", "canopy_start", "transmission", "latent_rate", "removal_rate", "ontogenic",
    "inoculum", "start_fraction", "critical_loss",
)  # fmt: skip


_BEFORE_AND_AFTER_TOPPING = ("growth", "capacity", "growth_origin", "transmission")


def _season_model(models: Row, name: str, numbers: tuple[str, ...], pairs: tuple[str, ...] = ()) -> None:
    row = _part(models, name)
    if row is None:
        return
    row.text("title")
    row.text("unit")
    for key in numbers:
        if key in pairs:
            _numbers(row, key, 2, 1e12)
        else:
            row.number(key, 0, 1e12, required=True)
    count = 0
    for one in row.rows("fungicides", required=True):
        one.text("name", required=True)
        one.number("omega", 0, 1, required=True)
        one.number("theta", 1e-6, 1000, required=True)
        one.number("decay", 0, 100, required=True)
        one.flag("infection")
        one.flag("latent")
        one.finish()
        count += 1
    if not count and isinstance(row.data.get("fungicides"), list):
        row.fail("fungicides", "'fungicides' is empty", "write at least one")
    _end(row)


# --- small tools --------------------------------------------------------------------------------------------------


def _part(row: Row, key: str) -> Row | None:
    """The mapping at ``key``, whose lack is a problem."""
    found = row.row(key)
    if found is None:
        row.fail((), f"'{key}' is missing", f"add '{key}:' as the shipped file has it")
    return found


def _end(row: Row) -> None:
    """Source, grade and note, then nothing else."""
    row.backing()
    row.finish()


def _graded(row: Row, key: str, *, required: bool = False) -> Iterator[Row]:
    """Rows of a list that carry their source and grade."""
    for one in row.rows(key, required=required):
        yield one
        _end(one)


def _texts(row: Row, key: str) -> None:
    """A list of graded texts."""
    for one in _graded(row, key):
        one.text("text", required=True)


def _one(row: Row, key: str, more: Callable[[Row], object], *, required: bool = False) -> None:
    """One graded text."""
    found = _part(row, key) if required else row.row(key)
    if found is not None:
        found.text("text", required=True)
        more(found)
        _end(found)


def _open_pair(row: Row, key: str, most: float) -> None:
    """``[least, most]``, where the end may be open (null)."""
    value = row.raw(key)
    if isinstance(value, list) and len(value) == 2 and value[1] is None:
        value = [value[0], most]
    numbers = isinstance(value, list) and len(value) == 2 and all(type(item) in (int, float) for item in value)
    if not numbers or not 0 <= value[0] <= value[1] <= most:
        row.fail(key, f"'{key}' has to be [least, most]", "write [93.5, 187], or [93.5, null] for an open end")


def _numbers(row: Row, key: str, least: int, most: float) -> None:
    """A list of at least ``least`` numbers above 0."""
    value = row.raw(key)
    if value is None:
        row.fail((), f"'{key}' is missing", f"add '{key}: [...]'")
    elif (
        not isinstance(value, list)
        or len(value) < least
        or not all(type(item) in (int, float) and 0 < item <= most for item in value)
    ):
        row.fail(key, f"'{key}' has to be a list of at least {least} numbers above 0", f"none above {most:g}")


SHAPES: dict[str, Callable[[Row], None]] = {"spraying": spraying, "selection": selection}
