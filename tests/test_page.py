"""The printable page without a browser: hostile names, nothing fetched, the same bytes, and every part in its place.

What HTML must be is held against the standard library's own parser (html.parser, xml.etree for the drawings) and
the HTML Living Standard's list of void elements; contrast against the formula of WCAG 2.1 (relative luminance,
contrast ratio 4.5:1 for text).
"""

from __future__ import annotations

import re
from collections import Counter
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
from planner.render.page import Document, Items, Picture, Prose, Section, Table, page, season

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
        tops = [line.label.y for line in mine.lines]
        assert tops == sorted(set(tops))
        boxes = [(round(line.box.x - line.box_wide / 2, 1), line.box.y, line.box_wide) for line in mine.lines]
        for at, (x, y, wide) in enumerate(boxes):
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
                assert " ".join(catalogue.sources[key].words.split()).casefold() in said
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


@pytest.mark.parametrize("name", ["ink", "soft", "leaf", "breach", "caution", "advice", "clean"])
def test_text_colours_stand_out(name: str) -> None:
    html = page([clean()])
    colours = dict(re.findall(r"--(\w+):(#[0-9a-f]{3,6})", html))
    colours = {key: re.sub("[0-9a-f]", r"\g<0>\g<0>", one) if len(one) == 4 else one for key, one in colours.items()}
    for ground in ("paper", "sheet"):
        light, dark = sorted((_luminance(colours[name]), _luminance(colours[ground])), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 4.5
