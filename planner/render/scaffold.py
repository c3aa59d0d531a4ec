"""Text of a new catalogue entry to start from; the reader checks what is filled in."""

from __future__ import annotations

import re

from planner.exits import UsageError

_ACTIVE = """\
# {name}: one active. Put this file under actives/ of your catalogue folder. Grammar: catalog/README.md
scheme: FRAC                # FRAC | IRAC | HRAC
source: common-practice     # a key of sources.yaml, yours or ours
kind: fungicide             # fungicide | insecticide | herbicide
grade: unknown              # read | recalled | practice | unknown; never higher than the source allows
actives:
  {name}: {{group: NC, chemical: '', risk: unknown}}   # group as text; risk: low | medium | high | unknown
"""
_GROUP = """\
# Group {name}. Put this file under groups/ of your catalogue folder. Grammar: catalog/README.md
scheme: FRAC                # FRAC | IRAC | HRAC
source: common-practice     # a key of sources.yaml, yours or ours
grade: unknown              # read | recalled | practice | unknown
families: {{source: common-practice, grade: practice}}
groups:
  '{name}': {{name: say what the group is called, site: '', risk: unknown}}
"""
_TARGET = """\
# {name}. Put this file under targets/CROP/ of your catalogue folder. Grammar: catalog/README.md
target: {name}
crop: soybean               # id of a crop
name: {words}
aliases: []
pathogen: Cercospora sojina   # put its own here; pathogens.yaml holds the names
# window: {{stages: [R1, R6], source: KEY, grade: read}}           # first and last stage at which it infects
# timing: {{stages: [R3], style: stage_timed, source: KEY, grade: read}}   # or continuous
# groups:
#   - {{code: '3', class: good, source: KEY, grade: read}}
source: common-practice     # a key of sources.yaml, yours or ours
"""
_CROP = """\
# {name}: stage codes and their place on the BBCH scale. Put this file under crops/. See catalog/README.md
crop: {name}
name: {words}
class: ''
scale: BBCH
stages:
  - {{code: BBCH10, bbch: 10, look_for: first leaves, source: common-practice, grade: practice}}
  - {{code: BBCH65, bbch: 65, look_for: full flowering, source: common-practice, grade: practice}}
"""
_LIMIT = """\
# {name}: one published recommendation. Put it under limits/ of your rules folder. See rules/README.md
limits:
  - id: {name}
    authority: who published it
    kind: max_applications      # 'planner rules list' names the kinds
    codes: ['11']               # text, always
    crops: [soybean]
    value: 2
    unit: applications_per_crop
    text: The recommendation in your own words.
    date: ''                    # year, year-month or day of the publication
    source: common-practice     # a key of sources.yaml, yours or ours
    grade: unknown              # read | recalled | practice | unknown
"""
_TEXTS = {"active": _ACTIVE, "group": _GROUP, "target": _TARGET, "crop": _CROP, "limit": _LIMIT}


def entry(kind: str, name: str) -> str:
    """The text of one entry.

    Raises:
        UsageError: the name cannot be the key of such an entry.
    """
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9 .()+-]*", name):
        raise UsageError(f"'{name}' cannot be a name here", "use letters, digits and hyphens")
    if kind in ("target", "crop", "limit") and not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", name):
        raise UsageError(f"'{name}' is not in kebab case", "write small letters and digits joined by '-'")
    return _TEXTS[kind].format(name=name, words=name.replace("-", " "))
