"""Facts about timing and coverage: before the disease, on unprotected growth, without holes (TIM01-TIM05)."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from planner.account import Account, Cap, PassState, TargetState, cap_of
from planner.facts.kinds import Fact
from planner.facts.make import DATES, fact, listed, names, number, shown, stage_words, when
from planner.model import CoverageAdvice


def make(account: Account) -> Iterator[Fact]:
    """All timing facts of a programme."""
    yield from _first_passes(account)
    yield from _gaps(account)
    yield from _idle(account)
    yield from _coverage(account)
    yield from _harmful(account)


def _first_passes(account: Account) -> Iterator[Fact]:
    for target in account.targets:
        timing = target.target.best_timing
        if not timing or not account.passes:
            continue
        unknown = False
        first: PassState | None = None
        for state in account.passes:
            if account.meets(state, target).value is False:
                continue
            effective = account.effective(state, target)[0]
            if effective:
                first = state
                break
            unknown = unknown or (effective is None and account.meets(state, target).value is not False)
        if first is None and not unknown:
            continue
        after = account.season.following(timing[-1])
        if after is None:
            continue
        state = first or account.passes[0]
        stage = None if first is None or unknown or state.time.bbch is None else state.time.bbch[0]
        caps = [cap_of(target.target.timing_backing, f"the best timing against {target.name}")]
        if state.time.bbch_estimated:
            caps.append(Cap("advice", "the stage of the pass is an estimate"))
        if first is not None:
            caps.append(account.effective(first, target)[1])
        yield fact(
            "first_pass",
            target.id,
            [state.number],
            {"stage": stage, "late_from": after.bbch},
            shows={
                "target": target.name,
                "stage_words": stage_words(account, state),
                "best_words": timing[0] if len(timing) == 1 else f"{timing[0]} to {timing[-1]}",
                "date_words": when(account, state),
                "late_words": after.code,
            },
            evidence={"target": target.id, "stage": stage_words(account, state), "best": list(timing)},
            unknown={}
            if stage is not None
            else {"stage": f"whether an earlier pass controls {target.name} is not known" if unknown else DATES},
            caps=caps,
            sources=target.target.timing_backing.sources,
            subject=target.id,
            place=str(state.entry.place),
        )


def _gaps(account: Account) -> Iterator[Fact]:
    """TIM02: the longest bare stretch between the first and the last effective pass inside a continuous window."""
    for target in account.targets:
        window = target.window
        if target.target.timing_style != "continuous" or window is None:
            continue
        effective = [
            state for state in account.passes if account.works(state, target) and account.effective(state, target)[0]
        ]
        if len(effective) < 2:
            continue
        passes = [state.number for state in effective]
        if window.first is None or window.last is None or any(state.time.day is None for state in effective):
            yield _gap_fact(account, target, passes, None, {"days": DATES}, [])
            continue
        best, spot = 0, (window.first, window.first, effective[0], effective[1])
        for first, second in pairwise(effective):
            ends = [_longest_end(account, state, target) for state in effective if state.number <= first.number]
            if any(end is None for end in ends):
                best = -1
                break
            start = max(max(end for end in ends if end is not None), window.first)
            stop = min(second.time.day or 0, window.last)
            if stop - start > best:
                best, spot = stop - start, (start, stop, first, second)
        if best < 0:
            yield _gap_fact(
                account, target, passes, None, {"days": f"the protection days against {target.name} are not known"}, []
            )
            continue
        start, stop, first, second = spot
        caps: list[Cap] = []
        if window.estimated or first.time.day_estimated or second.time.day_estimated:
            caps.append(Cap("advice", f"the window of {target.name} rests on estimated stage dates"))
        for use in first.uses:
            row = account.protection(use, first, target)
            if row is not None and account.effect(use, target).value and row.backing.cap != "breach":
                caps.append(Cap(row.backing.cap, f"the protection days of {use.active.name} are {row.backing.words}"))
        unknown = {} if target.entry.pressure is not None else {"pressure": f"give the pressure of {target.name}"}
        yield _gap_fact(account, target, [first.number, second.number], best, unknown, caps, (start, stop))


def _longest_end(account: Account, state: PassState, target: TargetState) -> int | None:
    """Last day covered by the published interval: the upper end, or the longest published for target and place."""
    if state.time.day is None:
        return None
    ends = [
        end
        for use in state.uses
        if account.effect(use, target).value and (end := account.cover_end(use, state, target, upper=True)) is not None
    ]
    for code in state.codes:
        for kind in ("protection_days", "max_interval_days"):
            for entry in account.published.choose(kind, code, target)[0]:
                if not entry.regional:
                    ends.append(state.time.day + int(entry.number))
    retreatment = account.catalogue.retreatment_of(account.crop.id, target.id)
    if retreatment is not None:
        ends.append(state.time.day + round(retreatment.most))
    return max(ends, default=None)


def _gap_fact(
    account: Account,
    target: TargetState,
    passes: list[int],
    days: int | None,
    unknown: dict[str, str],
    caps: list[Cap],
    span: tuple[int, int] | None = None,
) -> Fact:
    show = account.season.show
    return fact(
        "cover_gap",
        target.id,
        passes,
        {"days": days, "pressure": target.entry.pressure},
        shows={
            "target": target.name,
            "from_words": f"from {show(span[0])}" if span and show(span[0]) else "",
            "to_words": f"to {show(span[1])}" if span and show(span[1]) else "",
            "first": str(passes[0]),
            "second": str(passes[-1]),
            "windows": _window_words(target),
        },
        evidence={"target": target.id, "days": days, "unit": "d", "pressure": target.entry.pressure},
        unknown=unknown,
        caps=caps,
        subject=target.id,
    )


def _window_words(target: TargetState) -> str:
    return f"{target.name} {target.window.first_stage} to {target.window.last_stage}" if target.window else target.name


def _idle(account: Account) -> Iterator[Fact]:
    if not account.targets:
        return
    for state in account.passes:
        answers = [(target, account.meets(state, target)) for target in account.targets]
        met = [target for target, answer in answers if answer.value]
        unclear = any(answer.value is None for _, answer in answers)
        meets = 1 if met else None if unclear else 0
        untreated = [target for target in met if target.target.foliar_treatment is False]
        caps = []
        if any(answer.estimated for _, answer in answers):
            caps.append(Cap("advice", "the windows rest on estimated stage dates"))
        else:
            caps += [cap_of(target.target.window_backing, f"the window of {target.name}") for target in account.targets]
        yield fact(
            "pass_window",
            str(state.number),
            [state.number],
            {"meets_any": meets, "only_untreated": int(bool(met) and len(untreated) == len(met))},
            shows={
                "stage_words": stage_words(account, state),
                "targets": names(untreated or account.targets),
                "windows": listed(_window_words(target) for target in account.targets),
                "date_words": when(account, state),
            },
            evidence={"stage": stage_words(account, state), "windows": [_window_words(t) for t in account.targets]},
            unknown={} if meets is not None else {"meets_any": DATES},
            caps=caps,
            subject=str(state.number),
            place=str(state.entry.place),
        )


def _coverage(account: Account) -> Iterator[Fact]:
    for target in account.targets:
        advice = account.catalogue.coverage_for(account.crop.id, target.id)
        if not advice:
            continue
        for state in account.working(target):
            yield _coverage_fact(account, state, target, advice)


def _coverage_fact(account: Account, state: PassState, target: TargetState, advice: list[CoverageAdvice]) -> Fact:
    canopy = state.entry.canopy
    fitting = [row for row in advice if canopy is not None and row.canopy == canopy]
    open_rows = [row for row in advice if row.canopy == "any"]
    bound = fitting or ([row for row in advice if row.canopy != "any"] if canopy is None else [])
    droplets = state.entry.droplets or account.field.application.droplets
    water = state.entry.water if state.entry.water is not None else account.field.application.water
    classes = {code for row in [*bound, *open_rows] for code in row.droplets}
    # where sources disagree on volume the least that any of them accepts is the floor; both stay in the note
    floors = [row.volume_least for row in open_rows if row.volume_least is not None]
    floors = floors or [row.volume[0] for row in [*bound, *open_rows] if row.volume is not None]
    unknown: dict[str, str] = {}
    fit: int | None = 1
    if classes:
        fit = None if droplets is None else int(droplets in classes)
        if fit is None:
            unknown["droplets_fit"] = (
                f"give the droplet class of pass {state.number} (ASABE S572: fine, medium, coarse ...)"
            )
    floor = round(min(floors)) * 1000 if floors else None
    litres = 0 if floor is None else None if water is None else round(water) * 1000
    if floor is not None and litres is None:
        unknown["water"] = f"give the carrier volume of pass {state.number}"
    rows = [*bound, *open_rows]
    caps = [cap_of(row.backing, f"the coverage advice for {target.name}") for row in rows[:1]]
    return fact(
        "coverage",
        f"{state.number}:{target.id}",
        [state.number],
        {"droplets_fit": fit, "water": litres, "water_least": floor},
        shows={
            "target": target.name,
            "droplets": _class_words(droplets),
            "advised": listed((_class_words(code) for code in classes_in_order(classes)), "or"),
            "water_words": "" if water is None else f"{number(water)} L/ha",
            "advised_water": "" if floor is None else f"{number(floor / 1000)} L/ha",
            "note": " ".join(row.note for row in rows if row.note),
        },
        evidence={
            "target": target.id,
            "droplets": droplets,
            "advised": sorted(classes),
            "water": water,
            "least_water": None if floor is None else floor / 1000,
            "unit": "L/ha",
        },
        unknown=unknown,
        caps=caps,
        sources=tuple(key for row in rows for key in row.backing.sources),
        subject=target.id,
        place=str(state.entry.place),
    )


DROPLET_WORDS = {
    # ASABE S572 class codes, finest first
    "XF": "extremely fine",
    "VF": "very fine",
    "F": "fine",
    "M": "medium",
    "C": "coarse",
    "VC": "very coarse",
    "XC": "extremely coarse",
    "UC": "ultra coarse",
}


def classes_in_order(codes: set[str]) -> list[str]:
    """Droplet class codes, finest first."""
    return [code for code in DROPLET_WORDS if code in codes]


def _class_words(code: str | None) -> str:
    return DROPLET_WORDS.get(code or "", code or "")


def _harmful(account: Account) -> Iterator[Fact]:
    ids = {target.id for target in account.targets}
    for row in account.catalogue.harmful_uses:
        if row.crop != account.crop.id or row.needs_other or (row.needs_target and row.needs_target not in ids):
            continue
        for state in account.passes:
            uses = [use for use in state.uses if use.code in row.codes or "any" in row.codes]
            if not uses:
                continue
            inside: int | None = None
            caps = [cap_of(row.backing, "the warning")]
            if state.time.bbch is not None:
                low, high = state.time.bbch
                first, last = (account.season.bbch(code) for code in row.stages)
                inside = int(first <= high and low <= last)
                if state.time.bbch_estimated:
                    caps.append(Cap("advice", "the stage of the pass is an estimate"))
            yield fact(
                "harmful_use",
                f"{row.id}:{state.number}",
                [state.number],
                {"inside": inside},
                shows={
                    "group": account.group_words(uses[0].group),
                    "stage_words": stage_words(account, state),
                    "effect": row.effect,
                    "do_instead": row.do_instead,
                    "actives": shown(uses),
                },
                evidence={"group": uses[0].group, "stage": stage_words(account, state), "window": list(row.stages)},
                unknown={} if inside is not None else {"inside": f"give the stage of pass {state.number}"},
                caps=caps,
                sources=row.backing.sources,
                subject=str(state.number),
                place=str(state.entry.place),
            )
