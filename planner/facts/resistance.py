"""Facts about reported resistance and about how many modes still work (RES01-RES04)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from planner.account import CAP_RANK, FREE, POOR, Account, Cap, PassState, TargetState, Use, cap_of, tightest
from planner.cover import days_of
from planner.facts.dates import dated, of_pass, of_window, window_dates
from planner.facts.kinds import Fact
from planner.facts.make import estimated, fact, flag, listed, names, shown
from planner.model import Truth


def make(account: Account) -> Iterator[Fact]:
    """All resistance facts of a programme."""
    yield from _reported(account)
    yield from _effects(account)
    yield from _modes(account)
    yield from _combined(account)


def _reported(account: Account) -> Iterator[Fact]:
    for state in account.passes:
        for target in account.targets:
            if not account.works(state, target):
                continue
            for group, uses in state.by_group.items():
                yield from _reported_use(account, state, target, group, uses)


def _reported_use(
    account: Account, state: PassState, target: TargetState, group: str, uses: list[Use]
) -> Iterator[Fact]:
    for level in ("lost", "reduced"):
        hit = [use for use in uses if account.effect(use, target).standing.level == level]
        if not hit:
            continue
        standing = account.effect(hit[0], target).standing
        rated = account.rated_for(hit, target)
        working = _working_groups(account, state, target)
        remedy = account.published.choose("use_other_group", hit[0].code, target)[0]
        caps = [standing.cap, *estimated(account, [(state, target)], "the target of the pass")]
        best = max((account.rated(use, target).cap for use in hit), key=lambda cap: CAP_RANK[cap.severity])
        yield fact(
            "reported_use",
            f"{state.number}:{group}:{target.id}:{level}",
            [state.number],
            {"rated_for": flag(rated), "level": level},
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
            unknown={}
            if rated is not None
            else {
                "rated_for": f"how well {listed(use.active.name for use in hit)} controlled {target.name} is not known"
            },
            caps=[*caps, best],
            sources=(*standing.sources, *(remedy[0].row.backing.sources if remedy else ())),
            subject=f"{group}:{target.id}:{level}",
            place=str(state.entry.place),
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
        nothing, caps, reasons, gaps = _nothing_works(account, state, met)
        yield fact(
            "pass_effect",
            str(state.number),
            [state.number],
            {"targets_met": len(met), "nothing_works": flag(nothing)},
            shows=_effect_words(account, state, met, reasons) if nothing else {},
            evidence={
                "targets": [target.id for target in met],
                "actives": [use.active.name for use in state.uses],
                **(_effect_days(account, state, met) if nothing else {}),
            },
            unknown={} if nothing is not None else {"nothing_works": gaps},
            caps=[*caps, *estimated(account, [(state, target) for target in met], "the target of the pass")],
            subject=str(state.number),
            place=str(state.entry.place),
        )


def _effect_words(account: Account, state: PassState, met: list[TargetState], reasons: list[str]) -> dict[str, str]:
    date = of_pass(account, state)
    windows = [(target.name, of_window(account, target)) for target in met]
    return {
        "targets": names(met),
        "targets_when": listed(f"{name} (from {days})" if days else name for name, days in windows),
        "actives": shown(state.uses),
        "reasons": listed(reasons),
        "date_words": f" on {date}" if date else "",
    }


def _effect_days(account: Account, state: PassState, met: list[TargetState]) -> dict[str, Any]:
    windows = [(target.id, window_dates(account, target)) for target in met]
    shown = [f"{name} {days}" for name, days in windows if days]
    return {**dated(account, pass_date=state.time.day), **({"windows": shown} if shown else {})}


def _nothing_works(
    account: Account, state: PassState, met: list[TargetState]
) -> tuple[Truth, list[Cap], list[str], str]:
    caps: list[Cap] = []
    reasons: list[str] = []
    gaps: list[str] = []
    for target in met:
        mixture = account.mixture_rated(state, target)
        effects = [(use, account.effect(use, target)) for use in state.uses]
        if account.effective(state, target)[0] or any(
            effect.rank is not None and effect.rank > POOR for _, effect in effects
        ):
            return False, [], [], ""
        if (
            mixture.rank is not None
            and mixture.rank > POOR
            and any(effect.standing.level != "lost" for _, effect in effects)
        ):
            return False, [], [], ""
        for use, effect in effects:
            if effect.rank is None:
                gaps.append(f"{use.active.name} on {target.name}")
            else:
                caps.append(effect.cap)
                lost = effect.standing.level == "lost"
                why = f"no longer works here ({effect.standing.words})" if lost else "is rated poor"
                reasons.append(f"{use.active.name} {why} on {target.name}")
    if gaps:
        return None, [], [], f"no rating is known for {listed(gaps)}; rate it on the product's label"
    return True, caps, reasons, ""


def _modes(account: Account) -> Iterator[Fact]:
    for target in account.targets:
        passes = account.working(target)
        if len(passes) < 2:
            continue
        working: dict[str, None] = {}
        open_uses: dict[str, None] = {}
        caps: list[Cap] = []
        for state in passes:
            for use in state.uses:
                effect = account.effect(use, target)
                if effect.value:
                    if not any(account.joined(use.group, group, "mixing") for group in working):
                        working[use.group] = None
                        caps.append(effect.cap)
                elif effect.value is None:
                    open_uses[use.active.name] = None
        undecided = len(working) < 2 and bool(open_uses)
        days = _mode_days(account, target) if len(working) == 1 and not undecided else None
        yield fact(
            "target_modes",
            target.id,
            [state.number for state in passes],
            {
                "passes_against": len(passes),
                "modes": None if undecided else len(working),
                "multi_site": int(any(account.catalogue.group(group).multi_site for group in working)),
            },
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
            unknown={"modes": f"how well {listed(open_uses)} controls {target.name} is not known"} if undecided else {},
            caps=caps,
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


def _combined(account: Account) -> Iterator[Fact]:
    """FRAC Monograph 2: fungicide score x pathogen score x agronomic score (contract, section 5)."""
    scores = {"low": 1.0, "medium": 2.0, "high": 3.0}
    groups = sorted({use.group for state in account.passes for use in state.uses})
    for group in groups:
        code = group.partition(" ")[2]
        for target in account.targets:
            passes = [
                state
                for state in account.working(target)
                if group in state.by_group and account.rated_for(state.by_group[group], target)
            ]
            uses = [use for state in passes for use in state.by_group[group]]
            if not passes or not account.at_risk(uses):
                continue
            fungicide = account.catalogue.score(code, account.risk(uses))
            solo = [(state, *account.partner(state, group, target)) for state in passes]
            alone: Truth = (
                True
                if any(value is False for _, value, _ in solo)
                else None
                if any(value is None for _, value, _ in solo)
                else False
            )
            unknown: dict[str, str] = {}
            pressure, risk = target.entry.pressure, target.target.risk
            score = fungicide.score if fungicide is not None else None
            if fungicide is None or score is None:
                unknown["risk"] = f"the combined-risk scheme gives no score for group {code}"
            elif not risk:
                unknown["risk"] = f"the risk class of {target.name} is not known"
            elif pressure is None:
                unknown["risk"] = f"give the pressure of {target.name} (low, moderate or high)"
            combined: int | None = None
            parts = ""
            caps = [target_cap for _, value, target_cap in solo if value is False][:1]
            if not unknown and fungicide is not None and score is not None:
                agronomic = _agronomic(pressure or "", len(passes), alone)
                combined = round(100 * score * scores[risk] * agronomic)
                parts = f"{score:g} x {scores[risk]:g} x {agronomic:g}"
                caps += [
                    cap_of(fungicide.backing, f"the score of group {code}"),
                    cap_of(target.target.risk_backing, f"the risk class of {target.name}"),
                ]
            yield fact(
                "combined_risk",
                f"{group}:{target.id}",
                [state.number for state, value, _ in solo if value is False] or [state.number for state in passes],
                {"risk": combined, "alone_some": flag(alone)},
                shows={
                    "group": account.group_words(group),
                    "target": target.name,
                    "risk_words": "" if combined is None else f"{combined / 100:g}",
                    "parts": parts,
                },
                evidence={
                    "group": group,
                    "target": target.id,
                    "combined_risk": None if combined is None else combined / 100,
                },
                unknown=unknown,
                caps=[*caps, *estimated(account, [(state, target) for state in passes], "the target of the passes")],
                subject=f"{group}:{target.id}",
            )


def _agronomic(pressure: str, uses: int, alone: Truth) -> float:
    if pressure == "high" and alone and uses >= 2:
        return 1.0
    if pressure == "low" or (uses == 1 and alone is False):
        return 0.25
    return 0.5


__all__ = ["FREE", "make", "tightest"]
