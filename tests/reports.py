"""Hand-made audit reports for the renderers' tests: invented field, invented products, real groups.

The numbers compared are those of the FRAC recommendations on QoI fungicides in wheat (two passes at
most); the rest is invented to show every part of an answer.
"""

from __future__ import annotations

from datetime import date
from typing import Any

from planner.model import (
    Accept,
    AuditReport,
    Field,
    FieldTarget,
    Finding,
    NotAssessed,
    Pass,
    Product,
    Programme,
    TankItem,
)


def programme(**changes: Any) -> Programme:
    """Three passes on an invented soybean field."""
    products = (
        Product(name="Demo Alder 250 SC", actives={"azoxystrobin": 250.0}, price=41.0, demo=True),
        Product(name="Demo Birch 480 SC", actives={"prothioconazole": 480.0}, price=None, demo=True),
    )
    passes = (
        _pass(1, date(2026, 7, 2), "R1", [("Demo Alder 250 SC", 0.6)]),
        _pass(2, date(2026, 7, 16), "R3", [("Demo Alder 250 SC", 0.6), ("Demo Birch 480 SC", 0.3)]),
        _pass(3, date(2026, 8, 3), "R5", [("Demo Alder 250 SC", 1.2)]),
    )
    values: dict[str, Any] = {
        "name": "Suggested by the supplier",
        "field": Field(
            name="Quarry Bottom",
            crop="soybean",
            area=28.0,
            country="CA",
            region="CA-ON",
            sown=date(2026, 5, 12),
            stages={"R1": date(2026, 7, 2), "R3": date(2026, 7, 16)},
            harvest=date(2026, 9, 30),
            targets=(FieldTarget(target="frogeye-leaf-spot", pressure="moderate"),),
        ),
        "products": products,
        "passes": passes,
        "accept": (Accept(rule="LBL03", passes=(2,), reason="only stock left in the district"),),
        "currency": "CAD",
        "file": "supplier.yaml",
        "checksum": "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
        "notices": ("pass 3: stage R5 is 9 days off the field's own date for it",),
    }
    values.update(changes)
    return Programme(**values)


def _pass(number: int, day: date, stage: str, tank: list[tuple[str, float]]) -> Pass:
    items = tuple(TankItem(product=name, rate=rate, unit="L/ha") for name, rate in tank)
    return Pass(number=number, date=day, stage=stage, tank=items, water=187.0, droplets="M")


FINDINGS = (
    Finding(
        rule="LBL02",
        name="rate-above-label",
        severity="breach",
        passes=(3,),
        message="Demo Alder 250 SC at 1.2 L/ha is over its label's most, 1 L/ha",
        why="The label's most is the law and what residues were judged on.",
        remedy="bring Demo Alder 250 SC down to 1 L/ha or less",
        sources=("label of Demo Alder 250 SC, as typed in shop.yaml",),
        evidence={"product": "Demo Alder 250 SC", "rate": "1.2 L/ha", "most": "1 L/ha"},
        place="supplier.yaml:18",
    ),
    Finding(
        rule="ROT01",
        name="same-group-in-succession",
        severity="breach",
        passes=(1, 2),
        message="passes 1 and 2 both lean on group 11 (strobilurin) against frogeye leaf spot",
        why="Each spray leaves the tough ones to breed. A second spray of one group meets them first. "
        "If one in the group stops working, the rest go with it.",
        remedy="put a pass of another working group between them, or add a partner that works on frogeye leaf spot",
        sources=("FRAC QoI working group, 2025, general recommendations",),
        evidence={"group": "FRAC 11", "days_between": 14},
        place="supplier.yaml:9",
    ),
    Finding(
        rule="LIM01",
        name="group-over-season-limit",
        severity="caution",
        passes=(1, 2, 3),
        message="group 11 (strobilurin) is used 3 times; the published most is 2",
        why="More passes of one group select harder.",
        remedy="leave group 11 out of one pass",
        sources=("FRAC QoI working group, 2025, soybean",),
        evidence={
            "group": "FRAC 11",
            "used": {"value": 3, "unit": "passes"},
            "most": {"value": 2, "unit": "passes"},
        },
        capped="the limit is recalled, medium confidence",
        place="supplier.yaml:9",
    ),
    Finding(
        rule="LBL03",
        name="rate-below-label",
        severity="caution",
        passes=(2,),
        message="Demo Birch 480 SC at 0.3 L/ha is under its label's least, 0.36 L/ha",
        remedy="use at least 0.36 L/ha",
        accepted="only stock left in the district",
    ),
    Finding(
        rule="TIM04",
        name="coverage-poor",
        severity="advice",
        passes=(1,),
        message="187 L/ha is under the 200 L/ha advised from 2026-07-01 on for a closed canopy",
        why="Droplets must reach the lower leaves.",
        remedy="use 200 L/ha of water or more",
        evidence={"water": "187 L/ha", "advised": "200 L/ha"},
    ),
)

