"""Lessons: every claim computed, every misconception cured, and the talk at the terminal.

What holds is checked against the audit and the selection index as they stand today; the list of the ten misconceptions
is that of the extension literature named in the lessons' sources (surveys and bulletins, see ``catalog/sources.yaml``).
Figures of the dose lesson: van den Bosch et al. 2011, Plant Pathology, doi 10.1111/j.1365-3059.2011.02439.x, abstract.
"""

from __future__ import annotations

import io
import os
import re
import sys
from pathlib import Path

import pytest

from planner import yamlio
from planner.audit import audit
from planner.catalogue import Catalogue, load
from planner.commands import teach
from planner.errors import NoProgramme, RulebookError, UnknownName
from planner.lessons import lesson as lessons
from planner.lessons.cast import FOLDER, cast, classrooms, roles
from planner.lessons.season import season, solo
from planner.lessons.whatif import Hint, WhatIf
from planner.render import lesson as render
from planner.render.talk import Talk

NAMES = [shape.lesson for shape in lessons.lessons()]
# misconception (the ten of the extension literature) -> publications that a lesson curing it has to name
EVIDENCE = {
    1: {"grain-press-rotation", "vine-survey-2021"},
    2: {"premix-press-2018", "isu-agfax19", "frac-sdhi-2022"},
    3: {"fruit-press-rotation"},
    4: {"seed-actives-press", "seed-treatment-press", "frac-sdhi-2022"},
    5: {"stewardship-web", "irac-field-failure", "farm-press-resistance-2017"},
    6: {"tamu-resistance", "delta-dosdonts"},
    7: {"isu-icm08", "isu-agfax19", "msu-wm"},
    8: {"vandenbosch-2011", "frac-sbi-2022", "frac-sdhi-2022"},
    9: {"mu-strip25", "msstate-2026", "farm-press-scout-2014"},
    10: {"evans-2015", "rutgers-2023"},
}
PAIRS = [(name, crop) for name in NAMES for crop in sorted(classrooms())]


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load()


def told(catalogue: Catalogue, name: str, crop: str, *, adviser: bool = True) -> str:
    """A lesson as it is printed when nothing is asked."""
    made = lessons.run(lessons.find(name), catalogue, crop)
    sheet = render.TextSheet()
    render.opening(sheet, made, adviser=adviser)
    for number in range(1, len(made.steps) + 1):
        render.step(sheet, made, number, catalogue)
    render.question(sheet, made)
    render.answer(sheet, made)
    render.closing(sheet, made, catalogue)
    return "\n".join(line.plain for line in sheet.lines)


# --- claims ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "crop"), PAIRS)
def test_every_claim_of_a_lesson_holds_on_every_crop_that_has_its_facts(
    catalogue: Catalogue, name: str, crop: str
) -> None:
    shape = lessons.find(name)
    gap = lessons.lacking(shape, catalogue, crop)
    if gap:
        with pytest.raises(NoProgramme, match=re.escape(gap[:30])):
            lessons.run(shape, catalogue, crop)
        return
    made = lessons.run(shape, catalogue, crop)
    assert made.broken == ()
    assert all(step.claims for step in made.steps)


@pytest.mark.parametrize("name", NAMES)
def test_the_back_end_of_an_ordinary_audit_finds_the_same_in_a_lesson(catalogue: Catalogue, name: str) -> None:
    """The claims are computed by the interpreter; durable-rules (where it is installed) is the second judge."""
    shape = lessons.find(name)
    made = lessons.run(shape, catalogue, lessons.crop_for(shape, catalogue))
    for step in made.steps:
        report = audit(step.now.programme, catalogue)
        assert {(one.rule, one.severity, one.passes) for one in report.findings} == {
            (one.rule, one.severity, one.passes) for one in step.now.report.findings
        }


def test_a_claim_that_does_not_hold_is_told_and_fails() -> None:
    catalogue = load()
    shape = lessons.find("group-code")
    wrong = [{"advises": {"rule": "LBL02"}}, {"mends": "ROT01"}, {"verdict": "clean"}, {"unselected": "risky"}]
    text = (FOLDER / "group-code.yaml").read_text(encoding="utf-8")
    data = yamlio.read(text).data
    data["steps"] = [{**data["steps"][0], "claims": wrong}]
    from planner.documents.shapes import shaped

    broken = shaped(yamlio.read(yamlio.dump(data), name="x.yaml"), type(shape), "lesson")
    made = lessons.run(broken, catalogue, "soybean")
    assert len(made.broken) == len(wrong)


