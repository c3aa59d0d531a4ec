"""A season as an answer-set programme: the drafter's optimum found by a solver of another family (test-only).

Solver: clingo 5.8 (Potassco, University of Potsdam), a general-purpose ASP system from the registry. The rules below
are written from the contract's words (section 5) over facts about single passes: labels, cover, succession read per
target, published limits that compete. They share no code with the drafter's constraints. They forbid only what is
sure to be a breach; whatever they let through is audited in full and taken out plan by plan, so the answer is the best
plan that the audit passes, or "impossible", or given up after ``MOST_CUTS`` plans or ``seconds`` of processor time.

The strategy ends: first the least bare days, then the least money at that many days, each by unsatisfiable cores
(``--opt-strategy=usc,oll``, stratified and disjoint), one thread. Money is divided by the greatest common divisor.

Run ``PYTHONPATH=. python tests/clingo_season.py --seasons 120`` for the count over many seasons; one line for each.
"""

from __future__ import annotations

import argparse
import itertools
import math
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).resolve().parents[1]), str(Path(__file__).resolve().parent)]

import clingo
import msgspec

from planner.account import TargetState
from planner.audit import audit
from planner.catalogue import Catalogue
from planner.draft.options import MONEY, PRESSURE_WEIGHT, Column, Space
from planner.model import Limit

MOST_CUTS = 60

