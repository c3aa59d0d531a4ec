"""Finds a growth stage by its code, on any scale of the crop."""

from __future__ import annotations

import re

from planner.model import Crop, Stage

_DIGITS = re.compile(r"([A-Z]+)(\d{1,2})\Z")


def find_stage(crop: Crop, code: str) -> Stage | None:
    """The crop's stage of this code, or None.

    Besides the codes of the crop's own table: ``BBCHnn`` on any crop (Hack et al. 1992: one two-digit scale
    for all crops), and ``Znn`` or ``GSnn`` where the crop's scale follows BBCH. Case and blanks do not
    matter.
    """
    wanted = "".join(code.split()).upper()
    match = _DIGITS.match(wanted)
    prefixes = ("BBCH", *crop.two_digit_prefixes)
    two_digit = match is not None and match.group(1) in prefixes
    names = [wanted]
    bbch = 0
    if match is not None and two_digit:
        bbch = int(match.group(2))
        wanted = f"{match.group(1)}{bbch:02d}"
        names = [wanted]
        if match.group(1) != "BBCH":  # GS39 and Z39 are one stage: the scale goes by two names
            names += [f"{prefix}{bbch:02d}" for prefix in crop.two_digit_prefixes]
    for name in names:
        for stage in crop.stages:
            if stage.code.upper() == name:
                return stage if name == wanted else _as(stage, wanted)
    if not two_digit:
        return None
    beside = next((stage for stage in crop.stages if stage.bbch == bbch), None)
    return _as(beside, wanted) if beside is not None else Stage(code=wanted, bbch=bbch)


def _as(stage: Stage, code: str) -> Stage:
    return Stage(code=code, bbch=stage.bbch, name=stage.name, look_for=stage.look_for, backing=stage.backing)
