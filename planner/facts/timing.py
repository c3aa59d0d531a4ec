"""Facts about timing and coverage: before the disease, on unprotected growth, without holes (TIM01-TIM05)."""

from __future__ import annotations

from collections.abc import Iterator
from collections.abc import Set as AbstractSet
from functools import partial
from itertools import pairwise
from typing import Any, NamedTuple

from planner.account import Account, Cap, PassState, TargetState, Use, cap_of
from planner.cover import bare_on_new_leaves
from planner.facts.dates import dated, day_words, of_pass, of_window, window_dates
from planner.facts.kinds import Fact, Shown, Telling
from planner.facts.make import DATES, fact, listed, names, number, shown, stage_words, telling
from planner.leaves import growth, reached
from planner.model import CoverageAdvice, HarmfulUse, Stage
from planner.season import Window


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
        after = _after(account, timing[-1])
        if after is None:
            continue
        state = first or account.passes[0]
        stage = None if first is None or unknown or state.time.bbch is None else state.time.bbch[0]
        yield fact(
            "first_pass",
            target.id,
            (state.number,),
            {"stage": stage, "late_from": after.bbch},
            partial(_first_told, account, target, state, after, first is not None),
            {}
            if stage is not None
            else {"stage": f"whether an earlier pass controls {target.name} is not known" if unknown else DATES},
        )


def _after(account: Account, code: str) -> Stage | None:
    """The stage that follows one in time."""
    key = ("after", code)
    known = account.ground.known
    if key not in known:
        known[key] = account.season.following(code)
    found: Stage | None = known[key]
    return found


def _first_told(account: Account, target: TargetState, state: PassState, after: Stage, found: bool) -> Telling:
    timing = target.target.best_timing
    behind, behind_estimated = account.season.day(after.code)
    ended = None if behind is None else behind - 1
    late = None if ended is None or state.time.day is None or account.season.floating else state.time.day - ended
    late = late if late is not None and late > 0 else None  # its own stage may run ahead of the field's dates
    caps = [cap_of(target.target.timing_backing, f"the best timing against {target.name}")]
    if state.time.bbch_estimated:
        caps.append(Cap("advice", "the stage of the pass is an estimate"))
    if found:
        caps.append(account.effective(state, target)[1])
    return telling(
        shows={
            "target": target.name,
            "stage_words": stage_words(account, state),
            "best_words": timing[0] if len(timing) == 1 else f"{timing[0]} to {timing[-1]}",
            "date_words": f" on {of_pass(account, state)}" if of_pass(account, state) else "",
            "late_words": after.code,
            "end_words": _ended(day_words(account, ended, behind_estimated), late, after.code),
        },
        evidence={
            "target": target.id,
            "stage": stage_words(account, state),
            "best": list(timing),
            **dated(account, pass_date=state.time.day, best_ended=ended),
            **({"days_late": late} if late is not None else {}),
        },
        caps=caps,
        backings=(target.target.timing_backing,),
        subject=target.id,
        place=state.entry.place,
    )


def _ended(shown: str, late: int | None, code: str) -> str:
    """``, which ended on 24 August, 1 day before``; by the stage alone where no date tells (or dates contradict it)."""
    if not shown or late is None:
        return f", and by {code} it is past"
    return f", which ended on {shown}, {late} {'day' if late == 1 else 'days'} before"


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
        days = [state.time.day for state in effective if state.time.day is not None]
        if window.first is None or len(days) < len(effective):
            yield _uncounted(account, target, passes, DATES)
            continue
        ends = [_longest_end(account, state, target) for state in effective]
        if any(end is None for end in ends):
            yield _uncounted(account, target, passes, f"the protection days against {target.name} are not known")
            continue
        spans = [end for end in ends if end is not None]
        # where nothing dates its end the window still lasts to the last pass that works against the target
        last = window.last if window.last is not None else max(days)
        gap = _widest(effective, [latest for _, latest in spans], window.first, last)
        if_cut = _widest(effective, [sure for sure, _ in spans], window.first, last)
        yield _measured(account, target, window, gap, if_cut)


