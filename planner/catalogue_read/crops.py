"""Crops with their growth stages."""

from __future__ import annotations

from planner.catalogue_read.as_written import season_of
from planner.catalogue_read.reading import At, Reading
from planner.datafile import Row
from planner.errors import nearest
from planner.model import Crop, LeafGrowth, Stage
from planner.stages import find_stage


def read_crops(reading: Reading) -> None:
    """``crops/``: one file per crop; days between its stages and the stage of harvest come from phenology.yaml."""
    for layer, top in reading.documents("crops/*.yaml"):
        key = top.text("crop", required=True)
        reading.once(layer, "crop", key, top)
        scale = top.row("bbch")
        if scale is not None:
            reading.backing(scale)
            scale.finish()
        bushel = top.row("bushel")
        bushel_kg = None
        if bushel is not None:
            bushel_kg = bushel.number("kg", 1, 100, required=True)
            reading.backing(bushel)
            bushel.finish()
        leaves = _leaf_growth(reading, top, key)
        stages = _stages(reading, top)
        intervals, harvest, from_sowing = season_of(reading, key)
        reading.all.crops[key] = Crop(
            id=key,
            name=top.text("name", required=True),
            crop_class=top.text("class"),
            scale=top.text("scale"),
            stages=tuple(sorted(stages.values(), key=lambda stage: stage.bbch)),
            intervals=intervals,
            harvest_bbch=harvest,
            from_sowing=from_sowing != "no",
            from_sowing_kinds=("spring",) if from_sowing == "spring" else (),
            aliases=top.texts("aliases"),
            two_digit_prefixes=top.texts("two_digit_prefixes"),
            note=top.text("how_to_count"),
            bushel_kg=bushel_kg,
            leaves=leaves,
        )
        top.finish()


def _stages(reading: Reading, top: Row) -> dict[str, Stage]:
    """Stages by code, as written."""
    stages: dict[str, Stage] = {}
    for row in top.rows("stages", required=True):
        bbch = row.integer("bbch", 0, 99, required=True) or 0
        backing = reading.backing(row)
        name, look_for = row.text("name"), row.text("look_for")
        for code in row.texts("code", required=True):
            if code in stages:
                row.fail("code", f"stage '{code}' is given twice", "keep one of the two")
            stages[code] = Stage(code=code, bbch=bbch, name=name, look_for=look_for, backing=backing)
        row.finish()
    return stages


def _leaf_growth(reading: Reading, top: Row, crop: str) -> LeafGrowth | None:
    """Until when a crop unfolds leaves; its two stages are checked once the crop's stages are known."""
    row = top.row("leaves")
    if row is None:
        return None
    until = row.texts("unfold_until", required=True)
    backing = reading.backing(row)
    row.finish()
    if len(until) != 2:
        row.fail("unfold_until", "two stages are wanted", "write [last sure stage, last possible stage]")
        return None

    def check() -> None:
        known = [code for code in until if known_stage(reading, row, "unfold_until", crop, code)]
        own = reading.all.crops[crop]
        found = [stage.bbch for code in known if (stage := find_stage(own, code)) is not None]
        if len(found) == 2 and found[0] > found[1]:
            row.fail("unfold_until", f"{until[0]} comes after {until[1]}", "write the earlier stage first")

    reading.later(check)
    return LeafGrowth(sure=until[0], last=until[1], backing=backing)


# --- for the parts that speak of crops ------------------------------------------------------------------------------


def crop_id(reading: Reading, row: Row, at: str, name: str) -> str:
    """A crop id; an unknown one is a problem."""
    if name not in reading.all.crops:
        near = nearest(name, reading.all.crops)
        row.fail(at, f"unknown crop '{name}'", f"did you mean '{near[0]}'?" if near else "")
    return name


def known_stage(reading: Reading, row: Row, at: At, crop: str, code: str) -> bool:
    """Whether the crop knows the stage; note it if not."""
    found = reading.all.crops.get(crop)
    if found is None or find_stage(found, code) is not None:
        return True
    near = nearest(code, [stage.code for stage in found.stages])
    row.fail(at, f"'{code}' is no stage of {crop}", f"did you mean '{near[0]}'?" if near else "")
    return False


def stage_pair(reading: Reading, row: Row, key: str, crop: str) -> tuple[str, str] | None:
    """First and last stage."""
    codes = row.texts(key)
    if not codes:
        return None
    if len(codes) != 2:
        row.fail(key, f"'{key}' has to be two stages", "write [first, last]")
        return None
    if sum(not known_stage(reading, row, (key, index), crop, code) for index, code in enumerate(codes)) == 0:
        found = reading.all.crops.get(crop)
        ends = [find_stage(found, code) for code in codes] if found else []
        if len(ends) == 2 and ends[0] and ends[1] and ends[0].bbch > ends[1].bbch:
            row.fail(key, f"{codes[0]} comes after {codes[1]}", "write [first, last]")
    return codes[0], codes[1]