RULES = """
{ x(C) : col(C,S) } 1 :- slot(S).
pass(S) :- x(C), col(C,S).
passes(N) :- N = #count { S : pass(S) }.
:- least(L), passes(N), N < L.
:- most_passes(M), passes(N), N > M.
:- budget(B), #sum { M,C : x(C), cost(C,M) } > B.

% --- labels
has(P,S) :- x(C), col(C,S), holds(C,P).
group(G,S) :- x(C), col(C,S), uses(C,G).
:- most(P,N), #count { S : has(P,S) } > N.
:- has(P,_), total(P,A,L), #sum { D,C : x(C), dose(C,A,D) } > L.
:- has(P,S), has(P,R), S < R, day(S,D), day(R,E), apart(P,N), E - D < N.
next(S,R) :- pass(S), pass(R), S < R, not pass(Q) : slot(Q), S < Q, Q < R.
run(G,S,1) :- group(G,S), not grown(G,S).
grown(G,R) :- next(S,R), group(G,S), group(G,R).
run(G,R,N+1) :- next(S,R), group(G,R), run(G,S,N).
part(P,G,S) :- has(P,S), group(G,S), of(P,G).
part(P,G,R) :- next(S,R), part(P,G,S), group(G,R).
:- part(P,G,S), row(P,K), run(G,S,N), N > K.

% --- succession, read per target. K: one group, or two joined groups of which each pass must hold one
mem(S,K,T) :- x(C), col(C,S), member(C,K), works(C,T).
rel(S,K,T) :- x(C), col(C,S), relief(C,K,T).
cut(S,R,K,T) :- mem(S,K,T), mem(R,K,T), S < Q, Q < R, mem(Q,K,T).
cut(S,R,K,T) :- mem(S,K,T), mem(R,K,T), S < Q, Q < R, rel(Q,K,T).
side(S,K,I) :- x(C), col(C,S), sided(C,K,I).
pair(S,R,K,T) :- mem(S,K,T), mem(R,K,T), S < R, not cut(S,R,K,T), side(S,K,1), side(R,K,2).
pair(S,R,K,T) :- mem(S,K,T), mem(R,K,T), S < R, not cut(S,R,K,T), side(S,K,2), side(R,K,1).
end(S,K,T,E) :- x(C), col(C,S), ends(C,K,T,E).
known(S,R,K) :- pair(S,R,K,T), end(S,K,T,_).
near(S,R,K) :- pair(S,R,K,T), end(S,K,T,E), day(R,D), D - E <= 14.
near(S,R,K) :- pair(S,R,K,_), not known(S,R,K).
guess(S,K,T) :- x(C), col(C,S), member(C,K), estimated(C,T).
soft(S,R,K) :- pair(S,R,K,T), guess(S,K,T).
soft(S,R,K) :- pair(S,R,K,T), guess(R,K,T).
soft(S,R,K) :- pair(S,R,K,T), runs(I,K,T), win(I).
either(S,R,K,high) :- near(S,R,K), x(C), col(C,S), high(C,K).
either(S,R,K,high) :- near(S,R,K), x(C), col(C,R), high(C,K).
either(S,R,K,lone) :- near(S,R,K), x(C), col(C,S), lone(C,K).
either(S,R,K,lone) :- near(S,R,K), x(C), col(C,R), lone(C,K).
either(S,R,K,firm) :- near(S,R,K), x(C), col(C,S), firm(C,K).
either(S,R,K,firm) :- near(S,R,K), x(C), col(C,R), firm(C,K).
:- near(S,R,K), not soft(S,R,K), either(S,R,K,high), either(S,R,K,lone), either(S,R,K,firm).

% --- published limits: one instance I for a row, a code and a target; rows of one bundle compete
cn(I,S) :- x(C), col(C,S), counted(I,C).
un(I,S) :- x(C), col(C,S), used(I,C).
n(I,N) :- dynamic(I), N = #count { S : cn(I,S) }.
u(I,N) :- dynamic(I), N = #count { S : un(I,S) }.
sort(I,V) :- x(C), tank(I,C,V).
present(K) :- x(C), code(C,K).
fail(I) :- needs_n(I,L,_), n(I,N), N < L.
fail(I) :- needs_n(I,_,M), n(I,N), N > M.
fail(I) :- needs_u(I,L,_), u(I,N), N < L.
fail(I) :- needs_u(I,_,M), u(I,N), N > M.
fail(I) :- needs_code(I,K), not present(K).
fail(I) :- wants(I,_), sort(I,unknown).
fail(I) :- wants(I,solo), not sort(I,solo).
fail(I) :- wants(I,solo), sort(I,mixed).
fail(I) :- wants(I,mixed), not sort(I,mixed).
fail(I) :- wants(I,mixed), sort(I,solo).
fail(I) :- wants(I,both), not sort(I,solo).
fail(I) :- wants(I,both), not sort(I,mixed).
hold(I) :- inst(I), not fail(I).
beaten(I) :- rank(I,B,R), rank(J,B,Q), Q < R, hold(J).
win(I) :- hold(I), not beaten(I), not doubtful(I).
:- win(I), limit(I,M), #count { S : x(C), col(C,S), counts(I,C) } > M.
several(I,N) :- share(I,_), N = #count { S : cn(I,S) }, N >= 3.
:- win(I), share(I,V), several(I,N), allowed(V,N,M), #count { S : x(C), col(C,S), counts(I,C) } > M.
follows(I,S,R) :- runner(I), cn(I,S), cn(I,R), S < R, not cn(I,Q) : slot(Q), S < Q, Q < R.
inrun(I,H,S) :- x(C), col(C,S), runs_in(I,H,C).
length(I,H,S,1) :- inrun(I,H,S).
length(I,H,R,N+1) :- follows(I,S,R), inrun(I,H,R), length(I,H,S,N).
:- win(I), longest(I,M), length(I,_,_,N), N > M.
:- win(I), interval(I,M), follows(I,S,R), begins(I,S), day(S,D), day(R,E), E - D > M.
begins(I,S) :- x(C), col(C,S), first(I,C).
weak(I) :- x(C), loose(I,C).
:- win(I), single(I), not weak(I), #count { S : x(C), col(C,S), counts(I,C) } > 1.

% --- figures
covered(T,I) :- x(C), covers(C,T,I).
#show x/1.
"""
BARE = "#minimize { W,T,I : piece(T,I,W), not covered(T,I) }."
COST = "#minimize { M,C : x(C), cost(C,M) }."
AT_MOST = ":- #sum { W,T,I : piece(T,I,W), not covered(T,I) } > BEST."


@dataclass(frozen=True)
class Told:
    """What clingo says of a season. ``figures``: bare days and money of the best plan; None: impossible."""

    figures: tuple[int, int] | None
    cuts: int
    given_up: bool = False


