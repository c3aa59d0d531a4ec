"""Days as a finding says them: ``16 July``, ``~16 July`` where it is an estimate, nothing where no day is known."""

from __future__ import annotations

from datetime import date

from planner.account import Account, PassState, TargetState


def day_words(account: Account, day: int | None, estimated: bool = False) -> str:
    """An ordinal as ``16 July``, marked ``~`` where it is an estimate; empty where the calendar floats."""
    shown = account.season.show(day)
    return f"~{shown}" if shown and estimated else shown


def dated(account: Account, **days: int | None) -> dict[str, str]:
    """Named ordinals as ISO dates for the evidence; what is not known, or floats, is left out."""
    if account.season.floating:
        return {}
    return {name: date.fromordinal(day).isoformat() for name, day in days.items() if day is not None}


def of_pass(account: Account, state: PassState) -> str:
    """The date of a pass, ``~`` where its stage gave it."""
    return day_words(account, state.time.day, state.time.day_estimated)


def of_window(account: Account, target: TargetState) -> str:
    """``28 June to ~26 August``: the first and last day of a target's window; empty where one is not dated."""
    window = target.window
    if window is None or window.first is None or window.last is None:
        return ""
    begins = day_words(account, window.first, account.season.day(window.first_stage)[1])
    ends = day_words(account, window.last, window.last_estimated)
    return f"{begins} to {ends}" if begins and ends else ""


def window_dates(account: Account, target: TargetState) -> str:
    """``2026-06-28 to 2026-08-26``, or an empty text."""
    window = target.window
    if window is None or window.first is None or window.last is None:
        return ""
    return " to ".join(dated(account, first=window.first, last=window.last).values())
