"""Findings of the label rules on documents as a grower writes them: the numbers, the words, and the label they cite.

What a label asks is invented here; what is compared with it is counted by hand beside each check.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from planner.audit import audit
from planner.catalogue import Catalogue, load
from planner.documents import load_programme
from planner.model import AuditReport, Finding

SHOP = """\
products: 1
products:
  - name: Demo Alder 250 SC
    actives: {azoxystrobin: 250 g/L}
    label:
      soybean:
        rate: [0.4 L/ha, 1.0 L/ha]
        applications: 2
        active_total: {azoxystrobin: 0.5 kg/ha}
        interval: 14 d
        stages: [R1, R5]
        harvest_interval: 21 d
        consecutive: 1
        water: 94 L/ha
  - name: Demo Rowan 200 SC
    actives: {pyraclostrobin: 200 g/L}
    label:
      soybean: {rate: [0.4 L/ha, 1.0 L/ha], consecutive: 2}
  - name: Demo Birch 300 SC
    actives: {boscalid: 300 g/L}
    label:
      wheat: {rate: [0.4 L/ha, 1.0 L/ha]}
  - name: Demo Larch 300 SC
    actives: {boscalid: 300 g/L}
"""
FIELD = "crop: soybean, stages: {R1: 2026-07-01, R3: 2026-07-15, R5: 2026-08-05}"


@cache
def catalogue() -> Catalogue:
    return load()


def judged(folder: Path, passes: str, field: str = FIELD, shop: str = SHOP) -> AuditReport:
    """The audit of these passes (YAML, two blanks before each '-'), the product list beside them."""
    (folder / "shop.yaml").write_text(shop, encoding="utf-8")
    (folder / "plan.yaml").write_text(
        f"programme: 1\nfield: {{{field}}}\nproducts: shop.yaml\npasses:\n{passes}", encoding="utf-8"
    )
    return audit(load_programme(folder / "plan.yaml", catalogue()), catalogue())


def of(report: AuditReport, rule: str) -> list[Finding]:
    return [finding for finding in report.findings if finding.rule == rule]


def reasons(report: AuditReport, rule: str) -> list[str]:
    return [entry.reason for entry in report.not_assessed if entry.rule == rule]


def spray(day: str, *products: str) -> str:
    tank = ", ".join(f"{{product: {name}, rate: {rate}}}" for name, rate in (one.split(" @ ") for one in products))
    return f"  - {{date: {day}, water: 200 L/ha, tank: [{tank}]}}\n"


ALDER = "Demo Alder 250 SC @ 0.6 L/ha"
ROWAN = "Demo Rowan 200 SC @ 0.6 L/ha"


def test_a_finding_cites_the_label_that_the_user_copied_by_file_and_line(tmp_path: Path) -> None:
    found = judged(tmp_path, spray("2026-07-02", "Demo Alder 250 SC @ 1.4 L/ha", "Demo Birch 300 SC @ 0.5 L/ha"))
    (over,) = of(found, "LBL02")
    line = SHOP.splitlines().index("      soybean:") + 1
    assert over.sources == (f"the label of Demo Alder 250 SC as it was copied ({tmp_path / 'shop.yaml'}:{line})",)
    # where the crop is missing from the label, the product's own entry is named
    (crop,) = of(found, "LBL01")
    line = SHOP.splitlines().index("  - name: Demo Birch 300 SC") + 1
    assert crop.sources == (
        f"the label of Demo Birch 300 SC as the product list gives it ({tmp_path / 'shop.yaml'}:{line})",
    )


def test_every_label_rule_that_compares_cites_the_label(tmp_path: Path) -> None:
    passes = (
        "  - {date: 2026-06-20, stage: V5, water: 80 L/ha, tank: [{product: Demo Alder 250 SC, rate: 1.2 L/ha}]}\n"
        "  - {date: 2026-06-27, stage: V6, water: 200 L/ha, tank: [{product: Demo Alder 250 SC, rate: 0.3 L/ha}]}\n"
        "  - {date: 2026-08-05, stage: R5, water: 200 L/ha, tank: [{product: Demo Alder 250 SC, rate: 1.0 L/ha}]}\n"
    )
    found = judged(tmp_path, passes, field=f"{FIELD}, harvest: 2026-08-20")
    rules = {finding.rule for finding in found.findings if finding.rule.startswith("LBL")}
    assert rules == {"LBL02", "LBL03", "LBL04", "LBL05", "LBL06", "LBL07", "LBL08", "LBL09", "LBL10"}
    for finding in found.findings:
        if finding.rule.startswith("LBL"):
            assert [source.split(" (")[0] for source in finding.sources] == [
                "the label of Demo Alder 250 SC as it was copied"
            ], finding.rule
    # 1.2 + 0.3 + 1.0 L/ha of 250 g/L are 625 g/ha; 5 to 20 August are 15 days; 20 to 27 June are 7
    (total,) = of(found, "LBL05")
    assert total.evidence["total"] == 625.0 and total.evidence["most"] == 500.0
    (harvest,) = of(found, "LBL08")
    assert harvest.evidence["days_to_harvest"] == "15 days"
    (again,) = of(found, "LBL06")
    assert again.evidence["days"] == 7 and again.place.endswith("plan.yaml:6")


def test_consecutive_passes_read_as_one_sentence_with_each_labels_number(tmp_path: Path) -> None:
    found = judged(tmp_path, "".join(spray(day, ALDER, ROWAN) for day in ("2026-07-01", "2026-07-15", "2026-08-05")))
    (run,) = of(found, "LBL09")
    assert run.passes == (1, 2, 3)
    assert run.message == (
        "passes 1, 2 and 3 in a row hold group 11 (strobilurin); the label of Demo Alder 250 SC allows 1 and that of "
        "Demo Rowan 200 SC allows 2 in a row"
    )
    assert run.remedy == (
        "have no more than 1 pass in a row with group 11 (strobilurin): put a pass without it in between, or change a "
        "product in one of them"
    )
    assert run.evidence["run"] == 3 and run.evidence["most"] == [1, 2]


def test_labels_that_the_run_keeps_are_not_blamed(tmp_path: Path) -> None:
    found = judged(tmp_path, "".join(spray(day, ALDER, ROWAN) for day in ("2026-07-01", "2026-07-15")))
    (run,) = of(found, "LBL09")  # two in a row: Alder allows one, Rowan two
    assert run.message.endswith("the label of Demo Alder 250 SC allows 1 in a row")
    assert len(run.sources) == 1


def test_two_runs_of_one_product_are_two_findings(tmp_path: Path) -> None:
    days = ("2026-06-20", "2026-06-27", "2026-07-04", "2026-07-11", "2026-07-18")
    tanks = (ALDER, ROWAN, "Demo Larch 300 SC @ 0.5 L/ha", ROWAN, ALDER)
    found = judged(tmp_path, "".join(spray(day, tank) for day, tank in zip(days, tanks, strict=True)))
    assert [finding.passes for finding in of(found, "LBL09")] == [(1, 2), (4, 5)]


def test_labels_with_one_number_share_a_clause(tmp_path: Path) -> None:
    shop = SHOP.replace("consecutive: 2", "consecutive: 1")
    found = judged(tmp_path, "".join(spray(day, ALDER, ROWAN) for day in ("2026-07-01", "2026-07-15")), shop=shop)
    (run,) = of(found, "LBL09")
    assert run.message.endswith("the labels of Demo Alder 250 SC and Demo Rowan 200 SC allow 1 in a row")


def test_what_a_label_asks_and_the_plan_does_not_say_is_asked_for(tmp_path: Path) -> None:
    # no date, no stage dates, no harvest, no water: every rule that needs them says which fact to supply
    found = judged(tmp_path, "  - {stage: R3, tank: [{product: Demo Alder 250 SC}]}\n", field="crop: soybean")
    assert of(found, "LBL02") == of(found, "LBL08") == of(found, "LBL10") == []
    assert reasons(found, "LBL02") == ["give the rate of Demo Alder 250 SC in pass 1"]
    assert reasons(found, "LBL05") == ["give the rate of azoxystrobin in pass 1"]
    assert reasons(found, "LBL08") == ["give the field's harvest date"]
    assert reasons(found, "LBL10") == ["give the carrier volume"]


def test_a_date_alone_leaves_the_stage_of_the_label_open(tmp_path: Path) -> None:
    found = judged(tmp_path, spray("2026-07-02", ALDER), field="crop: soybean")
    assert of(found, "LBL07") == []
    assert reasons(found, "LBL07") == ["give the stage of pass 1"]


def test_stages_alone_give_estimated_days_and_advice_at_most(tmp_path: Path) -> None:
    passes = (
        "  - {stage: R1, water: 200 L/ha, tank: [{product: Demo Alder 250 SC, rate: 0.5 L/ha}]}\n"
        "  - {stage: R3, water: 200 L/ha, tank: [{product: Demo Alder 250 SC, rate: 0.5 L/ha}]}\n"
    )
    found = judged(tmp_path, passes, field="crop: soybean, harvest: 2026-09-30")
    (again,) = of(found, "LBL06")
    # R1 to R2 take 3 days and R2 to R3 take 10 on average: Fehr and Caviness, Stages of Soybean Development, 1977
    assert again.evidence["days"] == 13 and again.severity == "advice"
    assert again.capped == "the days between the passes are estimated from their stages"


def test_stages_that_nobody_has_published_days_for_leave_the_days_open(tmp_path: Path) -> None:
    passes = (
        "  - {stage: BBCH25, water: 200 L/ha, tank: [{product: Demo Alder 250 SC, rate: 0.5 L/ha}]}\n"
        "  - {stage: BBCH41, water: 200 L/ha, tank: [{product: Demo Alder 250 SC, rate: 0.5 L/ha}]}\n"
    )
    shop = SHOP.replace("soybean", "potato").replace("stages: [R1, R5]", "stages: [BBCH20, BBCH81]")
    found = judged(tmp_path, passes, field="crop: potato, harvest: 2026-09-30", shop=shop)
    assert of(found, "LBL06") == of(found, "LBL08") == []
    assert reasons(found, "LBL06") == ["give dates, or stages with the field's stage dates"]
    assert reasons(found, "LBL08") == ["give dates, or stages with the field's stage dates"]


def test_a_total_that_is_over_stays_over_though_one_rate_is_missing(tmp_path: Path) -> None:
    # 1.2 + 1.2 L/ha of 250 g/L are 600 g/ha, over the 500 of the label whatever the third pass holds
    passes = spray("2026-06-20", "Demo Alder 250 SC @ 1.2 L/ha") + spray("2026-07-10", "Demo Alder 250 SC @ 1.2 L/ha")
    found = judged(tmp_path, passes + "  - {date: 2026-08-01, tank: [{product: Demo Alder 250 SC}]}\n")
    (total,) = of(found, "LBL05")
    assert total.evidence["total"] == 600.0
    assert reasons(found, "LBL05") == []


def test_a_product_without_a_label_is_asked_for_it(tmp_path: Path) -> None:
    found = judged(tmp_path, spray("2026-07-02", "Demo Larch 300 SC @ 0.5 L/ha"))
    assert of(found, "LBL01") == []
    assert reasons(found, "LBL01") == ["copy the label of Demo Larch 300 SC into the product list"]


@pytest.mark.parametrize("rate, finds", [("1.0 L/ha", 0), ("1.001 L/ha", 1), ("0.4 L/ha", 0), ("0.399 L/ha", 1)])
def test_the_ends_of_a_rate_range_belong_to_it(tmp_path: Path, rate: str, finds: int) -> None:
    found = judged(tmp_path, spray("2026-07-02", f"Demo Alder 250 SC @ {rate}"))
    assert len(of(found, "LBL02") + of(found, "LBL03")) == finds
