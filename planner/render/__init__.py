"""One report, many renderers; nothing outside this room prints.

A renderer takes a finished answer (``AuditReport``, a rule, a catalogue entry) and gives either a list of
rich ``Text`` lines (terminal) or one text (JSON, Markdown). ``console.deliver`` writes it. User
text never meets markup.

The free-form parts of a report have these shapes:

``cover``   one entry per target of the field: ``{"target": id, "name": text, "window": [day, day],
            "estimated": bool, "days": [{"from": day, "to": day, "modes": int | None}, ...]}``;
            days are ISO dates, ends included; ``modes`` is the number of effective modes of action on
            those days, None where it is not known; ``new_leaves`` (may be missing) the same for leaves that
            unfolded after the pass. ``uses`` (may be missing): one row per active of a pass that may work:
            ``{"pass", "active", "product", "group", "from", "to", "rests_on": text, "effective": bool | None,
            "because": text, "mobility", "new_leaves": bool | None, "rate_below_label": bool | None, ...}``.
``selection``  one entry per target and at-risk group: ``planner.exposure.rows`` tells the keys.
``totals``  ``{"actives": {name: {"g_per_ha": float | None, "passes": [int]}},
            "groups": {code: {"words": "group 11 (strobilurin)", "passes": [int], "share": float}},
            "cost": {"per_ha": float | None, "total": float | None, "currency": text, "missing": [text]},
            "money": as ``planner.economics.money`` returns it,
            "stages": [{"stage": code, "date": day, "estimated": bool}]}``; every key may be missing;
            ``selection_gaps``: targets without a selection row, each with why.
"""
