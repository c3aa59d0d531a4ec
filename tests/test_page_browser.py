"""The printable page in a real browser: Debian's Chromium without a window, axe-core for accessibility.

Skipped, with the reason, where chromium, node, pdftotext or the npm modules are missing
(``tests/browser/install.sh FOLDER`` gets them; ``PLANNER_BROWSER_MODULES`` names the folder). axe-core checks
against WCAG 2.1 A and AA and its own best practices; paper sizes are those of ISO 216 (A4) and ANSI/ASME Y14.1
(Letter).
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import time
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from reports import clean, flawed, hostile
from test_page import SCENARIOS, many

from planner.audit import audit, rules_of
from planner.catalogue import load
from planner.cli import main
from planner.documents import load_programme
from planner.render import strip
from planner.render.page import Document, Items, Picture, Prose, Section, Table, page

HERE = Path(__file__).parent / "browser"
MODULES = Path(os.environ.get("PLANNER_BROWSER_MODULES") or HERE)
CHROMIUM = next(
    (found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name))), ""
)


def lacking() -> str:
    """Why the browser cannot be asked; empty where it can."""
    if not CHROMIUM:
        return "chromium is not installed (tests/browser/install.sh gets it)"
    for program in ("node", "pdftotext"):
        if shutil.which(program) is None:
            return f"{program} is not installed (tests/browser/install.sh says how)"
    for module in ("puppeteer-core", "axe-core"):
        if not (MODULES / "node_modules" / module).is_dir():
            return f"the npm module {module} is not in {MODULES} (tests/browser/install.sh FOLDER gets it)"
    return ""


pytestmark = pytest.mark.skipif(bool(lacking()), reason=lacking() or "all there")

EIGHT = HERE / "eight" / "programme.yaml"
LONG = "Langername" * 30
# names that end elements, quotes and style sheets, turn the direction of reading, or have no place to break
HOSTILE = {
    "field": "<script>alert('field')</script> \"Quarry\" & 'Bottom' </style></title>",
    "programme": "\u202eevil\u2066 " + LONG[:250] + " <img src=x onerror=alert(1)>",
    "products": [
        "<script>alert('jug')</script> & \"Co\"",
        "\u05d3\u05de\u05d5 \u05d0\u05dc\u05d5\u05df \u200f\u202e250 SC",
        LONG,
    ],
}

NAMES = [
    *(path.stem for path in SCENARIOS),
    "several",
    "hostile",
    "forty-passes",
    "eight-passes-long-names",
    "clean",
    "flawed-us",
    "sections",
    "sheet",
    "calendar-field",
    "calendar-programme",
    "compare",
    "draft",
    "lesson",
    "exercise",
    "lessons",
    "key",
    "compare-five",
    "eight-passes",
    "eight-passes-sheet",
    "hostile-audit",
    "hostile-sheet",
    "hostile-calendar",
    "hostile-compare",
    "hostile-draft",
    "forty-passes-audit",
    "forty-passes-sheet",
]
FARM = SCENARIOS[0].parent
SOUND = str(FARM / "sound-quarry-bottom.yaml")
COMMANDS = {
    "sheet": ["sheet", SOUND],
    "calendar-field": ["calendar", str(FARM / "quarry-bottom.yaml"), "--products", str(FARM / "farm-shop.yaml")],
    "calendar-programme": ["calendar", SOUND],
    "compare": [
        *("compare", str(FARM / "solo-strobilurins-quarry-bottom.yaml"), SOUND),
        *("--growth-rate", "0.1", "--start-fraction", "1e-5"),
    ],
    "draft": [
        *("draft", str(FARM / "quarry-bottom.yaml"), "--products", str(FARM / "farm-shop.yaml")),
        *("--passes", "1", "--seconds", "90"),
    ],
    "lesson": ["teach", "counting"],
    "exercise": ["teach", "--exercise", "1", "--seed", "7", "--kind", "faults", "--print"],
    "lessons": ["teach"],
    "key": ["teach", "--exercise", "1", "--seed", "7", "--kind", "faults", "--answers"],
    "compare-five": ["compare", *([str(FARM / "solo-strobilurins-quarry-bottom.yaml"), SOUND] * 3)[:5]],
    "eight-passes": ["audit", str(EIGHT)],
    "eight-passes-sheet": ["sheet", str(EIGHT), "--units", "us"],
    "hostile-audit": ["audit", "hostile.yaml"],
    "hostile-sheet": ["sheet", "hostile.yaml"],
    "hostile-calendar": ["calendar", "hostile.yaml"],
    "hostile-compare": ["compare", "hostile.yaml", "hostile.yaml"],
    "hostile-draft": [
        *("draft", "hostile-field.yaml", "--products", "hostile-shop.yaml"),
        *("--passes", "1", "--seconds", "90"),
    ],
    "forty-passes-audit": ["audit", "forty.yaml"],
    "forty-passes-sheet": ["sheet", "forty.yaml"],
}


def documents(folder: Path) -> None:
    """The hostile names and the forty passes as documents, made from the eight passes beside this file."""
    field = (EIGHT.parent / "field.yaml").read_text(encoding="utf-8")
    shop = (EIGHT.parent / "shop.yaml").read_text(encoding="utf-8")
    plan = EIGHT.read_text(encoding="utf-8")
    forty = [line for line in plan.splitlines() if line.startswith("  - {date")]
    head = plan.partition("passes:")[0]
    (folder / "field.yaml").write_text(field, encoding="utf-8")
    (folder / "shop.yaml").write_text(shop, encoding="utf-8")
    rows = []
    for at in range(40):
        day = date(2026, 5, 20) + timedelta(days=3 * at)
        rows.append(re.sub(r"\d{4}-\d\d-\d\d", day.isoformat(), forty[at % len(forty)]))
    (folder / "forty.yaml").write_text(f"{head}passes:\n" + "\n".join(rows) + "\n", encoding="utf-8")
    names = ["Demo Brambling 250 SC", "Demo Serin 160 SC", "Demo Bunting 75 DF"]
    for name, evil in zip(names, HOSTILE["products"], strict=True):
        shop = shop.replace(f"name: {name}", f"name: {json.dumps(evil)}")
        plan = plan.replace(f"product: {name},", f"product: {json.dumps(evil)},")
    plan = re.sub("(?m)^name: .*$", lambda _: f"name: {json.dumps(HOSTILE['programme'])}", plan)
    plan = plan.replace("field: field.yaml", "field: hostile-field.yaml")
    plan = plan.replace("products: shop.yaml", "products: hostile-shop.yaml")
    field = re.sub("(?m)^name: .*$", lambda _: f"name: {json.dumps(HOSTILE['field'])}", field)
    for name, text in (("hostile-field", field), ("hostile-shop", shop), ("hostile", plan)):
        (folder / f"{name}.yaml").write_text(text, encoding="utf-8")


def pages(folder: Path) -> list[Path]:
    """All pages of the check, written to a folder."""
    catalogue = load()
    options: dict[str, Any] = {
        "versions": "planner 0, catalogue 0 of 2026-01-01",
        "rules": rules_of(()).key,
        "sources": catalogue.sources,
    }
    real = [audit(load_programme(str(path), catalogue), catalogue) for path in SCENARIOS]
    made = {path.stem: page([one], **options) for path, one in zip(SCENARIOS, real, strict=True)}
    made["several"] = page(real, **options)
    made["hostile"] = page([hostile()], **options)
    made["forty-passes"] = page([many(40)], **options)
    made["eight-passes-long-names"] = page([many(8, "Langername" * 30)], **options)
    made["clean"] = page([clean()])
    made["flawed-us"] = page([flawed()], units="us")
    drawn = strip.make(flawed())
    rows = tuple((str(number), "x " * 30, "9") for number in range(90))
    assert drawn is not None
    made["sections"] = page(
        title="A page of sections",
        verdict="Three windows",
        about=(("Field", "Quarry Bottom"),),
        sections=(
            Section(
                title="All parts",
                parts=(
                    Prose(text="words " * 60, lead="Note:"),
                    Items(items=("one", "two")),
                    Table(caption="90 rows", header=("a", "b", "c"), rows=rows),
                    Document(text="a: 1\n" * 40 + "wide: " + "x " * 120, label="a document"),
                    Picture(strip=drawn, label="Windows"),
                ),
            ),
        ),
    )
    assert [*made, *COMMANDS] == NAMES
    paths = [folder / f"{name}.html" for name in COMMANDS]
    documents(folder)
    for name, line in COMMANDS.items():
        words = [str(folder / word) if word.endswith(".yaml") and "/" not in word else word for word in line]
        done = main([*words, "--format", "html", "--output", str(folder / f"{name}.html")])
        assert done in (0, 1), f"{name} left with {done}"
    for name, html in made.items():
        path = folder / f"{name}.html"
        path.write_text(html, encoding="utf-8")
        paths.append(path)
    return paths


@pytest.fixture(scope="module")
def looked(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, Any], Path]:
    """What the browser said of every page, and the folder with the prints.

    Where several workers share the tests (pytest-xdist), the first one to come asks the browser and the others wait.
    """
    base = tmp_path_factory.getbasetemp()
    folder = (base.parent if os.environ.get("PYTEST_XDIST_WORKER") else base) / "pages-in-the-browser"
    answer, failure = folder / "answer.json", folder / "failure.txt"
    try:
        folder.mkdir()
    except FileExistsError:
        until = time.monotonic() + 1200
        while not answer.exists() and not failure.exists() and time.monotonic() < until:
            time.sleep(0.5)
    else:
        try:
            said = ask(folder)
            (folder / "answer.part").write_text(said, encoding="utf-8")
            (folder / "answer.part").rename(answer)
        except BaseException as error:
            failure.write_text(f"{type(error).__name__}: {error}", encoding="utf-8")
            raise
    assert not failure.exists(), failure.read_text(encoding="utf-8")
    found = json.loads(answer.read_text(encoding="utf-8"))
    assert set(found["pages"]) == set(NAMES)
    return found["pages"], folder


def ask(folder: Path) -> str:
    """Write the pages and let the browser look at them; its answer as JSON."""
    command = ["node", str(HERE / "check.mjs"), CHROMIUM, str(folder), *map(str, pages(folder))]
    done = subprocess.run(
        command,
        capture_output=True,
        text=True,
        timeout=900,
        env={**os.environ, "NODE_MODULES": str(MODULES.resolve())},
        check=False,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    return done.stdout


@pytest.mark.parametrize("name", NAMES)
def test_no_message_and_no_request(looked: tuple[dict[str, Any], Path], name: str) -> None:
    assert looked[0][name]["said"] == []
    assert [url for url in looked[0][name]["asked"] if url != "data:,"] == []


@pytest.mark.parametrize("name", NAMES)
def test_no_sideways_scrolling(looked: tuple[dict[str, Any], Path], name: str) -> None:
    for label, width in (("phone", 360), ("desktop", 1200), ("dark", 1200)):
        found = looked[0][name]["width"][label]
        assert found["client"] == width
        assert found["scroll"] <= width and found["outside"] == [], found


@pytest.mark.parametrize("name", [path.stem for path in SCENARIOS])
def test_the_answer_is_on_the_first_screen_of_a_phone(looked: tuple[dict[str, Any], Path], name: str) -> None:
    assert looked[0][name]["answer"] <= 740  # the height of the phone's window in check.mjs


@pytest.mark.parametrize("name", NAMES)
def test_axe_finds_no_violation(looked: tuple[dict[str, Any], Path], name: str) -> None:
    for label in ("desktop", "phone", "dark"):
        found = looked[0][name]["axe"][label]
        assert found["passes"] > 20 and found["version"].startswith("4.")
        assert found["violations"] == []


@pytest.mark.parametrize("name", NAMES)
def test_words_of_a_drawing_stand_apart(looked: tuple[dict[str, Any], Path], name: str) -> None:
    assert looked[0][name]["crowded"] == []


@pytest.mark.parametrize("name", NAMES)
def test_paper_stays_white_for_those_who_read_in_the_dark(looked: tuple[dict[str, Any], Path], name: str) -> None:
    assert looked[0][name]["ground"] == ["rgb(31, 42, 28)", "rgb(255, 255, 255)"]


@pytest.mark.parametrize("name", [name for name in NAMES if name.startswith("hostile-")])
def test_hostile_names_are_shown_as_text(looked: tuple[dict[str, Any], Path], name: str) -> None:
    html = (looked[1] / f"{name}.html").read_text(encoding="utf-8")
    assert "<script" not in html and "<img" not in html and "onerror=" not in re.sub(r">[^<]*<", "><", html)
    assert not re.search("[\u200e\u200f\u202a-\u202e\u2066-\u2069]", html)
    assert "&lt;script&gt;" in html and "\\u202e" in html


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("name", NAMES)
def test_prints_without_a_cut_row(looked: tuple[dict[str, Any], Path], name: str, paper: str) -> None:
    answer, folder = looked
    found = answer[name]["paper"][paper]
    assert found["scroll"] <= found["client"] and found["cut"] == [] and found["tall"] == [], found
    sheets = text_of(folder / f"{name}.{paper}.pdf")
    at: dict[str, set[int]] = {}
    for number, sheet in enumerate(sheets):
        for mark in re.findall(r"q[sec](\d+)z", sheet):
            at.setdefault(mark, set()).add(number)
    assert len(at) == answer[name]["marks"]
    assert at or name in ("lesson", "exercise")  # those have no tables
    assert {mark: where for mark, where in at.items() if len(where) > 1} == {}


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_long_tables_repeat_their_head(looked: tuple[dict[str, Any], Path], paper: str) -> None:
    sheets = text_of(looked[1] / f"forty-passes.{paper}.clean.pdf")
    holding = [number for number, sheet in enumerate(sheets) if re.search(r"Demo Alder 250 SC \d+ +0.6 L/ha", sheet)]
    assert len(holding) >= 2
    assert all(re.search(r"In the tank", sheets[number]) for number in holding)


def text_of(path: Path) -> list[str]:
    """The text of a print, one string per sheet."""
    done = subprocess.run(
        ["pdftotext", "-layout", str(path), "-"], capture_output=True, text=True, timeout=60, check=True
    )
    return done.stdout.split("\f")[:-1]
