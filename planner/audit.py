"""The audit: an account of the season, its facts, the rulebook's judgement, the verdict and the totals."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

from msgspec import structs

from planner import cover, economics, exposure
from planner.account import Account
from planner.catalogue import Catalogue
from planner.engine import Backend, backend_name
from planner.facts import derive
from planner.facts.labels import bare_actives
from planner.facts.make import TARGETS, listed
from planner.judge import judge
from planner.model import AuditReport, Finding, NotAssessed, Pass, Programme
from planner.rulebook import Rulebook
from planner.rulebook import load as load_rules

LABEL_RULES = "LBL01-LBL10, MIX04"
TARGET_RULES = "ROT04, MIX03, MIX05, MIX06, RES01-RES04, TIM01-TIM05"


@lru_cache(maxsize=8)
def rules_of(rules_dirs: tuple[Path | str, ...] = ()) -> Rulebook:
    """The rulebook, read once per process and set of folders."""
    return load_rules(rules_dirs)


def audit(
    programme: Programme,
    catalogue: Catalogue,
    *,
    backend: Backend = "auto",
    rules: Sequence[Path | str] = (),
    rulebook: Rulebook | None = None,
    detail: bool = True,
) -> AuditReport:
    """Judge one programme by every rule.

    Args:
        programme: with field and products already loaded.
        backend: ``auto``, ``durable-rules`` or ``interpreter``.
        rules: user's rule folders laid over the shipped one.
        rulebook: a rulebook in place of both.
        detail: cover and selection rows, with all that the pages show of them. Without, the audit is verdict,
            findings, what was not assessed and totals: all that a batch of thousands writes.

    Raises:
        EngineError: the rule engine failed.
        UnknownName: the programme names a crop, active, stage or target that the catalogue lacks.
    """
    book = rulebook if rulebook is not None else rules_of(tuple(rules))
    account = Account(programme, catalogue)
    found = report(account, book, backend=backend, detail=detail, rows=detail)
    account.let_go()
    return found


def report(
    account: Account, book: Rulebook, *, backend: Backend = "auto", detail: bool = False, rows: bool = True
) -> AuditReport:
    """The audit of an account that is already made (the drafter and the lessons keep theirs).

    Args:
        detail: the selection rows with their band, range and pairs, and the cover rows with their uses, which
            thousands of what-ifs do without.
        rows: cover and selection rows at all.
    """
    found, lacking = judge(book, derive(account), backend=backend)
    findings = tuple(found)
    if account.programme.accept:
        findings = tuple([_accepted(account.programme, finding) for finding in found])
    order = book.order
    not_assessed = sorted(
        [*_whole_gaps(account), *lacking], key=lambda entry: (order.get(entry.rule[:5], 0), entry.passes)
    )
    return AuditReport(
        programme=account.programme,
        verdict=verdict(findings),
        findings=findings,
        not_assessed=tuple(not_assessed),
        cover=cover.rows(account, detail=detail) if rows else (),
        selection=exposure.rows(account, detail=detail) if rows else (),
        totals=_with_gaps(account, totals(account)) if detail else totals(account),
        rules_run=len(book.running),
        notices=tuple(_notices(account)),
        engine=backend_name(backend),
    )


def verdict(findings: Sequence[Finding]) -> Literal["clean", "cautions", "breaches"]:
    """The worst that is not accepted; advice alone is clean."""
    open_ = {finding.severity for finding in findings if finding.accepted is None}
    return "breaches" if "breach" in open_ else "cautions" if "caution" in open_ else "clean"


def _accepted(programme: Programme, finding: Finding) -> Finding:
    for entry in programme.accept:
        if entry.rule == finding.rule and (not entry.passes or set(entry.passes) & set(finding.passes)):
            return structs.replace(finding, accepted=entry.reason)
    return finding


# --- what could not be decided for the programme as a whole ---------------------------------------------------------


def _whole_gaps(account: Account) -> Iterator[NotAssessed]:
    passes, actives = bare_actives(account)
    if actives:
        yield NotAssessed(
            rule=LABEL_RULES,
            passes=tuple(passes),
            reason=f"no label to read for {listed(actives)} (bare actives); name the product and copy its label",
        )
    numbers = tuple(state.number for state in account.passes)
    if not account.targets:
        yield NotAssessed(
            rule=TARGET_RULES, passes=numbers, reason=f"{TARGETS}; the passes were judged by groups alone"
        )
    elif account.field.country is None:
        yield NotAssessed(
            rule="RES01",
            passes=numbers,
            reason="give the field's country (and region): resistance reports and national limits hang on it",
        )
    yield from _undecided_rows(account)


def _undecided_rows(account: Account) -> Iterator[NotAssessed]:
    seen: set[tuple[str, str]] = set()
    for kind in account.published.open_kinds():
        for code, gap in account.published.undecided(kind):
            if not _checkable(gap.row.value, kind):
                continue
            numbers = tuple([state.number for state in account.passes if code in state.codes])
            if not numbers:
                continue
            reason = f"{gap.reason} (published row '{gap.row.id}')"
            for rule in account.catalogue.kinds[kind].rules:
                if (rule, reason) not in seen:
                    seen.add((rule, reason))
                    yield NotAssessed(rule=rule, passes=numbers, reason=reason)


def _checkable(value: Any, kind: str) -> bool:
    """A stage window told in a word is carried, never checked, so nothing is missing for it."""
    return kind != "stage_window" or not isinstance(value, str)


def _notices(account: Account) -> Iterator[str]:
    estimates = [code for code, entry in account.season.stages.items() if entry.estimated]
    if account.season.floating:
        yield "the field has no dates; days between passes are estimated from their stages"
    elif estimates and account.targets:
        yield (
            f"stage dates that the field does not give are estimates{_rest_on(account)}; "
            "findings that hang on them are advice at most"
        )
    for state in account.early:
        groups = listed(account.group_words(group) for group in state.by_group)
        yield (
            f"pass {state.number} ({state.entry.how}) holds {groups}: it counts towards a season limit only where the "
            "source says so, and it does not stand in a succession of foliar passes"
        )


def _rest_on(account: Account) -> str:
    """``, from temperatures`` where they date a stage, else from typical days."""
    bases = " ".join(entry.basis for entry in account.season.stages.values())
    for words in ("photothermal days", "degree days"):
        if words in bases:
            return f" by temperatures ({words}) and typical days between stages"
    return " from typical days between stages"


# --- totals ---------------------------------------------------------------------------------------------------------


def _with_gaps(account: Account, found: dict[str, Any]) -> dict[str, Any]:
    """The totals with the targets that have no selection row, and why."""
    missing = exposure.gaps(account)
    return {**found, "selection_gaps": missing} if missing else found


def totals(account: Account) -> dict[str, Any]:
    """Active per hectare, passes and share per group, cost, stage dates (shapes: planner/render/__init__.py)."""
    actives: dict[str, dict[str, Any]] = {}
    groups: dict[str, dict[str, Any]] = {}
    foliar = {state.number for state in account.passes}
    for state in account.all_states:
        for name, dose in _doses(account, state.entry):
            entry = actives.setdefault(name, {"g_per_ha": 0.0, "passes": []})
            if state.number not in entry["passes"]:
                entry["passes"].append(state.number)
            known = entry["g_per_ha"] is not None and dose is not None
            entry["g_per_ha"] = round(entry["g_per_ha"] + dose, 3) if known else None
        for group in state.by_group:
            row = groups.setdefault(group, {"words": account.group_words(group), "passes": [], "share": 0.0})
            row["passes"].append(state.number)
    for row in groups.values():
        leaf = [number for number in row["passes"] if number in foliar]
        row["share"] = round(len(leaf) / len(foliar), 4) if foliar else 0.0
    found: dict[str, Any] = {"actives": dict(sorted(actives.items())), "groups": groups}
    found["cost"] = cost(account.programme)
    earned = economics.money(account.catalogue.spraying, account.field, found["cost"], account.crop.bushel_kg)
    if earned:
        found["money"] = earned
    if account.season.stages and not account.season.floating:
        found["stages"] = list(_named_stages(account))
    return found


def _named_stages(account: Account) -> Iterator[dict[str, Any]]:
    """Dates of the stages that somebody names: the field, a pass, a target's window or its best timing."""
    named = {*account.season.anchors, *(entry.stage for entry in account.programme.passes if entry.stage)}
    for target in account.targets:
        named.update(target.target.window or ())
        named.update(target.target.best_timing)
    for code, entry in account.season.stages.items():
        if code in named and code not in ("sown", "harvest"):
            yield {"stage": code, "date": entry.date.isoformat(), "estimated": entry.estimated}


