"""How hard a spray programme selects for resistance: the closed-form index.

Why this module exists: counting sprays is a poor guide.  What selects is the time during which a resistant
strain grows and a sensitive one does not (selection coefficient x exposure time: van den Bosch, Oliver, van
den Berg & Paveley 2014, Annu. Rev. Phytopathol. 52:175-195, abstract read).  The equations here are the
short form of that principle; the derivation, the parameters and the checks are in
``shared/reference/resistance_checks.yaml`` and ``catalog/selection.yaml``.

Residue, effect and growth (dose is a fraction of the full label rate, time in days; any other unit of time
may be used, degree-days for instance, if half-lives and days of spraying use it too)::

    C_c(t)   = sum over sprays of c:  dose * exp(-lam_c * (t - t_spray))        lam = ln 2 / half-life
    eps_c(t) = omega_c * (1 - exp(-theta_c * C_c(t)))                           share of growth blocked
    g_i(t)   = r * (1 - cost_i) * product over c of (1 - q_ic * eps_c(t))       growth rate of strain i

``q`` is what a strain has left of its sensitivity: 1 fully sensitive, 0 immune.  Actives of one group share
it, and so do groups joined by cross-resistance.  The **effective selection days** of a group are the days
of undisturbed growth by which the resistant strain gets ahead of the sensitive one in a season::

    ESD_A = integral of (1 - cost) * prod_A (1 - q eps) * prod_rest (1 - eps)  -  prod_all (1 - eps)   dt

The log-odds of resistance move by ``r * ESD_A`` a season; a ranking of programmes never depends on ``r``.

Limits that whoever shows a number must state: actives act independently; no weather, no refuge and no
migration; one target at a time; whether disease is still controlled is not answered here
(``planner.season_models`` does); how resistance first arises is not modelled.  The index ranks programmes
against one target, it does not forecast years.

No function here searches over doses or proposes one: doses are what the user's programme says (label
rates), and the only spray that an explanation adds in thought, a reference partner, goes in at its full
label rate.

Everything is a pure function over plain values.  A single programme needs only the standard library, so
that an audit starts quickly; numpy is imported inside the batch functions.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from planner.selection.defaults import SelectionDefaults
from planner.selection.integral import (
    relative_growth_days,
    selection_by_group,
    selection_days,
    selection_days_single,
    selection_days_solo,
)
from planner.selection.odds import growth_rate, log_odds_change, logit, seasons_to_fraction
from planner.selection.values import Component, Joined, Spray, Strain

if TYPE_CHECKING:
    from planner.selection.attribution import (
        Attribution,
        Driver,
        PassShare,
        attribute,
        drivers,
        strongest_partner,
    )
    from planner.selection.band import HALF_LIVES, Band, Flip, flip_point, ranking_flips, selection_band
    from planner.selection.batch import pack_programmes, selection_days_batch
    from planner.selection.expint import ein, exponential_integral_e1
    from planner.selection.pairs import PairSelection, double_selection_days, pairs_in_tank

# An audit needs the index alone; what only a comparison needs is loaded when it is asked for.
_LATER = {
    "attribution": ("Attribution", "Driver", "PassShare", "attribute", "drivers", "strongest_partner"),
    "band": ("HALF_LIVES", "Band", "Flip", "flip_point", "ranking_flips", "selection_band"),
    "batch": ("pack_programmes", "selection_days_batch"),
    "expint": ("ein", "exponential_integral_e1"),
    "pairs": ("PairSelection", "double_selection_days", "pairs_in_tank"),
}


def __getattr__(name: str) -> object:
    for module, names in _LATER.items():
        if name in names:
            from importlib import import_module

            return getattr(import_module(f"planner.selection.{module}"), name)
    raise AttributeError(f"module 'planner.selection' has no attribute {name!r}")


__all__ = [
    "HALF_LIVES",
    "Attribution",
    "Band",
    "Component",
    "Driver",
    "Flip",
    "Joined",
    "PairSelection",
    "PassShare",
    "SelectionDefaults",
    "Spray",
    "Strain",
    "attribute",
    "double_selection_days",
    "drivers",
    "ein",
    "exponential_integral_e1",
    "flip_point",
    "growth_rate",
    "log_odds_change",
    "logit",
    "pack_programmes",
    "pairs_in_tank",
    "ranking_flips",
    "relative_growth_days",
    "seasons_to_fraction",
    "selection_band",
    "selection_by_group",
    "selection_days",
    "selection_days_batch",
    "selection_days_single",
    "selection_days_solo",
    "strongest_partner",
]
