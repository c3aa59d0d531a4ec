"""Mode-of-action groups, how actives move in a leaf, actives, and cross-resistance between them."""

from __future__ import annotations

from typing import Any, cast

from msgspec import structs

from planner.catalogue_read.reading import At, Reading
from planner.datafile import Row
from planner.errors import nearest
from planner.model import Active, Backing, CrossResistance, Group
from planner.spelling import name_key

SCHEMES = ("FRAC", "IRAC", "HRAC")
RISKS = ("low", "low-medium", "medium", "medium-high", "high", "mixed", "unknown")
PURPOSES = ("mixing", "succession", "counting")
NEW_LEAVES = ("protected", "partly", "bare")
MOBILITIES = ("contact", "translaminar", "locally systemic", "xylem mobile", "systemic")

Mobility = dict[str, tuple[str, str]]  # by group or active: class, and what becomes of new leaves


# --- groups ---------------------------------------------------------------------------------------------------------


def group_key(reading: Reading, row: Row, at: At, scheme: str, code: str) -> str:
    """Key of a code, former codes resolved; an unknown code is a problem."""
    key = f"{scheme} {code.removeprefix(scheme).strip()}"
    groups = reading.all.groups
    if key in groups:
        return key
    for found in groups.values():
        if found.scheme == scheme and code in found.former:
            return found.key
    near = nearest(key, groups)
    row.fail(at, f"'{code}' is no group of {scheme}", f"did you mean '{near[0]}'?" if near else "")
    return key


def frac_code(reading: Reading, row: Row, at: At, code: str) -> str:
    """A FRAC code without its scheme, former codes resolved."""
    return group_key(reading, row, at, "FRAC", code).removeprefix("FRAC ")


def read_groups(reading: Reading) -> None:
    """``groups/``: one file per scheme."""
    for layer, top in reading.documents("groups/*.yaml"):
        scheme = top.text("scheme", required=True, one_of=SCHEMES)
        head = reading.head(top)
        families = top.row("families")
        family_backing = Backing()
        if families is not None:
            family_backing = reading.backing(families)
            families.finish()
        for code, row in top.mapping("groups", required=True):
            key = f"{scheme} {code}"
            reading.once(layer, "group", key, row)
            family = row.text("family")
            risk = row.text("risk", one_of=RISKS) or "unknown"
            reading.all.groups[key] = Group(
                key=key,
                scheme=cast(Any, scheme),
                code=code,
                name=row.text("name"),
                family=family,
                target_site=row.text("site"),
                risk=risk,
                multi_site=row.flag("multi_site"),
                former=row.texts("former"),
                main=row.text("main"),
                acts_on=row.text("acts_on"),
                moa=row.text("moa"),
                family_backing=family_backing if family else Backing(),
                backing=reading.backing(row, head),
            )
            row.finish()
        top.finish()


# --- actives --------------------------------------------------------------------------------------------------------


def read_mobility(reading: Reading) -> Mobility:
    """``mobility.yaml``: how groups and single actives move in a leaf."""
    found: Mobility = {}
    for _layer, top in reading.documents("mobility.yaml"):
        for row in top.rows("mobility"):
            mobility = row.text("mobility", required=True, one_of=MOBILITIES), _new_leaves(reading, row)
            for index, key in enumerate(row.texts("groups")):
                scheme, _, code = key.partition(" ")
                found[group_key(reading, row, ("groups", index), scheme, code)] = mobility
            for name in row.texts("actives"):
                found[name_key(name)] = mobility
            row.text("moves")
            reading.backing(row)
            row.finish()
        top.finish()
    return found


def _new_leaves(reading: Reading, row: Row) -> str:
    """What becomes of leaves that unfold after a pass with an active of this mobility; empty: no source says."""
    found = row.row("new_leaves")
    if found is None:
        return ""
    value = found.text("are", required=True, one_of=NEW_LEAVES)
    reading.backing(found)
    found.finish()
    return value


