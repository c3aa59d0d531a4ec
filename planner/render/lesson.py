"""Lessons and exercises on paper: plain text of at most 100 columns, or Markdown, from the same content.

Everything reads from top to bottom without colour: a number stands before its bar, a state is told in words, and no
meaning hangs on a column alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Protocol, runtime_checkable

from planner.catalogue import Catalogue
from planner.lessons.lesson import Lesson, Step
from planner.lessons.season import Judged, judged
from planner.lessons.shapes import LessonShape, LessonSource
from planner.lessons.whatif import Difference
from planner.model import AuditReport, Finding, Programme
from planner.render import cautions, words
from planner.render.paper import Paper

if TYPE_CHECKING:
    from rich.text import Text

    from planner.lessons.exercises import Exercise, Mark

WIDTH = 100
_BAR = 24
INDEX = (
    "Selection days rank seasons for one disease by published models; they are no forecast of years, and whether the "
    "disease is controlled is not in them."
)
LETTERS = "ABCDEFGHIJ"


class Sheet(Protocol):
    """What a lesson is written on."""

    def title(self, text: str) -> None:
        """The name of the whole."""

    def heading(self, text: str) -> None:
        """The name of a part."""

    def line(self, text: str) -> None:
        """A paragraph."""

    def item(self, text: str, mark: str = "-") -> None:
        """An entry of a list; ``mark`` is a dash, a number or a letter."""

    def raw(self, text: str) -> None:
        """A line that keeps its spaces."""


@runtime_checkable
class Pictures(Protocol):
    """What a sheet can take besides, where it draws and numbers its sources (the printable page)."""

    def opening(self, about: Sequence[tuple[str, str]], verdict: str, input_words: str) -> None:
        """The first lines: names and values, the one idea, what the page was made from."""

    def first(self, lead: str, text: str) -> None:
        """What to do first."""

    def season(self, report: AuditReport, *, plain: bool = False) -> None:
        """The season drawn; ``plain`` without cover and groups."""

    def findings(self, report: AuditReport) -> None:
        """Findings with why, remedy and sources."""

    def days(self, rows: Sequence[tuple[str, Sequence[tuple[str, float]]]]) -> None:
        """Selection days: per group, names with their days."""

    def cite(self, key: str, where: str) -> None:
        """A source of the whole sheet."""


class TextSheet:
    """Plain text through :class:`Paper`."""

    def __init__(self, width: int = WIDTH) -> None:
        self.paper = Paper(min(width, WIDTH))

    @property
    def lines(self) -> list[Text]:
        """Everything written so far."""
        return self.paper.lines

    def title(self, text: str) -> None:
        """The name of the whole."""
        self.paper.blank()
        self.paper.line((text, "head"))

    def heading(self, text: str) -> None:
        """The name of a part."""
        self.paper.heading(text)

    def line(self, text: str) -> None:
        """A paragraph."""
        self.paper.line(text)

    def item(self, text: str, mark: str = "-") -> None:
        """An entry of a list."""
        self.paper.line(f"{mark} {text}", indent=2, hang=3 + len(mark))

    def raw(self, text: str) -> None:
        """A line that keeps its spaces, folded where it is too wide."""
        self.paper.line(text, indent=2, hang=4)


class MarkdownSheet:
    """CommonMark text."""

    def __init__(self) -> None:
        self.parts: list[str] = []
        self._list = False

    @property
    def text(self) -> str:
        """Everything written so far."""
        return "\n".join(self.parts).strip() + "\n"

    def _begin(self, listing: bool = False) -> None:
        if self.parts and not (listing and self._list):
            self.parts.append("")
        self._list = listing

    def title(self, text: str) -> None:
        """The name of the whole."""
        self._begin()
        self.parts.append(f"# {_escaped(text)}")

    def heading(self, text: str) -> None:
        """The name of a part."""
        self._begin()
        self.parts.append(f"## {_escaped(text)}")

    def line(self, text: str) -> None:
        """A paragraph."""
        self._begin()
        self.parts.append(_escaped(text))

    def item(self, text: str, mark: str = "-") -> None:
        """An entry of a list; letters and numbers are printed, so that renumbering cannot change them."""
        self._begin(listing=True)
        lead = "" if mark == "-" else f"**{mark}** "
        self.parts.append(f"- {lead}{_escaped(text)}")

    def raw(self, text: str) -> None:
        """A line of a list in code style, which keeps its spaces."""
        self._begin(listing=True)
        self.parts.append(f"- `{words.safe(text).replace('`', ' ')}`")


def _escaped(text: str) -> str:
    made = words.safe(text)
    for sign in "\\`*_[]<>|#":
        made = made.replace(sign, f"\\{sign}")
    return made


# --- the list of lessons --------------------------------------------------------------------------------------------


def listing(sheet: Sheet, shapes: Sequence[LessonShape], gaps: Sequence[str], crop: str) -> None:
    """Every lesson with its one idea; where a crop is asked for, what it lacks."""
    sheet.title(f"Lessons{f' on {crop}' if crop else ''}")
    if isinstance(sheet, Pictures):
        about = [("Field", "invented, one for each crop"), ("Crop", crop or "each lesson on one of its own")]
        verdict = f"{words.count(len(shapes), 'lesson')}, one idea each; every one is computed on the spot."
        sheet.opening(about, verdict, "the list of lessons")
        if shapes:
            sheet.first("Begin with", f"{shapes[0].lesson}: {_sentence(shapes[0].title)} {shapes[0].idea}")
    for number, (shape, gap) in enumerate(zip(shapes, gaps, strict=True), start=1):
        sheet.item(f"{shape.lesson}: {_sentence(shape.title)} {shape.idea}", f"{number}")
        if gap:
            sheet.line(f"     not on {crop}: {gap}")
    sheet.heading("How to go on")
    sheet.item("planner teach group-code")
    sheet.item("planner teach group-code --crop wheat --adviser")
    sheet.item("planner teach --exercise 2 --seed 7")
    sheet.item("planner teach --exercise 2 --seed 7 --print, and --answers for the key")


# --- a lesson -------------------------------------------------------------------------------------------------------


def opening(sheet: Sheet, lesson: Lesson, *, adviser: bool) -> None:
    """Title, idea, words and text."""
    shape = lesson.shape
    sheet.title(shape.title)
    if isinstance(sheet, Pictures):
        room = lesson.parts.room.classroom
        season_of = lesson.steps[0].now.programme if lesson.steps else None
        made_from = f"lesson {shape.lesson} on {room}: invented seasons, the same on every run"
        sheet.opening(_about(room, lesson.parts.target_name, season_of), _sentence(shape.idea), made_from)
    else:
        sheet.line(shape.idea)
    sheet.line(f"Shown on {lesson.parts.room.classroom}, against {lesson.parts.target_name}: {lesson.parts.room.note}.")
    if shape.terms:
        sheet.heading("Words used here")
        for term in shape.terms:
            sheet.item(f"{term.term}: {term.means}.")
    sheet.heading("What it is about")
    for text in shape.farmer:
        sheet.line(text)
    if adviser:
        sheet.heading("For the adviser")
        for text in shape.adviser:
            sheet.line(text)


def _about(crop: str, target: str, programme: Programme | None) -> list[tuple[str, str]]:
    """Field, crop, season and target of an invented season."""
    years = sorted({entry.date.year for entry in programme.passes if entry.date}) if programme is not None else []
    rows = [("Field", "invented"), ("Crop", crop), ("Season", words.joined(map(str, years))), ("Against", target)]
    return [(name, value) for name, value in rows if value]


def step(sheet: Sheet, lesson: Lesson, number: int, catalogue: Catalogue) -> None:
    """One step: what is changed, the season, its findings, its selection days, and the claims as computed."""
    one: Step = lesson.steps[number - 1]
    sheet.heading(f"Step {number} of {len(lesson.steps)}")
    sheet.line(one.say)
    season(sheet, one.now.programme, catalogue)
    if isinstance(sheet, Pictures):
        sheet.season(one.now.report)
    modes(sheet, one.now, lesson.parts.target_name)
    if isinstance(sheet, Pictures) and one.now.report.findings:
        sheet.line(f"The audit finds {words.counts(one.now.report.findings)}:")
        sheet.findings(one.now.report)
    else:
        findings(sheet, one.now.report.findings)
    selection(sheet, one.now, one.before, catalogue)
    sheet.line("Computed just now:")
    for claim in one.claims:
        state = "yes" if claim.holds else "NO, this lesson needs mending"
        sheet.item(f"{claim.says}: {state} ({claim.found}).")


def season(sheet: Sheet, programme: Programme, catalogue: Catalogue, *, codes: bool = True) -> None:
    """The passes of a programme, one line each."""
    for entry in programme.passes:
        tank = " + ".join(_tank(item.product, item.rate, programme, catalogue, codes) for item in entry.tank)
        sheet.item(f"{words.when(entry)}, {tank}", f"pass {entry.number}:")


def _tank(name: str | None, rate: float | None, programme: Programme, catalogue: Catalogue, codes: bool) -> str:
    product = programme.product(name or "")
    if product is None:
        return name or ""
    said = []
    for active in product.actives:
        group = catalogue.group(catalogue.active(active).group).words
        said.append(f"{active}, {group}" if codes else active)
    amount = f" {rate:g} L/ha" if rate is not None else ""
    label = product.labels.get(programme.field.crop)
    most = label.rate_most if label else None
    note = (
        f", of a label rate of {label.rate_least:g} to {most:g}"
        if label and most and rate is not None and (rate > most or rate < (label.rate_least or 0))
        else ""
    )
    return f"{product.name}{amount} ({'; '.join(said)}{note})"


def modes(sheet: Sheet, now: Judged, target: str) -> None:
    """Working modes of each pass."""
    said = "; ".join(f"pass {number}: {working} of {codes}" for number, (working, codes) in sorted(now.modes.items()))
    sheet.line(f"Working modes against {target}, of those in the tank: {said}.")


def findings(sheet: Sheet, found: Sequence[Finding]) -> None:
    """Findings from breach to advice, one paragraph each."""
    if not found:
        sheet.line("The audit finds nothing.")
        return
    sheet.line(f"The audit finds {words.counts(found)}:")
    order = {"breach": 0, "caution": 1, "advice": 2}
    for one in sorted(found, key=lambda entry: order[entry.severity]):
        where = f" ({words.passes(one.passes)})" if one.passes and "pass" not in one.message else ""
        sheet.item(f"{one.severity} {one.rule} {one.name}{where}: {one.message.strip()}")


def selection(sheet: Sheet, now: Judged, before: Judged | None, catalogue: Catalogue) -> None:
    """Selection days now and before, number first, then a bar of the same length per day."""
    groups = list(dict.fromkeys([*(before.selection if before else {}), *now.selection]))
    if not groups:
        sheet.line("Selection days: none; nothing in this season is charged.")
        return
    sheet.line("Selection days (fewer is gentler; only the comparison counts):")
    if isinstance(sheet, Pictures):
        sides = [("now", now)] if before is None else [("before", before), ("now", now)]
        days = [
            (catalogue.group(group).words, [(name, side.selection.get(group, 0.0)) for name, side in sides])
            for group in groups
        ]
        sheet.days(days)
        return
    most = max(max(entry.selection.values(), default=0.0) for entry in (now, before) if entry is not None)
    for group in groups:
        name = catalogue.group(group).words
        if before is not None:
            sheet.raw(f"{name}, before: {_bar(before.selection.get(group, 0.0), most)}")
        sheet.raw(f"{name}, now: {_bar(now.selection.get(group, 0.0), most)}")


def _bar(days: float, most: float) -> str:
    signs = round(_BAR * days / most) if most > 0 else 0
    return f"{days:.1f} {'#' * max(signs, 1 if days > 0 else 0)}".rstrip()


def question(sheet: Sheet, lesson: Lesson) -> None:
    """The question with its choices."""
    sheet.heading("Question")
    sheet.line(lesson.shape.question.ask)
    for letter, choice in zip(LETTERS, lesson.shape.question.choices, strict=False):
        sheet.item(f"{choice.text}", letter)


def answer(sheet: Sheet, lesson: Lesson, letter: str = "") -> bool:
    """The reason of one choice (right or not), or, without a letter, the right answer with the reasons of all."""
    choices = dict(zip(LETTERS, lesson.shape.question.choices, strict=False))
    if letter:
        choice = choices[letter]
        sheet.line(f"{letter} is {'right' if choice.right else 'not it'}: {choice.because}.")
        return choice.right
    sheet.heading("Answer")
    for one, choice in choices.items():
        sheet.item(f"{'right' if choice.right else 'not it'}: {choice.because}.", one)
    return True


def closing(sheet: Sheet, lesson: Lesson, catalogue: Catalogue) -> None:
    """What the lesson cures, what it shows of the catalogue, sources and cautions."""
    shape = lesson.shape
    for kind in shape.shows:
        (_reports if kind == "reports" else _limits)(sheet, lesson, catalogue)
    if shape.cures:
        sheet.heading("Heard often, and what holds")
        for cure in shape.cures:
            sheet.item(f"They think: {cure.they_think}. What holds: {cure.holds}.")
    sources(sheet, shape.sources, catalogue)
    usual(sheet, (*shape.cautions, INDEX))


def _reports(sheet: Sheet, lesson: Lesson, catalogue: Catalogue) -> None:
    parts = lesson.parts
    target = catalogue.target(parts.room.classroom, parts.target)
    rows = catalogue.reports(parts.room.classroom, target.pathogen)
    sheet.heading(f"Reports on {parts.target_name} in the catalogue")
    if not rows:
        sheet.line("None. That is no proof that there is no resistance: it says that the catalogue holds no report.")
    for row in rows[:8]:
        place = ", ".join((*row.countries, *row.subdivisions)) or row.words or "place not given"
        year = f", since {row.first_year}" if row.first_year else ""
        sheet.item(f"group {row.code}: {row.level} ({place}{year})")
    if len(rows) > 8:
        sheet.line(f"And {len(rows) - 8} more: planner catalog show, planner explain.")


def _limits(sheet: Sheet, lesson: Lesson, catalogue: Catalogue) -> None:
    parts = lesson.parts
    codes = {active.group.partition(" ")[2] for active in parts.actives.values()}
    crop = catalogue.crop(parts.room.classroom)
    shown = [
        row
        for row in catalogue.limits
        if row.kind in ("max_applications", "max_share_of_total", "max_consecutive")
        and not row.countries
        and codes & set(row.codes)
        and catalogue.names_crop(row, crop.id, crop.crop_class)
    ]
    sheet.heading(f"Worldwide rows for these groups on {crop.id}")
    if not shown:
        sheet.line("None in the catalogue.")
    for row in shown[:8]:
        sheet.item(f"group {', '.join(row.codes)}: {row.text} ({row.authority}{', ' + row.date if row.date else ''})")


def sources(sheet: Sheet, rows: Iterable[LessonSource], catalogue: Catalogue) -> None:
    """Sources in words; a page numbers them and lists them at its end."""
    if isinstance(sheet, Pictures):
        for row in rows:
            sheet.cite(row.key, row.where)
        return
    sheet.heading("Sources")
    for row in rows:
        source = catalogue.sources.get(row.key)
        said = source.words if source is not None else row.key
        sheet.item(f"{said}{f' ({row.where})' if row.where else ''}")


def usual(sheet: Sheet, own: Sequence[str]) -> None:
    """The sheet's own cautions and the usual ones, short."""
    sheet.heading("Cautions")
    for text in own:
        sheet.item(text)
    known = cautions.load()
    for one in known:
        if one.id in ("label", "local-rules"):
            sheet.item(f"{one.title}: {one.text}.")
    rest = [one.title for one in known if one.id not in ("label", "local-rules")]
    sheet.item(f"On a real field also mind {words.joined(rest)}; every audit prints them in full.")


