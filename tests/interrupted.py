"""The command in a process of its own, stopped as by Ctrl-C once it has said something."""

from __future__ import annotations

import signal
import subprocess
import sys
import time


def answer(arguments: list[str], heard: str, wait: float, within: float = 60.0) -> str:
    """Standard output of ``planner ARGUMENTS`` where SIGINT came ``wait`` seconds after a line with ``heard``; the
    process has to end well ``within`` so many seconds."""
    started = subprocess.Popen(
        [sys.executable, "-m", "planner", *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert started.stderr is not None
    for line in started.stderr:
        if heard in line:
            break
    time.sleep(wait)
    started.send_signal(signal.SIGINT)
    out, _ = started.communicate(timeout=within)
    assert started.returncode == 0
    return out
