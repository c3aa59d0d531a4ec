"""Facts about rotation: what follows what, read per target (ROT01-ROT05)."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from itertools import combinations, pairwise

from planner.account import Account, Cap, PassState, TargetState, Use, any_of
from planner.facts.kinds import Fact, FactValue, Shown, Telling
from planner.facts.make import estimated, fact, flag, listed, names, shown, telling
from planner.model import Truth
from planner.published import Chosen

Holds = Callable[[PassState], list[Use]]


def make(account: Account) -> Iterator[Fact]:
    """All rotation facts of a programme."""
    yield from _successions(account)
    yield from _kept_apart(account)
    yield from _same_mix(account)
    yield from _last_season(account)
    yield from _repeated_actives(account)


# --- succession -----------------------------------------------------------------------------------------------------


def _successions(account: Account) -> Iterator[Fact]:
    held: dict[str, int] = {}
    for state in account.passes:
        for group in state.by_group:
            held[group] = held.get(group, 0) + 1
    groups = sorted(held)
    for group in groups:
        if held[group] > 1:
            yield from pairs_of(account, group, group)
    for one, other in _joined(account, tuple(groups)):
        yield from pairs_of(account, one, other)


def _joined(account: Account, groups: tuple[str, ...]) -> list[tuple[str, str]]:
    """Those pairs of different groups that cross-resistance joins."""
    key = ("joined", groups)
    known = account.published.season
    if key not in known:
        known[key] = [pair for pair in combinations(groups, 2) if account.joined(*pair, "succession")]
    found: list[tuple[str, str]] = known[key]
    return found


def pairs_of(account: Account, one: str, other: str) -> Iterator[Fact]:
    """Pairs in succession that lean on one group, or on two joined groups (one in each pass)."""
    pairs: dict[tuple[int, int], tuple[PassState, PassState, list[TargetState]]] = {}
    for target in account.targets:
        for first, second in succession(account, one, other, target):
            entry = pairs.setdefault((first.number, second.number), (first, second, []))
            entry[2].append(target)
    for first, second in pairwise(account.passes):
        if not _serve_pair(first, second, one, other) or (first.number, second.number) in pairs:
            continue
        if _shares_a_target(account, first, second):
            continue  # judged per target: something effective stood between, or they do not meet there
        pairs[(first.number, second.number)] = (first, second, [])
    for first, second, targets in pairs.values():
        yield _pair_fact(account, first, second, one, other, targets)


def _serve_pair(first: PassState, second: PassState, one: str, other: str) -> bool:
    if one == other:
        return one in first.by_group and one in second.by_group
    return (one in first.by_group and other in second.by_group) or (other in first.by_group and one in second.by_group)


def _shares_a_target(account: Account, first: PassState, second: PassState) -> bool:
    return any(account.works(first, target) and account.works(second, target) for target in account.targets)


def succession(account: Account, one: str, other: str, target: TargetState) -> list[tuple[PassState, PassState]]:
    """Neighbouring uses of a group (or joined groups) against a target, nothing effective of another between."""
    found: list[tuple[PassState, PassState]] = []
    last: PassState | None = None
    broken = False
    for state in account.working(target):
        if one in state.by_group or other in state.by_group:
            if last is not None and not broken and _serve_pair(last, state, one, other):
                found.append((last, state))
            last, broken = state, False
        elif last is not None and not broken:
            broken = _breaks(account, state, one, other, target)
    return found


def _breaks(account: Account, state: PassState, one: str, other: str, target: TargetState) -> bool:
    """Whether a pass holds something effective on the target that is of neither group."""
    key = ("breaks", one, other, target.id)
    found: bool | None = state.tank.known.get(key)
    if found is None:
        found = state.tank.known[key] = any(
            account.effect(use, target).value
            for use in account.others(state, one)
            if not account.joined(use.group, other, "mixing")
        )
    return found


def _pair_fact(
    account: Account, first: PassState, second: PassState, one: str, other: str, targets: list[TargetState]
) -> Fact:
    crossed = one != other
    keys = (one, other) if crossed else (one,)
    in_first = [use for key in keys for use in first.by_group.get(key, ())]
    uses = in_first + [use for key in keys for use in second.by_group.get(key, ())]
    answers = [account.alone(state, key) for state in (first, second) for key in keys if key in state.by_group]
    allowed, forbidden = _run_limits(account, first, second, one, targets) if not crossed else (False, False)
    values: dict[str, FactValue] = {
        "crossed": int(crossed),
        "at_risk": flag(account.at_risk(uses)),
        "risk": account.risk(uses),
        "field_has_targets": int(bool(account.targets)),
        "targets_shared": len(targets),
        "run_allowed": int(allowed),
        "run_forbidden": int(forbidden),
        "days_bare": _days_bare(account, first, second, in_first, targets),
        "alone_some": flag(any_of([answer[0] for answer in answers])),
        "alone_all": flag(any_of([answer[1] for answer in answers])),
        "row_forbids": 0,
    }
    return fact(
        "succession",
        f"{one}+{other}:{first.number}:{second.number}",
        (first.number, second.number),
        values,
        partial(_pair_words, account, first, second, one, other, targets, uses, answers, values),
        _open_pair(account, one, other, values) if None in values.values() else {},
    )


def _open_pair(account: Account, one: str, other: str, values: dict[str, FactValue]) -> dict[str, str]:
    """What to supply for a pair of which something is not known."""
    at_risk, partner = values["at_risk"] is None, values["alone_some"] is None or values["alone_all"] is None
    unknown: dict[str, str] = {}
    if at_risk or partner:
        codes = listed([one, other])
        if at_risk:
            unknown["at_risk"] = f"the resistance risk of {codes} is not stated by its scheme"
        if partner:
            unknown["alone_some"] = unknown["alone_all"] = (
                f"whether a partner of {codes} controls {listed(names(account.targets))} is not known; "
                "rate it on the label"
            )
    return unknown


def _days_bare(
    account: Account, first: PassState, second: PassState, in_first: list[Use], targets: list[TargetState]
) -> int | None:
    """Days from the end of the first pass's cover to the second pass."""
    if second.time.day is None or first.time.day_estimated or second.time.day_estimated or account.season.floating:
        return None  # an estimated distance never makes a finding milder
    ends = [
        end
        for use in in_first
        for target in (targets or [None])  # type: ignore[list-item]
        if (end := account.cover_end(use, first, target)) is not None
    ]
    return second.time.day - max(ends) if ends else None