# --- what if --------------------------------------------------------------------------------------------------------


def difference(sheet: Sheet, change: Difference, catalogue: Catalogue) -> None:
    """Which findings went and came, and how the selection days moved."""
    if not (change.gone or change.come or change.eased):
        sheet.line("No finding came or went.")
    for one in change.gone:
        sheet.item(f"gone: {one.severity} {one.rule} {one.name} on {words.passes(one.passes)}")
    for one in change.come:
        sheet.item(f"new: {one.severity} {one.rule} {one.name} on {words.passes(one.passes)}: {one.message.strip()}")
    for old, new in change.eased:
        sheet.item(f"now {new.severity}, was {old.severity}: {new.rule} {new.name} on {words.passes(new.passes)}")
    for group, (old_days, new_days) in change.selection.items():
        ratio = f", {new_days / old_days:.2f} times" if old_days > 0 else ""
        sheet.item(
            f"selection days of {catalogue.group(group).words}: {old_days:.1f} before, {new_days:.1f} now{ratio}"
        )


# --- exercises ------------------------------------------------------------------------------------------------------


def exercise(sheet: Sheet, one: Exercise, catalogue: Catalogue) -> None:
    """The sheet that a learner gets; the key is apart."""
    sheet.title(f"Exercise: {one.text.title} (level {one.level}, seed {one.seed})")
    if isinstance(sheet, Pictures):
        _opened(sheet, one)
        sheet.first("Task", one.text.task)
    else:
        sheet.line(one.intro)
    if one.programme is not None and one.kind in ("faults", "mend"):
        season(sheet, one.programme, catalogue, codes=one.level == 1)
        if isinstance(sheet, Pictures):
            sheet.season(judged(one.programme, catalogue).report, plain=True)
    for number, text in enumerate(one.lines, start=1):
        sheet.item(text, f"line {number}:")
    sheet.heading("Task")
    if not isinstance(sheet, Pictures):
        sheet.line(one.text.task)
    for item in one.items:
        sheet.item(item.text, item.letter)
    for number, fact in enumerate(one.facts, start=1):
        sheet.item(f"{fact.ask}?", str(number))
    if one.level > 1 and one.kind in ("faults", "product"):
        sheet.line("Codes: planner explain ACTIVE tells the group of an active.")
    sheet.line(f"Answer: write {one.text.form}.")
    sources(sheet, one.text.sources, catalogue)
    usual(sheet, _own_cautions())


