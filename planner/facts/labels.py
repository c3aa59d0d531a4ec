"""Facts about labels: what the user copied from each container, beside what the programme does (LBL01-LBL10)."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from itertools import pairwise

from planner.account import Account, Cap, PassState
from planner.facts.kinds import Fact, FactValue, Telling
from planner.facts.make import DATES, fact, listed, number, stage_words, telling, when
from planner.model import CropLabel, Place, Product, TankItem

NO_LABEL = "copy the label of the product into the product list; a bare active has none"


def make(account: Account) -> Iterator[Fact]:
    """All label facts of a programme."""
    yield from _uses(account)
    yield from _repeats(account)
    yield from _actives(account)
    yield from _runs(account)


def _items(account: Account) -> Iterator[tuple[PassState, TankItem, Product]]:
    for state in account.all_states:
        for item in state.entry.tank:
            product = account.programme.product(item.product) if item.product else None
            if product is not None:
                yield state, item, product


def _uses(account: Account) -> Iterator[Fact]:
    for at, (state, item, product) in enumerate(_items(account)):
        label = product.labels.get(account.crop.id)
        values = _use_values(account, state, item, product, label)
        yield fact(
            "label_use",
            f"{state.number}:{at}",
            (state.number,),
            values,
            partial(_use_words, account, state, item, product, label, values),
            _lacking(account, state, product, label, values),
        )


def _cited(product: Product, label: CropLabel | None) -> tuple[str, ...]:
    """The label that the user copied, and where it stands, so that a finding can be held against the container."""
    if label is None:
        at, what = product.place, f"the label of {product.name} as the product list gives it"
    else:
        at, what = label.place, f"the label of {product.name} as it was copied"
    return (f"{what} ({at})" if at != Place() else what,)


def _use_values(
    account: Account, state: PassState, item: TankItem, product: Product, label: CropLabel | None
) -> dict[str, FactValue]:
    """Values of one use; what the label does not say is left out of judgement, what the programme lacks is unknown."""
    values = _UNKNOWN_USE.copy()
    if product.labels:
        values["crop_on_label"] = int(label is not None)
    if label is None:
        return values
    # where the label is silent there is nothing to compare with, so nothing is missing either
    values.update(rate=0, stage_low=0, stage_high=99, days_to_harvest=0, water=0)
    if item.rate is not None:
        values["rate"] = _milli(item.rate)
    elif label.rate_least is not None or label.rate_most is not None:
        values["rate"] = None
    if label.rate_least is not None:
        values["rate_least"] = _milli(label.rate_least)
    if label.rate_most is not None:
        values["rate_most"] = _milli(label.rate_most)
        values["cut_allowed"] = int(_cut_allowed(account, state, item, label))
    _stage_values(account, state, label, values)
    if label.harvest_interval is not None:
        values["harvest_interval"] = label.harvest_interval
        harvest, day = account.field.harvest, state.time.day
        known = harvest is not None and day is not None and not account.season.floating
        values["days_to_harvest"] = harvest.toordinal() - day if known else None  # type: ignore[union-attr,operator]
    if label.water is not None:
        # whole litres: 15 gal/ac is printed as 140 L/ha, and nobody sprays to a tenth of a litre
        values["water_least"] = round(label.water) * 1000
        water = _water(account, state)
        values["water"] = None if water is None else round(water) * 1000
    return values


_UNKNOWN_USE: dict[str, FactValue] = {
    **dict.fromkeys(("crop_on_label", "rate", "rate_least", "rate_most")),
    "cut_allowed": 0,
    **dict.fromkeys(("stage_low", "stage_high", "first_stage", "last_stage")),
    **dict.fromkeys(("days_to_harvest", "harvest_interval", "water", "water_least")),
}


def _water(account: Account, state: PassState) -> float | None:
    """Carrier volume of a pass, L/ha."""
    return state.entry.water if state.entry.water is not None else account.field.application.water


def _stage_values(account: Account, state: PassState, label: CropLabel, values: dict[str, FactValue]) -> None:
    if label.first_stage is None and label.last_stage is None:
        return
    season = account.season
    values["first_stage"] = season.bbch(label.first_stage) if label.first_stage else 0
    values["last_stage"] = season.bbch(label.last_stage) if label.last_stage else 99
    if state.entry.how != "foliar":
        return  # a seed or in-furrow use goes on at sowing; its window is not a leaf stage
    values["stage_low"] = values["stage_high"] = None
    if state.time.bbch is None:
        return
    low, high = state.time.bbch
    if state.time.bbch_estimated:
        given_low, given_high = season.given_range(state.time.day or 0)
        if (given_low, given_high) != (0, 99):
            low, high = max(low, given_low), min(max(high, given_low), given_high)
    values["stage_low"], values["stage_high"] = low, high


def _use_words(
    account: Account,
    state: PassState,
    item: TankItem,
    product: Product,
    label: CropLabel | None,
    values: dict[str, FactValue],
) -> Telling:
    shows: dict[str, str] = {}
    caps: list[Cap] = []
    if label is not None:
        shows = _label_words(account, state, item, product, label, values)
        if label.harvest_interval is not None and values["days_to_harvest"] is not None and state.time.day_estimated:
            caps.append(Cap("advice", "the date of the pass is an estimate"))
    return telling(
        shows={"product": product.name, "crop": account.crop.name, **shows},
        evidence={"product": product.name, **_evidence(values, shows)},
        caps=caps,
        sources=_cited(product, label),
        subject=product.name,
        place=item.place,
    )


def _label_words(
    account: Account,
    state: PassState,
    item: TankItem,
    product: Product,
    label: CropLabel,
    values: dict[str, FactValue],
) -> dict[str, str]:
    """What the label says and what the programme does, with units."""
    unit = product.amount_unit
    shows: dict[str, str] = {}
    if item.rate is not None:
        shows["rate_words"] = f"{number(item.rate)} {unit}"
    if label.rate_least is not None:
        shows["least_words"] = f"{number(label.rate_least)} {unit}"
    if label.rate_most is not None:
        shows["most_words"] = f"{number(label.rate_most)} {unit}"
    if label.first_stage is not None or label.last_stage is not None:
        shows["window_words"] = f"{label.first_stage or 'the start'} to {label.last_stage or 'the end'}"
        shows["stage_words"] = stage_words(account, state)
        if state.entry.how == "foliar" and state.time.bbch is not None and state.time.bbch_estimated:
            shows["stage_words"] = f"about BBCH{values['stage_low']:02d} by the estimated stage dates"
    if label.harvest_interval is not None:
        shows["interval_words"] = f"{label.harvest_interval} days"
        if values["days_to_harvest"] is not None:
            shows["days_words"] = f"{values['days_to_harvest']} days"
    if label.water is not None:
        shows["water_least_words"] = f"{number(label.water)} L/ha"
        water = _water(account, state)
        if water is not None:
            shows["water_words"] = f"{number(water)} L/ha"
    return shows


def _lacking(
    account: Account, state: PassState, product: Product, label: CropLabel | None, values: dict[str, FactValue]
) -> dict[str, str]:
    """The facts to supply, by the field that is unknown for want of them."""
    if not product.labels:
        return {"crop_on_label": f"copy the label of {product.name} into the product list"}
    lacking: dict[str, str] = {}
    if label is None:
        return lacking
    if values["rate"] is None:
        lacking["rate"] = f"give the rate of {product.name} in pass {state.number}"
    if values["stage_low"] is None:
        lacking["stage_low"] = lacking["stage_high"] = f"give the stage of pass {state.number}"
    if values["days_to_harvest"] is None:
        harvest = account.field.harvest
        lacking["days_to_harvest"] = DATES if harvest is not None else "give the field's harvest date"
    if values["water"] is None:
        lacking["water"] = "give the carrier volume"
    return lacking


def _cut_allowed(account: Account, state: PassState, item: TankItem, label: CropLabel) -> bool:
    """Whether a published row for this field accepts the cut to this share of the full label rate."""
    if item.rate is None or not label.rate_most:
        return False
    share = item.rate / label.rate_most
    for use in state.uses:
        if use.item is item:
            for target in account.targets or [None]:  # type: ignore[list-item]
                chosen, _ = account.published.choose("reduced_rate_allowed", use.code, target)
                if any(not entry.regional and share >= entry.number - 1e-9 for entry in chosen):
                    return True
    return False


def _repeats(account: Account) -> Iterator[Fact]:
    uses: dict[str, list[tuple[PassState, TankItem, Product]]] = {}
    for state, item, product in _items(account):
        uses.setdefault(product.name, []).append((state, item, product))
    for name, entries in uses.items():
        label = entries[0][2].labels.get(account.crop.id)
        if label is None:
            continue
        passes = list(dict.fromkeys(state.number for state, _, _ in entries))
        if label.applications is not None:
            yield fact(
                "label_season",
                name,
                passes,
                {"applications": len(passes), "most": label.applications},
                partial(_season_words, entries[0][2], label, len(passes), entries[-1][1]),
            )
        if label.interval is None:
            continue
        states = list({state.number: state for state, _, _ in entries}.values())
        for first, second in pairwise(states):
            known = first.time.day is not None and second.time.day is not None
            days = second.time.day - first.time.day if known else None  # type: ignore[operator]
            yield fact(
                "label_repeat",
                f"{name}:{first.number}:{second.number}",
                (first.number, second.number),
                {"days_apart": days, "interval": label.interval},
                partial(_repeat_words, account, entries[0][2], label, first, second, days),
                {} if known else {"days_apart": DATES},
            )


def _season_words(product: Product, label: CropLabel, applications: int, last: TankItem) -> Telling:
    return telling(
        shows={"product": product.name},
        evidence={"product": product.name, "applications": applications, "most": label.applications},
        sources=_cited(product, label),
        place=last.place,
    )


def _repeat_words(
    account: Account, product: Product, label: CropLabel, first: PassState, second: PassState, days: int | None
) -> Telling:
    guess = first.time.day_estimated or second.time.day_estimated or account.season.floating
    return telling(
        shows={
            "product": product.name,
            "first": str(first.number),
            "second": str(second.number),
            "days_words": f"{days} days",
            "interval_words": f"{label.interval} days",
        },
        evidence={"product": product.name, "days": days, "interval": label.interval, "unit": "d"},
        sources=_cited(product, label),
        caps=[Cap("advice", "the days between the passes are estimated from their stages")] if guess else [],
        place=second.entry.place,
    )


def _actives(account: Account) -> Iterator[Fact]:
    """An active's season total over all products and bare actives, against the least limit any used label sets."""
    limits = _active_limits(account)
    if not limits:
        return
    totals: dict[str, float] = {}
    gaps: dict[str, str] = {}
    passes: dict[str, list[int]] = {}
    for state in account.all_states:
        for item in state.entry.tank:
            product = account.programme.product(item.product) if item.product else None
            if product is None:
                if item.active is not None:
                    _add(totals, gaps, passes, item.active, item.dose, state.number)
                continue
            for active, content in product.actives.items():
                dose = item.rate * content if item.rate is not None else None
                _add(totals, gaps, passes, active, dose, state.number)
    for active, (most, setter, label) in limits.items():
        if active not in totals and active not in gaps:
            continue
        total = totals.get(active, 0.0)
        # a missing rate leaves the total open below, but what is already over stays over
        missing = active in gaps and total <= most
        yield fact(
            "active_season",
            active,
            passes[active],
            {"total": None if missing else round(total * 1000), "most": round(most * 1000)},
            partial(_total_words, active, total, most, setter, label),
            {"total": gaps[active]} if missing else {},
        )


