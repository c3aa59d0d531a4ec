"""The days and dates that timing findings say, counted by hand on small seasons.

Days of protection are those of invented labels, written here; stage dates are given, so every count is exact unless a
check says that a date is an estimate. What the rules mean is the contract's, section 5.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import pytest

from planner import yamlio
from planner.audit import audit
from planner.catalogue import Catalogue, load
from planner.documents import load_programme
from planner.model import Finding

STAGES = {"R1": "2026-07-02", "R3": "2026-07-16", "R5": "2026-08-05", "R6": "2026-08-25"}
FROGEYE = {"target": "frogeye-leaf-spot", "pressure": "high"}
RUST = {"target": "asian-soybean-rust", "pressure": "high"}
MOLD = {"target": "sclerotinia-stem-rot", "pressure": "high"}


@cache
def catalogue() -> Catalogue:
    return load()


def product(name: str, active: str, days: int, **targets: str) -> dict[str, Any]:
    """An invented product of 200 g/L, 0.5 to 1.0 L/ha on soybean, that protects so many days by its label."""
    label = {"rate": ["0.5 L/ha", "1.0 L/ha"], "protection": f"{days} d"}
    rated = {key.replace("_", "-"): value for key, value in targets.items()}
    return {
        "name": name,
        "kind": "fungicide",
        "actives": {active: "200 g/L"},
        "label": {"soybean": {**label, "targets": rated}},
    }


SHOP = [
    product("Demo Long", "prothioconazole", 21, frogeye_leaf_spot="good", asian_soybean_rust="good"),
    product("Demo Short", "boscalid", 10, frogeye_leaf_spot="good", sclerotinia_stem_rot="good"),
    product("Demo Coat", "chlorothalonil", 8, asian_soybean_rust="good", sclerotinia_stem_rot="poor"),
]


def finding(folder: Path, rule: str, targets: list[dict[str, Any]], *passes: dict[str, Any], **field: Any) -> Finding:
    """The one finding of a rule on a season; ``passes`` name products at 1.0 L/ha."""
    written = []
    for one in passes:
        tank = [{"product": name, "rate": one.get("rate", "1.0 L/ha")} for name in one["tank"]]
        written.append({key: value for key, value in one.items() if key != "rate"} | {"tank": tank})
    whole = {
        "programme": 1,
        "name": "dates",
        "field": {"crop": "soybean", "stages": STAGES, "targets": targets, **field},
        "products": SHOP,
        "passes": written,
    }
    path = folder / "dates.yaml"
    path.write_text(yamlio.dump(whole), encoding="utf-8")
    (found,) = [one for one in audit(load_programme(path, catalogue()), catalogue()).findings if one.rule == rule]
    return found


def test_tim01_says_when_the_best_time_ended_and_how_late_the_pass_is(tmp_path: Path) -> None:
    # best timing against frogeye leaf spot R3 to R5 (catalogue, read); it ends the day before R6, 24 August
    found = finding(tmp_path, "TIM01", [FROGEYE], {"date": "2026-08-25", "tank": ["Demo Long"]})
    assert "(pass 1 on 25 August)" in found.message
    assert found.message.endswith("its best time is R3 to R5, which ended on 24 August, 1 day before")
    assert (found.evidence["pass_date"], found.evidence["best_ended"]) == ("2026-08-25", "2026-08-24")
    assert found.evidence["days_late"] == 1


def test_tim02_counts_the_bare_days_and_says_from_when(tmp_path: Path) -> None:
    # label days 21: 2 to 22 July; the published interval for rust (14 to 21 days, common practice, no source) is no
    # longer than that; next pass 11 August, so 23 July to 10 August are bare: 9 days of July and 10 of August
    passes = [{"date": day, "tank": ["Demo Long"]} for day in ("2026-07-02", "2026-08-11")]
    found = finding(tmp_path, "TIM02", [RUST], *passes)
    assert "for 19 days between passes 1 and 2, from 23 July to 10 August" in found.message
    assert found.evidence["days"] == 19
    assert (found.evidence["bare_from"], found.evidence["bare_to"]) == ("2026-07-23", "2026-08-10")


def test_tim02_says_from_when_new_leaves_are_bare(tmp_path: Path) -> None:
    # chlorothalonil protects no leaf to come (Iowa State extension, read); that soybean still unfolds leaves after R1
    # is not sure before R6 (Fehr and Caviness 1977, from memory), so the sentence says so
    passes = [{"date": day, "tank": ["Demo Coat"]} for day in ("2026-07-04", "2026-08-11")]
    found = finding(tmp_path, "TIM02", [RUST], *passes)
    assert "leaves that unfold after pass 1, if any do, are bare from 5 July on" in found.message
    assert found.evidence["new_leaves_bare_from"] == "2026-07-05"
    early = [{"date": day, "tank": ["Demo Coat"]} for day in ("2026-06-30", "2026-08-11")]
    assert "leaves that unfold after pass 1 are bare from " in finding(tmp_path, "TIM02", [RUST], *early).message


def test_tim02_of_a_cut_rate_is_the_least_gap(tmp_path: Path) -> None:
    # half the label's least rate: the gap is 19 days at full cover, so at least 19
    passes = [{"date": day, "tank": ["Demo Long"]} for day in ("2026-07-02", "2026-08-11")]
    found = finding(tmp_path, "TIM02", [RUST], passes[0] | {"rate": "0.25 L/ha"}, passes[1])
    assert "for at least 19 days" in found.message


def test_tim03_sets_the_cover_of_the_pass_beside_the_windows(tmp_path: Path) -> None:
    # 5 June and 10 days by the label: to 14 June; white mold infects from R1 to R3 (catalogue, recalled)
    found = finding(tmp_path, "TIM03", [MOLD], {"date": "2026-06-05", "stage": "V4", "tank": ["Demo Short"]})
    assert found.message.startswith("pass 1 on 5 June at V4, its cover to 14 June, meets no disease")
    assert "R1 to R3: 2 July to 16 July" in found.message
    assert (found.evidence["pass_date"], found.evidence["covered_to"]) == ("2026-06-05", "2026-06-14")


def test_res02_says_the_pass_and_the_windows_it_meets(tmp_path: Path) -> None:
    found = finding(tmp_path, "RES02", [MOLD], {"date": "2026-07-06", "tank": ["Demo Coat"]})
    assert found.message.startswith("nothing in pass 1 on 6 July works on")
    assert "(from 2 July to 16 July)" in found.message
    assert found.evidence["windows"] == ["sclerotinia-stem-rot 2026-07-02 to 2026-07-16"]


def test_res03_says_the_passes_and_how_many_days_the_mode_covers(tmp_path: Path) -> None:
    # 10 days each from 2 July (to 11 July) and from 14 July (to 16 July, where the window ends): 13 of 15 days
    passes = [{"date": day, "tank": ["Demo Short"]} for day in ("2026-07-02", "2026-07-14")]
    found = finding(tmp_path, "RES03", [MOLD], *passes)
    assert "(2 July and 14 July)" in found.message and "on 13 of the 15 days of its window" in found.message
    assert found.evidence["pass_dates"] == ["2026-07-02", "2026-07-14"]


def test_mix05_says_when_the_partner_ends_and_until_when_it_is_needed(tmp_path: Path) -> None:
    # boscalid 10 days from 16 July: to 25 July; prothioconazole 21 days: to 5 August; 26 July to 5 August are 11 days
    found = finding(tmp_path, "MIX05", [FROGEYE], {"date": "2026-07-16", "tank": ["Demo Long", "Demo Short"]})
    assert "covers until 25 July" in found.message and "until 5 August" in found.message
    assert (found.evidence["partner_covers_to"], found.evidence["needed_to"]) == ("2026-07-25", "2026-08-05")
    assert found.evidence["days_short"] == 11


@pytest.mark.parametrize("rule", ["TIM01", "RES02"])
def test_a_season_without_dates_names_none(tmp_path: Path, rule: str) -> None:
    target, stage, name = (FROGEYE, "R6", "Demo Long") if rule == "TIM01" else (MOLD, "R1", "Demo Coat")
    found = finding(tmp_path, rule, [target], {"stage": stage, "tank": [name]}, stages={})
    assert not any(month in found.message for month in ("June", "July", "August")) and "pass_date" not in found.evidence


def test_an_estimated_date_is_marked(tmp_path: Path) -> None:
    given = {"R1": "2026-07-02"}
    found = finding(
        tmp_path, "RES02", [MOLD], {"date": "2026-07-02", "stage": "R1", "tank": ["Demo Coat"]}, stages=given
    )
    assert "(from 2 July to ~" in found.message


def test_tim04_speaks_of_what_is_advised_and_given_only(tmp_path: Path) -> None:
    # against late blight the catalogue advises water (Danish growers' advice, 200 to 300 L/ha) and no droplets
    path = tmp_path / "potatoes.yaml"
    tank = [{"active": "mancozeb", "dose": "1500 g/ha"}]
    passes = [{"date": "2026-06-24", "tank": tank, "water": "150 L/ha"}]
    field = {"crop": "potato", "sown": "2026-05-05", "targets": [{"target": "late-blight"}]}
    path.write_text(yamlio.dump({"programme": 1, "field": field, "passes": passes}), encoding="utf-8")
    report = audit(load_programme(path, catalogue()), catalogue())
    (found,) = [one for one in report.findings if one.rule == "TIM04"]
    assert found.message == "pass 1 against late blight: 150 L/ha (advised from 200 L/ha); the carrier volume"
    assert found.remedy.startswith("use at least 200 L/ha. By size of the haulm;")
    assert found.evidence == {"target": "late-blight", "water": 150, "least_water": 200.0, "unit": "L/ha"}
