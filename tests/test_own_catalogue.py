"""A user's own catalogue folder with many slips: one check tells every one of them, each at its line.

And a folder without slips: what it adds is found by every name, and shown.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from planner.catalogue import load
from planner.catalogue_check import check

BACKED = "source: common-practice, grade: practice"
SLIPS: dict[str, list[tuple[str, str]]] = {
    "actives/own.yaml": [
        ("scheme: FRAC\nkind: fungicide\nsource: frac-pa\ngrade: read\nactives:\n", ""),
        ("  newazole: {group: '3', risk: medium, multi_site: true}\n",
         "multi_site differs from group FRAC 3; make the two agree"),
        ("  otherazole: {group: '3', risk: high}\n", "risk 'high' differs from group FRAC 3 ('medium')"),
    ],
    "cross-resistance.yaml": [
        ("joined:\n", ""),
        (f"  - {{groups: ['11', 11A], purposes: [mixng], text: x, {BACKED}}}\n",
         "'mixng' is no purpose; one of mixing, succession, counting"),
        (f"  - {{groups: ['11'], purposes: [mixing], text: x, {BACKED}}}\n",
         "one group joins nothing; name two or more groups"),
    ],
    "crops/own.yaml": [
        ("crop: lupin\nname: lupin\nscale: own\nstages:\n", ""),
        (f"  - {{code: L1, bbch: 10, {BACKED}}}\n", ""),
        (f"  - {{code: L1, bbch: 20, {BACKED}}}\n", "stage 'L1' is given twice; keep one of the two"),
    ],
    "targets/soybean/own.yaml": [
        ("target: own-spot\n", "'white-mold' also names sclerotinia-stem-rot; keep names apart"),
        ("crop: soybean\nname: own spot\naliases: [white-mold]\npathogen: Cercospora sojina\n", ""),
    ],
    "resistance/own.yaml": [
        ("crop: soybean\nreports:\n", ""),
        ("  - {pathogen: Cercospora sojina, codes: ['11'], level: lost, countries: [US], "
         f"by_active: {{azoxystrobin: gone}}, {BACKED}}}\n", "'gone' is no level; one of lost, reduced, none"),
    ],
    "coverage.yaml": [
        ("coverage:\n", ""),
        (f"  - {{crop: soybean, targets: [any], droplets: [M, XM], {BACKED}}}\n", "'XM' is no droplet class"),
    ],
}  # fmt: skip
LIMITS: list[tuple[str, str]] = [
    ("limits:\n", ""),
    ("  - {id: own-1, authority: own, text: x, kind: max_applications, codes: ['11'], crops: [soybean], value: 2, "
     f"stages: [R1], {BACKED}}}\n", "'stages' has to be two stages; write [first, last]"),
    ("  - {id: own-2, authority: own, text: x, kind: max_applications, codes: ['11'], crops: [all], value: [2], "
     f"{BACKED}}}\n", "'value' has to be a number"),
]  # fmt: skip


def written(folder: Path, name: str, parts: list[tuple[str, str]]) -> set[str]:
    """Write a file of parts; the problems that are promised, each as file:line: problem."""
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    promised, line = set(), 1
    for text, problem in parts:
        if problem:
            promised.add(f"{path}:{line}: {problem}")
        line += text.count("\n")
    path.write_text("".join(text for text, _ in parts), encoding="utf-8")
    return promised


def test_every_slip_of_a_folder_is_told_at_once_and_at_its_line(tmp_path: Path) -> None:
    promised: set[str] = set()
    for name, parts in SLIPS.items():
        promised |= written(tmp_path / "catalog", name, parts)
    promised |= written(tmp_path / "rules", "limits/own.yaml", LIMITS)
    told = [str(one) for one in check(catalog_dirs=[tmp_path / "catalog"], rules_dirs=[tmp_path / "rules"]).problems]
    for one in promised:
        assert [line for line in told if line.startswith(one)], (one, told)
    assert {line.split(":")[0] for line in told} == {one.split(":")[0] for one in promised}


def test_a_kind_of_rows_is_checked_a_fact_or_carried_and_only_one_of_them(tmp_path: Path) -> None:
    shipped = Path(__file__).resolve().parents[1] / "rules" / "limits" / "kinds.yaml"
    text = shipped.read_text(encoding="utf-8")
    line = next(number for number, row in enumerate(text.splitlines(), 1) if "stage_window:" in row)
    (tmp_path / "limits").mkdir()
    row = "rules: [LIM05], reads: 'value is [first"
    changed = text.replace(row, row.replace("reads", "carried: true, reads"))
    assert changed != text
    (tmp_path / "limits" / "kinds.yaml").write_text(changed, encoding="utf-8")
    told = [str(one) for one in check(rules_dirs=[tmp_path]).problems]
    assert told and told[0].startswith(
        f"{tmp_path / 'limits' / 'kinds.yaml'}:{line}: kind 'stage_window' is not one of checked, fact and carried"
    )


def test_hidden_files_of_a_folder_are_no_data(tmp_path: Path) -> None:
    (tmp_path / ".sources.yaml").write_text("- nonsense", encoding="utf-8")
    (tmp_path / ".editor").mkdir()
    (tmp_path / ".editor" / "targets.yaml").write_text("- nonsense", encoding="utf-8")
    assert check(catalog_dirs=[tmp_path]).problems == ()


def test_reports_are_found_by_a_pathogens_other_name_and_none_for_an_unknown_one() -> None:
    catalogue = load()
    known = catalogue.reports("soybean", "Cercospora sojina")
    assert known
    pathogen = catalogue.pathogen("Cercospora sojina")
    for name in pathogen.synonyms:
        assert catalogue.reports("soybean", name) == known
    assert list(catalogue.reports("soybean", "Nobody knows")) == []


@pytest.mark.parametrize("crop", ["soybean", "wheat"])
def test_published_days_to_the_next_spray_are_rising(crop: str) -> None:
    rows = [row for row in load().retreatment if row.crop == crop]
    assert all(0 < row.least <= row.most for row in rows)
