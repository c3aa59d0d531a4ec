"""Why a product, group or date is left out; last season's sequence; and the reasons pass by pass.

What is checked against: the planner's full audit of every programme that an answer rests on, hand sums of prices, and
the contract's words (section 5 and ROT04). Good practice (two modes, windows, published stages): common practice, no
source.
"""

from __future__ import annotations

from functools import lru_cache

import pytest
from msgspec.structs import replace

from planner.audit import audit
from planner.catalogue import Catalogue, load
from planner.documents import load_field, load_products
from planner.draft import pass_reasons, practice
from planner.draft.front import Front, draft
from planner.draft.options import MONEY, Space
from planner.draft.solve import Answer, Search, Wanted
from planner.draft.why_not import WhyNot, why_not
from planner.model import CropLabel, Field, FieldTarget, Product, Season

pytest.importorskip("ortools")


@lru_cache(maxsize=1)
def catalogue() -> Catalogue:
    return load()


@lru_cache(maxsize=1)
def shop() -> tuple[Product, ...]:
    return load_products("shared/scenarios/farm-shop.yaml", catalogue())


@lru_cache(maxsize=4)
def scenario(name: str) -> tuple[Front, tuple[WhyNot, ...]]:
    field = load_field(f"shared/scenarios/{name}.yaml", catalogue())
    front = draft(Space(field, shop(), catalogue()))
    return front, tuple(why_not(front, front.named["balanced"]))


def names(entries: tuple[WhyNot, ...], kind: str) -> dict[str, WhyNot]:
    return {entry.name: entry for entry in entries if entry.kind == kind}


def test_everything_left_out_has_one_line() -> None:
    front, entries = scenario("quarry-bottom")
    space, chosen = front.space, front.named["balanced"]
    held = {name for column in chosen.columns for name in column.products}
    assert set(names(entries, "product")) | held == {product.name for product in space.products}
    groups = {catalogue().active(active).group for product in space.products for active in product.actives}
    fungicides = {group for group in groups if group.startswith("FRAC")}
    used = {group for column in chosen.columns for group in column.uses.by_group}
    assert set(names(entries, "group")) == {space.account.group_words(group) for group in fungicides - used}
    taken = {column.slot for column in chosen.columns}
    assert set(names(entries, "date")) == {str(slot.day) for slot in space.slots if slot.index not in taken}
    assert len(entries) == len({(entry.kind, entry.name) for entry in entries})
    assert all(entry.reason and "stopped" not in entry.reason for entry in entries)


def test_what_a_line_rests_on_is_sound_and_its_figures_are_differences() -> None:
    front, entries = scenario("quarry-bottom")
    chosen = front.named["balanced"]
    searched = [entry for entry in entries if entry.answer is not None]
    assert len(searched) >= 10
    for entry in searched:
        answer = entry.answer
        assert answer is not None
        report = audit(front.space.programme(answer.columns), catalogue())
        assert not [one for one in report.findings if one.severity == "breach"], entry
        if entry.kind == "product":
            assert any(entry.name in column.products for column in answer.columns), entry
        if entry.kind == "date":
            assert any(str(front.space.slots[column.slot].day) == entry.name for column in answer.columns), entry
        assert entry.more_cost == pytest.approx((answer.cost - chosen.cost) / MONEY, abs=0.006)
        assert entry.more_bare == answer.bare - chosen.bare
        no_worse = (entry.more_cost or 0) <= 0 and (entry.more_bare or 0) <= 0 and (entry.more_selection or 0) <= 0
        if no_worse:  # then something else is told that keeps it out
            other = ("good practice keeps it out", "brings a caution", "so it is not planned", "the same groups")
            assert any(words in entry.reason for words in other), entry


def test_reasons_name_label_report_and_price() -> None:
    front, entries = scenario("quarry-bottom")
    products = names(entries, "product")
    assert products["Demo Diorite 420 SC"].rule == "LBL01"
    assert products["Demo Alder 250 SC"].rule == "RES01" and "no longer works" in products["Demo Alder 250 SC"].reason
    # 96 per gal and 62 per gal would be other sums: Osier 178 per gal at 5 fl oz/ac is 17.18 per ha (1 gal = 128 fl oz)
    osier = 178 / 128 * 5 / 0.40468564
    label = {one.name: one.labels["soybean"].rate_most for one in shop() if "soybean" in one.labels}
    price = {one.name: (one.price or 0.0) * (label.get(one.name) or 0.0) for one in shop()}
    assert price["Demo Osier 125 ME"] == pytest.approx(osier, abs=0.02)
    # what is paid, summed by hand where nothing comes from the shed: every product at its full rate, and each pass
    each = front.space.field.application.cost or 0.0
    stocked = {one.name for one in shop() if one.on_hand}
    found = [[column.products for column in one.answer.columns] for one in products.values() if one.answer is not None]
    paid = [
        (sum(each + sum(price[name] for name in tank) for tank in tanks), one.answer.cost / MONEY)
        for tanks, one in zip(found, [one for one in products.values() if one.answer is not None], strict=True)
        if one.answer is not None and not stocked & {name for tank in tanks for name in tank}
    ]
    assert len(paid) >= 3 and all(one == pytest.approx(other, abs=0.01) for one, other in paid)


