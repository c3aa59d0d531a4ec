"""Exercises: a thousand of them, each with exactly the faults of its key, marked by running the rules.

The second judge of the thousand is a fresh audit of the programme that the learner sees (interpreter back end; a sample
by the back end of an ordinary audit), not the generator's own record.
"""

from __future__ import annotations

import io
import itertools
import sys
from collections import Counter

import pytest

from planner.audit import audit
from planner.catalogue import Catalogue, load
from planner.commands import teach
from planner.errors import NoProgramme, UnknownName
from planner.lessons import exercises
from planner.lessons.cast import cast, classrooms
from planner.lessons.exercises import KINDS, Exercise, Nonsense, make, mark
from planner.lessons.season import judged, season
from planner.model import Programme
from planner.render import lesson as render
from planner.render.talk import Talk

SHEETS, LINES = 2, 60  # two sheets of A4 or Letter at 10 point, common practice, no source


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load()


def faults(
    programme: Programme, catalogue: Catalogue, backend: str = "interpreter"
) -> set[tuple[str, tuple[int, ...]]]:
    report = audit(programme, catalogue, backend=backend)  # type: ignore[arg-type]
    return {(one.rule, one.passes) for one in report.findings if one.severity in ("breach", "caution")}


def with_tanks(one: Exercise, tanks: object, catalogue: Catalogue) -> Programme:
    parts = cast(catalogue, one.crop, one.target)
    return season(parts, catalogue, tanks, "check", resistant=one.resistant)  # type: ignore[arg-type]


def check_key(one: Exercise, catalogue: Catalogue) -> None:
    """The key of an exercise against a fresh reading of the catalogue and the rules."""
    assert one.key
    if one.kind == "faults":
        assert one.programme is not None
        found = faults(one.programme, catalogue)
        stated = {item.fault for item in one.items if item.letter in one.key[0].split()}
        assert stated == found
        assert len(found) == one.level  # exactly the planted number: no accidental extra
    elif one.kind == "mend":
        assert one.programme is not None
        assert len(faults(one.programme, catalogue)) == 1
        right = {item.letter for item in one.items if not faults(with_tanks(one, item.tanks, catalogue), catalogue)}
        assert right == set(one.key)
        assert len(right) < len(one.items)
        for item in one.items:  # one change means one pass
            assert sum(new != old for new, old in zip(item.tanks, one.tanks, strict=True)) == 1
    elif one.kind == "order":
        assert faults(with_tanks(one, one.tanks, catalogue), catalogue)
        letters = [item.letter for item in one.items]
        right = {
            " ".join(order)
            for order in itertools.permutations(letters)
            if not faults(with_tanks(one, [one.tanks[letters.index(letter)] for letter in order], catalogue), catalogue)
        }
        assert right == set(one.key)
    elif one.kind == "partner":
        lead = one.tanks[0][0][0]
        for item in one.items:
            active = item.actives[0]
            working = judged(with_tanks(one, item.tanks, catalogue), catalogue).modes[1][0]
            if item.letter in one.key:
                assert working == 2
                assert active.group != lead.group
                assert active.group not in one.resistant
            else:
                assert working < 2 or active.group == lead.group or active.group in one.resistant
        assert len(one.key) < len(one.items)
    elif one.kind == "product":
        right = set()
        for item in one.items:
            left, later = item.actives[: item.split], item.actives[item.split :]
            if {active.group for active in left if active.at_risk} & {
                active.group for active in later if active.at_risk
            }:
                right.add(item.letter)
        assert right == (set() if one.key[0] == "none" else set(one.key[0].split()))
    else:
        assert one.kind == "label"
        for fact in one.facts:
            assert fact.answer in one.lines[fact.line - 1]
        assert len({fact.line for fact in one.facts}) == 5


