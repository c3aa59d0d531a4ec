"""The exponential integral without SciPy, so that one programme needs the standard library alone."""

from __future__ import annotations

import math

EULER_GAMMA = 0.57721566490153286061


def exponential_integral_e1(x: float) -> float:
    """E1(x) = integral from x to infinity of exp(-u)/u du, x > 0, to about 1e-15 relative.

    Source: Abramowitz & Stegun 1964, 5.1.11 (series) and 5.1.22 (continued fraction), from memory; checked
    against SciPy in the tests.
    """
    if not x > 0.0:
        raise ValueError(f"E1 needs a positive argument, not {x}")
    if x > 745.0:
        return 0.0
    if x < 1.0:
        return ein(x) - EULER_GAMMA - math.log(x)
    # Modified Lentz evaluation of exp(-x) / (x + 1 - 1/(x + 3 - 4/(x + 5 - ...))).
    b = x + 1.0
    c = 1e300
    d = 1.0 / b
    h = d
    for i in range(1, 400):
        a = -float(i * i)
        b += 2.0
        d = 1.0 / (a * d + b)
        c = b + a / c
        step = c * d
        h *= step
        if abs(step - 1.0) < 1e-16:
            break
    return h * math.exp(-x)


def ein(x: float) -> float:
    """Ein(x) = integral from 0 to x of (1 - exp(-u))/u du for x >= 0, to about 1e-15 relative.

    Below 2 by the all-positive series exp(-x) * sum H_k x^k / k! (no cancellation), above it by gamma + ln
    x + E1(x).
    """
    if x < 0.0 or math.isnan(x):
        raise ValueError(f"Ein is used for arguments of 0 or more, not {x}")
    if x < 2.0:
        total = 0.0
        power = 1.0
        harmonic = 0.0
        for k in range(1, 60):
            power *= x / k
            harmonic += 1.0 / k
            term = power * harmonic
            total += term
            if term < 1e-17 * total:
                break
        return math.exp(-x) * total
    return EULER_GAMMA + math.log(x) + exponential_integral_e1(x)
