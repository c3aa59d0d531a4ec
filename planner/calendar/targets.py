"""When each disease can infect, when a pass against it is best put, and what speaks for more or less of it."""

from __future__ import annotations

from planner.account import Account, TargetState
from planner.calendar.rows import TargetRow
from planner.calendar.stages import day_of, when


def target_row(account: Account, target: TargetState) -> TargetRow:
    """The row of a target; in a season without dates its window has stages and no days."""
    season, facts = account.season, target.target
    window = target.window
    dated = window is not None and not season.floating
    after = season.following(facts.best_timing[-1]) if facts.best_timing else None
    raises, lowers = pressure_words(account, target)
    return TargetRow(
        target=facts.id,
        name=facts.name,
        window=(when(season, facts.window[0]), when(season, facts.window[1])) if facts.window else None,
        first=day_of(window.first) if dated and window is not None else None,
        last=day_of(window.last) if dated and window is not None else None,
        window_grade=facts.window_backing.words,
        style=facts.timing_style.replace("_", "-"),
        best=tuple(when(season, code) for code in facts.best_timing),
        best_until=when(season, after.code) if after is not None else None,
        follow_up_days=facts.follow_up_days,
        timing_grade=facts.timing_backing.words if facts.best_timing else "",
        foliar_treatment=facts.foliar_treatment,
        pressure=target.entry.pressure,
        cultivar=target.entry.cultivar,
        raises=raises,
        lowers=lowers,
        risk_raisers=facts.risk_raisers,
        weather=facts.weather,
        sources=tuple(dict.fromkeys([*facts.window_backing.sources, *facts.timing_backing.sources])),
    )


def pressure_words(account: Account, target: TargetState) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What on this field speaks for more, and for less, pressure than the user gives; what is given is not changed.

    Cultivar rating as the user gives it; field history: a crop that the catalogue lists the pathogen on stood here
    before, and the pathogen survives on the field (the target's own sourced statement). A history without such a crop
    speaks for nothing: the list of hosts is not complete.
    """
    raises: list[str] = []
    lowers: list[str] = []
    if target.entry.cultivar == "susceptible":
        raises.append("the cultivar is given as susceptible")
    elif target.entry.cultivar == "resistant":
        lowers.append("the cultivar is given as resistant")
    if target.target.survives_on_field:
        hosts: dict[str, list[str]] = {}
        for season in account.field.history:
            if season.crop == account.crop.id or _hosts(account, season.crop, target.target.pathogen):
                hosts.setdefault(season.crop, []).append(season.season)
        for crop, seasons in hosts.items():
            raises.append(f"{crop.replace('-', ' ')} stood here in {', '.join(seasons)}, and it survives on the field")
    return tuple(raises), tuple(lowers)


def _hosts(account: Account, crop: str, pathogen: str) -> bool:
    """Whether the catalogue lists the pathogen on a crop that stood here; of crops that it lacks nothing is said."""
    catalogue = account.catalogue
    return crop in catalogue.crops and any(other.pathogen == pathogen for other in catalogue.targets(crop).values())