def read_actives(reading: Reading, mobility: Mobility) -> None:
    """``actives/``: the lists of the schemes; an active's own mobility holds before that of its group."""
    for layer, top in reading.documents("actives/*.yaml"):
        scheme = top.text("scheme", required=True, one_of=SCHEMES)
        kind = top.text("kind", required=True, one_of=("fungicide", "insecticide", "herbicide"))
        head = reading.head(top)
        rows = reading.all.actives.setdefault(scheme, {})
        for name, row in top.mapping("actives", required=True):
            reading.once(layer, f"active of {scheme}", name_key(name), row)
            if name != name_key(name):
                row.fail((), f"'{name}' is not written in lower case", f"write '{name_key(name)}'")
            codes = row.texts("group", required=True)
            keys = tuple(
                group_key(reading, row, "group", *(code.split(" ", 1) if " " in code else (scheme, code)))
                for code in codes
            )
            risk = row.text("risk", one_of=[risk for risk in RISKS if risk != "mixed"]) or "unknown"
            multi_site = row.flag("multi_site")
            found = reading.all.groups.get(keys[0]) if keys else None
            if found is not None and found.multi_site != multi_site:
                row.fail((), f"multi_site differs from group {found.key}", "make the two agree")
            if found is not None and found.risk not in ("mixed", risk):
                row.fail((), f"risk '{risk}' differs from group {found.key} ('{found.risk}')", "")
            moves, new_leaves = mobility.get(name_key(name), mobility.get(keys[0], ("", "")) if keys else ("", ""))
            rows[name_key(name)] = Active(
                name=name,
                scheme=cast(Any, scheme),
                groups=keys or (f"{scheme} ?",),
                kind=cast(Any, kind or "fungicide"),
                chemical_group=row.text("chemical"),
                risk=risk,
                multi_site=multi_site,
                mobility=moves,
                new_leaves=new_leaves,
                aliases=row.texts("aliases"),
                former=row.texts("former"),
                recalled=row.texts("recalled"),
                backing=reading.backing(row, head),
            )
            row.finish()
        top.finish()
    _join_listed_twice(reading.all.actives)


def _join_listed_twice(actives: dict[str, dict[str, Active]]) -> None:
    """An active of two schemes: the row of the first scheme answers, and names the other's group too."""
    for index, scheme in enumerate(SCHEMES):
        for name, active in actives.get(scheme, {}).items():
            others = [actives.get(other, {}).get(name) for other in SCHEMES[index + 1 :]]
            more = tuple(other.groups[0] for other in others if other is not None)
            if more:
                actives[scheme][name] = structs.replace(active, groups=(*active.groups, *more))


def known_active(reading: Reading, row: Row, at: At, name: str) -> None:
    """Note a name that no scheme lists."""
    schemes = reading.all.actives.values()
    if not any(name_key(name) in rows for rows in schemes):
        near = nearest(name, [known for rows in schemes for known in rows])
        row.fail(at, f"unknown active '{name}'", f"did you mean '{near[0]}'?" if near else "")


# --- cross-resistance -----------------------------------------------------------------------------------------------


def read_cross_resistance(reading: Reading) -> None:
    """``cross-resistance.yaml``: which groups count as one, which do not, and what is known of single actives."""
    lists = {
        "joined": reading.all.joined,
        "exceptions": reading.all.exceptions,
        "incomplete": reading.all.incomplete,
        "actives": reading.all.active_facts,
    }
    for _layer, top in reading.documents("cross-resistance.yaml"):
        for name, into in lists.items():
            into[:0] = [_statement(reading, row, joins=name == "joined") for row in top.rows(name)]
        top.finish()


def _statement(reading: Reading, row: Row, *, joins: bool) -> CrossResistance:
    groups = tuple(
        group_key(reading, row, ("groups", index), *(key.split(" ", 1) if " " in key else ("FRAC", key)))
        for index, key in enumerate(row.texts("groups"))
    )
    actives = row.texts("actives")
    for index, active in enumerate(actives):
        known_active(reading, row, ("actives", index), active)
    purposes = row.texts("purposes", required=joins)
    for index, purpose in enumerate(purposes):
        if purpose not in PURPOSES:
            row.fail(("purposes", index), f"'{purpose}' is no purpose", f"one of {', '.join(PURPOSES)}")
    if joins and len(groups) < 2:
        row.fail("groups", "one group joins nothing", "name two or more groups")
    found = CrossResistance(
        groups=groups,
        actives=actives,
        purposes=purposes,
        mechanism=row.text("mechanism"),
        text=row.text("text", required=True),
        backing=reading.backing(row),
    )
    row.finish()
    return found
