"""How much a litre of seawater weighs."""

from __future__ import annotations

import math

from nightheron.chemistry.bounds import within


def seawater_kg_per_l(t_c: float, salinity: float = 35.0) -> float:
    """Density at one atmosphere, kg/L: Millero and Poisson (1981), Deep-Sea Res. 28A:625 (EOS-80).

    ``t_c`` 0 to 40 degC and practical ``salinity`` 0 to 43; OutOfRange outside. Within ten parts in a
    million of TEOS-10 at S 35, 22 to 28 degC.
    """
    within("water temperature", t_c, 0.0, 40.0, "degC")
    within("salinity", salinity, 0.0, 43.0)
    t, s = t_c, salinity
    by_t = 6.793952e-2 + t * (-9.095290e-3 + t * (1.001685e-4 + t * (-1.120083e-6 + t * 6.536332e-9)))
    pure = 999.842594 + t * by_t
    a = 8.24493e-1 + t * (-4.0899e-3 + t * (7.6438e-5 + t * (-8.2467e-7 + t * 5.3875e-9)))
    b = -5.72466e-3 + t * (1.0227e-4 - t * 1.6546e-6)
    return (pure + a * s + b * s * math.sqrt(s) + 4.8314e-4 * s * s) / 1000.0
