"""Makes the pictures of the README from the planner's own answers: ``python tests/pictures.py [--check]``.

Each is an SVG of a terminal answer on the shipped scenario, without any font or image to fetch.
``--check`` compares instead of writing; a test does the same, so that no picture grows stale.
"""

from __future__ import annotations

import io
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from rich.console import Console
from rich.terminal_theme import DEFAULT_TERMINAL_THEME
from rich.text import Text

from planner.audit import audit
from planner.catalogue import load
from planner.commands import common
from planner.commands.audit import cited
from planner.documents import load_programme
from planner.render import text as renderer

FOLDER = ROOT / "shared" / "pictures"
SCENARIOS = ROOT / "shared" / "scenarios"
WIDTH = 100
# rich's own frame names a font on the network; this one takes whatever monospaced font is there
FRAME = """<svg class="rich-terminal" viewBox="0 0 {width} {height}" xmlns="http://www.w3.org/2000/svg" role="img">
<title>{title_text}</title>
<style>
.{unique_id}-matrix {{ font-family: ui-monospace, "DejaVu Sans Mono", Menlo, Consolas, monospace;
font-size: {char_height}px; line-height: {line_height}px; }}
{styles}
</style>
<defs><clipPath id="{unique_id}-clip-terminal">
<rect x="0" y="0" width="{terminal_width}" height="{terminal_height}" /></clipPath>{lines}</defs>
<rect width="{width}" height="{height}" fill="#ffffff" stroke="#767676" rx="8" />
<g transform="translate({terminal_x}, {terminal_y})" clip-path="url(#{unique_id}-clip-terminal)">
{backgrounds}
<g class="{unique_id}-matrix">
{matrix}
</g></g></svg>
"""


def pictures() -> dict[str, str]:
    """File name -> SVG."""
    lines = _audit("solo-strobilurins-quarry-bottom.yaml")
    return {"audit.svg": _svg(lines[:62], "planner audit: the first lines of the answer", "audit")}


def _audit(name: str) -> list[Text]:
    known = load()
    programme = load_programme(SCENARIOS / name, known)
    report = audit(programme, known)
    sources = cited([report], known)
    return renderer.audit(report, width=WIDTH, versions=common.versions(known), sources=sources)


def _svg(lines: list[Text], title: str, key: str) -> str:
    console = Console(
        record=True, width=WIDTH, force_terminal=True, color_system="truecolor", file=io.StringIO()
    )
    for line in lines:
        console.print(line, soft_wrap=False, overflow="fold")
    frame = FRAME.replace("{title_text}", title)
    svg = console.export_svg(title=title, theme=DEFAULT_TERMINAL_THEME, code_format=frame, unique_id=f"planner-{key}")
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
