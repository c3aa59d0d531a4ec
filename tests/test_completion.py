"""Completion as the shells themselves do it: bash by its completion function, fish by ``complete -C``, zsh at a
pseudo-terminal with its completion system switched on. The shells are the judges; one that is not here is skipped.
"""

from __future__ import annotations

import os
import re
import select
import shutil
import subprocess
import time
from functools import cache
from pathlib import Path

import pytest

from planner import cli
from planner.commands import COMMANDS
from planner.commands.completion import _names
from planner.render import completion


@cache
def script(shell: str) -> str:
    return completion.script(shell, cli.parser(*COMMANDS), _names())


# what is typed -> some of what is offered, some of what is not
LINES = [
    ("planner aud", ["audit"], ["plan.yaml"]),
    ("planner audit --for", ["--format"], []),
    ("planner audit --format ", ["text", "json", "html"], ["plan.yaml"]),
    ("planner audit pl", ["plan.yaml"], []),
    ("planner audit --explain pl", ["plan.yaml"], []),
    ("planner catalog l", ["list"], ["plan.yaml"]),
    ("planner catalog list t", ["targets"], []),
    ("planner explain ROT0", ["ROT01", "ROT05"], ["plan.yaml"]),
    ("planner explain frogeye", ["frogeye-leaf-spot"], []),
    ("planner teach gro", ["group-code"], []),
    ("planner calendar --crop ", [], ["planner"]),
    ("planner teach --crop so", ["soybean"], []),
    ("planner completion ", ["bash", "zsh", "fish"], ["plan.yaml"]),
]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "plan.yaml").write_text("x")
    for shell, name in (("bash", "c.bash"), ("fish", "c.fish"), ("zsh", "_planner")):
        (tmp_path / name).write_text(script(shell))
    return tmp_path


def needs(shell: str) -> str:
    return "" if shutil.which(shell) else f"{shell} is not here"


@pytest.mark.skipif(bool(needs("bash")), reason=needs("bash"))
@pytest.mark.parametrize(("line", "offered", "absent"), LINES)
def test_bash(line: str, offered: list[str], absent: list[str], folder: Path) -> None:
    words = " ".join(f"'{word}'" for word in line.split(" "))
    text = f"source c.bash; COMP_WORDS=({words}); COMP_CWORD={len(line.split(' ')) - 1}; _planner; "
    done = subprocess.run(
        ["bash", "-c", text + "printf '%s\\n' \"${COMPREPLY[@]}\""], capture_output=True, text=True, cwd=folder
    )
    found = done.stdout.split()
    assert set(offered) <= set(found)
    assert not set(absent) & set(found)


@pytest.mark.skipif(bool(needs("bash")), reason=needs("bash"))
def test_bash_completes_behind_the_equals_sign(folder: Path) -> None:
    """Bash breaks words at '=' (COMP_WORDBREAKS)."""
    for words, at in ((["planner", "audit", "--units", "="], 3), (["planner", "audit", "--units", "=", "m"], 4)):
        line = " ".join(f"'{word}'" for word in words)
        text = f'source c.bash; COMP_WORDS=({line}); COMP_CWORD={at}; _planner; echo "${{COMPREPLY[@]}}"'
        done = subprocess.run(["bash", "-c", text], capture_output=True, text=True, cwd=folder)
        assert "metric" in done.stdout.split()


@pytest.mark.skipif(bool(needs("fish")), reason=needs("fish"))
def test_fish(folder: Path) -> None:
    asked = "; ".join(f"echo '== {line}'; complete -C '{line}'" for line, _, _ in LINES)
    done = subprocess.run(
        ["fish", "--no-config", "-c", f"source c.fish; {asked}"], capture_output=True, text=True, cwd=folder
    )
    assert done.stderr == ""
    answers = dict(part.split("\n", 1) for part in f"\n{done.stdout}".split("\n== ")[1:])
    for line, offered, absent in LINES:
        found = {one.split("\t")[0] for one in answers[line].splitlines()}
        assert set(offered) <= found, line
        assert not set(absent) & found, line


@pytest.mark.skipif(bool(needs("zsh")), reason=needs("zsh"))
def test_zsh(folder: Path) -> None:
    import pty

    (folder / ".zshrc").write_text(
        "fpath=($PWD $fpath); autoload -Uz compinit; compinit -u -d zd; LISTMAX=1000; setopt no_beep; PROMPT='<go>'\n"
    )

    pid, terminal = pty.fork()
    if pid == 0:
        os.chdir(folder)
        own = {"TERM": "dumb", "COLUMNS": "200", "ZDOTDIR": str(folder)}
        os.execvpe("zsh", ["zsh", "-d", "-i"], {**os.environ, **own})

    def heard(until: str, seconds: float = 15.0) -> str:
        out, end = "", time.monotonic() + seconds
        while time.monotonic() < end and until not in out:
            if select.select([terminal], [], [], 0.1)[0]:
                out += re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", os.read(terminal, 65536).decode("utf-8", "replace"))
        return out

    try:
        assert "<go>" in heard("<go>")
        for line, wanted in (
            ("planner aud", "planner audit "),
            ("planner catalog l", "planner catalog list "),
            ("planner teach gro", "planner teach group-code "),
            ("planner audit --explain pl", "plan.yaml "),
            ("planner explain frogeye", "frogeye-leaf-spot "),
        ):
            os.write(terminal, f"{line}\t".encode())
            assert wanted in heard(wanted), line
            os.write(terminal, b"\x15")  # clears the line
            heard("\0", 0.3)
    finally:
        os.close(terminal)
        os.waitpid(pid, 0)


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_every_option_is_offered(shell: str) -> None:
    """A word of a script for each long option that the parser knows."""
    for entry in completion.entries(cli.parser(*COMMANDS)):
        for option in entry.options:
            for name in option.names:
                shown = name if shell != "fish" else f"-l {name[2:]}" if name.startswith("--") else f"-s {name[1:]}"
                assert shown in script(shell)


@pytest.mark.parametrize(
    "words",
    [entry.path for entry in completion.entries(cli.parser(*COMMANDS)) if entry.path],
    ids=" ".join,
)
def test_every_help_has_examples_and_fits_80_columns(
    words: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main([*words, "--help"]) == 0
    shown = capsys.readouterr().out
    examples = shown.partition("\nexamples:\n")[2].partition("\n\n")[0].splitlines()
    assert examples
    assert any(f"planner {' '.join(words)}" in line for line in examples)
    assert all(len(line) <= 80 and line == line.rstrip() for line in shown.splitlines())
