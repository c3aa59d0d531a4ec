"""Facts about what is in the tank together (MIX01-MIX06)."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from itertools import combinations
from typing import NamedTuple

from planner.account import CAP_RANK, FREE, Account, Cap, PassState, TargetState, Use, any_of
from planner.facts.dates import dated, day_words
from planner.facts.kinds import Fact, Telling
from planner.facts.make import estimated, fact, flag, listed, names, number, shown, telling
from planner.model import Truth
from planner.published import Chosen
from planner.season import Window


def make(account: Account) -> Iterator[Fact]:
    """All mixing facts of a programme."""
    yield from _wanted(account)
    yield from _shared(account)
    yield from _rates(account)
    yield from _fading(account)
    yield from _modes(account)


# --- groups that a row wants mixed ----------------------------------------------------------------------------------


def _wanted(account: Account) -> Iterator[Fact]:
    """Per pass and group: is there another group, is it there for this disease, and does it work."""
    kinds = ("mixture_required", "no_solo_use", "partner_must_be_effective")
    for state in account.passes:
        for group, uses in state.by_group.items():
            rows = account.published.chosen(kinds, uses[0].code)
            if rows:
                rows = [row for row in rows if _held_stages(account, state, row[0])]
                yield from _alone(account, state, group, rows)
                yield from _ineffective(account, state, group, rows)


def _held_stages(account: Account, state: PassState, entry: Chosen) -> bool:
    """Whether a row that names stages (or the last pass) speaks of this pass."""
    row = entry.row
    if row.last_pass and account.passes and state is not account.passes[-1]:
        return False
    if row.stages and state.time.bbch is not None:
        low, high = state.time.bbch
        return account.season.bbch(row.stages[0]) <= high and low <= account.season.bbch(row.stages[1])
    return not row.stages


def _alone(
    account: Account, state: PassState, group: str, rows: list[tuple[Chosen, TargetState | None]]
) -> Iterator[Fact]:
    """MIX01: no other group in the tank but companions (actives there for another disease only)."""
    served = account.served(state, group)
    others = account.others(state, group)
    judged: dict[str, tuple[Chosen, list[TargetState]]] = {}
    for entry, target in rows:
        if entry.row.kind == "partner_must_be_effective":
            continue
        if entry.row.targets and (target is None or (served and target not in served)):
            continue
        if entry.row.targets and not served:
            continue
        known = judged.setdefault(entry.row.id, (entry, []))
        if target is not None and target in served:
            known[1].append(target)
    for entry, targets in judged.values():
        serving = [use for use in others if not _companion(account, use, targets)]
        rated: Truth = any_of(account.rated(use, target).rated_for for use in serving for target in targets)
        yield fact(
            "mixture_wanted",
            f"{entry.row.id}:{state.number}:{group}",
            [state.number],
            {"others": len(serving), "others_rated": flag(rated), "partner_effective": 1},
            partial(_alone_words, account, state, group, entry, targets, serving),
        )


def _alone_words(
    account: Account, state: PassState, group: str, entry: Chosen, targets: list[TargetState], serving: list[Use]
) -> Telling:
    companions = [use for use in account.others(state, group) if use not in serving]
    return telling(
        shows={
            "group": account.group_words(group),
            "limit_text": entry.row.text,
            "targets": names(targets) or _may_be_meant(account, state, group),
            "actives": shown(state.by_group[group]),
            "partners": shown(serving),
            "companions": _companion_words(companions),
            "reasons": "",
        },
        evidence={"group": group, "limit": entry.row.id, "targets": [target.id for target in targets]},
        caps=[entry.cap, *estimated(account, [(state, target) for target in targets], "the target of the pass")],
        backings=(entry.row.backing,),
        subject=group,
        place=state.entry.place,
    )


def _may_be_meant(account: Account, state: PassState, group: str) -> tuple[str, ...] | str:
    """Diseases of the field that a group may be there for, where none is surely met; else those of the crop."""
    uses = state.by_group[group]
    meant = [
        target
        for target in account.targets
        if account.works(state, target) is not False and account.rated_for(uses, target)
    ]
    return names(meant) or f"the diseases of {account.crop.name}"


def _companion_words(companions: list[Use]) -> str:
    if not companions:
        return ""
    return f"; {listed(shown(companions))} {'is' if len(companions) == 1 else 'are'} there for another disease"


def _companion(account: Account, use: Use, targets: list[TargetState]) -> bool:
    """In the tank for another disease: rated for some target of the field, for none of these."""
    if not targets or any(account.rated(use, target).rated_for for target in targets):
        return False
    rest = [target for target in account.targets if target not in targets]
    return any(account.rated(use, target).rated_for for target in rest)


def _ineffective(
    account: Account, state: PassState, group: str, rows: list[tuple[Chosen, TargetState | None]]
) -> Iterator[Fact]:
    """MIX03: another group is rated for the target, and no partner is effective on it here."""
    others = account.others(state, group)
    if not others:
        return
    for target in account.served(state, group):
        entries = [entry for entry, chosen_for in rows if chosen_for is target]
        if not entries:
            continue
        rated = any_of([account.rated(use, target).rated_for for use in others])
        partner = account.partner(state, group, target)[0]
        known = rated is False or (rated is True and partner is not None)
        entry = max(entries, key=_cap_rank)
        yield fact(
            "mixture_wanted",
            f"partner:{state.number}:{group}:{target.id}",
            [state.number],
            {
                "others": len(others),
                "others_rated": flag(rated),
                "partner_effective": flag(partner) if known else None,
            },
            partial(_partner_words, account, state, group, entry, target),
            {} if known else {"partner_effective": _not_rated(others, target)},
        )


def _cap_rank(entry: Chosen) -> int:
    return CAP_RANK[entry.cap.severity]


def _not_rated(others: list[Use], target: TargetState) -> str:
    actives = [use.active.name for use in others]
    verb, it = ("controls", "it") if len(actives) == 1 else ("control", "them")
    return f"whether {listed(actives)} {verb} {target.name} is not known; rate {it} on the product's label"


def _partner_words(account: Account, state: PassState, group: str, entry: Chosen, target: TargetState) -> Telling:
    others = account.others(state, group)
    return telling(
        shows={
            "group": account.group_words(group),
            "limit_text": entry.row.text,
            "targets": target.name,
            "actives": shown(state.by_group[group]),
            "partners": shown(others),
            "companions": "",
            "reasons": tuple(
                f"{use.active.name} {_reason(account, use, target)}"
                for use in others
                if account.effect(use, target).value is False
            ),
        },
        evidence={"group": group, "target": target.id, "limit": entry.row.id},
        caps=[
            entry.cap,
            account.partner(state, group, target)[1],
            *estimated(account, [(state, target)], "the target of the pass"),
        ],
        backings=(entry.row.backing,),
        subject=f"{group}:{target.id}",
        place=state.entry.place,
    )


def _reason(account: Account, use: Use, target: TargetState) -> str:
    effect = account.effect(use, target)
    if effect.standing.level == "lost":
        return f"no longer controls it ({effect.standing.words})"
    if effect.standing.level == "reduced":
        return f"works less well than it did ({effect.standing.words})"
    return f"is rated {effect.rated.words} on it"


# --- partners of one group ------------------------------------------------------------------------------------------


def _shared(account: Account) -> Iterator[Fact]:
    for state in account.passes:
        for cluster in _clusters(account, state):
            yield _shared_fact(account, state, [state.uses[at] for at in cluster])


def _clusters(account: Account, state: PassState) -> tuple[tuple[int, ...], ...]:
    """Actives at risk in a tank that cross-resistance joins, two or more together (their places in the tank)."""
    found: tuple[tuple[int, ...], ...] | None = state.tank.known.get("clusters")
    if found is None:
        risky = {use.active.name: (at, use) for at, use in enumerate(state.uses) if use.active.at_risk}
        clusters: dict[frozenset[int], tuple[int, ...]] = {}
        for (_, one), (_, other) in combinations(risky.values(), 2):
            if account.joined(one.group, other.group, "mixing"):
                cluster = [at for at, use in risky.values() if account.joined(use.group, one.group, "mixing")]
                clusters.setdefault(frozenset(cluster), tuple(cluster))
        found = state.tank.known["clusters"] = tuple(clusters.values())
    return found


def _shared_fact(account: Account, state: PassState, cluster: list[Use]) -> Fact:
    group = cluster[0].group
    served = [
        target for target in account.against(state) if account.rated_for(cluster, target)
    ]
    answers = {target.id: account.partner(state, group, target) for target in served}
    if served:
        partnered: Truth = True
        for value, _ in answers.values():
            if value is False:
                partnered = False
                break
            if value is None:
                partnered = None
    else:
        partnered = bool(account.others(state, group))
    rows = [
        entry
        for use in cluster
        for target in (account.targets or [None])  # type: ignore[list-item]
        for entry in account.published.choose("same_group_mixture_not_valid", use.code, target)[0]
        if all(account.published.names_code(entry.row, other.code) for other in cluster)
    ]
    return fact(
        "shared_group",
        f"{state.number}:{group}",
        [state.number],
        {"partnered": flag(partnered), "row_calls_solo": int(bool(rows))},
        partial(_shared_words, account, state, cluster, served, rows),
        {} if partnered is not None else {"partnered": _open_partner(account, state, group, served)},
    )


def _open_partner(account: Account, state: PassState, group: str, served: list[TargetState]) -> str:
    open_targets = [target for target in served if account.partner(state, group, target)[0] is False] or served
    return f"whether another active in pass {state.number} controls {listed(names(open_targets))} is not known"


def _shared_words(
    account: Account,
    state: PassState,
    cluster: list[Use],
    served: list[TargetState],
    rows: list[Chosen],
) -> Telling:
    group = cluster[0].group
    answers = {target.id: account.partner(state, group, target) for target in served}
    open_targets = [target for target in served if answers[target.id][0] is False] or served
    caps = [answers[target.id][1] for target in open_targets]
    if rows:
        caps.append(max(rows, key=_cap_rank).cap)
    return telling(
        shows={
            "actives": shown(cluster),
            "group": listed(account.group_words(use.group) for use in cluster),
            "targets": names(open_targets) or "the field",
            "limit_text": f" ({rows[0].row.text})" if rows else "",
        },
        evidence={"group": group, "actives": [use.active.name for use in cluster]},
        caps=caps,
        backings=(rows[0].row.backing,) if rows else (),
        subject=group,
        place=state.entry.place,
    )


# --- partner rates and partner cover --------------------------------------------------------------------------------


def _rates(account: Account) -> Iterator[Fact]:
    done: set[tuple[int, str]] = set()
    for state in account.passes:
        if all(use.item.product is None for use in state.uses):
            continue  # bare actives: one entry for all of them, see facts.labels
        for group, own in state.by_group.items():
            code = own[0].code
            for kind, uses, whose in (
                ("partner_min_rate_fraction", account.others(state, group), "a partner of "),
                ("min_rate_fraction", own, ""),
            ):
                for entry, target in account.published.chosen((kind,), code):
                    if entry.row.targets and (target is None or not account.works(state, target)):
                        continue
                    for use in uses:
                        key = (id(use), entry.row.id)
                        if key in done or use.item.product is None:
                            continue
                        done.add(key)
                        yield _rate_fact(state, f"{whose}{account.group_words(group)}", use, entry)


def _rate_fact(state: PassState, asked_of: str, use: Use, entry: Chosen) -> Fact:
    least = round(entry.number * 1000)
    share = None if use.fraction is None else round(use.fraction * 1000)
    return fact(
        "partner_rate",
        f"{entry.row.id}:{state.number}:{use.active.name}:{use.item.product}",
        [state.number],
        {"share": share, "least": least},
        partial(_rate_words, state, asked_of, use, entry),
        {}
        if share is not None
        else {"share": f"give the rate of {use.item.product} in pass {state.number} and its full label rate"},
    )


def _rate_words(state: PassState, asked_of: str, use: Use, entry: Chosen) -> Telling:
    return telling(
        shows={
            "partner": use.shown,
            "group": asked_of,
            "share_words": "" if use.fraction is None else f"{use.fraction:.0%}",
            "least_words": f"{entry.number:.0%}",
            "limit_text": entry.row.text,
            "rate_words": "" if use.item.rate is None else f"{number(use.item.rate)} {use.item.unit or ''}".strip(),
        },
        evidence={
            "partner": use.active.name,
            "share": None if use.fraction is None else round(use.fraction, 3),
            "least": entry.number,
            "limit": entry.row.id,
        },
        caps=[entry.cap],
        backings=(entry.row.backing,),
        subject=f"{state.number}:{use.active.name}",
        place=use.item.place,
    )


def _fading(account: Account) -> Iterator[Fact]:
    for state in account.passes:
        for group, uses in state.by_group.items():
            if not account.at_risk(uses):
                continue
            for target in account.served(state, group):
                found = _fade(account, state, group, uses, target)
                if found is not None:
                    yield found


def _fade(account: Account, state: PassState, group: str, uses: list[Use], target: TargetState) -> Fact | None:
    """How long before it is needed no more the longest-lasting working partner ends (None: no such partner)."""
    partners = _partners_that_may_fade(account, state, group, target)
    if not partners:
        return None
    ends = [(end, use) for use in partners if (end := account.longest_end(use, state, target)) is not None]
    if not ends:
        return None
    later = next(
        (one for one in account.working(target) if one.number > state.number and one.time.day is not None), None
    )
    need = _needed_until(account, state, uses, target, later)
    if need is None:
        return None
    known, cut = [pair for pair in ends if not pair[1].cut], [pair for pair in ends if pair[1].cut]
    end, partner = max(known or cut, key=_day)
    short = need.day - end
    # a rate under the label's least: for how long it protects is not known, so a lack counts only where there is none
    open_uses = [use for day, use in cut if not known or day > end]
    if not open_uses and need.own:
        open_uses = [use for use in uses if use.cut]
    unsure = bool(open_uses) and (short > 0 or not known)
    return fact(
        "partner_cover",
        f"{state.number}:{group}:{target.id}",
        (state.number,),
        {"days_short": None if unsure else short, "multi_site": 0},
        partial(_fade_words, account, state, group, target, partner, end - 1, need, later),
        {"days_short": _cut_cover(open_uses)} if unsure else {},
    )


def _day(pair: tuple[int, Use]) -> int:
    return pair[0]


def _cut_cover(uses: list[Use]) -> str:
    return f"how long {listed(use.shown for use in uses)} protects at a rate under its label's least is not known"


class _Need(NamedTuple):
    """Until when a partner is needed: the first day on which it is no more, whether that is an estimate, and why."""

    day: int
    estimated: bool
    own: bool  # the group's own cover ends then
    by: PassState | Window | str  # the next pass, the window's end, or the code of the group

    @property
    def words(self) -> str:
        """What ends the need."""
        if isinstance(self.by, PassState):
            return f"pass {self.by.number}"
        if isinstance(self.by, Window):
            return f"the end of the window ({self.by.last_stage})"
        return f"the end of group {self.by}'s own cover"


def _needed_until(
    account: Account, state: PassState, uses: list[Use], target: TargetState, later: PassState | None
) -> _Need | None:
    """The first of: the next pass against the target, the end of the group's own cover, the end of the window."""
    need: _Need | None = None
    if later is not None and later.time.day is not None:
        need = _Need(later.time.day, later.time.day_estimated, False, later)
    own = [day for use in uses if (day := account.longest_end(use, state, target)) is not None]
    if own and (need is None or max(own) < need.day):
        need = _Need(max(own), state.time.day_estimated, True, uses[0].code)
    window = target.window
    if window is not None and window.last is not None and (need is None or window.last + 1 < need.day):
        need = _Need(window.last + 1, window.last_estimated, False, window)
    return need