class Season:
    """Facts and the search for one season."""

    def __init__(self, space: Space, passes: tuple[int, int] | None = None, budget: float | None = None) -> None:
        self.space = space
        self.account = space.account
        self.columns = [column for column in space.columns if not column.barred]
        self.unit = math.gcd(*[column.cost for column in self.columns]) or 1 if self.columns else 1
        self.codes = {k: at for at, k in enumerate(sorted({k for c in self.columns for k in c.uses.codes}))}
        lines = [*self._labels(), *self._succession(), *self._limits()]
        if passes is not None:
            lines += [f"least({passes[0]}).", f"most_passes({passes[1]})."]
        if budget is not None:
            lines.append(f"budget({round(budget * MONEY) // self.unit}).")
        self.text = RULES + "\n".join(lines)

    # --- facts ------------------------------------------------------------------------------------------------------

    def _labels(self) -> Iterator[str]:
        space = self.space
        names = {product.name: at for at, product in enumerate(space.products)}
        groups = {g: at for at, g in enumerate(sorted({g for c in self.columns for g in c.uses.by_group}))}
        actives = {a: at for at, a in enumerate(sorted({a for product in space.products for a in product.actives}))}
        for slot in space.slots:
            yield f"slot({slot.index}). day({slot.index},{slot.day})."
        for column in self.columns:
            number = column.number
            yield f"col({number},{column.slot}). cost({number},{column.cost // self.unit})."
            yield from (f"uses({number},{groups[group]})." for group in column.uses.by_group)
            yield from (f"code({number},{self.codes[code]})." for code in column.uses.codes)
            for item in column.entry.tank:
                product = next(one for one in space.products if one.name == item.product)
                yield f"holds({number},{names[product.name]})."
                for active, content in product.actives.items():
                    yield f"dose({number},{actives[active]},{round(item.rate * content * 1000)})."
        for product in space.products:
            label, at = product.labels[space.crop.id], names[product.name]
            if label.applications is not None:
                yield f"most({at},{label.applications})."
            if label.interval is not None:
                yield f"apart({at},{label.interval})."
            if label.consecutive is not None:
                yield f"row({at},{label.consecutive})."
            yield from (f"total({at},{actives[a]},{round(most * 1000)})." for a, most in label.active_total.items())
            own = {space.catalogue.active(active).group for active in product.actives}
            yield from (f"of({at},{groups[group]})." for group in own if group in groups)
        for index, target in enumerate(self.account.targets):
            yield from (f"works({c.number},{index})." for c in self.columns if self.account.works(c.uses, target))
            yield from (
                f"estimated({c.number},{index})." for c in self.columns if self.account.meets(c.uses, target).estimated
            )
            first, last = target.window.first, target.window.last
            spans = [(span, column.number) for column in self.columns for span in column.spans.get(target.id, ())]
            edges = {first, last + 1} | {e for (a, b), _ in spans for e in (a, b + 1) if first < e <= last}
            for start, stop in itertools.pairwise(sorted(edges)):
                yield f"piece({index},{start},{PRESSURE_WEIGHT[target.entry.pressure] * (stop - start)})."
                yield from (f"covers({number},{index},{start})." for (a, b), number in spans if a <= start <= b)

    def _succession(self) -> Iterator[str]:
        account = self.account
        groups = sorted({group for c in self.columns for group in c.uses.by_group})
        self.bundles = {
            pair: at
            for at, pair in enumerate(
                (one, other)
                for one, other in itertools.combinations_with_replacement(groups, 2)
                if one == other or account.joined(one, other, "succession")
            )
        }
        for (one, other), at in self.bundles.items():
            for column in self.columns:
                state, number = column.uses, column.number
                held = [group for group in dict.fromkeys((one, other)) if group in state.by_group]
                if held:
                    yield f"member({number},{at})."
                    yield from (f"sided({number},{at},{side})." for side, g in ((1, one), (2, other)) if g in held)
                    uses = [use for group in held for use in state.by_group[group]]
                    answers = [account.alone(state, group) for group in held]
                    if account.risk(uses) == "high" and account.at_risk(uses):
                        yield f"high({number},{at})."
                    if any(every for _, every, _ in answers):
                        yield f"lone({number},{at})."
                    if any(some and cap.severity == "breach" and not cap.lower for some, _, cap in answers):
                        yield f"firm({number},{at})."
                    for index, target in enumerate(account.targets):
                        found = [account.cover_end(use, state, target) for use in uses]
                        ends = [end for end in found if end is not None]
                        if ends:
                            yield f"ends({number},{at},{index},{max(ends)})."
                    continue
                for index, target in enumerate(account.targets):
                    if account.works(state, target) and any(
                        account.effect(use, target).value and not account.joined(use.group, other, "mixing")
                        for use in account.others(state, one)
                    ):
                        yield f"relief({number},{at},{index})."

    # --- published limits -------------------------------------------------------------------------------------------

    def _limits(self) -> Iterator[str]:
        published = self.account.published
        self.instances = 0
        bundles: dict[tuple[Any, ...], int] = {}
        for slots in range(len(self.space.slots) + 1):
            for value in sorted({float(row.value) for row, _ in published.of_kind("max_share_of_total")}):
                yield f"allowed({round(value * 1000)},{slots},{max(1, math.floor(slots * value + 1e-9))})."
        kinds = (
            "max_applications",
            "no_repeated_solo_use",
            "max_share_of_total",
            "max_consecutive",
            "max_interval_days",
        )
        for kind in kinds:
            for code in self.codes:
                for index, target in enumerate(self.account.targets):
                    rows = [
                        (row, regional)
                        for row, regional in published.of_kind(kind)
                        if published.names_code(row, code) and published.names_target(row, target)
                    ]
                    for row, regional in rows:
                        beside = regional or row.combine == "stricter"
                        key = (kind, code, index, row.id) if beside else (kind, code, index, row.counted, row.actives)
                        bundle = bundles.setdefault(key, len(bundles))
                        rivals = [one for one, flag in rows if not (flag or one.combine == "stricter")]
                        order = sorted(rivals, key=lambda one: published.order(one, code))
                        place = 0 if beside else order.index(row)
                        yield from self._instance(row, regional, code, index, target, bundle, place)

    def _instance(
        self, row: Limit, regional: bool, code: str, index: int, target: TargetState, bundle: int, place: int
    ) -> Iterator[str]:
        published, account = self.account.published, self.account
        static = {key: value for key, value in row.needs.items() if key != "codes_in_season"}
        asked = msgspec.structs.replace(row, needs=static)
        holds, _ = published.needs_hold(asked, code, target) if static else (True, "")
        doubtful = "report" in static and not self._one_standing(code, target)
        if not holds and not doubtful:
            return
        at = self.instances
        self.instances += 1
        yield f"inst({at}). rank({at},{bundle},{place})."
        cap = published.cap(row, regional)
        per_target = bool(row.targets) or bool({"pathogen_risk", "pressure", "variety", "report"} & set(row.needs))
        subject = target if per_target else None
        scope = target if row.targets else None
        counted = [c for c in self.columns if scope is None or account.works(c.uses, scope)]
        if row.counted == "together":
            used = [c for c in counted if any(use.code in row.codes for use in c.uses.uses)]
        else:
            used = [c for c in counted if code in c.uses.codes]
        yield from (f"counted({at},{c.number})." for c in counted)
        yield from (f"used({at},{c.number})." for c in used)
        yield from self._conditions(row, at, code, target, used)
        if row.kind == "max_consecutive" and row.counted != "same_product" and not doubtful:
            pair = self.bundles.get((f"FRAC {code}", f"FRAC {code}"))
            if pair is not None:
                yield f"runs({at},{pair},{index})."  # what a run limit says stands before the rule of succession
        if doubtful or cap.severity != "breach" or cap.lower:
            if doubtful:
                yield f"doubtful({at})."
            return
        firm = [c for c in used if scope is None or not account.meets(c.uses, scope).estimated]
        yield from self._judged(row, at, code, target, subject, counted, used, firm)

    def _conditions(self, row: Limit, at: int, code: str, target: TargetState, used: list[Column]) -> Iterator[str]:
        top = len(self.space.slots)
        for name, bounds in (("needs_n", row.target_passes), ("needs_u", row.group_passes)):
            if bounds:
                yield f"dynamic({at}). {name}({at},{bounds[0] or 0},{top if bounds[1] is None else bounds[1]})."
        for code_needed in row.needs.get("codes_in_season", ()):
            yield f"needs_code({at},{self.codes.get(code_needed, -1)})."
        if row.uses and row.kind != "max_consecutive":
            yield f"wants({at},{row.uses if row.uses in ('solo', 'mixed') else 'both'})."
            words = {True: "solo", False: "mixed", None: "unknown"}
            scope = target if row.targets else None
            yield from (f"tank({at},{c.number},{words[self._solo(c, code, scope)]})." for c in used)

    def _judged(
        self,
        row: Limit,
        at: int,
        code: str,
        target: TargetState,
        subject: TargetState | None,
        counted: list[Column],
        used: list[Column],
        firm: list[Column],
    ) -> Iterator[str]:
        account, published = self.account, self.account.published
        if row.kind == "max_applications":
            counts = [
                c
                for c in firm
                if not row.actives or "each" in row.actives or any(u.active.name in row.actives for u in c.uses.uses)
            ]
            most = max([int(float(row.value)), *[int(one.value) for one in row.exceptions]])
            for other, _ in published.of_kind("max_applications_adjust"):
                if row.id in other.adjusts:
                    most += max(0, int(float(other.value)))
            yield f"limit({at},{most})."
            yield from (f"counts({at},{c.number})." for c in counts)
        elif row.kind == "max_share_of_total":
            yield f"share({at},{round(float(row.value) * 1000)})."
            yield from (f"counts({at},{c.number})." for c in firm)
        elif row.kind == "no_repeated_solo_use":
            base = [c for c in self.columns if subject is None or account.works(c.uses, subject)]
            yield f"single({at})."
            for column in base:
                if self._solo(column, code, subject):
                    yield f"counts({at},{column.number})."
                    partner = account.partner(column.uses, f"FRAC {code}", subject)[1] if subject else None
                    if partner is not None and (partner.severity != "breach" or partner.lower):
                        yield f"loose({at},{column.number})."
        elif row.kind == "max_consecutive":
            if len(firm) < len(used):
                return
            yield f"runner({at}). longest({at},{int(float(row.value))})."
            if row.counted == "same_product":
                names = sorted({name for column in counted for name in self._tank(column, row)})
                for name in names:
                    yield from (
                        f"runs_in({at},{names.index(name)},{c.number})." for c in counted if name in self._tank(c, row)
                    )
            else:
                inside = [c for c in used if row.uses != "solo" or self._solo(c, code, subject)]
                yield from (f"runs_in({at},0,{c.number})." for c in inside)
        else:
            yield f"runner({at}). interval({at},{int(float(row.value))})."
            if not row.targets:  # what follows is read against the target that the row is chosen for
                at_target = [c for c in self.columns if not account.works(c.uses, target)]
                if at_target:
                    return
            yield from (f"first({at},{c.number})." for c in used if account.meant_for(c.uses, code, target))

    def _tank(self, column: Column, row: Limit) -> set[str]:
        return {use.item.product or use.active.name for use in column.uses.uses if use.code in row.codes}

    def _solo(self, column: Column, code: str, target: TargetState | None) -> bool | None:
        group = f"FRAC {code}"
        if group not in column.uses.by_group:
            return False
        if target is None:
            return not self.account.others(column.uses, group)
        value, _ = self.account.partner(column.uses, group, target)
        return None if value is None else not value

    def _one_standing(self, code: str, target: TargetState) -> bool:
        names = {use.active.name for c in self.columns for use in c.uses.by_group.get(f"FRAC {code}", [])}
        found = {self.account.standing(f"FRAC {code}", name, target) for name in names}
        return len({(one.level, one.country_level) for one in found}) <= 1

    # --- search -----------------------------------------------------------------------------------------------------

    def _solve(self, extra: str, end: float) -> tuple[list[Any], int] | str | None:
        """Chosen symbols and figure of the optimum; None: impossible; a text: the time is over."""
        control = clingo.Control(
            [
                "--opt-mode=opt",
                "--opt-strategy=usc,oll,disjoint,stratify",
                "--parallel-mode=1",
                "--warn=none",
                "--seed=7",
            ]
        )
        control.add("base", [], self.text + extra)
        control.ground([("base", [])])
        found: tuple[list[Any], int] | None = None
        with control.solve(yield_=True, async_=True) as handle:
            while True:
                handle.resume()
                while not handle.wait(0.2):
                    if time.process_time() > end:
                        handle.cancel()
                        return "time"
                model = handle.model()
                if model is None:
                    return found
                found = (model.symbols(shown=True), model.cost[0] if model.cost else 0)

    def best(self, seconds: float = 60.0) -> Told:
        """The best plan that the audit passes, bare days before money."""
        by_number = {column.number: column for column in self.columns}
        end = time.process_time() + seconds  # a busy machine gives no season up
        cuts: list[str] = []
        least: int | None = None
        while len(cuts) < MOST_CUTS:
            extra = "\n".join(cuts)
            if least is None:
                first = self._solve(extra + BARE, end)
                if first is None:
                    return Told(None, len(cuts))
                if isinstance(first, str):
                    return Told(None, len(cuts), given_up=True)
                least = first[1]
            second = self._solve(extra + AT_MOST.replace("BEST", str(least)) + COST, end)
            if isinstance(second, str):
                return Told(None, len(cuts), given_up=True)
            if second is None:  # the cuts took every plan with so few bare days
                least = None
                continue
            chosen = [by_number[one.arguments[0].number] for one in second[0]]
            report = (
                audit(self.space.programme(chosen), self.space.catalogue, backend="interpreter") if chosen else None
            )
            if report is None or not any(one.severity == "breach" for one in report.findings):
                return Told((least, second[1] * self.unit), len(cuts))
            body = ", ".join(f"x({column.number})" for column in chosen)
            cuts.append(f":- {body}, #count {{ C : x(C) }} = {len(chosen)}.\n")
        return Told(None, len(cuts), given_up=True)


