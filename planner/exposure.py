"""From a season's account to the sprays of the selection index: one row per group and target.

Nothing is guessed into the index. An active whose effect on the target is not known is left out, named, and the range
that it could open is given; a group that no longer works here is told apart from a group that is not used.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from typing import Any

import msgspec
from msgspec.structs import replace

from planner.account import Account, PassState, TargetState, Use
from planner.catalogue import Catalogue
from planner.model import CLASSES, Struct
from planner.selection import Component, SelectionDefaults, Spray, selection_by_group, selection_days

CAVEAT = (
    "The index ranks programmes against one disease, it does not forecast years. It knows nothing of weather, "
    "refuges, migration or how well disease is controlled, and takes one half-life for every active. Fewer uses of "
    "a group lower it, cover or no cover: read it beside the bare days."
)
RATES = "It never speaks for a rate below the label: a partner that is cut protects less."


@lru_cache(maxsize=4)
def defaults(catalogue: Catalogue) -> SelectionDefaults:
    """The catalogue's values behind the index."""
    return SelectionDefaults.from_mapping(catalogue.selection)


class LeftOut(Struct, frozen=True):
    """Something that the index of a target does not count, or counts by an assumption; ``fact`` says what to supply."""

    what: str
    passes: tuple[int, ...]
    why: str
    fact: str = ""

    def plain(self) -> dict[str, Any]:
        """As the report carries it."""
        return {"what": self.what, "passes": list(self.passes), "why": self.why, "fact": self.fact}


class Exposure(msgspec.Struct):
    """What one target meets.

    ``sprays``: of known effect. ``unknown``: of unknown effect, at the best class an active can have, so that a
    range can be given. ``lost``: groups that no longer work here. ``start``, ``last``: the days that count
    (ordinals).
    """

    target: TargetState
    sprays: list[Spray] = []
    unknown: list[Spray] = []
    lost: dict[str, str] = {}  # group -> the report's place and year
    risk_unknown: dict[str, str] = {}  # group -> active
    left_out: list[LeftOut] = []
    assumed: list[LeftOut] = []
    start: float | None = None
    last: float | None = None
    joined: dict[str, tuple[str, ...]] = {}
    numbers: dict[float, int] = {}  # day -> pass

    @property
    def counts(self) -> bool:
        """Whether there is a stretch of days to count over."""
        days = [spray.day for spray in (*self.sprays, *self.unknown)]
        return self.last is not None and bool(days) and self.last > min(days)

    def groups(self) -> list[str]:
        """At-risk groups with some effect, in the order of their first spray; those of unknown effect last."""
        known = sorted((spray for spray in self.sprays if selects(spray)), key=lambda spray: spray.day)
        return list(dict.fromkeys(spray.component.group for spray in [*known, *filter(selects, self.unknown)]))

    def days(self, group: str, half_life: float | None = None) -> float:
        """Effective selection days of a group, at the default half-life or at one for every active (days)."""
        return self._days(self.sprays, group, half_life)

    def bounds(self, group: str, half_life: float | None = None) -> tuple[float, float]:
        """Least and most selection days, whatever the actives of unknown effect do (both equal where none is).

        More effect in the group can only raise the index, more effect beside it can only lower it.
        """
        if not self.unknown:
            same = self.days(group, half_life)
            return same, same
        members = {group, *self.joined.get(group, ())}
        inside = [spray for spray in self.unknown if spray.component.group in members]
        outside = [spray for spray in self.unknown if spray.component.group not in members]
        return (
            self._days([*self.sprays, *outside], group, half_life),
            self._days([*self.sprays, *inside], group, half_life),
        )

    def _days(self, sprays: Sequence[Spray], group: str, half_life: float | None) -> float:
        if self.last is None or not sprays or self.last <= min(spray.day for spray in sprays):
            return 0.0
        return selection_days(
            at_half_life(sprays, half_life),
            group,
            self.last,
            start=self.start,
            joined=self.joined.get(group, ()),
        )


def selects(spray: Spray) -> bool:
    """Whether a spray is of an at-risk active with some effect."""
    return spray.component.at_risk and spray.component.omega > 0.0


def at_half_life(sprays: Iterable[Spray], half_life: float | None) -> list[Spray]:
    """The sprays with one half-life (days) for every active; None leaves them as they are."""
    if half_life is None:
        return list(sprays)
    made: dict[Component, Component] = {}
    found = []
    for spray in sprays:
        component = made.get(spray.component)
        if component is None:
            component = made[spray.component] = replace(spray.component, half_life_days=half_life)
        found.append(Spray(spray.day, component, spray.dose))
    return found