class _Gap(NamedTuple):
    """The longest bare stretch: first bare day and the day on which it ends (ordinals), and the passes around it."""

    start: int
    stop: int
    first: PassState
    second: PassState

    @property
    def days(self) -> int:
        return max(0, self.stop - self.start)


def _widest(effective: list[PassState], ends: list[int], first: int, last: int) -> _Gap:
    """The longest stretch between neighbouring passes, inside a window, after the cover of all earlier ones."""
    found: _Gap | None = None
    covered = first
    for (one, other), end in zip(pairwise(effective), ends, strict=False):
        covered = max(covered, end)
        gap = _Gap(covered, min(other.time.day or 0, last), one, other)
        if found is None or gap.stop - gap.start > found.stop - found.start:
            found = gap
    assert found is not None
    return found


def _measured(account: Account, target: TargetState, window: Window, gap: _Gap, if_cut: _Gap) -> Fact:
    """The fact of a gap that can be counted; a rate under the label's leaves open how long it is at the most."""
    open_ = if_cut.days != gap.days
    return fact(
        "cover_gap",
        target.id,
        (gap.first.number, gap.second.number),
        {"days": gap.days, "days_if_cut": None if open_ else gap.days, "pressure": target.entry.pressure},
        partial(_measured_told, account, target, window, gap, open_),
        _open_gap(account, target, if_cut if open_ else None),
    )


def _open_gap(account: Account, target: TargetState, if_cut: _Gap | None) -> dict[str, str]:
    """What is lacking to judge a gap by; ``if_cut``: the gap if a rate that is cut protects no longer than its day."""
    unknown = {} if target.entry.pressure is not None else {"pressure": f"give the pressure of {target.name}"}
    if if_cut is not None:
        cut = [use.shown for use in if_cut.first.uses if use.cut] or [
            use.shown for state in account.working(target) for use in state.uses if use.cut
        ]
        unknown["days_if_cut"] = (
            f"how long {listed(cut)} covers {target.name} at a rate under its label's least is not known"
        )
    return unknown


def _measured_told(account: Account, target: TargetState, window: Window, gap: _Gap, open_: bool) -> Telling:
    caps: list[Cap] = []
    guessed = window.estimated or gap.first.time.day_estimated or gap.second.time.day_estimated
    if guessed:
        caps.append(Cap("advice", f"the window of {target.name} rests on estimated stage dates"))
    for use in gap.first.uses:
        row = account.protection(use, gap.first, target)
        if row is not None and account.effect(use, target).value and row.backing.cap != "breach":
            caps.append(Cap(row.backing.cap, f"the protection days of {use.active.name} are {row.backing.words}"))
    return _gap_told(account, target, [gap.first.number, gap.second.number], gap.days, caps, gap, open_)


def _longest_end(account: Account, state: PassState, target: TargetState) -> tuple[int, int] | None:
    """First day not covered by the published interval: the upper end, or the longest published for target and place.

    Two days: the one that is sure, and the latest. They differ where a rate lies under the label's least, since
    intervals are published for label rates; then nothing is sure from the day of the pass on.
    """
    day = state.time.day
    if day is None:
        return None
    sure: list[int] = []
    latest: list[int] = []
    working = [use for use in state.uses if account.effect(use, target).value]
    for use in working:
        row = account.protection(use, state, target)
        if row is not None:
            latest.append(day + round(row.most))
            if not use.cut:
                sure.append(latest[-1])
    published = []
    for code in state.codes:
        for kind in ("protection_days", "max_interval_days"):
            for entry in account.published.choose(kind, code, target)[0]:
                if not entry.regional:
                    published.append(day + int(entry.number))
    retreatment = account.catalogue.retreatment_of(account.crop.id, target.id)
    if retreatment is not None:
        published.append(day + round(retreatment.most))
    latest += published
    if not latest:
        return None
    if not working or any(not use.cut for use in working):
        sure += published
    return max(sure, default=day), max(latest)


