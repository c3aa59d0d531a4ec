"""Lessons: reading them, running their steps, and computing every claim that they make.

A lesson is one YAML file of this folder. Its steps are states of a crop's small season; what it says of them stands as
``claims`` that :func:`run` computes with the audit and the selection index. Nothing in a lesson is a pasted result.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import msgspec

from planner import compiled, yamlio
from planner.audit import rules_of
from planner.catalogue import Catalogue
from planner.documents.shapes import shaped
from planner.errors import InputError, NoProgramme, RulebookError, UnknownName
from planner.lessons.cast import FOLDER, Cast, cast, classrooms, roles
from planner.lessons.season import Judged, judged, step_programme
from planner.lessons.shapes import ClaimShape, FindsShape, LessonShape, UseShape
from planner.model import Finding

_NAME = re.compile(r"\{([a-z]+)(?:\.(group|family))?\}")
NOTHING = 1e-9


@dataclass(frozen=True)
class Claim:
    """One computed statement: what it says, whether it holds, and what was found."""

    says: str
    holds: bool
    found: str


@dataclass(frozen=True)
class Step:
    """One step as run: the text with its actives filled in, the judged season, the claims."""

    say: str
    now: Judged
    before: Judged | None
    claims: tuple[Claim, ...]


@dataclass(frozen=True)
class Lesson:
    """A lesson as run on one crop. ``shape``: with the crop's actives in its texts."""

    shape: LessonShape
    parts: Cast
    steps: tuple[Step, ...]

    @property
    def broken(self) -> tuple[str, ...]:
        """Claims that do not hold, in words; empty for a sound lesson."""
        return tuple(
            f"{self.shape.lesson} on {self.parts.room.classroom}, step {number}: {claim.says}; found: {claim.found}"
            for number, step in enumerate(self.steps, start=1)
            for claim in step.claims
            if not claim.holds
        )


# --- reading --------------------------------------------------------------------------------------------------------


def load_lesson(path: Path) -> LessonShape:
    """One lesson file.

    Raises:
        RulebookError: it is wrong; file, line, problem and cure.
    """
    document = yamlio.read(path)
    try:
        shape = shaped(document, LessonShape, "lesson")
    except InputError as error:
        raise RulebookError(error.place, error.problem, error.cure) from None

    def refuse(at: tuple[str | int, ...], problem: str, cure: str) -> RulebookError:
        return RulebookError(document.place(at), problem, cure)

    if shape.lesson != path.stem:
        problem = f"the file of lesson '{shape.lesson}' has another name"
        raise refuse(("lesson",), problem, "name the file by its lesson")
    known = [role.role for role in roles().roles]
    for index, role in enumerate(shape.roles):
        if role not in known:
            raise refuse(("roles", index), f"unknown role '{role}'", f"roles are {', '.join(known)}")
    if sum(choice.right for choice in shape.question.choices) != 1:
        raise refuse(("question", "choices"), "exactly one choice is right", "mark one choice with right: true")
    for at, step in enumerate(shape.steps):
        for number, entry in enumerate(step.passes):
            for use in entry.use:
                name = use.role if isinstance(use, UseShape) else use
                if name not in shape.roles:
                    problem = f"'{name}' is not among the lesson's roles"
                    raise refuse(("steps", at, "passes", number), problem, "add it to roles")
        for number, claim in enumerate(step.claims):
            given = [key for key in ClaimShape.__struct_fields__ if getattr(claim, key) not in (None, "")]
            if len(given) != 1:
                where = ("steps", at, "claims", number)
                raise refuse(where, "a claim says exactly one thing", "give one key per claim")
    return shape


@lru_cache(maxsize=1)
def lessons() -> tuple[LessonShape, ...]:
    """Every shipped lesson in the order of teaching; read once, from the compiled copy where there is one."""
    paths = sorted(FOLDER.glob("*.yaml"))
    code = compiled.code("lessons/lesson", "lessons/shapes", "documents/shapes", "yamlio")
    files: list[Path | str] = [*paths, FOLDER / "data" / "roles.yaml", *code]

    def build() -> tuple[LessonShape, ...]:
        found = [load_lesson(path) for path in paths]
        return tuple(sorted(found, key=lambda lesson: (lesson.order, lesson.lesson)))

    return compiled.section("lessons", build, tuple[LessonShape, ...], files)


def find(name: str) -> LessonShape:
    """A lesson by id or by its number in the list.

    Raises:
        UnknownName: with the nearest ids.
    """
    known = lessons()
    if name.isdecimal() and 1 <= int(name) <= len(known):
        return known[int(name) - 1]
    wanted = "-".join(name.casefold().split())
    for lesson in known:
        if lesson.lesson == wanted:
            return lesson
    raise UnknownName("lesson", name, [lesson.lesson for lesson in known])


# --- running --------------------------------------------------------------------------------------------------------