def exposure(account: Account, target: TargetState) -> Exposure:
    """The foliar uses that meet a target as sprays (dose as share of the full label rate, 1 where none is known)."""
    base = defaults(account.catalogue)
    found = Exposure(target, last=horizon(account, target))
    window = target.window
    if window is not None and window.first is not None and (found.last is None or window.first < found.last):
        found.start = float(window.first)
    gaps: dict[tuple[str, str, str], list[int]] = {}
    assumed: dict[str, list[int]] = {}
    for state in account.early:
        for use in state.uses:
            why = f"it went on as {state.entry.how} treatment; the index counts foliar passes"
            gaps.setdefault((use.active.name, why, ""), []).append(state.number)
    for state in account.passes:
        if state.time.day is None:
            why, fact = "the pass has no date", "give the pass a date, or a stage that the field dates"
            gaps.setdefault((f"pass {state.number}", why, fact), []).append(state.number)
            continue
        if account.meets(state, target).value is False:
            continue
        found.numbers.setdefault(float(state.time.day), state.number)
        for use in state.uses:
            _add(account, base, found, state, use, gaps, assumed)
    groups = list(dict.fromkeys(spray.component.group for spray in (*found.sprays, *found.unknown)))
    found.joined = {
        one: tuple(other for other in groups if other != one and account.joined(one, other, "succession"))
        for one in groups
    }
    found.left_out = [
        LeftOut(what, tuple(dict.fromkeys(passes)), why, fact) for (what, why, fact), passes in gaps.items()
    ]
    found.assumed = [
        LeftOut(name, tuple(dict.fromkeys(passes)), "no label rate to hold the dose against; taken as the full rate")
        for name, passes in assumed.items()
    ]
    return found


def _add(
    account: Account,
    base: SelectionDefaults,
    found: Exposure,
    state: PassState,
    use: Use,
    gaps: dict[tuple[str, str, str], list[int]],
    assumed: dict[str, list[int]],
) -> None:
    target, name = found.target, use.active.name
    effect = account.effect(use, target)
    lost = effect.standing.level == "lost"
    unknown = effect.rank is None
    rating = "lost" if lost else CLASSES[-1] if effect.rank is None else CLASSES[effect.rank - 1]
    risk = use.active.at_risk
    component = base.component(
        use.group,
        rating,
        name=name,
        at_risk=bool(risk) and not lost,
        multisite=use.active.multi_site,
    )
    if component is None:  # the catalogue's file lacks the class: as good as unknown
        gaps.setdefault((name, f"no value for the class '{rating}'", ""), []).append(state.number)
        return
    dose = 1.0 if use.fraction is None else use.fraction
    spray = Spray(float(state.time.day or 0), component, dose)
    if unknown:
        why = f"how well it works on {target.name} is not known"
        cure = f"give its rating on {target.id} under the label's targets"
        gaps.setdefault((name, why, cure), []).append(state.number)
        found.unknown.append(spray)
        return
    if lost:
        found.lost[use.group] = effect.standing.words
        why = f"its group no longer works on {target.name} here ({effect.standing.words})"
        gaps.setdefault((name, why, ""), []).append(state.number)
    elif risk is None and not use.active.multi_site:
        found.risk_unknown[use.group] = name
        why = "its resistance risk is not known; it counts as a partner only"
        gaps.setdefault((name, why, "give its risk in your own catalogue folder"), []).append(state.number)
    if use.fraction is None:
        assumed.setdefault(name, []).append(state.number)
    found.sprays.append(spray)


def horizon(account: Account, target: TargetState) -> float | None:
    """The last day that counts: the end of the window, else harvest."""
    if target.window is not None and target.window.last is not None:
        return float(target.window.last)
    return float(account.field.harvest.toordinal()) if account.field.harvest is not None else None


def rows(account: Account, *, detail: bool = False) -> tuple[dict[str, Any], ...]:
    """Effective selection days per target and at-risk group, as the report carries them.

    Keys: ``target``, ``name``, ``group``, ``words``; ``selection_days`` at the default half-life; ``left_out`` and
    ``assumed``: what, passes, why, fact to supply; ``rests_on``: value, source and grade of what is no fact of the
    programme; ``note``: what the index is not. With ``detail`` also ``band``: half-lives from and to, least and
    greatest days; ``range``: least and most days where an active of unknown effect is in a tank; ``pairs``: groups
    that share a tank with this one, and the days for a strain that resists both. Else these are None and empty.
    """
    found: list[dict[str, Any]] = []
    for target in account.targets:
        found.extend(rows_of(account, exposure(account, target), detail=detail))
    return tuple(found)


