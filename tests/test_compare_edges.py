"""``planner compare`` where something is missing or differs between the fields: what is said, and what is not.

Products, prices and fields are those of test_compare.py, invented.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec
import pytest
from test_compare import FIELD, HALF_MULTI, MULTI, ONE, PRODUCTS, RIDDLE, THIRD, held, plan, row

from planner.catalogue import Catalogue, load
from planner.compare import LABELS, Comparison, compare
from planner.compare_selection import forecast
from planner.documents import load_programme
from planner.errors import InputError
from planner.render import chart
from planner.render import compare as shown


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load()


@pytest.fixture
def farm(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "field.yaml").write_text(FIELD, encoding="utf-8")
    (tmp_path / "shop.yaml").write_text(PRODUCTS, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def field(folder: Path, name: str, *changes: tuple[str, str]) -> str:
    """The field of the test with some of its lines written otherwise."""
    text = FIELD
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    (folder / name).write_text(text, encoding="utf-8")
    return name


def said(found: Comparison, **options: Any) -> str:
    return " ".join(" ".join(line.plain for line in shown.text(found, **options)).split())


# --- how many ---------------------------------------------------------------------------------------------------------


def test_one_programme_or_27_are_refused(farm: Path, catalogue: Catalogue) -> None:
    """Programmes go by the letters A to Z."""
    one = load_programme(plan(farm, "one", ("2026-07-10", ONE)), catalogue)
    with pytest.raises(InputError, match="one programme alone cannot be compared"):
        compare([one], catalogue)
    with pytest.raises(InputError, match="27 programmes at once; name 26 or fewer"):
        compare([one] * 27, catalogue)
    assert "".join(LABELS) == "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


def test_programmes_of_one_name_are_told_apart_by_file(farm: Path, catalogue: Catalogue) -> None:
    one = plan(farm, "one", ("2026-07-10", ONE))
    two = farm / "two.yaml"
    two.write_text(one.read_text(encoding="utf-8"), encoding="utf-8")
    text = said(held(catalogue, one, two))
    assert f"one ({one})" in text and f"one ({two})" in text
    assert "B against A: the cost is the same." in text


# --- pass by pass -----------------------------------------------------------------------------------------------------


def test_a_pass_that_only_some_have(farm: Path, catalogue: Catalogue) -> None:
    """Passes within a week of each other stand in one row; a third programme has its own at another time."""
    one = plan(farm, "one", ("2026-07-10", ONE))
    two = plan(farm, "two", ("2026-07-12", THIRD), ("2026-08-12", THIRD))
    three = plan(farm, "three", ("2026-08-10", ONE))
    notes = [entry["notes"] for entry in held(catalogue, one, two, three).passes]
    assert notes[0] == [
        "B against A: group 3 (triazole) added, group 11 (strobilurin) left out",
        "C has no pass here",
    ]
    assert notes[1] == ["A has no pass here"]  # said once, not once for each of the others
    four = held(catalogue, one, plan(farm, "again", ("2026-07-10", ONE)), two, three)
    assert [entry["notes"] for entry in four.passes][1] == ["A has no pass here"]


# --- money ------------------------------------------------------------------------------------------------------------


def test_no_price_at_all_is_not_assessed(farm: Path, catalogue: Catalogue) -> None:
    bare = field(farm, "bare.yaml", ("application: {cost: 9 per ac}\n", ""))
    one = plan(farm, "one", ("2026-07-10", RIDDLE), field=bare)
    two = plan(farm, "two", ("2026-07-10", RIDDLE), ("2026-07-30", RIDDLE), field=bare)
    cost = held(catalogue, one, two).cost[0]
    assert cost["per_ha"] is None
    assert cost["not_assessed"].startswith("no price is given; give the products' prices")
    text = said(held(catalogue, one, two))
    assert "not known" in text


def test_two_currencies_are_not_subtracted(farm: Path, catalogue: Catalogue) -> None:
    (farm / "euro.yaml").write_text(PRODUCTS.replace("currency: USD", "currency: EUR"), encoding="utf-8")
    other = field(farm, "other.yaml", ("currency: USD", "currency: EUR"))
    one = plan(farm, "one", ("2026-07-10", ONE))
    two = plan(farm, "two", ("2026-07-10", ONE), field=other)
    text = two.read_text(encoding="utf-8").replace("products: shop.yaml", "products: euro.yaml")
    two.write_text(text, encoding="utf-8")
    cost = held(catalogue, one, two).cost[0]
    assert cost["per_ha"] is None
    assert cost["not_assessed"] == "A is priced in USD and B in EUR; give both in one currency"


def test_two_grain_prices_give_no_bushels(farm: Path, catalogue: Catalogue) -> None:
    dear = field(farm, "dear.yaml", ("price: 8.50 per bu", "price: 9.50 per bu"))
    one = plan(farm, "one", ("2026-07-10", ONE))
    two = plan(farm, "two", ("2026-07-10", f"{ONE}, {HALF_MULTI}"), field=dear)
    found = held(catalogue, one, two)
    assert found.cost[0]["per_ac"] == pytest.approx(40.0, abs=1e-3)  # 1 of the gallon's 8 pt, 320 a gallon
    assert found.cost[0]["grain_kg_ha"] is None
    text = said(found, units="us")
    assert "USD 40.00 per ac more; in grain: not assessed, the fields give different grain prices; give one." in text
    assert found.notices == (
        "B is for another field document than A; targets, dates and prices are each read from its own field, so part "
        "of a difference may be the field's",
    )
    assert "notice: B is for another field document than A" in text


# --- cover and selection ----------------------------------------------------------------------------------------------


def test_a_field_that_does_not_name_the_target(farm: Path, catalogue: Catalogue) -> None:
    other = field(farm, "other.yaml", ("target: frogeye-leaf-spot", "target: white-mold"))
    one = plan(farm, "one", ("2026-07-10", ONE))
    two = plan(farm, "two", ("2026-07-10", ONE), field=other)
    found = held(catalogue, one, two)
    frogeye = next(entry for entry in found.cover if entry["target"] == "frogeye-leaf-spot")
    assert frogeye["against"][0]["bare_days"] is None
    assert frogeye["against"][0]["not_assessed"] == "the field of B does not name it as a target"
    against = row(found, "FRAC 11")["against"][0]
    assert against["verdict"] == "not assessed"
    assert "the field of B does not name frogeye leaf spot as a target" in against["text"]
    assert any("bare days on frogeye leaf spot: not assessed" in words for words in found.summary[0]["cover"])


def test_windows_of_other_days_are_not_subtracted(farm: Path, catalogue: Catalogue) -> None:
    other = field(farm, "other.yaml", ("R6: 2026-08-30", "R6: 2026-09-05"))
    one = plan(farm, "one", ("2026-07-01", ONE))
    two = plan(farm, "two", ("2026-07-01", ONE), ("2026-07-20", ONE), field=other)
    found = held(catalogue, one, two)
    assert found.cover[0]["against"][0]["not_assessed"] == "the windows are not the same days"
    against = row(found, "FRAC 11")["against"][0]
    assert against["verdict"] == "more"  # a second pass of the same solo product selects longer
    assert against["text"].endswith("(over windows that are not the same days)")


def test_a_pass_that_nothing_dates_says_what_to_give(farm: Path, catalogue: Catalogue) -> None:
    """One pass by date and one by stage on a field that dates no stage: the second has no day."""
    undated = field(
        farm,
        "undated.yaml",
        ("sown: 2026-05-10\n", ""),
        ("stages: {R1: 2026-07-01, R6: 2026-08-30}\n", ""),
        ("harvest: 2026-10-05\n", ""),
    )
    paths = []
    for name, tank in (("one", ONE), ("two", THIRD)):
        path = plan(farm, name, ("2026-07-10", tank), ("2026-07-24", tank), field=undated)
        path.write_text(path.read_text(encoding="utf-8").replace("date: 2026-07-24", "stage: R3"), encoding="utf-8")
        paths.append(path)
    found = held(catalogue, *paths)
    assert {one["verdict"] for entry in found.selection for one in entry["against"]} == {"not assessed"}
    assert "pass 2 of A has no date: give the pass a date" in said(found)
    assert found.cover[0]["against"][0]["not_assessed"] == "its window has no dates here"


def test_a_window_without_an_end_asks_for_one(farm: Path, catalogue: Catalogue) -> None:
    """Dated passes on a field that dates nothing: neither the window nor harvest ends the season."""
    undated = field(
        farm,
        "undated.yaml",
        ("sown: 2026-05-10\n", ""),
        ("stages: {R1: 2026-07-01, R6: 2026-08-30}\n", ""),
        ("harvest: 2026-10-05\n", ""),
    )
    one = plan(farm, "one", ("2026-07-10", ONE), field=undated)
    two = plan(farm, "two", ("2026-07-10", THIRD), field=undated)
    cell = row(held(catalogue, one, two), "FRAC 11")["cells"][0]
    assert cell["state"] == "not assessed"
    assert cell["why"] == "neither the window of frogeye leaf spot nor harvest has a date: give either"


def test_no_targets_no_selection(farm: Path, catalogue: Catalogue) -> None:
    none = field(farm, "none.yaml", ("targets:\n  - {target: frogeye-leaf-spot, pressure: moderate}\n", ""))
    one = plan(farm, "one", ("2026-07-10", ONE), field=none)
    two = plan(farm, "two", ("2026-07-10", THIRD), field=none)
    found = held(catalogue, one, two)
    assert found.selection == () and found.cover == ()
    assert found.summary[0]["verdict"] == "not assessed"
    assert "what the programmes select for is not assessed: name the field's targets" in found.summary[0]["text"]
    assert "no target of the field is met by an at-risk active that is rated on it" in said(found)


def test_an_active_whose_effect_is_not_known_opens_the_days_and_the_group(farm: Path, catalogue: Catalogue) -> None:
    """Fluazinam alone against nothing: whether it works is not known, so neither bare days nor selection are told."""
    riddle = plan(farm, "riddle", ("2026-07-10", RIDDLE))
    one = plan(farm, "one", ("2026-07-10", THIRD))
    found = held(catalogue, one, riddle)
    told = found.cover[0]["against"][0]
    assert told["bare_days"] is None
    assert "days of B it is not known whether fluazinam works" in told["not_assessed"]
    text = said(found)
    assert "not known" in text


def test_a_resistant_group_in_one_field_only(farm: Path, catalogue: Catalogue) -> None:
    lost = field(farm, "lost.yaml", ("pressure: moderate}", "pressure: moderate, resistant: [FRAC 11]}"))
    one = plan(farm, "one", ("2026-07-10", ONE))
    two = plan(farm, "two", ("2026-07-10", ONE), field=lost)
    against = row(held(catalogue, one, two), "FRAC 11")["against"][0]
    assert against["verdict"] == "not assessed"
    assert "in B the group no longer works here" in against["text"]
    assert "in the other programme it still works" in against["text"]


def test_a_weaker_partner_is_named_as_the_cause(farm: Path, catalogue: Catalogue) -> None:
    """Both mix the strobilurin with the multi-site; B halves its rate, so its partner takes off less."""
    full = plan(farm, "full", ("2026-07-01", f"{ONE}, {MULTI}"))
    half = plan(farm, "half", ("2026-07-01", f"{ONE}, {HALF_MULTI}"))
    against = row(held(catalogue, full, half), "FRAC 11")["against"][0]
    assert against["verdict"] == "more"
    (cause,) = [one for one in against["drivers"] if one["cause"] == "partners"]
    assert cause["programme"] == "B" and not cause["alone"]
    assert cause["text"].startswith("the partners in B take off less: ")
    assert cause["text"].endswith("most felt after pass 1")
    assert cause["days"] == pytest.approx(against["difference"], abs=0.1)


def test_an_unknown_that_cannot_turn_the_ranking_is_named(farm: Path, catalogue: Catalogue) -> None:
    """Four solo passes against one mixed with fluazinam: even if fluazinam does nothing, one is less than four."""
    days = ("2026-07-01", "2026-07-16", "2026-08-01", "2026-08-16")
    heavy = plan(farm, "heavy", *((day, ONE) for day in days))
    light = plan(farm, "light", ("2026-07-01", f"{ONE}, {RIDDLE}"))
    against = row(held(catalogue, heavy, light), "FRAC 11")["against"][0]
    assert against["verdict"] == "less"
    assert "B selects less than A" in against["text"] and against["text"].endswith("whatever fluazinam does")
    assert against["difference"] is not None or against["drivers"] == []


MORE = """  - name: Demo Mystery
    actives: {cyprodinil: 300 g/L}
    label: {soybean: {rate: [0.5 L/ha, 1 L/ha]}}
  - name: Demo Known
    actives: {pyrimethanil: 300 g/L}
    label: {soybean: {rate: [0.5 L/ha, 1 L/ha], targets: {frogeye-leaf-spot: good}}}
  - name: Demo Unheard
    actives: {hymexazol: 300 g/L}
    label: {soybean: {rate: [0.5 L/ha, 1 L/ha], targets: {frogeye-leaf-spot: good}}}
