"""The measure of the rules: programmes that public bodies recommend audit without a breach, those they warn against do
not pass clean. Source of each programme: shared/reference/published_programmes.yaml, beside the entry."""

from __future__ import annotations

import datetime
from typing import Any

import pytest
import yaml

from planner.audit import audit
from planner.catalogue import Catalogue, load
from planner.model import Field, FieldTarget, Pass, Programme, TankItem
from planner.places import folder

DATA = yaml.safe_load((folder("shared") / "reference" / "published_programmes.yaml").read_text(encoding="utf-8"))
ENTRIES: list[dict[str, Any]] = DATA["programmes"]
RECOMMENDED = [entry for entry in ENTRIES if entry["verdict"] == "recommended"]
WARNED = [entry for entry in ENTRIES if entry["verdict"] == "warned-against"]


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load()


def programme_of(entry: dict[str, Any], catalogue: Catalogue) -> Programme:
    """The entry as a programme of bare actives."""
    crop = catalogue.crop(entry["crop"]).id
    passes = tuple(
        Pass(
            number=number,
            date=_day(one.get("date")),
            stage=catalogue.stage(crop, str(one["stage"])).code if one.get("stage") else None,
            how=one.get("how", "foliar"),
            tank=tuple(TankItem(active=catalogue.active(name).name) for name in one["use"]),
        )
        for number, one in enumerate(entry["passes"], start=1)
    )
    targets = tuple(
        FieldTarget(
            target=catalogue.target(crop, one["target"]).id, pressure=one.get("pressure"), cultivar=one.get("cultivar")
        )
        for one in entry["targets"]
    )
    field = Field(
        crop=crop,
        country=entry["country"],
        region=entry.get("region"),
        sown=_day(entry.get("sown")),
        harvest=_day(entry.get("harvest")),
        stages={catalogue.stage(crop, code).code: _day(day) for code, day in entry.get("stages", {}).items()},
        targets=targets,
    )
    return Programme(name=entry["id"], field=field, passes=passes)


def _day(value: Any) -> datetime.date | None:
    if value is None or isinstance(value, datetime.date):
        return value
    return datetime.date.fromisoformat(str(value))


def test_there_are_at_least_twelve_of_both_kinds() -> None:
    assert len(ENTRIES) >= 12
    assert len(RECOMMENDED) >= 6
    assert len(WARNED) >= 6


@pytest.mark.parametrize("entry", RECOMMENDED, ids=[entry["id"] for entry in RECOMMENDED])
def test_recommended_programmes_have_no_breach(entry: dict[str, Any], catalogue: Catalogue) -> None:
    report = audit(programme_of(entry, catalogue), catalogue)
    breaches = [
        (finding.rule, finding.passes, finding.message) for finding in report.findings if finding.severity == "breach"
    ]
    assert not breaches


@pytest.mark.parametrize("entry", WARNED, ids=[entry["id"] for entry in WARNED])
def test_programmes_warned_against_do_not_pass_clean(entry: dict[str, Any], catalogue: Catalogue) -> None:
    report = audit(programme_of(entry, catalogue), catalogue)
    assert report.verdict != "clean"
    found = {(finding.rule, number) for finding in report.findings for number in finding.passes}
    for expected in entry["expect"]:
        if expected["sure"]:
            missing = [number for number in expected["passes"] if (expected["rule"], number) not in found]
            assert not missing, f"{expected['rule']} on {missing}: {expected['why']}"