def _active_limits(account: Account) -> dict[str, tuple[float, Product, CropLabel]]:
    """The least season total of each active that a label of a used product sets, with product and label."""
    limits: dict[str, tuple[float, Product, CropLabel]] = {}
    for _, _, product in _items(account):
        label = product.labels.get(account.crop.id)
        if label is None:
            continue
        for active, most in label.active_total.items():
            if active not in limits or most < limits[active][0]:
                limits[active] = (most, product, label)
    return limits


def _total_words(active: str, total: float, most: float, setter: Product, label: CropLabel) -> Telling:
    return telling(
        shows={
            "active": active,
            "total_words": f"{number(total)} g/ha",
            "most_words": f"{number(most)} g/ha",
            "label_of": setter.name,
        },
        evidence={"active": active, "total": round(total, 3), "most": round(most, 3), "unit": "g/ha"},
        sources=_cited(setter, label),
    )


def _add(
    totals: dict[str, float],
    gaps: dict[str, str],
    passes: dict[str, list[int]],
    active: str,
    dose: float | None,
    number_: int,
) -> None:
    passes.setdefault(active, []).append(number_)
    if dose is None:
        gaps[active] = f"give the rate of {active} in pass {number_}"
    else:
        totals[active] = totals.get(active, 0.0) + dose


