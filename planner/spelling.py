"""How names are compared: ids in kebab case, actives whatever their case, blanks and underscores."""

from __future__ import annotations

import re


def kebab(text: str) -> str:
    """``Fusarium head blight (scab)`` -> ``fusarium-head-blight-scab``: crops, targets and pathogens."""
    return re.sub(r"[^a-z0-9.]+", "-", text.casefold()).strip("-")


def name_key(text: str) -> str:
    """Names of actives: case, blanks and underscores do not matter."""
    return " ".join(text.casefold().replace("_", " ").split())
