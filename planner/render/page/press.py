"""The template environment: everything is escaped and an unknown name is an error.

Compiled templates are not kept on disk: jinja2 keeps them as code, and a cache folder is no place for code.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from planner.render.words import safe


def _shown(value: Any) -> Any:
    """Last step before escaping: text of others with control characters made visible; markup of ours unchanged."""
    if value is None:
        return ""
    return safe(value) if type(value) is str else value


@cache
def environment() -> Environment:
    """The one environment of the page's templates."""
    made = Environment(
        loader=PackageLoader("planner.render.page", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_shown,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    made.filters["capitalize_first"] = _capital
    made.filters["num"] = _number
    made.filters["soft"] = _soft
    made.filters["css"] = _css
    return made


def _capital(value: str) -> str:
    """The first letter large, the rest as it is."""
    return value[:1].upper() + value[1:]


def _soft(value: Any) -> Markup | str:
    """Text of a table cell: words of more than 24 letters may break, so that no name makes a table wider than paper."""
    text = safe(value)
    if len(text) <= 24 or all(len(word) <= 24 for word in text.split()):
        return text  # the ordinary case; escaped like any other text
    return Markup("").join(
        Markup("<wbr>").join(part[at : at + 24] for at in range(0, len(part), 24)) if len(part) > 24 else part
        for part in re.split(r"(\s+)", text)
    )


def _css(value: str) -> Markup:
    """Text for a string of the style sheet: everything but plain letters and figures as CSS escapes, so that no name
    ends the string or the style element; long names are cut."""
    text = safe(value)
    text = text if len(text) <= 80 else f"{text[:79].rstrip()}…"
    return Markup("".join(one if one.isascii() and one.isalnum() else f"\\{ord(one):x} " for one in text))


def _number(value: float) -> str:
    """A coordinate, with at most two decimals."""
    return f"{round(value, 2):g}"


def render(template: str, values: Mapping[str, Any]) -> str:
    """The template with these values; UTF-8 can carry the result."""
    text = environment().get_template(template).render(values)
    return text.encode("utf-8", "backslashreplace").decode()
