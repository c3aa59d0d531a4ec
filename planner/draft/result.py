"""The whole answer of a draft: the front, the audit of every programme that is shown, and why the rest stays out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from planner.audit import audit
from planner.draft.front import Front, balanced, draft
from planner.draft.options import Space
from planner.draft.solve import Answer, Wanted
from planner.draft.why_not import WhyNot, why_not
from planner.model import AuditReport


@dataclass(frozen=True)
class Draft:
    """What every renderer shows. ``reports`` is in the order of ``front.named``; ``top`` is asked for with --top."""

    front: Front
    reports: dict[str, AuditReport]
    why: list[WhyNot]
    top: list[tuple[Answer, AuditReport]]


def make(
    space: Space,
    wanted: Wanted,
    *,
    rules: tuple[str, ...] = (),
    top: int = 0,
    seconds: float = 300.0,
    told: Callable[[str], None] | None = None,
) -> Draft:
    """Search, audit what was found, and ask what keeps the rest out. Ctrl-C leaves what was found by then.

    Raises:
        NoProgramme: nothing satisfies the rules and wishes; the reasons are a smallest set that clashes.
        RuntimeError: a draft does not pass the audit, which is a fault of the planner.
    """
    say = told or (lambda _line: None)
    front = draft(space, wanted, seconds=seconds, told=told)
    reports = {name: _audited(space, answer, name, rules) for name, answer in front.named.items()}
    best = sorted(_nearest(front, top), key=lambda one: one.point)
    listed = [(answer, _audited(space, answer, f"number {at}", rules)) for at, answer in enumerate(best, start=1)]
    why: list[WhyNot] = []
    shown = front.named.get("balanced") or next(iter(front.named.values()))
    if not front.stopped:
        say("asking what keeps the rest out")
        try:
            why = why_not(front, shown, wanted)
        except KeyboardInterrupt:
            front.stopped = True
    return Draft(front, reports, why, listed)


def _nearest(front: Front, number: int) -> list[Answer]:
    """So many points of the front, those that lie nearest to balanced."""
    if not number:
        return []
    worth = balanced(front)

    def far(one: Answer) -> tuple[int, tuple[int, int, int]]:
        return int(worth(one.cost, one.bare, one.selection, one.cautions)), one.point

    return sorted(front.points, key=far)[:number]


def _audited(space: Space, answer: Answer, name: str, rules: tuple[str, ...]) -> AuditReport:
    """The full audit by the default back end; a breach that the passes kept do not explain is a fault of ours."""
    title = f"{space.field.name or 'field'}: {name}"
    report = audit(space.programme(answer.columns, title), space.catalogue, rules=rules)
    open_ = [one for one in report.findings if one.severity == "breach" and one.accepted is None]
    if open_:
        raise RuntimeError(f"a draft does not pass the audit: {open_[0].rule} {open_[0].message}")
    return report


__all__ = ["Draft", "make"]
