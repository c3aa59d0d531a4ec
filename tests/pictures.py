"""Makes the pictures of the README from the planner's own answers: ``python tests/pictures.py [--check]``.

Each is an SVG of what a command prints on the shipped scenarios, without any font or image to fetch; letters and ground
follow the reader's light or dark setting. ``--check`` compares instead of writing; a test does the same, so that no
picture grows stale.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys
from functools import cache
from pathlib import Path
from unittest import mock

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from rich.console import Console
from rich.terminal_theme import TerminalTheme
from rich.text import Text

from planner import cli

FOLDER = ROOT / "shared" / "pictures"
SCENARIOS = ROOT / "shared" / "scenarios"
WIDTH = 100
# picture -> what is typed, first and last line of the answer that is shown, and what the picture is called
PICTURES: dict[str, tuple[list[str], int, int, str]] = {
    "audit.svg": (
        ["audit", "solo-strobilurins-quarry-bottom.yaml"], 0, 41,
        "planner audit: the verdict, the first change, the season strip and the first findings",
    ),
    "draft.svg": (
        ["draft", "heron-flat.yaml", "--products", "farm-shop.yaml", "--target", "white-mold", "--passes", "1-2",
         "--seconds", "60"], 0, 34,
        "planner draft: programmes side by side, and the season of each",
    ),
    "calendar.svg": (
        ["calendar", "quarry-bottom.yaml"], 0, 27,
        "planner calendar: stage dates with their spread, infection windows and best timing",
    ),
    "lesson.svg": (
        ["teach", "two-in-a-row"], 0, 34,
        "planner teach: the beginning of a lesson, computed on an invented field",
    ),
}  # fmt: skip
_LETTERS = "#010203"  # stands for the reader's own colour of letters; no answer uses it
THEME = TerminalTheme((255, 255, 255), (1, 2, 3), [(1, 2, 3)] * 8)  # the planner's colours are numbers, not names
# rich's own frame names a font on the network; this one takes whatever monospaced font is there
FRAME = """<svg class="rich-terminal" viewBox="0 0 {width} {height}" xmlns="http://www.w3.org/2000/svg" role="img">
<title>{title_text}</title>
<style>
svg {{ color: #1b1b1b; --ground: #ffffff; }}
@media (prefers-color-scheme: dark) {{ svg {{ color: #e8e8e8; --ground: #101010; }} }}
.ground {{ fill: #ffffff; fill: var(--ground); }}
.{unique_id}-matrix {{ font-family: ui-monospace, "DejaVu Sans Mono", Menlo, Consolas, monospace;
font-size: {char_height}px; line-height: {line_height}px; }}
{styles}
</style>
<defs><clipPath id="{unique_id}-clip-terminal">
<rect x="0" y="0" width="{terminal_width}" height="{terminal_height}" /></clipPath>{lines}</defs>
<rect class="ground" width="{width}" height="{height}" stroke="#767676" rx="8" />
<g transform="translate({terminal_x}, {terminal_y})" clip-path="url(#{unique_id}-clip-terminal)">
{backgrounds}
<g class="{unique_id}-matrix">
{matrix}
</g></g></svg>
"""


@cache
def pictures() -> dict[str, str]:
    """File name -> SVG."""
    return {
        name: _svg(answer(words)[first:last], words, title, name.removesuffix(".svg"))
        for name, (words, first, last, title) in PICTURES.items()
    }


def answer(words: list[str]) -> list[Text]:
    """What a command prints on standard output, as a terminal of 256 colours shows it, typed among the scenarios."""
    shown = io.StringIO()
    colours = {"FORCE_COLOR": "1", "TERM": "xterm-256color", "COLORTERM": "", "NO_COLOR": ""}
    with (
        mock.patch.dict(os.environ, colours),
        contextlib.chdir(SCENARIOS),
        contextlib.redirect_stdout(shown),
        contextlib.redirect_stderr(io.StringIO()),
    ):
        cli.main(words)
    return [Text.from_ansi(line) for line in shown.getvalue().splitlines()]


def _svg(lines: list[Text], words: list[str], title: str, key: str) -> str:
    console = Console(record=True, width=WIDTH, force_terminal=True, color_system="truecolor", file=io.StringIO())
    typed = [word for word in words if word not in ("--seconds", "60")]
    console.print(Text(f"$ planner {' '.join(typed)}", style="bold"))
    for line in lines:
        console.print(line, soft_wrap=False, overflow="fold")
    frame = FRAME.replace("{title_text}", title)
    svg = console.export_svg(title=title, theme=THEME, code_format=frame, unique_id=f"planner-{key}")
    svg = svg.replace(_LETTERS, "currentColor")
    return "\n".join(line.rstrip() for line in svg.splitlines()) + "\n"


def stale() -> list[str]:
    """Pictures that differ from what the planner answers now."""
    return [
        name
        for name, svg in pictures().items()
        if not (FOLDER / name).is_file() or (FOLDER / name).read_text(encoding="utf-8") != svg
    ]


def main() -> int:
    """Write the pictures, or with ``--check`` say which are stale."""
    if "--check" in sys.argv[1:]:
        old = stale()
        print(f"stale: {', '.join(old)}; run python tests/pictures.py" if old else "pictures are up to date")
        return 1 if old else 0
    FOLDER.mkdir(parents=True, exist_ok=True)
    for name, svg in pictures().items():
        (FOLDER / name).write_text(svg, encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
