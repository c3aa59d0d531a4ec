"""The rulebook: every rule of an audit as a value, loaded from the rule files.

A rule is data (``rules/README.md`` is the grammar); this module holds its shape, finds the files, lays a
user's own folder over the shipped one and keeps the checked result in the compiled cache. Reading and
checking one file is ``planner.rulereader``'s job, so that an audit whose rules are cached reads no YAML at
all.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import cached_property
from operator import itemgetter
from pathlib import Path
from typing import Any, Literal, NamedTuple

import msgspec

from planner import places
from planner.conditions import Case, undecided
from planner.errors import RulebookError, UnknownName
from planner.facts.kinds import KINDS, FactKind
from planner.model import Grade, Place, Struct

FAMILIES: tuple[str, ...] = ("label", "rotation", "limits", "mixing", "resistance", "timing")
Status = Literal["preview", "stable", "frozen", "deprecated"]
STATUSES: tuple[Status, ...] = ("preview", "stable", "frozen", "deprecated")
ExampleKind = Literal["firing", "quiet", "boundary", "unknown"]
EXAMPLE_KINDS: tuple[ExampleKind, ...] = ("firing", "quiet", "boundary", "unknown")

_RULE_FILE = re.compile(r"[A-Z]{3}[0-9]{2}-[a-z0-9-]+\.yaml\Z")
_MOST_KEPT = 4096  # answers on one kind of fact
PLACEHOLDER = re.compile(r"\{([^{}]*)\}")


class Template(NamedTuple):
    """A text with ``{placeholders}``, read once."""

    pattern: str  # for the operator %, with one %s for each name
    names: tuple[str, ...]

    def fill(self, say: Callable[[str], str]) -> str:
        """The text with what ``say`` gives for each name."""
        return self.pattern % tuple([say(name) for name in self.names])


class Texts(NamedTuple):
    """The texts of a rule that a finding fills."""

    message: Template
    because: tuple[Template, ...]  # by case
    remedy: Template


def template(text: str, given: Mapping[str, str]) -> Template:
    """A text whose placeholders are read; those that ``given`` knows are filled in already."""
    pattern, names = "", []
    for at, part in enumerate(PLACEHOLDER.split(text)):  # text and name in turn
        if at % 2 == 0 or part in given:
            pattern += (given[part] if at % 2 else part).replace("%", "%%")
        else:
            pattern += "%s"
            names.append(part)
    return Template(pattern, tuple(names))


class Parameter(Struct, frozen=True, kw_only=True):
    """A threshold of a rule: a whole number in ``unit``, or a text, with what it rests on."""

    value: int | str
    unit: str = ""
    source: str
    grade: Grade

    @property
    def words(self) -> str:
        """Value with unit, for example ``14 d``."""
        return f"{self.value} {self.unit}".rstrip()


class RuleSource(Struct, frozen=True, kw_only=True):
    """A key of the bibliography and the place in that source."""

    key: str
    where: str = ""


class Rule(Struct, frozen=True, kw_only=True, dict=True):
    """One rule. Severity is that of the first case whose conditions all hold."""

    code: str
    name: str
    family: str
    since: str
    status: Status
    title: str
    why: str
    adviser: str = ""
    remedy: str
    not_for: str = ""
    sources: tuple[RuleSource, ...] = ()
    kind: str
    parameters: dict[str, Parameter] = {}
    cases: tuple[Case, ...]
    unknown_when: tuple[str, ...] = ()
    merge: bool = False
    message: str
    lasting: bool = False
    decided_always: str = ""
    place: Place = Place()

    @cached_property
    def reads(self) -> frozenset[str]:
        """The fields that its conditions read."""
        return frozenset(field for case in self.cases for one in case.when for field in one.reads)

    @cached_property
    def reason(self) -> str:
        """``why`` with the rule's parameters filled in."""
        return self.words(self.why)

    def words(self, text: str) -> str:
        """``text`` (why, adviser, title or not_for) with the rule's parameters filled in."""
        return template(text, self._given).fill(lambda name: f"{{{name}}}")

    @cached_property
    def texts(self) -> Texts:
        """What a finding of the rule says, with the rule's parameters filled in already."""
        because = tuple([template(case.because, self._given) for case in self.cases])
        return Texts(template(self.message, self._given), because, template(self.remedy, self._given))

    @cached_property
    def own_sources(self) -> tuple[str, ...]:
        """Keys of its sources, each once."""
        return tuple(dict.fromkeys([source.key for source in self.sources]))

    @cached_property
    def own_places(self) -> dict[str, str]:
        """The place in each of its sources, where it names one."""
        return {source.key: source.where for source in self.sources if source.where}

    @cached_property
    def _given(self) -> dict[str, str]:
        return {name: parameter.words for name, parameter in self.parameters.items()}


