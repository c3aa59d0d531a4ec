"""Between which days each listed product can go on."""

from __future__ import annotations

from typing import Literal

from planner.account import Account
from planner.calendar.rows import ProductRow
from planner.calendar.stages import stage_ends, when
from planner.model import Product
from planner.spray import last_spray_date


def product_row(account: Account, product: Product) -> ProductRow:
    """The row of a listed product; what its label or the field does not give is named as missing."""
    season, label = account.season, product.labels.get(account.crop.id)
    if label is None:
        return ProductRow(
            product=product.name, on_label=False, first_stage=None, last_stage=None, last_by_stage=None,
            last_by_stage_estimated=False, harvest_interval=None, last_by_harvest=None, last=None, sets="",
            missing=(f"the list has no label of it for {account.crop.name}",),
        )  # fmt: skip
    missing: list[str] = []
    first = when(season, label.first_stage) if label.first_stage else None
    last = when(season, label.last_stage) if label.last_stage else None
    by_stage, guessed = stage_ends(account, label.last_stage) if label.last_stage else (None, False)
    if last is None:
        missing.append("the list gives no last stage")
    elif by_stage is None:
        missing.append(f"nothing dates {last.stage}")
    by_harvest = None
    if label.harvest_interval is None:
        missing.append("the list gives no pre-harvest interval")
    elif account.field.harvest is None:
        missing.append(f"the field gives no harvest date to count {label.harvest_interval} days back from")
    else:
        by_harvest = last_spray_date(account.field.harvest, label.harvest_interval)
    days = [day for day in (by_stage, by_harvest) if day is not None]
    final = min(days, default=None)
    sets: Literal["stage", "harvest", ""] = "" if final is None else "harvest" if final == by_harvest else "stage"
    return ProductRow(
        product=product.name,
        on_label=True,
        first_stage=first,
        last_stage=last,
        last_by_stage=by_stage,
        last_by_stage_estimated=guessed,
        harvest_interval=label.harvest_interval,
        last_by_harvest=by_harvest,
        last=final,
        sets=sets,
        missing=tuple(missing),
    )
