"""``planner teach``: lessons that compute what they say, exercises that mark themselves, and what-ifs."""

from __future__ import annotations

import argparse
import random
import sys
from typing import TYPE_CHECKING, Any

from planner import exits
from planner.commands import common
from planner.errors import NoProgramme
from planner.exits import UsageError

if TYPE_CHECKING:
    from planner.catalogue import Catalogue
    from planner.lessons.exercises import Exercise
    from planner.lessons.lesson import Lesson
    from planner.lessons.whatif import WhatIf
    from planner.render.lesson import MarkdownSheet, TextSheet
    from planner.render.page.lessons import LessonSheet
    from planner.render.talk import Talk

_EXAMPLES = """
planner teach
planner teach group-code
planner teach counting --crop potato --adviser
planner teach --exercise 2 --seed 7
planner teach --exercise 1 --seed 7 --print
planner teach --exercise 1 --seed 7 --answers --format markdown -o key.md
"""
_TRY = "Enter goes on; or change a pass (pass 2 = boscalid), undo, show, quit >"


def add(subparsers: Any) -> None:
    """The parser of this command."""
    from planner import cli

    parser = cli.command(
        subparsers,
        "teach",
        _EXAMPLES,
        "Lessons and exercises on rotation and mixing. Without a name: the list of lessons.\n"
        "At a terminal a lesson asks and takes what-ifs; piped, it prints through.",
    )
    parser.add_argument("lesson", nargs="?", metavar="LESSON", help="name or number of a lesson")
    parser.add_argument("--crop", metavar="CROP", help="crop to show it on")
    parser.add_argument("--adviser", action="store_true", help="the adviser's depth as well")
    group = parser.add_argument_group("exercises")
    group.add_argument("--exercise", nargs="?", const="1", metavar="LEVEL", help="an exercise of level 1, 2 or 3")
    group.add_argument("--kind", metavar="KIND", help="faults, mend, order, partner, product or label")
    group.add_argument("--seed", metavar="N", help="whole number; the same seed gives the same exercise")
    group.add_argument("--print", action="store_true", dest="sheet", help="print the sheet and ask nothing")
    group.add_argument("--answers", action="store_true", help="print the key and ask nothing")
    common.add_common(parser, ("text", "markdown", "html"))


def run(args: argparse.Namespace) -> int:
    """List, teach or examine.

    Raises:
        UnknownName: no such lesson, crop, kind or level.
        NoProgramme: the crop lacks facts; the message says which.
    """
    chosen = common.settings(args)
    if args.exercise is None:
        for option, given in (("--kind", args.kind), ("--seed", args.seed), ("--answers", args.answers)):
            if given:
                raise UsageError(f"{option} belongs to an exercise", f"write --exercise with {option}")
    elif args.lesson is not None:
        raise UsageError("a lesson and an exercise at once", "name one of them")
    catalogue = common.catalogue(chosen)
    try:
        if args.exercise is not None:
            return _exercise(args, catalogue, chosen)
        if args.lesson is None:
            return _list(args, catalogue, chosen)
        return _lesson(args, catalogue, chosen)
    except NoProgramme as error:  # a crop that lacks a fact is the learner's choice, so it is told as input
        exits.say(f"planner: {error}")
        for reason in error.reasons:
            exits.say(f"  {reason}")
        return exits.INPUT


def _asks(args: argparse.Namespace, chosen: common.Settings) -> bool:
    from planner.render import console

    quiet = args.sheet or args.answers or args.output is not None or chosen.format != "text"
    return not quiet and console.is_terminal(sys.stdin) and console.is_terminal(sys.stdout)


def _sheet(chosen: common.Settings) -> TextSheet | MarkdownSheet | LessonSheet:
    from planner.render.lesson import MarkdownSheet, TextSheet

    if chosen.format == "html":
        from planner.lessons.season import rulebook
        from planner.render.page.lessons import LessonSheet

        catalogue = common.catalogue(chosen)
        rules = rulebook(catalogue).key
        return LessonSheet(versions=common.versions(catalogue), rules=rules, known=catalogue.sources)
    return MarkdownSheet() if chosen.format == "markdown" else TextSheet(common.width())


def _deliver(args: argparse.Namespace, sheet: TextSheet | MarkdownSheet | LessonSheet) -> None:
    from planner.render.lesson import TextSheet

    common.deliver(args, sheet.lines if isinstance(sheet, TextSheet) else sheet.text)


def _talk(args: argparse.Namespace) -> Talk:
    from planner.render.talk import Talk

    return Talk(common.width(), no_color=args.no_color)


# --- lessons --------------------------------------------------------------------------------------------------------


def _list(args: argparse.Namespace, catalogue: Catalogue, chosen: common.Settings) -> int:
    from planner.lessons import lesson as lessons
    from planner.lessons.cast import cast
    from planner.render import lesson as render

    crop = catalogue.crop(args.crop).id if args.crop else ""
    if crop:
        cast(catalogue, crop)
    shapes = lessons.lessons()
    gaps = [lessons.lacking(shape, catalogue, crop) if crop else "" for shape in shapes]
    sheet = _sheet(chosen)
    render.listing(sheet, shapes, gaps, crop)
    _deliver(args, sheet)
    return exits.DONE