def test_avoided_barred_and_short_of_days() -> None:
    field = load_field("shared/scenarios/heron-flat.yaml", catalogue())
    chert = next(product for product in shop() if product.name == "Demo Chert 70 WG")
    late: CropLabel = replace(chert.labels["soybean"], first_stage="R7", last_stage="R8")  # type: ignore[assignment]
    strange = (
        replace(chert, name="Demo Late", labels={"soybean": late}),
        replace(chert, name="Demo Unpriced", price=None),
        replace(chert, name="Demo Unlabelled", labels={}),
        *[product for product in shop() if product.name in ("Demo Chert 70 WG", "Demo Gneiss 225 SC")],
        next(product for product in shop() if product.name == "Demo Whinchat 430 SC"),
    )
    front = draft(Space(field, strange, catalogue(), avoid=["FRAC 11"]))  # type: ignore[arg-type]
    products = names(tuple(why_not(front, front.named["balanced"])), "product")
    assert products["Demo Late"].rule == "LBL07"
    assert "no price" in products["Demo Unpriced"].reason
    assert "label is not in the product list" in products["Demo Unlabelled"].reason
    assert "avoided" in products["Demo Gneiss 225 SC"].reason
    groups = {entry.name: entry for entry in why_not(front, front.named["balanced"]) if entry.kind == "group"}
    assert any("group 11" in name and "avoided" in entry.reason for name, entry in groups.items())


def test_a_label_limit_that_keeps_a_product_out_is_named() -> None:
    """The pass that is kept used up the label's season: what would hold the product again breaches LBL04."""
    from planner.model import Pass, TankItem

    field = load_field("shared/scenarios/heron-flat.yaml", catalogue())
    chert = next(product for product in shop() if product.name == "Demo Chert 70 WG")
    once: CropLabel = replace(chert.labels["soybean"], applications=1, last_stage="R6")  # type: ignore[assignment]
    only = replace(chert, labels={"soybean": once})
    other = next(product for product in shop() if product.name == "Demo Whinchat 430 SC")
    item = TankItem(product=chert.name, rate=once.rate_most, unit=chert.amount_unit)
    made = Pass(number=1, date=field.stages["R1"], tank=(item,), water=field.application.water)
    front = draft(Space(field, (only, other), catalogue(), keep=(made,)))  # type: ignore[arg-type]
    entries = why_not(front, front.nothing)
    dates = [entry for entry in entries if entry.kind == "date"]
    assert dates and all(entry.reason for entry in dates)
    assert all(
        column.kept for answer in front.named.values() for column in answer.columns if chert.name in column.products
    )


# --- last season ----------------------------------------------------------------------------------------------------


def two_groups(history: tuple[Season, ...]) -> tuple[Space, Field]:
    field = load_field("shared/scenarios/heron-flat.yaml", catalogue())
    field = replace(field, history=history, targets=(FieldTarget(target="frogeye-leaf-spot", pressure="moderate"),))  # type: ignore[assignment]
    few = tuple(
        one for one in shop() if one.name in ("Demo Whinchat 430 SC", "Demo Pipit 300 SC", "Demo Schist 540 SC")
    )
    return Space(field, few, catalogue()), field


def sequence(answer: Answer) -> list[list[str]]:
    return [sorted(column.uses.by_group) for column in answer.columns]


def test_the_balanced_programme_does_not_repeat_last_season() -> None:
    """ROT04, advice: the season's group sequence equals the newest season in the history."""
    space, _ = two_groups(())
    free = draft(space).named["balanced"]
    assert free.columns
    same = Season(season="2025", crop="soybean", groups=tuple(tuple(groups) for groups in sequence(free)))
    again, _ = two_groups((same,))
    report = audit(again.programme(free.columns), catalogue())
    assert [one for one in report.findings if one.rule == "ROT04"]
    other = draft(again).named["balanced"]
    assert sequence(other) != sequence(free)
    assert not [one for one in audit(again.programme(other.columns), catalogue()).findings if one.rule == "ROT04"]
    # a season of another crop does not count
    corn = Season(season="2025", crop="corn", groups=same.groups)
    assert sequence(draft(two_groups((corn,))[0]).named["balanced"]) == sequence(free)