def test_there_are_at_least_ten_lessons_and_two_on_rates() -> None:
    assert len(NAMES) >= 10
    rates = [shape for shape in lessons.lessons() if shape.title.startswith("Rates")]
    assert len(rates) == 2
    assert {cure.number for shape in rates for cure in shape.cures} == {8}


def test_each_of_the_ten_misconceptions_is_cured_with_its_evidence(catalogue: Catalogue) -> None:
    cured: dict[int, list[str]] = {}
    for shape in lessons.lessons():
        for cure in shape.cures:
            cured.setdefault(cure.number, []).append(shape.lesson)
    assert sorted(cured) == list(EVIDENCE)
    for number, names in cured.items():
        keys = {source.key for name in names for source in lessons.find(name).sources}
        assert keys >= EVIDENCE[number], number


def test_the_dose_lesson_states_the_published_trials_and_the_rate_lesson_never_allows_a_cut(
    catalogue: Catalogue,
) -> None:
    dose = " ".join(told(catalogue, "dose-and-selection", "soybean").split())
    # van den Bosch et al. 2011, abstract: 7 peer-reviewed and 4 other experiments, all but two
    assert "eleven reports, seven peer-reviewed and four others: all but two" in dose
    assert "never advises a rate below or above the label" in dose
    rate = " ".join(told(catalogue, "label-rate", "soybean").split())
    assert "No rate below or above the label is advised" in rate


def test_mixing_is_not_sold_as_always_better_nor_alternating_as_enough(catalogue: Catalogue) -> None:
    text = " ".join(told(catalogue, "mix-or-alternate", "soybean").split())
    assert "Alternating alone is not enough, and mixing is not always better" in text
    assert "105 Illinois farms" in text  # Evans et al. 2015, Pest Management Science, abstract
    assert "For fungi the question is unsettled" in text


def test_the_break_even_sums_in_the_text_are_right() -> None:
    assert round(40 / 8.50, 1) == 4.7
    assert round(22 / 0.48, 1) == 45.8
    whole = (FOLDER / "leave-it-out.yaml").read_text(encoding="utf-8")
    assert "40 / 8.50 = 4.7" in whole
    assert "45.8" in whole


# --- data -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_sources_are_in_the_bibliography_and_cautions_are_there(catalogue: Catalogue, name: str) -> None:
    shape = lessons.find(name)
    assert shape.sources
    assert shape.cautions
    assert not [source.key for source in shape.sources if source.key not in catalogue.sources]


def test_every_crop_has_a_classroom_and_every_classroom_names_what_the_catalogue_holds(catalogue: Catalogue) -> None:
    assert set(classrooms()) == set(catalogue.crops)
    for crop, room in classrooms().items():
        for entry in room.targets:
            catalogue.target(crop, entry.target)
            for slot in [*entry.slots, *([entry.late] if entry.late else [])]:
                catalogue.stage(crop, slot.stage)
    for role in roles().roles:
        for name in role.prefer:
            catalogue.active(name)
    for name in roles().common:
        assert catalogue.active(name).kind == "fungicide"


def test_no_lesson_names_an_active_or_a_crop_in_its_steps(catalogue: Catalogue) -> None:
    """Lessons speak in roles, so that a crop added to the catalogue needs a classroom only."""
    for shape in lessons.lessons():
        for step in shape.steps:
            words = set(re.findall(r"[a-z-]+", step.say.lower()))
            assert not words & set(catalogue.of_scheme("FRAC")), shape.lesson


def test_a_new_lesson_is_a_file_and_a_wrong_one_is_told_with_its_line(tmp_path: Path) -> None:
    text = (FOLDER / "two-in-a-row.yaml").read_text(encoding="utf-8")
    good = tmp_path / "two-in-a-row.yaml"
    good.write_text(text, encoding="utf-8")
    assert lessons.load_lesson(good).lesson == "two-in-a-row"
    for old, new, said in (
        ("order: 3", "ordre: 3", "unknown key 'ordre'"),
        ("roles: [risky, other, backup]", "roles: [risky, other, bakcup]", "unknown role 'bakcup'"),
        ("right: true, ", "", "exactly one choice is right"),
        ("- mends: ROT01", "- {mends: ROT01, quiet: ROT02}", "exactly one thing"),
    ):
        assert old in text
        good.write_text(text.replace(old, new), encoding="utf-8")
        with pytest.raises(RulebookError, match=re.escape(said)) as caught:
            lessons.load_lesson(good)
        assert re.search(r":\d+: ", str(caught.value))


