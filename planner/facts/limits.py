"""Facts about published season limits: counts, shares, runs, intervals and windows (LIM01-LIM05)."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import partial
from itertools import pairwise

from planner.account import Account, Cap, PassState, TargetState
from planner.facts.kinds import Fact, Telling
from planner.facts.make import DATES, fact, listed, stage_words, telling
from planner.published import Chosen

SHARE_HOLDS_FROM = 3  # passes; contract, section 5: share limits hold from three passes on


def make(account: Account) -> Iterator[Fact]:
    """All facts about published season limits."""
    yield from _counts(account)
    yield from _solo_repeats(account)
    yield from _shares(account)
    yield from _runs(account)
    yield from _product_runs(account)
    yield from _intervals(account)
    yield from _windows(account)
    yield from _first_uses(account)


def _groups(account: Account, entry: Chosen, code: str) -> str:
    codes = [value for value in entry.row.codes if account.catalogue.has_group(f"FRAC {value}")]
    if entry.row.counted == "together" and len(codes) > 1:
        return listed(account.group_words(f"FRAC {value}") for value in codes)
    return account.group_words(f"FRAC {code}")


def _over(entry: Chosen, target: TargetState | None) -> str:
    return f"passes against {target.name}" if target is not None and entry.row.targets else "fungicide passes"


def _subject(code: str, target: TargetState | None) -> str:
    return f"{code}:{target.id if target else ''}"


def _guessed(
    account: Account, entry: Chosen, target: TargetState | None, passes: list[PassState], most: float
) -> list[Cap]:
    """A count of passes against a target hangs on their stages, unless those with firm stages are too many."""
    firm = [state for state in passes if target is None or not account.meets(state, target).estimated]
    if target is not None and entry.row.targets and len(firm) < len(passes) and len(firm) <= most:
        return [entry.cap, Cap("advice", f"which passes work against {target.name} rests on estimated stage dates")]
    return [entry.cap]


def _counts(account: Account) -> Iterator[Fact]:
    published = account.published
    for code, target, entry in published.deciding("max_applications"):
        passes = published.counted_passes(entry.row, target)
        used = published.with_codes(entry.row, code, passes)
        if entry.row.actives and "each" not in entry.row.actives:
            used = [state for state in used if any(use.active.name in entry.row.actives for use in state.uses)]
        used = used + _early_uses(account, code, entry, target)
        if not used:
            continue
        most = published.value_here(entry.row, used) + published.adjustment(entry.row, code, target)
        yield fact(
            "limit_count",
            f"{entry.row.id}:{_subject(code, target)}",
            sorted(state.number for state in used),
            {"count": len(used), "most": int(most)},
            partial(_count_words, account, entry, code, target, used, most),
        )


def _count_words(
    account: Account, entry: Chosen, code: str, target: TargetState | None, used: list[PassState], most: float
) -> Telling:
    return telling(
        shows={
            "group": _groups(account, entry, code),
            "limit_text": entry.row.text,
            "subject": target.name if target else account.crop.name,
            "counted_over": _over(entry, target),
        },
        evidence={"group": f"FRAC {code}", "passes": len(used), "most": int(most), "limit": entry.row.id},
        caps=_guessed(account, entry, target, used, most),
        backings=(entry.row.backing,),
        subject=entry.row.id,
    )


def _early_uses(account: Account, code: str, entry: Chosen, target: TargetState | None) -> list[PassState]:
    """Seed and in-furrow uses that the source counts: those with their own effect on the same pathogen."""
    counting = account.published.choose("seed_treatment_counts", code, target)[0]
    if not counting or target is None:
        return []
    return [
        state
        for state in account.early
        if any(use.code == code and account.rated_for([use], target) for use in state.uses)
    ]


def _solo_repeats(account: Account) -> Iterator[Fact]:
    published = account.published
    for code, target, entry in published.deciding("no_repeated_solo_use"):
        passes = account.working(target) if target is not None else account.passes
        solo = [state for state in passes if published.solo(state, code, target)]
        if not solo:
            continue
        yield fact(
            "limit_count",
            f"{entry.row.id}:{_subject(code, target)}",
            [state.number for state in solo],
            {"count": len(solo), "most": 1},
            partial(_solo_words, account, entry, code, target, solo),
        )


def _solo_words(
    account: Account, entry: Chosen, code: str, target: TargetState | None, solo: list[PassState]
) -> Telling:
    return telling(
        shows={
            "group": account.group_words(f"FRAC {code}"),
            "limit_text": entry.row.text,
            "subject": target.name if target else account.crop.name,
            "counted_over": "passes without a working partner",
        },
        evidence={"group": f"FRAC {code}", "solo_passes": len(solo), "most": 1, "limit": entry.row.id},
        caps=[entry.cap, *([_partner_cap(account, solo, code, target)] if target else [])],
        backings=(entry.row.backing,),
        subject=entry.row.id,
    )


def _partner_cap(account: Account, solo: list[PassState], code: str, target: TargetState) -> Cap:
    return account.partner(solo[-1], f"FRAC {code}", target)[1]


def _shares(account: Account) -> Iterator[Fact]:
    published = account.published
    for code, target, entry in published.deciding("max_share_of_total"):
        passes = published.counted_passes(entry.row, target)
        used = published.with_codes(entry.row, code, passes)
        if not used:
            continue
        allowed = max(1, math.floor(len(passes) * entry.number + 1e-9))
        yield fact(
            "limit_share",
            f"{entry.row.id}:{_subject(code, target)}",
            [state.number for state in used],
            {
                "count": len(used),
                "allowed": allowed,
                "counted": len(passes),
                "holds_from": SHARE_HOLDS_FROM,
            },
            partial(_share_words, account, entry, code, target, used, len(passes), allowed),
        )


def _share_words(
    account: Account,
    entry: Chosen,
    code: str,
    target: TargetState | None,
    used: list[PassState],
    counted: int,
    allowed: int,
) -> Telling:
    return telling(
        shows={
            "group": _groups(account, entry, code),
            "limit_text": entry.row.text,
            "subject": target.name if target else account.crop.name,
            "share_words": f"{len(used)} of {counted}",
            "counted_over": _over(entry, target),
        },
        evidence={
            "group": f"FRAC {code}",
            "passes": len(used),
            "of": counted,
            "allowed": allowed,
            "limit": entry.row.id,
        },
        caps=_guessed(account, entry, target, used, allowed),
        backings=(entry.row.backing,),
        subject=entry.row.id,
    )


def longest_run(passes: list[PassState], holds: list[bool]) -> list[PassState]:
    """The longest stretch of neighbouring passes that hold something."""
    best: list[PassState] = []
    run: list[PassState] = []
    for state, held in zip(passes, holds, strict=True):
        run = [*run, state] if held else []
        if len(run) > len(best):
            best = run
    return best


def _runs(account: Account) -> Iterator[Fact]:
    published = account.published
    for code, target, entry in published.deciding("max_consecutive"):
        if entry.row.counted == "same_product":
            continue
        passes = published.counted_passes(entry.row, target)
        used = {state.number for state in published.with_codes(entry.row, code, passes)}
        holds = [
            state.number in used and (entry.row.uses != "solo" or bool(published.solo(state, code, target)))
            for state in passes
        ]
        run = longest_run(passes, holds)
        if not run:
            continue
        yield _run_fact(account, entry, code, target, run)


def _product_runs(account: Account) -> Iterator[Fact]:
    """Runs of one and the same product, where the row counts the product and not the group."""
    done: set[tuple[str, str]] = set()
    for code, target, entry in account.published.deciding("max_consecutive"):
        if entry.row.counted != "same_product":
            continue
        passes = account.published.counted_passes(entry.row, target)
        tanks = [
            {use.item.product or use.active.name for use in state.uses if use.code in entry.row.codes}
            for state in passes
        ]
        for name in sorted(set().union(*tanks)):
            if (entry.row.id, name) in done:
                continue
            done.add((entry.row.id, name))
            run = longest_run(passes, [name in tank for tank in tanks])
            yield _run_fact(account, entry, code, target, run, name)


def _run_fact(
    account: Account, entry: Chosen, code: str, target: TargetState | None, run: list[PassState], product: str = ""
) -> Fact:
    return fact(
        "limit_run",
        f"{entry.row.id}:{product or _subject(code, target)}",
        [state.number for state in run],
        {"run": len(run), "most": int(entry.number)},
        partial(_run_words, account, entry, code, target, run, product),
    )


def _run_words(
    account: Account, entry: Chosen, code: str, target: TargetState | None, run: list[PassState], product: str
) -> Telling:
    return telling(
        shows={
            "group": product or _groups(account, entry, code),
            "limit_text": entry.row.text,
            "subject": target.name if target else account.crop.name,
            "counted_over": _over(entry, target),
        },
        evidence={"group": f"FRAC {code}", "run": len(run), "most": int(entry.number), "limit": entry.row.id},
        caps=_guessed(account, entry, target, run, entry.number),
        backings=(entry.row.backing,),
        subject=f"{entry.row.id}:{product or code}",
    )


def _intervals(account: Account) -> Iterator[Fact]:
    """Days from a pass with the group to the next pass against the target (any foliar pass where none is named)."""
    seen: set[tuple[str, int, int, str]] = set()
    for code in account.published.codes_of("max_interval_days"):
        for entry, target in account.published.chosen(("max_interval_days",), code):
            passes = account.working(target) if target is not None else account.passes
            for first, second in pairwise(passes):
                if code not in first.codes or not account.meant_for(first, code, target):
                    continue
                key = (entry.row.id, first.number, second.number, code)
                if key in seen:
                    continue
                seen.add(key)
                yield _interval_fact(account, entry, code, target, first, second)


def _interval_fact(
    account: Account, entry: Chosen, code: str, target: TargetState | None, first: PassState, second: PassState
) -> Fact:
    known = first.time.day is not None and second.time.day is not None
    days = second.time.day - first.time.day if known else None  # type: ignore[operator]
    return fact(
        "limit_interval",
        f"{entry.row.id}:{code}:{first.number}:{second.number}",
        (first.number, second.number),
        {"days": days, "most": int(entry.number)},
        partial(_interval_words, account, entry, code, target, first, second, days),
        {} if known else {"days": DATES},
    )


def _interval_words(
    account: Account,
    entry: Chosen,
    code: str,
    target: TargetState | None,
    first: PassState,
    second: PassState,
    days: int | None,
) -> Telling:
    caps = [entry.cap]
    if first.time.day_estimated or second.time.day_estimated or account.season.floating:
        caps.append(Cap("advice", "the days between the passes are estimated from their stages"))
    return telling(
        shows={
            "group": account.group_words(f"FRAC {code}"),
            "limit_text": entry.row.text,
            "target": target.name if target else account.crop.name,
            "first": str(first.number),
            "second": str(second.number),
        },
        evidence={"group": f"FRAC {code}", "days": days, "most": int(entry.number), "unit": "d", "limit": entry.row.id},
        caps=caps,
        backings=(entry.row.backing,),
        subject=f"{entry.row.id}:{first.number}",
    )


def _windows(account: Account) -> Iterator[Fact]:
    published, season = account.published, account.season
    for code, target, entry in published.deciding("stage_window"):
        value = entry.row.value
        passes = published.counted_passes(entry.row, target)
        for state in published.with_codes(entry.row, code, passes if passes else account.passes):
            outside: bool | None = None
            window = ""
            caps = [entry.cap]
            if isinstance(value, (list, tuple)) and len(value) == 2:
                window = f"{value[0]} to {value[1]}"
                if state.time.bbch is not None:
                    low, high = state.time.bbch
                    outside = high < season.bbch(value[0]) or low > season.bbch(value[1])
                    if state.time.bbch_estimated:
                        caps.append(Cap("advice", "the stage of the pass is an estimate"))
            elif isinstance(value, dict) and "position_in_programme" in value:
                positions = value["position_in_programme"]
                window = f"spray {listed((str(at) for at in positions), 'or')} of the programme"
                outside = passes.index(state) + 1 not in positions
            elif isinstance(value, dict) and "latest_date" in value:
                window = f"until {value['latest_date']} (month-day)"
                if state.entry.date is not None:
                    outside = f"{state.entry.date:%m-%d}" > value["latest_date"]
            else:
                continue  # a word: carried, shown, not checked
            yield _window_fact(account, entry, code, state, outside, window, caps)


def _first_uses(account: Account) -> Iterator[Fact]:
    for code, target, entry in account.published.deciding("not_first_in_programme"):
        passes = account.published.counted_passes(entry.row, target)
        if passes and code in passes[0].codes:
            yield _window_fact(
                account, entry, code, passes[0], True, "not the first spray of the programme", [entry.cap]
            )


def _window_fact(
    account: Account, entry: Chosen, code: str, state: PassState, outside: bool | None, window: str, caps: list[Cap]
) -> Fact:
    return fact(
        "limit_window",
        f"{entry.row.id}:{code}:{state.number}",
        [state.number],
        {"outside": None if outside is None else int(outside)},
        partial(_window_words, account, entry, code, state, window, caps),
        {} if outside is not None else {"outside": f"give the stage or date of pass {state.number}"},
    )


def _window_words(
    account: Account, entry: Chosen, code: str, state: PassState, window: str, caps: list[Cap]
) -> Telling:
    return telling(
        shows={
            "group": account.group_words(f"FRAC {code}"),
            "limit_text": entry.row.text,
            "stage_words": stage_words(account, state),
            "window_words": window,
        },
        evidence={
            "group": f"FRAC {code}",
            "stage": stage_words(account, state),
            "window": window,
            "limit": entry.row.id,
        },
        caps=caps,
        backings=(entry.row.backing,),
        subject=f"{entry.row.id}:{code}",
    )