def test_the_penalty_is_one_caution_exactly_where_last_season_is_repeated() -> None:
    space, _ = two_groups((Season(season="2025", crop="soybean", groups=(("FRAC 7",), ("FRAC 3",))),))
    search = Search(space, Wanted(passes=(2, 2)))
    model = search.compiled.model
    by_groups = {(c.slot, tuple(sorted(c.uses.by_group))): c for c in space.columns}
    slots = sorted({slot for slot, _ in by_groups})
    for first, second, extra in (("FRAC 7", "FRAC 3", 1), ("FRAC 3", "FRAC 7", 0)):
        pair = [by_groups.get((slots[0], (first,))), by_groups.get((slots[-1], (second,)))]
        if None in pair or space.breaches(pair):  # type: ignore[arg-type]
            continue
        fixed = model.clone()
        numbers = {column.number for column in pair if column is not None}
        for number, literal in search.compiled.x.items():
            fixed.add(fixed.get_bool_var_from_proto_index(literal.index) == int(number in numbers))
        from ortools.sat.python import cp_model

        fixed.minimize(search.compiled.cautions)
        solver = cp_model.CpSolver()
        assert solver.solve(fixed) == cp_model.OPTIMAL
        assert solver.objective_value == extra + sum(column.cautions for column in pair if column is not None)


# --- pass by pass ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["quarry-bottom", "heron-flat"])
def test_the_balanced_programme_is_what_a_plant_pathologist_signs(name: str) -> None:
    front, _ = scenario(name)
    space, answer = front.space, front.named["balanced"]
    assert front.strict == 2
    assert practice.broken(space, answer.columns) == []
    report = audit(space.programme(answer.columns), catalogue())
    assert not [one for one in report.findings if one.severity in ("breach", "caution")]
    assert not [one for one in report.findings if one.rule in ("ROT01", "ROT02")]
    harvest = space.field.harvest
    assert harvest is not None
    for column in answer.columns:
        for product in column.products:
            label = next(one for one in space.products if one.name == product).labels["soybean"]
            assert harvest.toordinal() - space.slots[column.slot].day >= (label.harvest_interval or 0)
    for target in space.view(answer.columns).targets:
        if target.entry.pressure == "high":
            assert len(practice.working_modes(space, answer.columns, target)) >= 2
        covering = [column for column in answer.columns if target.id in column.spans]
        assert min(space.slots[column.slot].day for column in covering) <= target.window.first


def test_reasons_of_each_pass() -> None:
    front, _ = scenario("quarry-bottom")
    answer = front.named["balanced"]
    reasons = pass_reasons.of(front.space, answer)
    assert len(reasons) == len(answer.columns) >= 2
    for reason, column in zip(reasons, answer.columns, strict=True):
        rest = [other for other in answer.columns if other is not column]
        assert reason.bare_without == front.space.bare(rest) - answer.bare > 0
        assert reason.covers and reason.now and reason.label
    assert any("window of frogeye leaf spot opens" in words for words in reasons[0].now)
    assert any("R3 is the first published stage" in words for reason in reasons for words in reason.now)
    for first, second in zip(answer.columns, answer.columns[1:], strict=False):
        avoid = pass_reasons.of(front.space, answer)[answer.columns.index(first)].avoid
        led = {front.space.account.group_words(group) for group in second.uses.by_group}
        assert avoid and not set(avoid) & led


def test_no_date_left_is_said() -> None:
    """The only date is taken by a pass that is decided: nothing else can be asked of the season."""
    from planner.model import Pass, TankItem

    field = load_field("shared/scenarios/heron-flat.yaml", catalogue())
    few = tuple(one for one in shop() if one.name in ("Demo Whinchat 430 SC", "Demo Pipit 300 SC"))
    item = TankItem(product=few[0].name, rate=few[0].labels["soybean"].rate_most, unit=few[0].amount_unit)
    made = Pass(number=1, date=field.stages["R3"], tank=(item,), water=field.application.water)
    front = draft(Space(field, few, catalogue(), keep=(made,), slots=[]))
    entries = why_not(front, front.named["balanced"])
    assert {entry.name: entry.reason for entry in entries if entry.kind == "product"} == {
        few[1].name: "no spray date is left for it"
    }
    assert [entry.reason for entry in entries if entry.kind == "group"] == [
        f"{few[1].name}, its only product here: no spray date is left for it"
    ]


def test_last_season_is_good_practice_that_keeps_a_date_out() -> None:
    """ROT04: where only last season's groups in their order hold what is asked for, that is what is given up."""
    space, _ = two_groups(())
    free = draft(space).named["balanced"]
    same = Season(season="2025", crop="soybean", groups=tuple(tuple(groups) for groups in sequence(free)))
    again, _ = two_groups((same,))
    front = draft(again)
    told = [entry for entry in why_not(front, front.named["balanced"]) if entry.answer is not None]
    for entry in told:
        assert entry.answer is not None
        if sequence(entry.answer) == sequence(free):
            assert "repeats last season's groups" in entry.reason, entry
