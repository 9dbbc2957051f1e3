"""Units against the atomic weights they are made of, and there and back."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given, strategies as st
from nightheron.chemistry import units
from nightheron.chemistry.bounds import OutOfRange
from nightheron.chemistry.density import seawater_kg_per_l

amounts = st.floats(0.0, 1000.0)
densities = st.floats(0.99, 1.04)


# IUPAC atomic weights: Ca 40.078, C 12.011, O 15.999. A German degree is 10 mg/L CaO (DIN 38409-6, from
# memory). Pure arithmetic, so five digits.
@pytest.mark.parametrize(
    ("got", "wanted"),
    [
        (units.caco3_from_meq_l(1.0), 50.043),
        (units.dkh_from_meq_l(1.0), 2.80385),
        (units.meq_l_from_dkh(1.0), 0.356652),
        (units.caco3_from_meq_l(units.meq_l_from_dkh(1.0)), 17.84796),
        (units.calcium_mg_l_gained(1.0), 20.039),
        (units.calcium_mg_l_gained(units.meq_l_from_dkh(1.0)), 7.14696),
        (units.bar_from_psi(1.0), 6894.757293168e-5),
        (14.503774 * units.BAR_PER_PSI, 1.0),
        (14.695949 * units.BAR_PER_PSI, units.ATM_BAR),
        (5.0 * units.KG_PER_LB, 2.26796185),
    ],
)
def test_units_follow_the_atomic_weights(got: float, wanted: float) -> None:
    """Each factor is the one that IUPAC's weights and the legal definitions give, to five digits."""
    assert got == pytest.approx(wanted, rel=1e-5)


@pytest.mark.parametrize(("t_c", "umol_kg"), [(22, 976.351), (25, 977.189), (28, 978.095)])
def test_a_litre_is_not_a_kilogram(t_c: float, umol_kg: float) -> None:
    """1 meq/L is 977 umol/kg in seawater at 25 degC, by the TEOS-10 density of gsw 3.6.23."""
    # EOS-80 here, TEOS-10 there: ten parts in a million.
    got = units.mol_kg_from_meq_l(1.0, seawater_kg_per_l(t_c))
    assert got * 1e6 == pytest.approx(umol_kg, rel=1e-5)


def test_seawater_in_the_units_of_test_kits() -> None:
    """2300 umol/kg and 10.28457 mmol/kg of calcium are 6.599 dKH and 421.81 mg/L at S 35 and 25 degC."""
    kg_per_l = seawater_kg_per_l(25.0)
    dkh = units.dkh_from_meq_l(units.meq_l_from_mol_kg(2300e-6, kg_per_l))
    assert dkh == pytest.approx(6.599, abs=5e-4)
    assert units.calcium_mg_l_from_mol_kg(10.28457e-3, kg_per_l) == pytest.approx(421.81, abs=0.01)


@given(amounts, densities)
def test_every_unit_comes_back(amount: float, kg_per_l: float) -> None:
    """Each conversion and its inverse give the amount back to rounding."""
    pairs: tuple[tuple[Callable[[float], float], Callable[[float], float]], ...] = (
        (units.meq_l_from_dkh, units.dkh_from_meq_l),
        (units.meq_l_from_caco3, units.caco3_from_meq_l),
        (
            lambda x: units.mol_kg_from_meq_l(x, kg_per_l),
            lambda x: units.meq_l_from_mol_kg(x, kg_per_l),
        ),
        (
            lambda x: units.calcium_mol_kg_from_mg_l(x, kg_per_l),
            lambda x: units.calcium_mg_l_from_mol_kg(x, kg_per_l),
        ),
    )
    for there, back in pairs:
        assert back(there(amount)) == pytest.approx(amount, rel=1e-12, abs=1e-300)


def test_a_gauge_reads_what_is_over_the_air() -> None:
    """0.2 bar on a gauge is 1.21325 bar absolute at one atmosphere, and 25 mL/min of seawater 0.4264 g/s."""
    assert units.absolute_bar(0.2) == pytest.approx(1.21325)
    assert units.kg_s_from_ml_min(25.0, 1.023344) == pytest.approx(0.42639e-3, rel=1e-4)


@pytest.mark.parametrize("bad", [-1.0, float("nan"), float("inf")])
def test_no_unit_for_what_is_no_amount(bad: float) -> None:
    """A negative amount, a NaN and infinity are refused by every conversion, with the value in the error."""
    for convert in (
        units.meq_l_from_dkh,
        units.dkh_from_meq_l,
        units.meq_l_from_caco3,
        units.caco3_from_meq_l,
        units.calcium_mg_l_gained,
        units.bar_from_psi,
        units.absolute_bar,
    ):
        with pytest.raises(OutOfRange, match=f"{bad:g} .* is not a number of 0 or more"):
            convert(bad)
    for by_density in (
        units.mol_kg_from_meq_l,
        units.meq_l_from_mol_kg,
        units.calcium_mol_kg_from_mg_l,
        units.calcium_mg_l_from_mol_kg,
        units.kg_s_from_ml_min,
    ):
        with pytest.raises(OutOfRange, match="is not a number of 0 or more"):
            by_density(bad, 1.02)
        with pytest.raises(OutOfRange, match=r"density .* is not between 0\.99 and 1\.04"):
            by_density(1.0, bad)
