"""Which rules and wishes cannot hold together: the smallest set that clashes, for a draft that has no answer."""

from __future__ import annotations

import time
from collections.abc import Sequence

from planner.draft.compile import Tag
from planner.draft.options import Space
from planner.draft.solve import SEED, Search, Stopped, Wanted


def conflict(space: Space, wanted: Wanted, seconds: float = 5.0) -> list[Tag]:
    """A smallest set of rules and wishes that cannot hold together: none of them can be left out of it.

    An empty list means that a programme exists, or that the audit alone forbids what the model allows. Where the time
    ends first, the set clashes but may hold more than it must.
    """
    from ortools.sat.python import cp_model

    search = Search(space, wanted, seconds=seconds, soft=True)
    model, literals = search.compiled.model, search.compiler.literals
    of_index = {literal.index: tag for tag, literal in literals.items()}
    end = time.monotonic() + seconds

    def core(tags: Sequence[Tag]) -> list[Tag] | None:
        """Those of these tags that already clash; None where all can hold."""
        model.clear_assumptions()
        model.add_assumptions([literals[tag] for tag in tags])
        solver = cp_model.CpSolver()
        solver.parameters.num_workers = 1
        solver.parameters.random_seed = SEED
        solver.parameters.max_time_in_seconds = max(0.1, end - time.monotonic())
        solver.parameters.catch_sigint_signal = False
        status = solver.solve(model)
        if status == cp_model.INFEASIBLE:
            found = {
                of_index[index] for index in solver.sufficient_assumptions_for_infeasibility() if index in of_index
            }
            return [tag for tag in tags if tag in found] or list(tags)
        if status == cp_model.UNKNOWN:
            raise Stopped
        return None

    kept = core(search.tags)
    if kept is None:
        return []
    try:
        # whole rules first, then the single constraints of those that matter
        for rule in dict.fromkeys(tag.rule for tag in kept):
            kept = core([tag for tag in kept if tag.rule != rule]) or kept
        for tag in list(kept):
            if tag in kept:
                kept = core([one for one in kept if one != tag]) or kept
    except Stopped:
        pass
    return kept
