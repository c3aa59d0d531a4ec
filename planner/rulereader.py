"""Reads one rule file and refuses whatever is wrong in it, with file, line and cure.

durable-rules takes a misspelt field or an unknown operator without a word and then never fires, so every name
in a rule is checked here, before any engine sees it: keys, fields, operators, kinds, placeholders,
parameters, sources.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import Any, NoReturn, TypeVar, get_args

from planner import yamlio
from planner.conditions import MOST, MOST_TIMES, OPERATORS, ORDERED, Case, Condition, Operator
from planner.errors import InputError, RulebookError, nearest
from planner.facts.kinds import FactKind
from planner.model import SEVERITIES, Grade, Severity
from planner.rulebook import (
    EXAMPLE_KINDS,
    FAMILIES,
    PLACEHOLDER,
    STATUSES,
    Example,
    Parameter,
    Rule,
    RuleSource,
    rule_files,
)
from planner.yamlio import Document

Path_ = tuple[str | int, ...]
Found = tuple[Rule, tuple[Example, ...]]
Word = TypeVar("Word", bound=str)
_GRADES: tuple[Grade, ...] = get_args(Grade)

_NEEDED = (
    "rule",
    "name",
    "family",
    "since",
    "status",
    "title",
    "why",
    "remedy",
    "sources",
    "for",
    "message",
    "examples",
)
_FREE = (
    "adviser",
    "not_for",
    "parameters",
    "given",
    "cases",
    "severity",
    "when",
    "because",
    "unknown_when",
    "merge",
    "lasting",
    "decided_always",
)
_EXAMPLE_KEYS = (
    "name",
    "kind",
    "crop",
    "country",
    "region",
    "targets",
    "stages",
    "harvest",
    "sown",
    "type",
    "area",
    "history",
    "application",
    "products",
    "passes",
    "accept",
    "finds",
    "not_assessed",
)
_PASS_KEYS = ("stage", "date", "how", "use", "tank", "water", "droplets", "canopy")
# words that every message may hold besides the fields and display texts of its kind
COMMON_WORDS = ("passes",)


def read_folders(
    folders: Sequence[Path], *, kinds: Mapping[str, FactKind], bibliography: Collection[str] | None
) -> list[Found]:
    """Rules and examples of these folders; a later folder's file replaces an earlier rule of the same code.

    Raises:
        RulebookError, InputError: the first error found.
    """
    found, errors = try_folders(folders, kinds=kinds, bibliography=bibliography)
    if errors:
        raise errors[0]
    return found


def try_folders(
    folders: Sequence[Path], *, kinds: Mapping[str, FactKind], bibliography: Collection[str] | None
) -> tuple[list[Found], tuple[RulebookError, ...]]:
    """As ``read_folders``, but gives the first error of each file instead of raising it."""
    laid: dict[str, Found] = {}
    errors: list[RulebookError] = []
    for index, folder in enumerate(folders):
        here: dict[str, Rule] = {}
        for path in rule_files(folder):
            name = str(path.relative_to(folder.parent)) if index == 0 else str(path)
            try:
                rule, examples = read_rule(path, name=name, kinds=kinds, bibliography=bibliography)
                _check_home(rule, path, folder)
                if rule.code in here:
                    raise RulebookError(
                        rule.place,
                        f"rule {rule.code} is there twice, first in {here[rule.code].place.file}",
                        "give one of them a code of its own; codes are never used again",
                    )
            except RulebookError as error:
                errors.append(error)
                continue
            except InputError as error:
                errors.append(RulebookError(error.place, error.problem, error.cure))
                continue
            here[rule.code] = rule
            laid[rule.code] = (rule, examples)
        for path in sorted(folder.rglob("*.yaml")):
            # a rule file with a slip in its name must not vanish without a word; limits/ holds other data too
            if path not in rule_files(folder) and path.parent.name != "limits":
                errors.append(
                    RulebookError(
                        str(path),
                        "this is not the name of a rule file",
                        "name it CODE-name.yaml, for example ROT06-same-group-twice.yaml",
                    )
                )
    names: dict[str, Rule] = {}
    for rule, _ in laid.values():
        other = names.setdefault(rule.name, rule)
        if other is not rule:
            errors.append(
                RulebookError(
                    rule.place,
                    f"the name '{rule.name}' belongs to {other.code} as well",
                    "give one of the two rules another name",
                )
            )
    return list(laid.values()), tuple(errors)


def read_rule(
    source: Path | str, *, name: str, kinds: Mapping[str, FactKind], bibliography: Collection[str] | None
) -> Found:
    """One rule file (a path, or its text) as a rule with its examples.

    Args:
        bibliography: the known source keys; None leaves them unchecked.

    Raises:
        RulebookError: something in the file is wrong.
        InputError: it cannot be read, or is not YAML as the planner reads it.
    """
    return _Reader(yamlio.read(source, name=name), kinds, bibliography).rule()


def _check_home(rule: Rule, path: Path, folder: Path) -> None:
    if path.name != f"{rule.code}-{rule.name}.yaml":
        raise RulebookError(
            rule.place,
            f"the file holds rule {rule.code} {rule.name} but is called {path.name}",
            f"name it {rule.code}-{rule.name}.yaml",
        )
    if path.parent != folder and path.parent.name != rule.family:
        raise RulebookError(
            rule.place,
            f"a rule of family {rule.family} stands in folder {path.parent.name}",
            f"move it to {rule.family}/",
        )


class _Reader:
    """One rule file while it is read."""

    def __init__(
        self, document: Document, kinds: Mapping[str, FactKind], bibliography: Collection[str] | None
    ) -> None:
        self.document = document
        self.kinds = kinds
        self.bibliography = bibliography
        self.parameters: dict[str, Parameter] = {}
        self.used: set[str] = set()

    def fail(self, path: Path_, problem: str, cure: str = "") -> NoReturn:
        raise RulebookError(self.document.place(path), problem, cure)

    # --- pieces ---------------------------------------------------------------------------------------------

    def mapping(
        self, value: Any, path: Path_, what: str, known: Sequence[str], needed: Sequence[str] = ()
    ) -> dict[str, Any]:
        if not isinstance(value, dict):
            self.fail(path, f"{what} must be a mapping", f"write the keys {', '.join(needed or known[:3])}")
        for key in value:
            if key not in known:
                self.fail((*path, key), f"unknown key '{key}' in {what}", self.guess(key, known))
        for key in needed:
            if key not in value:
                self.fail(path, f"{what} has no '{key}'", f"add '{key}:'")
        return value

    def sequence(self, value: Any, path: Path_, what: str) -> list[Any]:
        if not isinstance(value, list):
            self.fail(path, f"{what} must be a list", "write entries that begin with '- ', or [a, b]")
        return value

    def text(self, value: Any, path: Path_, what: str, *, empty: bool = False) -> str:
        if not isinstance(value, str):
            self.fail(path, f"{what} must be text", "put quotes around it")
        text = " ".join(value.split())
        if not text and not empty:
            self.fail(path, f"{what} is empty", "write it")
        return text

    def flag(self, data: Mapping[str, Any], key: str) -> bool:
        value = data.get(key, False)
        if not isinstance(value, bool):
            self.fail((key,), f"{key} must be true or false", f"write '{key}: true' or leave it out")
        return value

    def choice(self, value: Any, path: Path_, what: str, known: Sequence[Word]) -> Word:
        for word in known:
            if word == value:
                return word
        return self.fail(path, f"unknown {what} '{value}'", self.guess(str(value), known))

    def guess(self, word: str, known: Collection[str]) -> str:
        hits = nearest(word, known)
        if hits:
            return f"did you mean {' or '.join(hits)}?"
        shown = sorted(known)
        return (
            "known are " + ", ".join(shown[:12]) + (" ..." if len(shown) > 12 else "")
            if shown
            else "there is none"
        )

    # --- the whole ------------------------------------------------------------------------------------------

    def rule(self) -> Found:
        data = self.mapping(self.document.data, (), "a rule", (*_NEEDED, *_FREE), _NEEDED)
        code = self.text(data["rule"], ("rule",), "the rule's code")
        if not (
            len(code) == 5
            and code[:3].isascii()
            and code[:3].isalpha()
            and code[:3].isupper()
            and code[3:].isdigit()
        ):
            self.fail(
                ("rule",),
                f"'{code}' is not a rule code",
                "write three capital letters and two digits, as in ROT06",
            )
        kind = self.kinds[self.choice(data["for"], ("for",), "kind of fact", tuple(self.kinds))]
        self.parameters = self.read_parameters(data.get("parameters", {}))
        clash = set(self.parameters) & {*kind.fields, *kind.shows, *COMMON_WORDS}
        if clash:
            word = min(clash)
            self.fail(
                ("parameters", word),
                f"the parameter '{word}' is also a field of {kind.name}",
                "call it otherwise",
            )
        words = (*kind.fields, *kind.shows, *COMMON_WORDS, *self.parameters)
        rule = Rule(
            code=code,
            name=self.text(data["name"], ("name",), "the rule's name"),
            family=self.choice(data["family"], ("family",), "family", FAMILIES),
            since=self.text(data["since"], ("since",), "since (a version)"),
            status=self.choice(data["status"], ("status",), "status", STATUSES),
            title=self.phrase(data["title"], ("title",), "title", tuple(self.parameters)),
            why=self.phrase(data["why"], ("why",), "why", tuple(self.parameters)),
            adviser=self.phrase(
                data.get("adviser", ""), ("adviser",), "adviser", tuple(self.parameters), empty=True
            ),
            remedy=self.phrase(data["remedy"], ("remedy",), "remedy", words),
            not_for=self.phrase(
                data.get("not_for", ""), ("not_for",), "not_for", tuple(self.parameters), empty=True
            ),
            sources=self.read_sources(data["sources"]),
            kind=kind.name,
            parameters=self.parameters,
            cases=self.read_cases(data, kind, words),
            unknown_when=self.read_unknown_when(data.get("unknown_when", []), kind),
            merge=self.flag(data, "merge"),
            message=self.phrase(data["message"], ("message",), "message", words),
            lasting=self.flag(data, "lasting"),
            decided_always=self.text(
                data.get("decided_always", ""), ("decided_always",), "decided_always", empty=True
            ),
            place=self.document.place(("rule",)),
        )
        for name in self.parameters:
            if name not in self.used:
                self.fail(
                    ("parameters", name),
                    f"the parameter '{name}' is never used",
                    f"write ${name} in a condition or {{{name}}} in a text, or remove it",
                )
        return rule, self.read_examples(data["examples"], rule)

    def phrase(self, value: Any, path: Path_, what: str, words: Sequence[str], *, empty: bool = False) -> str:
        """Text whose ``{placeholders}`` are all among ``words``."""
        text = self.text(value, path, what, empty=empty)
        for word in PLACEHOLDER.findall(text):
            if word not in words:
                self.fail(path, f"unknown placeholder '{{{word}}}' in {what}", self.guess(word, words))
            self.used.add(word)
        if any(brace in PLACEHOLDER.sub("", text) for brace in "{}"):
            self.fail(
                path, f"a lone brace in {what}", "braces stand only around a placeholder, as in {first}"
            )
        return text

    def read_sources(self, value: Any) -> tuple[RuleSource, ...]:
        sources = []
        for index, entry in enumerate(self.sequence(value, ("sources",), "sources")):
            path = ("sources", index)
            self.mapping(entry, path, "a source", ("key", "where"), ("key",))
            key = self.text(entry["key"], (*path, "key"), "the source's key")
            if self.bibliography is not None and key not in self.bibliography:
                self.fail((*path, "key"), f"unknown source '{key}'", self.guess(key, self.bibliography))
            where = self.text(entry.get("where", ""), (*path, "where"), "where", empty=True)
            sources.append(RuleSource(key=key, where=where))
        return tuple(sources)

    def read_parameters(self, value: Any) -> dict[str, Parameter]:
        if not isinstance(value, dict):
            self.fail(
                ("parameters",),
                "parameters must be a mapping",
                "write 'name: {value: ..., source: ..., grade: ...}'",
            )
        parameters: dict[str, Parameter] = {}
        for name, entry in value.items():
            path = ("parameters", name)
            self.mapping(
                entry,
                path,
                f"the parameter '{name}'",
                ("value", "unit", "source", "grade"),
                ("value", "source", "grade"),
            )
            if not isinstance(name, str) or not name.isidentifier():
                self.fail(path, f"'{name}' is not a parameter name", "write letters, digits and '_'")
            given = entry["value"]
            if isinstance(given, bool) or not isinstance(given, int | str):
                self.fail(
                    (*path, "value"),
                    f"the value of '{name}' must be a whole number or text",
                    "use a smaller unit, for example per mille instead of a fraction",
                )
            source = self.text(entry["source"], (*path, "source"), "the parameter's source")
            if (
                self.bibliography is not None
                and source not in self.bibliography
                and source != "common practice"
            ):
                self.fail(
                    (*path, "source"),
                    f"unknown source '{source}'",
                    self.guess(source, [*self.bibliography, "common practice"]),
                )
            grade = self.choice(entry["grade"], (*path, "grade"), "grade", _GRADES)
            unit = self.text(entry.get("unit", ""), (*path, "unit"), "unit", empty=True)
            parameters[name] = Parameter(value=given, unit=unit, source=source, grade=grade)
        return parameters

    def read_unknown_when(self, value: Any, kind: FactKind) -> tuple[str, ...]:
        fields = self.sequence(value, ("unknown_when",), "unknown_when")
        return tuple(self.field(field, ("unknown_when", index), kind) for index, field in enumerate(fields))

    def field(self, value: Any, path: Path_, kind: FactKind) -> str:
        if not isinstance(value, str) or value not in kind.fields:
            self.fail(
                path, f"the kind '{kind.name}' has no field '{value}'", self.guess(str(value), kind.fields)
            )
        return str(value)

    # --- cases and conditions -------------------------------------------------------------------------------

    def read_cases(self, data: Mapping[str, Any], kind: FactKind, words: Sequence[str]) -> tuple[Case, ...]:
        if "cases" in data:
            for key in ("severity", "when", "because"):
                if key in data:
                    self.fail((key,), f"'{key}' stands beside 'cases'", "put it into a case")
            entries: list[tuple[Any, Path_]] = [
                (entry, ("cases", index))
                for index, entry in enumerate(self.sequence(data["cases"], ("cases",), "cases"))
            ]
        else:
            entry = {key: data[key] for key in ("severity", "when", "because") if key in data}
            entries = [(entry, ())]
        if not entries:
            self.fail(("cases",), "the rule has no case", "write at least one, with severity and when")
        given = tuple(
            self.condition(condition, ("given", index), kind)
            for index, condition in enumerate(self.sequence(data.get("given", []), ("given",), "given"))
        )
        cases: list[Case] = []
        for entry, path in entries:
            self.mapping(entry, path, "a case", ("severity", "when", "because"), ("severity", "when"))
            severity: Severity = self.choice(entry["severity"], (*path, "severity"), "severity", SEVERITIES)
            conditions = given + tuple(
                self.condition(condition, (*path, "when", index), kind)
                for index, condition in enumerate(self.sequence(entry["when"], (*path, "when"), "when"))
            )
            because = self.phrase(entry.get("because", ""), (*path, "because"), "because", words, empty=True)
            case = Case(severity=severity, when=conditions, because=because)
            for number, earlier in enumerate(cases, start=1):
                if set(earlier.when) <= set(case.when):
                    self.fail(
                        path,
                        f"case {len(cases) + 1} can never decide: case {number} holds whenever it does",
                        "put the narrower case first",
                    )
            cases.append(case)
        return tuple(cases)

    def condition(self, entry: Any, path: Path_, kind: FactKind) -> Condition:
        self.mapping(entry, path, "a condition", ("field", *OPERATORS), ("field",))
        field = self.field(entry["field"], (*path, "field"), kind)
        operators: list[Operator] = [operator for operator in OPERATORS if operator in entry]
        if len(operators) != 1:
            problem = "more than one operator" if operators else "no operator"
            self.fail(path, f"a condition with {problem}", f"write exactly one of {', '.join(OPERATORS)}")
        operator = operators[0]
        type_ = kind.fields[field]
        here = (*path, operator)
        if operator in ORDERED and type_ != "int":
            self.fail(
                here, f"'{operator}' needs a number, and '{field}' is {_SAY[type_]}", f"use {_USE[type_]}"
            )
        if operator == "one_of" and type_ == "flag":
            self.fail(here, f"'one_of' makes no sense for the flag '{field}'", "use is or not")
        right = entry[operator]
        if operator == "one_of":
            listed = self.sequence(right, here, "one_of")
            values = tuple(
                self.constant(value, (*here, index), field, type_) for index, value in enumerate(listed)
            )
            if not values or len(set(values)) != len(values):
                self.fail(here, "one_of needs a list of different values", "remove what stands twice")
            return Condition(field=field, operator=operator, values=values)
        if isinstance(right, dict):
            return self.comparison(field, operator, right, here, kind)
        return Condition(field=field, operator=operator, values=(self.constant(right, here, field, type_),))

    def comparison(
        self, field: str, operator: Operator, right: Any, path: Path_, kind: FactKind
    ) -> Condition:
        self.mapping(right, path, "the right side", ("field", "plus", "times"), ("field",))
        other = self.field(right["field"], (*path, "field"), kind)
        type_, other_type = kind.fields[field], kind.fields[other]
        if other == field:
            self.fail((*path, "field"), f"'{field}' is compared with itself", "name another field")
        if type_ != other_type:
            self.fail(
                (*path, "field"),
                f"'{field}' is {_SAY[type_]} and '{other}' is {_SAY[other_type]}",
                "compare fields of one type",
            )
        for key in ("plus", "times"):
            if key in right and type_ != "int":
                self.fail(
                    (*path, key), f"'{key}' needs numbers, and '{field}' is {_SAY[type_]}", f"remove '{key}'"
                )
        times = self.number(right.get("times", 1), (*path, "times"), MOST_TIMES)
        plus = self.number(right.get("plus", 0), (*path, "plus"), MOST)
        return Condition(field=field, operator=operator, other=other, times=times, plus=plus)

    def constant(self, value: Any, path: Path_, field: str, type_: str) -> int | str:
        value = self.resolved(value, path)
        if type_ == "text":
            if not isinstance(value, str):
                self.fail(path, f"'{field}' is text and {_say(value)} is not", "put quotes around it")
            return value
        if type_ == "flag":
            if not (isinstance(value, bool) or (isinstance(value, int) and value in (0, 1))):
                self.fail(path, f"'{field}' is a flag and {_say(value)} is not", "write true or false")
            return int(value)
        return self.number(value, path, MOST)

    def number(self, value: Any, path: Path_, most: int) -> int:
        value = self.resolved(value, path)
        if isinstance(value, bool) or not isinstance(value, int):
            self.fail(
                path,
                f"a whole number is needed, not {_say(value)}",
                "use a smaller unit instead of a fraction",
            )
        if abs(value) > most:
            self.fail(path, f"{value} is too large", f"numbers here go up to {most}")
        return value

    def resolved(self, value: Any, path: Path_) -> Any:
        """``value``, or the parameter's value for ``$name``."""
        if not (isinstance(value, str) and value.startswith("$")):
            return value
        name = value[1:]
        if name not in self.parameters:
            self.fail(path, f"unknown parameter '{value}'", self.guess(name, self.parameters))
        self.used.add(name)
        return self.parameters[name].value

    # --- examples -------------------------------------------------------------------------------------------

    def read_examples(self, value: Any, rule: Rule) -> tuple[Example, ...]:
        examples: list[Example] = []
        for index, entry in enumerate(self.sequence(value, ("examples",), "examples")):
            path: Path_ = ("examples", index)
            self.mapping(entry, path, "an example", _EXAMPLE_KEYS, ("name", "kind", "passes"))
            name = self.text(entry["name"], (*path, "name"), "the example's name")
            if any(name == other.name for other in examples):
                self.fail((*path, "name"), f"two examples are called '{name}'", "give each a name of its own")
            kind = self.choice(entry["kind"], (*path, "kind"), "kind of example", EXAMPLE_KINDS)
            for number, one in enumerate(self.sequence(entry["passes"], (*path, "passes"), "passes")):
                self.mapping(one, (*path, "passes", number), "a pass of an example", _PASS_KEYS)
                if ("use" in one) == ("tank" in one):
                    self.fail(
                        (*path, "passes", number),
                        "a pass needs either 'use' or 'tank'",
                        "write use: [active, ...], or tank: as in a programme",
                    )
            finds = self.sequence(entry.get("finds", []), (*path, "finds"), "finds")
            for number, find in enumerate(finds):
                if not isinstance(find, dict) or "passes" not in find:
                    self.fail(
                        (*path, "finds", number),
                        "a finding of an example has no passes",
                        "write {passes: [1, 2], severity: ...}",
                    )
                if "severity" in find:
                    self.choice(
                        find["severity"], (*path, "finds", number, "severity"), "severity", SEVERITIES
                    )
            not_assessed = entry.get("not_assessed", False)
            if not isinstance(not_assessed, bool):
                self.fail(
                    (*path, "not_assessed"),
                    "not_assessed must be true or false",
                    "write true or leave it out",
                )
            if kind == "firing" and not finds:
                self.fail(path, "a firing example finds nothing", "write what it finds, or call it quiet")
            if kind == "quiet" and (finds or not_assessed):
                self.fail(path, "a quiet example finds something", "call it firing, boundary or unknown")
            if kind == "unknown" and not not_assessed:
                self.fail(path, "an unknown example must be 'not assessed'", "write not_assessed: true")
            rest = {key: one for key, one in entry.items() if key not in ("name", "kind")}
            examples.append(
                Example(
                    rule=rule.code,
                    name=name,
                    kind=kind,
                    data=rest,
                    place=self.document.place(path),
                )
            )
        there = {example.kind for example in examples}
        for needed in EXAMPLE_KINDS:
            if needed in there:
                continue
            if needed == "unknown":
                if rule.decided_always and not rule.unknown_when:
                    continue
                cure = (
                    "add one"
                    if rule.unknown_when
                    else "add one, or say in 'decided_always:' why nothing it reads can be unknown"
                )
                self.fail(("examples",), "there is no unknown example", cure)
            self.fail(("examples",), f"there is no {needed} example", f"add one with kind: {needed}")
        if rule.decided_always and rule.unknown_when:
            self.fail(
                ("decided_always",), "'decided_always' stands beside 'unknown_when'", "keep one of the two"
            )
        return tuple(examples)


_SAY = {"text": "text", "int": "a number", "flag": "a flag"}
_USE = {"text": "is, not or one_of", "flag": "is or not"}


def _say(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list | dict):
        return "a list" if isinstance(value, list) else "a mapping"
    return "nothing" if value is None else f"'{value}'"
