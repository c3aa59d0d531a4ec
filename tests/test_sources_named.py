"""Findings name the place within each source: in text with --explain, in Markdown, JSON and on the page."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from planner import cli
from planner.model import Finding

PLAN = Path(__file__).resolve().parents[1] / "shared" / "scenarios" / "solo-strobilurins-quarry-bottom.yaml"


def printed(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    cli.main(["audit", str(PLAN), *words])
    return " ".join(capsys.readouterr().out.split())


def test_a_source_is_told_with_the_place_in_it() -> None:
    one = Finding(
        rule="ROT01", name="x", severity="advice", passes=(1,), message="x", sources=("a", "b", "the label (shop:3)"),
        where={"b": "table 2"},
    )  # fmt: skip
    told = one.cited({"a": "Title A", "b": "Title B, 2020"})
    assert told == ("Title A", "Title B, 2020, table 2", "the label (shop:3)")


def test_the_place_that_a_rule_gives_stands_in_every_answer(capsys: pytest.CaptureFixture[str]) -> None:
    # rules/rotation/ROT01: the sentence on sequences stands among the general recommendations of the SBI group
    place = "general recommendations"
    told = f"FRAC SBI Working Group, 2022, {place}"
    assert told in printed(capsys, "--explain")
    assert told not in printed(capsys)  # a grower is not asked to read so far
    assert told in printed(capsys, "--format", "markdown")
    report = json.loads(printed(capsys, "--format", "json"))
    assert any(one["where"].get("frac-sbi-2022") == place for one in report["findings"] if one["rule"] == "ROT01")
    page = printed(capsys, "--format", "html")
    assert re.search(rf"\[\d+\] *{place}", re.sub(r"<[^>]*>", " ", page).replace("  ", " "))


def test_the_place_that_a_published_row_gives_goes_with_the_row(capsys: pytest.CaptureFixture[str]) -> None:
    report = json.loads(printed(capsys, "--format", "json"))
    for one in report["findings"]:
        assert set(one["where"]) <= set(one["sources"]), one["rule"]
