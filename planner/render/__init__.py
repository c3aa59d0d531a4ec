"""One report, many renderers; nothing outside this room prints.

A renderer takes a finished answer (``AuditReport``, a rule, a catalogue entry) and gives either a list of
rich ``Text`` lines (terminal) or one text (JSON, Markdown). ``console.deliver`` writes it. User
text never meets markup.

The free-form parts of a report have these shapes:

``cover``   one entry per target of the field: ``{"target": id, "name": text, "window": [day, day],
            "estimated": bool, "days": [{"from": day, "to": day, "modes": int | None}, ...]}``;
            days are ISO dates, ends included; ``modes`` is the number of effective modes of action on
            those days, None where it is not known.
``totals``  ``{"actives": {name: {"g_per_ha": float | None, "passes": [int]}},
            "groups": {code: {"words": "group 11 (strobilurin)", "passes": [int], "share": float}},
            "cost": {"per_ha": float | None, "total": float | None, "currency": text, "missing": [text]},
            "stages": [{"stage": code, "date": day, "estimated": bool}]}``; every key may be missing.
"""