def _pair_words(
    account: Account,
    first: PassState,
    second: PassState,
    one: str,
    other: str,
    targets: list[TargetState],
    uses: list[Use],
    answers: list[tuple[Truth, Truth, Cap]],
    values: dict[str, FactValue],
) -> Telling:
    some = any_of(answer[0] for answer in answers)
    caps = estimated(account, [(state, target) for state in (first, second) for target in targets], "the succession")
    if some:
        caps.insert(0, max((answer[2] for answer in answers if answer[0]), key=_rank))
    return telling(
        shows={
            "first": str(first.number),
            "second": str(second.number),
            "group": account.group_words(one),
            "other_group": account.group_words(other),
            "targets": names(targets) if targets else _no_targets(account),
            "products": shown(uses),
            "actives": listed(use.active.name for use in uses),
            "neighbours": f"passes {first.number} and {second.number}",
            "row_text": "",
            "partner_words": _partner_words(some),
        },
        evidence={
            "group": one if one == other else f"{one} + {other}",
            "actives": list(dict.fromkeys(use.active.name for use in uses)),
            "products": list(dict.fromkeys(use.item.product for use in uses if use.item.product)),
            "targets": [target.id for target in targets],
            "risk": values["risk"],
            "days_bare": values["days_bare"],
            "alone": some,
        },
        caps=caps,
        subject=f"{one}+{other}",
        place=second.entry.place,
    )


def _no_targets(account: Account) -> str:
    return "no disease that both serve" if account.targets else "the diseases they are meant for"


def _partner_words(some: Truth) -> str:
    if some is None:
        return "whether a partner works beside it is not known"
    return "without a working partner in at least one of them" if some else "with a working partner in both"


def _rank(cap: Cap) -> int:
    return {"advice": 0, "caution": 1, "breach": 2}[cap.severity]


def _run_limits(
    account: Account, first: PassState, second: PassState, group: str, targets: list[TargetState]
) -> tuple[bool, bool]:
    """Whether a firm published run limit allows the run this pair is part of, and whether one forbids it."""
    allowed, forbidden = False, False
    code = group.partition(" ")[2]
    for target in targets or [None]:  # type: ignore[list-item]
        for entry in account.published.choose("max_consecutive", code, target)[0]:
            if entry.row.counted == "same_product":
                continue
            run = _run_through(account, second, group, (entry.row.targets and target) or None)
            if entry.row.uses == "solo" and any(
                account.published.solo(state, code, target) is not True for state in (first, second)
            ):
                continue
            if run > entry.number:
                forbidden = True
            elif not entry.regional and entry.cap.severity == "breach":
                allowed = True
    return allowed and not forbidden, forbidden


