"""The drafter's optimum on larger seasons against clingo, an answer-set solver of another family (test-only).

Seasons of 5 to 8 slots with up to 40 options a slot, all season limits on; among them seasons in which every slot must
have a pass, seasons with a budget, and seasons in which nothing satisfies all. The model is ``clingo_season``; run as
a script it tries as many seasons as asked and prints the count. PLANNER_SEASONS sets how many are tried here.
"""

from __future__ import annotations

import os

import pytest

pytest.importorskip("clingo")
pytest.importorskip("ortools")

from clingo_season import compare
from seasons import KINDS

from planner.catalogue import load

SEASONS = int(os.environ.get("PLANNER_SEASONS", "28"))


def test_optimum_is_that_of_clingo_on_larger_seasons() -> None:
    known = load()
    rows = [compare(seed, known, seconds=12.0) for seed in range(SEASONS)]
    differ = [row for row in rows if not row["agree"] and not row["given_up"]]
    assert not differ
    agreed = [row for row in rows if row["agree"]]
    impossible = [row for row in agreed if row["ours"] is None]
    full = [row for row in agreed if row["kind"] in ("every slot", "clash") and row["ours"] is not None]
    print(
        f"{len(agreed)} of {SEASONS} seasons agree; {len(impossible)} impossible, {len(full)} with every slot sprayed"
    )
    assert len(agreed) >= SEASONS - SEASONS // 10
    assert {row["kind"] for row in agreed} == set(KINDS)
    assert len(impossible) >= SEASONS // 8 and full
    assert all(row["clash"] for row in impossible)
    assert max(max(row["options"]) for row in agreed) == 40
