"""The printable page without a browser: hostile names, nothing fetched, the same bytes, and every part in its place.

What HTML must be is held against the standard library's own parser (html.parser, xml.etree for the drawings) and
the HTML Living Standard's list of void elements; contrast against the formula of WCAG 2.1 (relative luminance,
contrast ratio 4.5:1 for text).
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, timedelta
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from reports import clean, flawed, hostile, programme

from planner.audit import audit
from planner.catalogue import Catalogue, load
from planner.documents import load_programme
from planner.model import AuditReport, Finding, Pass, TankItem
from planner.render import strip
from planner.render.page import Bars, Document, Items, Picture, Prose, Section, Table, chart, course, page, season

SCENARIOS = sorted((Path(__file__).parents[1] / "shared" / "scenarios").glob("*-*-*.yaml"))
# void elements of the HTML Living Standard, 13.1.2
VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}
SHAPES = {"rect", "path", "circle"}


@dataclass
class Seen(HTMLParser):
    """What a parser meets: tags in order, attributes, headings, text, and tags that do not pair."""

    tags: list[tuple[str, dict[str, str | None]]] = field(default_factory=list)
    text: list[str] = field(default_factory=list)
    open: list[str] = field(default_factory=list)
    odd: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__(convert_charrefs=True)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.odd.append(tag)

    def handle_data(self, data: str) -> None:
        self.text.append(data)

    @property
    def said(self) -> str:
        return " ".join("".join(self.text).split())


def seen(html: str) -> Seen:
    found = Seen()
    found.feed(html)
    found.close()
    return found


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load()


@pytest.fixture(scope="module")
def real(catalogue: Catalogue) -> list[AuditReport]:
    return [audit(load_programme(str(path), catalogue), catalogue) for path in SCENARIOS]


def many(number: int, name: str = "Demo Alder 250 SC") -> AuditReport:
    """A season of so many passes, a week apart, each product with its own number."""
    first = date(2026, 5, 1)
    passes = tuple(
        Pass(
            number=at,
            date=first + timedelta(days=5 * at),
            tank=(TankItem(product=f"{name} {at}", rate=0.6, unit="L/ha"),),
            water=187.0,
        )
        for at in range(1, number + 1)
    )
    groups = {"FRAC 11": {"words": "group 11 (strobilurin)", "passes": list(range(1, number + 1)), "share": 1.0}}
    return flawed(programme=programme(passes=passes, products=(), notices=()), totals={"groups": groups})


HOSTILE = {
    "script": "<script>alert(1)</script>",
    "quotes": "\"><img src=x onerror='alert(1)'>",
    "amp": "Smith & Sons &lt;b&gt; &amp;",
    "close": "</style></title></svg></textarea>-->]]>",
    "jinja": "{{ 7*7 }}{% raw %}",
    "marks": "evil\u202edlrow\u2066\u200f\x1b[31m\x00",
    "long": "Langername" * 30,
    "hebrew": "דמו אלון",
    "markup": "[bold red]x[/bold red]",
    "surrogate": "caf\udce9",
}


@pytest.mark.parametrize("name", list(HOSTILE))
def test_hostile_names_are_text(name: str) -> None:
    word = HOSTILE[name]
    report = flawed(
        programme=programme(
            name=word,
            file=word,
            field=programme().field.__class__(**{**_fields(programme().field), "name": word}),
            products=(),
            passes=tuple(
                Pass(number=at, date=date(2026, 7, at), tank=(TankItem(product=word, rate=1.0, unit="L/ha"),))
                for at in (1, 2)
            ),
            notices=(word,),
        ),
        findings=tuple(
            Finding(
                rule="LBL01",
                name=word,
                severity=severity,
                passes=(1,),
                message=word,
                why=word,
                remedy=word,
                sources=(word,),
                evidence={"product": word, word: 1},
                place=word,
                accepted=accepted,
            )
            for severity, accepted in (("breach", None), ("advice", word))
        ),
        cover=({"target": "t", "name": word, "window": ["2026-07-01", "2026-07-20"], "estimated": True, "days": []},),
        totals={
            "actives": {word: {"g_per_ha": 1.0, "passes": [1]}},
            "groups": {"FRAC 11": {"words": word, "passes": [1, 2], "share": 1.0}},
            "cost": {"per_ha": 1.0, "total": 2.0, "currency": word, "missing": [word]},
            "stages": [{"stage": word, "date": "2026-07-02", "estimated": True}],
        },
        selection=({"target": "t", "name": word, "group": word, "words": word, "selection_days": 2.0},),
        notices=(word,),
        engine=word,
    )
    html = page([report], versions=word, rules=word, sources={word: word})
    plain = page([many(2)])
    mine = seen(html)
    assert not mine.odd and not mine.open
    assert not {"script", "img", "textarea"} & {tag for tag, _ in mine.tags}
    assert not [key for _, attrs in mine.tags for key in attrs if key.startswith("on")]
    assert Counter(t for t, _ in mine.tags)["style"] == Counter(t for t, _ in seen(plain).tags)["style"] == 1
    assert not re.search("[\u202a-\u202e\u2066-\u2069\x00-\x08\x0b-\x1f\u200e\u200f]", html)
    html.encode("utf-8")
    shown = {"script": word, "quotes": word, "amp": word, "jinja": word, "hebrew": word, "markup": word, "long": word}
    if name in shown:
        assert shown[name] in "".join(mine.text)
    if name == "marks":
        assert "\\u202e" in mine.said and "\\x1b[31m" in mine.said
    for drawing in re.findall(r"<svg.*?</svg>", html, re.DOTALL):
        ElementTree.fromstring(drawing)


def _fields(value: Any) -> dict[str, Any]:
    return {name: getattr(value, name) for name in value.__struct_fields__}


def test_the_shared_hostile_report() -> None:
    mine = seen(page([hostile()]))
    assert not mine.odd and "<script>" in mine.said and not any(tag == "script" for tag, _ in mine.tags)


@pytest.mark.parametrize("number", [1, 8, 40])
def test_many_passes(number: int) -> None:
    html = page([many(number)])
    rows = re.findall(r'<tr><th scope="row">(\d+)</th>', html)
    assert rows[:number] == [str(at) for at in range(1, number + 1)]
    mine = season.draw(strip.make(many(number)), many(number)) if number > 1 else None
    if mine is not None:
        assert len(mine.lines) == number
        assert all(0 <= line.x <= mine.wide and line.end < mine.high for line in mine.lines)
        assert [one.number.text for one in mine.said] == [str(at) for at in range(1, number + 1)]
        tops = [one.number.y for one in mine.said]
        assert tops == sorted(set(tops)) and tops[-1] < mine.high
        boxes = []
        for line in mine.lines:
            ends = [line.box.x - line.box_wide / 2, line.box.x + line.box_wide / 2]
            if line.codes is not None:
                ends += [line.codes.left + 1, line.codes.left + line.codes.wide - 1]
            boxes.append((min(ends), line.box.y, max(ends) - min(ends)))
        for at, (x, y, wide) in enumerate(boxes):
            assert x >= 0 and x + wide <= mine.wide
            for other_x, other_y, other in boxes[:at]:
                assert y != other_y or x >= other_x + other or other_x >= x + wide
    if number == 8:
        assert len(html.encode()) < 300_000


def test_nothing_is_fetched(real: list[AuditReport], catalogue: Catalogue) -> None:
    html = page(real, sources=catalogue.sources)
    for tag, attrs in seen(html).tags:
        assert tag not in {"script", "img", "iframe", "object", "embed", "video", "audio", "base", "form"}
        for key, value in attrs.items():
            if key in {"src", "href", "srcset", "data", "action", "poster", "xlink:href"}:
                assert value == "data:," or (value or "").startswith("#"), (tag, key, value)
            assert "http" not in (value or "") or key in {"http-equiv"} or key == "content"
    assert "@import" not in html and not re.search(r"url\((?!#)", html)
    assert "default-src 'none'" in html


def test_same_answer_same_bytes(real: list[AuditReport], catalogue: Catalogue) -> None:
    from planner.render.page import press

    once = page(real, sources=catalogue.sources, units="us")
    press.environment.cache_clear()
    assert page(real, sources=catalogue.sources, units="us") == once
    assert not re.search(r"\b\d{1,2}:\d{2}:\d{2}\b", once)


def test_headings_in_order_and_ids_once(real: list[AuditReport], catalogue: Catalogue) -> None:
    for html in (page(real, sources=catalogue.sources), *(page([one], sources=catalogue.sources) for one in real)):
        mine = seen(html)
        levels = [int(tag[1]) for tag, _ in mine.tags if re.fullmatch(r"h[1-6]", tag)]
        assert levels[0] == 1 and levels.count(1) == 1
        assert all(after - before <= 1 for before, after in pairwise(levels))
        ids = Counter(attrs["id"] for _, attrs in mine.tags if attrs.get("id"))
        assert not [name for name, times in ids.items() if times > 1]
        for _, attrs in mine.tags:
            for key in ("href", "aria-labelledby"):
                for target in (attrs.get(key) or "").split():
                    if key == "aria-labelledby" or target.startswith("#"):
                        assert target.lstrip("#") in ids, target


def test_language_title_and_real_tables(real: list[AuditReport]) -> None:
    mine = seen(page([real[0]]))
    tags = dict(mine.tags[:1])
    assert tags["html"] == {"lang": "en"}
    assert all("scope" in attrs for tag, attrs in mine.tags if tag == "th")
    names = Counter(tag for tag, _ in mine.tags)
    assert names["table"] == names["caption"] and names["title"] > 1 and names["main"] == 1


def test_every_part_of_the_answer_is_there(catalogue: Catalogue, real: list[AuditReport]) -> None:
    for report in real:
        mine = seen(page([report], versions="planner 0, catalogue 1", rules="ab" * 32, sources=catalogue.sources))
        said = mine.said.casefold()
        start = said.index("the season")
        first = said[:start]
        for word in (report.programme.field.name, report.programme.field.crop, "2026"):
            assert word.casefold() in first
        assert ("sound" in first) or ("second look" in first)
        for finding in report.findings:
            assert finding.rule.casefold() in said
            for key in finding.sources:
                source = catalogue.sources.get(key)
                words = source.words if source is not None else key  # a copied label speaks for itself
                assert " ".join(words.split()).casefold() in said
        for entry in report.not_assessed:
            assert entry.rule.casefold() in said
        for entry in report.programme.passes:
            for item in entry.tank:
                assert said.count((item.product or item.active or "").casefold()) >= 2  # drawing and table
        assert report.programme.checksum in said
        assert "abababababab" in said and "planner 0, catalogue 1" in said
        for words in ("before anything is sprayed", "the label on the container", "licensed adviser", "invented prod"):
            assert words in said
        if report.selection:
            assert "forecast" in said
        if report.totals.get("money"):
            assert "to pay, the season needs" in said


def test_anchors_are_stable_and_cited_sources_are_numbered_once(catalogue: Catalogue, real: list[AuditReport]) -> None:
    report = next(one for one in real if one.verdict == "breaches")
    html = page([report], sources=catalogue.sources)
    assert f'id="{report.findings[0].rule}-' in html
    numbers = [int(one) for one in re.findall(r'<li id="source-(\d+)"', html)]
    assert numbers == list(range(1, len(numbers) + 1))
    assert {int(one) for one in re.findall(r'href="#source-(\d+)"', html)} == set(numbers)


def test_the_strip_counts_each_day_once() -> None:
    report = flawed()
    made = strip.make(report)
    assert made is not None
    drawing = season.draw(made, report)
    runs = season.runs_of(made.rows[0])
    assert [(last - first + 1, modes) for first, last, modes in runs] == [
        (14, 1),
        (14, 2),
        (4, 0),
        (14, 1),
        (4, None),
        (10, 0),
    ]
    bar = drawing.bars[0]
    assert abs(sum(run.wide for run in bar.runs) - bar.wide) < 0.1
    assert [run.pattern for run in bar.runs] == ["1", "2", "0", "1", "u", "0"]
    assert [run.label[0] for run in bar.runs] == ["1", "2", "0", "1", "?", "0"]
    assert "30 July to 2 August bare" in drawing.description
    assert drawing.bars[1].silent


def test_a_clean_report_and_an_empty_one() -> None:
    assert "Findings: none" in page([clean()])
    bare = flawed(
        programme=programme(passes=programme().passes[:1], products=(), notices=()),
        cover=(),
        totals={},
        findings=(),
        not_assessed=(),
        notices=(),
    )
    assert "is not drawn" in page([bare])


def test_sections_of_other_commands() -> None:
    made = strip.make(flawed())
    assert made is not None
    html = page(
        title="Calendar <b>",
        kind="Calendar",
        verdict="3 windows",
        about=(("Field", "A & B"),),
        sections=(
            Section(
                title="First",
                parts=(
                    Prose(text="x < y", lead="Note:"),
                    Items(items=("one", "two"), ordered=True),
                    Table(caption="T", header=("a", "b"), rows=(("1", "<i>"),), right=(1,)),
                    Document(text="a: 1\n  b: <2>\n", label="document"),
                    Picture(strip=made, label="Windows"),
                ),
                sections=(Section(title="Inner"),),
            ),
        ),
    )
    mine = seen(html)
    assert not mine.odd and "i" not in {tag for tag, _ in mine.tags}
    assert "  b: <2>\n" in "".join(mine.text)
    for drawing in re.findall(r"<svg.*?</svg>", html, re.DOTALL):
        ElementTree.fromstring(drawing)


def _luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.1."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _colours(scheme: str) -> dict[str, str]:
    """The named colours of one scheme: the dark one lays its own over the light one's."""
    style = page([clean()]).partition("<style>")[2].partition("</style>")[0]
    light, _, dark = style.partition("@media screen and (prefers-color-scheme:dark)")
    found = dict(re.findall(r"--(\w+):(#[0-9a-f]{6})", light.partition("}")[0]))
    return found | (dict(re.findall(r"--(\w+):(#[0-9a-f]{6})", dark.partition("}}")[0])) if scheme == "dark" else {})


