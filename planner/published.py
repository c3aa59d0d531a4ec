"""Published recommendations as they hold for one field: which row decides, over what it counts, and how sure it is.

Rows compete when kind, code and what they count agree. The order is: place, crop, target, code, condition, date,
stricter number (contract, section 5, "Limits compete"). A row of a region that the field does not name stands beside
the winner, one severity lower; it can forbid but never allow.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from planner.model import Limit, Struct, Truth

if TYPE_CHECKING:
    from planner.account import Account, Cap, PassState, TargetState

ALL_CODES, SINGLE_SITE = "all", "all_single_site"
TARGET_NEEDS = frozenset(("pathogen_risk", "pressure", "variety", "report"))  # needs that are told per target
# kinds whose smaller number is the stricter one
LOWER_IS_STRICTER = frozenset(
    ("max_applications", "max_consecutive", "max_share_of_total", "max_interval_days", "max_applications_per_active")
)


class Chosen(Struct, frozen=True):
    """A row that holds here for a code and (or) a target, with the cap its grade and place set."""

    row: Limit
    cap: Cap
    regional: bool

    @property
    def number(self) -> float:
        """The row's value as a number."""
        return float(self.row.value)


class Undecided(Struct, frozen=True):
    """A row that cannot be applied because a fact is missing."""

    row: Limit
    reason: str


Answer = tuple[tuple[Chosen, ...], tuple[Undecided, ...]]  # rows that decide, rows that lack a fact
Held = tuple[Truth, str]  # whether a row's conditions hold, and the fact to supply
Rows = dict[str, list[tuple[Limit, bool]]]
NOTHING: Answer = ((), ())


class _Choice(Struct, frozen=True):
    """Rows of a kind that may decide for a code against a target, whatever else the season holds.

    ``held`` is None for a row whose conditions hang on the season. ``answers``: by what these conditions said.
    """

    rows: tuple[tuple[Limit, bool], ...]
    held: tuple[Held | None, ...]
    answers: dict[tuple[Held, ...], Answer]
    settled: Answer | None  # where no row hangs on the season

def _hangs_on_season(row: Limit) -> bool:
    """Whether a row's conditions read more than crop, place and target."""
    return bool(
        row.target_passes
        or row.group_passes
        or (row.uses and row.kind != "max_consecutive")
        or "codes_in_season" in row.needs
        or "report" in row.needs
    )


