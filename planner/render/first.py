"""Which one change would help most: eyes rest on one sentence, so it must be the right one."""

from __future__ import annotations

from collections.abc import Iterable

from planner.model import SEVERITIES, AuditReport, Finding, Struct

# evidence that names what a finding is about; findings that share it usually go with the same change
_SUBJECTS = ("group", "groups", "active", "actives", "product", "products", "code", "codes")


class Change(Struct, frozen=True, kw_only=True):
    """The finding to mend first and those that go or ease with it (the finding itself not counted)."""

    finding: Finding
    eased: tuple[Finding, ...]


def first_change(report: AuditReport) -> Change | None:
    """The most severe finding whose remedy touches the most others; None where nothing calls for a change.

    A finding eases with another when both concern a common pass and the same group, active or product.
    Among equals the earliest pass wins, then the rule's code.
    """
    found = [finding for finding in report.findings if finding.accepted is None and finding.remedy]
    if not found:
        return None
    worst = min(SEVERITIES.index(finding.severity) for finding in found)
    candidates = [finding for finding in found if SEVERITIES.index(finding.severity) == worst]
    best = min(candidates, key=lambda one: (-len(_eased(one, found)), min(one.passes, default=0), one.rule))
    return Change(finding=best, eased=tuple(_eased(best, found)))


def _eased(one: Finding, found: Iterable[Finding]) -> list[Finding]:
    mine = _subjects(one)
    eased = []
    for other in found:
        if other is one or not set(one.passes) & set(other.passes):
            continue
        theirs = _subjects(other)
        if mine & theirs or not (mine or theirs):
            eased.append(other)
    return eased


def _subjects(finding: Finding) -> frozenset[str]:
    words: set[str] = set()
    for key in _SUBJECTS:
        value = finding.evidence.get(key)
        if isinstance(value, str):
            words.add(value)
        elif isinstance(value, list | tuple):
            words.update(str(item) for item in value)
    return frozenset(words)