def _uncounted(account: Account, target: TargetState, passes: list[int], reason: str) -> Fact:
    """The fact of a gap whose days are not known, and why not."""
    return fact(
        "cover_gap",
        target.id,
        passes,
        {"days": None, "days_if_cut": None, "pressure": target.entry.pressure},
        partial(_gap_told, account, target, passes, None, []),
        {"days": reason},
    )


def _gap_told(
    account: Account,
    target: TargetState,
    passes: list[int],
    days: int | None,
    caps: list[Cap],
    gap: _Gap | None = None,
    open_: bool = False,
) -> Telling:
    shows: dict[str, Shown] = {"target": target.name, "first": str(passes[0]), "second": str(passes[-1])}
    evidence: dict[str, Any] = {"target": target.id, "days": days, "unit": "d", "pressure": target.entry.pressure}
    if days and gap is not None:
        guessed = gap.first.time.day_estimated
        begins = day_words(account, gap.start, guessed or gap.start == (target.window.first if target.window else 0))
        ends = day_words(account, gap.stop - 1, gap.second.time.day_estimated)
        shows["span_words"] = f", from {begins} to {ends}" if begins and ends else ""
        shows["at_least"] = "at least " if open_ else ""
        shows["windows"] = _window_words(account, target)
        shows["growth_words"], more = _growth(account, target, gap)
        evidence |= dated(account, bare_from=gap.start, bare_to=gap.stop - 1)
        dates = window_dates(account, target)
        evidence |= {**({"window": dates} if dates else {}), **more}
    return telling(shows=shows, evidence=evidence, caps=caps, subject=target.id)


def _growth(account: Account, target: TargetState, gap: _Gap) -> tuple[str, dict[str, Any]]:
    """Whether new leaves are bare already while the pass before the gap still protects the older ones."""
    begin = gap.first.time.day
    if begin is None or account.season.floating:
        return "", {}
    until = growth(account)
    if until.after(begin) is False:
        return "", {"new_leaves": "none unfold after the pass"}
    bare = [one for one in bare_on_new_leaves(account, target, until) if begin < one.last and one.first < gap.stop]
    if not bare:
        return "", {"new_leaves": "protected as well" if _all_reach(account, target, gap.first) else "not known"}
    first = bare[0]
    shown = day_words(account, first.first, gap.first.time.day_estimated)
    words = f"; leaves that unfold after pass {gap.first.number}{'' if first.sure else ', if any do,'} are bare"
    return f"{words} from {shown} on", dated(account, new_leaves_bare_from=first.first)


def _all_reach(account: Account, target: TargetState, state: PassState) -> bool:
    """Whether something effective in a pass surely moves into leaves to come."""
    return any(account.effect(use, target).value and reached(use.active) for use in state.uses)


def _window_words(account: Account, target: TargetState) -> str:
    """``frogeye leaf spot R1 to R6: 28 June to ~26 August``."""
    if target.window is None:
        return target.name
    dates = of_window(account, target)
    return f"{target.name} {target.window.first_stage} to {target.window.last_stage}{f': {dates}' if dates else ''}"


def _idle(account: Account) -> Iterator[Fact]:
    if not account.targets:
        return
    for state in account.passes:
        answers = [account.meets(state, target).value for target in account.targets]
        met = [target for target, answer in zip(account.targets, answers, strict=True) if answer]
        meets = 1 if met else None if None in answers else 0
        untreated = [target for target in met if target.target.foliar_treatment is False]
        only_untreated = bool(met) and len(untreated) == len(met)
        yield fact(
            "pass_window",
            str(state.number),
            (state.number,),
            {"meets_any": meets, "only_untreated": int(only_untreated)},
            partial(_idle_told, account, state, meets, untreated if only_untreated else []),
            {} if meets is not None else {"meets_any": DATES},
        )