def _contrast(one: str, other: str) -> float:
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", ["ink", "soft", "leaf", "breach", "caution", "advice", "clean"])
def test_text_colours_stand_out(name: str, scheme: str) -> None:
    colours = _colours(scheme)
    for ground in ("paper", "sheet"):
        assert _contrast(colours[name], colours[ground]) >= 4.5


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_drawings_stand_out(scheme: str) -> None:
    """WCAG 2.1, 1.4.11: 3:1 for what a drawing is read by; 4.5:1 for the figures in the boxes."""
    colours = _colours(scheme)
    assert _contrast(colours["mark"], colours["onmark"]) >= 4.5
    for line, ground in [("l0", "g0"), ("l1", "g1"), ("l2", "g2"), ("l3", "g3"), ("lu", "sheet")]:
        assert _contrast(colours[line], colours[ground]) >= 3, (line, ground)
    for number in range(1, 6):
        assert _contrast(colours[f"j{number}"], colours[f"h{number}"]) >= 3, number
        assert _contrast(colours[f"j{number}"], colours["sheet"]) >= 3, number


def test_the_dark_style_has_every_colour_and_paper_stays_light() -> None:
    style = page([clean()]).partition("<style>")[2].partition("</style>")[0]
    light, _, dark = style.partition("@media screen and (prefers-color-scheme:dark)")
    names = set(re.findall(r"--(\w+):#", light.partition("}")[0]))
    assert set(re.findall(r"--(\w+):#", dark.partition("}}")[0])) == names
    assert not re.search(r"prefers-color-scheme(?!:dark\)\{:root)", style.replace(" ", "")) and "screen and" in style
    used = set(re.findall(r"var\(--(\w+)\)", style)) - {"name"}
    assert used <= names


