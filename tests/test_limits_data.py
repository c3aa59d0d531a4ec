# ruff: noqa: E501  (rows of tables stand in one line)
"""The published limits: every row of the reference list with every key that a rule reads.

``shared/reference/limit_rows.jsonl`` holds one compact line for each of the 259 rows that were collected from FRAC,
national bodies and extension services (sources stand in ``rules/limits``); it is made from the collectors' files, not
from the data that it checks. What the publications say in numbers is checked below with its source.
"""

from __future__ import annotations

import json
from collections import Counter
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from planner import yamlio
from planner.catalogue import Catalogue, load
from planner.catalogue_list import value_words
from planner.model import Limit
from planner.places import folder

ROOT = Path(__file__).resolve().parent.parent
ROWS: list[dict[str, Any]] = [
    json.loads(line)
    for line in (ROOT / "shared" / "reference" / "limit_rows.jsonl").read_text(encoding="utf-8").splitlines()
]
SHARES = {
    "max_share_of_total", "max_share_of_protection_period", "partner_min_rate_fraction", "min_rate_fraction",
    "reduced_rate_allowed",
}  # fmt: skip


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load()


def test_all_rows_and_no_other(catalogue: Catalogue) -> None:
    assert len(ROWS) == 259  # 121 rows of FRAC and 138 bound to a place
    assert sorted(limit.id for limit in catalogue.limits) == sorted(row["id"] for row in ROWS)


@pytest.mark.parametrize("row", ROWS, ids=[row["id"] for row in ROWS])
def test_row_is_there_with_every_key(row: dict[str, Any], catalogue: Catalogue) -> None:
    limit = catalogue.limit(row["id"])
    value = row["value"]
    if row["kind"] in SHARES:
        value = float(Fraction(str(value)))
    assert limit.kind == row["kind"] and limit.value == value and type(limit.value) is type(value)
    for key in ("codes", "crops", "targets", "countries", "adjusts", "codes_from", "unless_codes", "actives", "partners_named",
                "except_targets", "crops_except", "then_codes"):  # fmt: skip
        empty: Any = "" if key == "codes_from" else []
        found = getattr(limit, key)
        assert (list(found) if isinstance(found, tuple) else found) == row.get(key, empty), key
    for key in ("uses", "combine", "codes_not_in", "superseded_by", "scope", "strength"):
        assert getattr(limit, key) == row.get(key, ""), key
    for key in ("needs", "after", "blocks", "crops_from_memory", "also"):
        assert getattr(limit, key) == row.get(key, {}), key
    for key in ("target_passes", "group_passes", "stages"):
        found = getattr(limit, key)
        assert (None if found is None else list(found)) == row.get(key), key
    assert limit.counted == row.get("counted", "each")
    assert (limit.last_pass, limit.adjacent_only) == (row.get("last_pass", False), row.get("adjacent_only", False))
    assert limit.preferred == row.get("preferred")
    assert [(one.target, one.from_stage, one.value) for one in limit.exceptions] == [
        (one["target"], one["from_stage"], one["value"]) for one in row.get("exceptions", [])
    ]
    assert limit.date == row.get("date", "") and limit.date_grade == row.get("date_grade", "")
    assert (limit.backing.grade, limit.backing.confidence) == (row["grade"], row.get("confidence"))


def test_every_row_is_sourced_graded_and_explained(catalogue: Catalogue) -> None:
    for limit in catalogue.limits:
        assert limit.backing.sources and all(key in catalogue.sources for key in limit.backing.sources), limit.id
        assert limit.text.endswith(".") or len(limit.text) > 20
        assert limit.kind in catalogue.kinds
    assert Counter(limit.backing.grade for limit in catalogue.limits) == {"read": 209, "recalled": 50}


def test_shares_stay_fractions_in_the_files() -> None:
    for path in (folder("rules") / "limits").glob("*-*.yaml"):
        document = yamlio.read(path)
        for index, row in enumerate(document.data.get("limits", [])):
            if row["kind"] == "max_share_of_total":
                text = document.scalar_text(("limits", index, "value"))
                assert text and "/" in text, (path.name, row["id"])


# --- kinds: the contract's table of rules names the kinds that feed each ------------------------------------

FED = {
    "LBL03": {"reduced_rate_allowed"},
    "ROT01": set(),
    "ROT02": {"not_mixed_or_adjacent"},
    "ROT05": {"change_active", "max_applications_per_active", "not_paired_actives"},
    "LIM01": {"max_applications", "max_applications_adjust", "no_repeated_solo_use"},
    "LIM02": {"max_share_of_total"},
    "LIM03": {"max_consecutive"},
    "LIM04": {"max_interval_days"},
    "LIM05": {"stage_window", "not_first_in_programme"},
    "MIX01": {"mixture_required", "no_solo_use"},
    "MIX02": {"same_group_mixture_not_valid"},
    "MIX03": {"mixture_required", "partner_must_be_effective"},
    "MIX04": {"partner_min_rate_fraction", "min_rate_fraction"},
    "MIX06": {"min_moa_in_mixture", "multisite_required"},
    "RES01": {"use_other_group"},
}


