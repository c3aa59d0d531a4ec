"""durable-rules as one would call it by hand, in a process of its own: nothing of the planner is loaded.

``python tests/benchmarks/bare.py FILE``: FILE holds ``rules`` (what ``set_rulesets`` takes) and ``rows`` (facts) as
JSON. Prints the median seconds of all facts judged, matches collected and the session deleted: ``each`` asserts fact by
fact, ``batch`` all in one call; and the number of matches.
"""

from __future__ import annotations

import json
import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

REPEAT = 500


class Plain:
    """A host with these rules; ``work`` asserts the rows, notes the matches and deletes the session."""

    def __init__(self, rules: dict[str, Any], rows: list[dict[str, Any]]) -> None:
        from durable.engine import Host

        hits: list[tuple[str, str]] = []

        class Quiet(Host):  # type: ignore[misc]
            def _run(self) -> None:
                return

            def get_action(self, name: str) -> Callable[[Any], None]:
                def note(context: Any) -> None:
                    hits.extend((name, one["id"]) for one in context.m)

                return note

        self.hits, self.rows, self.host = hits, rows, Quiet()
        self.host.set_rulesets({"bare": rules})
        # a first session in which nothing fires would kill the process (planner/engine.py)
        self.host.assert_facts("bare", [{"id": "0", "sid": "1", "kind": "~first"}])
        self.host.delete_state("bare", "1")

    def work(self) -> list[tuple[str, str]]:
        """All matches, the facts asserted in one call."""
        self.hits.clear()
        self.host.assert_facts("bare", self.rows)
        self.host.delete_state("bare", "1")
        return self.hits

    def one_by_one(self) -> list[tuple[str, str]]:
        """The same, fact by fact."""
        self.hits.clear()
        for row in self.rows:
            self.host.assert_fact("bare", row)
        self.host.delete_state("bare", "1")
        return self.hits


def main(path: str) -> None:
    """Time it and print."""
    given = json.loads(Path(path).read_text(encoding="utf-8"))
    plain = Plain(given["rules"], given["rows"])
    found: dict[str, float] = {}
    for name, work in (("batch", plain.work), ("each", plain.one_by_one)):
        seconds = []
        for _ in range(REPEAT):
            begin = time.perf_counter()
            work()
            seconds.append(time.perf_counter() - begin)
        found[name] = statistics.median(seconds)
    print(json.dumps({**found, "matches": len(plain.hits)}))


if __name__ == "__main__":
    main(sys.argv[1])
