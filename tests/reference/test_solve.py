"""Hydrogen from alkalinity and carbon: the fast way, the careful way and the way back agree."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings, strategies as st
from nightheron.chemistry.bounds import OutOfRange
from nightheron.chemistry.carbonate import (
    co2_from_dic_ph,
    dic_from_ta_ph,
    omega_aragonite,
    ph_from_ta_dic,
    ta_from_dic_ph,
)
from nightheron.chemistry.constants import constants
from nightheron.chemistry.saturation import omega
from nightheron.chemistry.solve import alkalinity, carbonate_share, co2_share, next_h

waters = st.tuples(
    st.floats(2.0, 35.0),  # degC
    st.floats(19.0, 43.0),  # salinity
    st.floats(2e-3, 35e-3),  # alkalinity, mol/kg
    st.floats(5.0, 9.0),  # pH, total scale
)


@settings(max_examples=200)
@given(waters)
def test_ph_and_carbon_give_each_other_back(water: tuple[float, float, float, float]) -> None:
    """From alkalinity and pH to carbon, and from alkalinity and carbon back, is the same pH."""
    t_c, salinity, ta, ph = water
    k = constants(t_c, salinity)
    dic = dic_from_ta_ph(ta, ph, k)
    assert ph_from_ta_dic(ta, dic, k) == pytest.approx(ph, abs=1e-9)
    assert ta_from_dic_ph(dic, ph, k) == pytest.approx(ta, rel=1e-12)


@settings(max_examples=200)
@given(waters, st.floats(-5.0, 5.0))
def test_any_guess_leads_to_the_same_hydrogen(water: tuple[float, float, float, float], off: float) -> None:
    """Newton's answer does not depend on the guess, be it a hundred thousand times too high or too low."""
    t_c, salinity, ta, ph = water
    k = constants(t_c, salinity)
    dic = dic_from_ta_ph(ta, ph, k)
    assert next_h(ta, dic, 10.0 ** (off - ph), k) == pytest.approx(10.0**-ph, rel=1e-8)


def test_one_second_of_gas_takes_one_round() -> None:
    """After a second of ordinary gas a single Newton round from the last hydrogen is good to 1e-8."""
    k = constants(25)
    ta, h = 8e-3, 10**-6.5
    dic = dic_from_ta_ph(ta, 6.5, k) + 0.73e-6 / 1.95  # 0.73 umol/s into 1.9 L
    slope = (alkalinity(dic, h * 1.000001, k) - alkalinity(dic, h, k)) / (h * 1e-6)
    one_round = h + (ta - alkalinity(dic, h, k)) / slope
    assert one_round == pytest.approx(next_h(ta, dic, h, k), rel=1e-8)
    assert next_h(ta, dic, h, k) > h


def test_shares_say_what_the_careful_functions_say() -> None:
    """Free CO2 and saturation from the cheap shares equal those of the checked functions."""
    k = constants(22, 33)
    h, dic = math.pow(10.0, -6.7), 9e-3
    assert dic * co2_share(h, k) == co2_from_dic_ph(dic, 6.7, k)
    assert omega(0.014, dic * carbonate_share(h, k), k.ksp_aragonite) == omega_aragonite(dic, 6.7, 0.014, k)


@pytest.mark.parametrize(
    ("ta", "dic"), [(1.0, 1e-3), (-0.5, 2e-3), (float("nan"), 2e-3), (2e-3, float("nan"))]
)
def test_no_ph_for_water_that_cannot_be(ta: float, dic: float) -> None:
    """Alkalinity and carbon that no pH from 4 to 10 reconciles are refused, and so is a NaN."""
    with pytest.raises(OutOfRange, match="is not"):
        ph_from_ta_dic(ta, dic, constants(25))


@pytest.mark.parametrize(("ta", "dic"), [(float("nan"), 2e-3), (2e-3, float("nan")), (50.0, 1e-3)])
def test_a_step_never_makes_a_ph_of_nonsense(ta: float, dic: float) -> None:
    """The fast solver refuses a NaN, and water that no pH from 0 to 14 fits, rather than return a number."""
    with pytest.raises(OutOfRange, match="so pH is not between 0 and 14"):
        next_h(ta, dic, 1e-7, constants(25))


@pytest.mark.parametrize("ph", [3.9, 10.1, float("nan"), float("inf")])
def test_ph_out_of_range_is_named(ph: float) -> None:
    """A pH outside 4 to 10 is refused with the range."""
    with pytest.raises(OutOfRange, match="is not between 4 and 10"):
        dic_from_ta_ph(2e-3, ph, constants(25))
