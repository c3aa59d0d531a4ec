"""Rows of limits that a user lays over: which pass they speak of, and what they cannot be decided without.

The rows are invented, each for a group of its own, so that what is found is counted by hand from the row alone.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

from own_limits import catalogue_with

from planner.audit import audit
from planner.catalogue import Catalogue
from planner.documents import load_programme
from planner.model import AuditReport, Finding

ROWS = """\
limits:
  - {id: own-last, kind: mixture_required, codes: ['1'], crops: [soybean], value: true, last_pass: true, HEAD}
  - {id: own-early, kind: mixture_required, codes: ['13'], crops: [soybean], value: true, stages: [R1, R2], HEAD}
  - {id: own-july, kind: stage_window, codes: ['21'], crops: [soybean], value: {latest_date: 07-31}, HEAD}
  - {id: own-stages, kind: stage_window, codes: ['22'], crops: [soybean], value: [R1, R3], HEAD}
  - {id: own-pressure, kind: max_applications, codes: ['45'], crops: [soybean], value: 1, needs: {pressure: high}, HEAD}
  - {id: own-variety, kind: max_applications, codes: ['49'], crops: [soybean], value: 1,
     needs: {variety: susceptible}, HEAD}
  - {id: own-solo, kind: max_applications, codes: ['50'], crops: [soybean], targets: [Cercospora sojina], value: 1,
     uses: solo, HEAD}
  - {id: own-apart, kind: not_mixed_or_adjacent, codes: ['43', '5'], crops: [soybean], value: ['43', '40'], HEAD}