def compare(seed: int, known: Catalogue, seconds: float = 60.0) -> dict[str, Any]:
    """One larger season by both solvers."""
    from seasons import large_season

    from planner.draft.conflict import clash
    from planner.draft.solve import Search, Wanted

    kind, space, wishes = large_season(seed, known)
    begin = time.process_time()
    told = Season(space, **wishes).best(seconds)
    between = time.process_time()
    wanted = Wanted(**wishes)
    search = Search(space, wanted, seconds=600.0)
    answer = search.best(("bare", "cost"))
    ours = None if answer is None else (answer.bare, answer.cost)
    after = time.process_time()
    set_ = clash(space, wanted) if answer is None else None
    return {
        "seed": seed,
        "kind": kind,
        "crop": space.field.crop,
        "options": [len(options) for options in space.by_slot],
        "clingo": told.figures,
        "ours": ours,
        "proven": answer is None or answer.proven,
        "given_up": told.given_up,
        "agree": not told.given_up and told.figures == ours and (answer is None or answer.proven),
        "clash": None if set_ is None else [tag.rule for tag in set_.tags],
        "cuts": (told.cuts, search.cuts),
        "seconds": (round(between - begin, 1), round(after - between, 1)),
    }


def main() -> int:
    """Many seasons, one line each, and the count."""
    from planner.catalogue import load

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seasons", type=int, default=120)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--only", type=int, nargs="*", help="these seasons only")
    parser.add_argument("--seconds", type=float, default=120.0, help="of processor time for one season")
    args = parser.parse_args()
    known = load()
    rows = []
    for seed in args.only or range(args.first, args.first + args.seasons):
        rows.append(compare(seed, known, args.seconds))
        print(rows[-1], flush=True)
    agreed = [row for row in rows if row["agree"]]
    given_up = sum(row["given_up"] for row in rows)
    differ = len(rows) - len(agreed) - given_up
    impossible = sum(row["ours"] is None for row in agreed)
    full = sum(row["kind"] in ("every slot", "clash") and row["ours"] is not None for row in agreed)
    print(
        f"{len(agreed)} of {len(rows)} seasons agree, {given_up} given up, {differ} differ; "
        f"of those that agree {impossible} are impossible and {full} have a pass on every slot"
    )
    return 0 if len(agreed) + given_up == len(rows) else 1


if __name__ == "__main__":
    raise SystemExit(main())
