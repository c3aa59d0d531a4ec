"""Rules and catalogue entries as tables that read at 80 and at 120 columns."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

from planner.model import LimitKind
from planner.render import words
from planner.render.paper import Paper, Part

if TYPE_CHECKING:
    from rich.text import Text

    from planner.rulebook import Example, Rule


def rules(found: Sequence[Rule], kinds: Sequence[LimitKind], width: int, *, whole: bool = True) -> list[Text]:
    """Every rule by family, with the published rows that feed it; then the kinds that nothing checks."""
    paper = Paper(width)
    family = ""
    for rule in found:
        if rule.family != family:
            family = rule.family
            paper.heading(family)
        severities = words.joined(dict.fromkeys(case.severity for case in rule.cases), "or")
        status = "" if rule.status == "stable" else f", {rule.status}"
        paper.line((f"{rule.code} {rule.name}", "head"), (f"  {severities}{status}", "quiet"), indent=2, hang=8)
        paper.line(rule.words(rule.title).strip(), indent=8)
        fed = [kind.kind for kind in kinds if rule.code in (*kind.rules, *kind.fact_for)]
        if fed:
            paper.line((f"fed by {words.joined(fed)}", "quiet"), indent=8)
    carried = [kind for kind in kinds if kind.carried]
    if whole and carried:
        paper.heading("published rows that are carried and shown, not checked")
        for kind in carried:
            paper.line((f"{kind.kind}  ", "quiet"), kind.means, indent=2, hang=8)
    paper.blank()
    paper.line(f"{words.count(len(found), 'rule')}   ", ("one in full: ", "quiet"), "planner explain CODE")
    return paper.lines


def table(title: str, header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """The same rows as a table of Markdown."""
    from planner.render.markdown import escape

    lines = [f"# {escape(title)}", "", "| " + " | ".join(header) + " |", "|" + "---|" * len(header)]
    lines += ["| " + " | ".join(escape(cell or "-") for cell in row) + " |" for row in rows]
    return "\n".join([*lines, ""])


def rule_table(found: Sequence[Rule]) -> str:
    """Every rule as a row of a Markdown table."""
    rows = [
        (
            rule.code,
            rule.name,
            " ".join(rule.words(rule.title).split()),
            words.joined(dict.fromkeys(case.severity for case in rule.cases), "or"),
        )
        for rule in found
    ]
    return table("Rules", ("code", "name", "finds", "severity"), rows)


def rules_checked(found: Sequence[Rule], examples: Sequence[Example], problems: int, width: int) -> list[Text]:
    """One line of counts."""
    paper = Paper(width)
    kinds = Counter(example.kind for example in examples)
    by_kind = ", ".join(f"{number} {kind}" for kind, number in sorted(kinds.items()))
    if problems:
        paper.line((f"{words.count(problems, 'rule file needs', 'rule files need')} a change", "breach"))
    paper.line(f"{words.count(len(found), 'rule')} in order" + (f"; examples: {by_kind}" if by_kind else ""))
    return paper.lines


def entries(title: str, header: Sequence[str], rows: Sequence[Sequence[str]], width: int) -> list[Text]:
    """One table with a count below it."""
    paper = Paper(width)
    shown: list[list[Part]] = [[cell or "-" for cell in row] for row in rows]
    paper.table(header, shown, indent=0)
    paper.blank()
    paper.line(
        (f"{words.count(len(rows), *_forms(title))}   ", "quiet"),
        ("one of them in full: " if title != "kind" else "the entries of one: ", "quiet"),
        "planner explain NAME" if title != "kind" else "planner catalog list KIND",
    )
    return paper.lines


def _forms(title: str) -> tuple[str, str]:
    return title, title[:-1] + "ies" if title.endswith("y") else title + "s"


def checked(
    counts: Mapping[str, int], grades: Mapping[str, Mapping[str, int]], problems: Iterable[object], width: int
) -> list[Text]:
    """What the catalogue holds, on what it rests, and how many problems were found."""
    paper = Paper(width)
    found = list(problems)
    if found:
        paper.line((f"{words.count(len(found), 'place needs', 'places need')} a change", "breach"))
        paper.blank()
    else:
        paper.line(("the catalogue is in order", "good"))
        paper.blank()
    columns = [grade for grade in _GRADES if any(of.get(grade) for of in grades.values())]
    rows: list[list[Part]] = []
    for name, number in counts.items():
        of = grades.get(name, {})
        rows.append([name, str(number), *(str(of.get(grade, 0)) for grade in columns), ""])
    paper.table(("entries", "all", *columns, ""), rows, right=tuple(range(1, len(columns) + 2)))
    return paper.lines


_GRADES = ("read", "trial", "recalled", "practice", "our reading", "demo", "unknown")
