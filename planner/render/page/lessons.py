"""Lessons and exercises as a page: a sheet that draws the seasons and numbers its sources."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from planner.model import AuditReport, Source
from planner.render import strip
from planner.render.page import Bars, Document, Facts, First, Found, Items, Part, Picture, Prose, Section, chart, page
from planner.render.page.answers import capital, firsts
from planner.render.page.view import plain_rules
from planner.render.selection import SHORT_CAVEAT, figure
from planner.render.strip import Strip


class LessonSheet:
    """A lesson or an exercise as a page: what ``planner.render.lesson`` writes on (its ``Sheet`` and ``Pictures``)."""

    def __init__(self, *, versions: str = "", rules: str = "", known: Mapping[str, Source] | None = None) -> None:
        self._versions = versions
        self._rules = rules
        self._known = known
        self._title = ""
        self._made: list[tuple[str, list[Part]]] = [("", [])]
        self._about: list[tuple[str, str]] = []
        self._verdict = ""
        self._first: list[First] = []
        self._cited: list[tuple[str, str]] = []
        self._behind: list[AuditReport] = []
        self._input = ""

    # --- what every sheet takes

    def title(self, text: str) -> None:
        """The name of the whole; a second one is a heading."""
        if self._title:
            self.heading(text)
        else:
            self._title = text

    def heading(self, text: str) -> None:
        """The name of a part."""
        self._made.append((text, []))

    def line(self, text: str) -> None:
        """A paragraph."""
        self._parts.append(Prose(text=plain_rules(text.strip())))

    def item(self, text: str, mark: str = "-") -> None:
        """An entry of a list; one with a number or a letter stands beside it."""
        last = self._parts[-1] if self._parts else None
        text = plain_rules(text)
        if mark != "-":
            pair = (capital(mark.rstrip(":")), text)
            if isinstance(last, Facts):
                self._parts[-1] = Facts(rows=(*last.rows, pair))
            else:
                self._parts.append(Facts(rows=(pair,)))
        elif isinstance(last, Items):
            self._parts[-1] = Items(items=(*last.items, text))
        else:
            self._parts.append(Items(items=(text,)))

    def raw(self, text: str) -> None:
        """A line that keeps its spaces."""
        last = self._parts[-1] if self._parts else None
        if isinstance(last, Document):
            self._parts[-1] = Document(text=f"{last.text}\n{text}", label=last.label)
        else:
            self._parts.append(Document(text=text, label=self._made[-1][0] or "drawn"))

    # --- what only a page can show

    def opening(self, about: Sequence[tuple[str, str]], verdict: str, input_words: str) -> None:
        """The first screen: field, crop, season and the like, the one idea, and what the page was made from."""
        self._about, self._verdict, self._input = list(about), verdict, input_words

    def first(self, lead: str, text: str) -> None:
        """What to do first; only the first call counts."""
        if not self._first:
            self._first = [(lead, text, "")]

    def season(self, report: AuditReport, *, plain: bool = False) -> None:
        """The season as a strip; ``plain``: without the cover and the groups that the learner is to find."""
        number = len(self._made)
        made = strip.make(report)
        if made is None:
            return
        if plain:
            made = Strip(
                first=made.first, last=made.last, stages=made.stages, passes=made.passes, groups=(), rows=made.rows
            )
        label = f"{self._made[-1][0] or 'The season'}, season {number}" if number > 1 else "The season"
        self._parts.append(Picture(strip=made, label=label, report=None if plain else report, plain=plain))
        if not plain:
            self._behind.append(report)

    def findings(self, report: AuditReport) -> None:
        """Findings as cards; the first change of the first season with one stands on the first screen."""
        prefix = f"step{len(self._made)}-"
        if not self._first:
            self._first = list(firsts(report, "metric", prefix, f"In {lower(self._made[-1][0])} change first"))
        self._parts.append(Found(report=report, prefix=prefix))

    def days(self, rows: Sequence[tuple[str, Sequence[tuple[str, float]]]]) -> None:
        """Selection days: per group its days before and now."""
        names = list(dict.fromkeys(name for _, entries in rows for name, _ in entries))
        blocks = tuple(
            chart.Block(
                name=group,
                entries=tuple(
                    chart.Entry(name=name, said=figure(days), days=days, pattern=names.index(name))
                    for name, days in entries
                ),
            )
            for group, entries in rows
        )
        label = f"Selection days, {lower(self._made[-1][0]) or 'compared'}"
        self._parts.append(Bars(blocks=blocks, label=label))
        self._parts.append(Prose(text=SHORT_CAVEAT, caveat=True))

    def cite(self, key: str, where: str) -> None:
        """A source of the page, numbered at its end."""
        self._cited.append((key, where))

    @property
    def _parts(self) -> list[Part]:
        return self._made[-1][1]

    @property
    def text(self) -> str:
        """The page."""
        return page(
            kind="Lessons on rotation and mixing",
            title=self._title or "Lesson",
            verdict=self._verdict,
            first=self._first,
            about=self._about,
            sections=[Section(title=title, parts=tuple(parts)) for title, parts in self._made if title or parts],
            behind=self._behind,
            inputs=[(self._input, "")] if self._input else (),
            cite=list(dict.fromkeys(self._cited)),
            demo=False,
            versions=self._versions,
            rules=self._rules,
            sources=self._known,
            cautions=False,
        )


def lower(value: str) -> str:
    """The first letter small, the rest as it is."""
    return value[:1].lower() + value[1:]