def lacking(shape: LessonShape, catalogue: Catalogue, crop: str) -> str:
    """What a crop lacks for a lesson, in words; empty where it can be taught."""
    if shape.only and crop not in shape.only:
        return shape.only_because or f"it holds on {', '.join(shape.only)} only"
    try:
        parts = cast(catalogue, crop, shape.targets.get(crop, ""))
    except NoProgramme as error:
        return str(error)
    gaps = [parts.missing[role] for role in shape.roles if role in parts.missing]
    if gaps:
        return f"the catalogue lacks for {parts.target_name}: {'; '.join(gaps)}"
    if any(entry.at == "late" for step in shape.steps for entry in step.passes) and parts.entry.late is None:
        return "its classroom has no late pass"
    return ""


def crop_for(shape: LessonShape, catalogue: Catalogue, first: str = "soybean") -> str:
    """The crop that a lesson is shown on when none is asked for: ``first`` where it can, else the first that can."""
    order = [first, *(crop for crop in [*shape.only, *classrooms()] if crop != first)]
    return next((crop for crop in order if crop in classrooms() and not lacking(shape, catalogue, crop)), first)


def run(shape: LessonShape, catalogue: Catalogue, crop: str) -> Lesson:
    """A lesson on one crop, with everything computed.

    Raises:
        NoProgramme: the crop lacks a fact that the lesson needs; the message says which.
    """
    crop = catalogue.crop(crop).id
    gap = lacking(shape, catalogue, crop)
    if gap:
        can = [one for one in classrooms() if not lacking(shape, catalogue, one)]
        told = f"lesson '{shape.lesson}' cannot be shown on {crop}: {gap}"
        raise NoProgramme(told, [f"it can be shown with --crop {one}" for one in can])
    parts = cast(catalogue, crop, shape.targets.get(crop, ""))
    shape = msgspec.convert(_filled(msgspec.to_builtins(shape), parts, catalogue), LessonShape)
    steps: list[Step] = []
    for number, entry in enumerate(shape.steps, start=1):
        now = judged(step_programme(entry, parts, catalogue, f"{shape.title}, step {number}"), catalogue)
        before = steps[-1].now if steps else None
        done = [one.now for one in steps]
        claims = tuple(_claim(claim, now, done, parts, catalogue) for claim in entry.claims)
        steps.append(Step(entry.say, now, before, claims))
    return Lesson(shape, parts, tuple(steps))


def _filled(data: Any, parts: Cast, catalogue: Catalogue) -> Any:
    """The same plain data with every text filled in."""
    if isinstance(data, str):
        return fill(data, parts, catalogue) if "{" in data else data
    if isinstance(data, dict):
        return {key: _filled(value, parts, catalogue) for key, value in data.items()}
    return [_filled(value, parts, catalogue) for value in data] if isinstance(data, list | tuple) else data


def fill(text: str, parts: Cast, catalogue: Catalogue) -> str:
    """Roles in braces as actives: ``{risky}`` its name, ``{risky.group}`` its code and family; ``{target}`` too."""

    def swap(found: re.Match[str]) -> str:
        name, part = found.group(1), found.group(2)
        if name == "target":
            return parts.target_name
        if name == "crop":
            return parts.room.classroom
        if name == "beside" and parts.entry.beside:
            return catalogue.target(parts.room.classroom, parts.entry.beside).name
        active = parts.actives.get(name)
        if active is None:
            return found.group()
        group = catalogue.group(active.group)
        return group.words if part == "group" else (group.family or group.name) if part == "family" else active.name

    return _NAME.sub(swap, text)


# --- claims ---------------------------------------------------------------------------------------------------------


def rule_words(code: str) -> str:
    """``ROT01 same-group-in-succession``."""
    return f"{code} {rules_of().rule(code).name}"


def _claim(claim: ClaimShape, now: Judged, done: Sequence[Judged], parts: Cast, catalogue: Catalogue) -> Claim:
    finds = claim.breaks or claim.advises
    if finds is not None:
        return _finds(finds, now, breach=claim.breaks is not None)
    if claim.mends:
        was = bool(done) and any(one.rule == claim.mends for one in done[-1].report.findings)
        here = [one for one in now.report.findings if one.rule == claim.mends]
        return Claim(f"{rule_words(claim.mends)} is gone", was and not here, _told(here, "nothing of that rule", was))
    if claim.quiet:
        here = [one for one in now.report.findings if one.rule == claim.quiet]
        return Claim(f"{rule_words(claim.quiet)} finds nothing", not here, _told(here, "nothing"))
    if claim.verdict is not None:
        words = {
            "clean": "no breach and no caution",
            "cautions": "no breach, but a caution",
            "breaches": "at least one breach",
        }
        found = now.report.verdict
        return Claim(f"the whole season has {words[claim.verdict]}", found == claim.verdict, words[found])
    if claim.selection is not None:
        return _ratio(claim, now, done, parts, catalogue)
    if claim.modes is not None:
        want = claim.modes
        working, codes = now.modes[want.at]
        says = f"pass {want.at} has {_count(want.are)} working against {parts.target_name}"
        if want.codes is not None:
            says += f", of {want.codes} in the tank"
        held = working == want.are and (want.codes is None or codes == want.codes)
        return Claim(says, held, f"{working} working of {codes}")
    if claim.groups is not None:
        one, other = (parts.actives[name] for name in claim.groups.roles)
        same = one.group == other.group
        words_ = "are one group" if claim.groups.same else "are two groups"
        return Claim(
            f"{one.name} and {other.name} {words_}",
            same is claim.groups.same,
            f"{catalogue.group(one.group).words} and {catalogue.group(other.group).words}",
        )
    if claim.bare is not None:
        days = bare_days(now, parts.target)
        if claim.bare.between is None:
            was_ = bare_days(done[-1], parts.target)
            return Claim("fewer days between the passes are bare", days < was_, f"{was_} bare days before, {days} now")
        low, high = claim.bare.between
        span = f"{low}" if low == high else f"{low} to {high}"
        return Claim(f"{span} days between the passes are bare", low <= days <= high, f"{days} bare days")
    if claim.unselected:
        group = parts.actives[claim.unselected].group
        charged = now.selection.get(group, 0.0)
        name = parts.actives[claim.unselected].name
        return Claim(f"the index charges {name} with nothing", charged <= NOTHING, f"{charged:.1f} selection days")
    hits = [note for note in now.report.notices if claim.notice in note]
    return Claim(f"the audit notes: {claim.notice}", bool(hits), hits[0] if hits else "no such notice")