def _idle_told(account: Account, state: PassState, meets: int | None, untreated: list[TargetState]) -> Telling:
    caps = []
    if any(account.meets(state, target).estimated for target in account.targets):
        caps.append(Cap("advice", "the windows rest on estimated stage dates"))
    else:
        caps += [cap_of(target.target.window_backing, f"the window of {target.name}") for target in account.targets]
    told = _idle_words(account, state, untreated) if meets == 0 or untreated else ({}, {})
    return telling(
        shows=told[0],
        evidence=told[1],
        caps=caps,
        subject=str(state.number),
        place=state.entry.place,
    )


def _idle_words(
    account: Account, state: PassState, untreated: list[TargetState]
) -> tuple[dict[str, Shown], dict[str, Any]]:
    """Date and cover of a pass that meets nothing, beside the dates of the windows."""
    spans = [(account.longest_end(use, state, target), use.cut) for use in state.uses for target in account.targets]
    end, cut = max(((end, cut) for end, cut in spans if end is not None), default=(None, False))
    last = None if end is None else end - 1
    date, until = of_pass(account, state), day_words(account, last, state.time.day_estimated)
    cover = f", its cover {'at most ' if cut else ''}to {until}," if until else ""
    windows = [_window_words(account, target) for target in account.targets]
    shows: dict[str, Shown] = {
        "stage_words": stage_words(account, state),
        "targets": names(untreated or account.targets),
        "windows": "; ".join(dict.fromkeys(windows)),
        "date_words": f" on {date}" if date and state.entry.stage else "",
        "cover_words": cover,
    }
    evidence = {
        "stage": stage_words(account, state),
        **dated(account, pass_date=state.time.day, covered_to=last),
        "windows": windows,
    }
    return shows, evidence


class _Advice(NamedTuple):
    """Published coverage advice for a target and canopy."""

    rows: tuple[CoverageAdvice, ...]
    classes: frozenset[str]  # droplet classes, ASABE S572
    floor: int | None  # least carrier volume, mL/ha


def _coverage(account: Account) -> Iterator[Fact]:
    for target in account.targets:
        for state in account.working(target):
            advice = _advice(account, target, state.entry.canopy)
            if advice is not None:
                yield _coverage_fact(account, state, target, advice)


def _advice(account: Account, target: TargetState, canopy: str | None) -> _Advice | None:
    """What is advised for a target; None where no source advises anything."""
    key = ("coverage", target.id, canopy)
    known = account.ground.known
    if key not in known:
        known[key] = _read_advice(account.catalogue.coverage_for(account.crop.id, target.id), canopy)
    found: _Advice | None = known[key]
    return found


def _read_advice(advice: list[CoverageAdvice], canopy: str | None) -> _Advice | None:
    if not advice:
        return None
    fitting = [row for row in advice if canopy is not None and row.canopy == canopy]
    open_rows = [row for row in advice if row.canopy == "any"]
    bound = fitting or ([row for row in advice if row.canopy != "any"] if canopy is None else [])
    rows = (*bound, *open_rows)
    # where sources disagree on volume the least that any of them accepts is the floor; both stay in the note
    floors = [row.volume_least for row in open_rows if row.volume_least is not None]
    floors = floors or [row.volume[0] for row in rows if row.volume is not None]
    classes = frozenset(code for row in rows for code in row.droplets)
    return _Advice(rows, classes, round(min(floors)) * 1000 if floors else None)


def _droplets_and_water(account: Account, state: PassState) -> tuple[str | None, float | None]:
    """Droplet class and carrier volume (L/ha) of a pass."""
    entry, usual = state.entry, account.field.application
    return entry.droplets or usual.droplets, entry.water if entry.water is not None else usual.water