@pytest.mark.parametrize("first", range(1, 1001, 125))
def test_a_thousand_exercises_have_exactly_the_faults_of_their_key(catalogue: Catalogue, first: int) -> None:
    """Seeds 1 to 1000 over all levels, in eight blocks."""
    seen: Counter[str] = Counter()
    crops: Counter[str] = Counter()
    for seed in range(first, first + 125):
        one = make(catalogue, seed, level=1 + seed % 3)
        check_key(one, catalogue)
        seen[one.kind] += 1
        crops[one.crop] += 1
    assert set(seen) == set(KINDS)
    assert set(crops) == set(classrooms())


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("level", [1, 2, 3])
def test_every_right_answer_is_marked_right_and_others_are_explained(
    catalogue: Catalogue, kind: str, level: int
) -> None:
    for seed in range(1, 6):
        one = make(catalogue, seed, level=level, kind=kind)
        for right in one.key:
            assert mark(one, right, catalogue).right, (seed, right)
        wrong = {
            "faults": "none",
            "mend": next((item.letter for item in one.items if item.letter not in one.key), ""),
            "partner": next((item.letter for item in one.items if item.letter not in one.key), ""),
            "order": " ".join(item.letter for item in one.items),
            "product": "none" if one.key[0] != "none" else "A",
            "label": "1, 99, 98, 97, 96",
        }[kind]
        marked = mark(one, wrong, catalogue)
        assert not marked.right
        assert all(len(text) > 10 for _, text in marked.notes)


def test_the_same_seed_gives_the_same_exercise_and_another_seed_another(catalogue: Catalogue) -> None:
    again = load()
    for seed in (1, 7, 42, 1000):
        for level in (1, 2, 3):
            one, two = make(catalogue, seed, level=level), make(again, seed, level=level)
            assert (one.kind, one.crop, one.items, one.key, one.lines) == (
                two.kind,
                two.crop,
                two.items,
                two.key,
                two.lines,
            )
    sheets = {make(catalogue, seed, level=2, kind="faults").items for seed in range(1, 21)}
    assert len(sheets) == 20


def test_a_sample_is_judged_the_same_by_the_back_end_of_an_ordinary_audit(catalogue: Catalogue) -> None:
    for seed in range(1, 16):
        one = make(catalogue, seed, level=1 + seed % 3, kind="faults")
        assert one.programme is not None
        assert faults(one.programme, catalogue, "auto") == faults(one.programme, catalogue)


def test_product_changed_group_did_not_is_said_in_these_words(catalogue: Catalogue) -> None:
    """The learner who changed the brand is told what did not change."""
    for seed in range(1, 20):
        one = make(catalogue, seed, level=1, kind="product")
        if one.key[0] != "none":
            marked = mark(one, "none", catalogue)
            assert any("product changed, group did not" in text for _, text in marked.notes)
            return
    pytest.fail("no such exercise among twenty")


def test_a_label_exercise_marks_each_fact_with_the_line_it_stood_on(catalogue: Catalogue) -> None:
    one = make(catalogue, 3, level=3, kind="label")
    given = [fact.answer for fact in one.facts]
    given[1] = "77"
    marked = mark(one, ", ".join(given), catalogue)
    assert [right for right, _ in marked.notes] == [True, False, True, True, True]
    for fact, (_, text) in zip(one.facts, marked.notes, strict=True):
        assert f"line {fact.line} of the label" in text
    group, most, interval, stage, harvest = (fact.answer for fact in one.facts)
    assert mark(one, f"Group {group}, {most}; {interval} days, {stage.lower()}, {harvest} d", catalogue).right


