"""Many programmes at once: one line each, in the order given, restartable, spread over processes or a cluster.

``inputs`` finds the programmes, ``work`` judges one, ``pool`` spreads the work, ``results`` keeps the lines,
``summary`` counts the district.
"""
