"""Exit codes, and the one place where errors become messages.

====  ==============================================================================================
code  meaning
====  ==============================================================================================
0     done; nothing breached
1     done; at least one breach (audit), or no programme can satisfy the rules (draft)
2     the input or the command line is wrong; nothing was done
3     the planner itself failed (a bug); the message asks for a report and names the file to attach
130   stopped with Ctrl-C
====  ==============================================================================================
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Sequence

from planner import __version__
from planner.errors import InputError, ManyInputErrors, NoProgramme, UnknownName

DONE = 0
BREACH = 1
INPUT = 2
BUG = 3
INTERRUPTED = 130

TABLE = (
    (DONE, "done; nothing breached"),
    (BREACH, "done; at least one breach, or no programme can satisfy the rules"),
    (INPUT, "the input or the command line needs a change; nothing was done"),
    (BUG, "the planner broke; the message names the file to send with a report"),
    (INTERRUPTED, "stopped with Ctrl-C"),
)


class UsageError(InputError):
    """The command line cannot be understood."""

    def __init__(self, problem: str, cure: str = "") -> None:
        super().__init__("planner", problem, cure)


_told: list[bool] = []  # whether something was said since the last answer


def say(line: str) -> None:
    """One line on standard error; silence when nobody can read it.

    On a terminal a long line goes on below, between words and indented; piped it stays one line for ``grep``.
    """
    from planner.render import console
    from planner.render.words import safe

    try:
        shown = safe(line)
        if console.is_terminal(sys.stderr):
            shown = _folded(shown)
        sys.stderr.write(shown + "\n")
        sys.stderr.flush()
        _told[:] = [True]
    except (OSError, ValueError):
        return


def gap() -> None:
    """An empty line between what was said and the answer, where both stand on one screen."""
    from planner.render import console

    if _told and console.is_terminal(sys.stderr) and console.is_terminal(sys.stdout):
        say("")
    _told.clear()


def _folded(line: str) -> str:
    import shutil

    width = shutil.get_terminal_size().columns
    if len(line) <= width:
        return line
    import textwrap

    return textwrap.fill(line, max(width, 20), subsequent_indent="  ", break_long_words=False, break_on_hyphens=False)


def guarded(work: Callable[[], int], *, debug: bool = False, argv: Sequence[str] = ()) -> int:
    """Run ``work`` and turn whatever it raises into a message and an exit code."""
    try:
        code = work()
        sys.stdout.flush()
        return code
    except ManyInputErrors as error:
        for one in error.errors:
            say(str(one))
        return INPUT
    except InputError as error:
        say(str(error))
        return INPUT
    except UnknownName as error:
        say(f"planner: {error}")
        return INPUT
    except NoProgramme as error:
        say(f"planner: {error}")
        for reason in error.reasons:
            say(f"  {reason}")
        return BREACH
    except KeyboardInterrupt:
        say("planner: stopped")
        return INTERRUPTED
    except BrokenPipeError:
        _close_stdout()
        return DONE
    except (FileNotFoundError, IsADirectoryError, NotADirectoryError, PermissionError) as error:
        if debug or not error.filename:
            return _bug(error, debug, argv)
        say(f"{os.fsdecode(error.filename)}: {_reason(error)}; check the name and the rights")
        return INPUT
    except Exception as error:  # everything else is ours to mend, and must not end in a traceback
        return _bug(error, debug, argv)


def _reason(error: OSError) -> str:
    return (error.strerror or "cannot be opened").lower()


def _close_stdout() -> None:
    """Point standard output at nowhere, so that the interpreter's last flush is quiet too."""
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)
    except (OSError, ValueError):
        return


def _bug(error: BaseException, debug: bool, argv: Sequence[str]) -> int:
    what = f"{type(error).__name__}: {error}".splitlines()[0][:200]
    if debug:
        import traceback

        traceback.print_exception(error, file=sys.stderr)
        say(f"planner: a bug stopped the run ({what}); please report it with the text above")
        return BUG
    name = _write_report(error, argv)
    attach = f" and attach {name}" if name else "; run again with --debug to see where"
    say(f"planner: a bug stopped the run ({what}); please report it{attach}")
    return BUG


def _write_report(error: BaseException, argv: Sequence[str]) -> str:
    import platform  # these three cost a tenth of a short command's time, and a bug is rare
    import tempfile
    import traceback

    lines = [
        f"planner {__version__}",
        f"Python {platform.python_version()} on {platform.platform()}",
        f"command: planner {' '.join(argv)}",
        "",
        *traceback.format_exception(error),
    ]
    try:
        handle, name = tempfile.mkstemp(prefix="planner-report-", suffix=".txt")
        with open(handle, "w", encoding="utf-8", errors="backslashreplace") as report:
            report.write("\n".join(lines))
    except OSError:
        return ""
    return name
