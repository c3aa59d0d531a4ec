"""The overview page of a batch: verdicts, most frequent rules, use of groups over the district. One file, no script."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Any

from planner import __version__
from planner.render import cautions

_STYLE = (
    "body{font:16px/1.5 system-ui,sans-serif;max-width:52rem;margin:1rem auto;padding:0 1rem;color:#111}"
    "table{border-collapse:collapse;margin:0 0 1.5rem}th,td{border-bottom:1px solid #767676;padding:.25rem .75rem;"
    "text-align:left}td.n{text-align:right}@page{margin:15mm}"
)


def html(rows: dict[str, Any]) -> str:
    """The page as text; ``rows`` as ``summary.Overview.rows`` gives them."""
    verdicts = [(name, str(count)) for name, count in rows["verdicts"].items()]
    rules = [(name, str(count)) for name, count in rows["rules"].items()]
    groups = [(name, str(row["programmes"]), str(row["passes"])) for name, row in rows["groups"].items()]
    parts = [
        '<!doctype html><html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1"><title>Programmes of the district</title>',
        f"<style>{_STYLE}</style></head><body><main><h1>Programmes of the district</h1>",
        f"<p>{rows['programmes']} programmes.</p>",
        _table("Verdicts", ("verdict", "programmes"), verdicts),
        _table("Rules that were met most (breaches and cautions)", ("rule", "programmes"), rules),
        _table("Use of mode-of-action groups", ("group", "programmes", "passes"), groups),
        "<h2>Before anything is sprayed</h2><ul>",
        *(f"<li><strong>{escape(one.title)}:</strong> {escape(one.text)}</li>" for one in cautions.load()),
        f"</ul><p>planner {escape(__version__)}</p></main></body></html>\n",
    ]
    return "".join(parts)


def _table(caption: str, heads: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> str:
    head = "".join(f'<th scope="col">{escape(name)}</th>' for name in heads)
    body = "".join(
        f'<tr><th scope="row">{escape(row[0])}</th>'
        + "".join(f'<td class="n">{escape(cell)}</td>' for cell in row[1:])
        + "</tr>"
        for row in rows
    )
    return f"<h2>{escape(caption)}</h2><table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