def _doses(account: Account, entry: Pass) -> Iterator[tuple[str, float | None]]:
    for item in entry.tank:
        product = account.programme.product(item.product) if item.product else None
        if product is None:
            if item.active is not None:
                yield item.active, item.dose
            continue
        for name, content in product.actives.items():
            yield name, None if item.rate is None else item.rate * content


def cost(programme: Programme) -> dict[str, Any]:
    """Money per hectare and for the field; names what has no price."""
    per_ha = 0.0
    missing: dict[str, None] = {}
    passes: list[dict[str, Any]] = []
    application = programme.field.application.cost
    for entry in programme.passes:
        money = 0.0
        if entry.how == "foliar":
            if application is None:
                missing["the application"] = None
            else:
                money += application
        for item in entry.tank:
            product = programme.product(item.product) if item.product else None
            if product is None or product.price is None or item.rate is None:
                missing[item.product or item.active or ""] = None
            else:
                money += product.price * item.rate
        per_ha += money
        passes.append({"pass": entry.number, "per_ha": round(money, 4)})
    known = per_ha > 0
    area = programme.field.area
    return {
        "per_ha": round(per_ha, 4) if known else None,
        "total": round(per_ha * area, 2) if known and area is not None else None,
        "currency": programme.currency or programme.field.currency,
        "missing": list(missing) if known else [],
        "passes": passes if known else [],
    }