def test_most_labels_are_printed_in_another_order_than_asked(catalogue: Catalogue) -> None:
    lines = [[fact.line for fact in make(catalogue, seed, level=1, kind="label").facts] for seed in range(1, 21)]
    assert sum(order != sorted(order) for order in lines) >= 18


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("level", [1, 2, 3])
def test_a_sheet_fits_two_pages_of_100_columns_and_does_not_hold_its_key(
    catalogue: Catalogue, kind: str, level: int
) -> None:
    for seed in (1, 7, 11):
        one = make(catalogue, seed, level=level, kind=kind)
        sheet = render.TextSheet()
        render.exercise(sheet, one, catalogue)
        lines = [line.plain for line in sheet.lines]
        assert len(lines) <= SHEETS * LINES
        assert max(map(len, lines)) <= 100
        assert "Key" not in "\n".join(lines)
        for part in ("Task", "Sources", "Cautions"):
            assert part in lines
        markdown = render.MarkdownSheet()
        render.exercise(markdown, one, catalogue)
        assert markdown.text.startswith("# Exercise")
        assert sum(-(-len(line) // 100) or 1 for line in markdown.text.splitlines()) <= SHEETS * LINES


def test_sheet_and_key_come_apart_and_are_the_same_every_time(capsys: pytest.CaptureFixture[str]) -> None:
    from planner.cli import main

    outs = []
    for words in (["--print"], ["--print"], [], ["--answers"], ["--print", "--answers"]):
        assert main(["teach", "--exercise", "2", "--seed", "7", *words]) == 0
        outs.append(capsys.readouterr().out)
    assert outs[0] == outs[1] == outs[2]
    assert outs[3].lstrip().startswith("Key: ")
    assert "Key: " in outs[4]
    assert "Exercise: " in outs[4]


@pytest.mark.parametrize("crop", sorted(classrooms()))
def test_every_crop_gives_exercises_or_says_what_is_missing(catalogue: Catalogue, crop: str) -> None:
    given = 0
    for kind in KINDS:
        try:
            one = make(catalogue, 5, level=2, crop=crop, kind=kind)
        except NoProgramme as error:
            assert "can be made" in str(error)
            continue
        assert one.crop == crop
        check_key(one, catalogue)
        given += 1
    assert given >= 5


@pytest.mark.parametrize(
    ("kind", "typed"),
    [
        ("faults", "yes"),
        ("faults", "A A"),
        ("faults", ""),
        ("mend", "A B"),
        ("mend", "Z"),
        ("order", "A B"),
        ("order", "1 2 3"),
        ("partner", "?"),
        ("product", "nothing"),
        ("label", "11, 2"),
        ("label", ",,,,"),
    ],
)
def test_nonsense_is_refused_with_a_hint(catalogue: Catalogue, kind: str, typed: str) -> None:
    one = make(catalogue, 4, level=1, kind=kind)
    with pytest.raises(Nonsense, match="write "):
        mark(one, typed, catalogue)


def test_an_unknown_kind_level_or_crop_is_told(catalogue: Catalogue) -> None:
    with pytest.raises(UnknownName, match="faults"):
        make(catalogue, 1, kind="fautls")
    with pytest.raises(UnknownName):
        make(catalogue, 1, level=4)
    with pytest.raises(UnknownName, match="soybean"):
        make(catalogue, 1, crop="soybeen")


def test_an_exercise_at_the_terminal_asks_marks_and_takes_what_ifs(
    catalogue: Catalogue, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    one = make(catalogue, 7, level=2, kind="faults")
    monkeypatch.setattr(sys, "stdin", io.StringIO(f"no idea\n{one.key[0]}\npass 1 = nothing\nundo\nshow\n\n"))
    assert teach.examine(Talk(100, no_color=True), one, catalogue) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "I did not get that; write letters" in out
    assert "All right." in out
    assert "selection days of" in out
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    assert teach.examine(Talk(100, no_color=True), one, catalogue) == 0
    assert "You left the exercise" in capsys.readouterr().out


def test_texts_cover_every_kind_and_every_rule_that_is_planted() -> None:
    assert {one.kind for one in exercises.texts().kinds} == set(KINDS)
    assert {"ROT01", "ROT03", "MIX01", "MIX02", "LBL02", "LBL03"} <= {one.rule for one in exercises.texts().faults}
    assert exercises.texts().cautions
