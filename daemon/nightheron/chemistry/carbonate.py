"""The carbonate system of seawater, as far as a chamber of carbonate media needs it.

Any two of alkalinity, carbon and pH give the third. Amounts are mol per kg of seawater. pH is on the
total scale unless a name says ``nbs``, and 4 to 10: what a buffer-calibrated electrode reads stands
about 0.137 higher at 25 degC and salinity 35. The published constants were measured at far less CO2
than a chamber holds, so expect a few percent of bias in CO2.
"""

from __future__ import annotations

import math

from nightheron.chemistry.bounds import OutOfRange, not_negative, within
from nightheron.chemistry.constants import SALINITY, Constants, constants
from nightheron.chemistry.density import seawater_kg_per_l
from nightheron.chemistry.saturation import omega
from nightheron.chemistry.scales import LEAST_PH, MOST_PH, nbs_from_total, total_from_nbs
from nightheron.chemistry.solve import alkalinity, carbonate_share, co2_share, h_between, other_alkalinity

__all__ = [
    "SALINITY",
    "Constants",
    "co2_from_dic_ph",
    "constants",
    "dic_from_ta_ph",
    "nbs_from_total",
    "omega_aragonite",
    "ph_from_ta_dic",
    "seawater_kg_per_l",
    "ta_from_dic_ph",
    "total_from_nbs",
]


def dic_from_ta_ph(ta: float, ph: float, k: Constants) -> float:
    """Dissolved inorganic carbon, mol/kg, of water with alkalinity ``ta`` (mol/kg) at total-scale ``ph``.

    OutOfRange when the alkalinity is less than borate, water and acid alone make of it at that pH, so
    that no carbon could fit.
    """
    h = h_of(ph)
    not_negative("alkalinity", ta, "mol/kg")
    carbonate_alkalinity = ta - other_alkalinity(h, k)
    if not carbonate_alkalinity > 0.0:
        raise OutOfRange(f"alkalinity {ta:g} mol/kg leaves nothing for carbonate at pH {ph:g}")
    return carbonate_alkalinity * (h * h + k.k1 * h + k.k1 * k.k2) / (k.k1 * h + 2.0 * k.k1 * k.k2)


def ta_from_dic_ph(dic: float, ph: float, k: Constants) -> float:
    """Alkalinity, mol/kg, of water with carbon ``dic`` (mol/kg, 0 or more) at total-scale ``ph`` (4 to 10).

    OutOfRange outside.
    """
    not_negative("carbon", dic, "mol/kg")
    return alkalinity(dic, h_of(ph), k)


def ph_from_ta_dic(ta: float, dic: float, k: Constants) -> float:
    """Total-scale pH of water with alkalinity ``ta`` and carbon ``dic``, both mol/kg.

    OutOfRange when that would be below 4 or above 10. Whoever steps through time uses
    ``solve.next_h``, which starts from the step before.
    """
    not_negative("carbon", dic, "mol/kg")
    return -math.log10(h_between(ta, dic, math.pow(10.0, -MOST_PH), math.pow(10.0, -LEAST_PH), k))


def co2_from_dic_ph(dic: float, ph: float, k: Constants) -> float:
    """Free CO2 (with carbonic acid), mol/kg, in water with carbon ``dic`` (mol/kg) at total-scale ``ph``.

    Carbon 0 or more, pH 4 to 10; OutOfRange outside.
    """
    not_negative("carbon", dic, "mol/kg")
    return dic * co2_share(h_of(ph), k)


def omega_aragonite(dic: float, ph: float, calcium: float, k: Constants) -> float:
    """Saturation of aragonite, 1 at equilibrium; media dissolve only below 1.

    Carbon and calcium mol/kg, 0 or more, total-scale ``ph`` 4 to 10; OutOfRange outside. Mucci (1983)
    measured with the calcium of seawater; a chamber holds half as much again.
    """
    not_negative("carbon", dic, "mol/kg")
    not_negative("calcium", calcium, "mol/kg")
    return omega(calcium, dic * carbonate_share(h_of(ph), k), k.ksp_aragonite)


def h_of(ph: float) -> float:
    """Total-scale hydrogen, mol/kg, at total-scale ``ph``; OutOfRange outside 4 to 10."""
    within("pH", ph, LEAST_PH, MOST_PH)
    return math.pow(10.0, -ph)