class Example(Struct, frozen=True, kw_only=True):
    """One test that a rule file carries. ``data`` holds what the file says besides name and kind."""

    rule: str
    name: str
    kind: ExampleKind
    data: dict[str, Any]
    place: Place = Place()


_Lacking = Mapping[str, tuple[str, ...]]  # fields that a fact lacks, by the code of the rule
_Reader = Callable[[Mapping[str, Any]], Any]


class Rulebook(Struct, frozen=True, kw_only=True, dict=True):
    """All rules, in the order of families and codes. ``key`` is the checksum of their conditions."""

    rules: tuple[Rule, ...]
    key: str

    @cached_property
    def running(self) -> tuple[Rule, ...]:
        """The rules that an audit runs: all but deprecated ones."""
        return tuple(rule for rule in self.rules if rule.status != "deprecated")

    @cached_property
    def by_kind(self) -> dict[str, tuple[Rule, ...]]:
        """The rules that an audit runs, by the kind of fact that they look at."""
        kinds = dict.fromkeys(rule.kind for rule in self.running)
        return {kind: tuple(rule for rule in self.running if rule.kind == kind) for kind in kinds}

    @cached_property
    def by_code(self) -> dict[str, Rule]:
        """Every rule by its code."""
        return {rule.code: rule for rule in self.rules}

    def undecided(self, kind: str, values: Mapping[str, Any]) -> _Lacking:
        """For a fact of this kind: the rules that cannot be decided, each with the fields that it lacks.

        Facts repeat: in six passes of one field, and more so in a thousand fields. So the answer is kept by the values
        that it reads (see ``conditions.undecided``).
        """
        asked = self._asked.get(kind)
        if asked is None:
            return {}
        read, known = asked
        key = read(values)
        found = known.get(key)
        if found is None:
            if len(known) >= _MOST_KEPT:
                known.clear()
            rules = {rule.code: undecided(rule.cases, rule.unknown_when, values) for rule in self.by_kind[kind]}
            found = known[key] = {code: fields for code, fields in rules.items() if fields}
        return found

    @cached_property
    def _asked(self) -> dict[str, tuple[_Reader, dict[Any, _Lacking]]]:
        """What ``undecided`` reads of a kind, and its answers so far; kinds of which it can lack something."""
        found: dict[str, tuple[_Reader, dict[Any, _Lacking]]] = {}
        for kind, rules in self.by_kind.items():
            fields = {field for rule in rules if rule.unknown_when for field in (*rule.reads, *rule.unknown_when)}
            if fields:
                found[kind] = (itemgetter(*sorted(fields)), {})
        return found

    @cached_property
    def order(self) -> dict[str, int]:
        """The place of each rule in the book, by code."""
        return {rule.code: at for at, rule in enumerate(self.rules)}

    def rule(self, word: str) -> Rule:
        """The rule of this code or name.

        Raises:
            UnknownName: no rule is called so.
        """
        folded = word.strip().casefold()
        for rule in self.rules:
            if folded in (rule.code.casefold(), rule.name):
                return rule
        raise UnknownName("rule", word, [name for rule in self.rules for name in (rule.code, rule.name)])


def make(rules: Iterable[Rule]) -> Rulebook:
    """A rulebook of these rules, in order of family and code."""
    order = {family: index for index, family in enumerate(FAMILIES)}
    ordered = tuple(sorted(rules, key=lambda rule: (order.get(rule.family, len(order)), rule.code)))
    conditions = msgspec.msgpack.encode([(rule.code, rule.status, rule.kind, rule.cases) for rule in ordered])
    return Rulebook(rules=ordered, key=hashlib.sha256(conditions).hexdigest())


def load(rules_dirs: Sequence[Path | str] = ()) -> Rulebook:
    """The shipped rules, the user's folders laid over them; a file of the same code replaces the rule.

    Raises:
        RulebookError: a rule file is wrong; file, line and cure are given.
        InputError: a file cannot be read, or is not YAML as the planner reads it.
    """
    from planner import compiled

    folders = _folders(rules_dirs)
    files: list[Path | str] = [path for folder in folders for path in rule_files(folder)]
    files += [_bibliography(), *compiled.code("rulebook", "rulereader", "conditions", "facts/kinds")]
    name = "rules" if len(folders) == 1 else "rules-own"
    return compiled.section(name, lambda: _build(folders), Rulebook, files)


def load_examples(rules_dirs: Sequence[Path | str] = ()) -> tuple[Example, ...]:
    """The examples of all rules that ``load`` gives, in its order. Reads the files; audits never need it.

    Raises:
        RulebookError, InputError: as ``load``.
    """
    from planner import rulereader

    found = rulereader.read_folders(_folders(rules_dirs), kinds=KINDS, bibliography=_keys())
    order = {rule.code: index for index, rule in enumerate(make(pair[0] for pair in found).rules)}
    pairs = sorted(found, key=lambda pair: order[pair[0].code])
    return tuple(example for _, examples in pairs for example in examples)