def test_no_label_is_wider_than_its_run() -> None:
    """Digits of neighbouring runs of one day stood on each other."""
    for number in (8, 40):
        drawing = season.draw(_dense(number))
        for bar in drawing.bars:
            for run in bar.runs:
                assert not run.label or (len(run.label) * 6.6 <= run.wide and run.chip < run.wide), run


def _dense(days: int) -> strip.Strip:
    """A window in which the cover changes every day."""
    modes: dict[int, int | None] = {one: (one % 4) or None for one in range(739_000, 739_000 + 3 * days)}
    row = strip.Row(name="t", window=(739_000, 739_000 + 3 * days - 1), estimated=False, modes=modes)
    marks = tuple(strip.Mark(day=739_000 + 3 * at, text=str(at + 1)) for at in range(days))
    return strip.Strip(first=739_000, last=739_000 + 3 * days, stages=(), passes=marks, groups=(), rows=(row,))


# --- charts ---------------------------------------------------------------------------------------------------------


def test_bars_are_to_scale_and_say_their_figures() -> None:
    blocks = (
        chart.Block(
            name="group 11 on t",
            entries=(
                chart.Entry(name="A", said="8.0 (6.0 to 9.0)", days=8.0, low=6.0, high=9.0, pattern=0),
                chart.Entry(name="B", said="4.0", days=4.0, pattern=1),
                chart.Entry(name="C", said="not used", pattern=2),
            ),
        ),
    )
    drawn = chart.draw(blocks, key=("A: one", "B: two", "C: three"))
    assert drawn is not None
    a, b, c = drawn.bars
    assert a.wide == pytest.approx(2 * b.wide, rel=1e-3) and c.wide == 0
    assert a.low is not None and a.high is not None
    assert (a.high - drawn.left) / (a.low - drawn.left) == pytest.approx(9 / 6, rel=1e-3)
    assert [bar.value.text for bar in drawn.bars] == ["8.0 (6.0 to 9.0)", "4.0", "not used"]
    assert all(bar.value.left + bar.value.wide <= drawn.wide for bar in drawn.bars)
    assert [number for number, _ in drawn.key] == [0, 1, 2] and len({bar.pattern for bar in drawn.bars}) == 3
    assert "C, group 11 on t: not used" in drawn.description
    html = page(title="x", sections=(Section(title="y", parts=(Bars(blocks=blocks, label="z", key=("A", "B", "C")),)),))
    for drawing in re.findall(r"<svg.*?</svg>", html, re.DOTALL):
        ElementTree.fromstring(drawing)
    for number in range(chart.PATTERNS):
        assert f'id="k{number}"' in html


