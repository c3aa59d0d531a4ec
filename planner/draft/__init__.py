"""Drafting: from a field and what can be bought to the best programmes that the audit passes.

``options`` makes the passes that can be chosen, ``compile`` turns the rules into constraints, ``solve`` searches,
``front`` picks the programmes to show, ``why_not`` says what keeps the rest out, ``mend`` changes a flawed programme.
Only ``solve`` imports OR-tools, and only when something is searched.
"""