def _opened(sheet: Pictures, one: Exercise) -> None:
    """The first lines of an exercise and of its key on a page."""
    about = _about(one.crop, words.dated(one.target.replace("-", " ")), one.programme)
    made_from = f"exercise {one.kind}, level {one.level}, seed {one.seed}, {one.crop}: the same on every run"
    intro = _sentence(one.intro)
    about += [("Level", str(one.level)), ("Seed", str(one.seed))]
    sheet.opening(about, intro[:1].upper() + intro[1:], made_from)


def key(sheet: Sheet, one: Exercise, catalogue: Catalogue, marked: Mark) -> None:
    """The key: every right answer, and the reasons as the rules give them."""
    sheet.title(f"Key: {one.text.title} (level {one.level}, seed {one.seed}, {one.crop})")
    if isinstance(sheet, Pictures):
        _opened(sheet, one)
        sheet.first("Right", "; or ".join(one.key))
        if one.programme is not None:
            sheet.season(judged(one.programme, catalogue).report)
    sheet.line(f"Right: {'; or '.join(one.key)}")
    sheet.heading("Why")
    for _right, text in marked.notes:
        sheet.item(_sentence(text))
    sources(sheet, one.text.sources, catalogue)


def mark(sheet: Sheet, marked: Mark) -> None:
    """How an answer was marked, point by point."""
    sheet.line("All right." if marked.right else "Not all right.")
    for right, text in marked.notes:
        sheet.item(_sentence(f"{'right' if right else 'missed'}: {text}"))


def _sentence(text: str) -> str:
    return text if text.endswith((".", "!", "?")) else f"{text}."


def _own_cautions() -> Sequence[str]:
    from planner.lessons.exercises import texts

    return texts().cautions