@pytest.mark.parametrize("rule", sorted(FED))
def test_kinds_feed_the_rules_of_the_contract(rule: str, catalogue: Catalogue) -> None:
    fed = {kind.kind for kind in catalogue.kinds.values() if rule in kind.rules or rule in kind.fact_for}
    assert FED[rule] <= fed


def test_every_kind_is_checked_a_fact_or_carried(catalogue: Catalogue) -> None:
    for kind in catalogue.kinds.values():
        assert bool(kind.rules) + bool(kind.fact_for) + kind.carried == 1, kind.kind
    carried = {kind.kind for kind in catalogue.kinds.values() if kind.carried}
    assert "no_curative_use" in carried and "max_applications" not in carried
    assert {limit.kind for limit in catalogue.limits} <= set(catalogue.kinds)


# --- what the publications print ---------------------------------------------------------------------------


def rows_for(catalogue: Catalogue, kind: str, code: str, crop: str, country: str | None = None) -> list[Limit]:
    own = catalogue.crop(crop)
    found = catalogue.limits_for(crop, own.crop_class, country)
    return [limit for limit, _regional in found.get(kind, []) if code in limit.codes]


def test_two_qoi_sprays_in_cereals_and_one_more_with_11a(catalogue: Catalogue) -> None:
    """FRAC QoI Guidelines - Cereals, December 2018; FRAC news of 17 June 2020."""
    most = {limit.id: limit for limit in rows_for(catalogue, "max_applications", "11", "wheat")}
    assert all(limit.value == 2 for limit in most.values()) and "qoi-cereals-max" in most
    assert most["qoi-cereals-max"].codes == ("11", "11A") and most["qoi-cereals-max"].counted == "together"
    more = rows_for(catalogue, "max_applications_adjust", "11A", "barley")
    assert [limit.value for limit in more] == [1] and more[0].adjusts == ("qoi-cereals-max",)
    assert rows_for(catalogue, "mixture_required", "11", "wheat")
    assert not rows_for(catalogue, "mixture_required", "11", "corn")


@pytest.mark.parametrize(
    ("crop", "code", "pathogen", "passes", "most"),
    [
        # FRAC AP recommendations, 17 January 2022: one, two and three against Botrytis
        *(("grapevine", "9", "Botrytis cinerea", n, m) for n, m in ((3, 1), (4, 2), (6, 2), (7, 3))),
        # FRAC OSBPI recommendations, January 2024: late blight on potato, downy mildew on vine
        *(("potato", "49", "Phytophthora infestans", n, m) for n, m in ((5, 1), (6, 2), (10, 2), (11, 3))),
        *(("grapevine", "49", "Plasmopara viticola", n, m) for n, m in ((4, 1), (5, 2))),
    ],
)
def test_maximum_by_number_of_passes(
    catalogue: Catalogue, crop: str, code: str, pathogen: str, passes: int, most: int
) -> None:
    holding = [
        limit
        for limit in rows_for(catalogue, "max_applications", code, crop)
        if pathogen in limit.targets and not limit.needs and limit.target_passes is not None
        and (limit.target_passes[0] or 0) <= passes <= (limit.target_passes[1] or 99)
    ]  # fmt: skip
    assert [limit.value for limit in holding] == [most]


