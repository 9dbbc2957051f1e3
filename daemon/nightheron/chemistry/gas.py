"""How much carbon dioxide a millilitre of gas holds."""

from __future__ import annotations

import math

from nightheron.chemistry.bounds import above_zero, within
from nightheron.chemistry.nernst import GAS_CONSTANT_J_MOL_K, KELVIN_AT_0_C

PA_PER_BAR = 1e5
PA_PER_ATM = 101325.0


def moles_per_ml(t_c: float, pressure_bar: float) -> float:
    """Moles of CO2 in one mL of the pure gas at ``t_c`` degC and ``pressure_bar`` (absolute).

    Second virial coefficient of Weiss (1974, Mar. Chem. 2:203); within 1e-4 of Span and Wagner
    (1996) at one atmosphere. OutOfRange outside 0 to 40 degC and 0 to 3 bar absolute, where
    the next term would be felt.
    """
    within("gas temperature", t_c, 0.0, 40.0, "degC")
    above_zero("gas pressure", pressure_bar, "bar absolute")
    within("gas pressure", pressure_bar, 0.0, 3.0, "bar absolute")
    kelvin = t_c + KELVIN_AT_0_C
    virial_ml = -1636.75 + kelvin * (12.0408 + kelvin * (-0.0327957 + kelvin * 3.16528e-5))
    ideal = pressure_bar * PA_PER_BAR / (GAS_CONSTANT_J_MOL_K * kelvin) * 1e-6
    # n (1 + B n) = P/RT, solved for n: the root that goes to the ideal gas as B goes to zero
    return 2.0 * ideal / (1.0 + math.sqrt(1.0 + 4.0 * virial_ml * ideal))
