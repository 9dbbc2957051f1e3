"""The carbonate system against published check values (S = 35, one atmosphere, total scale)."""

from __future__ import annotations

import math

import pytest
from nightheron.chemistry.carbonate import (
    co2_from_dic_ph,
    constants,
    dic_from_ta_ph,
    nbs_from_total,
    omega_aragonite,
    seawater_kg_per_l,
    total_from_nbs,
)

GUIDE = "Dickson, Sabine and Christian 2007, PICES Special Publication 3, chapter 5"


@pytest.mark.parametrize(
    ("name", "got", "published", "tolerance", "source"),
    [
        ("ln K0", math.log(constants(25).k0), -3.5617, 1e-4, "Weiss 1974 in " + GUIDE),
        ("log10 K1", math.log10(constants(25).k1), -5.8472, 1e-4, "Lueker et al. 2000 in " + GUIDE),
        ("log10 K2", math.log10(constants(25).k2), -8.9660, 1e-4, "Lueker et al. 2000 in " + GUIDE),
        ("ln KB", math.log(constants(25).kb), -19.7964, 1e-4, "Dickson 1990 in " + GUIDE),
        ("ln KW", math.log(constants(25).kw), -30.434, 1e-3, "Millero 1995 in " + GUIDE),
        ("ln KS", math.log(constants(25).ks), -2.30, 0.01, "Dickson 1990 in " + GUIDE),
        ("ln KF", math.log(constants(25).kf), -6.09, 0.01, "Perez and Fraga 1987 in " + GUIDE),
        ("log10 Ksp", math.log10(constants(25).ksp_aragonite), -6.1883, 1e-4, "Mucci 1983 in " + GUIDE),
    ],
)
def test_constants_meet_the_published_check_values(
    name: str, got: float, published: float, tolerance: float, source: str
) -> None:
    """Each constant at 25 degC equals the check value that its source prints."""
    assert got == pytest.approx(published, abs=tolerance), f"{name}: {source}"


# PyCO2SYS 1.8.3.4: pK1, pK2, pKB, pKsp aragonite, pH(NBS) - pH(total)
BY_TEMPERATURE = [
    (10, 5.9933, 9.2134, 8.7791, 6.1683, 0.10331),
    (20, 5.8914, 9.0465, 8.6561, 6.1794, 0.12512),
    (22, 5.8732, 9.0141, 8.6325, 6.1827, 0.12965),
    (25, 5.8472, 8.9660, 8.5975, 6.1883, 0.13654),
    (28, 5.8226, 8.9185, 8.5629, 6.1948, 0.14357),
    (30, 5.8071, 8.8871, 8.5400, 6.1995, 0.14832),
]


@pytest.mark.parametrize(("t_c", "pk1", "pk2", "pkb", "pksp", "nbs"), BY_TEMPERATURE)
def test_constants_follow_temperature(
    t_c: int, pk1: float, pk2: float, pkb: float, pksp: float, nbs: float
) -> None:
    """From 10 to 30 degC the constants and the NBS offset equal those of PyCO2SYS 1.8.3.4."""
    k = constants(t_c)
    got = [-math.log10(value) for value in (k.k1, k.k2, k.kb, k.ksp_aragonite)]
    assert got == pytest.approx([pk1, pk2, pkb, pksp], abs=1e-4)
    assert k.nbs_above_total == pytest.approx(nbs, abs=2e-5)


# Computed from the equations of Weiss 1974, Mar. Chem. 2:203; mol/kg/atm at S = 35.
WEISS = {10: 0.043879, 20: 0.032407, 22: 0.030692, 25: 0.028392, 28: 0.026377, 30: 0.025171}


@pytest.mark.parametrize(("t_c", "k0"), WEISS.items())
def test_solubility_follows_weiss(t_c: int, k0: float) -> None:
    """The solubility of CO2 follows the equations of Weiss (1974)."""
    assert constants(t_c).k0 == pytest.approx(k0, rel=1e-4)


