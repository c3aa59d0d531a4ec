"""Lessons and exercises at their edges: wrong lesson files, crops that lack something, wrong answers and what-ifs.

Fields, seasons and product names are invented.
"""

from __future__ import annotations

import dataclasses
import random
import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import msgspec
import pytest

from planner.catalogue import Catalogue, load
from planner.errors import InputError, NoProgramme, RulebookError, UnknownName
from planner.lessons import cast as casting
from planner.lessons import exercises
from planner.lessons import lesson as lessons
from planner.lessons.cast import FOLDER, cast, classrooms, product_name, roles
from planner.lessons.exercises import exercise, make, mark
from planner.lessons.exercises.bench import Bench
from planner.lessons.lesson import bare_days, ratio_words
from planner.lessons.season import judged, season
from planner.lessons.whatif import Hint, WhatIf
from planner.render import cautions
from planner.render import lesson as render

GROUP_CODE = (FOLDER / "group-code.yaml").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load()


@pytest.fixture
def fresh() -> Iterator[None]:
    """What is read once is read again, before and after."""
    held = (lessons.lessons, roles, classrooms, exercises.texts, casting._cast, cautions.load)
    for one in held:
        one.cache_clear()
    yield
    for one in held:
        one.cache_clear()


def plain(write: object) -> str:
    sheet = render.TextSheet(100)
    write(sheet)  # type: ignore[operator]
    return " ".join(" ".join(line.plain for line in sheet.lines).split())


