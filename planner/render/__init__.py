"""One report, many renderers; nothing outside this room prints.

A renderer takes a finished answer (``AuditReport``, a rule, a catalogue entry) and gives either a list of
rich ``Text`` lines (terminal) or one text (JSON, Markdown). ``console.deliver`` writes it. User
text never meets markup.

The free-form parts of a report have these shapes:

``cover``   one entry per target of the field: ``{"target": id, "name": text, "window": [day, day],
            "estimated": bool, "days": [{"from": day, "to": day, "modes": int | None}, ...]}``;
            days are ISO dates, ends included; ``modes`` is the number of effective modes of action on
            those days, None where it is not known; ``new_leaves`` (may be missing) the same for leaves that
            unfolded after the pass. ``not_dated`` (may be missing): what would date a window without days, or
            its end: ``window`` then ends with the last dated stage before it or the last covered day, the later one.
            ``uses`` (may be missing): one row per active of a pass that may work: ``{"pass", "active", "product",
            "group", "from", "to", "to_at_most", "rests_on": text, "effective": bool | None, "because": text,
            "mobility", "new_leaves": bool | None, "rate_below_label": bool | None, ...}``; ``to`` is None where the
            days are not known (a rate under the label's least, no published days).
            ``growth`` (may be missing): ``{"stages": [code, code] | None, "surely_until": day | None,
            "none_after": day | None, "estimated": [bool, bool], "rests_on": text, "days": as above, of new leaves,
            "bare": [{"from", "to", "sure": bool, "passes": [int]}], "bare_days", "bare_days_if_leaves_unfold",
            "days_not_known"}``: until when the crop unfolds leaves, and when new ones are bare while older ones are
            still protected.
``selection``  one entry per target and at-risk group: ``planner.exposure.rows`` tells the keys.
``totals``  ``{"actives": {name: {"g_per_ha": float | None, "passes": [int]}},
            "groups": {code: {"words": "group 11 (strobilurin)", "passes": [int], "share": float}},
            "cost": {"per_ha": float | None, "total": float | None, "currency": text, "missing": [text]},
            "money": as ``planner.economics.money`` returns it,
            "stages": [{"stage": code, "date": day, "estimated": bool}]}``; every key may be missing;
            ``selection_gaps``: targets without a selection row, each with why.
"""