def check(rules_dirs: Sequence[Path | str] = ()) -> tuple[tuple[Rule, ...], tuple[RulebookError, ...]]:
    """Read every rule file afresh: the sound rules, and the first error of each file that is wrong."""
    from planner import rulereader

    found, errors = rulereader.try_folders(_folders(rules_dirs), kinds=KINDS, bibliography=_keys())
    return make(pair[0] for pair in found).rules, errors


def rule_files(folder: Path) -> tuple[Path, ...]:
    """The rule files of a folder, sorted by path. ``limits`` folders hold published limits as well."""
    return tuple(sorted(path for path in folder.rglob("*.yaml") if _RULE_FILE.match(path.name)))


def scaffold(code: str, name: str, family: str, *, kinds: Mapping[str, FactKind] = KINDS) -> str:
    """Text of a new rule file to start from; it lists the fields of every kind of fact.

    Raises:
        UnknownName: there is no such family.
        ValueError: the code is not three capital letters and two digits, or the name is not in kebab case.
    """
    if family not in FAMILIES:
        raise UnknownName("family", family, FAMILIES)
    if not re.fullmatch(r"[A-Z]{3}[0-9]{2}", code):
        raise ValueError(
            f"'{code}' is not a rule code; write three capital letters and two digits, as in ROT06"
        )
    if not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", name):
        raise ValueError(
            f"'{name}' is not a rule name; write small letters joined by '-', as in same-group-twice"
        )
    first = next(iter(kinds.values()))
    field, type_ = next(iter(first.fields.items()))
    test = {"int": "more_than: $threshold", "flag": "is: true", "text": 'is: "..."'}[type_]
    parameters = (
        "parameters:\n  threshold: {value: 1, unit: '', source: common practice, grade: practice}\n"
        if type_ == "int"
        else "parameters: {}\n"
    )
    listing = "\n".join(
        f"#   {kind.name}: {kind.about}\n#     fields: "
        + ", ".join(f"{key} ({value})" for key, value in kind.fields.items())
        + (f"\n#     shows: {', '.join(kind.shows)}" if kind.shows else "")
        for kind in kinds.values()
    )
    return f"""\
# {code}: say here what the rule looks for. Grammar: rules/README.md. Check it with `planner rules check`.
rule: {code}
name: {name}              # states the bad thing
family: {family}
since: "0.1"
status: preview           # preview | stable | frozen | deprecated
title: What the rule finds, in one line
why: Why it matters, in a short paragraph that a grower understands.
adviser: The same with an adviser's depth.
remedy: What to do instead.
not_for: What this rule does not look at.
sources: []               # - {{key: a key of catalog/sources.yaml, where: section or page}}
# kinds of facts:
{listing}
for: {first.name}
{parameters}cases:                    # the first case that fits decides
  - severity: advice      # breach | caution | advice
    when:
      - {{field: {field}, {test}}}
unknown_when: [{field}]   # unknown: "not assessed"
message: "{{passes}}: say what was found, with the numbers"
lasting: false            # true: once broken, no later pass can mend it
examples:                 # pytest collects each one; all four kinds are needed
  - name: the bad thing itself
    kind: firing
    passes: [{{stage: R1, use: [azoxystrobin]}}, {{stage: R3, use: [azoxystrobin]}}]
    finds: [{{passes: [1, 2], severity: advice}}]
  - name: the good thing
    kind: quiet
    passes: [{{stage: R1, use: [azoxystrobin]}}]
    finds: []
  - name: just at the threshold
    kind: boundary
    passes: [{{stage: R1, use: [azoxystrobin]}}, {{stage: R3, use: [boscalid]}}]
    finds: []
  - name: a fact is missing
    kind: unknown
    passes: [{{stage: R1, use: [azoxystrobin]}}]
    finds: []
    not_assessed: true
"""


def _folders(rules_dirs: Sequence[Path | str]) -> tuple[Path, ...]:
    own = tuple(Path(folder) for folder in rules_dirs)
    for folder in own:
        if not folder.is_dir():
            raise RulebookError(
                str(folder), "there is no such folder of rules", "check the name after --rules"
            )
    return (places.folder("rules"), *own)


def _build(folders: Sequence[Path]) -> Rulebook:
    from planner import rulereader

    found = rulereader.read_folders(folders, kinds=KINDS, bibliography=_keys())
    return make(rule for rule, _ in found)


def _bibliography() -> Path:
    return places.folder("catalog") / "sources.yaml"


def _keys() -> frozenset[str]:
    from planner import yamlio

    return frozenset(yamlio.read(_bibliography(), name="catalog/sources.yaml").data["sources"])