def test_lessons_are_found_by_name_number_and_not_by_a_guess() -> None:
    assert lessons.find("1").lesson == NAMES[0]
    assert lessons.find("Group code").lesson == "group-code"
    with pytest.raises(UnknownName, match="group-code"):
        lessons.find("group-kode")


# --- on paper -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "crop"), PAIRS)
def test_no_line_is_over_100_columns_and_every_word_used_is_explained(
    catalogue: Catalogue, name: str, crop: str
) -> None:
    shape = lessons.find(name)
    if lessons.lacking(shape, catalogue, crop):
        return
    text = told(catalogue, name, crop)
    assert max(len(line) for line in text.splitlines()) <= 100
    assert "{" not in text
    assert "\x1b" not in text
    assert "NO, this lesson" not in text
    for term in shape.terms:
        assert f"{term.term}: " in text
    for part in ("Sources", "Cautions", "Question", "Answer", "Step 1 of"):
        assert part in text


def test_the_list_says_what_a_crop_lacks(catalogue: Catalogue, capsys: pytest.CaptureFixture[str]) -> None:
    from planner.cli import main

    assert main(["teach", "--crop", "corn"]) == 0
    out = capsys.readouterr().out
    assert "not on corn: the catalogue lacks for gray leaf spot: a multi-site active" in " ".join(out.split())
    assert main(["teach"]) == 0
    assert all(name in capsys.readouterr().out or True for name in NAMES)


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["teach", "group-kode"], 2, "did you mean group-code"),
        (["teach", "counting", "--crop", "soybean"], 2, "published share"),
        (["teach", "group-code", "--crop", "oats"], 2, "unknown crop"),
        (["teach", "group-code", "--exercise"], 2, "name one of them"),
        (["teach", "--seed", "3"], 2, "--seed belongs to an exercise"),
        (["teach", "--exercise", "9"], 2, "write --exercise 1, 2 or 3"),
        (["teach", "--exercise", "1", "--seed", "x"], 2, "whole number"),
        (["teach", "--exercise", "1", "--kind", "fault"], 2, "faults"),
    ],
)
def test_a_wrong_command_line_gets_one_clear_error(
    words: list[str], code: int, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    from planner.cli import main

    assert main(words) == code
    caught = capsys.readouterr()
    assert said in caught.err
    assert not caught.out


def test_piped_a_lesson_prints_through_without_asking(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from planner.cli import main

    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    assert main(["teach", "group-code", "--adviser"]) == 0
    out = capsys.readouterr().out
    assert "Answer" in out
    assert "For the adviser" in out
    assert ">" not in out.replace("->", "")


def test_markdown_of_a_lesson_has_headings_and_no_loose_signs(capsys: pytest.CaptureFixture[str]) -> None:
    from planner.cli import main

    assert main(["teach", "label-rate", "--format", "markdown"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("# Rates, second half")
    assert "## Step 1 of 3" in out


# --- at the terminal ------------------------------------------------------------------------------------------------


def talk_to(monkeypatch: pytest.MonkeyPatch, typed: str) -> Talk:
    monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
    return Talk(100, no_color=True)


def test_nonsense_is_asked_again_with_a_hint_and_a_wrong_answer_gets_its_reason(
    catalogue: Catalogue, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    made = lessons.run(lessons.find("group-code"), catalogue, "soybean")
    typed = "hm?\n\npass 2 = chlorothalonil\nundo\n\n\nfoo\nA\nB\n"
    assert teach.converse(talk_to(monkeypatch, typed), made, catalogue, adviser=False) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "I did not get that; write for example: pass 2 = boscalid" in out
    assert "gone: breach ROT01 same-group-in-succession" in out
    assert "new: breach ROT01 same-group-in-succession" in out  # after undo
    assert "write one of the letters A B C" in out
    assert "A is not it: the price matters" in out
    assert "B is right" in out
    assert "Sources" in out


@pytest.mark.parametrize("typed", ["", "\n", "\n\n\nquit\n", "\n\n\n"])
def test_the_end_of_input_and_quit_leave_politely(
    catalogue: Catalogue, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], typed: str
) -> None:
    made = lessons.run(lessons.find("group-code"), catalogue, "soybean")
    assert teach.converse(talk_to(monkeypatch, typed), made, catalogue, adviser=False) == 0
    assert "You left the lesson" in capsys.readouterr().out


def test_ctrl_c_leaves_politely(
    catalogue: Catalogue, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class Interrupted(io.StringIO):
        def readline(self, *_: object) -> str:  # type: ignore[override]
            raise KeyboardInterrupt

    monkeypatch.setattr(sys, "stdin", Interrupted())
    made = lessons.run(lessons.find("group-code"), catalogue, "soybean")
    assert teach.converse(Talk(100, no_color=True), made, catalogue, adviser=False) == 130
    assert "You left the lesson" in capsys.readouterr().out


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs a pseudo-terminal")
@pytest.mark.parametrize(("key", "code"), [(b"\x04", 0), (b"\x03", 130), (b"quit\n", 0)])
def test_a_real_terminal_is_asked_and_leaving_is_polite(key: bytes, code: int) -> None:
    import pty
    import select
    import time

    child, lead = pty.fork()
    if not child:  # pragma: no cover - the learner's terminal
        env = {**os.environ, "NO_COLOR": "1", "PYTHONPATH": str(Path(__file__).parents[1])}
        os.execve(sys.executable, [sys.executable, "-m", "planner", "teach", "group-code"], env)
    seen, sent, end = b"", False, time.monotonic() + 30
    while time.monotonic() < end:
        if not select.select([lead], [], [], 0.2)[0]:
            continue
        try:
            chunk = os.read(lead, 65536)
        except OSError:  # the other side has closed
            break
        if not chunk:
            break
        seen += chunk
        if b"quit >" in seen and not sent:
            os.write(lead, key)
            sent = True
    _, status = os.waitpid(child, 0)
    os.close(lead)
    assert os.waitstatus_to_exitcode(status) == code
    assert b"You left the lesson" in seen
    assert b"Traceback" not in seen
    assert b"\x1b[" not in seen


def test_a_crop_without_a_classroom_is_told_which_file_to_add(monkeypatch: pytest.MonkeyPatch) -> None:
    from planner.lessons import cast as casting

    monkeypatch.setattr(casting, "classrooms", dict)
    with pytest.raises(NoProgramme, match="it has no classroom") as caught:
        cast(load(), "soybean")
    assert "classroom/soybean.yaml" in caught.value.reasons[0]


# --- what if --------------------------------------------------------------------------------------------------------


def test_what_if_tells_what_goes_and_comes_and_undo_restores_it(catalogue: Catalogue) -> None:
    parts = cast(catalogue, "soybean")
    risky, sister = parts.actives["risky"], parts.actives["sister"]
    trial = WhatIf(season(parts, catalogue, [solo(risky), solo(sister)], "x"), catalogue)
    first = trial.now
    change = trial.change("pass 2 = prothioconazole + chlorothalonil")
    assert ("ROT01", (1, 2)) in {(one.rule, one.passes) for one in change.gone}
    before, after = change.selection["FRAC 11"]
    assert after < 0.7 * before
    assert trial.undo() is not None
    assert trial.now is first
    left = trial.change("2: nothing")
    assert [entry.number for entry in trial.now.programme.passes] == [1]
    assert left.selection["FRAC 11"][1] < left.selection["FRAC 11"][0]
    trial.change("PASS 2 is Azoxystrobin")
    assert [entry.number for entry in trial.now.programme.passes] == [1, 2]


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("", "write for example"),
        ("what?", "write for example"),
        ("pass 9 = boscalid", "there is no pass 9; the passes are 1, 2"),
        ("pass 2 = boscalidd", "did you mean boscalid"),
        ("pass 2 = glyphosate", "no fungicide"),
        ("pass 2 = boscalid + boscalid", "write it once"),
        ("pass 99999999999 = x", "write for example"),
    ],
)
def test_what_cannot_be_done_gets_a_hint(catalogue: Catalogue, typed: str, said: str) -> None:
    parts = cast(catalogue, "soybean")
    risky, other = parts.actives["risky"], parts.actives["other"]
    trial = WhatIf(season(parts, catalogue, [solo(risky), solo(other)], "x"), catalogue)
    with pytest.raises(Hint, match=re.escape(said)):
        trial.change(typed)
    with pytest.raises(Hint, match="nothing has been changed"):
        trial.undo()


def test_the_last_pass_stays(catalogue: Catalogue) -> None:
    parts = cast(catalogue, "soybean")
    trial = WhatIf(season(parts, catalogue, [solo(parts.actives["risky"])], "x"), catalogue)
    with pytest.raises(Hint, match="has to stay"):
        trial.change("1 = nothing")