def test_tables_say_the_same_as_the_rows_and_are_not_checked(catalogue: Catalogue) -> None:
    assert len(catalogue.tables) == 6 and not any(table.use for table in catalogue.tables.values())
    botrytis = dict(catalogue.tables["ap-botrytis-by-total"].values)
    assert [botrytis[n] for n in (3, 4, 6, 7)] == [1, 2, 2, 3]
    blight = dict(catalogue.tables["osbpi-potato-by-total"].values)
    assert [blight[n] for n in (5, 6, 10, 11)] == [1, 2, 2, 3]
    mildew = dict(catalogue.tables["osbpi-grape-by-total"].values)
    assert [mildew[n] for n in (4, 5)] == [1, 2]
    # a third of n solo and half of n mixed, one at least (NA-FRAC QoI guideline on US labels, recalled)
    solo = dict(catalogue.tables["qoi-solo-by-total-derived"].values)
    mixed = dict(catalogue.tables["qoi-mixture-by-total-derived"].values)
    assert solo == {n: max(1, n // 3) for n in range(1, 13)} and mixed == {n: max(1, n // 2) for n in range(1, 13)}
    assert catalogue.tables["sdhi-by-total-not-read"].values == ()


def test_phenylamides(catalogue: Catalogue) -> None:
    """FRAC phenylamides, March 2020: two in a row, 14 days, partners at three quarters of their rate."""
    values = {
        kind: {limit.value for limit in rows_for(catalogue, kind, "4", "potato")}
        for kind in ("max_consecutive", "max_interval_days", "partner_min_rate_fraction")
    }
    assert 2 in values["max_consecutive"] and 14 in values["max_interval_days"]
    assert values["partner_min_rate_fraction"] == {0.75}


@pytest.mark.parametrize(
    ("country", "crop", "code", "kind", "value"),
    [
        # regional notes, "Solid": each stands in its file with its source
        ("FR", "wheat", "7", "max_applications", 1),  # joint cereal note 2017
        ("NZ", "wheat", "7", "max_applications", 2),  # Foundation for Arable Research
        ("DE", "wheat", "11", "max_applications", 1),
        ("DE", "wheat", "7", "max_applications", 1),
        ("DE", "wheat", "3", "min_rate_fraction", 0.7),
        ("FR", "grapevine", "49", "max_applications", 1),  # vine note 2025
        ("FR", "grapevine", "45", "max_applications", 1),
        ("BR", "soybean", "7", "max_applications", 2),  # rust consortium
        ("GB", "wheat", "7", "max_applications", 2),  # recalled
    ],
)
def test_limits_of_one_country(
    catalogue: Catalogue, country: str, crop: str, code: str, kind: str, value: float
) -> None:
    own = [limit for limit in rows_for(catalogue, kind, code, crop, country) if country in limit.countries]
    assert value in [limit.value for limit in own]
    elsewhere = [limit for limit in rows_for(catalogue, kind, code, crop, "CL") if country in limit.countries]
    assert not elsewhere


def test_rows_of_a_region_the_field_does_not_name_are_marked(catalogue: Catalogue) -> None:
    def places(region: str | None) -> dict[str, bool]:
        found = catalogue.limits_for("sugar-beet", "", "US", region)
        return {limit.id: regional for rows in found.values() for limit, regional in rows if limit.countries}

    unnamed, valley, michigan = places(None), places("US-ND"), places("US-MI")
    assert unnamed["us-rrv-beet-run"] is True and valley["us-rrv-beet-run"] is False
    assert "us-rrv-beet-run" not in michigan
    assert unnamed["us-beet-dmi-mixture"] is False  # bound to the country as a whole
    assert not any(limit.countries for rows in catalogue.limits_for("sugar-beet").values() for limit, _ in rows)


def test_superseded_rows_are_kept_and_not_used(catalogue: Catalogue) -> None:
    old = {limit.id for limit in catalogue.limits if limit.superseded_by}
    assert old == {"us-rrv-beet-each-once", "fr-vine-dm-40-2014"}
    used = {limit.id for rows in catalogue.limits_for("grapevine", "", "FR").values() for limit, _ in rows}
    assert not old & used and "fr-vine-dm-40-season" in used


def test_words_for_crops(catalogue: Catalogue) -> None:
    def ids(crop: str) -> set[str]:
        own = catalogue.crop(crop)
        return {limit.id for rows in catalogue.limits_for(crop, own.crop_class).values() for limit, _ in rows}

    everywhere = {limit.id for limit in catalogue.limits if limit.crops == ("all",) and not limit.countries}
    for crop in catalogue.crops:
        assert everywhere <= ids(crop) | {i for i in everywhere if catalogue.limit(i).crops_except}
    assert "qoi-cereals-max" in ids("barley") and "qoi-cereals-max" not in ids("corn")
    others = [limit for limit in catalogue.limits if "other_multi_spray_crops" in limit.crops]
    assert others and all(limit.id not in ids("soybean") for limit in others if len(limit.crops) == 1)
    for limit in catalogue.limits:
        for crop in limit.crops_except:
            if crop in catalogue.crops:
                assert limit.id not in ids(crop)


def test_values_in_words(catalogue: Catalogue) -> None:
    assert value_words(catalogue.limit("qoi-cereals-max")) == "2"
    assert value_words(catalogue.limit("qoi-cereals-mixture")) == ""
    assert value_words(catalogue.limit("qoi-multispray-mix-share")) == "50%"
    assert value_words(catalogue.limit("us-mo-soy-fls-window")) == "R3 to R6"
    assert value_words(catalogue.limit("ch-potato-pa-date")) == "latest_date 07-31"
