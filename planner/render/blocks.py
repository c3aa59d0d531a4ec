"""A page as a list of blocks, written once and printed as terminal lines or as Markdown.

The calendar and the spray sheet are mostly tables; kept as blocks they read the same on the screen, in a file and in a
mail, and only one place decides what stands on them.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from planner.model import Struct
from planner.render.paper import Paper

if TYPE_CHECKING:
    from rich.text import Text


class Title(Struct, frozen=True, kw_only=True):
    """The page's own name."""

    text: str


class Heading(Struct, frozen=True, kw_only=True):
    """A section's name; ``level`` 1 or 2."""

    text: str
    level: int = 1


class Line(Struct, frozen=True, kw_only=True):
    """One paragraph: a label (may be empty) and its text. ``style``: a key of ``paper.STYLES`` or empty."""

    text: str
    label: str = ""
    style: str = ""
    indent: int = 2


class Table(Struct, frozen=True, kw_only=True):
    """Rows of text; ``right`` names the columns that hold figures."""

    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: tuple[int, ...] = ()
    indent: int = 2


Block = Title | Heading | Line | Table


def to_text(blocks: Sequence[Block], width: int = 100) -> list[Text]:
    """The page as lines of at most ``width`` cells (a longer word stays whole)."""
    paper = Paper(width)
    for block in blocks:
        if isinstance(block, Title):
            paper.line((block.text, "head"))
        elif isinstance(block, Heading):
            if block.level == 1:
                paper.heading(block.text)
            else:
                paper.blank()
                paper.line((block.text, "head"), indent=2)
        elif isinstance(block, Line):
            if block.style == "quiet" and block.indent == 0:  # the versions at the foot
                paper.blank()
            label = f"{block.label}: " if block.label else ""
            paper.line((label, "quiet"), (block.text, block.style), indent=block.indent, hang=block.indent + 2)
        elif block.rows:
            paper.table(block.header, block.rows, right=block.right, indent=block.indent)
    return paper.lines


def to_markdown(blocks: Sequence[Block]) -> str:
    """The page as Markdown (CommonMark with pipe tables); text of others is escaped."""
    from planner.render.markdown import escape

    lines: list[str] = []
    for block in blocks:
        if isinstance(block, Title):
            lines += [f"# {escape(block.text)}", ""]
        elif isinstance(block, Heading):
            _gap(lines)
            lines += [f"{'#' * (block.level + 1)} {escape(block.text)}", ""]
        elif isinstance(block, Line):
            label = f"{escape(block.label)}: " if block.label else ""
            lines.append(f"- {label}{escape(block.text)}")
        elif block.rows:
            _gap(lines)
            marks = ["---:" if at in block.right else "---" for at in range(len(block.header))]
            lines.append("| " + " | ".join(escape(cell) for cell in block.header) + " |")
            lines.append("|" + "|".join(marks) + "|")
            lines += ["| " + " | ".join(escape(cell) for cell in row) + " |" for row in block.rows]
            lines.append("")
    return "\n".join(lines).rstrip("\n") + "\n"


def _gap(lines: list[str]) -> None:
    if lines and lines[-1]:
        lines.append("")


def cautions_of(demo: bool) -> list[Block]:
    """The usual cautions as they stand at the end of everything that may end in a tank."""
    from planner.render import cautions

    found: list[Block] = [Heading(text="before anything is sprayed")]
    found += [Line(text=one.text, label=one.title) for one in cautions.load()]
    if demo:
        found.append(
            Line(
                label="invented products",
                text="the product list is a demo; its names, labels and prices stand for nothing that is sold",
            )
        )
    return found
