"""Lines of styled text for one width: prose folds at spaces, words and codes are never cut.

rich cuts cells with an ellipsis when it is piped, and reads ``[m03]`` in a product's name as markup; so the
layout is done here, with ``Text`` objects only, and the console prints finished lines.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from rich.cells import cell_len
from rich.text import Text

from planner.render.words import safe

Part = str | tuple[str, str] | Text

STYLES = {  # numbers of the 256 colours: each reads on a white and on a black ground (a test measures it), and none
    "breach": "bold color(196)",  # says anything that the words do not say as well
    "caution": "color(130)",
    "advice": "color(31)",
    "good": "color(28)",
    "head": "bold",
    "quiet": "color(243)",
}
_TOKEN = re.compile(r"\S+\s*")


def text(*parts: Part) -> Text:
    """One line from plain strings and ``(string, style)`` pairs; control characters made visible."""
    line = Text()
    for part in parts:
        if isinstance(part, Text):
            line.append_text(part)
        elif isinstance(part, tuple):
            line.append(safe(part[0]), style=STYLES.get(part[1], part[1]))
        else:
            line.append(safe(part))
    return line


def fold(line: Text, width: int, hang: int = 0) -> list[Text]:
    """``line`` in pieces of at most ``width`` cells, later ones indented; a longer word stays whole."""
    if cell_len(line.plain) <= width:
        return [line]
    lead = len(line.plain) - len(line.plain.lstrip(" "))
    pieces: list[tuple[int, int]] = []
    start, end, used = 0, lead, lead
    for token in _TOKEN.finditer(line.plain, lead):
        word = token.group().rstrip()
        size = cell_len(word)
        if end > (lead if not pieces else start) and used + size > width:
            pieces.append((start, end))
            start, used = token.start(), hang
        used += cell_len(token.group())
        end = token.end()
    pieces.append((start, end))
    folded = []
    for at, (first, last) in enumerate(pieces):
        piece = line[first:last]
        piece.rstrip()
        folded.append(piece if at == 0 else text(" " * hang, piece))
    return folded


class Paper:
    """Collects finished lines for one width (cells)."""

    def __init__(self, width: int = 100) -> None:
        self.width = width
        self.lines: list[Text] = []

    def line(self, *parts: Part, indent: int = 0, hang: int | None = None) -> None:
        """One paragraph; continuation lines are indented by ``hang`` (default: as the first)."""
        whole = text(" " * indent, *parts)
        self.lines.extend(fold(whole, self.width, indent if hang is None else hang))

    def raw(self, *parts: Part) -> None:
        """One line that is never folded."""
        self.lines.append(text(*parts))

    def blank(self) -> None:
        """An empty line, never two."""
        if self.lines and self.lines[-1].plain:
            self.lines.append(Text())

    def heading(self, words: str) -> None:
        """A section's name, apart from what stands above."""
        self.blank()
        self.line((words, "head"))

    def field(self, name: str, *parts: Part, indent: int = 4, wide: int = 11) -> None:
        """``name:  text`` with the text hanging under itself."""
        label = f"{name}: ".ljust(wide)
        self.line((label, "quiet"), *parts, indent=indent, hang=indent + max(wide, len(label)))

    def table(
        self,
        header: Sequence[str],
        rows: Sequence[Sequence[Part]],
        *,
        right: Sequence[int] = (),
        indent: int = 2,
    ) -> None:
        """Columns as wide as their widest cell; the last one folds, none is cut.

        Where there is no room for the last column, its cells go below the others; where there is none for the others
        either, each row becomes a short list, ``name value`` by ``name value``.
        """
        cells = [[text(cell) for cell in row] for row in rows]
        columns = len(header)
        widths = [max([cell_len(header[at])] + [cell_len(row[at].plain) for row in cells]) for at in range(columns)]
        start = indent + sum(widths[:-1]) + 2 * (columns - 1)
        if columns > 2 and start - 2 > self.width:
            for row in cells:
                self._record(header, row, indent)
            return
        below = self.width - start < min(24, widths[-1])
        shown = [*header[:-1], "" if below else header[-1]]
        if any(shown):
            self._row([text((name, "quiet")) for name in shown], widths, right, indent, start, below=False)
        for row in cells:
            self._row(row, widths, right, indent, start, below=below)

    def _record(self, header: Sequence[str], row: Sequence[Text], indent: int) -> None:
        """A row as its first cell, and the others with their names below it."""
        first = text((f"{header[0]} ", "quiet"), row[0]) if row[0].plain.isdigit() else row[0]
        self.lines.extend(fold(text(" " * indent, first), self.width, indent + 4))
        said = text(" " * (indent + 4))
        for at in range(1, len(row)):
            if row[at].plain not in ("", "-"):
                said.append_text(
                    text("; " if len(said.plain) > indent + 4 else "", (f"{header[at]} ", "quiet"), row[at])
                )
        self.lines.extend(fold(said, self.width, indent + 4))

    def _row(
        self,
        row: Sequence[Text],
        widths: Sequence[int],
        right: Sequence[int],
        indent: int,
        start: int,
        *,
        below: bool,
    ) -> None:
        line = text(" " * indent)
        for at, cell in enumerate(row[:-1]):
            gap = " " * (widths[at] - cell_len(cell.plain))
            line.append_text(text(gap, cell) if at in right else text(cell, gap))
            line.append("  ")
        last = row[-1]
        if len(row) - 1 in right:
            last = text(" " * (widths[-1] - cell_len(last.plain)), last)
        room = self.width - start
        if below:
            head = line.copy()
            head.rstrip()
            self.lines.append(head)
            self.lines.extend(fold(text(" " * (indent + 4), last), self.width, indent + 4))
            return
        pieces = fold(last, max(room, 1))
        first = text(line, pieces[0])
        first.rstrip()
        self.lines.append(first)
        self.lines.extend(text(" " * start, piece) for piece in pieces[1:])