# --- files ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("lesson: group-code", "lesson: group-codes", "the file of lesson 'group-codes' has another name"),
        ("use: [risky]", "use: [third]", "'third' is not among the lesson's roles; add it to roles"),
        ("order: ", "ordder: ", "ordder"),
    ],
)
def test_a_wrong_lesson_is_refused_at_its_line(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert old in GROUP_CODE
    path = tmp_path / "group-code.yaml"
    path.write_text(GROUP_CODE.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(RulebookError) as caught:
        lessons.load_lesson(path)
    line = GROUP_CODE[: GROUP_CODE.index(old)].count("\n") + 1
    assert said in str(caught.value)
    assert str(caught.value).startswith(f"{path}:{line}:")


def test_a_classroom_and_the_exercises_must_be_what_they_say(
    fresh: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("classroom", "data"):
        (tmp_path / name).mkdir()
    soybean = (FOLDER / "classroom" / "soybean.yaml").read_text(encoding="utf-8")
    (tmp_path / "classroom" / "beans.yaml").write_text(soybean, encoding="utf-8")
    (tmp_path / "data" / "exercises.yaml").write_text("kinds: none\n", encoding="utf-8")
    (tmp_path / "data" / "roles.yaml").write_text("rolls: []\n", encoding="utf-8")
    monkeypatch.setattr(casting, "FOLDER", tmp_path)
    monkeypatch.setattr(exercise, "FOLDER", tmp_path)
    with pytest.raises(RulebookError, match="the classroom of 'soybean' has another name; name the file by its crop"):
        classrooms()
    with pytest.raises(RulebookError, match=r"exercises\.yaml:1"):
        exercises.texts()
    with pytest.raises(RulebookError, match="rolls"):
        roles()


def test_lessons_and_cautions_read_afresh_are_those_of_the_compiled_copy(
    fresh: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept, told = lessons.lessons(), cautions.load()
    lessons.lessons.cache_clear()
    cautions.load.cache_clear()
    monkeypatch.setenv("PLANNER_NO_CACHE", "1")
    assert lessons.lessons() == kept
    assert cautions.load() == told
    assert [one.order for one in kept] == sorted(one.order for one in kept)


def test_a_caution_without_its_source_is_refused(
    fresh: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "cautions.yaml").write_text("cautions: 1\nitems: [{id: a, title: b, text: c}]\n", encoding="utf-8")
    monkeypatch.setenv("PLANNER_NO_CACHE", "1")
    monkeypatch.setattr("planner.places.folder", lambda name: tmp_path)
    with pytest.raises(RulebookError, match=r"cautions\.yaml: not a list of cautions: .*grade"):
        cautions.load()


# --- crops that lack something ----------------------------------------------------------------------------------------


def test_a_target_outside_the_classroom_is_refused(catalogue: Catalogue) -> None:
    taught = {entry.target for entry in classrooms()["soybean"].targets}
    other = next(name for name in catalogue.targets("soybean") if name not in taught)
    with pytest.raises(UnknownName, match="unknown target of the classroom"):
        cast(catalogue, "soybean", other)


def test_without_classrooms_the_list_says_what_to_add(
    fresh: None, catalogue: Catalogue, monkeypatch: pytest.MonkeyPatch
) -> None:
    shape = lessons.find("group-code")
    monkeypatch.setattr(casting, "classrooms", dict)
    assert lessons.lacking(shape, catalogue, "soybean") == "no lessons for soybean yet: it has no classroom"


def test_a_lesson_with_a_late_pass_needs_a_classroom_that_has_one(
    fresh: None, catalogue: Catalogue, monkeypatch: pytest.MonkeyPatch
) -> None:
    late = next(
        shape
        for shape in lessons.lessons()
        if any(entry.at == "late" for step in shape.steps for entry in step.passes)
        and not lessons.lacking(shape, catalogue, "soybean")
    )
    rooms = dict(classrooms())
    early = tuple(msgspec.structs.replace(entry, late=None) for entry in rooms["soybean"].targets)
    rooms["soybean"] = msgspec.structs.replace(rooms["soybean"], targets=early)
    casting._cast.cache_clear()
    monkeypatch.setattr(casting, "classrooms", lambda: rooms)
    assert lessons.lacking(late, catalogue, "soybean") == "its classroom has no late pass"


def test_a_brace_that_names_no_part_stays_as_it_is(catalogue: Catalogue) -> None:
    parts = cast(catalogue, "soybean")
    assert lessons.fill("{risky} and {nobody} on {crop}", parts, catalogue) == (
        f"{parts.actives['risky'].name} and {{nobody}} on soybean"
    )


# --- claims -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (1.8, 2.2, "more than before, 1.8 to 2.2 times"),
        (0.3, 0.6, "fewer, 0.3 to 0.6 times"),
        (0.9, 1.1, "about the same, 0.9 to 1.1 times"),
    ],
)
def test_ratios_in_words(low: float, high: float, said: str) -> None:
    assert ratio_words(low, high) == said


def test_bare_days_lie_between_the_first_and_the_last_pass(catalogue: Catalogue) -> None:
    """Two passes of one protectant: bare are the days after the first cover ends and before the second pass."""
    parts = cast(catalogue, "soybean")
    one = parts.actives["other"]
    made = judged(season(parts, catalogue, [((one, 1.0),), ((one, 1.0),)], "check"), catalogue)
    row = next(entry for entry in made.report.cover if entry["target"] == parts.target)
    days = [entry.date for entry in made.programme.passes if entry.date]
    # counted again from the runs that the audit gives for the window, day by day
    bare = 0
    for run in row["days"]:
        if run["modes"] == 0:
            first, last = max(run["from"], str(days[0])), min(run["to"], str(days[-1]))
            if first <= last:
                bare += (date.fromisoformat(last) - date.fromisoformat(first)).days + 1
    assert bare_days(made, parts.target) == bare
    assert bare_days(made, "no-such-target") == 0


def test_a_step_without_selection_before_has_no_ratio(catalogue: Catalogue) -> None:
    """A claim about selection that was never there is not held, and says why."""
    shape = next(
        one
        for one in lessons.lessons()
        if not lessons.lacking(one, catalogue, "soybean")
        and any(claim.selection for step in one.steps for claim in step.claims)
    )
    data = msgspec.to_builtins(shape)
    at = next(n for n, step in enumerate(data["steps"]) if any(claim["selection"] for claim in step["claims"]))
    data["steps"] = [{**data["steps"][at - 1], "passes": [], "claims": []}, data["steps"][at]]
    for claim in data["steps"][1]["claims"]:
        if claim["selection"]:
            claim["selection"]["step"] = 1
    made = lessons.run(msgspec.convert(data, lessons.LessonShape), catalogue, "soybean")
    assert any("there was no selection before" in told for told in made.broken)


# --- what-ifs ---------------------------------------------------------------------------------------------------------


def test_a_product_is_taken_by_its_invented_name_and_a_new_one_gets_a_free_name(catalogue: Catalogue) -> None:
    made = lessons.run(lessons.find("group-code"), catalogue, "soybean")
    start = made.steps[0].now
    trial = WhatIf(start.programme, catalogue, start)
    listed = start.programme.products[0].name
    trial.change(f"pass 2 = {listed.upper()}")
    assert [item.product for item in trial.now.programme.passes[1].tank] == [listed]
    with pytest.raises(Hint, match="is in the tank already"):
        trial.change(f"pass 2 = {listed} + {listed}")
    trial.change("pass 2 = boscalid")
    names = [one.name for one in trial.now.programme.products]
    assert len(names) == len(set(names))


def test_a_name_is_made_up_where_every_invented_one_is_taken(
    catalogue: Catalogue, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = lessons.run(lessons.find("group-code"), catalogue, "soybean")
    start = made.steps[0].now
    monkeypatch.setattr("planner.lessons.whatif.product_name", lambda active, place=0: start.programme.products[0].name)
    trial = WhatIf(start.programme, catalogue, start)
    trial.change("pass 2 = boscalid")
    assert trial.now.programme.passes[1].tank[0].product == "Demo boscalid"
    assert product_name(catalogue.active("boscalid")) != "Demo boscalid"


def test_a_difference_says_when_a_finding_only_eases_or_nothing_changes(catalogue: Catalogue) -> None:
    made = lessons.run(lessons.find("group-code"), catalogue, "soybean")
    start = made.steps[0].now
    trial = WhatIf(start.programme, catalogue, start)
    first = trial.now.programme.passes[1].tank[0].product
    same = trial.change(f"pass 2 = {first}")
    assert "No finding came or went." in plain(lambda sheet: render.difference(sheet, same, catalogue))
    from planner.lessons.whatif import difference

    worst = next(one for one in start.report.findings if one.severity == "breach")
    milder = msgspec.structs.replace(
        start.report,
        findings=tuple(
            msgspec.structs.replace(one, severity="advice") if one is worst else one for one in start.report.findings
        ),
    )
    change = difference(start, dataclasses.replace(start, report=milder))
    told = plain(lambda sheet: render.difference(sheet, change, catalogue))
    assert f"now advice, was breach: {worst.rule} {worst.name}" in told


# --- answers ----------------------------------------------------------------------------------------------------------


def test_a_statement_that_does_not_hold_is_explained_with_the_tanks(catalogue: Catalogue) -> None:
    for seed in range(1, 5):
        one = make(catalogue, seed, level=1, crop="soybean", kind="faults")
        wrong = next(item for item in one.items if item.letter not in one.key[0].split())
        marked = mark(one, wrong.letter, catalogue)
        assert not marked.right
        assert wrong.fault is not None
        told = next(text for right, text in marked.notes if text.startswith(f"{wrong.letter} does not hold"))
        assert f"{wrong.fault[0]} finds nothing there; pass {wrong.fault[1][0]}: " in told
        assert any("and was missed" in text for _, text in marked.notes)


def test_a_pair_whose_group_changed_is_explained(catalogue: Catalogue) -> None:
    for seed in range(1, 9):
        one = make(catalogue, seed, level=1, crop="soybean", kind="product")
        keys = [] if one.key[0] == "none" else one.key[0].split()
        other = [item.letter for item in one.items if item.letter not in keys]
        if other:
            marked = mark(one, " ".join([*keys, other[0]]), catalogue)
            assert not marked.right
            assert any(text.startswith(f"{other[0]}: the group changed with the product: ") for _, text in marked.notes)
            return
    pytest.fail("no exercise had a pair whose group changed")


def test_nothing_chosen_where_there_are_no_faults(catalogue: Catalogue) -> None:
    one = make(catalogue, 1, level=1, crop="soybean", kind="faults")
    bare = dataclasses.replace(one, items=())
    marked = mark(bare, "none", catalogue)
    assert marked.notes == ((False, "nothing was chosen"),)


def test_a_disease_with_one_group_gives_no_exercise_that_needs_two(catalogue: Catalogue) -> None:
    """With every active of one group, nothing can be rotated, and no product changes its group."""
    parts = cast(catalogue, "soybean")
    group = parts.actives["risky"].group
    one_each = {active.group: active for active in parts.pool if active.at_risk}
    lone = _with_pool(parts, tuple(active for active in parts.pool if active.group == group)[:1])
    bench = Bench(catalogue, lone, random.Random(1), 1, 1)
    for kind in ("faults", "mend", "order", "partner", "product"):
        assert exercises.MAKERS[kind](bench) is None, kind
    apart = _with_pool(parts, tuple(one_each.values()))  # one active of each group: no second name for any of them
    bench = Bench(catalogue, apart, random.Random(1), 1, 1)
    for kind in ("order", "product"):
        assert exercises.MAKERS[kind](bench) is None, kind


def _with_pool(parts: casting.Cast, pool: tuple[object, ...]) -> casting.Cast:
    return dataclasses.replace(parts, pool=pool)  # type: ignore[arg-type]


def test_what_no_crop_can_give_is_said(catalogue: Catalogue, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(exercises, "MAKERS", dict.fromkeys(exercises.KINDS, lambda bench: None))
    with pytest.raises(NoProgramme, match="no 'order' exercise of level 2 on soybean can be made"):
        make(catalogue, 1, level=2, crop="soybean", kind="order")
    with pytest.raises(NoProgramme, match="no exercise of level 1 can be made"):
        make(catalogue, 1)


# --- what a lesson shows of the catalogue -----------------------------------------------------------------------------


def test_reports_and_rows_of_the_catalogue_are_listed_or_said_to_be_none(catalogue: Catalogue) -> None:
    made = lessons.run(lessons.find("reported-resistance"), catalogue, "soybean")
    target = catalogue.target("soybean", made.parts.target)
    rows = catalogue.reports("soybean", target.pathogen)
    told = plain(lambda sheet: render._reports(sheet, made, catalogue))
    assert len(re.findall(r"group \S+: (?:lost|reduced|none) ", told)) == min(8, len(rows))
    assert ("And " in told) == (len(rows) > 8)
    none = next(one for one in catalogue.targets("soybean").values() if not catalogue.reports("soybean", one.pathogen))
    bare = dataclasses.replace(made, parts=dataclasses.replace(made.parts, target=none.id, target_name=none.name))
    told = plain(lambda sheet: render._reports(sheet, bare, catalogue))
    assert f"Reports on {none.name} in the catalogue" in told
    assert "None. That is no proof that there is no resistance" in told
    nobody = dataclasses.replace(made, parts=dataclasses.replace(made.parts, actives={}))
    assert "None in the catalogue." in plain(lambda sheet: render._limits(sheet, nobody, catalogue))


def test_input_errors_of_lesson_files_keep_their_place(tmp_path: Path) -> None:
    path = tmp_path / "group-code.yaml"
    path.write_text("lesson: [\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        lessons.load_lesson(path)
    assert str(caught.value).startswith(f"{path}:")