COVER: tuple[dict[str, Any], ...] = (
    {
        "target": "frogeye-leaf-spot",
        "name": "frogeye leaf spot",
        "window": ["2026-07-02", "2026-08-30"],
        "estimated": True,
        "days": [
            {"from": "2026-07-02", "to": "2026-07-15", "modes": 1},
            {"from": "2026-07-16", "to": "2026-07-29", "modes": 2},
            {"from": "2026-07-30", "to": "2026-08-02", "modes": 0},
            {"from": "2026-08-03", "to": "2026-08-16", "modes": 1},
            {"from": "2026-08-17", "to": "2026-08-20", "modes": None},
        ],
    },
    {"target": "target-spot", "name": "target spot", "window": None, "estimated": True, "days": []},
)

TOTALS: dict[str, Any] = {
    "actives": {
        "azoxystrobin": {"g_per_ha": 600.0, "passes": [1, 2, 3]},
        "prothioconazole": {"g_per_ha": None, "passes": [2]},
    },
    "groups": {
        "FRAC 11": {"words": "group 11 (strobilurin)", "passes": [1, 2, 3], "share": 1.0},
        "FRAC 3": {"words": "group 3 (triazole)", "passes": [2], "share": 1 / 3},
    },
    "cost": {"per_ha": 98.4, "total": 2755.2, "currency": "CAD", "missing": ["Demo Birch 480 SC"]},
    "stages": [
        {"stage": "R1", "date": "2026-07-02", "estimated": False},
        {"stage": "R3", "date": "2026-07-16", "estimated": False},
        {"stage": "R5", "date": "2026-08-05", "estimated": True},
        {"stage": "R6", "date": "2026-08-30", "estimated": True},
    ],
}


def flawed(**changes: Any) -> AuditReport:
    """A report with every part filled."""
    values: dict[str, Any] = {
        "programme": programme(),
        "verdict": "breaches",
        "findings": FINDINGS,
        "not_assessed": (
            NotAssessed(rule="LBL08", passes=(1, 2), reason="the label of Demo Birch 480 SC gives no days to harvest"),
            NotAssessed(rule="LBL07", passes=(3,), reason="the label of Demo Birch 480 SC gives no stages"),
            NotAssessed(rule="TIM01", passes=(), reason="no date is known for stage R6"),
        ),
        "cover": COVER,
        "totals": TOTALS,
        "rules_run": 35,
        "notices": ("stage dates marked ~ are estimates",),
        "engine": "interpreter",
    }
    values.update(changes)
    return AuditReport(**values)


def clean() -> AuditReport:
    """A report with nothing to say."""
    return flawed(
        programme=programme(name="Sound", accept=(), notices=(), file="sound.yaml"),
        verdict="clean",
        findings=(),
        not_assessed=(),
        notices=(),
    )


def hostile() -> AuditReport:
    """Names that try to be markup, colour, another direction, or longer than any column."""
    name = "Demo [m03] [/bold] \x1b[31m<script>&\u202eevil"
    long = "Demo " + "Langername" * 30
    tank = [(name, 0.6), (long, 0.5), ("דמו אלון", 0.4)]
    return flawed(
        programme=programme(
            name="[red]plan[/red] | `tick` *star*",
            products=(),
            passes=tuple(_pass(number, date(2026, 7, number), "R1", tank) for number in range(1, 4)),
            notices=(),
        ),
        findings=(
            Finding(
                rule="LBL01",
                name="crop-not-on-label",
                severity="breach",
                passes=(1, 2, 3),
                message=f"the label of {name} lacks soybean",
                remedy=f"leave {long} out",
                evidence={"product": name},
            ),
        ),
    )