def _run_through(account: Account, state: PassState, group: str, target: TargetState | None) -> int:
    """Length of the run of passes with a group that a pass is part of."""
    passes = account.working(target) if target is not None else account.passes
    run, through = 0, False
    for entry in passes:
        if group in entry.by_group:
            run += 1
            through = through or entry is state
            continue
        if through:
            return run
        run = 0
    return run if through else 0


def _kept_apart(account: Account) -> Iterator[Fact]:
    """Groups that a published row keeps out of one tank or out of consecutive sprays."""
    seen: set[tuple[str, int, int]] = set()
    for code, target, entry in account.published.deciding("not_mixed_or_adjacent"):
        codes = [str(value) for value in entry.row.value]
        if code not in codes:
            continue
        passes = account.working(target) if target is not None else account.passes
        pairs = list(pairwise(passes))
        if not entry.row.adjacent_only:
            pairs += [(state, state) for state in passes]
        for first, second in pairs:
            met = [
                (one, other)
                for one in codes
                for other in codes
                if one != other and one in first.codes and other in second.codes
            ]
            key = (entry.row.id, first.number, second.number)
            if not met or key in seen:
                continue
            seen.add(key)
            yield _apart_fact(account, entry, target, first, second, *(f"FRAC {value}" for value in met[0]))


def _apart_fact(
    account: Account,
    entry: Chosen,
    target: TargetState | None,
    first: PassState,
    second: PassState,
    one: str,
    other: str,
) -> Fact:
    uses = [*first.by_group[one], *second.by_group[other]]
    return fact(
        "succession",
        f"{entry.row.id}:{first.number}:{second.number}",
        (first.number, second.number),
        {
            "crossed": 1,
            "at_risk": 1,
            "risk": account.risk(uses),
            "field_has_targets": int(bool(account.targets)),
            "targets_shared": 1 if target else 0,
            "run_allowed": 0,
            "run_forbidden": 0,
            "days_bare": 0,
            "alone_some": 0,
            "alone_all": 0,
            "row_forbids": 1,
        },
        partial(_apart_words, account, entry, target, first, second, one, other),
    )


def _apart_words(
    account: Account,
    entry: Chosen,
    target: TargetState | None,
    first: PassState,
    second: PassState,
    one: str,
    other: str,
) -> Telling:
    uses = [*first.by_group[one], *second.by_group[other]]
    both = f"passes {first.number} and {second.number}"
    return telling(
        shows={
            "first": str(first.number),
            "second": str(second.number),
            "group": account.group_words(one),
            "other_group": account.group_words(other),
            "targets": target.name if target else "the season",
            "products": shown(uses),
            "actives": listed(use.active.name for use in uses),
            "neighbours": f"pass {first.number}" if first is second else both,
            "row_text": f" ({entry.row.text})",
            "partner_words": "",
        },
        evidence={"group": f"{one} + {other}", "row": entry.row.id},
        caps=[entry.cap],
        backings=(entry.row.backing,),
        subject=entry.row.id,
        place=second.entry.place,
    )


# --- the season as a whole ------------------------------------------------------------------------------------------


def _at_risk_groups(account: Account, state: PassState) -> frozenset[str]:
    found: frozenset[str] | None = state.tank.known.get("at risk")
    if found is None:
        risky = (group for group, uses in state.by_group.items() if account.at_risk(uses))
        found = state.tank.known["at risk"] = frozenset(risky)
    return found


def _same_mix(account: Account) -> Iterator[Fact]:
    if not account.passes:
        return
    sets = [_at_risk_groups(account, state) for state in account.passes]
    yield fact(
        "season_mix",
        "season",
        [state.number for state in account.passes],
        {"passes_counted": len(sets), "same_set": int(len(set(sets)) == 1), "groups_at_risk": len(sets[0])},
        partial(_mix_words, account, sorted(sets[0]), len(sets)),
    )


def _mix_words(account: Account, groups: list[str], passes: int) -> Telling:
    return telling(
        shows={"groups": listed(account.group_words(group) for group in groups)},
        evidence={"groups": groups, "passes": passes},
    )


