"""Gas density against the equation of state, and the process safety time against a hand reckoning."""

from __future__ import annotations

import pytest
from nightheron.chemistry.gas import moles_per_ml
from nightheron.chemistry.safety import gas_mol_per_s, process_safety_s

# CoolProp 8.0.0 (Span and Wagner 1996, J. Phys. Chem. Ref. Data 25:1509), umol/mL at 1 atm.
SPAN_WAGNER = {0: 44.918, 20: 41.794, 22: 41.506, 25: 41.081, 26.85: 40.824, 28: 40.665}


@pytest.mark.parametrize(("t_c", "umol"), SPAN_WAGNER.items())
def test_gas_density(t_c: float, umol: float) -> None:
    """Moles in a millilitre of CO2 agree with Span and Wagner (1996) to 1e-4 at one atmosphere."""
    assert moles_per_ml(t_c, 1.01325) * 1e6 == pytest.approx(umol, rel=1e-4)


def test_gas_density_at_one_bar() -> None:
    """One mmol of CO2 takes 24.666 mL at 25 degC and 100 kPa (CoolProp 8.0.0, Span and Wagner 1996)."""
    assert 1e-3 / moles_per_ml(25.0, 1.0) == pytest.approx(24.666, rel=1e-4)


@pytest.mark.parametrize(("t_c", "bar"), [(-1, 1), (41, 1), (25, 0), (25, 3.1), (25, float("nan"))])
def test_gas_density_refuses_what_it_was_not_made_for(t_c: float, bar: float) -> None:
    """Outside its range the density is an error, not a number."""
    with pytest.raises(ValueError, match="gas"):
        moles_per_ml(t_c, bar)


def test_normal_gas_is_near_three_quarters_of_a_micromole_a_second() -> None:
    """One 0.05 mL bubble in three seconds at 1.08 bar, 25 degC, is 0.730 umol/s by Span and Wagner (1996)."""
    # CoolProp 8.0.0: 43.80208 mol/m3
    assert gas_mol_per_s() == pytest.approx(43.80208 * 0.05e-6 / 3.0, rel=1e-4)


def test_safety_time_from_published_carbon() -> None:
    """The time equals the carbon between the two pH values, taken from PyCO2SYS, over the gas."""
    # PyCO2SYS 1.8.3.4 at 25 degC, TA 5000 umol/kg: DIC 5279.91 at pH_T 7.0; at 6.5 it is 6083.66, of which
    # 1103.79 is CO2*. The last tenth, down to 6.4, is nearly all CO2*, which goes as h.
    more_umol_per_kg = 6083.66 + 1103.79 * (10**0.1 - 1.0) - 5279.91
    dkh = 5000e-6 * 1.023344 / 0.356652e-3
    by_hand_s = more_umol_per_kg * 1e-6 * 1.023344 * 1.9 / (10.0 * gas_mol_per_s())
    assert process_safety_s(1.9, 7.0 + 0.13654, 10.0, effluent_dkh=dkh) == pytest.approx(by_hand_s, rel=0.01)


def test_safety_time_goes_with_water_and_against_gas() -> None:
    """Twice the water gives twice the time; ten times the gas a tenth of it."""
    one = process_safety_s(1.9, 6.6, 1.0)
    assert process_safety_s(3.8, 6.6, 1.0) == pytest.approx(2.0 * one)
    assert process_safety_s(1.9, 6.6, 10.0) == pytest.approx(one / 10.0)


def test_safety_time_is_reckoned_short() -> None:
    """The lean effluent assumed gives less time than a rich one."""
    assert process_safety_s(1.9, 6.6, 10.0) < process_safety_s(1.9, 6.6, 10.0, effluent_dkh=40.0) / 2.0


@pytest.mark.parametrize(
    "given", [(0.0, 6.6, 1.0), (1.9, 4.9, 1.0), (1.9, 6.6, 0.0), (float("nan"), 6.6, 1.0)]
)
def test_safety_time_refuses_nonsense(given: tuple[float, float, float]) -> None:
    """No water, no gas, a floor out of range or a NaN is an error, not a time."""
    with pytest.raises(ValueError, match="is not"):
        process_safety_s(*given)
