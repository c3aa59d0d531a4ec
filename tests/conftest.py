"""Options and fixtures for all tests.

``pytest --regenerate`` writes the golden files under tests/golden/ afresh from what the
renderers print now; read the difference with ``git diff tests/golden`` before you commit it.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

GOLDEN = Path(__file__).parent / "golden"


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--regenerate", action="store_true", help="write the golden files afresh")


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "short: part of the shorter run on further interpreters")


@pytest.fixture
def golden(request: pytest.FixtureRequest) -> Callable[[str, str], None]:
    """Compare a text with a file under tests/golden/, or write it with ``--regenerate``."""

    def compare(name: str, text: str) -> None:
        path = GOLDEN / name
        if request.config.getoption("--regenerate"):
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8", newline="\n")
        assert path.exists(), f"no golden file {name}; write it with: pytest --regenerate"
        assert text == path.read_text(encoding="utf-8"), f"{name} differs; see tests/conftest.py for --regenerate"

    return compare
