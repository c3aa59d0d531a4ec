"""``planner compare`` and the selection rows of an audit.

Held against: hand sums (cost over price), a quadrature of the published integrand by SciPy with the catalogue's values
(van den Bosch et al. 2014 for the principle; values in ``catalog/selection.yaml``), root finding by SciPy for the
half-life at which a ranking turns, and plain set differences of two audits. Products, prices and fields are invented.
"""

from __future__ import annotations

import json
import math
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

from planner import cli, exits
from planner.audit import audit
from planner.catalogue import Catalogue, load
from planner.compare import Comparison, compare
from planner.compare_findings import expand
from planner.documents import load_programme
from planner.errors import InputError
from planner.render import chart
from planner.render import compare as shown

ROOT = Path(__file__).resolve().parent.parent
SCENARIOS = ROOT / "shared" / "scenarios"

FIELD = """field: 1
name: Invented Field
crop: soybean
area: 70 ac
sown: 2026-05-10
stages: {R1: 2026-07-01, R6: 2026-08-30}
harvest: 2026-10-05
targets:
  - {target: frogeye-leaf-spot, pressure: moderate}
grain: {yield: 55 bu/ac, price: 8.50 per bu}
currency: USD
application: {cost: 9 per ac}
"""
PRODUCTS = """products: 1
currency: USD
demo: true
products:
  - name: Demo One
    actives: {azoxystrobin: 250 g/L}
    price: 96 per gal
    label:
      soybean: {rate: [0.4 L/ha, 0.8 L/ha], targets: {frogeye-leaf-spot: excellent}}
  - name: Demo Other
    actives: {pyraclostrobin: 250 g/L}
    price: 96 per gal
    label:
      soybean: {rate: [0.4 L/ha, 0.8 L/ha], targets: {frogeye-leaf-spot: excellent}}
  - name: Demo Third
    actives: {difenoconazole: 250 g/L}
    price: 80 per gal
    label:
      soybean: {rate: [0.25 L/ha, 0.5 L/ha], targets: {frogeye-leaf-spot: good}}
  - name: Demo Multi
    actives: {chlorothalonil: 720 g/L}
    price: 320 per gal
    label:
      soybean: {rate: [1 pt/ac, 2 pt/ac], targets: {frogeye-leaf-spot: fair}}
  - name: Demo Riddle
    actives: {fluazinam: 500 g/L}
    label:
      soybean: {rate: [0.5 L/ha, 1 L/ha]}
"""
OMEGA = {"excellent": 0.92, "good": 0.62, "fair": 0.47}  # catalog/selection.yaml: middle of the class, our reading
THETA, THETA_MULTI, HALF = 9.6, 9.9, 5.5


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load()


