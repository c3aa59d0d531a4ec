"""How a spray is put on: droplets and carrier volume advised, and uses that a source warns against."""

from __future__ import annotations

from typing import Any, cast

from planner.catalogue_read.chemistry import frac_code
from planner.catalogue_read.crops import crop_id, stage_pair
from planner.catalogue_read.reading import Reading
from planner.catalogue_read.targets import targets_of
from planner.datafile import Row
from planner.model import CoverageAdvice, HarmfulUse

DROPLETS = ("XF", "VF", "F", "M", "C", "VC", "XC", "UC")  # ASABE S572


def read_coverage(reading: Reading) -> None:
    """``coverage.yaml``: droplets and volume by crop and target."""
    for _layer, top in reading.documents("coverage.yaml"):
        otherwise = top.row("otherwise")
        if otherwise is not None:
            reading.backing(otherwise)
        reading.all.coverage[:0] = [_advice(reading, row) for row in top.rows("coverage", required=True)]
        top.finish()


def _advice(reading: Reading, row: Row) -> CoverageAdvice:
    crop = crop_id(reading, row, "crop", row.text("crop", required=True))
    droplets = row.texts("droplets")
    for index, code in enumerate(droplets):
        if code not in DROPLETS:
            row.fail(("droplets", index), f"'{code}' is no droplet class", f"one of {', '.join(DROPLETS)}")
    backing = reading.backing(row)
    found = CoverageAdvice(
        crop=crop,
        targets=targets_of(reading, row, crop, ("any",)),
        canopy=cast(Any, row.text("canopy", one_of=("open", "closing", "closed", "any")) or "any"),
        droplets=droplets,
        volume=row.pair("volume", 5, 2000),
        volume_least=row.number("volume_least", 5, 2000),
        note=backing.note,
        backing=backing,
    )
    row.finish()
    return found


def read_harmful_uses(reading: Reading) -> None:
    """``harmful-uses.yaml``: groups that do harm at a stage, other than resistance."""
    for layer, top in reading.documents("harmful-uses.yaml"):
        for row in top.rows("harmful_uses", required=True):
            key = row.text("id", required=True)
            reading.once(layer, "harmful use", key, row)
            crop = crop_id(reading, row, "crop", row.text("crop", required=True))
            target = row.text("needs_target")
            if target and target not in reading.all.targets.get(crop, {}):
                row.fail("needs_target", f"'{target}' is no target of {crop}", "")
            codes = tuple(
                code if code == "any" else frac_code(reading, row, ("codes", index), code)
                for index, code in enumerate(row.texts("codes", required=True))
            )
            reading.all.harmful_uses[key] = HarmfulUse(
                id=key,
                codes=codes,
                crop=crop,
                stages=stage_pair(reading, row, "stages", crop) or ("", ""),
                needs_target=target,
                needs_other=row.text("needs_other"),
                days_before_harvest=row.integer("days_before_harvest", 0, 200),
                when=row.text("when"),
                effect=row.text("effect", required=True),
                do_instead=row.text("do_instead"),
                worst_stages=stage_pair(reading, row, "worst_stages", crop),
                kind=row.text("kind"),
                includes=row.text("includes"),
                backing=reading.backing(row),
            )
            row.finish()
        top.finish()
