"""How much CO2 water takes up from gas that stands over it, or in it as bubbles."""

from __future__ import annotations

import math

from nightheron.chemistry.bounds import above_zero, not_negative, within
from nightheron.chemistry.constants import Constants
from nightheron.chemistry.gas import PA_PER_ATM, PA_PER_BAR, virial_ml_mol
from nightheron.chemistry.nernst import GAS_CONSTANT_J_MOL_K, KELVIN_AT_0_C

MOST_BAR = 3.0


def vapour_atm(t_c: float, salinity: float) -> float:
    """Pressure of water vapour over seawater, atm: Weiss and Price (1980), Mar. Chem. 8:347.

    ``t_c`` 0 to 40 degC, practical ``salinity`` 0 to 43; OutOfRange outside.
    """
    within("water temperature", t_c, 0.0, 40.0, "degC")
    within("salinity", salinity, 0.0, 43.0)
    hundredth = (t_c + KELVIN_AT_0_C) / 100.0
    return math.exp(24.4543 - 67.4509 / hundredth - 4.8489 * math.log(hundredth) - 0.000544 * salinity)


def fugacity_coefficient(t_c: float, bar: float, share: float) -> float:
    """Fugacity over partial pressure of CO2 that makes up ``share`` (0 to 1) of a mixture with air.

    Weiss (1974), Mar. Chem. 2:203, equation 9: 0.997 in air and 0.995 pure at 25 degC and one atmosphere.
    ``t_c`` 0 to 40 degC, ``bar`` absolute, above 0 and at most 3; OutOfRange outside.
    """
    within("gas temperature", t_c, 0.0, 40.0, "degC")
    above_zero("gas pressure", bar, "bar absolute")
    within("gas pressure", bar, 0.0, MOST_BAR, "bar absolute")
    within("share of CO2", share, 0.0, 1.0)
    kelvin = t_c + KELVIN_AT_0_C
    cross_ml_mol = 57.7 - 0.118 * kelvin
    ml_mol = virial_ml_mol(kelvin) + 2.0 * (1.0 - share) ** 2 * cross_ml_mol
    return math.exp(ml_mol * 1e-6 * bar * PA_PER_BAR / (GAS_CONSTANT_J_MOL_K * kelvin))


def co2_at_equilibrium(t_c: float, salinity: float, bar: float, share: float, k: Constants) -> float:
    """Free CO2, mol/kg, of water in equilibrium with wet gas at ``bar`` absolute.

    ``share`` is that of CO2 in the dry gas. Ranges as in ``fugacity_coefficient``, OutOfRange
    outside. Weiss (1974) measured to
    0.2 % (from memory); the effect of pressure on the solubility itself (0.1 % a bar) is left out.
    """
    coefficient = fugacity_coefficient(t_c, bar, share)
    partial_atm = share * (bar * PA_PER_BAR / PA_PER_ATM - vapour_atm(t_c, salinity))
    return k.k0 * coefficient * max(partial_atm, 0.0)


def fugacity_atm(co2: float, k: Constants) -> float:
    """Fugacity of CO2, atm, with which water of free CO2 ``co2`` (mol/kg, 0 or more) is in equilibrium.

    OutOfRange otherwise. Above 500 uatm the constants give 3.35 % too little on average (Lueker et al. 2000,
    abstract), and a chamber holds a hundred times that.
    """
    not_negative("free CO2", co2, "mol/kg")
    return co2 / k.k0
