"""Everything in the catalogue and every rule can be explained, and what is told is what the catalogue holds."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any

import msgspec
import pytest

from planner import rulebook
from planner.catalogue import Catalogue, load
from planner.render import console, explain
from planner.render.paper import Paper


@cache
def catalogue() -> Catalogue:
    return load()


def told(show: Callable[..., None], *what: Any, width: int = 100) -> str:
    """What is shown, as one line of words."""
    paper = Paper(width)
    show(paper, *what)
    return " ".join(console.plain(paper.lines).split())


def test_every_group_names_its_actives_and_its_risk() -> None:
    found = catalogue()
    for group in found.groups.values():
        text = told(explain.group, group, found)
        members = [one.name for one in found.of_scheme(group.scheme).values() if group.key in one.groups]
        assert f"{len(members)} active" in text, group.key
        assert all(name.split()[0] in text for name in members), group.key
        assert ("acts on many sites at once (multi-site)" in text) is group.multi_site, group.key
        assert ("only partly cross-resistant" in text) is found.partly_joined(group.key), group.key
        assert ("acts on:" in text) is bool(group.target_site), group.key
        if group.scheme != "FRAC":
            assert "published recommendation" not in text


def test_multi_sites_and_at_risk_groups_read_as_in_the_code_list() -> None:
    """M03 and M05 (multi-site) are of low risk, 11 is of high risk: FRAC Code List 2024."""
    found = catalogue()
    for key in ("FRAC M03", "FRAC M05"):
        text = told(explain.group, found.group(key), found)
        assert "risk: low; it acts on many sites at once (multi-site)" in text
    assert "risk: high; each spray leaves the tough ones to breed" in told(
        explain.group, found.group("FRAC 11"), found
    )


def test_every_active_names_its_group_and_how_it_moves() -> None:
    found = catalogue()
    for active in found.actives.values():
        text = told(explain.active, active, found)
        assert active.kind in text and found.group(active.group).words.split(" (")[0] in text, active.name
        assert f"movement: {active.mobility.split()[0] if active.mobility else 'not known'}" in text, active.name
        for other in active.groups[1:]:
            assert "also:" in text, (active.name, other)


def test_every_target_names_its_pathogen_windows_and_reports() -> None:
    found = catalogue()
    for crop in found.crops:
        for target in found.targets(crop).values():
            text = told(explain.target, target, found)
            assert (f"pathogen: {target.pathogen}" in text) is bool(target.pathogen)
            assert ("infects:" in text) is bool(target.window)
            assert ("timing: best at" in text) is bool(target.best_timing)
            assert ("no foliar treatment is listed for it" in text) is (target.foliar_treatment is False)
            reports = found.reports(crop, target.pathogen)
            assert ("from the field" in text) is bool(reports), target.id
            assert ("groups rated for it, before any report" in text) is bool(target.rated_groups), target.id


def test_a_target_of_which_little_is_known_shows_only_that() -> None:
    found = catalogue()
    target = found.target("soybean", "frogeye-leaf-spot")
    bare = msgspec.structs.replace(
        target,
        pathogen="",
        aliases=(),
        window=None,
        best_timing=(),
        timing_style="",
        risk="",
        survives_on_field=None,
        rated_groups=(),
        weather="",
        risk_raisers=(),
        note="",
    )
    text = told(explain.target, bare, found)
    for word in ("pathogen:", "also:", "infects:", "timing:", "cover:", "risk:", "next year:", "weather:", "report"):
        assert word not in text
    assert text.startswith("frogeye leaf spot of soybean")


def test_a_window_by_a_code_outside_the_scale_shows_the_code() -> None:
    found = catalogue()
    target = msgspec.structs.replace(found.target("soybean", "frogeye-leaf-spot"), best_timing=("X99",))
    assert "best at X99 (" in told(explain.target, target, found)


def test_every_stage_says_what_else_is_open_and_the_days_around_it() -> None:
    found = catalogue()
    for crop in found.crops.values():
        for stage in crop.stages:
            text = told(explain.stage, stage, crop, found)
            assert text.startswith(f"{stage.code} of {crop.name} BBCH {stage.bbch}")
            same = [one.code for one in crop.stages if one.bbch == stage.bbch and one.code != stage.code]
            assert ("same as:" in text) is bool(same), (crop.id, stage.code)
            open_ = [
                target.name
                for target in found.targets(crop.id).values()
                if target.window
                and found.stage(crop.id, target.window[0]).bbch
                <= stage.bbch
                <= found.stage(crop.id, target.window[1]).bbch
            ]
            assert ("open to:" in text) is bool(open_), (crop.id, stage.code)


def test_every_rule_has_reason_remedy_and_source() -> None:
    book = rulebook.load(())
    examples = rulebook.load_examples(())
    for rule in book.rules:
        own = [one for one in examples if one.rule == rule.code]
        text = told(explain.rule, rule, own, catalogue())
        for word in ("why:", "change:", "source:", "examples"):
            assert word in text, (rule.code, word)
        assert "{" not in text.split("examples")[0], rule.code  # placeholders read as [names]
        assert ("status:" in text) is (rule.status != "stable")


def test_a_rule_of_your_own_without_source_or_examples() -> None:
    """Such a rule says that its ground is what each finding names, and that it is experimental."""
    rule = msgspec.structs.replace(rulebook.load(()).rules[0], sources=(), status="experimental", since="0.2")
    text = told(explain.rule, rule, [], catalogue())
    assert "source: the facts a finding names: labels, published rows, ratings or reports" in text
    assert "status: experimental since 0.2" in text
    assert not text.endswith("examples")


@pytest.mark.parametrize("width", [80, 120])
def test_pages_keep_their_width(width: int) -> None:
    found = catalogue()
    paper = Paper(width)
    explain.group(paper, found.group("FRAC 11"), found)
    explain.target(paper, found.target("wheat", "powdery-mildew"), found)
    assert all(len(line.plain.rstrip()) <= width for line in paper.lines)
