"""No file, however hostile, ends in a traceback, in more than 1 GB or 10 s; what fuzzing found stays found.

The long run is ``python tests/fuzz/run.py --cases N --seconds S``; its crashes are kept under tests/fuzz/cases/. The
attacks in tests/fuzz/hostile.py are the well-known ones (alias bombs CWE-776, zip bombs CWE-409, deep nesting CWE-674);
sizes and limits are our own promise (5 MB, 1 GB, 10 s). The references for "sound" are yaml.safe_load and csv of
Python's library, in test_yamlio.py.
"""

from __future__ import annotations

import random
import subprocess
import sys
from pathlib import Path

import pytest
from fuzz import hostile, mutate, targets
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

HERE = Path(__file__).parent
CASES = sorted((HERE / "fuzz" / "cases").glob("*.bin"))
FAST = [name for name in targets.TARGETS if name not in targets.SLOW]
QUIET = settings(max_examples=80, deadline=None, database=None, suppress_health_check=list(HealthCheck))


@pytest.mark.parametrize("path", CASES, ids=lambda path: path.stem)
def test_a_crash_of_the_past_stays_mended(path: Path) -> None:
    name = path.stem.rsplit("-", 1)[0]
    assert targets.judge(name, path.read_bytes()) in ("read", "refused")


@pytest.mark.parametrize("name", targets.TARGETS)
def test_the_sound_files_are_read(name: str) -> None:
    for content in targets.seeds(name)[:4]:
        assert targets.judge(name, content) == "read"


@pytest.mark.parametrize("name", FAST)
@QUIET
@given(content=st.binary(max_size=400) | st.text(max_size=200).map(lambda text: text.encode("utf-8", "replace")))
def test_any_bytes_are_read_or_refused(name: str, content: bytes) -> None:
    assert targets.judge(name, content) in ("read", "refused")


@pytest.mark.parametrize("name", FAST)
@QUIET
@given(seed=st.integers(0, 2**32))
def test_changed_documents_are_read_or_refused(name: str, seed: int) -> None:
    drawn = random.Random(seed)
    sound = targets.seeds(name)
    content = mutate.mutate(drawn, drawn.choice(sound), sound)
    assert targets.judge(name, content) in ("read", "refused"), content[:2000]


def test_catalogue_files_laid_over_the_shipped_ones() -> None:
    drawn = random.Random(8)
    sound = targets.seeds("laid")
    for _ in range(6):
        assert targets.judge("laid", mutate.mutate(drawn, drawn.choice(sound), sound)) in ("read", "refused")


ATTACKS = [("programme", hostile.YAML), ("table", hostile.TABLES)]
if targets.HAS_SHEETS:
    ATTACKS.append(("sheet", hostile.SHEETS))


@pytest.mark.skipif(sys.platform != "linux", reason="limits and peak memory are read as on Linux")
@pytest.mark.parametrize(("loader", "names"), ATTACKS, ids=[loader for loader, _ in ATTACKS])
def test_five_hostile_megabytes_take_neither_memory_nor_time(loader: str, names: tuple[str, ...]) -> None:
    command = [sys.executable, str(HERE / "fuzz" / "hostile.py"), loader, *names]
    done = subprocess.run(command, capture_output=True, text=True, timeout=240, cwd=HERE.parent, check=False)
    lines = [line.split("\t") for line in done.stdout.splitlines()]
    assert [line[0] for line in lines] == list(names), done.stderr[-500:] + done.stdout[-500:]
    for name, said, seconds, megabytes in lines:
        assert said in ("read", "refused"), (name, said)
        assert float(seconds) < hostile.SECONDS, (name, seconds)
        assert int(megabytes) < hostile.MEMORY // 1_000_000, (name, megabytes)
