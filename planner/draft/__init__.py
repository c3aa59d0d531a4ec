"""Drafting: from a field and what can be bought to the best programmes that the audit passes.

``dates`` lays the spray dates, ``options`` makes the passes that can be chosen, ``compile`` turns the rules into
constraints, ``solve`` searches, ``front`` picks the programmes to show (``long_season`` where they are too many to look
at every one), ``why_not`` says what keeps the rest out, ``mend`` changes a flawed programme.
Only ``solve`` imports OR-tools, and only when something is searched.
"""
