"""Drafting: from a field and what can be bought to the best programmes that the audit passes.

``dates`` lays the spray dates and ``options`` makes the passes that can be chosen. ``compile`` turns the rules into
constraints (``history`` those of last season, ``practice`` what is asked beside the rules); ``solve`` asks CP-SAT,
``conflict`` names the rules that clash. ``scan`` looks at every sound programme in numpy, with the rules from
``check``, the selection index from ``dose`` and what may still follow from ``ahead``; ``every`` scans once more over
every tank mix. ``front`` picks the programmes to show (``long_season`` where they are too many to look at every one),
``pass_reasons`` and ``why_not`` say why, ``result`` has them audited. ``mend`` changes a flawed programme, ``relaxed``
proves that fewer changes could not do.

OR-tools is imported inside functions only, when something is searched.
"""