# PyCO2SYS 1.8.3.4 (Lueker, Dickson KSO4, Uppstrom, Perez and Fraga):
# degC, pH total, TA umol/kg, Ca mmol/kg, DIC, CO2* umol/kg, omega aragonite
GRID = [
    (25, 6.5, 2300, 10, 2796.40, 507.37, 0.12037),
    (22, 6.5, 5000, 14, 6154.76, 1172.83, 0.32419),
    (25, 6.5, 5000, 14, 6083.66, 1103.79, 0.36662),
    (28, 6.5, 5000, 14, 6019.89, 1042.30, 0.41475),
    (25, 6.5, 10000, 14, 12171.16, 2208.28, 0.73348),
    (25, 6.5, 15000, 16, 18258.67, 3312.78, 1.25752),
    (22, 6.8, 10000, 14, 11102.03, 1168.49, 1.28583),
    (25, 6.8, 10000, 14, 11024.92, 1098.94, 1.45313),
    (28, 6.8, 10000, 14, 10954.60, 1036.92, 1.64264),
    (25, 7.0, 5000, 14, 5279.91, 343.47, 1.14084),
    (25, 7.0, 15000, 16, 15862.48, 1031.90, 3.91707),
    (25, 8.1, 2300, 10.28457, 1967.15, 9.6255, 3.72229),
    (25, 8.2, 2300, 10.28457, 1901.58, 7.1765, 4.39848),
]


@pytest.mark.parametrize(("t_c", "ph", "ta", "ca", "dic", "co2", "omega"), GRID)
def test_carbon_agrees_with_pyco2sys(
    t_c: int, ph: float, ta: float, ca: float, dic: float, co2: float, omega: float
) -> None:
    """From alkalinity and pH, carbon, free CO2 and saturation agree with PyCO2SYS to 0.05 %."""
    k = constants(t_c)
    got = dic_from_ta_ph(ta * 1e-6, ph, k)
    assert got * 1e6 == pytest.approx(dic, rel=5e-4)
    assert co2_from_dic_ph(got, ph, k) * 1e6 == pytest.approx(co2, rel=5e-4)
    assert omega_aragonite(got, ph, ca * 1e-3, k) == pytest.approx(omega, rel=5e-4)


# Totals by the formulas in PyCO2SYS 1.8.3.4: Uppstrom 1974, Morris and Riley 1966, Riley 1965,
# Riley and Tongudai 1967.
def test_totals_of_seawater() -> None:
    """Borate, sulphate, fluoride and calcium at S = 35 are those of the sources named above."""
    k = constants(25)
    got = [k.borate, k.sulphate, k.fluoride, k.calcium]
    assert got == pytest.approx([4.15758e-4, 0.0282354, 6.83258e-5, 0.01028457], rel=1e-4)


@pytest.mark.parametrize(("t_c", "kg_m3"), [(22, 1024.222), (25, 1023.344), (28, 1022.395)])
def test_density(t_c: int, kg_m3: float) -> None:
    """Density by EOS-80 agrees with TEOS-10 (gsw 3.6.23) to ten parts in a million at S = 35."""
    assert seawater_kg_per_l(t_c) * 1000.0 == pytest.approx(kg_m3, rel=1e-5)


# Check values of EOS-80 in Fofonoff and Millard 1983, UNESCO Technical Papers in Marine Science 44 (from
# memory), kg/m3 at one atmosphere, all digits printed: salinity, degC, density.
EOS_80 = [(0, 5, 999.96675), (0, 25, 997.04796), (35, 5, 1027.67547), (35, 25, 1023.34306)]


@pytest.mark.parametrize(("salinity", "t_c", "kg_m3"), EOS_80)
def test_density_meets_the_printed_check_values(salinity: int, t_c: int, kg_m3: float) -> None:
    """Fresh water and seawater, cold and warm, have the density that UNESCO prints, to every digit."""
    assert seawater_kg_per_l(t_c, salinity) * 1000.0 == pytest.approx(kg_m3, abs=6e-6)


def test_scales_convert_there_and_back() -> None:
    """A reading taken to the total scale and back is the same reading."""
    k = constants(25)
    assert nbs_from_total(total_from_nbs(6.6, k), k) == pytest.approx(6.6, abs=1e-12)


@pytest.mark.parametrize(("t_c", "salinity"), [(1.9, 35), (35.1, 35), (25, 18), (25, 44), (float("nan"), 35)])
def test_constants_refuse_water_they_were_not_measured_in(t_c: float, salinity: float) -> None:
    """Outside the range of Lueker et al. (2000) there is an error, not a number."""
    with pytest.raises(ValueError, match="is not between"):
        constants(t_c, salinity)


def test_no_carbon_without_alkalinity_for_it() -> None:
    """An alkalinity that borate alone exceeds is refused."""
    with pytest.raises(ValueError, match="leaves nothing for carbonate"):
        dic_from_ta_ph(1e-5, 8.2, constants(25))