"""
MYSTERY, KNOWN, UNHEARD = (f"{{product: Demo {name}, rate: 1 L/ha}}" for name in ("Mystery", "Known", "Unheard"))


def test_an_at_risk_active_whose_effect_is_not_known_leaves_its_own_group_open(
    farm: Path, catalogue: Catalogue
) -> None:
    """Group 9 is of medium risk (FRAC Code List 2024); nothing rates cyprodinil on this disease."""
    (farm / "shop.yaml").write_text(PRODUCTS + MORE, encoding="utf-8")
    found = held(
        catalogue, plan(farm, "known", ("2026-07-10", ONE)), plan(farm, "mystery", ("2026-07-10", MYSTERY))
    )
    entry = row(found, "FRAC 9")
    assert [cell["state"] for cell in entry["cells"]] == ["none", "open"]
    assert entry["cells"][1]["why"] == "how well cyprodinil works on frogeye leaf spot is not known"
    assert entry["cells"][1]["days"] is None and entry["against"][0]["verdict"] == "not assessed"


def test_one_unknown_pass_is_less_than_four_known_ones(farm: Path, catalogue: Catalogue) -> None:
    """However well cyprodinil works, one pass of it selects less for group 9 than four of pyrimethanil, rated good."""
    (farm / "shop.yaml").write_text(PRODUCTS + MORE, encoding="utf-8")
    days = ("2026-07-01", "2026-07-16", "2026-08-01", "2026-08-16")
    four = plan(farm, "four", *((day, KNOWN) for day in days))
    against = row(held(catalogue, four, plan(farm, "one", ("2026-07-01", MYSTERY))), "FRAC 9")["against"][0]
    assert against["verdict"] == "less"
    assert against["text"].endswith("B selects less than A, whatever cyprodinil does")
    assert against["difference"] is None  # a direction, no figure


def test_a_group_whose_risk_is_not_known_is_not_weighed(farm: Path, catalogue: Catalogue) -> None:
    """The FRAC Code List 2024 gives group 32 (heteroaromatics) no risk class."""
    (farm / "shop.yaml").write_text(PRODUCTS + MORE, encoding="utf-8")
    paths = [plan(farm, "one", ("2026-07-10", ONE)), plan(farm, "unheard", ("2026-07-10", UNHEARD))]
    cell = row(held(catalogue, *paths), "FRAC 32")["cells"][1]
    assert cell["state"] == "not assessed"
    assert cell["why"].startswith("the resistance risk of ") and cell["why"].endswith(" is not known")


def test_a_finding_that_only_eases_is_told_as_changed(farm: Path, catalogue: Catalogue) -> None:
    """Succession of solo strobilurins is a breach; with working partners in both passes the same finding is advice."""
    solo = plan(farm, "solo", ("2026-07-10", ONE), ("2026-07-24", ONE))
    both = plan(farm, "both", ("2026-07-10", f"{ONE}, {THIRD}"), ("2026-07-24", f"{ONE}, {THIRD}"))
    changed = held(catalogue, solo, both).findings[0]["changed"]
    eased = {(one["rule"], one["severity"], one["then"]) for one in changed}
    assert any(rule == "ROT01" and (old, new) == ("breach", "advice") for rule, old, new in eased), eased


# --- seasons ----------------------------------------------------------------------------------------------------------


def test_a_forecast_of_no_season_is_refused() -> None:
    with pytest.raises(ValueError, match="0 seasons; write 1 or more"):
        forecast((), 0.1, 1e-6, 0)


def test_seasons_that_hang_on_an_unknown_are_told_and_not_drawn(farm: Path, catalogue: Catalogue) -> None:
    solo = plan(farm, "solo", ("2026-07-01", ONE))
    riddle = plan(farm, "riddle", ("2026-07-01", f"{ONE}, {RIDDLE}"))
    found = held(catalogue, solo, riddle, growth_rate=0.1, start_fraction=1e-6, seasons=3)
    assert "B: not assessed, it hangs on an effect that is not known" in said(found)


@pytest.mark.parametrize("values", [{}, {"A": ()}])
def test_a_chart_of_nothing_is_nothing(values: dict[str, tuple[float, ...]]) -> None:
    assert chart.lines(values) == []


def test_a_chart_of_level_lines_marks_where_they_meet() -> None:
    drawn = chart.lines({"A": (-2.0, -2.0), "B": (-2.0, -2.0)}, height=3)
    assert drawn[3].split("|")[1] == "*   *"
    assert drawn[-1].strip() == "* where programmes meet"
    apart = chart.lines({"A": (-2.0, -1.0)}, height=3)
    assert not any("meet" in line for line in apart)


def test_demo_products_are_said_to_be_invented(farm: Path, catalogue: Catalogue) -> None:
    paths = [plan(farm, name, ("2026-07-10", ONE)) for name in ("one", "two")]
    demo = held(catalogue, *paths)
    assert "invented products" in said(demo) and "invented products" in shown.markdown(demo)
    (farm / "shop.yaml").write_text(PRODUCTS.replace("demo: true\n", ""), encoding="utf-8")
    real = held(catalogue, *paths)
    assert "invented products" not in said(real) and "invented products" not in shown.markdown(real)
    assert msgspec.json.encode(real.cost) == msgspec.json.encode(demo.cost)
