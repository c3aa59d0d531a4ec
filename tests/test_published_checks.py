"""The check values of the published recommendations (issue: what the audit must reach), each with its source."""

from __future__ import annotations

import datetime
from typing import Any

import pytest

from planner.audit import audit
from planner.catalogue import Catalogue, load
from planner.model import AuditReport, CropLabel, Field, FieldTarget, Finding, Pass, Product, Programme, TankItem

JULY = datetime.date(2026, 7, 1)


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load()


def judged(catalogue: Catalogue, crop: str, passes: list[tuple[Any, list[str]]], **field: Any) -> AuditReport:
    """Audit passes given as (stage or day offset, actives)."""
    targets = tuple(
        FieldTarget(target=catalogue.target(crop, name).id, pressure="moderate") for name in field.pop("targets", ())
    )
    made = tuple(
        Pass(
            number=number,
            stage=when if isinstance(when, str) else None,
            date=JULY + datetime.timedelta(days=when) if isinstance(when, int) else None,
            tank=tuple(TankItem(active=name, dose=100.0) for name in use),
        )
        for number, (when, use) in enumerate(passes, start=1)
    )
    programme = Programme(field=Field(crop=crop, targets=targets or None, **field), passes=made)
    return audit(programme, catalogue)


def of(report: AuditReport, rule: str) -> list[Finding]:
    return [finding for finding in report.findings if finding.rule == rule]


def test_three_qoi_in_wheat_breach_the_published_two(catalogue: Catalogue) -> None:
    """FRAC QoI Working Group, QoI guidelines for cereals, December 2018: at most two."""
    report = judged(catalogue, "wheat", [(stage, ["azoxystrobin", "folpet"]) for stage in ("Z31", "Z39", "Z59")])
    (finding,) = of(report, "LIM01")
    assert (finding.severity, finding.passes, finding.evidence["most"]) == ("breach", (1, 2, 3), 2)


def test_two_qoi_and_one_11a_are_allowed(catalogue: Catalogue) -> None:
    """FRAC news on the QoI Working Group, 17 June 2020: the maximum rises by one when both codes are used."""
    passes = [
        ("Z31", ["azoxystrobin", "folpet"]),
        ("Z39", ["azoxystrobin", "folpet"]),
        ("Z59", ["metyltetraprole", "folpet"]),
    ]
    assert not of(judged(catalogue, "wheat", passes), "LIM01")
    passes.append(("Z61", ["metyltetraprole", "folpet"]))
    assert of(judged(catalogue, "wheat", passes), "LIM01")


def test_qoi_alone_in_wheat_is_a_breach(catalogue: Catalogue) -> None:
    """FRAC QoI guidelines for cereals, December 2018: only in mixture."""
    (finding,) = of(judged(catalogue, "wheat", [("Z39", ["azoxystrobin"])]), "MIX01")
    assert finding.severity == "breach"


@pytest.mark.parametrize(
    "pair",
    [
        ["metyltetraprole", "azoxystrobin"],  # FRAC news on the QoI Working Group, 17 June 2020
        ["fluxapyroxad", "benzovindiflupyr"],  # FRAC SDHI page, March 2022
    ],
)
def test_partners_of_one_group_are_no_mixture(catalogue: Catalogue, pair: list[str]) -> None:
    (finding,) = of(judged(catalogue, "wheat", [("Z39", pair)]), "MIX02")
    assert finding.severity == "breach"