@pytest.fixture
def farm(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "field.yaml").write_text(FIELD, encoding="utf-8")
    (tmp_path / "shop.yaml").write_text(PRODUCTS, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def plan(folder: Path, name: str, *passes: tuple[str, str], field: str = "field.yaml", more: str = "") -> Path:
    """A programme document; a pass is its date and the inside of its tank."""
    lines = [f"programme: 1\nname: {name}\nfield: {field}\nproducts: shop.yaml\npasses:"]
    lines += [f"  - {{date: {day}, tank: [{tank}]}}" for day, tank in passes]
    path = folder / f"{name}.yaml"
    path.write_text("\n".join(lines) + "\n" + more, encoding="utf-8")
    return path


ONE = "{product: Demo One, rate: 0.8 L/ha}"
OTHER = "{product: Demo Other, rate: 0.8 L/ha}"
THIRD = "{product: Demo Third, rate: 0.5 L/ha}"
MULTI = "{product: Demo Multi, rate: 2 pt/ac}"
HALF_MULTI = "{product: Demo Multi, rate: 1 pt/ac}"
RIDDLE = "{product: Demo Riddle, rate: 1 L/ha}"


def held(catalogue: Catalogue, *paths: Path, **options: Any) -> Comparison:
    return compare([load_programme(path, catalogue) for path in paths], catalogue, **options)


def days(sprays: list[tuple[float, float, float, bool]], end: float, half: float = HALF) -> float:
    """Selection days of the group marked True, by SciPy: sprays are day, omega, theta and whether of the group."""
    lam = math.log(2) / half

    def gain(t: float) -> float:
        inside = outside = 1.0
        for key in {(omega, theta, own) for _, omega, theta, own in sprays}:
            left = sum(math.exp(-lam * (t - day)) for day, *rest in sprays if tuple(rest) == key and day <= t)
            kept = 1 - key[0] * (1 - math.exp(-key[1] * left))
            if key[2]:
                inside *= kept
            else:
                outside *= kept
        return outside * (1 - inside)

    edges = sorted({0.0, end, *(day for day, *_ in sprays)})
    return math.fsum(quad(gain, low, high, epsabs=1e-10)[0] for low, high in pairwise(edges))


def row(found: Comparison, group: str) -> dict[str, Any]:
    return next(one for one in found.selection if one["group"] == group)


# --- money ------------------------------------------------------------------------------------------------------------


def test_difference_in_money_and_bushels_is_the_hand_sum(farm: Path, catalogue: Catalogue) -> None:
    """A partner at 1 pt/ac and 320 a gallon (8 pt) costs 40 an acre; at 8.50 a bushel that is 40 / 8.50 = 4.7 bu/ac."""
    solo = plan(farm, "solo", ("2026-07-10", ONE))
    mixed = plan(farm, "mixed", ("2026-07-10", f"{ONE}, {HALF_MULTI}"))
    found = held(catalogue, solo, mixed)
    cost = found.cost[0]
    assert cost["per_ac"] == pytest.approx(40.0, abs=1e-3)
    assert cost["grain_bu_ac"] == pytest.approx(40 / 8.50, abs=1e-3)
    assert cost["per_ha"] == pytest.approx(40.0 * 2.4710538, rel=1e-6)  # acres in a hectare, NIST Handbook 44
    said = "\n".join(line.plain for line in shown.text(found, units="us"))
    assert "B against A: costs USD 40.00 per ac more, which is 4.7 bu/ac of grain at USD 8.50 per bu." in said
    each = [cell["per_ha"] for cell in found.passes[0]["cells"]]
    assert each[1] - each[0] == pytest.approx(cost["per_ha"], abs=1e-3)
    back = held(catalogue, mixed, solo)
    assert back.cost[0]["per_ac"] == pytest.approx(-40.0, abs=1e-3)
    assert "USD 40.00 per ac less" in "\n".join(line.plain for line in shown.text(back, units="us"))


def test_cost_without_a_price_is_not_assessed_unless_it_cancels(farm: Path, catalogue: Catalogue) -> None:
    solo = plan(farm, "solo", ("2026-07-10", ONE))
    riddle = plan(farm, "riddle", ("2026-07-10", f"{ONE}, {RIDDLE}"))
    cost = held(catalogue, solo, riddle).cost[0]
    assert cost["per_ha"] is None and "Demo Riddle" in cost["not_assessed"]
    both = plan(farm, "both", ("2026-07-10", f"{ONE}, {HALF_MULTI}, {RIDDLE}"))
    assert held(catalogue, riddle, both).cost[0]["per_ac"] == pytest.approx(40.0, abs=1e-3)
    (farm / "dear.yaml").write_text(FIELD.replace("application: {cost: 9 per ac}\n", ""), encoding="utf-8")
    one = plan(farm, "one", ("2026-07-10", ONE), field="dear.yaml")
    two = plan(farm, "two", ("2026-07-10", ONE), ("2026-07-30", THIRD), field="dear.yaml")
    assert "the application" in held(catalogue, one, two).cost[0]["not_assessed"]


def test_no_grain_price_no_bushels(farm: Path, catalogue: Catalogue) -> None:
    (farm / "poor.yaml").write_text(FIELD.replace(", price: 8.50 per bu", ""), encoding="utf-8")
    solo = plan(farm, "solo", ("2026-07-10", ONE), field="poor.yaml")
    mixed = plan(farm, "mixed", ("2026-07-10", f"{ONE}, {HALF_MULTI}"), field="poor.yaml")
    cost = held(catalogue, solo, mixed).cost[0]
    assert cost["per_ac"] == pytest.approx(40.0, abs=1e-3)
    assert cost["grain_bu_ac"] is None and "grain price" in cost["grain_not_assessed"]


# --- the index --------------------------------------------------------------------------------------------------------


def test_index_and_ratio_equal_a_quadrature_by_scipy(farm: Path, catalogue: Catalogue) -> None:
    """Two solo passes against two mixed ones; window R1 to R6, 60 days, first pass on day 0."""
    solo = plan(farm, "solo", ("2026-07-01", ONE), ("2026-07-22", ONE))
    mixed = plan(farm, "mixed", ("2026-07-01", f"{ONE}, {MULTI}"), ("2026-07-22", f"{ONE}, {MULTI}"))
    own = [(0.0, OMEGA["excellent"], THETA, True), (21.0, OMEGA["excellent"], THETA, True)]
    beside = [(0.0, OMEGA["fair"], THETA_MULTI, False), (21.0, OMEGA["fair"], THETA_MULTI, False)]
    a, b = days(own, 60.0), days(own + beside, 60.0)
    found = row(held(catalogue, solo, mixed), "FRAC 11")
    assert [cell["days"] for cell in found["cells"]] == pytest.approx([a, b], abs=2e-3)
    assert found["cells"][1]["ratio"] == pytest.approx(b / a, abs=1e-3)
    band = found["cells"][0]["band"]
    values = [days(own, 60.0, half) for half in range(3, 11)]
    assert (band["low"], band["high"]) == pytest.approx((min(values), max(values)), abs=2e-3)
    other = found["against"][0]
    assert other["verdict"] == "less"
    assert other["difference"] == pytest.approx(b - a, abs=2e-3)
    assert sum(one["days"] for one in other["drivers"]) == pytest.approx(other["difference"], abs=0.1)
    assert other["drivers"][0]["cause"] == "partners"
    assert other["drivers"][0]["programme"] == "A"
    assert "has no partner that works" in other["drivers"][0]["text"]
    assert "at its full label rate" in other["drivers"][0]["text"]


def test_days_before_the_window_opens_do_not_count(farm: Path, catalogue: Catalogue) -> None:
    """A pass five days before R1 (30 June would do) leaves residue, and only what is left on day 0 counts."""
    (farm / "late.yaml").write_text(FIELD.replace("R1: 2026-07-01", "R1: 2026-07-06"), encoding="utf-8")
    early = plan(farm, "early", ("2026-07-01", ONE), field="late.yaml")
    programme = load_programme(early, catalogue)
    rows = audit(programme, catalogue).selection
    left = math.exp(-math.log(2) / HALF * 5)
    lam = math.log(2) / HALF
    expected = quad(lambda t: OMEGA["excellent"] * (1 - math.exp(-THETA * left * math.exp(-lam * t))), 0, 55)[0]
    assert rows[0]["selection_days"] == pytest.approx(expected, abs=2e-3)


def test_a_ranking_that_turns_inside_the_band_is_said_to_turn(farm: Path, catalogue: Catalogue) -> None:
    """Two mixed passes against one solo pass: short residues favour the single one, long ones the mixture."""
    twice = plan(farm, "twice", ("2026-07-01", f"{ONE}, {MULTI}"), ("2026-07-22", f"{ONE}, {MULTI}"))
    once = plan(farm, "once", ("2026-07-01", ONE))
    own = [(0.0, OMEGA["excellent"], THETA, True), (21.0, OMEGA["excellent"], THETA, True)]
    mixed = [*own, (0.0, OMEGA["fair"], THETA_MULTI, False), (21.0, OMEGA["fair"], THETA_MULTI, False)]
    turn = brentq(lambda half: days(mixed, 60.0, half) - days(own[:1], 60.0, half), 3, 10)
    comparison = held(catalogue, twice, once)
    other = row(comparison, "FRAC 11")["against"][0]
    assert other["verdict"] == "turns"
    assert other["turns"] == [{"half_life": pytest.approx(turn, abs=0.02), "below": "B", "above": "A"}]
    assert f"B selects less below a half-life of about {turn:.1f} days, A above" in other["text"]
    assert comparison.summary[0]["verdict"] == "turns"
    assert "depends on how long the residues last" in comparison.summary[0]["text"]


def test_the_same_programme_twice_is_alike(farm: Path, catalogue: Catalogue) -> None:
    solo = plan(farm, "solo", ("2026-07-01", ONE))
    again = plan(farm, "again", ("2026-07-01", ONE))
    found = held(catalogue, solo, again)
    assert row(found, "FRAC 11")["against"][0]["verdict"] == "same"
    assert found.summary[0]["verdict"] == "same"
    assert found.cost[0]["per_ha"] == 0.0
    assert not any(found.findings[0][key] for key in ("vanish", "unsure", "new", "changed"))


def test_product_changed_group_did_not(farm: Path, catalogue: Catalogue) -> None:
    found = held(catalogue, plan(farm, "a", ("2026-07-01", ONE)), plan(farm, "b", ("2026-07-01", OTHER)))
    assert found.passes[0]["notes"] == ["B against A: the product changed, the group did not"]
    assert row(found, "FRAC 11")["against"][0]["verdict"] == "same"


def test_an_unknown_fact_names_no_winner_until_it_is_known(farm: Path, catalogue: Catalogue) -> None:
    solo = plan(farm, "solo", ("2026-07-01", ONE))
    riddle = plan(farm, "riddle", ("2026-07-01", f"{ONE}, {RIDDLE}"))
    found = held(catalogue, solo, riddle)
    one = row(found, "FRAC 11")
    assert one["against"][0]["verdict"] == "not assessed"
    assert one["against"][0]["difference"] is None
    assert "fluazinam" in one["against"][0]["text"] and "label's targets" in one["against"][0]["text"]
    low, high = one["cells"][1]["range"]
    own, best = (0.0, OMEGA["excellent"], THETA, True), (0.0, OMEGA["excellent"], THETA, False)
    assert (low, high) == pytest.approx((days([own, best], 60.0), days([own], 60.0)), abs=2e-3)
    assert found.summary[0]["verdict"] == "not assessed"
    said = "\n".join(line.plain for line in shown.text(found)) + shown.markdown(found)
    assert "selects less than" not in said
    assert found.summary[0]["text"].startswith("which of A and B selects less over all is not assessed")
    rate = "rate: [0.5 L/ha, 1 L/ha]"
    known = PRODUCTS.replace(f"{rate}}}", f"{rate}, targets: {{frogeye-leaf-spot: good}}}}")
    (farm / "shop.yaml").write_text(known, encoding="utf-8")
    decided = row(held(catalogue, solo, riddle), "FRAC 11")["against"][0]
    assert decided["verdict"] == "less"


def test_a_difference_that_no_unknown_can_turn_is_told(farm: Path, catalogue: Catalogue) -> None:
    """Three passes against none of the group: whatever the unknown active does, only one of them selects."""
    heavy = plan(farm, "heavy", ("2026-07-01", ONE), ("2026-07-20", ONE), ("2026-08-10", f"{ONE}, {RIDDLE}"))
    light = plan(farm, "light", ("2026-07-01", THIRD))
    one = row(held(catalogue, heavy, light), "FRAC 11")["against"][0]
    assert one["verdict"] == "less"
    assert "only A selects for it" in one["text"]


def test_a_group_that_no_longer_works_is_no_merit(farm: Path, catalogue: Catalogue) -> None:
    lost = FIELD.replace("pressure: moderate}", "pressure: moderate, resistant: [FRAC 11]}")
    (farm / "field.yaml").write_text(lost, encoding="utf-8")
    solo = plan(farm, "solo", ("2026-07-01", ONE))
    third = plan(farm, "third", ("2026-07-01", THIRD))
    found = held(catalogue, third, solo)
    one = row(found, "FRAC 11")
    assert [cell["state"] for cell in one["cells"]] == ["none", "lost"]
    assert one["against"][0]["verdict"] == "lost"
    assert "no merit" in one["against"][0]["text"]
    assert any("no longer works here" in said for said in found.summary[0]["cover"])
    assert any("bare" in said and "more than A" in said for said in found.summary[0]["cover"])


def test_a_partner_whose_cover_ends_sooner_is_named(farm: Path, catalogue: Catalogue) -> None:
    """21 days of protection on one label, 10 on its partner's: 11 days without it."""
    text = PRODUCTS.replace(
        "{rate: [0.4 L/ha, 0.8 L/ha], targets", "{rate: [0.4 L/ha, 0.8 L/ha], protection: 21 d, targets"
    )
    text = text.replace(
        "{rate: [0.25 L/ha, 0.5 L/ha], targets", "{rate: [0.25 L/ha, 0.5 L/ha], protection: 10 d, targets"
    )
    (farm / "shop.yaml").write_text(text, encoding="utf-8")
    solo = plan(farm, "solo", ("2026-07-01", ONE))
    mixed = plan(farm, "mixed", ("2026-07-01", f"{ONE}, {THIRD}"))
    found = held(catalogue, solo, mixed)
    cells = row(found, "FRAC 11")["cells"]
    assert cells[0]["fading"] == []
    assert [(one["pass"], one["days"], one["partners"]) for one in cells[1]["fading"]] == [(1, 11, ["difenoconazole"])]
    assert row(found, "FRAC 3")["cells"][1]["fading"] == []
    assert "ends 11 days before that of group 11" in " ".join(shown.markdown(found).split())


def test_strains_that_resist_both_partners_are_told_apart(farm: Path, catalogue: Catalogue) -> None:
    """Resistant to both: neither partner bites, so it gains what the two together block (quadrature by SciPy)."""
    mixed = plan(farm, "mixed", ("2026-07-01", f"{ONE}, {THIRD}"))
    third = plan(farm, "third", ("2026-07-01", THIRD))
    lam = math.log(2) / HALF

    def blocked(t: float) -> float:
        left = math.exp(-lam * t)
        bite = 1 - math.exp(-THETA * left)
        return 1 - (1 - OMEGA["excellent"] * bite) * (1 - OMEGA["good"] * bite)

    pair = row(held(catalogue, mixed, third), "FRAC 11")["cells"][0]["pairs"][0]
    assert pair["groups"] == ["FRAC 11", "FRAC 3"]
    assert pair["both"] == pytest.approx(quad(blocked, 0, 60)[0], abs=2e-3)


# --- findings, cover, limits ------------------------------------------------------------------------------------------


def test_findings_that_vanish_are_the_set_difference_of_two_audits(catalogue: Catalogue) -> None:
    paths = [SCENARIOS / f"{name}-quarry-bottom.yaml" for name in ("solo-strobilurins", "sound")]
    solo, sound = (audit(load_programme(path, catalogue), catalogue) for path in paths)
    found = held(catalogue, *paths)
    told = {one["rule"] for one in found.findings[0]["vanish"]} | {one["rule"] for one in found.findings[0]["changed"]}
    gone = {one.rule for one in solo.findings} - {one.rule for one in sound.findings}
    assert gone <= told
    breaches = [one for one in solo.findings if one.severity == "breach"]
    assert not any(one.severity == "breach" for one in sound.findings)
    assert sum(1 for one in found.findings[0]["vanish"] if one["severity"] == "breach") == len(breaches)
    bare = {one["target"]: one["bare_days"] for one in solo.cover}
    assert {one["target"]: one["cells"][0]["bare_days"] for one in found.cover} == bare
    assert [one["verdict"] for one in found.programmes] == [solo.verdict, sound.verdict]


def test_a_finding_that_cannot_be_judged_has_not_vanished(farm: Path, catalogue: Catalogue) -> None:
    """A bare active has no label to be over, so the other programme's rate over the label is not cured by it."""
    over = plan(farm, "over", ("2026-07-01", "{product: Demo One, rate: 1.2 L/ha}"))
    bare = plan(farm, "bare", ("2026-07-01", "{active: azoxystrobin, dose: 300 g/ha}"))
    found = held(catalogue, over, bare).findings[0]
    assert [one["rule"] for one in found["unsure"]] == ["LBL02"]
    assert "LBL02" not in [one["rule"] for one in found["vanish"]]
    assert "label" in found["unsure"][0]["reason"]


def test_expand_reads_runs_of_codes() -> None:
    assert expand("LBL01-LBL03, MIX04") == ["LBL01", "LBL02", "LBL03", "MIX04"]
    assert expand("RES01") == ["RES01"]


def test_every_limit_has_source_year_and_place(catalogue: Catalogue) -> None:
    found = held(catalogue, *(SCENARIOS / f"{name}-quarry-bottom.yaml" for name in ("solo-strobilurins", "sound")))
    assert found.limits
    for one in found.limits:
        assert one["cited"] and all(one["cited"])
        assert one["year"] and one["place"] and one["grade"]
        assert [cell["programme"] for cell in one["cells"]] == ["A", "B"]
    said = "\n".join(line.plain for line in shown.text(found, width=10_000))
    told = next(one for one in found.limits if any(cell["finding"] for cell in one["cells"]))
    assert told["text"] in said and told["year"] in said


def test_programmes_for_two_crops_cannot_be_compared(catalogue: Catalogue) -> None:
    paths = (SCENARIOS / "sound-quarry-bottom.yaml", SCENARIOS / "sound-mill-piece.yaml")
    with pytest.raises(InputError, match="wheat"):
        held(catalogue, *paths)


# --- over seasons -----------------------------------------------------------------------------------------------------


def test_seasons_only_where_rate_and_start_are_stated(farm: Path, catalogue: Catalogue) -> None:
    paths = plan(farm, "a", ("2026-07-01", ONE)), plan(farm, "b", ("2026-07-01", f"{ONE}, {MULTI}"))
    assert held(catalogue, *paths).forecast is None
    found = held(catalogue, *paths, growth_rate=0.1, start_fraction=1e-5, seasons=4)
    assert found.forecast is not None
    cell = row(found, "FRAC 11")["cells"][0]
    series = next(one for one in found.forecast["series"] if one["programme"] == "A" and one["group"] == "FRAC 11")
    begin = math.log(1e-5 / (1 - 1e-5))
    assert series["log_odds"] == pytest.approx([begin + 0.1 * cell["days"] * n for n in range(5)], abs=1e-3)
    assert series["seasons_to_half"] == pytest.approx(-begin / (0.1 * cell["days"]), abs=0.01)
    said = " ".join(" ".join(line.plain for line in shown.text(found)).split())
    assert "not a forecast" in said and "as you state them" in said and "season 0 1 2 3 4" in said
    for wrong in ({"growth_rate": -0.1, "start_fraction": 0.1}, {"growth_rate": 0.1, "start_fraction": 1.5}):
        with pytest.raises(ValueError):
            held(catalogue, *paths, **wrong)


def test_chart_puts_each_value_on_its_row() -> None:
    drawn = chart.lines({"A": [0.0, 1.0, 2.0], "B": [0.0, 0.0, 0.0]}, height=3)
    assert drawn[1].endswith("|        A") and drawn[2].endswith("|    A") and drawn[3].endswith("|*   B   B")
    assert "50 %" in drawn[3] and "88 %" in drawn[1]  # exp(2) / (1 + exp(2)) = 0.881


# --- what is never said -----------------------------------------------------------------------------------------------


def test_no_slogans_and_no_rate_below_the_label(farm: Path, catalogue: Catalogue) -> None:
    twice = plan(farm, "a", ("2026-07-01", ONE), ("2026-07-22", ONE))
    paths = [twice, plan(farm, "b", ("2026-07-01", f"{ONE}, {MULTI}"))]
    nevers = ("always win", "always better", "mixtures beat", "reduce the rate", "lower rate", "half rate")
    found = held(catalogue, *paths, growth_rate=0.1, start_fraction=1e-5)
    for said in ("\n".join(line.plain for line in shown.text(found, explain=True)), shown.markdown(found)):
        low = " ".join(said.lower().split())
        for never in nevers:
            assert never not in low
        assert "forecast" in low and "ranks programmes" in low
        assert "no rate below" in low  # the caution on the label
        assert "winner" not in low and "\x1b" not in said


def test_a_lower_figure_from_a_cut_rate_is_no_advice(farm: Path, catalogue: Catalogue) -> None:
    full = plan(farm, "full", ("2026-07-01", ONE))
    cut = plan(farm, "cut", ("2026-07-01", "{product: Demo One, rate: 0.2 L/ha}"))
    found = held(catalogue, full, cut)
    assert row(found, "FRAC 11")["against"][0]["verdict"] == "less"
    said = " ".join(found.summary[0]["cover"])
    assert "below its label's least rate" in said and "no reason to cut" in said
    other = held(catalogue, full, full)
    assert not any("least rate" in said for said in other.summary[0]["cover"])


# --- the command ------------------------------------------------------------------------------------------------------


def test_command_json(farm: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan(farm, "a", ("2026-07-01", ONE))
    plan(farm, "b", ("2026-07-01", f"{ONE}, {MULTI}"))
    words = ["compare", "a.yaml", "b.yaml", "--format", "json"]
    assert cli.main(words) == exits.DONE
    out, err = capsys.readouterr()
    assert err == ""
    data = json.loads(out)
    assert set(data) >= {
        "planner", "programmes", "summary", "passes", "cost", "findings", "cover", "selection", "forecast", "limits",
        "rests_on", "notes", "notices", "sources", "catalogue", "engine",
    }  # fmt: skip
    assert [one["label"] for one in data["programmes"]] == ["A", "B"]
    assert data["forecast"] is None
    assert {name: entry["grade"] for name, entry in data["rests_on"].items()} == {
        "omega_by_class": "our reading",
        "theta": "read",
        "theta_multisite": "read",
        "half_life_days": "our reading",
    }
    assert all(entry["source"] in data["sources"] for entry in data["rests_on"].values())
    assert cli.main([*words, "--growth-rate", "0.1", "--start-fraction", "1e-5"]) == exits.DONE
    assert "not a forecast" in json.loads(capsys.readouterr().out)["forecast"]["note"]


def test_command_gives_the_same_bytes_twice(farm: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan(farm, "a", ("2026-07-01", ONE))
    plan(farm, "b", ("2026-07-01", f"{ONE}, {RIDDLE}"))
    answers = []
    for form in ("text", "markdown", "json") * 2:
        assert cli.main(["compare", "a.yaml", "b.yaml", "--format", form]) == exits.DONE
        answers.append(capsys.readouterr().out)
    assert answers[:3] == answers[3:]
    assert "\x1b" not in answers[0]


@pytest.mark.parametrize(
    ("words", "cure"),
    [
        (["a.yaml"], "planner audit a.yaml"),
        (["a.yaml", "b.yaml", "--growth-rate", "0.1"], "--start-fraction"),
        (["a.yaml", "b.yaml", "--start-fraction", "0.1"], "--growth-rate"),
        (["a.yaml", "b.yaml", "--growth-rate", "fast", "--start-fraction", "0.1"], "not a number"),
        (["a.yaml", "b.yaml", "--growth-rate", "nan", "--start-fraction", "0.1"], "per day"),
        (["a.yaml", "b.yaml", "--growth-rate", "0.1", "--start-fraction", "1"], "below 1"),
        (["a.yaml", "b.yaml", "--growth-rate", "0.1", "--start-fraction", "0"], "above 0"),
        (["a.yaml", "b.yaml", "--seasons", "5"], "give both"),
        (["a.yaml", "b.yaml", "--growth-rate", "1", "--start-fraction", "0.1", "--seasons", "0"], "1 to 30"),
        (["a.yaml", "missing.yaml"], "missing.yaml"),
    ],
)
def test_command_refuses_with_a_cure(
    farm: Path, capsys: pytest.CaptureFixture[str], words: list[str], cure: str
) -> None:
    plan(farm, "a", ("2026-07-01", ONE))
    plan(farm, "b", ("2026-07-01", f"{ONE}, {MULTI}"))
    assert cli.main(["compare", *words]) == exits.INPUT
    out, err = capsys.readouterr()
    assert out == "" and cure in err


def test_a_breach_is_told_and_leaves_with_0(capsys: pytest.CaptureFixture[str]) -> None:
    """``compare`` sets side by side, ``audit`` judges: its exit code is 0 with breaches too."""
    files = [str(SCENARIOS / f"{name}-quarry-bottom.yaml") for name in ("solo-strobilurins", "sound")]
    assert cli.main(["compare", *files, "--units", "us", "--explain"]) == exits.DONE
    out = capsys.readouterr().out
    assert "findings that vanish, B against A" in out and "breach" in out
    assert max(len(line) for line in out.splitlines()) <= 100


# --- the audit carries it ---------------------------------------------------------------------------------------------


def test_audit_json_carries_the_selection(farm: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan(farm, "mixed", ("2026-07-01", f"{ONE}, {THIRD}"), ("2026-07-22", f"{THIRD}, {RIDDLE}"))
    assert cli.main(["audit", "mixed.yaml", "--format", "json"]) in (exits.DONE, exits.BREACH)
    data = json.loads(capsys.readouterr().out)
    rows = {one["group"]: one for one in data["selection"]}
    assert set(rows) == {"FRAC 11", "FRAC 3"}
    for one in rows.values():
        assert one["band"]["half_lives"] == [3.0, 10.0]
        assert one["band"]["low"] <= one["selection_days"] <= one["band"]["high"]
        assert one["range"][0] <= one["selection_days"] <= one["range"][1]
        assert [entry["what"] for entry in one["left_out"]] == ["fluazinam"]
        assert one["pairs"][0]["groups"] == ["FRAC 11", "FRAC 3"]
        assert {"source", "grade", "value"} <= set(one["rests_on"]["theta"])
        assert "does not forecast" in one["note"]


def test_audit_text_and_markdown_show_it_with_its_caveat(farm: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan(farm, "mixed", ("2026-07-01", f"{ONE}, {THIRD}"))
    for form in ("text", "markdown"):
        cli.main(["audit", "mixed.yaml", "--format", form])
        out = capsys.readouterr().out
        assert "ow hard it selects for resistance" in out
        assert "forecast no years" in " ".join(out.split())
        assert "withstands both partners" in " ".join(out.split())


def test_a_target_without_a_row_says_why(farm: Path, catalogue: Catalogue) -> None:
    report = audit(load_programme(plan(farm, "multi", ("2026-07-01", MULTI)), catalogue), catalogue)
    assert report.selection == ()
    assert [one["why"] for one in report.totals["selection_gaps"]] == ["no at-risk active that works on it meets it"]


def test_command_reads_spreadsheets_with_field_and_products(farm: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name, active in (("a", "Demo One"), ("b", "Demo Third")):
        rows = f"pass,date,product,rate,unit\n1,2026-07-01,{active},0.45,L/ha\n"
        (farm / f"{name}.csv").write_text(rows, encoding="utf-8")
    words = ["compare", "a.csv", "b.csv", "--field", "field.yaml", "--products", "shop.yaml", "--format", "json"]
    assert cli.main(words) == exits.DONE
    data = json.loads(capsys.readouterr().out)
    assert [cell["state"] for cell in data["selection"][0]["cells"]] == ["assessed", "none"]
