"""A user's own spraying.yaml or selection.yaml: every slip is told with its file and line, before any room reads it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from planner import yamlio
from planner.catalogue import load
from planner.catalogue_check import check
from planner.catalogue_shapes import SHAPES
from planner.datafile import Problems, Row
from planner.errors import RulebookError

CATALOG = Path(__file__).resolve().parents[1] / "catalog"


def laid(folder: Path, name: str, change: Callable[[str], str], *, whole: bool = True) -> list[str]:
    """The problems of a changed copy of a shipped file, each as ``line: problem; cure``.

    ``whole``: as ``planner catalog check`` finds them, with the rest of the catalogue; else the file by itself.
    """
    text = (CATALOG / f"{name}.yaml").read_text(encoding="utf-8")
    changed = change(text)
    assert changed != text, "the change changes nothing"
    (folder / f"{name}.yaml").write_text(changed, encoding="utf-8")
    file = str(folder / f"{name}.yaml")
    if whole:
        found = list(check(catalog_dirs=[folder]).problems)
    else:
        found = Problems()
        SHAPES[name](Row(yamlio.read(folder / f"{name}.yaml"), found))
    assert all(problem.place.file == file for problem in found)
    return [str(problem).removeprefix(f"{file}:") for problem in found]


def line_of(name: str, words: str) -> int:
    """Line of the first line with these words in the shipped file."""
    lines = (CATALOG / f"{name}.yaml").read_text(encoding="utf-8").splitlines()
    return next(number for number, line in enumerate(lines, 1) if words in line)


def swap(old: str, new: str) -> Callable[[str], str]:
    return lambda text: text.replace(old, new, 1)


def test_the_shipped_files_are_in_order_as_a_users_own_too(tmp_path: Path) -> None:
    for name in ("spraying", "selection"):
        assert laid(tmp_path, name, lambda text: "# my copy\n" + text) == []


@pytest.mark.parametrize("name, at, old, new, said", [
    ("spraying", "code: XF", "code: XF, ", "", "'code' is missing; add 'code: ...'"),
    ("spraying", "code: XF", "microns: [0, 60]", "microns: [60, 0]",
     "'microns' is [60, 0], which is implausible; rising, from 0 to 5000"),
    ("spraying", "code: VF", "color: red", "colour: red", "unknown key 'colour'; did you mean 'color'?"),
    ("spraying", "use: soybean ground", "[140.3, 187.1]", "[187.1, 140.3]",
     "'l_ha' has to be [least, most]; write [93.5, 187], or [93.5, null] for an open end"),
    ("spraying", "use: soybean ground", "grade: read, source: vt-nozzle", "source: vt-nozzle",
     "a grade is missing; add 'grade: ...', one of read, trial, recalled, practice, our reading, demo, unknown"),
    ("spraying", "use: soybean ground", "grade: read, source: vt-nozzle", "grade: read",
     "a source is missing; add 'source: ...', a key of sources.yaml"),
    ("spraying", "nozzle_wear", "share: 0.05", "share: 5", "'share' is 5, which is implausible; between 0 and 1"),
    ("spraying", "letter: A", "step: 2", "step: two", "'step' has to be a number; write a number without quotes"),
    ("spraying", "most_partners", "partners: 3", "partners: 2.5",
     "'partners' has to be a whole number; write a whole number"),
    ("spraying", "worst_category: 2", "hours: 24", "hours: 24 h",
     "'hours' has to be a number; write a number without quotes"),
    ("spraying", "id: label", "id: label, ", "", "'id' is missing; add 'id: ...'"),
    ("spraying", "kg_ha: 154.7", "kg_ha: 154.7, ", "",
     "the response has no amount; add 'kg_ha: ...' or 'percent: ...'"),
    ("spraying", "[134.5, 201.8]", "[134.5, 201.8]", "[134.5, many]",
     "'kg_ha' has to be two numbers; write [least, most]"),
    ("spraying", "headline: true, grade: read, source: [soy", "headline: true", "headline: 'yes'",
     "'headline' is true or false; write true or false"),
    ("spraying", "share_of_years", "0.33", "33", "'share_of_years' is 33, which is implausible; between 0 and 1"),
    ("selection", "E: {omega", "omega: 0.92", "omega: 92", "'omega' is 92, which is implausible; between 0 and 1"),
    ("selection", "band:", "[3, 4, 5, 6, 7, 8, 9, 10]", "[3]",
     "'band' has to be a list of at least 2 numbers above 0; none above 365"),
    ("selection", "wheat_high_risk", "theta: 9.6", "theta: strong",
     "'theta' has to be a number; write a number without quotes"),
    ("selection", "critical_loss: 0.05", "critical_loss: 0.05", "critical_loss: 5 %",
     "'critical_loss' has to be a number; write a number without quotes"),
    ("selection", "growth: [0.147", "[0.147, 0.032]", "[0.147]",
     "'growth' has to be a list of at least 2 numbers above 0; none above 1e+12"),
    ("selection", "{name: high risk", "latent: true", "latent: maybe",
     "'latent' is true or false; write true or false"),
    ("selection", "start: 1212", "start:", "sart:", None),
])  # fmt: skip
def test_a_slip_is_told_at_its_line(tmp_path: Path, name: str, at: str, old: str, new: str, said: str | None) -> None:
    line = line_of(name, at)

    def change(text: str) -> str:
        lines = text.splitlines(keepends=True)
        lines[line - 1] = lines[line - 1].replace(old, new, 1)
        return "".join(lines)

    found = laid(tmp_path, name, change, whole=False)
    if said is None:  # a misspelt key is told twice: what is missing, and what nobody knows
        problems = [entry.split(": ", 1)[1].split(";")[0] for entry in found]
        assert problems == ["'start' is missing", "unknown key 'sart'"]
    else:
        assert found == [f"{line}: {said}"]


@pytest.mark.parametrize("name, part", [
    ("spraying", "droplets"), ("spraying", "mixing"), ("spraying", "reentry"), ("spraying", "economics"),
    ("selection", "omega_by_class"), ("selection", "theta"), ("selection", "half_life_days"),
    ("selection", "season_models"),
])  # fmt: skip
def test_a_part_that_other_rooms_read_may_not_be_left_out(tmp_path: Path, name: str, part: str) -> None:
    found = laid(tmp_path, name, lambda text: text.replace(f"\n{part}:", f"\nx_{part}:", 1), whole=False)
    first = line_of(name, f"{name}: 1")
    assert f"{first}: '{part}' is missing; add '{part}:' as the shipped file has it" in found


@pytest.mark.parametrize("name, whole, said", [
    ("spraying", "spraying: 2\n", "'spraying' is 2, which is implausible; between 1 and 1"),
    ("selection", "- a list\n", "a mapping belongs here; write 'key: value'"),
    ("selection", "selection: 1\nomega_by_class: {source: recalled, grade: recalled, classes: {}}\n",
     "'classes' is empty; write at least one class with its omega"),
    ("selection", "selection: 1\nseason_models: {wheat: {fungicides: []}}\n",
     "'fungicides' is empty; write at least one"),
    ("selection", "selection: 1\nhalf_life_days: {value: 5}\n", "'band' is missing; add 'band: [...]'"),
])  # fmt: skip
def test_a_file_of_another_shape_is_told_once_for_each_part(tmp_path: Path, name: str, whole: str, said: str) -> None:
    assert any(entry.endswith(said) for entry in laid(tmp_path, name, lambda _text: whole, whole=False))


def test_a_source_that_is_in_no_bibliography_is_told_with_the_nearest(tmp_path: Path) -> None:
    line = line_of("spraying", "use: soybean ground")
    assert laid(tmp_path, "spraying", swap("source: vt-nozzle", "source: vt_nozzle")) == [
        f"{line}: source 'vt_nozzle' is not in the bibliography; did you mean 'vt-nozzle'?"
    ]
    (tmp_path / "spraying.yaml").unlink()
    found = laid(tmp_path, "phenology", swap("stages_source: zadoks-sheet", "stages_source: [zadoks-sheet, nowhere]"))
    assert len(found) == 1 and "source 'nowhere' is not in the bibliography; add it to sources.yaml" in found[0]


@pytest.mark.parametrize("name", ["units", "words", "countries"])
def test_files_of_every_other_shape_name_known_sources_too(tmp_path: Path, name: str) -> None:
    shipped = (CATALOG / f"{name}.yaml").read_text(encoding="utf-8")
    line = next(number for number, text in enumerate(shipped.splitlines(), 1) if text.startswith("source"))
    key = shipped.splitlines()[line - 1].split(":")[1].strip(" []")
    found = laid(tmp_path, name, swap(f"{shipped.splitlines()[line - 1]}", f"source: {key}x"))
    assert found == [f"{line}: source '{key}x' is not in the bibliography; did you mean '{key}'?"]


def test_a_users_own_bibliography_serves_their_own_files(tmp_path: Path) -> None:
    (tmp_path / "sources.yaml").write_text("sources:\n  my-adviser: {title: Notes of my adviser}\n", encoding="utf-8")
    assert laid(tmp_path, "spraying", swap("source: vt-nozzle", "source: my-adviser")) == []


def test_an_ordinary_command_stops_at_the_first_slip(tmp_path: Path) -> None:
    laid(tmp_path, "selection", swap("omega: 0.92", "omega: high"))
    with pytest.raises(RulebookError) as caught:
        _ = load(catalog_dirs=[tmp_path]).selection
    line = line_of("selection", "E: {omega")
    assert str(caught.value) == (
        f"{tmp_path / 'selection.yaml'}:{line}: 'omega' has to be a number; write a number without quotes"
    )