def _last_season(account: Account) -> Iterator[Fact]:
    if not account.passes or not account.targets:
        return  # without targets nothing is known to survive on the field; the audit says so once
    earlier = [season for season in account.field.history if season.crop == account.crop.id]
    survives = any_of(target.target.survives_on_field for target in account.targets)
    same: int | None = 0 if account.field.history else None
    if earlier:
        now = [sorted(state.by_group) for state in account.passes]
        same = int(now == [sorted(groups) for groups in earlier[0].groups])
    unknown: dict[str, str] = {}
    if survives is None:
        unknown["survives"] = "whether the field's diseases survive on the field is not known"
    if same is None:
        unknown["same_sequence"] = "give the groups used last season under history"
    yield fact(
        "last_season",
        "season",
        [state.number for state in account.passes],
        {"same_sequence": same, "survives": flag(survives)},
        partial(_last_words, account, earlier[0].season if earlier else None),
        unknown,
    )


def _last_words(account: Account, newest: str | None) -> Telling:
    shows: dict[str, Shown] = {"season": "", "sequence": "", "targets": ""}
    if newest is not None:
        shows = {
            "season": newest,
            "sequence": ", then ".join(" + ".join(sorted(state.by_group)) for state in account.passes),
            "targets": listed(names(target for target in account.targets if target.target.survives_on_field)),
        }
    return telling(shows=shows, evidence=dict(shows))


def _repeated_actives(account: Account) -> Iterator[Fact]:
    """The same active twice where its group shares resistance only in part, and what a published row asks."""
    uses: dict[str, list[Use]] = {}
    for state in account.passes:
        for use in {use.active.name: use for use in state.uses}.values():
            uses.setdefault(use.active.name, []).append(use)
    for active, entries in sorted(uses.items()):
        rows = list(_rows_on(account, entries[0], len(entries), uses))
        if not rows and (len(entries) < 2 or not account.catalogue.partly_joined(entries[0].group)):
            continue
        others = _other_actives(account, entries[0])
        yield fact(
            "repeated_active",
            active,
            [use.number for use in entries],
            {"uses": len(entries), "row_asks": int(bool(rows)), "other_rated": int(bool(others))},
            partial(_repeated_words, account, entries, rows, others),
        )


def _repeated_words(
    account: Account, entries: list[Use], rows: list[tuple[str, Cap, tuple[str, ...]]], others: tuple[str, ...]
) -> Telling:
    active = entries[0].active.name
    return telling(
        shows={
            "active": active,
            "group": account.group_words(entries[0].group),
            "others": listed(others, "or") or "another active of the group",
            "row_text": f" ({' '.join(row[0] for row in rows)})" if rows else "",
        },
        evidence={"active": active, "uses": len(entries), "others": list(others)},
        caps=[row[1] for row in rows],
        sources=[key for row in rows for key in row[2]],
    )


_PER_ACTIVE = ("change_active", "max_applications_per_active", "not_paired_actives")


def _rows_on(
    account: Account, use: Use, count: int, uses: dict[str, list[Use]]
) -> Iterator[tuple[str, Cap, tuple[str, ...]]]:
    """Rows that this active's repeated use departs from."""
    seen: set[str] = set()
    for entry, _ in account.published.chosen(_PER_ACTIVE, use.code):
        row = entry.row
        if row.id in seen:
            continue
        broken = (
            (row.kind == "change_active" and count > 1)
            or (
                row.kind == "max_applications_per_active"
                and (use.active.name in row.actives or "each" in row.actives)
                and count > entry.number
            )
            or (
                row.kind == "not_paired_actives"
                and use.active.name in row.value
                and all(name in uses for name in row.value)
                and use.active.name == sorted(row.value)[0]
            )
        )
        if broken:
            seen.add(row.id)
            yield row.text, entry.cap, row.backing.sources


def _other_actives(account: Account, use: Use) -> tuple[str, ...]:
    """Other actives of the group with a good rating of their own on one of the targets this one serves."""
    key = ("others of the group", use.agent.key)
    known = account.ground.known
    if key not in known:
        known[key] = tuple(dict.fromkeys(_good_actives(account, use)))
    found: tuple[str, ...] = known[key]
    return found


def _good_actives(account: Account, use: Use) -> Iterator[str]:
    for target in account.targets:
        if not account.rated(use, target).rated_for:
            continue
        for row in account.catalogue.ratings(account.crop.id, target.id):
            if len(row.actives) != 1 or row.actives[0] == use.active.name or row.rating in (None, "poor", "fair"):
                continue
            if row.country != account.field.country and not row.elsewhere:
                continue
            if account.catalogue.active(row.actives[0]).group == use.group:
                yield row.actives[0]