def _fade_words(
    account: Account,
    state: PassState,
    group: str,
    target: TargetState,
    partner: Use,
    ends: int,
    need: _Need,
    later: PassState | None,
) -> Telling:
    """``ends``: the last day that the partner covers."""
    caps = [_protection_cap(account, partner, state, target), *estimated(account, [(state, target)], "the window")]
    if state.time.day_estimated or (later is not None and later.time.day_estimated):
        caps.append(Cap("advice", "the days between the passes are estimated from their stages"))
    day, needed = state.time.day or 0, need.day - 1
    return telling(
        shows={
            "partner": partner.shown,
            "group": account.group_words(group),
            "target": target.name,
            "partner_end": day_words(account, ends, state.time.day_estimated) or f"day {ends - day} after the pass",
            "needed_end": day_words(account, needed, need.estimated) or f"day {needed - day} after the pass",
            "needed_by": need.words,
        },
        evidence={
            "group": group,
            "partner": partner.active.name,
            "days_short": needed - ends,
            "unit": "d",
            "target": target.id,
            **dated(account, pass_date=state.time.day, partner_covers_to=ends, needed_to=needed),
        },
        caps=caps,
        subject=f"{group}:{target.id}",
        place=state.entry.place,
    )


def _partners_that_may_fade(account: Account, state: PassState, group: str, target: TargetState) -> list[Use]:
    """The working partners of a group; none where a multi-site is among them, for that stays."""
    key = ("may fade", group, target.id, account.published.at_risk(group))
    known: tuple[int, ...] | None = state.tank.known.get(key)
    if known is None:
        partners = [use for use in account.others(state, group) if account.is_partner(use, group, target)[0]]
        stays = any(use.active.multi_site for use in partners)
        known = state.tank.known[key] = () if stays else tuple(state.uses.index(use) for use in partners)
    return [state.uses[at] for at in known]


