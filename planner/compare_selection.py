"""Programmes held against each other by what they select for: the index per target and group, and what drives it.

A difference is told only where it holds over the whole band of half-lives and whatever the actives of unknown effect
do. Where it turns round inside the band, or hangs on an unknown fact, the answer says so and names no winner.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from planner.account import Account
from planner.exposure import Exposure, defaults, exposure, pair_rows, selects
from planner.selection import (
    Attribution,
    Component,
    Driver,
    PassShare,
    attribute,
    drivers,
    flip_point,
    log_odds_change,
    logit,
    seasons_to_fraction,
    strongest_partner,
)

SAME = 0.05
"""Days. Two figures that print alike with one decimal are not held apart (a matter of print, no source)."""
SEASONS = 10
"""Seasons that a predicted course is drawn over unless the user asks for another number (a matter of print)."""


@dataclass(slots=True)
class Side:
    """One programme of a comparison under its letter."""

    label: str
    account: Account


@dataclass(slots=True)
class Cell:
    """What one programme does to one target by one group.

    ``state``: ``assessed``, ``open`` (a range because an effect is not known), ``none`` (the group does not meet the
    target), ``lost`` (it no longer works here) or ``not assessed`` with ``why``.
    """

    side: Side
    met: Exposure | None
    group: str
    state: str
    why: str = ""

    @property
    def days(self) -> float | None:
        """Selection days at the default half-life; None where they are not known."""
        if self.state == "none":
            return 0.0
        return self.met.days(self.group) if self.met is not None and self.state == "assessed" else None

    def bounds(self, half_life: float | None) -> tuple[float, float]:
        """Least and most days at a half-life (None: the default)."""
        if self.met is None or self.state == "none":
            return 0.0, 0.0
        return self.met.bounds(self.group, half_life)

    @property
    def unknown(self) -> list[str]:
        """Actives whose unknown effect the figure depends on."""
        if self.met is None or self.state in ("none", "lost", "not assessed"):
            return []
        low, high = self.bounds(None)
        return list(dict.fromkeys(s.component.name for s in self.met.unknown)) if high - low >= SAME else []


def listed(items: Iterable[str]) -> str:
    """``a, b and c``, each once."""
    seen = list(dict.fromkeys(items))
    return "".join(seen) if len(seen) < 2 else f"{', '.join(seen[:-1])} and {seen[-1]}"


def rows(sides: Sequence[Side]) -> list[dict[str, Any]]:
    """One row per target and group that any programme uses: a cell per programme, and each against the first.

    Shapes: ``cells``: ``programme``, ``state``, ``why``, ``days``, ``ratio`` (to the first programme), ``band``,
    ``range``, ``left_out``, ``pairs`` (strains that resist both partners of a tank), ``fading`` (partners
    whose cover ends sooner); ``against``: ``programme``,
    ``beside``, ``verdict`` (less, more, same, turns, lost, not assessed), ``difference`` in days, ``text``, ``turns``
    (half-lives), ``drivers``.
    """
    found = []
    for target, name in _targets(sides):
        met = [_met(side, target) for side in sides]
        pairs = [[] if m is None else pair_rows(s.account, m) for s, m in zip(sides, met, strict=True)]
        for group in _groups(met):
            cells = [cell(side, one, group, name) for side, one in zip(sides, met, strict=True)]
            words = sides[0].account.group_words(group)
            found.append(
                {
                    "target": target,
                    "name": name,
                    "group": group,
                    "words": words,
                    "cells": [
                        plain(one, cells[0])
                        | {"pairs": [pair for pair in of if group in pair["groups"]], "fading": fading(one, words)}
                        for one, of in zip(cells, pairs, strict=True)
                    ],
                    "against": [against(cells[0], other, words, name) for other in cells[1:]],
                    "_cells": cells,
                }
            )
    return found


def _targets(sides: Sequence[Side]) -> list[tuple[str, str]]:
    return list({t.id: (t.id, t.name) for side in sides for t in side.account.targets}.values())


def _met(side: Side, target: str) -> Exposure | None:
    state = next((one for one in side.account.targets if one.id == target), None)
    return None if state is None else exposure(side.account, state)


def _groups(met: Sequence[Exposure | None]) -> list[str]:
    found: dict[str, None] = {}
    for one in met:
        if one is not None:
            found.update(dict.fromkeys([*one.groups(), *one.lost, *one.risk_unknown]))
    return list(found)


def cell(side: Side, met: Exposure | None, group: str, name: str) -> Cell:
    """The state of one programme for a target and a group."""
    if met is None:
        return Cell(side, None, group, "not assessed", f"the field of {side.label} does not name {name} as a target")
    undated = [entry for entry in met.left_out if entry.fact.startswith("give the pass a date")]
    if undated:
        why = f"{undated[0].what} of {side.label} has no date: {undated[0].fact}"
        return Cell(side, met, group, "not assessed", why)
    own = [spray for spray in met.sprays if spray.component.group == group]
    open_ = [spray for spray in met.unknown if spray.component.group == group]
    risky = any(selects(spray) for spray in own)
    if met.last is None and (own or open_):
        return Cell(
            side, met, group, "not assessed", f"neither the window of {name} nor harvest has a date: give either"
        )
    if group in met.risk_unknown and not risky:
        why = f"the resistance risk of {met.risk_unknown[group]} is not known"
        return Cell(side, met, group, "not assessed", why)
    if group in met.lost and not risky and not open_:
        return Cell(side, met, group, "lost", f"no longer works here: {met.lost[group]}")
    if not risky and not any(selects(spray) for spray in open_):
        return Cell(side, met, group, "none")
    if any(selects(spray) for spray in open_) and not risky:
        names = " and ".join(dict.fromkeys(spray.component.name for spray in open_))
        return Cell(side, met, group, "open", f"how well {names} works on {name} is not known")
    return Cell(side, met, group, "assessed")


def plain(one: Cell, first: Cell) -> dict[str, Any]:
    """A cell as the answer carries it."""
    days, base = one.days, first.days
    band: dict[str, Any] | None = None
    spread: list[float] | None = None
    if one.state in ("assessed", "open") and one.met is not None:
        spread = [round(value, 3) for value in one.bounds(None)] if one.met.unknown else None
    if one.state == "assessed" and one.met is not None:
        lives = defaults(one.side.account.catalogue).half_life_band
        values = [one.met.days(one.group, life) for life in lives]
        band = {"half_lives": [lives[0], lives[-1]], "low": round(min(values), 3), "high": round(max(values), 3)}
    firm = not (one.unknown or first.unknown)
    ratio = round(days / base, 4) if days is not None and base and firm else None
    return {
        "programme": one.side.label,
        "state": one.state,
        "why": one.why,
        "days": None if days is None else round(days, 3),
        "ratio": ratio,
        "band": band,
        "range": spread,
        "left_out": [entry.plain() for entry in one.met.left_out] if one.met is not None else [],
    }


# --- one programme against the first --------------------------------------------------------------------------------


def against(first: Cell, other: Cell, words: str, name: str) -> dict[str, Any]:
    """Whether ``other`` selects less or more than ``first``, how firmly, and why."""
    verdict, turns = judge(first, other)
    found: dict[str, Any] = {
        "programme": other.side.label,
        "beside": first.side.label,
        "verdict": verdict,
        "difference": None,
        "text": "",
        "turns": turns,
        "drivers": [],
    }
    a, b = first.days, other.days
    named = f"{words} on {name}"
    if verdict == "not assessed":
        found["text"] = f"{named}: not assessed, because {reason(first, other, name)}"
        return found
    if verdict == "lost":
        found["text"] = (
            f"{named}: the group {(first.why or other.why)}. It neither protects nor selects further, "
            "which is no merit of any programme"
        )
        return found
    if a is not None and b is not None:
        found["difference"] = round(b - a, 3)
    found["text"] = _said(first, other, named, verdict, turns)
    if _windows(first) != _windows(other) and None not in (first.met, other.met):
        found["text"] += " (over windows that are not the same days)"
    if verdict in ("less", "more", "turns") and not (first.unknown or other.unknown):
        found["drivers"] = causes(first, other, words, name)
    return found


def _windows(one: Cell) -> tuple[float | None, float | None]:
    return (one.met.start, one.met.last) if one.met is not None else (None, None)


def _said(first: Cell, other: Cell, named: str, verdict: str, turns: list[dict[str, Any]]) -> str:
    one, two = first.side.label, other.side.label
    a, b = first.days, other.days
    if verdict == "same":
        return f"{named}: {one} and {two} select alike"
    if verdict == "turns":
        steps = "; ".join(
            f"{turn['below']} selects less below a half-life of about {turn['half_life']:.1f} days, "
            f"{turn['above']} above"
            for turn in turns
        )
        return f"{named}: which of {one} and {two} selects less depends on how long the residues last: {steps}"
    less, more = (two, one) if verdict == "less" else (one, two)
    if a is None or b is None:
        return f"{named}: {less} selects less than {more}, whatever {_unknowns(first, other)} does"
    figures = f"{_figure(other)} days in {two} against {_figure(first)} in {one}"
    if min(a, b) == 0.0:
        return f"{named}: only {more} selects for it ({figures})"
    if first.unknown or other.unknown:
        return f"{named}: {less} selects less than {more} ({figures}), whatever {_unknowns(first, other)} does"
    return f"{named}: {less} selects less than {more} ({figures}, {b / a:.2f} times), at every half-life tried"


def _figure(one: Cell) -> str:
    low, high = one.bounds(None)
    return f"{low:.1f} to {high:.1f}" if one.unknown else f"{one.days or 0.0:.1f}"


def _unknowns(first: Cell, other: Cell) -> str:
    return " or ".join(dict.fromkeys([*first.unknown, *other.unknown])) or "what is not known"


def judge(first: Cell, other: Cell) -> tuple[str, list[dict[str, Any]]]:
    """The verdict on ``other`` against ``first`` and, where it turns inside the band, at which half-lives (days)."""
    states = {first.state, other.state}
    if "not assessed" in states:
        return "not assessed", []
    if "lost" in states:
        return ("lost" if states <= {"lost", "none"} else "not assessed"), []
    if states == {"none"} or _alike(first, other):
        return "same", []
    lives = defaults(first.side.account.catalogue).half_life_band
    signs = [_sign(first, other, life) for life in (None, *lives)]
    if None in signs:
        return "not assessed", []
    told = {sign for sign in signs if sign}
    if not told:
        return "same", []
    if len(told) == 1:
        return ("more" if told == {1} else "less"), []
    if first.unknown or other.unknown:
        return "not assessed", []
    return "turns", _turns(first, other, lives)


def _alike(first: Cell, other: Cell) -> bool:
    a, b = first.met, other.met
    if a is None or b is None:
        return False
    return (a.sprays, a.unknown, a.start, a.last) == (b.sprays, b.unknown, b.start, b.last)


def _sign(first: Cell, other: Cell, life: float | None) -> int | None:
    """1 where ``other`` selects more, -1 less, 0 alike, None where the unknown decides."""
    a, b = first.bounds(life), other.bounds(life)
    least, most = b[0] - a[1], b[1] - a[0]
    if least >= SAME:
        return 1
    if most <= -SAME:
        return -1
    return 0 if least > -SAME and most < SAME else None


def _turns(first: Cell, other: Cell, lives: Sequence[float]) -> list[dict[str, Any]]:
    def gap(life: float) -> float:
        return other.bounds(life)[0] - first.bounds(life)[0]

    found: list[dict[str, Any]] = []
    last: tuple[float, float] | None = None
    for life in lives:
        value = gap(life)
        if abs(value) < SAME:
            continue
        if last is not None and (value > 0) != (last[1] > 0):
            below, above = (first, other) if last[1] > 0 else (other, first)
            at = flip_point(gap, last[0], life)
            found.append({"half_life": round(at, 2), "below": below.side.label, "above": above.side.label})
        last = (life, value)
    return found


def reason(first: Cell, other: Cell, name: str) -> str:
    """Why a difference is not assessed, with the fact to supply."""
    told = [one.why for one in (first, other) if one.state in ("not assessed", "open") and one.why]
    if not told:
        lost = next((one for one in (first, other) if one.state == "lost"), None)
        if lost is not None:
            return f"in {lost.side.label} the group {lost.why}, in the other programme it still works"
        actives = list(dict.fromkeys(_unsure(first) + _unsure(other)))
        target = next((one.met.target.id for one in (first, other) if one.met is not None), name)
        told = [
            f"it hangs on how well {' and '.join(actives)} works on {name}, which is not known: "
            f"give its rating on {target} under the label's targets"
        ]
    return "; ".join(dict.fromkeys(told))


def _unsure(one: Cell) -> list[str]:
    return [spray.component.name for spray in one.met.unknown] if one.met is not None else []


# --- what drives a difference ---------------------------------------------------------------------------------------


def causes(first: Cell, other: Cell, words: str, name: str) -> list[dict[str, Any]]:
    """The causes of a difference, largest first: days (other minus first), the pass that shows it most, plain words."""
    if "none" in (first.state, other.state):
        return _only(other if first.state == "none" else first, first, words)
    met = [one.met for one in (first, other) if one.met is not None]
    joined = tuple(dict.fromkeys(tie for one in met for tie in one.joined.get(first.group, ())))
    partner = strongest_partner([one.sprays for one in met], first.group, joined)
    a, b = _apart(first, joined, partner), _apart(other, joined, partner)
    found = []
    for driver in drivers(a, b):
        if abs(driver.days) < SAME:
            continue
        worse, apart = (other, b) if driver.in_second else (first, a)
        share = next((one for one in apart.passes if one.day == driver.day), None)
        number = worse.met.numbers.get(driver.day) if worse.met is not None and driver.day is not None else None
        found.append(
            {
                "cause": driver.cause,
                "days": round(driver.days, 3),
                "programme": worse.side.label,
                "pass": number,
                "alone": share.alone if share is not None else None,
                "text": _cause_words(driver, share, worse, number, words, name, partner),
            }
        )
    return found


def fading(one: Cell, words: str) -> list[dict[str, Any]]:
    """Passes whose partners' cover ends before the group's own, by the days of protection of label or catalogue.

    The index takes one half-life for every active and cannot see this, so it is told beside the index.
    """
    if one.met is None or one.state != "assessed":
        return []
    account, target = one.side.account, one.met.target
    found = []
    for state in account.passes:
        uses = state.by_group.get(one.group, [])
        if not uses or account.works(state, target) is False or state.time.day is None:
            continue
        partners = [use for use in account.others(state, one.group) if account.is_partner(use, one.group, target)[0]]
        own = [account.cover_end(use, state, target) for use in uses]
        theirs = [account.cover_end(use, state, target) for use in partners]
        if not theirs or None in own or None in theirs:
            continue
        gap = max(end for end in own if end is not None) - max(end for end in theirs if end is not None)
        if gap > 0:
            names = list(dict.fromkeys(use.active.name for use in partners))
            text = (
                f"in {one.side.label} pass {state.number} the cover of {listed(names)} ends {gap} "
                f"{'day' if gap == 1 else 'days'} before that of {words}, by their days of protection"
            )
            found.append({"pass": state.number, "days": gap, "partners": names, "text": text})
    return found


def _only(one: Cell, first: Cell, words: str) -> list[dict[str, Any]]:
    """The pass that shows it most, where only one of the programmes uses the group."""
    days = one.days or 0.0
    shares = [share for share in passes(one) if share["uses_group"]]
    if not shares:
        return []
    most = max(shares, key=lambda share: float(share["without"]))
    held = "without a partner that works" if most["alone"] else "beside a partner that works"
    return [
        {
            "cause": "exposure",
            "days": round(-days if one is first else days, 3),
            "programme": one.side.label,
            "pass": most["pass"],
            "alone": most["alone"],
            "text": f"pass {most['pass']} of {one.side.label} holds {words}, {held}",
        }
    ]


def _apart(one: Cell, joined: tuple[str, ...], partner: Component | None) -> Attribution:
    sprays = one.met.sprays if one.met is not None and one.met.counts else []
    last = one.met.last if one.met is not None and one.met.counts and one.met.last is not None else 0.0
    start = one.met.start if sprays and one.met is not None else 0.0
    return attribute(sprays, one.group, last, start=start, joined=joined, reference=partner)


def _cause_words(
    driver: Driver,
    share: PassShare | None,
    worse: Cell,
    number: int | None,
    words: str,
    name: str,
    partner: Component | None,
) -> str:
    side, days = worse.side.label, f"{abs(driver.days):.1f} days"
    where = f" pass {number}" if number is not None else ""
    if driver.cause == "exposure":
        most = f", most of it after{where}" if where else ""
        return f"{side} keeps {words} on the crop longer or more often: {days}{most}"
    if driver.cause == "fading":
        return f"in {side}{where} the partner fades before {words} does: {days}"
    if share is not None and share.alone:
        said = f"in {side}{where} {words} has no partner that works on {name}: {days}"
        if partner is not None and share.missing_partner_costs is not None and share.missing_partner_costs >= SAME:
            said += (
                f"; {partner.name} beside it, at its full label rate, would take off "
                f"{share.missing_partner_costs:.1f} days there, where its label allows it"
            )
        return said
    return f"the partners in {side} take off less: {days}" + (f", most felt after{where}" if where else "")


def passes(one: Cell) -> list[dict[str, Any]]:
    """What each pass adds to a programme's days, for the adviser's depth."""
    if one.met is None or one.state != "assessed" or not one.met.counts:
        return []
    apart = _apart(one, tuple(one.met.joined.get(one.group, ())), None)
    return [
        {
            "pass": one.met.numbers.get(share.day),
            "days": round(share.days, 3),
            "uses_group": share.uses_group,
            "alone": share.alone,
            "without": round(share.without, 3),
        }
        for share in apart.passes
    ]


# --- over seasons, only where the user states growth rate and start -------------------------------------------------


def forecast(found: Sequence[dict[str, Any]], rate: float, start: float, seasons: int = SEASONS) -> dict[str, Any]:
    """Predicted log-odds of resistance season by season, if every season were like this one.

    Args:
        found: rows as ``rows`` makes them.
        rate: growth rate of the pathogen, per day, as the user states it.
        start: resistant fraction before the first season, as the user states it.
        seasons: how many.

    Raises:
        ValueError: a rate of 0 or less, a fraction outside 0 to 1, or fewer than one season.
    """
    if not rate > 0.0:
        raise ValueError(f"the growth rate is {rate:g}; write a rate per day above 0")
    if seasons < 1:
        raise ValueError(f"{seasons} seasons; write 1 or more")
    begin = logit(start)
    series = []
    for row in found:
        for one in row["cells"]:
            days = one["days"] if one["range"] is None or one["range"][1] - one["range"][0] < SAME else None
            step = None if days is None else log_odds_change(rate, days)
            half = None if days is None else seasons_to_fraction(rate, days, start, 0.5)
            ends = one["band"] or {}
            series.append(
                {
                    "target": row["target"],
                    "group": row["group"],
                    "programme": one["programme"],
                    "log_odds": None if step is None else [round(begin + n * step, 4) for n in range(seasons + 1)],
                    "log_odds_band": [
                        [round(begin + n * log_odds_change(rate, ends[end]), 4) for n in range(seasons + 1)]
                        for end in ("low", "high")
                    ]
                    if ends and step is not None
                    else None,
                    "seasons_to_half": round(half, 2) if half is not None and half != float("inf") else None,
                    "why": "" if step is not None else (one["why"] or "it hangs on an effect that is not known"),
                }
            )
    return {"growth_rate": rate, "start_fraction": start, "seasons": seasons, "series": series}
