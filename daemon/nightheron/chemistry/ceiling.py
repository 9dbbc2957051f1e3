"""The most alkalinity that effluent can have at a chamber's pH: water saturated with the media's mineral.

At a given pH more alkalinity means more carbonate, and each equivalent brings half a mole of calcium, so
there is one alkalinity at which nothing dissolves any more. It has no free parameter. Real effluent lies on
it or below; a test above it is a measuring error or a probe that reads wrong. PHREEQC, at the same gas,
dissolves 2.5 to 5.5 % less.
"""

from __future__ import annotations

import math
from typing import Literal

from nightheron.chemistry.bounds import OutOfRange, not_negative, within
from nightheron.chemistry.carbonate import h_of
from nightheron.chemistry.constants import SALINITY, Constants, constants
from nightheron.chemistry.density import seawater_kg_per_l
from nightheron.chemistry.scales import total_from_nbs
from nightheron.chemistry.solve import other_alkalinity
from nightheron.chemistry.units import calcium_mol_kg_from_mg_l, dkh_from_meq_l, meq_l_from_dkh

Mineral = Literal["aragonite", "calcite"]
"""Coral skeleton is aragonite; marble and limestone are calcite."""


def ceiling_ta(
    ph: float, ta_in: float, calcium_in: float, k: Constants, mineral: Mineral = "aragonite"
) -> float:
    """Alkalinity, mol/kg, of water saturated with ``mineral`` at total-scale ``ph`` (4 to 10).

    The water came in with alkalinity ``ta_in`` and calcium ``calcium_in`` (mol/kg, 0 or more) and got half
    a mole of calcium with each equivalent. Below ``ta_in`` the answer means that the incoming water is
    supersaturated at this pH: nothing can dissolve. OutOfRange outside these. Solubility of Mucci (1983),
    which holds for the calcium of seawater; calcite media with magnesium dissolve more easily.
    """
    h = h_of(ph)
    not_negative("alkalinity", ta_in, "mol/kg")
    not_negative("calcium", calcium_in, "mol/kg")
    if mineral not in ("aragonite", "calcite"):
        raise OutOfRange(f"mineral {mineral!r} is neither aragonite nor calcite")
    ksp = k.ksp_aragonite if mineral == "aragonite" else k.ksp_calcite
    other = other_alkalinity(h, k)
    # (calcium_in + (ta - ta_in)/2) (ta - other) K2/(h + 2 K2) = Ksp: a quadratic in x = ta - other
    half = calcium_in + (other - ta_in) / 2.0
    product = ksp * (h + 2.0 * k.k2) / k.k2
    root = math.sqrt(half * half + 2.0 * product)
    carbonate_alkalinity = 2.0 * product / (root + half) if half > 0.0 else root - half
    return carbonate_alkalinity + other


def effluent_ceiling_dkh(
    ph_nbs: float,
    t_c: float = 25.0,
    salinity: float = SALINITY,
    *,
    tank_dkh: float = 8.0,
    tank_calcium_mg_l: float = 430.0,
    mineral: Mineral = "aragonite",
) -> float:
    """The same for people: dKH of effluent at the pH (NBS) that the chamber's probe reads.

    ``ph_nbs`` 4.5 to 9, ``t_c`` 2 to 35 degC, ``salinity`` 19 to 43, the tank's alkalinity and calcium 0 or
    more; OutOfRange outside. A probe that reads 0.1 too high makes the ceiling some 15 % too low.
    """
    within("chamber pH", ph_nbs, 4.5, 9.0)
    k = constants(t_c, salinity)
    kg_per_l = seawater_kg_per_l(t_c, salinity)
    ta_in = meq_l_from_dkh(tank_dkh) * 1e-3 / kg_per_l
    calcium_in = calcium_mol_kg_from_mg_l(tank_calcium_mg_l, kg_per_l)
    ta = ceiling_ta(total_from_nbs(ph_nbs, k), ta_in, calcium_in, k, mineral)
    return dkh_from_meq_l(ta * 1e3 * kg_per_l)