def _protection_cap(account: Account, use: Use, state: PassState, target: TargetState) -> Cap:
    row = account.protection(use, state, target)
    if row is None:
        return FREE
    severity = row.backing.cap
    return (
        FREE
        if severity == "breach"
        else Cap(severity, f"the protection days of {use.active.name} are {row.backing.words}")
    )


# --- number of modes ------------------------------------------------------------------------------------------------


def _modes(account: Account) -> Iterator[Fact]:
    done: set[tuple[str, int]] = set()
    for kind in ("min_moa_in_mixture", "multisite_required"):
        for code in account.published.codes_of(kind):
            for entry, target in account.published.chosen((kind,), code):
                for state in account.working(target) if target is not None else account.passes:
                    if code not in state.codes or not _held_stages(account, state, entry):
                        continue
                    if (entry.row.id, state.number) in done:
                        continue
                    done.add((entry.row.id, state.number))
                    yield _modes_fact(account, entry, kind, code, target, state)


def _modes_fact(
    account: Account, entry: Chosen, kind: str, code: str, target: TargetState | None, state: PassState
) -> Fact:
    modes = sorted(state.codes)
    wanted = kind == "multisite_required"
    present = any(value in entry.row.partners_named for value in state.codes)
    return fact(
        "modes_in_mix",
        f"{entry.row.id}:{state.number}",
        [state.number],
        {
            "modes": len(modes),
            "least": 0 if wanted else int(entry.number),
            "multi_site_wanted": int(wanted),
            "multi_site_present": int(present),
        },
        partial(_modes_words, account, entry, wanted, code, target, state),
    )


def _modes_words(
    account: Account, entry: Chosen, wanted: bool, code: str, target: TargetState | None, state: PassState
) -> Telling:
    modes = sorted(state.codes)
    caps = [entry.cap]
    if target is not None and entry.row.targets:
        caps += estimated(account, [(state, target)], "the target of the pass")
    wanted_words = (
        f"a multi-site ({listed((account.group_words('FRAC ' + value) for value in entry.row.partners_named), 'or')})"
        if wanted
        else f"{int(entry.number)} modes of action"
    )
    return telling(
        shows={
            "group": account.group_words(f"FRAC {code}"),
            "codes": tuple(modes),
            "target": target.name if target else account.crop.name,
            "limit_text": entry.row.text,
            "wanted": wanted_words,
        },
        evidence={"codes": modes, "least": None if wanted else int(entry.number), "limit": entry.row.id},
        caps=caps,
        backings=(entry.row.backing,),
        subject=entry.row.id,
        place=state.entry.place,
    )