""".replace("HEAD", "authority: own, text: own row, date: '2030', source: common-practice, grade: read")

ACTIVES = {
    "1": "carbendazim", "13": "quinoxyfen", "21": "cyazofamid", "22": "zoxamide", "45": "ametoctradin",
    "49": "oxathiapiprolin", "50": "metrafenone", "43": "fluopicolide", "40": "dimethomorph", "5": "spiroxamine",
}  # fmt: skip


@cache
def catalogue() -> Catalogue:
    found = catalogue_with(ROWS)
    for code, active in ACTIVES.items():
        assert found.active(active).group == f"FRAC {code}"
    return found


def judged(folder: Path, field: str, *passes: str) -> AuditReport:
    """Passes as ``when: active, active``; when is a date, a stage or both ('2026-07-01 R1')."""
    lines = []
    for one in passes:
        when, actives = one.split(": ")
        keys = [f"{'date' if word[0] == '2' else 'stage'}: {word}" for word in when.split()]
        tank = ", ".join(f"{{active: {name}, dose: 100 g/ha}}" for name in actives.split(", "))
        lines.append(f"  - {{{', '.join(keys)}, tank: [{tank}]}}\n")
    (folder / "plan.yaml").write_text(
        f"programme: 1\nfield: {{crop: soybean, {field}}}\npasses:\n{''.join(lines)}", encoding="utf-8"
    )
    return audit(load_programme(folder / "plan.yaml", catalogue()), catalogue())


def of(report: AuditReport, rule: str, row: str) -> list[Finding]:
    return [one for one in report.findings if one.rule == rule and row in str(one.evidence)]


def reasons(report: AuditReport, rule: str) -> list[str]:
    return [one.reason for one in report.not_assessed if rule in one.rule]


DATED = "stages: {R1: 2026-07-01, R2: 2026-07-04, R3: 2026-07-14, R5: 2026-08-05}"


def test_a_row_for_the_last_pass_lets_the_others_be(tmp_path: Path) -> None:
    found = judged(tmp_path, DATED, "2026-07-01: carbendazim", "2026-07-20: carbendazim")
    assert [one.passes for one in found.findings if one.rule == "MIX01"] == [(2,)]
    found = judged(tmp_path, DATED, "2026-07-01: carbendazim", "2026-07-20: carbendazim, mancozeb")
    assert [one for one in found.findings if one.rule == "MIX01"] == []


def test_a_row_for_some_stages_lets_passes_at_others_be(tmp_path: Path) -> None:
    found = judged(tmp_path, DATED, "2026-07-01 R1: quinoxyfen", "2026-08-05 R5: quinoxyfen")
    assert [one.passes for one in found.findings if one.rule == "MIX01"] == [(1,)]


def test_a_latest_date_is_compared_with_the_day_of_the_pass(tmp_path: Path) -> None:
    found = judged(tmp_path, DATED, "2026-07-31: cyazofamid", "2026-08-01: cyazofamid")
    assert [one.passes for one in found.findings if one.rule == "LIM05"] == [(2,)]
    (late,) = (one for one in found.findings if one.rule == "LIM05")
    assert "until 07-31 (month-day)" in late.message


def test_a_stage_window_is_compared_with_the_stage_of_the_pass(tmp_path: Path) -> None:
    found = judged(tmp_path, DATED, "2026-07-10: zoxamide", "2026-08-05 R5: zoxamide")
    assert [one.passes for one in found.findings if one.rule == "LIM05"] == [(2,)]
    # without any stage date a day says nothing of the stage
    found = judged(tmp_path, "area: 1 ha", "2026-07-10: zoxamide")
    assert [one for one in found.findings if one.rule == "LIM05"] == []
    assert any("stage" in reason for reason in reasons(found, "LIM05"))


def test_conditions_on_a_target_need_targets_and_then_the_word(tmp_path: Path) -> None:
    twice = ("2026-07-01: ametoctradin, oxathiapiprolin", "2026-07-20: ametoctradin, oxathiapiprolin")
    without = reasons(judged(tmp_path, DATED, *twice), "LIM01")
    assert any("give the field's targets with their pressure" in reason for reason in without)
    assert any("give the field's targets with the cultivar's rating" in reason for reason in without)
    named = judged(tmp_path, f"{DATED}, targets: [{{target: frogeye-leaf-spot}}]", *twice)
    assert any("give the pressure of frogeye leaf spot" in reason for reason in reasons(named, "LIM01"))
    assert any("give the cultivar's rating against frogeye leaf spot" in reason for reason in reasons(named, "LIM01"))
    assert of(named, "LIM01", "own-") == []
    told = "targets: [{target: frogeye-leaf-spot, pressure: high, cultivar: susceptible}]"
    found = judged(tmp_path, f"{DATED}, {told}", *twice)
    assert len(of(found, "LIM01", "own-pressure")) == len(of(found, "LIM01", "own-variety")) == 1
    other = "targets: [{target: frogeye-leaf-spot, pressure: low, cultivar: resistant}]"
    found = judged(tmp_path, f"{DATED}, {other}", *twice)
    assert of(found, "LIM01", "own-") == [] and reasons(found, "LIM01") == []


def test_a_row_on_solo_uses_is_open_while_the_partners_effect_is(tmp_path: Path) -> None:
    # no source rates metrafenone or ametoctradin on frogeye leaf spot, so whether a pass is a solo use is not known
    told = f"{DATED}, targets: [{{target: frogeye-leaf-spot}}]"
    twice = ("2026-07-01: metrafenone, ametoctradin", "2026-07-20: metrafenone, ametoctradin")
    found = judged(tmp_path, told, *twice)
    assert of(found, "LIM01", "own-solo") == []
    open_ = "whether the partners in the tank control the target is not known (published row 'own-solo')"
    assert open_ in reasons(found, "LIM01")
    # alone in the tank there is no doubt
    found = judged(tmp_path, told, "2026-07-01: metrafenone", "2026-07-20: metrafenone")
    assert [one.passes for one in of(found, "LIM01", "own-solo")] == [(1, 2)]


def test_a_row_that_keeps_two_groups_apart_speaks_of_those_two_alone(tmp_path: Path) -> None:
    def kept_apart(*passes: str) -> list[tuple[int, ...]]:
        return [one.passes for one in judged(tmp_path, DATED, *passes).findings if "own-apart" in str(one.evidence)
                or one.rule == "ROT02"]  # fmt: skip

    assert kept_apart("2026-07-01: fluopicolide", "2026-07-20: dimethomorph") == [(1, 2)]
    assert kept_apart("2026-07-01: fluopicolide", "2026-07-10: boscalid", "2026-07-20: dimethomorph") == []
    assert kept_apart("2026-07-01: spiroxamine", "2026-07-20: dimethomorph") == []
