"""The printable page: one self-contained HTML file, no script, nothing fetched, the same bytes for the same answer.

``page`` is the one door. It takes finished reports, or sections made of the parts below, or both; the templates
under ``templates/`` escape every value (jinja2's autoescape), and ``words.safe`` makes control and direction-changing
characters visible first. The layout is our own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Literal

from planner.model import AuditReport, Source, Struct
from planner.render.strip import Strip

if TYPE_CHECKING:
    from planner.render.page.bibliography import Words

Tone = Literal["breach", "caution", "clean", ""]


class Prose(Struct, frozen=True, kw_only=True, tag=True):
    """One paragraph. ``lead`` stands before it in bold."""

    text: str
    lead: str = ""


class Facts(Struct, frozen=True, kw_only=True, tag=True):
    """Names with what belongs to them, one below the other."""

    rows: tuple[tuple[str, str], ...]


class Items(Struct, frozen=True, kw_only=True, tag=True):
    """A list; ``ordered`` numbers it."""

    items: tuple[str, ...]
    ordered: bool = False


class Table(Struct, frozen=True, kw_only=True, tag=True):
    """A table with its caption. The first cell of a row is its header; ``right``: columns of numbers (from 0).

    ``quiet`` leaves the caption to those who listen, where a heading above it says the same.
    """

    caption: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: tuple[int, ...] = ()
    quiet: bool = False


class Document(Struct, frozen=True, kw_only=True, tag=True):
    """Text whose line ends count, such as a document in YAML; ``label`` says what it is."""

    text: str
    label: str


class Picture(Struct, frozen=True, kw_only=True, tag=True):
    """A season strip of its own; with its report the passes say their products. ``plain``: windows without cover."""

    strip: Strip
    label: str
    report: AuditReport | None = None
    plain: bool = False


Part = Prose | Facts | Items | Table | Document | Picture


class Section(Struct, frozen=True, kw_only=True):
    """A heading with what stands under it."""

    title: str
    parts: tuple[Part, ...] = ()
    sections: tuple[Section, ...] = ()
    fresh: bool = False  # begins a new sheet of paper


def page(
    reports: Sequence[AuditReport] = (),
    *,
    kind: str = "Audit of a spray programme",
    title: str = "",
    verdict: str = "",
    tone: Tone = "",
    first: str = "",
    about: Sequence[tuple[str, str]] = (),
    sections: Sequence[Section] = (),
    sheets: Sequence[Section] = (),
    judged: Sequence[AuditReport] = (),
    demo: bool = False,
    notices: Sequence[str] = (),
    units: str = "metric",
    versions: str = "",
    rules: str = "",
    sources: Mapping[str, Source] | Mapping[str, str] | None = None,
    cautions: bool = True,
) -> str:
    """One HTML document.

    Args:
        reports: audits, in full. One report without ``title`` is the whole page; otherwise each is a chapter.
        kind: what the page is, above its title.
        title: name of the page; of the only report where it is empty.
        verdict: the answer in one sentence, with ``tone`` (breach, caution, clean or none).
        first: what to do first, in one sentence.
        about: names and values of the first lines (field, crop, season ...).
        sections: what stands before the reports.
        sheets: spray sheets or other sections that stand after the reports and before the cautions.
        judged: audits that the page rests on and does not print; their inputs and checksums stand at its end.
        demo: something on the page comes from a demo list (products of the reports tell it themselves).
        notices: what the reader must know before the rest.
        units: ``metric`` or ``us``.
        versions: planner and catalogue; rules: the rulebook's key.
        sources: the bibliography; only what the page cites is printed.
        cautions: False leaves the usual cautions out (a page on which nothing can end in a tank).
    """
    from planner.render.page import view
    from planner.render.page.press import render

    return render(
        "page.html.j2",
        view.whole(
            list(reports),
            kind=kind,
            title=title,
            verdict=verdict,
            tone=tone,
            first=first,
            about=about,
            sections=sections,
            sheets=sheets,
            judged=judged,
            demo=demo,
            notices=notices,
            units=units,
            versions=versions,
            rules=rules,
            sources=_plain(sources),
            cautions=cautions,
        ),
    )


def _plain(sources: Mapping[str, Source] | Mapping[str, str] | None) -> Mapping[str, Words]:
    return sources or {}
