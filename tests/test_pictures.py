"""The README's pictures show what the planner answers today, and fetch nothing."""

from __future__ import annotations

import re

import pictures


def test_pictures_are_what_the_planner_answers_now() -> None:
    assert pictures.stale() == [], "run python tests/pictures.py"


def test_pictures_fetch_nothing() -> None:
    for name in pictures.pictures():
        svg = (pictures.FOLDER / name).read_text(encoding="utf-8")
        links = [link for link in re.findall(r"https?://[^\"' )]+", svg) if not link.startswith("http://www.w3.org/")]
        assert links == []