def test_a_chart_of_no_days_has_a_scale() -> None:
    empty = chart.draw((chart.Block(name="g", entries=(chart.Entry(name="A", said="0.0", days=0.0),)),))
    assert empty is not None and len(empty.ticks) >= 2


def test_the_course_over_seasons_is_a_straight_line_of_log_odds() -> None:
    """Log-odds that grow by a constant a season (logistic growth; van der Plank) lie on a straight line."""
    order = ("A", "B", "C")
    series = {"A": [-11.5 + 0.3 * at for at in range(11)], "B": [-11.5] * 11}
    drawn = course.draw(series, order, {"A": (-9.0, -8.0)})
    assert drawn is not None
    a, b = sorted(drawn.courses, key=lambda one: one.name.text)
    points = [tuple(map(float, pair.split())) for pair in a.line[1:].split("L")]
    assert len(points) == 11
    steps = {round(after[1] - before[1], 1) for before, after in pairwise(points)}
    assert max(steps) - min(steps) <= 0.11 and max(steps) < 0  # up is smaller
    assert len({pair.split()[1] for pair in b.line[1:].split("L")}) == 1
    assert (a.pattern, b.pattern) == (0, 1) and a.marks != b.marks and a.span and not b.span
    assert abs(a.name.y - b.name.y) >= 14
    assert course.draw({}, order) is None