def botrytis(catalogue: Catalogue, total: int, aps: int) -> AuditReport:
    """Botrytis treatments of a vine, the anilinopyrimidines spread out over the season."""
    step = max(1, total // max(aps, 1))
    with_ap = set(range(0, total, step))
    passes = [
        (14 * at, ["cyprodinil", "fludioxonil"] if at in sorted(with_ap)[:aps] else ["fenhexamid"])
        for at in range(total)
    ]
    stages = {"BBCH65": JULY, "BBCH89": JULY + datetime.timedelta(days=140)}
    return judged(catalogue, "grapevine", passes, targets=["botrytis-bunch-rot"], stages=stages)


@pytest.mark.parametrize(("total", "most"), [(3, 1), (4, 2), (6, 2), (7, 3)])
def test_anilinopyrimidines_on_botrytis(catalogue: Catalogue, total: int, most: int) -> None:
    """FRAC AP Working Group, 2022: treatments 3, 4, 6, 7 allow 1, 2, 2, 3."""
    assert not of(botrytis(catalogue, total, most), "LIM01")
    assert of(botrytis(catalogue, total, most + 1), "LIM01")


def blight(catalogue: Catalogue, total: int, osbpi: int, crop: str = "potato") -> AuditReport:
    """Late blight (or vine downy mildew) sprays with the OSBPI in every second pass from the second on."""
    hit = {at % total for at in range(0 if 2 * osbpi > total else 1, 2 * osbpi + 1, 2)} if osbpi else set()
    hit = set(sorted(hit)[:osbpi])
    potato = crop == "potato"
    passes = [
        (
            7 * at,
            ["oxathiapiprolin", "fluazinam" if potato else "folpet"]
            if at in hit
            else ["fluazinam" if potato else "folpet"],
        )
        for at in range(total)
    ]
    if potato:
        stages = {"BBCH39": JULY, "BBCH95": JULY + datetime.timedelta(days=100)}
        return judged(catalogue, crop, passes, targets=["late-blight"], stages=stages)
    stages = {"BBCH53": JULY, "BBCH89": JULY + datetime.timedelta(days=120)}
    return judged(catalogue, crop, passes, targets=["downy-mildew"], stages=stages)


@pytest.mark.parametrize(("total", "most"), [(5, 1), (6, 2), (10, 2), (11, 3)])
def test_osbpi_on_late_blight(catalogue: Catalogue, total: int, most: int) -> None:
    """FRAC OSBPI Working Group, January 2024: passes 5, 6, 10, 11 allow 1, 2, 2, 3."""
    assert not of(blight(catalogue, total, most), "LIM01")
    assert of(blight(catalogue, total, most + 1), "LIM01")


@pytest.mark.parametrize(("total", "most"), [(4, 1), (5, 2)])
def test_osbpi_on_vine_downy_mildew(catalogue: Catalogue, total: int, most: int) -> None:
    """FRAC OSBPI Working Group, January 2024: 4 and 5 passes allow 1 and 2."""
    assert not of(blight(catalogue, total, most, "grapevine"), "LIM01")
    assert of(blight(catalogue, total, most + 1, "grapevine"), "LIM01")


def test_two_osbpi_in_a_row_breach(catalogue: Catalogue) -> None:
    """FRAC OSBPI Working Group, January 2024: not in consecutive sprays."""
    passes = [(7 * at, ["oxathiapiprolin", "folpet"] if at in (1, 2) else ["folpet"]) for at in range(5)]
    stages = {"BBCH53": JULY, "BBCH89": JULY + datetime.timedelta(days=120)}
    (finding,) = of(judged(catalogue, "grapevine", passes, targets=["downy-mildew"], stages=stages), "LIM03")
    assert (finding.severity, finding.passes) == ("breach", (2, 3))


def test_phenylamide_runs_intervals_and_partner_rate(catalogue: Catalogue) -> None:
    """FRAC Phenylamide Expert Forum, March 2020: runs of two, 14 days, partner at three quarters of its rate."""
    stages = {"BBCH31": JULY, "BBCH95": JULY + datetime.timedelta(days=90)}
    passes = [(10 * at, ["metalaxyl-m", "mancozeb"]) for at in range(3)]
    assert of(judged(catalogue, "potato", passes, targets=["late-blight"], stages=stages), "LIM03")
    late = [(0, ["metalaxyl-m", "mancozeb"]), (15, ["mancozeb"])]
    (finding,) = of(judged(catalogue, "potato", late, targets=["late-blight"], stages=stages), "LIM04")
    assert finding.evidence["days"] == 15
    product = Product(
        name="Demo Flint 750 WG",
        amount_unit="kg/ha",
        actives={"mancozeb": 750.0},
        labels={"potato": CropLabel(rate_least=0.5, rate_most=2.0)},
    )
    for rate, fires in ((1.0, True), (1.5, False)):
        tank = (TankItem(active="metalaxyl-m", dose=100.0), TankItem(product=product.name, rate=rate, unit="kg/ha"))
        programme = Programme(
            field=Field(crop="potato", targets=(FieldTarget(target="late-blight"),), stages=stages),
            products=(product,),
            passes=(Pass(number=1, date=JULY, stage="BBCH31", tank=tank),),
        )
        assert bool(of(audit(programme, catalogue), "MIX04")) is fires


def test_a_single_mode_on_frogeye_fires_mix06(catalogue: Catalogue) -> None:
    """Mississippi State University Extension, row soy-fls-two-moa: two modes on a susceptible variety."""
    field = Field(
        crop="soybean",
        country="US",
        targets=(FieldTarget(target="frogeye-leaf-spot", pressure="high", cultivar="susceptible"),),
    )
    programme = Programme(
        field=field, passes=(Pass(number=1, stage="R3", tank=(TankItem(active="prothioconazole", dose=100.0),)),)
    )
    (finding,) = of(audit(programme, catalogue), "MIX06")
    assert finding.severity == "caution"


def test_qoi_alone_on_frogeye_in_the_united_states(catalogue: Catalogue) -> None:
    """Zhang et al. 2018, Plant Health Progress 19:295-302: G143A in 14 states; more since."""
    report = judged(catalogue, "soybean", [("R3", ["azoxystrobin"])], country="US", targets=["frogeye-leaf-spot"])
    (finding,) = of(report, "RES01")
    assert "G143A" in finding.message
    assert report.verdict == "breaches"


def test_qoi_at_heading_of_wheat_with_head_blight(catalogue: Catalogue) -> None:
    """US Wheat and Barley Scab Initiative; NDSU Extension 2017: no group 11 at heads."""
    report = judged(
        catalogue, "wheat", [("F10.5", ["azoxystrobin", "prothioconazole"])], targets=["fusarium-head-blight"]
    )
    assert of(report, "TIM05")


def test_anilinopyrimidines_outside_botrytis_half_of_all(catalogue: Catalogue) -> None:
    """FRAC AP Working Group, 2022: outside Botrytis and Venturia at most half of the applications."""
    passes = [(14 * at, ["cyprodinil", "folpet"] if at in (0, 2, 4, 5, 7) else ["folpet"]) for at in range(8)]
    stages = {"BBCH57": JULY, "BBCH89": JULY + datetime.timedelta(days=150)}
    report = judged(catalogue, "grapevine", passes, targets=["powdery-mildew"], stages=stages)
    assert of(report, "LIM02")


def test_rust_resistance_in_brazil_is_known(catalogue: Catalogue) -> None:
    """Crop Protection 2021, doi 10.1016/j.cropro.2021.105618; Pest Manag Sci 72:1211-1215: groups 3, 7, 11."""
    for active in ("tebuconazole", "benzovindiflupyr", "azoxystrobin"):
        report = judged(catalogue, "soybean", [("R1", [active])], country="BR", targets=["asian-soybean-rust"])
        assert of(report, "RES01"), active
