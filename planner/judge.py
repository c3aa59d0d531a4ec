"""From matches to findings: which case decides, how severe, in which words, and what was undecided.

The engine tells which cases hold; this module reads the answer as contract sections 3 and 5 say: the first
case that fits decides; a finding is never more severe than its evidence allows; one cause is one finding;
what hangs on an unknown fact is "not assessed" with the fact to supply, never silence.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from planner import engine
from planner.facts.kinds import Fact, FactKind, Telling
from planner.facts.make import listed
from planner.model import SEVERITIES, Finding, NotAssessed, Severity
from planner.rulebook import Rule, Rulebook, fill

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
                severity, capped = allowed(rule.cases[case].severity, fact.told)
                drafts.append(_Draft(rule, case, fact, severity, capped))
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
    severity: Severity
    capped: str | None


def _merged(drafts: Iterable[_Draft]) -> list[list[_Draft]]:
    """Drafts that are one finding together: same rule, subject and severity, where the rule merges."""
    groups: dict[tuple[Any, ...], list[_Draft]] = {}
    for index, draft in enumerate(drafts):
        subject = draft.fact.told.subject if draft.rule.merge else ""
        key = (draft.rule.code, subject, draft.severity) if subject else (draft.rule.code, index)
        groups.setdefault(key, []).append(draft)
    return list(groups.values())


def _folded(groups: list[list[_Draft]]) -> list[tuple[list[_Draft], list[_Draft]]]:
    """Each finding's drafts, with those of milder ones that say the same of its passes: they only lend their sources.

    Two published rows may ask for one thing, the second on weaker evidence: that is one cause and one finding.
    """
    whole: list[tuple[list[_Draft], list[_Draft]]] = []
    for group in sorted(groups, key=lambda drafts: SEVERITIES.index(drafts[0].severity)):
        left: list[_Draft] = []
        for draft in group:
            firmer = next((one for one in whole if draft.rule.merge and _says(one[0], draft)), None)
            (left if firmer is None else firmer[1]).append(draft)
        if left:
            whole.append((left, []))
    return whole


def _says(firmer: list[_Draft], draft: _Draft) -> bool:
    """Whether a firmer finding of the rule speaks of the same group, pass and diseases (naming none is naming all)."""
    if firmer[0].rule is not draft.rule or firmer[0].severity == draft.severity:
        return False
    group = draft.fact.told.evidence.get("group")
    return group is not None and any(
        one.fact.told.evidence.get("group") == group
        and set(draft.fact.passes) <= set(one.fact.passes)
        and (not _diseases(one) or _diseases(one) >= _diseases(draft))
        for one in firmer
    )


def _diseases(draft: _Draft) -> set[str]:
    evidence = draft.fact.told.evidence
    told = evidence.get("targets", evidence.get("target", ()))
    return {told} if isinstance(told, str) else set(told)


def _finding(group: Sequence[_Draft], beside: Sequence[_Draft]) -> Finding:
    rule = group[0].rule
    facts = [draft.fact for draft in group]
    told = [draft.fact.told for draft in (*group, *beside)]
    passes = tuple(sorted({number for fact in facts for number in fact.passes}))
    words = _Words(rule, facts, passes)
    message = fill(rule.message, words)
    reasons = dict.fromkeys(fill(rule.cases[draft.case].because, words) for draft in group)
    because = "; ".join(reason for reason in reasons if reason)
    # a published row or report speaks for itself; the rule's own sources stand where no fact names one
    own = [key for one in told for key in one.sources]
    keys = own or [source.key for source in rule.sources]
    where = {key: place for one in told for key, place in one.where.items()}
    if not own:
        where = {source.key: source.where for source in rule.sources if source.where}
    # a finding that one fact carries without help keeps its severity on that fact alone
    freely = any(draft.capped is None for draft in group)
    capped = None if freely else "; ".join(dict.fromkeys(draft.capped for draft in group if draft.capped))
    return Finding(
        rule=rule.code,
        name=rule.name,
        severity=group[0].severity,
        passes=passes,
        message=f"{message}; {because}" if because else message,
        why=rule.reason,
        remedy=fill(rule.remedy, words),
        sources=tuple(dict.fromkeys(keys)),
        evidence=_evidence(facts, rule.reads),
        capped=capped,
        place=next((one.place for one in told if one.place), ""),
        where=where,
    )


class _Words:
    """What placeholders stand for, worked out when a text asks. Merged facts give each text once."""

    __slots__ = ("facts", "known", "rule")

    def __init__(self, rule: Rule, facts: Sequence[Fact], passes: Sequence[int]) -> None:
        self.rule = rule
        self.facts = [(fact.told.shows, fact.values) for fact in facts]
        self.known = {"passes": say_passes(passes)}

    def get(self, name: str, otherwise: str) -> str:
        """The words for ``{name}``."""
        found = self.known.get(name)
        if found is None:
            found = self.known[name] = self._say(name, otherwise)
        return found

    def _say(self, name: str, otherwise: str) -> str:
        if name in self.rule.parameters:
            return self.rule.parameters[name].words
        texts: dict[str, None] = {}
        items: dict[str, None] = {}
        for shows, values in self.facts:
            words = shows.get(name)
            if isinstance(words, tuple):
                items.update(dict.fromkeys(words))
            elif words is not None:
                texts[words] = None
            elif name in values:
                value = values[name]
                texts["unknown" if value is None else str(value)] = None
        if items:
            return listed((*items, *texts))
        whole = " " if any(text.endswith(".") for text in texts) else ", "  # sentences follow each other
        return whole.join(text for text in texts if text) if texts else otherwise


def _evidence(facts: Sequence[Fact], reads: frozenset[str]) -> dict[str, Any]:
    """The numbers compared; where merged facts differ, the values in order.

    A fact may serve several rules: what is a field of it and not read by this one's conditions is left out.
    """
    if len(facts) == 1:
        own = facts[0].values
        return {name: value for name, value in facts[0].told.evidence.items() if name not in own or name in reads}
    evidence: dict[str, Any] = {}
    for name in dict.fromkeys(name for fact in facts for name in fact.told.evidence):
        values: list[Any] = []
        for fact in facts:
            if name in fact.values and name not in reads:
                continue
            told = fact.told.evidence
            if name in told and told[name] not in values:
                values.append(told[name])
        if values:
            evidence[name] = values[0] if len(values) == 1 else values
    return evidence


def _season_order(finding: Finding) -> tuple[int, int, str, tuple[int, ...], str]:
    first = finding.passes[0] if finding.passes else 1_000_000  # what belongs to no pass comes last
    return (first, SEVERITIES.index(finding.severity), finding.rule, finding.passes, finding.message)