def test_names_at_the_ends_of_lines_never_touch() -> None:
    order = tuple("ABCDEFGH")
    drawn = course.draw({name: [0.0, 1.0 + 0.001 * at] for at, name in enumerate(order)}, order)
    assert drawn is not None
    heights = sorted(one.name.y for one in drawn.courses)
    assert all(after - before >= 15 for before, after in pairwise(heights))
    assert heights[0] > 0 and heights[-1] < drawn.high


# --- the pages of the commands, part by part ------------------------------------------------------------------------

HERE = Path(__file__).parent
FARM = SCENARIOS[0].parent
SOUND, SOLO = str(FARM / "sound-quarry-bottom.yaml"), str(FARM / "solo-strobilurins-quarry-bottom.yaml")
EIGHT = str(HERE / "browser" / "eight" / "programme.yaml")
FIELD, SHOP = str(FARM / "quarry-bottom.yaml"), str(FARM / "farm-shop.yaml")
PAGES = {
    "audit": ["audit", EIGHT],
    "draft": ["draft", FIELD, "--products", SHOP, "--passes", "2", "--seconds", "90"],
    "compare": ["compare", SOLO, SOUND, "--growth-rate", "0.1", "--start-fraction", "1e-5"],
    "sheet": ["sheet", SOUND],
    "calendar": ["calendar", SOUND],
    "calendar-field": ["calendar", FIELD, "--products", SHOP],
    "teach": ["teach", "counting"],
}
# what a page need not hold, and why
LEFT_OUT = {
    "compare": {"sheets": "which programme goes into the tank is not decided yet"},
    "sheet": {"cost": "it stands with the sheets"},
    "calendar": {"sheets": "dates only"},
    "calendar-field": dict.fromkeys(
        ("cover", "passes", "findings", "not assessed", "totals", "cost", "selection", "sheets"),
        "there is no programme to judge",
    ),
    "teach": dict.fromkeys(("not assessed", "totals", "cost", "sheets"), "invented seasons end in no tank"),
}
ELEMENTS = {
    "field": r"<dt>Field</dt>",
    "crop": r"<dt>Crop</dt>",
    "season": r"<dt>Season</dt><dd><bdi>2026",
    "verdict": r'<p class="verdict">[^<]*(<span[^<]*</span>)?[^<]*\w{3}',
    "first": r'<p class="first"><b>',
    "strip": r'<path class="axis" d="M10 34H',
    "cover": r'fill="url\(#m[0123u]\)"',
    "passes": r'<text class="target"[^>]*>group ',
    "findings": r'<article class="finding \w+" id="[\w-]+">',
    "not assessed": r'id="([AB]-|p1-)?not-assessed"',
    "totals": r"Groups of the season</caption>",
    "cost": r"to pay, the season needs|To pay, the season needs",
    "selection": r'fill="url\(#k\d\)"',
    "caveat": r"(forecast no years|does not forecast years)",
    "sheets": r"Mixing order",
    "cautions": r"(Before anything is sprayed|<h2>Cautions</h2>)",
    "planner": r"planner 0\.\d",
    "catalogue": r"catalogue \S+ of \d{4}-\d\d-\d\d",
    "rules": r"rulebook [0-9a-f]{12}",
    "checksum": r"SHA-256 [0-9a-f]{64}",
    "sources": r'<li id="source-1">',
}


