"""The most that media can give, and the gas it takes, against PyCO2SYS's numbers and hand reckoning."""

from __future__ import annotations

from typing import Literal, cast

import pytest
from hypothesis import given, strategies as st
from nightheron.chemistry.bounds import OutOfRange
from nightheron.chemistry.carbonate import dic_from_ta_ph, omega_aragonite
from nightheron.chemistry.ceiling import ceiling_ta, effluent_ceiling_dkh
from nightheron.chemistry.constants import constants
from nightheron.chemistry.dose import co2_per_equivalent, co2_per_equivalent_at, gas_mol_per_day


@given(st.floats(5.0, 9.0), st.floats(1e-3, 5e-3), st.floats(5e-3, 20e-3), st.floats(2.0, 35.0))
def test_water_at_the_ceiling_is_saturated(ph: float, ta_in: float, calcium_in: float, t_c: float) -> None:
    """With the calcium that came along, water at the ceiling has a saturation of exactly one."""
    k = constants(t_c)
    ta = ceiling_ta(ph, ta_in, calcium_in, k)
    calcium = calcium_in + (ta - ta_in) / 2.0
    assert omega_aragonite(dic_from_ta_ph(ta, ph, k), ph, calcium, k) == pytest.approx(1.0, rel=1e-9)


def test_seawater_itself_is_saturated_where_pyco2sys_says() -> None:
    """Seawater of 2300 umol/kg is at its own ceiling at pH 7.434 (total), 25 degC, by PyCO2SYS 1.8.3.4."""
    k = constants(25.0)
    # 0.001 of pH is 0.2 % of the ceiling, half of it for the last digit printed
    assert ceiling_ta(7.434, 2300e-6, k.calcium, k) == pytest.approx(2300e-6, rel=2e-3)


# Saturations by PyCO2SYS 1.8.3.4 at 25 degC, either side of one: pH total, TA umol/kg, Ca mmol/kg, omega
@pytest.mark.parametrize(
    ("ph", "ta", "ca", "omega"),
    [
        (6.5, 10000, 14, 0.73348),
        (6.5, 15000, 16, 1.25752),
        (6.8, 10000, 14, 1.45313),
        (7.0, 5000, 14, 1.14084),
    ],
)
def test_the_ceiling_parts_waters_as_pyco2sys_does(ph: float, ta: float, ca: float, omega: float) -> None:
    """Water that PyCO2SYS calls undersaturated lies below the ceiling, and oversaturated water above it."""
    k = constants(25.0)
    ceiling = ceiling_ta(ph, ta * 1e-6, ca * 1e-3, k)  # the same calcium at this alkalinity
    assert (ta * 1e-6 < ceiling) is (omega < 1.0)


@pytest.mark.parametrize(("ph_nbs", "dkh"), [(6.5, 44.0), (7.0, 19.0)])
def test_ordinary_effluent_fits_under_the_ceiling(ph_nbs: float, dkh: float) -> None:
    """At probe readings of 6.5 and 7.0 the ceiling is 44 and 19 dKH: practice (15 to 40, no source) fits."""
    assert effluent_ceiling_dkh(ph_nbs) == pytest.approx(dkh, abs=0.5)


@pytest.mark.parametrize(("ph", "factor"), [(6.5, 1.24), (7.0, 1.28)])
def test_the_scale_of_a_probe_matters(ph: float, factor: float) -> None:
    """Taking a buffer-calibrated reading for total-scale pH puts the ceiling a quarter too low."""
    k = constants(25.0)
    right = ceiling_ta(ph - k.nbs_above_total, 2300e-6, k.calcium, k)
    assert right / ceiling_ta(ph, 2300e-6, k.calcium, k) == pytest.approx(factor, abs=0.005)


def test_a_probe_a_tenth_high_hides_a_seventh() -> None:
    """Reading 6.7 for 6.6 makes the ceiling 15 % too low."""
    assert effluent_ceiling_dkh(6.7) / effluent_ceiling_dkh(6.6) == pytest.approx(0.85, abs=0.01)


def test_the_ceiling_for_people_is_that_for_chemists() -> None:
    """8 dKH, 430 mg/L of calcium, 25 degC and S 35 are meant where nothing is said."""
    # 1 dKH is 0.356652 meq/L and calcium 40.078 g/mol; 1.02334 kg/L
    k = constants(25.0)
    ta = ceiling_ta(6.6 - k.nbs_above_total, 8 * 0.356652e-3 / 1.0233435, 0.430 / 40.078 / 1.0233435, k)
    assert effluent_ceiling_dkh(6.6) == pytest.approx(ta * 1.0233435 / 0.356652e-3, rel=2e-6)


