"""Judges one programme of a batch. A document that cannot be read gives a line that says so, never an exception."""

from __future__ import annotations

import gc
import os
from collections.abc import Sequence
from functools import lru_cache
from typing import Any

from planner import __version__
from planner.audit import audit
from planner.batch.inputs import Job
from planner.catalogue import Catalogue, load
from planner.engine import Backend
from planner.errors import ManyInputErrors, PlannerError
from planner.model import AuditReport, Struct


class Setup(Struct, frozen=True, kw_only=True):
    """What every worker needs before its first job."""

    catalog: tuple[str, ...] = ()
    rules: tuple[str, ...] = ()
    backend: Backend = "auto"
    columns: tuple[tuple[str, str], ...] = ()  # column of a spreadsheet -> field, as the user said it
    full: bool = False  # the whole answer in each line, not its summary


@lru_cache(maxsize=2)
def _catalogue(catalog: tuple[str, ...], rules: tuple[str, ...]) -> Catalogue:
    found = load(catalog_dirs=catalog, rules_dirs=rules)
    gc.freeze()  # as a command does, see commands.common.catalogue
    return found


def judge(job: Job, setup: Setup) -> dict[str, Any]:
    """One line: verdict, counts and findings of a programme, or what is wrong with the document."""
    if job.problem:
        return {"file": job.name, "verdict": "unreadable", "problem": job.problem}
    catalogue = _catalogue(setup.catalog, setup.rules)
    try:
        report = _report(job, setup, catalogue)
    except ManyInputErrors as error:
        more = f" (and {len(error.errors) - 1} more)"
        return {"file": job.name, "verdict": "unreadable", "problem": f"{error}{more}"}
    except PlannerError as error:
        return {"file": job.name, "verdict": "unreadable", "problem": str(error)}
    except RecursionError:
        return {"file": job.name, "verdict": "unreadable", "problem": f"{job.name}: nested too deeply"}
    return line(job, report, full=setup.full)


def judge_many(jobs: Sequence[Job], setup: Setup) -> list[dict[str, Any]]:
    """Several jobs in their order (a cluster is handed chunks, not single programmes)."""
    return [judge(job, setup) for job in jobs]


def _report(job: Job, setup: Setup, catalogue: Catalogue) -> AuditReport:
    from planner.documents import load_programme

    field, products, columns = job.field or None, list(job.products) or None, dict(setup.columns)
    if job.rows:
        import tempfile  # a table's rows are rare, and an audit of one programme passes this module too

        handle, name = tempfile.mkstemp(suffix=".csv")
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                file.write(job.rows)
            programme = load_programme(name, catalogue, field=field, products=products, columns=columns)
        except PlannerError as error:
            raise PlannerError(str(error).replace(name, job.name)) from None
        finally:
            os.unlink(name)
    else:
        programme = load_programme(job.name, catalogue, field=field, products=products, columns=columns)
    return audit(programme, catalogue, backend=setup.backend, rules=setup.rules, detail=setup.full)


def line(job: Job, report: AuditReport, *, full: bool = False) -> dict[str, Any]:
    """The summary of a report as one flat line."""
    if full:
        from planner.render.jsonout import document

        return {**document(report), "file": job.name}
    programme = report.programme
    open_ = [finding for finding in report.findings if finding.accepted is None]
    return {
        "file": job.name,
        "programme": programme.name,
        "field": programme.field.name,
        "crop": programme.field.crop,
        "area_ha": programme.field.area,
        "verdict": report.verdict,
        "breaches": sum(finding.severity == "breach" for finding in open_),
        "cautions": sum(finding.severity == "caution" for finding in open_),
        "advice": sum(finding.severity == "advice" for finding in open_),
        "not_assessed": len(report.not_assessed),
        "rules": sorted({finding.rule for finding in open_ if finding.severity != "advice"}),
        "groups": {key: len(row["passes"]) for key, row in sorted(report.totals.get("groups", {}).items())},
        "passes": len(programme.passes),
        "cost_per_ha": (report.totals.get("cost") or {}).get("per_ha"),
        "input": programme.checksum[:16],
        "planner": __version__,
    }
