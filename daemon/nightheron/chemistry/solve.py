"""The hydrogen at which alkalinity and carbon agree, fast enough for a step of simulated time.

``h`` is total-scale hydrogen, all amounts mol per kg of seawater:

    TA = DIC K1 (h + 2 K2) / (h^2 + K1 h + K1 K2) + B KB / (KB + h) + KW / h - acid h

TA falls as h rises, so there is one root. Nothing here checks its input: a simulation calls it for each
chamber and second. ``carbonate`` has the same answers with the ranges checked.
"""

from __future__ import annotations

import math

from nightheron.chemistry.bounds import OutOfRange
from nightheron.chemistry.constants import Constants

NEAR = 1e-5
"""Newton's error is about the square of its last relative step, so that this leaves 1e-10 of h."""
MOST_ROUNDS = 12
FACTOR = 5.0
"""No round of Newton moves h further than by this."""


def next_h(ta: float, dic: float, h: float, k: Constants) -> float:
    """Hydrogen of water with alkalinity ``ta`` and carbon ``dic``, from a guess ``h`` (the step before).

    Newton with the analytic slope: one round when little has changed, two in a surge; a poor guess takes
    longer and is bracketed in the end. OutOfRange when no pH from 0 to 14 fits, or for a NaN.
    """
    k1, k2, kb, kw, acid = k.k1, k.k2, k.kb, k.kw, k.acid_per_h
    k12, two_k2, bkb = k1 * k2, 2.0 * k2, k.borate * kb
    for _ in range(MOST_ROUNDS):
        below = (h + k1) * h + k12
        carbon = dic * k1 / below
        borate = bkb / (kb + h)
        water = kw / h
        missing = ta - carbon * (h + two_k2) - borate - water + acid * h
        slope = carbon * (1.0 - (h + two_k2) * (h + h + k1) / below) - borate / (kb + h) - water / h - acid
        change = missing / slope
        if -NEAR * h <= change <= NEAR * h:
            return h + change
        h = min(max(h + change, h / FACTOR), h * FACTOR)
    return h_between(ta, dic, 1e-14, 1.0, k)


def h_between(ta: float, dic: float, least_h: float, most_h: float, k: Constants) -> float:
    """The same without a guess, by halving the logarithm of a bracket; OutOfRange when it holds no root."""
    most_ta, least_ta = alkalinity(dic, least_h, k), alkalinity(dic, most_h, k)
    if not least_ta <= ta <= most_ta:
        raise OutOfRange(
            f"alkalinity {ta:g} with carbon {dic:g} is not between {least_ta:g} and {most_ta:g} mol/kg, "
            f"so pH is not between {math.log10(1.0 / most_h):g} and {math.log10(1.0 / least_h):g}"
        )
    low, high = math.log(least_h), math.log(most_h)
    for _ in range(60):
        middle = 0.5 * (low + high)
        if alkalinity(dic, math.exp(middle), k) > ta:
            low = middle
        else:
            high = middle
    return math.exp(0.5 * (low + high))


def alkalinity(dic: float, h: float, k: Constants) -> float:
    """Alkalinity of water with carbon ``dic`` at hydrogen ``h``."""
    return dic * k.k1 * (h + 2.0 * k.k2) / ((h + k.k1) * h + k.k1 * k.k2) + other_alkalinity(h, k)


def other_alkalinity(h: float, k: Constants) -> float:
    """Borate, hydroxide and acid: all alkalinity that is not carbonate."""
    return k.borate * k.kb / (k.kb + h) + k.kw / h - k.acid_per_h * h


def co2_share(h: float, k: Constants) -> float:
    """Share of the carbon that is free CO2 (with carbonic acid)."""
    return h * h / ((h + k.k1) * h + k.k1 * k.k2)


def carbonate_share(h: float, k: Constants) -> float:
    """Share of the carbon that is carbonate ion."""
    return k.k1 * k.k2 / ((h + k.k1) * h + k.k1 * k.k2)
