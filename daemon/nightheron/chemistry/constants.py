"""All that one temperature and salinity fix: the constants and totals that the carbonate system needs."""

from __future__ import annotations

import math
from dataclasses import dataclass

from nightheron.chemistry import equilibria
from nightheron.chemistry.bounds import within
from nightheron.chemistry.nernst import KELVIN_AT_0_C

SALINITY = 35.0
"""Practical salinity of ordinary seawater."""
CHLORINITY = 1.0 / 1.80655
"""Grams of chlorinity in a unit of practical salinity."""


@dataclass(frozen=True, slots=True)
class Constants:
    """Equilibrium constants and totals at one temperature and salinity, mol/kg, total scale.

    The source of each constant stands with its formula in ``equilibria``.
    """

    k0: float
    """Solubility of CO2, mol/kg/atm."""
    k1: float
    k2: float
    kb: float
    kw: float
    ks: float
    """Bisulphate, free scale."""
    kf: float
    """Hydrogen fluoride, free scale."""
    ksp_aragonite: float
    """(mol/kg)^2."""
    ksp_calcite: float
    """(mol/kg)^2."""
    borate: float
    """Uppstrom (1974), Deep-Sea Res. 21:161."""
    sulphate: float
    """Morris and Riley (1966), Deep-Sea Res. 13:699."""
    fluoride: float
    """Riley (1965), Deep-Sea Res. 12:219."""
    calcium: float
    """Riley and Tongudai (1967), Chem. Geol. 2:263."""
    acid_per_h: float
    """Alkalinity taken by acid for each mol of total-scale hydrogen: 1 for free hydrogen and bisulphate,
    and what hydrogen fluoride adds. Taken as a constant, which leaves out 1e-9 mol/kg at pH 5 and 1e-7
    at pH 4."""
    nbs_above_total: float
    """pH(NBS) - pH(total), by the activity factor of Takahashi et al. (1982); an electrode's liquid
    junction moves it by 0.02 or more."""
    seawater_above_total: float
    """pH(seawater scale) - pH(total); below 0."""
    free_above_total: float
    """pH(free scale) - pH(total)."""


def constants(t_c: float, salinity: float = SALINITY) -> Constants:
    """Constants at ``t_c`` degC and practical ``salinity``; OutOfRange outside 2-35 degC, S 19-43.

    That is the range of Lueker et al. (2000), who measured at far less CO2 than a chamber holds: expect
    a few percent of bias in CO2. Solubility of the minerals is extrapolated below 5 degC, and hydrogen
    fluoride, which hardly matters, below 9 and above 33. Costs about ten steps of ``solve.next_h``, so
    keep the result while the temperature stands.
    """
    within("water temperature", t_c, 2.0, 35.0, "degC")
    within("salinity", salinity, 19.0, 43.0)
    kelvin = t_c + KELVIN_AT_0_C
    ks, kf = equilibria.ks(kelvin, salinity), equilibria.kf(kelvin, salinity)
    sulphate = 0.14 / 96.062 * salinity * CHLORINITY
    fluoride = 6.7e-5 / 18.998 * salinity * CHLORINITY
    total_per_free = 1.0 + sulphate / ks
    seawater_per_total = 1.0 + fluoride / kf / total_per_free
    activity = equilibria.hydrogen_activity(kelvin, salinity)
    return Constants(
        k0=equilibria.k0(kelvin, salinity),
        k1=equilibria.k1(kelvin, salinity),
        k2=equilibria.k2(kelvin, salinity),
        kb=equilibria.kb(kelvin, salinity),
        kw=equilibria.kw(kelvin, salinity),
        ks=ks,
        kf=kf,
        ksp_aragonite=equilibria.ksp_aragonite(kelvin, salinity),
        ksp_calcite=equilibria.ksp_calcite(kelvin, salinity),
        borate=0.000232 / 10.811 * salinity * CHLORINITY,
        sulphate=sulphate,
        fluoride=fluoride,
        calcium=0.02128 / 40.087 * salinity * CHLORINITY,
        acid_per_h=seawater_per_total,
        nbs_above_total=-math.log10(seawater_per_total * activity),
        seawater_above_total=-math.log10(seawater_per_total),
        free_above_total=math.log10(total_per_free),
    )