def _coverage_fact(account: Account, state: PassState, target: TargetState, advice: _Advice) -> Fact:
    droplets, water = _droplets_and_water(account, state)
    fit = 1 if not advice.classes else None if droplets is None else int(droplets in advice.classes)
    litres = 0 if advice.floor is None else None if water is None else round(water) * 1000
    unknown: dict[str, str] = {}
    if fit is None:
        unknown["droplets_fit"] = "give the droplet class (ASABE S572: fine, medium, coarse ...)"
    if litres is None:
        unknown["water"] = "give the carrier volume"
    return fact(
        "coverage",
        f"{state.number}:{target.id}",
        (state.number,),
        {"droplets_fit": fit, "water": litres, "water_least": advice.floor},
        partial(_coverage_told, account, state, target, advice),
        unknown,
    )


def _sentence(note: str) -> str:
    return f"{note[:1].upper()}{note[1:].rstrip('.')}."


def _coverage_told(account: Account, state: PassState, target: TargetState, advice: _Advice) -> Telling:
    droplets, water = _droplets_and_water(account, state)
    rows, classes, floor = advice
    advised = listed((_class_words(code) for code in classes_in_order(classes)), "or")
    advised_water = "" if floor is None else f"{number(floor / 1000)} L/ha"
    water_words = "" if water is None else f"{number(water)} L/ha"
    # sources may advise droplets only, or water only, and a pass may give one of the two only
    given = [
        f"droplets {_class_words(droplets)} (advised {advised})" if droplets and advised else "",
        f"{water_words} (advised from {advised_water})" if water_words and advised_water else "",
    ]
    wanted = [f"{advised} droplets" if advised else "", f"at least {advised_water}" if advised_water else ""]
    return telling(
        shows={
            "target": target.name,
            "droplets": _class_words(droplets),
            "advised": advised,
            "water_words": water_words,
            "advised_water": advised_water,
            "droplets_and_water": ", ".join(filter(None, given)),
            "advised_droplets_and_water": " and ".join(filter(None, wanted)),
            "note": " ".join(_sentence(row.note) for row in rows if row.note),
        },
        evidence={
            "target": target.id,
            **({} if droplets is None else {"droplets": droplets}),
            **({"advised": sorted(classes)} if classes else {}),
            **({} if water is None else {"water": water}),
            **({} if floor is None else {"least_water": floor / 1000}),
            "unit": "L/ha",
        },
        caps=[cap_of(row.backing, f"the coverage advice for {target.name}") for row in rows[:1]],
        backings=[row.backing for row in rows],
        subject=target.id,
        place=state.entry.place,
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


def classes_in_order(codes: AbstractSet[str]) -> list[str]:
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
            if state.time.bbch is not None:
                low, high = state.time.bbch
                first, last = (account.season.bbch(code) for code in row.stages)
                inside = int(first <= high and low <= last)
            yield fact(
                "harmful_use",
                f"{row.id}:{state.number}",
                (state.number,),
                {"inside": inside},
                partial(_harmful_told, account, row, state, uses),
                {} if inside is not None else {"inside": f"give the stage of pass {state.number}"},
            )


def _harmful_told(account: Account, row: HarmfulUse, state: PassState, uses: list[Use]) -> Telling:
    caps = [cap_of(row.backing, "the warning")]
    if state.time.bbch is not None and state.time.bbch_estimated:
        caps.append(Cap("advice", "the stage of the pass is an estimate"))
    return telling(
        shows={
            "group": account.group_words(uses[0].group),
            "stage_words": stage_words(account, state),
            "effect": row.effect,
            "do_instead": row.do_instead,
            "actives": shown(uses),
        },
        evidence={"group": uses[0].group, "stage": stage_words(account, state), "window": list(row.stages)},
        caps=caps,
        backings=(row.backing,),
        subject=str(state.number),
        place=state.entry.place,
    )