def test_calcite_gives_less() -> None:
    """Calcite is the less soluble: its ceiling is lower at any pH."""
    assert effluent_ceiling_dkh(6.6, mineral="calcite") < 0.8 * effluent_ceiling_dkh(6.6)


def test_media_are_one_mineral_or_the_other() -> None:
    """A mineral that is neither aragonite nor calcite is refused, not taken for one of them."""
    with pytest.raises(OutOfRange, match="mineral 'dolomite' is neither"):
        ceiling_ta(7.0, 2e-3, 0.01, constants(25.0), cast(Literal["calcite"], "dolomite"))


def test_tank_water_cannot_dissolve_media() -> None:
    """At a tank's pH of 8.2 the ceiling lies below the tank's own 8 dKH: nothing dissolves."""
    assert effluent_ceiling_dkh(8.2) < 4.0


@pytest.mark.parametrize(
    ("ph", "t_c", "salinity", "why"),
    [
        (4.4, 25.0, 35.0, "chamber pH 4.4 is not between 4.5 and 9"),
        (6.6, 1.0, 35.0, "water temperature 1 degC is not between 2 and 35"),
        (6.6, 25.0, 18.0, "salinity 18 is not between 19 and 43"),
        (float("nan"), 25.0, 35.0, "chamber pH nan"),
    ],
)
def test_the_ceiling_names_what_is_out_of_range(ph: float, t_c: float, salinity: float, why: str) -> None:
    """A pH, temperature or salinity outside the range is refused by name."""
    with pytest.raises(OutOfRange, match=why):
        effluent_ceiling_dkh(ph, t_c, salinity)


# DIC by PyCO2SYS 1.8.3.4 at 25 degC: 1901.58 at TA 2300, pH 8.2; 12171.16 at TA 10000, pH 6.5 (umol/kg)
def test_gas_for_an_equivalent_from_published_carbon() -> None:
    """From 2300 umol/kg at 8.2 to 10000 at 6.5 takes 0.834 mol of CO2 an equivalent, by PyCO2SYS's carbon."""
    by_hand = (12171.16 - 1901.58 - (10000 - 2300) / 2) / (10000 - 2300)
    assert by_hand == pytest.approx(0.834, abs=5e-4)
    assert co2_per_equivalent(2300e-6, 1901.58e-6, 10000e-6, 12171.16e-6) == pytest.approx(by_hand, rel=1e-9)
    got = co2_per_equivalent_at(6.5, 2300e-6, 8.2, 10000e-6, constants(25.0))
    assert got == pytest.approx(by_hand, rel=1e-3)


@given(st.floats(6.3, 7.2), st.floats(3e-3, 15e-3))
def test_an_equivalent_never_comes_for_less_than_half_a_mole(ph: float, ta_out: float) -> None:
    """From ordinary tank water no effluent takes less than 0.5 mol of CO2 an equivalent."""
    assert co2_per_equivalent_at(ph, 2300e-6, 8.06, ta_out, constants(25.0)) > 0.5


def test_ordinary_chambers_take_three_quarters_and_more() -> None:
    """At readings of 6.6 to 6.9 and effluent of 20 to 30 dKH an equivalent takes 0.65 to 1.15 mol."""
    k = constants(25.0)
    got = [
        co2_per_equivalent_at(ph - k.nbs_above_total, 2.79e-3, 8.06, dkh * 0.356652e-3 / 1.0233, k)
        for ph in (6.6, 6.75, 6.9)
        for dkh in (20.0, 30.0)
    ]
    assert 0.65 < min(got) < 0.8
    assert 0.9 < max(got) < 1.15


def test_gas_of_a_day() -> None:
    """7.2 meq/L at 25 mL/min and 0.8 mol an equivalent is 36 L of water and 0.207 mol a day, by hand."""
    assert gas_mol_per_day(7.2, 25.0, 0.8) == pytest.approx(0.0072 * 36.0 * 0.8)


def test_no_dose_without_a_gain() -> None:
    """Effluent no richer than what went in, negative carbon and absurd doses are refused."""
    with pytest.raises(OutOfRange, match=r"alkalinity out 0\.002 .* is not above the 0\.0023"):
        co2_per_equivalent(2300e-6, 2e-3, 2e-3, 3e-3)
    with pytest.raises(OutOfRange, match="carbon in -1 mol/kg is not a number of 0 or more"):
        co2_per_equivalent(2300e-6, -1.0, 5e-3, 3e-3)
    for gain, flow, each in ((0.0, 25.0, 0.8), (7.0, 0.0, 0.8), (7.0, 25.0, 0.3), (float("nan"), 25.0, 0.8)):
        with pytest.raises(OutOfRange, match="is not"):
            gas_mol_per_day(gain, flow, each)
