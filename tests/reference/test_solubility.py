"""CO2 between gas and water against Weiss's own second set of constants, and bubbles by hand."""

from __future__ import annotations

import math

import pytest
from nightheron.chemistry import equilibria, solubility
from nightheron.chemistry.bounds import OutOfRange
from nightheron.chemistry.constants import constants
from nightheron.chemistry.density import seawater_kg_per_l
from nightheron.chemistry.gas import moles_per_bubble, moles_per_ml, tate_bubble_ml, virial_ml_mol

# Computed from the equation of Weiss 1974, Mar. Chem. 2:203, 1e-2 mol/kg/atm, by another program.
PER_KG = {
    (0, 35): 6.2870, (10, 35): 4.3879, (20, 35): 3.2407, (25, 35): 2.8392, (30, 35): 2.5171,
    (0, 0): 7.7576, (10, 0): 5.3670, (20, 0): 3.9162, (25, 0): 3.4061, (30, 0): 2.9954,
}  # fmt: skip
# Weiss gives a second set of constants, fitted for mol per litre: 1e-2 mol/L/atm at S 35.
PER_L = {0: 6.4647, 10: 4.5069, 20: 3.3215, 25: 2.9059, 30: 2.5722}


@pytest.mark.parametrize(("at", "k0"), PER_KG.items())
def test_solubility_is_that_of_weiss(at: tuple[int, int], k0: float) -> None:
    """Fresh water and seawater, 0 to 30 degC, take up what Weiss (1974) says, to the digits kept."""
    assert equilibria.k0(at[0] + 273.15, at[1]) * 100.0 == pytest.approx(k0, rel=3e-5)


@pytest.mark.parametrize(("t_c", "k0"), PER_L.items())
def test_solubility_by_volume_is_that_by_mass(t_c: int, k0: float) -> None:
    """Weiss's constants for litres and for kilograms differ by the density alone, to 3e-4."""
    # two separate fits of his; he took a slightly older density
    by_mass = equilibria.k0(t_c + 273.15, 35.0) * seawater_kg_per_l(t_c)
    assert by_mass * 100.0 == pytest.approx(k0, rel=3e-4)


def test_the_virial_coefficient_is_weisss() -> None:
    """At 25 degC B is -123.2 mL/mol (Weiss 1974), so that Z at one atmosphere is 0.99496."""
    # Z from CoolProp 8.0.0 (Span and Wagner 1996): 0.994960; the third coefficient makes 2e-5
    assert virial_ml_mol(298.15) == pytest.approx(-123.2, abs=0.05)
    ideal = 101325.0 / (8.31446261815324 * 298.15) * 1e-6
    assert ideal / moles_per_ml(25.0, 1.01325) == pytest.approx(0.99496, abs=3e-5)


def test_fugacity_of_pure_and_of_thin_gas() -> None:
    """Pure, at 25 degC and one atmosphere, the coefficient is 0.9950, as traces in air 0.9968 (by hand)."""
    # exp(-123.2e-6 x 101325 / (8.31446 x 298.15)) = 0.99498; with twice 22.5 more: 0.99681
    assert solubility.fugacity_coefficient(25.0, 1.01325, 1.0) == pytest.approx(0.99498, abs=1e-5)
    # half and half a quarter of that: exp(-(123.2 - 0.25 x 45.0) ...) = 0.99543
    assert solubility.fugacity_coefficient(25.0, 1.01325, 0.0) == pytest.approx(0.99681, abs=1e-5)
    assert solubility.fugacity_coefficient(25.0, 1.01325, 0.5) == pytest.approx(0.99543, abs=1e-5)


def test_water_under_pure_gas_holds_27_mmol() -> None:
    """Seawater at 25 degC under wet CO2 of one atmosphere holds 27.4 mmol/kg, by Weiss and the vapour."""
    k = constants(25.0)
    got = solubility.co2_at_equilibrium(25.0, 35.0, 1.01325, 1.0, k)
    # vapour 0.0307 atm at S 35 (Weiss and Price 1980); pure water has 23.76 mmHg = 0.03126 (steam tables,
    # from memory), 1.9 % more than seawater
    assert solubility.vapour_atm(25.0, 35.0) == pytest.approx(0.03126 / 1.019, rel=3e-3)
    assert got == pytest.approx(0.028392 * 0.99498 * (1.0 - 0.0307), rel=1e-3)
    assert solubility.fugacity_atm(got, k) == pytest.approx(0.99498 * (1.0 - 0.0307), rel=1e-3)


def test_a_bubble_is_its_volume_of_gas() -> None:
    """A bubble of 0.05 mL at 25 degC and one atmosphere is 2.054 umol (Span and Wagner 1996)."""
    assert moles_per_bubble(0.05, 25.0, 1.01325) * 1e6 == pytest.approx(0.05 * 41.081, rel=1e-4)


def test_nozzles_make_bubbles_by_tates_law() -> None:
    """A 2 mm nozzle at 25 degC leaves 0.046 mL: pi x 2 mm x 72 mN/m over the weight of water."""
    # Tate's law, and IAPWS surface tension of water at 25 degC, 71.97 mN/m: both from memory
    assert tate_bubble_ml(2.0, 25.0) == pytest.approx(math.pi * 0.002 * 0.07197 / 9806.65 * 1e6, rel=3e-4)
    assert 0.015 < tate_bubble_ml(1.0, 25.0) < tate_bubble_ml(4.0, 25.0) < 0.1


@pytest.mark.parametrize(
    ("bubble_ml", "t_c", "bar"), [(0.0, 25.0, 1.0), (1.1, 25.0, 1.0), (0.05, 41.0, 1.0), (0.05, 25.0, 3.1)]
)
def test_no_bubble_like_that(bubble_ml: float, t_c: float, bar: float) -> None:
    """No bubble, a huge one, a hot one and one under 3.1 bar are refused."""
    with pytest.raises(OutOfRange, match="is not"):
        moles_per_bubble(bubble_ml, t_c, bar)


@pytest.mark.parametrize(
    ("t_c", "bar", "share"),
    [(-1.0, 1.0, 0.5), (25.0, 0.0, 0.5), (25.0, 3.1, 0.5), (25.0, 1.0, 1.1), (math.nan, 1.0, 1.0)],
)
def test_no_gas_like_that(t_c: float, bar: float, share: float) -> None:
    """Temperatures, pressures and shares outside their ranges are refused."""
    with pytest.raises(OutOfRange, match="is not"):
        solubility.fugacity_coefficient(t_c, bar, share)
    with pytest.raises(OutOfRange, match="is not between 0 and 40"):
        solubility.vapour_atm(40.1, 35.0)
    with pytest.raises(OutOfRange, match="nozzle 7 mm is not between"):
        tate_bubble_ml(7.0, 25.0)
    with pytest.raises(OutOfRange, match="free CO2 -1 mol/kg"):
        solubility.fugacity_atm(-1.0, constants(25.0))
