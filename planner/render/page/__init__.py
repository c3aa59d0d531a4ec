"""The printable page: one self-contained HTML file, no script, nothing fetched, the same bytes for the same answer.

``page`` is the one door. It takes finished reports, or sections made of the parts below, or both; the templates
under ``templates/`` escape every value (jinja2's autoescape), and ``words.safe`` makes control and direction-changing
characters visible first. The layout is our own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Literal

from planner.model import AuditReport, Source, Struct
from planner.render.page.chart import Block
from planner.render.strip import Strip

if TYPE_CHECKING:
    from planner.render.page.bibliography import Words

Tone = Literal["breach", "caution", "clean", ""]


class Prose(Struct, frozen=True, kw_only=True, tag=True):
    """One paragraph. ``lead`` stands before it in bold; ``sources``: keys of what it rests on, numbered behind it.

    ``caveat``: set apart, as what must not be overlooked.
    """

    text: str
    lead: str = ""
    sources: tuple[str, ...] = ()
    caveat: bool = False


class Facts(Struct, frozen=True, kw_only=True, tag=True):
    """Names with what belongs to them, one below the other."""

    rows: tuple[tuple[str, str], ...]


class Items(Struct, frozen=True, kw_only=True, tag=True):
    """A list; ``ordered`` numbers it."""

    items: tuple[str, ...]
    ordered: bool = False


class Link(Struct, frozen=True, kw_only=True):
    """Text of a cell that leads to an anchor of the page."""

    text: str
    anchor: str


class Bits(Struct, frozen=True, kw_only=True):
    """Short pieces of one cell, none of them broken at the end of a line; a piece marked True stands out."""

    bits: tuple[tuple[str, bool], ...]


class Sourced(Struct, frozen=True, kw_only=True):
    """Text of a cell with the numbers of its sources behind it."""

    text: str
    sources: tuple[str, ...]


Cell = str | tuple[str, ...] | Link | Bits | Sourced  # a tuple: lines below each other


class Table(Struct, frozen=True, kw_only=True, tag=True):
    """A table with its caption. The first cell of a row is its header; ``right``: columns of numbers (from 0).

    ``quiet`` leaves the caption to those who listen, where a heading above it says the same; ``headed`` False: the
    first cell of a row is a cell like the others; ``even``: all columns are equally wide.
    """

    caption: str
    header: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    right: tuple[int, ...] = ()
    quiet: bool = False
    headed: bool = True
    even: bool = False


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


class Bars(Struct, frozen=True, kw_only=True, tag=True):
    """Selection days as bars; ``label`` says what they are, ``key`` names the programmes in order of their patterns."""

    blocks: tuple[Block, ...]
    label: str
    key: tuple[str, ...] = ()


class Seasons(Struct, frozen=True, kw_only=True, tag=True):
    """Log-odds over seasons as lines: name of a programme with its values; ``order``: all names."""

    series: tuple[tuple[str, tuple[float, ...]], ...]
    order: tuple[str, ...]
    label: str
    spans: tuple[tuple[str, tuple[float, float]], ...] = ()


class Found(Struct, frozen=True, kw_only=True, tag=True):
    """The findings of a report, each with its anchor, why, remedy and sources; ``prefix`` begins the anchors."""

    report: AuditReport
    prefix: str


Part = Prose | Facts | Items | Table | Document | Picture | Bars | Seasons | Found


class Section(Struct, frozen=True, kw_only=True):
    """A heading with what stands under it."""

    title: str
    parts: tuple[Part, ...] = ()
    sections: tuple[Section, ...] = ()
    fresh: bool = False  # begins a new sheet of paper
    anchor: str = ""


class Judged(Struct, frozen=True, kw_only=True):
    """What an audit says, for a page that shows the season elsewhere: findings, not assessed, totals, selection.

    ``prefix`` begins its anchors; ``title``: its heading (several of them), ``leave_out``: names of its parts
    (``cost``, ``selection``, ``totals``) that the page tells in its own way.
    """

    report: AuditReport
    prefix: str = ""
    title: str = ""
    leave_out: tuple[str, ...] = ()


First = tuple[str, str, str]  # a lead, what to do, and the anchor of the reason (may be empty)


def page(
    reports: Sequence[AuditReport] = (),
    *,
    kind: str = "Audit of a spray programme",
    title: str = "",
    verdict: str = "",
    tone: Tone = "",
    first: Sequence[First] = (),
    unchecked: First | None = None,
    about: Sequence[tuple[str, str]] = (),
    sections: Sequence[Section] = (),
    sheets: Sequence[Section] = (),
    judged: Sequence[Judged] = (),
    behind: Sequence[AuditReport] = (),
    inputs: Sequence[tuple[str, str]] = (),
    cite: Sequence[tuple[str, str]] = (),
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
        first: what to change or do first, each with its lead and the anchor of its reason.
        unchecked: what could not be judged, in the same shape.
        about: names and values of the first lines (field, crop, season ...).
        sections: what stands before the reports.
        sheets: spray sheets or other sections that stand after the reports and before the cautions.
        judged: audits whose findings stand behind the sections.
        behind: audits that the page rests on and does not print; their inputs and checksums stand at its end.
        inputs: name and SHA-256 of input files that no report speaks for.
        cite: keys of sources on which the whole page rests, each with the place in it (may be empty).
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
            unchecked=unchecked,
            about=about,
            sections=sections,
            sheets=sheets,
            judged=judged,
            behind=behind,
            inputs=inputs,
            cite=cite,
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
