"""A talk at the terminal: writes lines, asks, and leaves politely on Ctrl-C and Ctrl-D."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import TypeVar

from planner.lessons.whatif import Hint
from planner.render import console
from planner.render.lesson import TextSheet

T = TypeVar("T")
QUIT = ("quit", "exit", "bye", "q")


class Left(Exception):
    """The learner leaves: ``interrupted`` where it was Ctrl-C."""

    def __init__(self, *, interrupted: bool = False) -> None:
        self.interrupted = interrupted
        super().__init__("left")


class Talk:
    """Standard input and output of a lesson. ``width``: columns; never more than 100 are used."""

    def __init__(self, width: int, *, no_color: bool = False) -> None:
        self.width = width
        self.no_color = no_color

    def say(self, write: Callable[[TextSheet], object]) -> None:
        """Write what ``write`` puts on a sheet."""
        sheet = TextSheet(self.width)
        write(sheet)
        console.deliver(sheet.lines, no_color=self.no_color)
        sys.stdout.flush()

    def line(self, text: str) -> None:
        """One paragraph."""
        self.say(lambda sheet: sheet.line(text))

    def ask(self, prompt: str) -> str:
        """One typed line.

        Raises:
            Left: Ctrl-C, Ctrl-D or ``quit``.
        """
        try:
            sys.stdout.write(f"{prompt} ")
            sys.stdout.flush()
            text = sys.stdin.readline()
        except KeyboardInterrupt:
            raise Left(interrupted=True) from None
        if not text:
            raise Left
        if text.strip().casefold() in QUIT:
            raise Left
        return text.strip()

    def until(self, prompt: str, understand: Callable[[str], T]) -> T:
        """Ask until ``understand`` takes the answer; a ``Hint`` of it is said before it is asked again.

        Raises:
            Left: as :meth:`ask`.
        """
        while True:
            text = self.ask(prompt)
            try:
                return understand(text)
            except Hint as hint:
                self.line(f"I did not get that; {hint}.")
