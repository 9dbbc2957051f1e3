"""The carbonate system of seawater, as far as a chamber of carbonate media needs it.

Amounts are mol per kg of seawater. pH is on the total scale unless a name says ``nbs``: what a
buffer-calibrated electrode reads stands about 0.137 higher at 25 degC and salinity 35. The published
constants were measured at far less CO2 than a chamber holds, so expect a few percent of bias in CO2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from nightheron.chemistry.nernst import KELVIN_AT_0_C

SALINITY = 35.0
"""Practical salinity of ordinary seawater."""


@dataclass(frozen=True, slots=True)
class Constants:
    """Equilibrium constants and totals at one temperature and salinity, mol/kg, total scale."""

    k0: float
    """Solubility of CO2, mol/kg/atm: Weiss (1974), Mar. Chem. 2:203."""
    k1: float
    """Lueker, Dickson and Keeling (2000), Mar. Chem. 70:105."""
    k2: float
    """The same."""
    kb: float
    """Boric acid: Dickson (1990), Deep-Sea Res. 37:755."""
    kw: float
    """Water: Millero (1995), GCA 59:661, as printed by Dickson, Sabine and Christian (2007)."""
    ks: float
    """Bisulphate, free scale: Dickson (1990), J. Chem. Thermodyn. 22:113."""
    kf: float
    """Hydrogen fluoride, taken on the free scale: Perez and Fraga (1987), Mar. Chem. 21:161."""
    ksp_aragonite: float
    """(mol/kg)^2: Mucci (1983), Am. J. Sci. 283:780."""
    borate: float
    """Uppstrom (1974)."""
    sulphate: float
    """Morris and Riley (1966)."""
    fluoride: float
    """Riley (1965)."""
    calcium: float
    """Riley and Tongudai (1967)."""
    nbs_above_total: float
    """pH(NBS) - pH(total), by the activity factor of Takahashi et al. (1982); an electrode's liquid
    junction moves it by 0.02 or more."""


def constants(t_c: float, salinity: float = SALINITY) -> Constants:
    """Constants at ``t_c`` degC and practical ``salinity``; ValueError outside 2-35 degC, S 19-43."""
    if not 2.0 <= t_c <= 35.0:
        raise ValueError(f"water temperature {t_c} degC is not between 2 and 35")
    if not 19.0 <= salinity <= 43.0:
        raise ValueError(f"salinity {salinity} is not between 19 and 43")
    kelvin = t_c + KELVIN_AT_0_C
    ks, kf = _ks(kelvin, salinity), _kf(kelvin, salinity)
    sulphate = 0.14 / 96.062 * salinity / 1.80655
    fluoride = 6.7e-5 / 18.998 * salinity / 1.80655
    total_per_free = 1.0 + sulphate / ks
    seawater_per_free = total_per_free + fluoride / kf
    activity = 1.2948 - 0.002036 * kelvin + (0.0004607 - 0.000001475 * kelvin) * salinity**2
    return Constants(
        k0=_k0(kelvin, salinity),
        k1=_k1(kelvin, salinity),
        k2=_k2(kelvin, salinity),
        kb=_kb(kelvin, salinity),
        kw=_kw(kelvin, salinity),
        ks=ks,
        kf=kf,
        ksp_aragonite=_ksp_aragonite(kelvin, salinity),
        borate=0.000232 / 10.811 * salinity / 1.80655,
        sulphate=sulphate,
        fluoride=fluoride,
        calcium=0.02128 / 40.087 * salinity / 1.80655,
        nbs_above_total=-math.log10(seawater_per_free / total_per_free) - math.log10(activity),
    )


def total_from_nbs(ph_nbs: float, k: Constants) -> float:
    """pH on the total scale of what a buffer-calibrated electrode reads as ``ph_nbs``."""
    return ph_nbs - k.nbs_above_total


def nbs_from_total(ph: float, k: Constants) -> float:
    """What a buffer-calibrated electrode reads in water of total-scale ``ph``."""
    return ph + k.nbs_above_total


def dic_from_ta_ph(ta: float, ph: float, k: Constants) -> float:
    """Dissolved inorganic carbon, mol/kg, of water with alkalinity ``ta`` (mol/kg) at total-scale ``ph``.

    Raises ValueError when the alkalinity is less than borate, water and acid alone make of it at that
    pH, so that no carbon could fit.
    """
    h = _h(ph)
    carbonate_alkalinity = ta - _other_alkalinity(h, k)
    if not carbonate_alkalinity > 0.0:
        raise ValueError(f"alkalinity {ta} mol/kg leaves nothing for carbonate at pH {ph}")
    return carbonate_alkalinity * (h * h + k.k1 * h + k.k1 * k.k2) / (k.k1 * h + 2.0 * k.k1 * k.k2)


def co2_from_dic_ph(dic: float, ph: float, k: Constants) -> float:
    """Free CO2 (with carbonic acid), mol/kg, in water with carbon ``dic`` at total-scale ``ph``."""
    h = _h(ph)
    return dic * h * h / (h * h + k.k1 * h + k.k1 * k.k2)


def omega_aragonite(dic: float, ph: float, calcium: float, k: Constants) -> float:
    """Saturation of aragonite, 1 at equilibrium; media dissolve only below 1."""
    h = _h(ph)
    carbonate = dic * k.k1 * k.k2 / (h * h + k.k1 * h + k.k1 * k.k2)
    return calcium * carbonate / k.ksp_aragonite


def seawater_kg_per_l(t_c: float, salinity: float = SALINITY) -> float:
    """Density at one atmosphere, kg/L: Millero and Poisson (1981), Deep-Sea Res. 28A:625 (EOS-80)."""
    t, s = t_c, salinity
    by_t = 6.793952e-2 + t * (-9.095290e-3 + t * (1.001685e-4 + t * (-1.120083e-6 + t * 6.536332e-9)))
    pure = 999.842594 + t * by_t
    a = 8.24493e-1 + t * (-4.0899e-3 + t * (7.6438e-5 + t * (-8.2467e-7 + t * 5.3875e-9)))
    b = -5.72466e-3 + t * (1.0227e-4 - t * 1.6546e-6)
    return (pure + a * s + b * s * math.sqrt(s) + 4.8314e-4 * s * s) / 1000.0


def _h(ph: float) -> float:
    if not 2.0 <= ph <= 12.0:
        raise ValueError(f"pH {ph} is not between 2 and 12")
    return math.pow(10.0, -ph)


def _other_alkalinity(h: float, k: Constants) -> float:
    """Borate, hydroxide and acid; on the total scale h is free hydrogen and bisulphate together."""
    h_free = h / (1.0 + k.sulphate / k.ks)
    return k.borate * k.kb / (k.kb + h) + k.kw / h - h - k.fluoride * h_free / (h_free + k.kf)


def _k0(kelvin: float, s: float) -> float:
    hundredth = kelvin / 100.0
    by_salt = 0.023517 - 0.023656 * hundredth + 0.0047036 * hundredth**2
    return math.exp(-60.2409 + 93.4517 / hundredth + 23.3585 * math.log(hundredth) + s * by_salt)


def _k1(kelvin: float, s: float) -> float:
    pk = 3633.86 / kelvin - 61.2172 + 9.67770 * math.log(kelvin) - 0.011555 * s + 0.0001152 * s * s
    return math.pow(10.0, -pk)


def _k2(kelvin: float, s: float) -> float:
    pk = 471.78 / kelvin + 25.9290 - 3.16967 * math.log(kelvin) - 0.01781 * s + 0.0001122 * s * s
    return math.pow(10.0, -pk)


def _kb(kelvin: float, s: float) -> float:
    root = math.sqrt(s)
    return math.exp(
        (-8966.90 - 2890.53 * root - 77.942 * s + 1.728 * s * root - 0.0996 * s * s) / kelvin
        + (148.0248 + 137.1942 * root + 1.62142 * s)
        - (24.4344 + 25.085 * root + 0.2474 * s) * math.log(kelvin)
        + 0.053105 * root * kelvin
    )


def _kw(kelvin: float, s: float) -> float:
    ln_kelvin = math.log(kelvin)
    return math.exp(
        148.9652
        - 13847.26 / kelvin
        - 23.6521 * ln_kelvin
        + (118.67 / kelvin - 5.977 + 1.0495 * ln_kelvin) * math.sqrt(s)
        - 0.01615 * s
    )


def _ks(kelvin: float, s: float) -> float:
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


def _kf(kelvin: float, s: float) -> float:
    return math.exp(874.0 / kelvin - 9.68 + 0.111 * math.sqrt(s))


def _ksp_aragonite(kelvin: float, s: float) -> float:
    root = math.sqrt(s)
    return float(
        10.0
        ** (
            -171.945
            - 0.077993 * kelvin
            + 2903.293 / kelvin
            + 71.595 * math.log10(kelvin)
            + (-0.068393 + 0.0017276 * kelvin + 88.135 / kelvin) * root
            - 0.10018 * s
            + 0.0059415 * s * root
        )
    )
