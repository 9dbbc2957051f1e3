"""The equilibrium constants of seawater as their sources print them, one function each.

``kelvin`` is the temperature in K and ``s`` the practical salinity, both already checked by whoever
calls; amounts are mol per kg of seawater at one atmosphere. Scale and source stand with each.
"""

from __future__ import annotations

import math


def k0(kelvin: float, s: float) -> float:
    """Solubility of CO2, mol/kg/atm of fugacity: Weiss (1974), Mar. Chem. 2:203; -1 to 40 degC, S 0-40."""
    hundredth = kelvin / 100.0
    by_salt = 0.023517 - 0.023656 * hundredth + 0.0047036 * hundredth**2
    return math.exp(-60.2409 + 93.4517 / hundredth + 23.3585 * math.log(hundredth) + s * by_salt)


def k1(kelvin: float, s: float) -> float:
    """First constant of carbonic acid, mol/kg, total scale: Lueker, Dickson and Keeling (2000), Mar.
    Chem. 70:105; 2 to 35 degC, S 19-43."""
    pk = 3633.86 / kelvin - 61.2172 + 9.67770 * math.log(kelvin) - 0.011555 * s + 0.0001152 * s * s
    return math.pow(10.0, -pk)


def k2(kelvin: float, s: float) -> float:
    """Second constant of carbonic acid, mol/kg, total scale: the same source and range."""
    pk = 471.78 / kelvin + 25.9290 - 3.16967 * math.log(kelvin) - 0.01781 * s + 0.0001122 * s * s
    return math.pow(10.0, -pk)


def kb(kelvin: float, s: float) -> float:
    """Boric acid, mol/kg, total scale: Dickson (1990), Deep-Sea Res. 37:755; 0 to 45 degC, S 5-45."""
    root = math.sqrt(s)
    return math.exp(
        (-8966.90 - 2890.53 * root - 77.942 * s + 1.728 * s * root - 0.0996 * s * s) / kelvin
        + (148.0248 + 137.1942 * root + 1.62142 * s)
        - (24.4344 + 25.085 * root + 0.2474 * s) * math.log(kelvin)
        + 0.053105 * root * kelvin
    )


def kw(kelvin: float, s: float) -> float:
    """Water, (mol/kg)^2, total scale: Millero (1995), GCA 59:661, as printed by Dickson, Sabine and
    Christian (2007), who take a fixed 0.015 for the change of scale."""
    ln_kelvin = math.log(kelvin)
    return math.exp(
        148.9652
        - 13847.26 / kelvin
        - 23.6521 * ln_kelvin
        + (118.67 / kelvin - 5.977 + 1.0495 * ln_kelvin) * math.sqrt(s)
        - 0.01615 * s
    )


def ks(kelvin: float, s: float) -> float:
    """Bisulphate, mol/kg, free scale: Dickson (1990), J. Chem. Thermodyn. 22:113; 0 to 45 degC, S 5-45."""
    ionic, ln_kelvin = 19.924 * s / (1000.0 - 1.005 * s), math.log(kelvin)
    return math.exp(
        -4276.1 / kelvin
        + 141.328
        - 23.093 * ln_kelvin
        + (-13856.0 / kelvin + 324.57 - 47.986 * ln_kelvin) * math.sqrt(ionic)
        + (35474.0 / kelvin - 771.54 + 114.723 * ln_kelvin) * ionic
        - 2698.0 / kelvin * ionic**1.5
        + 1776.0 / kelvin * ionic**2
        + math.log(1.0 - 0.001005 * s)
    )


def kf(kelvin: float, s: float) -> float:
    """Hydrogen fluoride, mol/kg, taken on the free scale: Perez and Fraga (1987), Mar. Chem. 21:161;
    9 to 33 degC, S 10-40. It moves the seawater scale by less than 0.003."""
    return math.exp(874.0 / kelvin - 9.68 + 0.111 * math.sqrt(s))


def ksp_aragonite(kelvin: float, s: float) -> float:
    """Solubility product of aragonite, (mol/kg)^2: Mucci (1983), Am. J. Sci. 283:780; 5 to 40 degC,
    S 5-44."""
    root = math.sqrt(s)
    by_root = (-0.068393 + 0.0017276 * kelvin + 88.135 / kelvin) * root
    log_k = -171.945 - 0.077993 * kelvin + 2903.293 / kelvin + 71.595 * math.log10(kelvin)
    return math.pow(10.0, log_k + by_root - 0.10018 * s + 0.0059415 * s * root)


def ksp_calcite(kelvin: float, s: float) -> float:
    """Solubility product of calcite without magnesium, (mol/kg)^2: the same source and range."""
    root = math.sqrt(s)
    by_root = (-0.77712 + 0.0028426 * kelvin + 178.34 / kelvin) * root
    log_k = -171.9065 - 0.077993 * kelvin + 2839.319 / kelvin + 71.595 * math.log10(kelvin)
    return math.pow(10.0, log_k + by_root - 0.07711 * s + 0.0041249 * s * root)


def hydrogen_activity(kelvin: float, s: float) -> float:
    """fH: what turns seawater-scale hydrogen into the NBS scale's activity: Takahashi et al. (1982),
    GEOSECS Pacific Expedition vol. 3, p. 80. It belongs to the electrode as much as to the water."""
    return 1.2948 - 0.002036 * kelvin + (0.0004607 - 0.000001475 * kelvin) * s * s