def _runs(account: Account) -> Iterator[Fact]:
    """Every run of passes with one group, against the labels in it that limit such runs."""
    if all(use.label is None or use.label.consecutive is None for state in account.passes for use in state.uses):
        return
    runs: dict[str, list[list[PassState]]] = {}
    before: frozenset[str] = frozenset()
    for state in account.passes:
        for group in state.by_group:
            if group in before:
                runs[group][-1].append(state)
            else:
                runs.setdefault(group, []).append([state])
        before = frozenset(state.by_group)
    for group, found in runs.items():
        for run in found:
            labels = {
                use.product.name: (use.product, use.label, use.label.consecutive)
                for state in run
                for use in state.uses
                if use.group == group and use.product and use.label and use.label.consecutive is not None
            }
            if labels:
                yield _run(account, group, run, list(labels.values()))


def _run(account: Account, group: str, run: list[PassState], labels: list[tuple[Product, CropLabel, int]]) -> Fact:
    numbers = [state.number for state in run]
    return fact(
        "label_run",
        f"{group}:{numbers[0]}",
        numbers,
        {"run": len(run), "most": min(entry[2] for entry in labels)},
        partial(_run_words, account, group, numbers, labels),
    )


def _run_words(
    account: Account, group: str, numbers: list[int], labels: list[tuple[Product, CropLabel, int]]
) -> Telling:
    length = len(numbers)
    over = [entry for entry in labels if entry[2] < length] or labels
    by_most: dict[int, list[str]] = {}
    for product, _, most in sorted(over, key=lambda entry: entry[2]):
        by_most.setdefault(most, []).append(product.name)
    said = [
        f"{('the labels' if at == 0 else 'those') if len(names) > 1 else ('the label' if at == 0 else 'that')} "
        f"of {listed(names)} {'allow' if len(names) > 1 else 'allows'} {most}"
        for at, (most, names) in enumerate(by_most.items())
    ]
    least = min(by_most)
    return telling(
        shows={
            "product": listed(product.name for product, _, _ in over),
            "group": account.group_words(group),
            "passes_words": f"{'pass' if length == 1 else 'passes'} {listed(str(number) for number in numbers)}",
            "labels_words": listed(said),
            "most_words": f"{least} {'pass' if least == 1 else 'passes'} in a row",
        },
        evidence={"group": group, "run": length, "most": least if len(by_most) == 1 else sorted(by_most)},
        sources=[key for product, label, _ in over for key in _cited(product, label)],
        subject=group,
    )


def bare_actives(account: Account) -> tuple[list[int], list[str]]:
    """Passes that hold bare actives, and the actives: one "not assessed" stands for all label rules on them."""
    found: dict[str, None] = {}
    passes: list[int] = []
    for state in account.all_states:
        for item in state.entry.tank:
            if item.active is not None:
                found[item.active] = None
                passes.append(state.number)
    return list(dict.fromkeys(passes)), list(found)


def _milli(value: float) -> int:
    return round(value * 1000)


_WORDS = {
    "rate": "rate_words",
    "rate_least": "least_words",
    "rate_most": "most_words",
    "days_to_harvest": "days_words",
    "harvest_interval": "interval_words",
    "water": "water_words",
    "water_least": "water_least_words",
    "stage_low": "stage_words",
    "first_stage": "window_words",
}


def _evidence(values: dict[str, FactValue], shows: dict[str, str]) -> dict[str, str]:
    """What was compared, as the message words it: numbers with their unit, stages by their code."""
    return {field: shows[words] for field, words in _WORDS.items() if values.get(field) is not None and words in shows}


__all__ = ["NO_LABEL", "bare_actives", "make", "when"]