def rows_of(account: Account, met: Exposure, *, detail: bool = False) -> list[dict[str, Any]]:
    """The rows of one target (empty where nothing at risk meets it, or no day is known)."""
    groups = [group for group in met.groups() if any(s.component.group == group for s in met.sprays if selects(s))]
    if not groups or not met.counts:
        return []
    assert met.last is not None
    lives = defaults(account.catalogue).half_life_band if detail else ()
    tied = {group: met.joined.get(group, ()) for group in groups}

    def sweep(half_life: float | None) -> Mapping[str, float]:
        assert met.last is not None
        sprays = at_half_life(met.sprays, half_life)
        return selection_by_group(sprays, met.last, groups=groups, start=met.start, joined=tied)

    days = sweep(None)
    over = [sweep(life) for life in lives]
    pairs = pair_rows(account, met) if detail else []
    basis = rests_on(account.catalogue)
    return [
        {
            "target": met.target.id,
            "name": met.target.name,
            "group": group,
            "words": account.group_words(group),
            "selection_days": round(days[group], 3),
            "band": {
                "half_lives": [lives[0], lives[-1]],
                "low": round(min(one[group] for one in over), 3),
                "high": round(max(one[group] for one in over), 3),
            }
            if over
            else None,
            "range": [round(value, 3) for value in met.bounds(group)] if detail and met.unknown else None,
            "pairs": [pair for pair in pairs if group in pair["groups"]],
            "left_out": [entry.plain() for entry in met.left_out],
            "assumed": [entry.plain() for entry in met.assumed],
            "rests_on": basis,
            "note": CAVEAT,
        }
        for group in groups
    ]


def pair_rows(account: Account, met: Exposure) -> list[dict[str, Any]]:
    """Strains that resist two groups of one tank: no mixture of the two slows them, so they are told apart."""
    if not met.counts or len({spray.component.group for spray in met.sprays if selects(spray)}) < 2:
        return []
    from planner.selection import double_selection_days, pairs_in_tank

    assert met.last is not None
    found = []
    for one, two in pairs_in_tank(met.sprays):
        if two in met.joined.get(one, ()):
            continue
        pair = double_selection_days(met.sprays, one, two, met.last, start=met.start, joined=met.joined)
        found.append(
            {
                "groups": [one, two],
                "words": [account.group_words(one), account.group_words(two)],
                "both": round(pair.both, 3),
            }
        )
    return found


@lru_cache(maxsize=4)
def rests_on(catalogue: Catalogue) -> dict[str, dict[str, Any]]:
    """The values behind the index that are no facts of the programme, each with source and grade."""
    base = defaults(catalogue)
    values: dict[str, Any] = {
        "omega_by_class": {name: base.omega_of(name) for name in CLASSES},
        "theta": base.theta,
        "theta_multisite": base.theta_multisite,
        "half_life_days": base.half_life_days,
    }
    return {
        name: {"value": value, "source": base.grounds[name]["source"], "grade": base.grounds[name]["grade"]}
        for name, value in values.items()
    }


def gaps(account: Account) -> list[dict[str, Any]]:
    """Targets that have no row, each with the reason (so that an absent row is never read as no selection)."""
    found: list[dict[str, Any]] = []
    for target in account.targets:
        met = exposure(account, target)
        if any(selects(spray) for spray in met.sprays) and met.counts:
            continue
        entry = {"target": target.id, "name": target.name}
        found.append({**entry, "why": silence(met), "left_out": [one.plain() for one in met.left_out]})
    return found


def silence(met: Exposure) -> str:
    """Why a target has no index."""
    if any(selects(spray) for spray in met.unknown):
        return "the effect of what meets it is not known"
    if not any(selects(spray) for spray in met.sprays):
        if met.lost:
            return "what meets it no longer works on it here, so it neither protects nor selects further"
        return "no at-risk active that works on it meets it"
    if met.last is None:
        return "neither its window nor harvest has a date"
    return "every pass comes after its window has closed"


def total(account: Account) -> float:
    """Sum of selection days over targets and groups: the figure that the drafter weighs."""
    return float(sum(row["selection_days"] for row in rows(account)))