@pytest.fixture(scope="module")
def commands(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """The page of each command."""
    from planner.cli import main

    folder = tmp_path_factory.mktemp("commands")
    made = {}
    for name, line in PAGES.items():
        path = folder / f"{name}.html"
        assert main([*line, "--format", "html", "--output", str(path)]) in (0, 1), name
        made[name] = path.read_text(encoding="utf-8")
    return made


@pytest.mark.parametrize("element", list(ELEMENTS))
@pytest.mark.parametrize("name", list(PAGES))
def test_every_page_holds_every_part(commands: dict[str, str], name: str, element: str) -> None:
    html = commands[name]
    left_out = {**LEFT_OUT.get(name, {})}
    if name == "teach":
        left_out["checksum"] = "a lesson reads no file; its name and seed stand there"
    if name == "calendar-field":
        left_out["caveat"] = "no chart, so no caveat"
    if element not in left_out:
        assert re.search(ELEMENTS[element], html), element
    if element in ("field", "crop", "season", "verdict", "first"):
        assert re.search(ELEMENTS[element], html.partition("<svg viewBox")[0])  # before the first drawing


@pytest.mark.parametrize("name", list(PAGES))
def test_pages_are_sound_and_speak_the_trades_words(commands: dict[str, str], name: str) -> None:
    html = commands[name]
    mine = seen(html)
    assert not mine.odd and not mine.open
    ids = Counter(attrs["id"] for _, attrs in mine.tags if attrs.get("id"))
    assert not [one for one, times in ids.items() if times > 1]
    for _, attrs in mine.tags:
        target = attrs.get("href") or ""
        assert not target.startswith("#") or target[1:] in ids, target
    for drawing in re.findall(r"<svg.*?</svg>", html, re.DOTALL):
        ElementTree.fromstring(drawing)
    assert not re.search(r"<th[^>]*>(<bdi></bdi>)?</th>", html)  # an empty heading says nothing to those who listen
    assert "<pre>" not in html  # drawings are drawn, not typed
    for raw in ("True", "False", "FRAC 11 ", "days_bare", "[1, 3]", "stage_timed", "at-risk-group"):
        assert raw not in mine.said, raw
    assert not re.search(r"(: |\bis |=|, )None\b", mine.said)
    levels = [int(tag[1]) for tag, _ in mine.tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1 and all(after - before <= 1 for before, after in pairwise(levels))


@pytest.mark.parametrize("name", ["audit", "sheet", "calendar", "compare", "draft"])
def test_what_the_bars_do_not_tell_stands_below_them(commands: dict[str, str], name: str) -> None:
    assert "leaves that unfold after a pass" in seen(commands[name]).said.casefold()


def test_compare_links_each_finding_to_its_card(commands: dict[str, str]) -> None:
    html = commands["compare"]
    cards = set(re.findall(r'<article class="finding \w+" id="([\w-]+)"', html))
    assert {one[0] for one in cards} == {"A", "B"}
    links = re.findall(r'<td><a href="#(A-[A-Z]{3}\d\d-[\d-]+(?:-n\d)?)"><bdi>', html)
    assert links and set(links) <= cards


def test_a_lesson_draws_each_season_and_an_exercise_hides_what_is_asked(
    commands: dict[str, str], tmp_path: Path
) -> None:
    from planner.cli import main

    assert len(re.findall(r'<path class="axis" d="M10 34H', commands["teach"])) == 3  # one strip a step
    html = ""
    for seed in range(1, 12):
        line = ["teach", "--exercise", "1", "--seed", str(seed), "--kind", "faults", "--print"]
        assert main([*line, "--format", "html", "--output", str(tmp_path / "x.html")]) == 0
        html = (tmp_path / "x.html").read_text(encoding="utf-8")
        assert '<path class="axis" d="M10 34H' in html
        assert 'class="run bare"' not in html and "url(#m1)" not in html.partition("</defs>")[2]
        assert 'class="finding' not in html
    assert html


def test_names_in_the_style_sheet_end_nothing() -> None:
    for word in HOSTILE.values():
        style = page([flawed(programme=programme(name=word))]).partition("<style>")[2].partition("</style>")[0]
        held = re.search(r'@bottom-left\{content:"([^"]*)"', style)
        assert held is not None
        assert re.fullmatch(r"(?:[A-Za-z0-9]|\\[0-9a-f]+ )*", held.group(1))
        shown = re.sub(r"\\([0-9a-f]+) ", lambda one: chr(int(one.group(1), 16)), held.group(1))
        assert len(shown) <= 81


def test_the_page_of_an_audit_as_it_was_read(golden: Callable[[str, str], None]) -> None:
    golden("page-audit.html", page([flawed()], versions="planner 0, catalogue 0 of 2026-01-01", rules="ab" * 32))


def test_eight_passes_with_their_sheets_are_small(commands: dict[str, str]) -> None:
    html = commands["audit"]
    assert len(re.findall(r"<h[23]>Pass \d", html)) == 8
    assert len(html.encode()) < 300_000