class Published:
    """All published rows for the crop and place of one account.

    What the ground (see ``planner.memo``) and the codes of the season settle is kept with them; here stays what hangs
    on the passes of this programme.
    """

    def __init__(self, account: Account) -> None:
        self.account = account
        self._ground = account.ground.known
        self.rows = self._rows()
        single_site = {use.code: bool(use.active.at_risk) for state in account.fungicide_states for use in state.uses}
        self.codes = sorted(single_site)
        self._single_site = single_site
        self._risky: dict[str, bool] = {}  # by group
        self.season = account.ground.codes(tuple([(code, single_site[code]) for code in self.codes])).known
        self._subjects: list[TargetState | None] = [*account.targets] or [None]
        self._chosen: dict[tuple[str, str, str], Answer] = {}
        self._rows_chosen: dict[tuple[tuple[str, ...], str], list[tuple[Chosen, TargetState | None]]] = {}
        self._deciding: dict[str, tuple[tuple[str, TargetState | None, Chosen], ...]] = {}

    def _rows(self) -> Rows:
        """The rows of a crop and place, read once per ground."""
        found: Rows | None = self._ground.get("rows")
        if found is None:
            account = self.account
            field, crop = account.field, account.crop
            found = account.catalogue.limits_for(crop.id, crop.crop_class, field.country, field.region)
            self._ground["rows"] = found
        return found

    def at_risk(self, group: str) -> bool:
        """Whether the season holds a group's code with an active that is surely at risk."""
        found = self._risky.get(group)
        if found is None:
            found = self._risky[group] = self._single_site.get(group.partition(" ")[2], False)
        return found

    # --- which rows -------------------------------------------------------------------------------------------------

    def of_kind(self, kind: str) -> list[tuple[Limit, bool]]:
        """Rows of one kind for this crop and place; the flag marks a region that the field does not name."""
        return self.rows.get(kind, [])

    def naming(self, kind: str, code: str) -> list[tuple[Limit, bool]]:
        """Rows of one kind that speak of a code."""
        key = ("naming", kind, code, self._single_site.get(code, False))
        found: list[tuple[Limit, bool]] | None = self._ground.get(key)
        if found is None:
            found = self._ground[key] = [entry for entry in self.rows.get(kind, ()) if self.names_code(entry[0], code)]
        return found

    def names_code(self, row: Limit, code: str) -> bool:
        """Whether a row speaks of a code, by name or by a class of codes."""
        if code in row.unless_codes:
            return False
        if code in row.codes or ALL_CODES in row.codes:
            return True
        if SINGLE_SITE in row.codes:
            return self._single_site.get(code, False)
        listed = row.codes_from or row.codes_not_in
        if listed:
            source = self.account.catalogue.limit(listed)
            inside = code in source.codes
            return inside if row.codes_from else not inside and self._single_site.get(code, False)
        return False

    def names_target(self, row: Limit, target: TargetState | None) -> bool:
        """Whether a row judges passes against this target (None: the season as a whole)."""
        if target is None:
            return not row.targets
        pathogen = target.target.pathogen
        return pathogen not in row.except_targets and (not row.targets or pathogen in row.targets)

    def choose(self, kind: str, code: str, target: TargetState | None) -> Answer:
        """Rows of a kind that decide for a code against a target: the winners of each count, and what stands beside."""
        key = (kind, code, target.id if target else "")
        found = self._chosen.get(key)
        if found is None:
            choice = self._choice(kind, code, target)
            found = self._chosen[key] = choice.settled or self._settle(choice, code, target)
        return found

    def _choice(self, kind: str, code: str, target: TargetState | None) -> _Choice:
        key = ("choice", kind, code, self._single_site.get(code, False), target.id if target else "")
        found: _Choice | None = self._ground.get(key)
        if found is None:
            rows: list[tuple[Limit, bool]] = []
            held: list[Held | None] = []
            for row, regional in self.naming(kind, code):
                if not self.names_target(row, target):
                    continue
                holds = None if _hangs_on_season(row) else self.holds(row, code, target)
                if holds is None or holds[0] is not False:
                    rows.append((row, regional))
                    held.append(holds)
            known = tuple(holds for holds in held if holds is not None)
            settled = self._winners(rows, known, code) if len(known) == len(rows) else None
            found = self._ground[key] = _Choice(tuple(rows), tuple(held), {}, settled)
        return found

    def _settle(self, choice: _Choice, code: str, target: TargetState | None) -> Answer:
        """The answer of a choice that hangs on the season."""
        held = tuple(
            [
                self.holds(row, code, target) if known is None else known
                for (row, _), known in zip(choice.rows, choice.held, strict=True)
            ]
        )
        found = choice.answers.get(held)
        if found is None:
            found = choice.answers[held] = self._winners(choice.rows, held, code)
        return found

    def _winners(self, rows: Sequence[tuple[Limit, bool]], held: Sequence[Held], code: str) -> Answer:
        undecided: list[Undecided] = []
        firm: dict[tuple[Any, ...], list[Limit]] = {}
        beside: list[Chosen] = []
        for (row, regional), (holds, reason) in zip(rows, held, strict=True):
            if holds is None:
                undecided.append(Undecided(row, reason))
            if not holds:
                continue
            if regional or row.combine == "stricter":
                beside.append(Chosen(row, self.cap(row, regional), regional))
            else:
                firm.setdefault((row.counted, row.actives), []).append(row)
        winners = [
            Chosen(row, self.cap(row, False), False)
            for rivals in firm.values()
            for row in (min(rivals, key=lambda entry: self.order(entry, code)),)
        ]
        return (*winners, *beside), tuple(undecided)

    def order(self, row: Limit, code: str) -> tuple[Any, ...]:
        """What rivals are sorted by, the row that decides first (contract, section 5, "Limits compete")."""
        region = self.account.field.region
        place = 0 if region is not None and region in row.countries else 1 if row.countries else 2
        crop = self.account.crop
        named = 0 if crop.id in row.crops else 1 if crop.crop_class in row.crops else 2
        conditional = bool(
            row.needs or row.uses or row.target_passes or row.group_passes or row.stages or row.last_pass
        )
        stricter = float(row.value) if row.kind in LOWER_IS_STRICTER and isinstance(row.value, (int, float)) else 0.0
        return (
            place,
            named,
            0 if row.targets else 1,
            0 if code in row.codes else 1,
            0 if conditional else 1,
            _descending("" if row.date_grade in ("recalled", "undated") else row.date),
            stricter,
            row.id,
        )

    def cap(self, row: Limit, regional: bool) -> Cap:
        """The most severe finding that a row allows."""
        from planner.account import Cap, cap_of, tightest

        caps = [cap_of(row.backing, f"the limit '{row.id}'")]
        recalled = row.crops_from_memory.get(self.account.crop.id)
        if recalled:
            caps.append(
                Cap(
                    "advice" if recalled == "low" else "caution" if recalled == "medium" else "breach",
                    f"the limit '{row.id}' is recalled for {self.account.crop.name}, {recalled} confidence",
                )
            )
        if regional:
            caps.append(
                Cap("breach", "", 1, f"the advice is for {', '.join(row.countries)}; the field names no region")
            )
        return tightest(caps)

    # --- conditions -------------------------------------------------------------------------------------------------

    def counted_passes(self, row: Limit, target: TargetState | None) -> list[PassState]:
        """The passes a row counts: those against its target where it names one, else all foliar fungicide passes."""
        if row.targets and target is not None:
            return self.account.working(target)
        return self.account.passes

    def with_codes(self, row: Limit, code: str, passes: list[PassState]) -> list[PassState]:
        """Those of the passes that hold the code (or any of the row's codes where they count together)."""
        if row.counted == "together":
            return [state for state in passes if any(use.code in row.codes for use in state.uses)]
        return [state for state in passes if code in state.codes]

    def solo(self, state: PassState, code: str, target: TargetState | None) -> Truth:
        """Whether a pass uses a code without a partner (against the target where there is one)."""
        group = f"FRAC {code}"
        if group not in state.by_group:
            return False
        if target is None:
            return not self.account.others(state, group)
        value, _ = self.account.partner(state, group, target)
        return None if value is None else not value

    def holds(self, row: Limit, code: str, target: TargetState | None) -> tuple[Truth, str]:
        """Whether a row's conditions hold; None with the fact to supply where that cannot be told."""
        passes = self.counted_passes(row, target)
        if row.target_passes and not within(len(passes), row.target_passes):
            return False, ""
        used = self.with_codes(row, code, passes)
        if row.group_passes and not within(len(used), row.group_passes):
            return False, ""
        if row.uses and row.kind != "max_consecutive":
            solo = [self.solo(state, code, target if row.targets else None) for state in used]
            if any(value is None for value in solo):
                return None, "whether the partners in the tank control the target is not known"
            any_solo, any_mixed = any(solo), any(value is False for value in solo)
            fits = {"solo": any_solo and not any_mixed, "mixed": any_mixed and not any_solo}
            if not fits.get(row.uses, any_solo and any_mixed):
                return False, ""
        return self.needs_hold(row, code, target)

    def needs_hold(self, row: Limit, code: str, target: TargetState | None) -> tuple[Truth, str]:
        """Whether what a row asks of season and target holds, and what to supply where that is not known."""
        needs = row.needs
        if not needs:
            return True, ""
        if "codes_in_season" in needs:
            present = {use.code for state in self.account.fungicide_states for use in state.uses}
            if not set(needs["codes_in_season"]) <= present:
                return False, ""
        if "pathogen_risk" in needs:
            if target is None:
                return None, "give the field's targets"
            if not target.target.risk:
                return None, f"the risk class of {target.name} is not known"
            if target.target.risk != needs["pathogen_risk"]:
                return False, ""
        if "pressure" in needs:
            if target is None:
                return None, "give the field's targets with their pressure"
            if target.entry.pressure is None:
                return None, f"give the pressure of {target.name} (low, moderate or high)"
            if target.entry.pressure != needs["pressure"]:
                return False, ""
        if "variety" in needs:
            if target is None:
                return None, "give the field's targets with the cultivar's rating"
            if target.entry.cultivar is None:
                return None, f"give the cultivar's rating against {target.name} (susceptible, moderate or resistant)"
            if target.entry.cultivar != needs["variety"]:
                return False, ""
        if "report" in needs:
            if target is None:
                return None, "give the field's targets"
            if self.account.field.country is None:
                return None, "give the field's country"
            group = f"FRAC {code}"
            names = [use.active.name for state in self.account.passes for use in state.by_group.get(group, [])]
            standing = self.account.standing(group, names[0] if names else "", target)
            level = standing.level if needs.get("place") == "region" else standing.country_level
            wanted = {"reduced": ("reduced", "lost"), "lost": ("lost",)}[needs["report"]]
            if level not in wanted:
                return False, ""
        if "effective_partner" in needs:
            return None, "whether an effective partner is on the market is not known"
        return True, ""

    # --- partners named ---------------------------------------------------------------------------------------------

    def partners_named(self, code: str, target: TargetState) -> frozenset[str]:
        """Codes that a row for this crop or target names as partner of a code."""
        key = ("named", code, self._single_site.get(code, False), target.id)
        found: frozenset[str] | None = self._ground.get(key)
        if found is None:
            found = self._ground[key] = frozenset(self._partners_named(code, target))
        return found

    def _partners_named(self, code: str, target: TargetState) -> Iterator[str]:
        for rows in self.rows.values():
            for row, regional in rows:
                if regional or not self.names_code(row, code) or not self.names_target(row, target):
                    continue
                if ALL_CODES in row.crops and not row.targets:
                    continue
                yield from row.partners_named
                if row.kind == "preferred_partner" and isinstance(row.value, (list, tuple)):
                    yield from (str(entry) for entry in row.value)

    def value_here(self, row: Limit, used: list[PassState]) -> float:
        """A row's number, or that of its exception while the exception's target is in the field and a use is late."""
        ids = {target.id for target in self.account.targets}
        for exception in row.exceptions:
            start = self.account.season.bbch(exception.from_stage)
            late = any(state.time.bbch is not None and state.time.bbch[0] >= start for state in used)
            if exception.target in ids and late:
                return exception.value
        return float(row.value)

    def adjustment(self, row: Limit, code: str, target: TargetState | None) -> float:
        """What other rows add to a row's maximum."""
        total = 0.0
        for other, _ in self.of_kind("max_applications_adjust"):
            if row.id in other.adjusts and self.holds(other, code, target)[0]:
                total += float(other.value)
        return total

    def chosen(self, kinds: tuple[str, ...], code: str) -> list[tuple[Chosen, TargetState | None]]:
        """Rows of these kinds that decide for a code, with the target each was chosen for."""
        key = (kinds, code)
        found = self._rows_chosen.get(key)
        if found is None:
            subjects = self._subjects
            found = self._rows_chosen[key] = [(entry, subjects[at]) for entry, at in self._choose_all(kinds, code)]
        return found

    def _choose_all(self, kinds: tuple[str, ...], code: str) -> Sequence[tuple[Chosen, int]]:
        """``chosen`` with the number of the target; kept where no row hangs on the passes."""
        key = ("chosen", kinds, code)
        kept: Sequence[tuple[Chosen, int]] | None = self.season.get(key)
        if kept is not None:
            return kept
        subjects = list(enumerate(self._subjects))
        found = [
            (entry, at) for kind in kinds for at, target in subjects for entry in self.choose(kind, code, target)[0]
        ]
        if all(self._choice(kind, code, target).settled is not None for kind in kinds for _, target in subjects):
            self.season[key] = found
        return found

    def deciding(self, kind: str) -> tuple[tuple[str, TargetState | None, Chosen], ...]:
        """Every (code, target, row) of a kind that decides in this programme; a row without targets comes once."""
        found = self._deciding.get(kind)
        if found is None:
            subjects = self._subjects
            found = self._deciding[kind] = tuple(
                [(code, None if at is None else subjects[at], entry) for code, at, entry in self._decide(kind)]
            )
        return found

    def _decide(self, kind: str) -> tuple[tuple[str, int | None, Chosen], ...]:
        """``deciding`` with the number of the target; kept where no row of the kind hangs on the passes."""
        key = ("deciding", kind)
        found: tuple[tuple[str, int | None, Chosen], ...] | None = self.season.get(key)
        if found is not None:
            return found
        seen: dict[tuple[str, str, str], tuple[str, int | None, Chosen]] = {}
        for code, at, (chosen, _) in self._answers(kind):
            for entry in chosen:
                row = entry.row
                per_target = bool(row.targets) or not TARGET_NEEDS.isdisjoint(row.needs)
                target = self._subjects[at] if per_target else None
                subject = "" if target is None else target.id
                key_of_row = (row.id, "" if row.counted == "together" else code, subject)
                seen.setdefault(key_of_row, (code, at if target is not None else None, entry))
        found = tuple(seen.values())
        if self._settled(kind):
            self.season[key] = found
        return found

    def undecided(self, kind: str) -> tuple[tuple[str, Undecided], ...]:
        """Rows of a kind that cannot be decided, by code, each once."""
        key = ("undecided", kind)
        found: tuple[tuple[str, Undecided], ...] | None = self.season.get(key)
        if found is None:
            rows: dict[tuple[str, str], tuple[str, Undecided]] = {}
            for code, _, (_, lacking) in self._answers(kind):
                for entry in lacking:
                    rows.setdefault((entry.row.id, entry.reason), (code, entry))
            found = tuple(rows.values())
            if self._settled(kind):
                self.season[key] = found
        return found

    def open_kinds(self) -> tuple[str, ...]:
        """Kinds of which a row may lack a fact in some season of these codes, in the catalogue's order."""
        found: tuple[str, ...] | None = self.season.get("open")
        if found is None:
            found = self.season["open"] = tuple(
                kind
                for kind in self.account.catalogue.kinds
                if any(self._may_lack(kind, code, target) for code in self.codes_of(kind) for target in self._subjects)
            )
        return found

    def _may_lack(self, kind: str, code: str, target: TargetState | None) -> bool:
        """Whether a row lacks a fact, or may in some season of these codes. Whether a partner works may be unknown; the
        number of passes, the season's codes and, for a target in a country, its reports are not."""
        choice = self._choice(kind, code, target)
        sure = {"codes_in_season"}
        if target is not None and self.account.field.country is not None:
            sure |= {"report", "place"}
        return any(
            bool(row.uses) or not sure.issuperset(row.needs) if held is None else held[0] is None
            for (row, _), held in zip(choice.rows, choice.held, strict=True)
        )

    def _settled(self, kind: str) -> bool:
        """Whether no row of the kind hangs on the passes of the season."""
        key = ("settled", kind)
        found: bool | None = self.season.get(key)
        if found is None:
            found = self.season[key] = all(
                self._choice(kind, code, target).settled is not None
                for code in self.codes_of(kind)
                for target in self._subjects
            )
        return found

    def _answers(self, kind: str) -> Iterator[tuple[str, int, Answer]]:
        for code in self.codes_of(kind):
            for at, target in enumerate(self._subjects):
                yield code, at, self.choose(kind, code, target)

    def codes_of(self, kind: str) -> tuple[str, ...]:
        """The season's codes that rows of a kind speak of, in order."""
        key = ("codes", kind)
        found: tuple[str, ...] | None = self.season.get(key)
        if found is None:
            found = self.season[key] = tuple(code for code in self.codes if self.naming(kind, code))
        return found


def within(number: int, bounds: tuple[int | None, int | None]) -> bool:
    """Whether a number lies between two bounds, ends included; None: no bound on that side."""
    least, most = bounds
    return (least is None or number >= least) and (most is None or number <= most)


def _descending(text: str) -> tuple[int, ...]:
    """A key that puts the newest ISO date first and an empty one last."""
    return tuple(-ord(letter) for letter in text.ljust(10)) if text else (0,)
