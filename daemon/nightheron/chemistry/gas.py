"""How much carbon dioxide a millilitre of gas holds, and a bubble."""

from __future__ import annotations

import math

from nightheron.chemistry.bounds import above_zero, within
from nightheron.chemistry.nernst import GAS_CONSTANT_J_MOL_K, KELVIN_AT_0_C

PA_PER_BAR = 1e5
PA_PER_ATM = 101325.0
CO2_G_MOL = 44.009
"""IUPAC atomic weights, C 12.011 and O 15.999."""


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
    ideal = pressure_bar * PA_PER_BAR / (GAS_CONSTANT_J_MOL_K * kelvin) * 1e-6
    # n (1 + B n) = P/RT, solved for n: the root that goes to the ideal gas as B goes to zero
    return 2.0 * ideal / (1.0 + math.sqrt(1.0 + 4.0 * virial_ml_mol(kelvin) * ideal))


def moles_per_bubble(bubble_ml: float, t_c: float, pressure_bar: float) -> float:
    """Moles of CO2 in a bubble of ``bubble_ml`` (above 0 and at most 1 mL) as it leaves the nozzle.

    Temperature and pressure as in ``moles_per_ml``, OutOfRange outside: those of the bubble counter,
    so the ambient pressure and what the water over the nozzle and the check valves add, not the regulator's
    gauge. The size is the weak point: 0.02 to 0.09 mL from nozzles of 1 to 4 mm (Tate's law), so count the
    bubbles that fill a measure.
    """
    above_zero("bubble", bubble_ml, "mL")
    within("bubble", bubble_ml, 0.0, 1.0, "mL")
    return bubble_ml * moles_per_ml(t_c, pressure_bar)


def tate_bubble_ml(nozzle_mm: float, t_c: float) -> float:
    """Size of a bubble that leaves a nozzle of ``nozzle_mm`` inner diameter slowly, mL.

    Tate's law, from memory: buoyancy equals surface tension around the rim, pi d sigma / (rho g), with the
    surface tension of pure water (76 mN/m falling to 70 over 0 to 40 degC, from memory) and no gas density.
    0.5 to 6 mm and 0 to 40 degC, OutOfRange outside. A rule of thumb: a dirty or wetted nozzle and a fast
    stream make other bubbles.
    """
    within("nozzle", nozzle_mm, 0.5, 6.0, "mm")
    within("water temperature", t_c, 0.0, 40.0, "degC")
    tension_n_m = 0.0757 - 0.000149 * t_c
    return math.pi * nozzle_mm * 1e-3 * tension_n_m / (1000.0 * 9.80665) * 1e6


def virial_ml_mol(kelvin: float) -> float:
    """Second virial coefficient of CO2, mL/mol: Weiss (1974), Mar. Chem. 2:203, equation 6; 265 to 320 K."""
    return -1636.75 + kelvin * (12.0408 + kelvin * (-0.0327957 + kelvin * 3.16528e-5))