def _finds(want: FindsShape, now: Judged, *, breach: bool) -> Claim:
    allowed = want.severity or (["breach"] if breach else ["caution", "advice"])
    hits = [
        one
        for one in now.report.findings
        if one.rule == want.rule
        and one.severity in allowed
        and (not want.passes or set(one.passes) <= set(want.passes))
    ]
    told = {number for one in hits for number in one.passes}
    kind = "breaks" if breach else "is told by"
    one_or_more = "pass" if len(want.passes) == 1 else "passes"
    where = f" on {one_or_more} {' and '.join(map(str, want.passes))}" if want.passes else ""
    here = [one for one in now.report.findings if one.rule == want.rule]
    return Claim(
        f"this {kind} {rule_words(want.rule)}{where}",
        bool(hits) and told >= set(want.passes),
        _told(hits or here, "nothing of that rule"),
    )


def _told(findings: Sequence[Finding], nothing: str, was: bool = True) -> str:
    if not was:
        return "the step before did not have it"
    return "; ".join(f"{one.severity} on {_passes(one.passes)}" for one in findings) or nothing


def _passes(numbers: Sequence[int]) -> str:
    if not numbers:
        return "the season"
    last = str(numbers[-1])
    first = ", ".join(map(str, numbers[:-1]))
    return f"passes {first} and {last}" if first else f"pass {last}"


def _count(number: int) -> str:
    words = ("no mode of action", "one mode of action")
    return words[number] if number < 2 else f"{number} modes of action"


def _ratio(claim: ClaimShape, now: Judged, done: Sequence[Judged], parts: Cast, catalogue: Catalogue) -> Claim:
    want = claim.selection
    assert want is not None
    group = parts.actives[want.role].group
    earlier = done[want.step - 1] if want.step else done[-1]
    old, new = earlier.selection.get(group, 0.0), now.selection.get(group, 0.0)
    low, high = want.between
    name = catalogue.group(group).words
    since = f"those of step {want.step}" if want.step else "those before"
    says = f"selection days of {name} are {ratio_words(low, high)} {since}"
    if old <= NOTHING:
        return Claim(says, False, "there was no selection before")
    return Claim(says, low <= new / old <= high, f"{old:.1f} before, {new:.1f} now, {new / old:.2f} times")


def ratio_words(low: float, high: float) -> str:
    """A span of ratios in words: ``between 0.4 and 0.6 times``."""
    if low > 1.0:
        return f"more than before, {low:g} to {high:g} times"
    if high < 1.0:
        return f"fewer, {low:g} to {high:g} times"
    return f"about the same, {low:g} to {high:g} times"


def bare_days(now: Judged, target: str) -> int:
    """Days of the target's window between the first and the last pass on which nothing effective covers it."""
    days = [entry.date.toordinal() for entry in now.programme.passes if entry.date and entry.how == "foliar"]
    row = next((one for one in now.report.cover if one["target"] == target), None)
    if row is None or not days:
        return 0
    covered = {day for first, last in _covered(row) for day in range(first, last + 1)}
    window = row.get("window")
    low, high = min(days), max(days)
    if window and all(window):
        low, high = max(low, _ordinal(window[0])), min(high, _ordinal(window[1]))
    return sum(day not in covered for day in range(low, high + 1))


def _covered(row: Mapping[str, object]) -> Iterator[tuple[int, int]]:
    runs = row.get("days") or ()
    assert isinstance(runs, Sequence)
    for run_ in runs:
        if run_.get("modes") != 0:
            yield _ordinal(run_["from"]), _ordinal(run_["to"])


def _ordinal(value: object) -> int:
    return datetime.date.fromisoformat(str(value)).toordinal()
