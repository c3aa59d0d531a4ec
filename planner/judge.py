"""From matches to findings: which case decides, how severe, in which words, and what was undecided.

The engine tells which cases hold; this module reads the answer as contract sections 3 and 5 say: the first
case that fits decides; a finding is never more severe than its evidence allows; one cause is one finding;
what hangs on an unknown fact is "not assessed" with the fact to supply, never silence.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from planner import engine
from planner.facts.kinds import Fact, FactKind, Shown, Telling
from planner.facts.make import listed
from planner.model import SEVERITIES, Finding, NotAssessed, Severity
from planner.rulebook import Rule, Rulebook

_NONE: Mapping[str, tuple[str, ...]] = {}


def judge(
    rulebook: Rulebook,
    facts: Sequence[Fact],
    *,
    backend: engine.Backend = "auto",
    kinds: Mapping[str, FactKind] | None = None,
) -> tuple[list[Finding], list[NotAssessed]]:
    """Findings in season order (first pass, severity, code) and what was not assessed (in rule order).

    Raises:
        EngineError: as ``engine.run``.
    """
    drafts: list[_Draft] = []
    lacking: dict[tuple[str, str], set[int]] = {}
    for fact, decided in zip(facts, engine.decide(rulebook, facts, backend=backend, kinds=kinds), strict=True):
        undecided = rulebook.undecided(fact.kind, fact.values) if None in fact.values.values() else _NONE
        for code, fields in undecided.items():
            for field in fields:
                reason = fact.unknown.get(field) or f"the {field.replace('_', ' ')} is not known"
                lacking.setdefault((code, reason), set()).update(fact.passes)
        for code, case in decided.items():
            if code not in undecided:
                rule = rulebook.by_code[code]
                told = fact.told
                severity, capped = allowed(rule.cases[case].severity, told)
                drafts.append(_Draft(rule, case, fact, told, severity, capped))
    findings = [_finding(group, beside) for group, beside in _folded(_merged(drafts))]
    findings.sort(key=_season_order)
    order = rulebook.order
    not_assessed = [
        NotAssessed(rule=code, passes=tuple(sorted(passes)), reason=reason)
        for (code, reason), passes in lacking.items()
    ]
    not_assessed.sort(key=lambda entry: (order[entry.rule], entry.passes, entry.reason))
    return findings, not_assessed


def allowed(severity: Severity, fact: Telling) -> tuple[Severity, str | None]:
    """The severity that the evidence behind a fact allows, and in words what lowered it.

    >>> recalled = Telling(cap="caution", cap_reason="recalled")
    >>> allowed("breach", recalled)
    ('caution', 'recalled')
    """
    if fact.cap == "breach" and fact.lower <= 0:
        return severity, None
    reasons = []
    level = SEVERITIES.index(severity)
    lowest = len(SEVERITIES) - 1
    if fact.lower > 0 and level < lowest:
        level = min(level + fact.lower, lowest)
        reasons.append(fact.lower_reason)
    cap = SEVERITIES.index(fact.cap)
    if cap > level:
        level = cap
        reasons.append(fact.cap_reason)
    text = "; ".join(dict.fromkeys(reason for reason in reasons if reason))
    return SEVERITIES[level], (text or "the evidence behind it") if reasons else None


def say_passes(passes: Sequence[int]) -> str:
    """``pass 2``, ``passes 1 and 2``, ``passes 1, 2 and 4``.

    >>> say_passes((1, 2, 4))
    'passes 1, 2 and 4'
    """
    if not passes:
        return "no pass"
    words = [str(number) for number in passes]
    if len(words) == 1:
        return f"pass {words[0]}"
    return f"passes {', '.join(words[:-1])} and {words[-1]}"


class _Draft(NamedTuple):
    rule: Rule
    case: int
    fact: Fact
    told: Telling
    severity: Severity
    capped: str | None


def _merged(drafts: Iterable[_Draft]) -> list[list[_Draft]]:
    """Drafts that are one finding together: same rule, subject and severity, where the rule merges."""
    groups: dict[tuple[Any, ...], list[_Draft]] = {}
    for index, draft in enumerate(drafts):
        subject = draft.told.subject if draft.rule.merge else ""
        key = (draft.rule.code, subject, draft.severity) if subject else (draft.rule.code, index)
        groups.setdefault(key, []).append(draft)
    return list(groups.values())


def _folded(groups: list[list[_Draft]]) -> list[tuple[list[_Draft], list[_Draft]]]:
    """Each finding's drafts, with those of milder ones that say the same of its passes: they only lend their sources.

    Two published rows may ask for one thing, the second on weaker evidence: that is one cause and one finding.
    """
    whole: list[tuple[list[_Draft], list[_Draft]]] = []
    for group in sorted(groups, key=lambda drafts: SEVERITIES.index(drafts[0].severity)):
        rule = group[0].rule
        firmer = [one for one in whole if one[0][0].rule is rule] if rule.merge else []
        left: list[_Draft] = []
        for draft in group:
            beside = next((lent for firm, lent in firmer if _says(firm, draft)), left)
            beside.append(draft)
        if left:
            whole.append((left, []))
    return whole


def _says(firmer: list[_Draft], draft: _Draft) -> bool:
    """Whether a firmer finding of the rule speaks of the same group, pass and diseases (naming none is naming all)."""
    if firmer[0].severity == draft.severity:
        return False
    group = draft.told.evidence.get("group")
    return group is not None and any(
        one.told.evidence.get("group") == group
        and set(draft.fact.passes) <= set(one.fact.passes)
        and (not _diseases(one) or _diseases(one) >= _diseases(draft))
        for one in firmer
    )


def _diseases(draft: _Draft) -> set[str]:
    evidence = draft.told.evidence
    told = evidence.get("targets", evidence.get("target", ()))
    return {told} if isinstance(told, str) else set(told)


def _finding(group: Sequence[_Draft], beside: Sequence[_Draft]) -> Finding:
    rule = group[0].rule
    passes = _passes(group)
    say = _Words(group, passes).say
    message, because = rule.texts.message.fill(say), _because(rule, group, say)
    told = [draft.told for draft in (*group, *beside)]
    sources, where = _sources(rule, told)
    return Finding(
        rule=rule.code,
        name=rule.name,
        severity=group[0].severity,
        passes=passes,
        message=f"{message}; {because}" if because else message,
        why=rule.reason,
        remedy=rule.texts.remedy.fill(say),
        sources=sources,
        evidence=_evidence(group, rule.reads),
        capped=_capped(group),
        place=_place(told),
        where=where,
    )


# Most findings are of one fact, of one pass or two: the following begin with that.


def _passes(group: Sequence[_Draft]) -> tuple[int, ...]:
    first = group[0].fact.passes
    if len(group) == 1 and len(first) == 1:
        return first
    return tuple(sorted({number for draft in group for number in draft.fact.passes}))


def _because(rule: Rule, group: Sequence[_Draft], say: Callable[[str], str]) -> str:
    texts = rule.texts.because
    if len(group) == 1:
        return texts[group[0].case].fill(say)
    reasons = [texts[case].fill(say) for case in dict.fromkeys([draft.case for draft in group])]
    return "; ".join(dict.fromkeys([reason for reason in reasons if reason]))


def _capped(group: Sequence[_Draft]) -> str | None:
    """What lowered the severity; None where one of the facts carries it without help."""
    if len(group) == 1:
        return group[0].capped
    reasons = [draft.capped for draft in group]
    return None if None in reasons else "; ".join(dict.fromkeys([reason for reason in reasons if reason]))


def _place(told: Iterable[Telling]) -> str:
    for one in told:
        if one.place:
            return one.place
    return ""


def _sources(rule: Rule, told: Iterable[Telling]) -> tuple[tuple[str, ...], dict[str, str]]:
    """Sources with the places in them. A published row or report speaks for itself; the rule's own stand where no fact
    names one."""
    keys: dict[str, None] = {}
    where: dict[str, str] = {}
    for one in told:
        keys.update(dict.fromkeys(one.sources))
        where.update(one.where)
    if keys:
        return tuple(keys), where
    return rule.own_sources, dict(rule.own_places)


class _Words:
    """What placeholders stand for. Merged facts give each text once."""

    __slots__ = ("group", "passes")

    def __init__(self, group: Sequence[_Draft], passes: Sequence[int]) -> None:
        self.group, self.passes = group, passes

    def say(self, name: str) -> str:
        """The words for ``{name}``."""
        if name == "passes":
            return say_passes(self.passes)
        words = _shown(self.group[0], name)
        if len(self.group) > 1:
            found = [_shown(draft, name) for draft in self.group]
            if found.count(words) < len(found):
                words = _together(found)
        if isinstance(words, str):
            return words
        return listed(words) if words else f"{{{name}}}"


def _shown(draft: _Draft, name: str) -> Shown | None:
    """What one fact gives for ``{name}``: the words that are told of it, else its value."""
    words = draft.told.shows.get(name)
    if words is None and name in draft.fact.values:
        value = draft.fact.values[name]
        return "unknown" if value is None else str(value)
    return words


def _together(found: Iterable[Shown | None]) -> Shown:
    """Words of several facts: the items of all lists as one, or text beside text."""
    items: dict[str, None] = {}
    texts: dict[str, None] = {}
    for words in found:
        if isinstance(words, str):
            texts[words] = None
        elif words:
            items.update(dict.fromkeys(words))
    if items or not texts:
        return (*items, *texts)
    beside = " " if any(text.endswith(".") for text in texts) else ", "  # sentences follow each other
    return beside.join([text for text in texts if text])


def _evidence(group: Sequence[_Draft], reads: frozenset[str]) -> dict[str, Any]:
    """The numbers compared; where merged facts differ, the values in order.

    A fact may serve several rules: what is a field of it and not read by this one's conditions is left out.
    """
    if len(group) == 1:
        own = group[0].fact.values
        return {name: value for name, value in group[0].told.evidence.items() if name not in own or name in reads}
    evidence: dict[str, Any] = {}
    for name in dict.fromkeys([name for draft in group for name in draft.told.evidence]):
        values: list[Any] = []
        for draft in group:
            if name in draft.fact.values and name not in reads:
                continue
            told = draft.told.evidence
            if name in told and told[name] not in values:
                values.append(told[name])
        if values:
            evidence[name] = values[0] if len(values) == 1 else values
    return evidence


def _season_order(finding: Finding) -> tuple[int, int, str, tuple[int, ...], str]:
    first = finding.passes[0] if finding.passes else 1_000_000  # what belongs to no pass comes last
    return (first, SEVERITIES.index(finding.severity), finding.rule, finding.passes, finding.message)
