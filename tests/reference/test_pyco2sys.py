"""The carbonate system held against PyCO2SYS, run here, over the whole range of its constants.

PyCO2SYS (Humphreys et al. 2022, Geosci. Model Dev. 15:15) is asked for the same constants: Lueker, Dickson
for bisulphate, Uppstrom for borate, Perez and Fraga for fluoride, total scale, no nutrients. It takes
another constant of water (0.8 % apart, see below), which shows in the fourth digit of carbon at most.
"""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import PyCO2SYS
import pytest
from nightheron.chemistry import carbonate, saturation, solubility, solve
from nightheron.chemistry.constants import constants
from nightheron.chemistry.scales import Scale, convert

GRID = list(itertools.product((2.0, 10.0, 20.0, 25.0, 28.0, 35.0), (19.0, 30.0, 35.0, 43.0)))
"""degC and salinity."""
WATERS = [
    (*at, ta, ph) for at in GRID for ta in (1500.0, 2300.0, 10000.0, 35000.0) for ph in (5.5, 6.5, 7.2, 8.2)
]
"""The same with alkalinity in umol/kg and total-scale pH."""


def pyco2sys(ta: Any, ph: Any, t_c: Any, salinity: Any) -> dict[str, Any]:
    """PyCO2SYS with the options named at the top; calcium is its own default for the salinity."""
    return dict(
        PyCO2SYS.sys(
            par1=np.array(ta), par2=np.array(ph), par1_type=1, par2_type=3,
            temperature=np.array(t_c), salinity=np.array(salinity), pressure=0,
            opt_pH_scale=1, opt_k_carbonic=10, opt_k_bisulfate=1, opt_total_borate=1,
            opt_k_fluoride=2, opt_gas_constant=3,
        )
    )  # fmt: skip


@pytest.fixture(scope="module")
def theirs() -> dict[str, Any]:
    """All waters in one call."""
    t_c, salinity, ta, ph = zip(*WATERS, strict=True)
    return pyco2sys(ta, ph, t_c, salinity)


# Same equations, so rounding alone is allowed for, and for KS the gas constants that PyCO2SYS carries.
@pytest.mark.parametrize(
    ("ours", "name", "rel"),
    [
        ("k0", "k_CO2", 1e-9),
        ("k1", "k_carbonic_1", 1e-6),
        ("k2", "k_carbonic_2", 1e-6),
        ("kb", "k_borate", 1e-6),
        ("kw", "k_water", 9e-3),  # Guide: a fixed 0.015 for the change of scale; PyCO2SYS: the computed one
        ("ks", "k_bisulfate", 1e-6),
        ("ksp_aragonite", "k_aragonite", 1e-6),
        ("ksp_calcite", "k_calcite", 1e-6),
        (
            "borate",
            "total_borate",
            2e-4,
        ),  # 0.000232/10.811 per chlorinity, printed elsewhere as 0.0004157 at S 35
        ("sulphate", "total_sulfate", 1e-6),
        ("fluoride", "total_fluoride", 1e-6),
        ("calcium", "total_calcium", 1e-6),
    ],
)
def test_each_constant_is_that_of_pyco2sys(ours: str, name: str, rel: float, theirs: dict[str, Any]) -> None:
    """Every constant and total equals PyCO2SYS's from 2 to 35 degC and S 19 to 43."""
    unit = 1e-6 if name.startswith("total_") else 1.0
    got = [getattr(constants(t_c, salinity), ours) for t_c, salinity, _, _ in WATERS]
    assert got == pytest.approx(list(theirs[name] * unit), rel=rel)


def test_water_is_milleros_less_the_guides_step(theirs: dict[str, Any]) -> None:
    """Water's constant is PyCO2SYS's on the seawater scale (Millero 1995) less the Guide's 0.015, to 1e-9."""
    seawater_scale = theirs["k_water"] * 10.0 ** (theirs["pH_total"] - theirs["pH_sws"])
    got = [math.log(constants(t_c, salinity).kw) for t_c, salinity, _, _ in WATERS]
    assert got == pytest.approx(list(np.log(seawater_scale) - 0.015), abs=1e-9)


def test_carbon_gas_and_saturation_agree(theirs: dict[str, Any]) -> None:
    """Carbon, free CO2, CO2 pressure and both saturations agree to 0.05 %, from alkalinity and pH."""
    got = []
    for t_c, salinity, ta, ph in WATERS:
        k = constants(t_c, salinity)
        dic = carbonate.dic_from_ta_ph(ta * 1e-6, ph, k)
        co2 = carbonate.co2_from_dic_ph(dic, ph, k)
        ion = dic * solve.carbonate_share(carbonate.h_of(ph), k)
        both = [saturation.omega(k.calcium, ion, ksp) for ksp in (k.ksp_aragonite, k.ksp_calcite)]
        got.append([dic * 1e6, co2 * 1e6, solubility.fugacity_atm(co2, k) * 1e6, *both])
    names = ("dic", "CO2", "fCO2", "saturation_aragonite", "saturation_calcite")
    for column, name in enumerate(names):
        assert [row[column] for row in got] == pytest.approx(list(theirs[name]), rel=5e-4), name


def test_ph_from_alkalinity_and_carbon_agrees(theirs: dict[str, Any]) -> None:
    """PyCO2SYS's carbon leads back to its pH within 0.0005: what the other constant of water makes of it."""
    got = [
        carbonate.ph_from_ta_dic(ta * 1e-6, dic * 1e-6, constants(t_c, salinity))
        for (t_c, salinity, ta, _), dic in zip(WATERS, theirs["dic"], strict=True)
    ]
    assert got == pytest.approx([ph for *_, ph in WATERS], abs=5e-4)


@pytest.mark.parametrize(
    ("scale", "name"), [(Scale.FREE, "pH_free"), (Scale.SEAWATER, "pH_sws"), (Scale.NBS, "pH_nbs")]
)
def test_scales_stand_as_far_apart(scale: Scale, name: str, theirs: dict[str, Any]) -> None:
    """Free, seawater and NBS pH of the same water equal PyCO2SYS's to 1e-6."""
    got = [convert(ph, Scale.TOTAL, scale, constants(t_c, salinity)) for t_c, salinity, _, ph in WATERS]
    assert got == pytest.approx(list(theirs[name]), abs=1e-6)


def test_gas_over_water_agrees(theirs: dict[str, Any]) -> None:
    """Water vapour, and the fugacity coefficient of thin CO2 at one atmosphere, equal PyCO2SYS's to 1e-6."""
    vapour = [1.0 - solubility.vapour_atm(t_c, salinity) for t_c, salinity, _, _ in WATERS]
    assert vapour == pytest.approx(list(theirs["vp_factor"]), rel=1e-6)
    thin = [solubility.fugacity_coefficient(t_c, 1.01325, 0.0) for t_c, *_ in WATERS]
    assert thin == pytest.approx(list(theirs["fugacity_factor"]), rel=1e-6)
