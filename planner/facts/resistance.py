"""Facts about reported resistance and about how many modes still work (RES01-RES04)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import partial
from typing import Any

from planner.account import CAP_RANK, POOR, Account, Cap, PassState, TargetState, Use, cap_of
from planner.cover import days_of
from planner.facts.dates import dated, of_pass, of_window, window_dates
from planner.facts.kinds import Fact, Shown, Telling
from planner.facts.make import estimated, fact, flag, listed, names, shown, telling
from planner.model import FungicideScore, Truth


def make(account: Account) -> Iterator[Fact]:
    """All resistance facts of a programme."""
    yield from _reported(account)
    yield from _effects(account)
    yield from _modes(account)
    yield from _combined(account)


def _reported(account: Account) -> Iterator[Fact]:
    for state in account.passes:
        for target in account.against(state):
            for group, level, places in _reports(account, state, target):
                hit = [state.uses[at] for at in places]
                yield fact(
                    "reported_use",
                    f"{state.number}:{group}:{target.id}:{level}",
                    (state.number,),
                    {"rated_for": flag(account.rated_for(hit, target)), "level": level},
                    partial(_report_words, account, state, target, group, level, hit),
                    _unrated(account, hit, target),
                )


def _unrated(account: Account, hit: list[Use], target: TargetState) -> dict[str, str]:
    if account.rated_for(hit, target) is not None:
        return {}
    return {"rated_for": f"how well {listed(use.active.name for use in hit)} controlled {target.name} is not known"}


def _reports(account: Account, state: PassState, target: TargetState) -> tuple[tuple[str, str, tuple[int, ...]], ...]:
    """Groups of a tank with reported resistance of a target: group, level, and which uses of the tank it hits."""
    key = ("reports", target.id)
    found: tuple[tuple[str, str, tuple[int, ...]], ...] | None = state.tank.known.get(key)
    if found is None:
        hits: dict[tuple[str, str], list[int]] = {}
        for group in state.by_group:
            for level in ("lost", "reduced"):
                for at, use in enumerate(state.uses):
                    if use.group == group and account.effect(use, target).standing.level == level:
                        hits.setdefault((group, level), []).append(at)
        found = state.tank.known[key] = tuple((group, level, tuple(at)) for (group, level), at in hits.items())
    return found


def _report_words(
    account: Account, state: PassState, target: TargetState, group: str, level: str, hit: list[Use]
) -> Telling:
    standing = account.effect(hit[0], target).standing
    working = _working_groups(account, state, target)
    remedy = account.published.choose("use_other_group", hit[0].code, target)[0]
    return telling(
        shows={
            "actives": shown(hit),
            "group": account.group_words(group),
            "target": target.name,
            "report": standing.words,
            "working": f"pass {state.number}: {_count_words(working)}",
            "remedy_row": remedy[0].row.text if remedy else "",
        },
        evidence={
            "group": group,
            "target": target.id,
            "level": level,
            "report": standing.words,
            "working_modes": len(working),
        },
        caps=[
            standing.cap,
            *estimated(account, [(state, target)], "the target of the pass"),
            max((account.rated(use, target).cap for use in hit), key=lambda cap: CAP_RANK[cap.severity]),
        ],
        sources=(*standing.sources, *(remedy[0].row.backing.sources if remedy else ())),
        subject=f"{group}:{target.id}:{level}",
        place=state.entry.place,
    )


def _working_groups(account: Account, state: PassState, target: TargetState) -> list[str]:
    return list(dict.fromkeys(use.group for use in state.uses if account.effect(use, target).value))


def _count_words(groups: list[str]) -> str:
    count = {0: "none", 1: "one", 2: "two", 3: "three"}
    codes = f" ({' + '.join(group.partition(' ')[2] for group in groups)})" if groups else ""
    return f"{count.get(len(groups), str(len(groups)))}{codes}"


def _effects(account: Account) -> Iterator[Fact]:
    """RES02: is everything in the tank poor or lost on every target whose window the pass covers?"""
    if not account.targets:
        return
    for state in account.passes:
        met = [target for target in account.targets if account.meets(state, target).value]
        if not met:
            continue
        nothing, _, _, gaps = _nothing_works(account, state, met)
        yield fact(
            "pass_effect",
            str(state.number),
            (state.number,),
            {"targets_met": len(met), "nothing_works": flag(nothing)},
            partial(_effect_told, account, state, met),
            {"nothing_works": gaps} if nothing is None else {},
        )


def _effect_told(account: Account, state: PassState, met: list[TargetState]) -> Telling:
    nothing, caps, reasons, _ = _nothing_works(account, state, met)
    return telling(
        shows=_effect_words(account, state, met, reasons) if nothing else {},
        evidence={
            "targets": [target.id for target in met],
            "actives": [use.active.name for use in state.uses],
            **(_effect_days(account, state, met) if nothing else {}),
        },
        caps=[*caps, *estimated(account, [(state, target) for target in met], "the target of the pass")],
        sources=_effect_sources(account, state, met) if nothing else (),
        subject=str(state.number),
        place=state.entry.place,
    )


def _effect_words(
    account: Account, state: PassState, met: list[TargetState], reasons: Iterable[str]
) -> dict[str, Shown]:
    date = of_pass(account, state)
    windows = [(target.name, of_window(account, target)) for target in met]
    return {
        "targets": names(met),
        "targets_when": tuple(f"{name} (from {days})" if days else name for name, days in windows),
        "actives": shown(state.uses),
        "reasons": tuple(dict.fromkeys(reasons)),
        "date_words": f" on {date}" if date else "",
    }


def _effect_sources(account: Account, state: PassState, met: list[TargetState]) -> Iterator[str]:
    """What says that a use does not work: the report where the group is lost, else the rating."""
    for target in met:
        for use in state.uses:
            effect = account.effect(use, target)
            yield from effect.standing.sources if effect.standing.level == "lost" else effect.rated.sources


def _effect_days(account: Account, state: PassState, met: list[TargetState]) -> dict[str, Any]:
    windows = [(target.id, window_dates(account, target)) for target in met]
    shown = [f"{name} {days}" for name, days in windows if days]
    return {**dated(account, pass_date=state.time.day), **({"windows": shown} if shown else {})}


_Nothing = tuple[Truth, tuple[Cap, ...], tuple[str, ...], str]  # whether nothing works, caps, reasons, what is lacking


def _nothing_works(account: Account, state: PassState, met: list[TargetState]) -> _Nothing:
    key = ("nothing works", *(target.id for target in met))
    found: _Nothing | None = state.tank.known.get(key)
    if found is None:
        found = state.tank.known[key] = _whether_nothing_works(account, state, met)
    return found


def _whether_nothing_works(account: Account, state: PassState, met: list[TargetState]) -> _Nothing:
    caps: list[Cap] = []
    reasons: list[str] = []
    gaps: list[str] = []
    for target in met:
        mixture = account.mixture_rated(state, target)
        effects = [(use, account.effect(use, target)) for use in state.uses]
        if account.effective(state, target)[0] or any(
            effect.rank is not None and effect.rank > POOR for _, effect in effects
        ):
            return False, (), (), ""
        if (
            mixture.rank is not None
            and mixture.rank > POOR
            and any(effect.standing.level != "lost" for _, effect in effects)
        ):
            return False, (), (), ""
        for use, effect in effects:
            if effect.rank is None:
                gaps.append(f"{use.active.name} on {target.name}")
            else:
                caps.append(effect.cap)
                lost = effect.standing.level == "lost"
                why = f"no longer works here ({effect.standing.words})" if lost else "is rated poor"
                reasons.append(f"{use.active.name} {why} on {target.name}")
    if gaps:
        return None, (), (), f"no rating is known for {listed(gaps)}; rate it on the product's label"
    return True, tuple(caps), tuple(reasons), ""


def _modes(account: Account) -> Iterator[Fact]:
    for target in account.targets:
        passes = account.working(target)
        if len(passes) < 2:
            continue
        working: dict[str, Cap] = {}  # mode of action -> the cap of the evidence that it works
        open_uses: dict[str, None] = {}
        for state in passes:
            effective, unknown = _effects_of(account, state, target)
            for group, cap in effective:
                if group not in working and not any(account.joined(group, other, "mixing") for other in working):
                    working[group] = cap
            open_uses.update(dict.fromkeys(unknown))
        undecided = len(working) < 2 and bool(open_uses)
        yield fact(
            "target_modes",
            target.id,
            [state.number for state in passes],
            {
                "passes_against": len(passes),
                "modes": None if undecided else len(working),
                "multi_site": int(any(account.catalogue.group(group).multi_site for group in working)),
            },
            partial(_modes_told, account, target, passes, working, undecided),
            {"modes": f"how well {listed(open_uses)} controls {target.name} is not known"} if undecided else {},
        )


def _effects_of(
    account: Account, state: PassState, target: TargetState
) -> tuple[tuple[tuple[str, Cap], ...], tuple[str, ...]]:
    """Groups of a tank that are effective on a target, each with its cap, and actives of which that is not known."""
    key = ("effects", target.id)
    found: tuple[tuple[tuple[str, Cap], ...], tuple[str, ...]] | None = state.tank.known.get(key)
    if found is None:
        effects = [(use, account.effect(use, target)) for use in state.uses]
        found = state.tank.known[key] = (
            tuple((use.group, effect.cap) for use, effect in effects if effect.value),
            tuple(use.active.name for use, effect in effects if effect.value is None),
        )
    return found


def _modes_told(
    account: Account, target: TargetState, passes: list[PassState], working: dict[str, Cap], undecided: bool
) -> Telling:
    days = _mode_days(account, target) if len(working) == 1 and not undecided else None
    return telling(
        shows={
            "target": target.name,
            "groups": listed(account.group_words(group) for group in working),
            **(_mode_words(account, passes, days) if len(working) == 1 else {}),
        },
        evidence={
            "target": target.id,
            "groups": list(working),
            "passes": len(passes),
            **(_mode_evidence(account, passes, days) if len(working) == 1 else {}),
        },
        caps=working.values(),
        subject=target.id,
    )


def _mode_days(account: Account, target: TargetState) -> tuple[int, int, int] | None:
    """Days of the window with a working mode, days on which that is not known, and all its days; None: not dated."""
    if account.season.floating:
        return None
    runs = days_of(account, target)
    counts = [(last - first + 1, modes) for first, last, modes in runs]
    covered = sum(days for days, modes in counts if modes)
    return (
        (covered, sum(days for days, modes in counts if modes is None), sum(days for days, _ in counts))
        if runs
        else None
    )


def _mode_words(account: Account, passes: list[PassState], days: tuple[int, int, int] | None) -> dict[str, str]:
    dates = [of_pass(account, state) for state in passes]
    covers = ""
    if days and days[0]:
        covers = f", on {'at least ' if days[1] else ''}{days[0]} of the {days[2]} days of its window"
    elif days and days[1]:
        covers = "; on how many days is not known"
    return {"dates_words": f" ({listed(dates)})" if all(dates) else "", "days_words": covers}


def _mode_evidence(account: Account, passes: list[PassState], days: tuple[int, int, int] | None) -> dict[str, Any]:
    dates = [day for state in passes for day in dated(account, day=state.time.day).values()]
    found: dict[str, Any] = {"pass_dates": dates} if dates else {}
    if days is not None:
        found |= {"days_covered": days[0], "days_not_known": days[1], "days_of_window": days[2]}
    return found


_SCORES = {"low": 1.0, "medium": 2.0, "high": 3.0}


def _combined(account: Account) -> Iterator[Fact]:
    """FRAC Monograph 2: fungicide score x pathogen score x agronomic score (contract, section 5)."""
    against: dict[str, dict[str, list[PassState]]] = {}  # by group and target
    for state in account.passes:
        for group in state.by_group:
            for target in account.served(state, group):
                against.setdefault(group, {}).setdefault(target.id, []).append(state)
    for group in sorted(against):
        for target in account.targets:
            passes = against[group].get(target.id, [])
            uses = [use for state in passes for use in state.by_group[group]]
            if account.at_risk(uses):
                yield _combined_fact(account, group, target, passes, uses)


def _combined_fact(account: Account, group: str, target: TargetState, passes: list[PassState], uses: list[Use]) -> Fact:
    fungicide = account.catalogue.score(uses[0].code, account.risk(uses))
    partnered = [account.partner(state, group, target)[0] for state in passes]
    alone: Truth = True if False in partnered else None if None in partnered else False
    pressure, risk = target.entry.pressure, target.target.risk
    combined: int | None = None
    scores: tuple[float, ...] = ()
    if fungicide is not None and fungicide.score is not None and risk and pressure is not None:
        scores = (fungicide.score, _SCORES[risk], _agronomic(pressure, len(passes), alone))
        combined = round(100 * scores[0] * scores[1] * scores[2])
    solo = [state for state, value in zip(passes, partnered, strict=True) if value is False]
    return fact(
        "combined_risk",
        f"{group}:{target.id}",
        [state.number for state in solo or passes],
        {"risk": combined, "alone_some": flag(alone)},
        partial(_combined_words, account, group, target, passes, solo, fungicide, combined, scores),
        {} if combined is not None else {"risk": _no_risk(group, target, fungicide)},
    )


def _no_risk(group: str, target: TargetState, fungicide: FungicideScore | None) -> str:
    """Why there is no combined risk."""
    if fungicide is None or fungicide.score is None:
        return f"the combined-risk scheme gives no score for group {group.partition(' ')[2]}"
    if not target.target.risk:
        return f"the risk class of {target.name} is not known"
    return f"give the pressure of {target.name} (low, moderate or high)"


def _combined_words(
    account: Account,
    group: str,
    target: TargetState,
    passes: list[PassState],
    solo: list[PassState],
    fungicide: FungicideScore | None,
    combined: int | None,
    scores: tuple[float, ...],
) -> Telling:
    caps = [account.partner(state, group, target)[1] for state in solo[:1]]
    if fungicide is not None and combined is not None:
        caps += [
            cap_of(fungicide.backing, f"the score of group {group.partition(' ')[2]}"),
            cap_of(target.target.risk_backing, f"the risk class of {target.name}"),
        ]
    return telling(
        shows={
            "group": account.group_words(group),
            "target": target.name,
            "risk_words": "" if combined is None else f"{combined / 100:g}",
            "parts": " x ".join(f"{score:g}" for score in scores),
        },
        evidence={
            "group": group,
            "target": target.id,
            "combined_risk": None if combined is None else combined / 100,
        },
        caps=[*caps, *estimated(account, [(state, target) for state in passes], "the target of the passes")],
        subject=f"{group}:{target.id}",
    )


def _agronomic(pressure: str, uses: int, alone: Truth) -> float:
    if pressure == "high" and alone and uses >= 2:
        return 1.0
    if pressure == "low" or (uses == 1 and alone is False):
        return 0.25
    return 0.5
