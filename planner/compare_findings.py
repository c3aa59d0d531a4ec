"""Findings that vanish or come between two programmes, and the published limits that each is held to."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Any

from planner import exposure
from planner.account import Account
from planner.catalogue import Catalogue
from planner.compare_selection import Side
from planner.facts import derive
from planner.model import SEVERITIES, AuditReport, Finding, Limit

# evidence that says what a finding is about; the passes may move between programmes
_SUBJECTS = ("limit", "row", "group", "groups", "code", "codes", "active", "actives", "product", "target", "targets")


def _key(finding: Finding) -> tuple[Any, ...]:
    about = ((name, repr(finding.evidence[name])) for name in _SUBJECTS if name in finding.evidence)
    return (finding.rule, *about)


def findings(one: Side, first: AuditReport, two: Side, other: AuditReport) -> dict[str, Any]:
    """Findings of the first programme that vanish in the other, new ones, those whose severity changes, those kept.

    A finding whose rule could not be decided in the other programme has not vanished: it is listed as unsure.
    """
    a, b = _by_key(first), _by_key(other)
    gaps: dict[str, list[str]] = {}
    for entry in other.not_assessed:
        for code in expand(entry.rule):
            gaps.setdefault(code, []).append(entry.reason)
    vanish: list[dict[str, Any]] = []
    unsure: list[dict[str, Any]] = []
    new: list[dict[str, Any]] = []
    eased: list[dict[str, Any]] = []
    kept = 0
    for key in dict.fromkeys([*a, *b]):
        left, right = a.get(key, []), b.get(key, [])
        for before, after in zip(left, right, strict=False):
            if before.severity != after.severity:
                eased.append({**_short(before), "then": after.severity})
            else:
                kept += 1
        for finding in left[len(right) :]:
            reasons = gaps.get(finding.rule)
            if reasons:
                unsure.append({**_short(finding), "reason": "; ".join(dict.fromkeys(reasons))})
            else:
                vanish.append(_short(finding))
        new.extend(_short(finding) for finding in right[len(left) :])
    for entries in (vanish, unsure, new, eased):
        entries.sort(key=lambda entry: SEVERITIES.index(entry["severity"]))
    return {
        "programme": two.label,
        "beside": one.label,
        "vanish": vanish,
        "unsure": unsure,
        "new": new,
        "changed": eased,
        "kept": kept,
    }


def _by_key(one: AuditReport) -> dict[tuple[Any, ...], list[Finding]]:
    found: dict[tuple[Any, ...], list[Finding]] = {}
    for finding in one.findings:
        found.setdefault(_key(finding), []).append(finding)
    return found


def _short(finding: Finding) -> dict[str, Any]:
    return {
        "rule": finding.rule,
        "name": finding.name,
        "severity": finding.severity,
        "passes": list(finding.passes),
        "message": finding.message,
        "accepted": finding.accepted,
        "sources": list(finding.sources),
    }


def expand(codes: str) -> list[str]:
    """Rule codes of a "not assessed" entry, which may name a run: ``LBL01-LBL10, MIX04`` are eleven."""
    found: list[str] = []
    for part in codes.split(","):
        ends = re.findall(r"([A-Z]{3})(\d{2})", part)
        if len(ends) == 2:
            found += [f"{ends[0][0]}{number:02d}" for number in range(int(ends[0][1]), int(ends[1][1]) + 1)]
        else:
            found += [f"{family}{number}" for family, number in ends]
    return found


# --- published limits -----------------------------------------------------------------------------------------------


def limits(sides: Sequence[Side], reports: Sequence[AuditReport]) -> list[dict[str, Any]]:
    """Every published row that decides for a group of any programme: its words, source, year, place, and per programme
    whether it holds, what was counted, and the finding it led to."""
    rows: dict[str, dict[str, Any]] = {}
    for at, (side, one) in enumerate(zip(sides, reports, strict=True)):
        counted: dict[str, dict[str, Any]] = {}
        for fact in derive(side.account):
            evidence = fact.told.evidence
            limit = evidence.get("limit")
            if limit:
                rest = {key: value for key, value in evidence.items() if key != "limit"}
                counted.setdefault(str(limit), rest)
        found = {
            str(f.evidence[key]): f for f in reversed(one.findings) for key in ("limit", "row") if key in f.evidence
        }
        for limit, groups in _deciding(side.account):
            entry = rows.setdefault(limit.id, _limit(limit, side.account, len(sides)))
            entry["groups"] = list(dict.fromkeys([*entry["groups"], *groups]))
            told = found.get(limit.id)
            entry["cells"][at] = {
                "programme": side.label,
                "holds": True,
                "numbers": counted.get(limit.id),
                "finding": None if told is None else f"{told.severity} {told.rule}",
            }
    for entry in rows.values():
        entry["cells"] = [
            cell or {"programme": side.label, "holds": False, "numbers": None, "finding": None}
            for side, cell in zip(sides, entry["cells"], strict=True)
        ]
    return list(rows.values())


def _deciding(account: Account) -> list[tuple[Limit, list[str]]]:
    """Published rows that a rule reads and that decide in this programme, with the groups they decide for."""
    found: dict[str, tuple[Limit, list[str]]] = {}
    for kind, entry in account.catalogue.kinds.items():
        if not entry.rules:
            continue
        for code, _target, chosen in account.published.deciding(kind):
            found.setdefault(chosen.row.id, (chosen.row, []))[1].append(f"FRAC {code}")
    return list(found.values())


def _limit(row: Limit, account: Account, sides: int) -> dict[str, Any]:
    known = account.catalogue.sources
    years = [known[key].year for key in row.backing.sources if key in known and known[key].year]
    return {
        "limit": row.id,
        "kind": row.kind,
        "text": row.text,
        "groups": [],
        "authority": row.authority,
        "sources": list(row.backing.sources),
        "cited": list(account.catalogue.cite(row.backing)),
        "year": (row.date[:4] if row.date else "") or (years[0] if years else "undated"),
        "place": list(row.countries) or ["worldwide"],
        "grade": row.backing.words,
        "cells": [None] * sides,
    }


def sources(limits: Iterable[dict[str, Any]], reports: Iterable[AuditReport], catalogue: Catalogue) -> dict[str, str]:
    keys = {key for row in limits for key in row["sources"]}
    keys.update(key for one in reports for finding in one.findings for key in finding.sources)
    keys.update(str(entry["source"]) for entry in exposure.rests_on(catalogue).values())
    known = catalogue.sources
    return {key: known[key].words for key in sorted(keys) if key in known}
