"""Fits at the edge of what data can tell, and selection where a class has no value or two codes are one.

Expected values follow from symmetry or from the curve that made the points; no outside source is needed.
"""

from __future__ import annotations

import math
from datetime import date
from pathlib import Path

import pytest
import scipy.optimize

from planner import dose_response as dr
from planner import exposure
from planner.account import Account
from planner.catalogue import Catalogue, load
from planner.model import CropLabel, Field, FieldTarget, Pass, Product, Programme, TankItem

CATALOG = Path(__file__).resolve().parents[1] / "catalog"


def test_a_response_that_rises_with_dose_is_told_with_a_positive_slope() -> None:
    # made by lower + (upper - lower) / (1 + (dose / ed50) ** slope) with 100 at dose 0's far end: rises from 10 to 100
    doses = [0.0, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 200.0]
    made = dr.LogLogistic(slope=2.0, lower=100.0, upper=10.0, ed50=5.0)
    found = dr.fit_log_logistic(doses, [made.response(dose) for dose in doses])
    assert found.slope == pytest.approx(2.0, rel=1e-4)
    assert (found.lower, found.upper, found.ed50) == pytest.approx((100.0, 10.0, 5.0), rel=1e-4)
    assert found.response(5.0) == pytest.approx(55.0, rel=1e-4)


def test_a_fit_that_does_not_settle_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    def wandering(*_args: object, **_more: object) -> None:
        raise RuntimeError("Optimal parameters not found")

    monkeypatch.setattr(scipy.optimize, "curve_fit", wandering)
    with pytest.raises(ArithmeticError, match="no log-logistic curve fits these 5 observations: Optimal parameters"):
        dr.fit_log_logistic([1.0, 2.0, 3.0, 4.0, 5.0], [5.0, 4.0, 3.0, 2.0, 1.0])


@pytest.mark.parametrize("link", ["probit", "logit"])
def test_counts_of_none_and_of_all_at_the_ends_are_counts_like_others(link: str) -> None:
    # symmetric about dose 1 on the log scale: none of 10, 3, 7, all of 10
    doses = [10**-1.5, 10**-0.5, 10**0.5, 10**1.5]
    found = dr.fit_binomial(doses, [10, 10, 10, 10], [0, 3, 7, 10], link)
    assert found.intercept == pytest.approx(0.0, abs=1e-9)
    assert found.ed50 == pytest.approx(1.0, rel=1e-9)
    assert found.share(10**0.5) == pytest.approx(1 - found.share(10**-0.5), rel=1e-9)
    # deviance 2 sum k ln(k / n p), the two ends counting once each, by the fitted shares
    ends, middle = found.share(10**-1.5), found.share(10**-0.5)
    inner = 3 * math.log(0.3 / middle) + 7 * math.log(0.7 / (1 - middle))
    assert found.deviance == pytest.approx(2 * (2 * 10 * math.log(1 / (1 - ends)) + 2 * inner), rel=1e-9)


def test_one_dose_alone_determines_no_line() -> None:
    with pytest.raises(ValueError, match="a line needs at least two doses above 0"):
        dr.fit_binomial([1.0, 1.0, 1.0], [10, 10, 10], [5, 4, 6])


TARGET = "frogeye-leaf-spot"


def account(catalogue: Catalogue, *actives: str, country: str | None = "US", rated: bool = False) -> Account:
    """One pass at R3 with these actives; ``rated``: each from a product whose label calls it good."""
    field = Field(
        crop="soybean", country=country, stages={"R1": date(2026, 7, 1), "R3": date(2026, 7, 15)},
        harvest=date(2026, 9, 30), targets=(FieldTarget(target=TARGET, pressure="high"),),
    )  # fmt: skip
    label = CropLabel(rate_least=0.5, rate_most=1.0, targets={TARGET: "good"})
    products = tuple(Product(name=name, actives={name: 100.0}, labels={"soybean": label}) for name in actives)
    tank = tuple(
        TankItem(product=name, rate=1.0, unit="L/ha") if rated else TankItem(active=name, dose=100.0)
        for name in actives
    )
    passes = (Pass(number=1, date=date(2026, 7, 15), tank=tank),)
    return Account(Programme(field=field, products=products if rated else (), passes=passes), catalogue)


def test_a_class_without_a_value_is_left_out_with_the_reason(tmp_path: Path) -> None:
    text = (CATALOG / "selection.yaml").read_text(encoding="utf-8")
    lost = "    none: {omega: 0.0, also: [lost, no control]}\n"
    assert lost in text
    (tmp_path / "selection.yaml").write_text(text.replace(lost, ""), encoding="utf-8")
    one = account(load(catalog_dirs=[tmp_path]), "azoxystrobin")
    met = exposure.exposure(one, one.targets[0])
    assert met.sprays == []
    assert [(entry.what, entry.why) for entry in met.left_out] == [("azoxystrobin", "no value for the class 'lost'")]


def test_a_strain_that_resists_one_of_two_joined_codes_resists_both_so_no_pair_is_told() -> None:
    # 11 and 11A are one for mixing and succession (contract, section 5, "Group"); 7 is another
    one = account(load(), "azoxystrobin", "metyltetraprole", "boscalid", country=None, rated=True)
    met = exposure.exposure(one, one.targets[0])
    assert met.joined["FRAC 11"] == ("FRAC 11A",)
    told = {frozenset(pair["groups"]) for pair in exposure.pair_rows(one, met)}
    assert told == {frozenset(("FRAC 11", "FRAC 7")), frozenset(("FRAC 11A", "FRAC 7"))}