def _lesson(args: argparse.Namespace, catalogue: Catalogue, chosen: common.Settings) -> int:
    from planner.lessons import lesson as lessons
    from planner.render import lesson as render

    shape = lessons.find(args.lesson)
    crop = args.crop or lessons.crop_for(shape, catalogue)
    made = lessons.run(shape, catalogue, crop)
    if _asks(args, chosen):
        return converse(_talk(args), made, catalogue, adviser=args.adviser)
    sheet = _sheet(chosen)
    render.opening(sheet, made, adviser=args.adviser)
    for number in range(1, len(made.steps) + 1):
        render.step(sheet, made, number, catalogue)
    render.question(sheet, made)
    render.answer(sheet, made)
    render.closing(sheet, made, catalogue)
    _deliver(args, sheet)
    return exits.DONE


def converse(talk: Talk, made: Lesson, catalogue: Catalogue, *, adviser: bool) -> int:
    """A lesson at the terminal: each step, what-ifs in between, the question, the answer with its reason."""
    from planner.lessons.whatif import WhatIf
    from planner.render import lesson as render
    from planner.render.talk import Left

    try:
        talk.say(lambda sheet: render.opening(sheet, made, adviser=adviser))
        for number, step in enumerate(made.steps, start=1):
            talk.say(lambda sheet, at=number: render.step(sheet, made, at, catalogue))  # type: ignore[misc]
            what_if(talk, WhatIf(step.now.programme, catalogue, step.now), catalogue)
        talk.say(lambda sheet: render.question(sheet, made))
        letters = render.LETTERS[: len(made.shape.question.choices)]
        while not _answered(talk, made, talk.until("your answer >", lambda text: _letter(text, letters))):
            pass
        talk.say(lambda sheet: render.closing(sheet, made, catalogue))
    except Left as left:
        return _leave(talk, left.interrupted, "the lesson")
    return exits.DONE


def _answered(talk: Talk, made: Lesson, letter: str) -> bool:
    """Say the reason of one choice; whether it was right."""
    from planner.render import lesson as render

    right: list[bool] = []
    talk.say(lambda sheet: right.append(render.answer(sheet, made, letter)))
    return right[0]


def _letter(text: str, letters: str) -> str:
    from planner.lessons.whatif import Hint

    one = text.strip().rstrip(".)").upper()
    if len(one) != 1 or one not in letters:
        raise Hint(f"write one of the letters {' '.join(letters)}, or quit to leave")
    return one


def what_if(talk: Talk, trial: WhatIf, catalogue: Catalogue) -> None:
    """Take changes until an empty line.

    Raises:
        Left: the learner leaves.
    """
    from planner.lessons.whatif import Hint
    from planner.render import lesson as render

    while True:
        text = talk.ask(_TRY)
        if text.casefold() in ("", "done", "next", "n", "go on"):
            return
        try:
            if text.casefold() == "show":
                talk.say(lambda sheet: render.season(sheet, trial.now.programme, catalogue))
                talk.say(lambda sheet: render.findings(sheet, trial.now.report.findings))
                continue
            change = trial.undo() if text.casefold() == "undo" else trial.change(text)
        except Hint as hint:
            talk.line(f"I did not get that; {hint}.")
            continue
        talk.say(lambda sheet, one=change: render.difference(sheet, one, catalogue))  # type: ignore[misc]


def _leave(talk: Talk, interrupted: bool, what: str) -> int:
    talk.line("")
    talk.line(f"You left {what}; nothing was changed on disk. Come back any time.")
    return exits.INTERRUPTED if interrupted else exits.DONE


# --- exercises ------------------------------------------------------------------------------------------------------


def _exercise(args: argparse.Namespace, catalogue: Catalogue, chosen: common.Settings) -> int:
    from planner.lessons import exercises
    from planner.render import lesson as render

    if args.exercise not in ("1", "2", "3"):
        raise UsageError(f"there is no level '{args.exercise}'", "write --exercise 1, 2 or 3")
    one = exercises.make(
        catalogue, _seed(args.seed), level=int(args.exercise), crop=args.crop or "", kind=args.kind or ""
    )
    if _asks(args, chosen):
        return examine(_talk(args), one, catalogue)
    sheet = _sheet(chosen)
    if args.sheet or not args.answers:
        render.exercise(sheet, one, catalogue)
    if args.answers:
        render.key(sheet, one, catalogue, exercises.mark(one, one.key[0], catalogue))
    _deliver(args, sheet)
    return exits.DONE


def _seed(text: str | None) -> int:
    if text is None:
        return random.SystemRandom().randrange(1, 10_000)
    try:
        return int(text)
    except ValueError:
        raise UsageError(f"'{text}' is no seed", "write a whole number, for example --seed 7") from None


def examine(talk: Talk, one: Exercise, catalogue: Catalogue) -> int:
    """An exercise at the terminal: the sheet, the answer, its marking, then what-ifs on the programme."""
    from planner.lessons import exercises
    from planner.lessons.whatif import WhatIf
    from planner.render import lesson as render
    from planner.render.talk import Left

    try:
        talk.say(lambda sheet: render.exercise(sheet, one, catalogue))
        marked = talk.until("your answer >", lambda text: exercises.mark(one, text, catalogue))
        talk.say(lambda sheet: render.mark(sheet, marked))
        if one.programme is not None and one.kind in ("faults", "mend", "order"):
            what_if(talk, WhatIf(one.programme, catalogue), catalogue)
    except Left as left:
        return _leave(talk, left.interrupted, "the exercise")
    return exits.DONE
