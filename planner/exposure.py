"""From a season's account to the sprays of the selection index: one row per group and target."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from planner.account import Account, PassState, TargetState, Use
from planner.catalogue import Catalogue
from planner.model import CLASSES
from planner.selection import SelectionDefaults, Spray, selection_by_group


@lru_cache(maxsize=4)
def defaults(catalogue: Catalogue) -> SelectionDefaults:
    """The catalogue's values behind the index."""
    return SelectionDefaults.from_mapping(catalogue.selection)


def sprays_of(account: Account, target: TargetState) -> tuple[list[Spray], list[str]]:
    """The foliar uses that meet a target as sprays (dose as share of the full label rate, 1 where none is known),
    and the actives whose class on the target is not known and which are therefore left out."""
    base = defaults(account.catalogue)
    sprays: list[Spray] = []
    left_out: dict[str, None] = {}
    for state in account.passes:
        if state.time.day is None or account.meets(state, target).value is False:
            continue
        for use in state.uses:
            spray = _spray(account, base, state, use, target)
            if spray is None:
                left_out[use.active.name] = None
            else:
                sprays.append(spray)
    return sprays, list(left_out)


def _spray(account: Account, base: SelectionDefaults, state: PassState, use: Use, target: TargetState) -> Spray | None:
    effect = account.effect(use, target)
    if effect.rank is None:
        return None
    lost = effect.standing.level == "lost"
    component = base.component(
        use.group,
        "lost" if lost else CLASSES[effect.rank - 1],
        name=use.active.name,
        at_risk=bool(use.active.at_risk) and not lost,
        multisite=use.active.multi_site,
    )
    if component is None:
        return None
    return Spray(float(state.time.day or 0), component, 1.0 if use.fraction is None else use.fraction)


def horizon(account: Account, target: TargetState) -> float | None:
    """The last day that counts: the end of the window, else harvest."""
    if target.window is not None and target.window.last is not None:
        return float(target.window.last)
    return float(account.field.harvest.toordinal()) if account.field.harvest is not None else None


def rows(account: Account) -> tuple[dict[str, Any], ...]:
    """Effective selection days per target and at-risk group, as the report carries them."""
    found: list[dict[str, Any]] = []
    for target in account.targets:
        sprays, left_out = sprays_of(account, target)
        last = horizon(account, target)
        risky = [spray for spray in sprays if spray.component.at_risk and spray.component.omega > 0.0]
        if not risky or last is None or last <= min(spray.day for spray in sprays):
            continue
        joined = _joined(account, [spray.component.group for spray in sprays])
        for group, days in selection_by_group(sprays, last, joined=joined).items():
            found.append(
                {
                    "target": target.id,
                    "name": target.name,
                    "group": group,
                    "words": account.group_words(group),
                    "selection_days": round(days, 3),
                    "left_out": left_out,
                }
            )
    return tuple(found)


def _joined(account: Account, groups: list[str]) -> dict[str, tuple[str, ...]]:
    known = list(dict.fromkeys(groups))
    return {
        one: tuple(other for other in known if other != one and account.joined(one, other, "succession")) for one in known
    }


def total(account: Account) -> float:
    """Sum of selection days over targets and groups: the figure that the drafter weighs."""
    return sum(row["selection_days"] for row in rows(account))
