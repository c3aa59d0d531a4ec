"""Teaching: lessons that compute what they claim, exercises that mark themselves, and what-ifs.

Data: one YAML file per lesson in this folder, one per crop in ``classroom/``, roles and exercise texts in ``data/``;
``README.md`` is the grammar. Code: ``cast`` finds actives for roles, ``season`` makes and judges a small season,
``lesson`` runs lessons, ``exercises`` makes and marks exercises, one module per kind, ``whatif`` changes one pass.
"""
