"""CO2 in a cylinder: the pressure at which liquid and gas stand together, and how dense either is."""

from __future__ import annotations

import math

from nightheron.chemistry.bounds import above_zero, within
from nightheron.chemistry.gas import CO2_G_MOL
from nightheron.chemistry.nernst import GAS_CONSTANT_J_MOL_K, KELVIN_AT_0_C

CRITICAL_K = 304.1282
"""30.978 degC. Above it there is no liquid, and the gauge has no plateau."""
CRITICAL_BAR = 73.773
CRITICAL_KG_L = 0.4676
ACENTRIC = 0.22394
LEAST_T_C, MOST_T_C = -20.0, 30.9


def saturation_bar(t_c: float) -> float:
    """Absolute pressure, bar, of liquid CO2 with its gas: what a cylinder shows while liquid is left.

    Span and Wagner (1996), J. Phys. Chem. Ref. Data 25:1509, equation 3.13. -20 to 30.9 degC; OutOfRange
    outside. It rises by about 2.2 % a degree near 25 degC.
    """
    theta = _theta(t_c)
    terms = (-7.0602087, 1.0), (1.9391218, 1.5), (-1.6463597, 2.0), (-3.2995634, 4.0)
    return CRITICAL_BAR * math.exp(_sum(terms, theta) / (1.0 - theta))


def liquid_kg_l(t_c: float) -> float:
    """Density of the liquid under its gas, kg/L: the same source, equation 3.14, and range."""
    terms = (1.9245108, 0.34), (-0.62385555, 0.5), (-0.32731127, 10.0 / 6.0), (0.39245142, 11.0 / 6.0)
    return CRITICAL_KG_L * math.exp(_sum(terms, _theta(t_c)))


def vapour_kg_l(t_c: float) -> float:
    """Density of the gas over its liquid, kg/L: the same source, equation 3.15, and range."""
    terms = (
        (-1.7074879, 0.34),
        (-0.82274670, 0.5),
        (-4.6008549, 1.0),
        (-10.111178, 7.0 / 3.0),
        (-29.742252, 14.0 / 3.0),
    )
    return CRITICAL_KG_L * math.exp(_sum(terms, _theta(t_c)))


def gas_kg_l(t_c: float, bar: float) -> float:
    """Density of CO2 gas without liquid, kg/L, at ``bar`` absolute, above 0 and at most ``saturation_bar``.

    Peng and Robinson (1976), Ind. Eng. Chem. Fundam. 15:59: within 3 % of Span and Wagner from 0 degC on,
    which is nearer than a cylinder's gauge. -20 to 30.9 degC; OutOfRange outside.
    """
    above_zero("gas pressure", bar, "bar absolute")
    within(f"gas pressure at {t_c:g} degC", bar, 0.0, saturation_bar(t_c), "bar absolute")
    rt = GAS_CONSTANT_J_MOL_K * (t_c + KELVIN_AT_0_C)
    rtc, pascal = GAS_CONSTANT_J_MOL_K * CRITICAL_K, bar * 1e5
    by_t = 1.0 + (0.37464 + 1.54226 * ACENTRIC - 0.26992 * ACENTRIC**2) * (1.0 - math.sqrt(rt / rtc))
    a = 0.45724 * rtc * rtc / (CRITICAL_BAR * 1e5) * by_t * by_t * pascal / (rt * rt)
    b = 0.07780 * rtc / (CRITICAL_BAR * 1e5) * pascal / rt
    return pascal * CO2_G_MOL * 1e-6 / (_largest_root(a, b) * rt)


def _largest_root(a: float, b: float) -> float:
    """Compressibility of the gas: the largest root of the cubic, reached by Newton from above it."""
    second, third = a - 3.0 * b * b - 2.0 * b, a * b - b * b - b * b * b
    z = 1.0 + b
    for _ in range(100):
        step = (((z - 1.0 + b) * z + second) * z - third) / ((3.0 * z - 2.0 + 2.0 * b) * z + second)
        z -= step
        if abs(step) < 1e-12:
            break
    return z


def _theta(t_c: float) -> float:
    within("cylinder temperature", t_c, LEAST_T_C, MOST_T_C, "degC")
    return 1.0 - (t_c + KELVIN_AT_0_C) / CRITICAL_K


def _sum(terms: tuple[tuple[float, float], ...], theta: float) -> float:
    return math.fsum(factor * theta**power for factor, power in terms)
