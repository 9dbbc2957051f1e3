"""The steady chamber by algebra, against the same chamber stepped through time until it rests."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import pytest
from hypothesis import given, settings, strategies as st
from nightheron.chemistry.bounds import OutOfRange
from nightheron.chemistry.carbonate import dic_from_ta_ph
from nightheron.chemistry.ceiling import ceiling_ta
from nightheron.chemistry.constants import Constants, constants
from nightheron.chemistry.saturation import dissolution, omega
from nightheron.chemistry.solve import alkalinity, carbonate_share, next_h
from nightheron.chemistry.steady import Chamber, rate_from_effluent, steady_at_ph, steady_with_gas

K = constants(25.0)
TANK_TA = 2.79e-3  # 8 dKH
TANK = Chamber(
    ta_in=TANK_TA,
    dic_in=dic_from_ta_ph(TANK_TA, 8.06, K),
    calcium_in=10.5e-3,
    flow_kg_s=25e-3 * 1.0233 / 60.0,
    rate_mol_s=5.1e-6,
)
"""25 mL/min of tank water, and media that give 9 meq/kg at a probe reading of 6.7. Assumed."""

chambers = st.builds(
    lambda flow, rate, order: replace(TANK, flow_kg_s=flow * 1e-3 / 60.0, rate_mol_s=rate, order=order),
    st.floats(10.0, 100.0),
    st.floats(1e-7, 1e-4),
    st.sampled_from([0.5, 1.0, 1.5, 3.0]),
)


@dataclass(slots=True)
class Stepped:
    """A vessel of ``kg`` of water, stepped by its three balances with nothing of the algebra under test."""

    kg: float
    ta: float
    dic: float
    calcium: float
    h: float

    def step(self, dt_s: float, gas_mol_s: float, feed: Chamber, k: Constants) -> None:
        """One explicit step of flow, dissolution and gas."""
        self.h = next_h(self.ta, self.dic, self.h, k)
        now = omega(self.calcium, self.dic * carbonate_share(self.h, k), k.ksp_aragonite)
        made = dissolution(now, feed.rate_mol_s, feed.order) * dt_s / self.kg
        share = feed.flow_kg_s * dt_s / self.kg
        self.ta += share * (feed.ta_in - self.ta) + 2.0 * made
        self.dic += share * (feed.dic_in - self.dic) + made + gas_mol_s * dt_s / self.kg
        self.calcium += share * (feed.calcium_in - self.calcium) + made


@pytest.mark.parametrize("gas_mol_s", [0.0, 0.3e-6, 0.73e-6, 2e-6, 6e-6])
@pytest.mark.parametrize("order", [1.0, 3.0])
def test_algebra_and_time_end_at_the_same_water(gas_mol_s: float, order: float) -> None:
    """Two days in steps of 5 s, begun with tank water, end where the algebra says."""
    feed = replace(TANK, order=order)
    wanted = steady_with_gas(gas_mol_s, feed, K)
    water = Stepped(1.9, feed.ta_in, feed.dic_in, feed.calcium_in, 10**-8.0)
    for _ in range(2 * 86_400 // 5):
        water.step(5.0, gas_mol_s, feed, K)
    # a rest does not know its steps, and 38 turnovers leave nothing of the start; what remains is the
    # solver's 1e-10 and the bisection's
    assert -math.log10(water.h) == pytest.approx(wanted.ph, abs=1e-7)
    got = (water.ta, water.dic, water.calcium)
    assert got == pytest.approx((wanted.ta, wanted.dic, wanted.calcium), rel=1e-7)


def test_a_closed_chamber_keeps_its_carbon_and_alkalinity() -> None:
    """Without flow, alkalinity less twice the calcium, and carbon less calcium and gas, stay to rounding."""
    closed = replace(TANK, flow_kg_s=1e-300)
    water = Stepped(1.9, 3e-3, 5e-3, 10.5e-3, 10**-6.5)
    charge, carbon = water.ta - 2.0 * water.calcium, water.dic - water.calcium
    for _ in range(20_000):
        water.step(1.0, 0.73e-6, closed, K)
    assert water.calcium > 11e-3  # media did dissolve
    assert water.ta - 2.0 * water.calcium == pytest.approx(charge, abs=1e-13)
    assert water.dic - water.calcium == pytest.approx(carbon + 20_000 * 0.73e-6 / 1.9, abs=1e-13)
    assert alkalinity(water.dic, next_h(water.ta, water.dic, water.h, K), K) == pytest.approx(
        water.ta, rel=1e-9
    )


@settings(max_examples=60)
@given(chambers, st.floats(5.5, 9.0))
def test_a_steady_state_balances(chamber: Chamber, ph: float) -> None:
    """At any pH what dissolves is what flows out, gas closes the carbon, and the ceiling is not passed."""
    state = steady_at_ph(ph, chamber, K)
    made = dissolution(state.omega, chamber.rate_mol_s, chamber.order)
    # near saturation a sharp order magnifies the last bits of omega
    assert state.dissolved_mol_s == pytest.approx(made, rel=1e-6, abs=1e-12)
    carbon = chamber.flow_kg_s * (state.dic - chamber.dic_in)
    assert carbon == pytest.approx(state.dissolved_mol_s + state.gas_mol_s, rel=1e-9, abs=1e-18)
    assert (
        chamber.ta_in <= state.ta <= max(ceiling_ta(ph, chamber.ta_in, chamber.calcium_in, K), chamber.ta_in)
    )


@settings(max_examples=40)
@given(chambers, st.floats(0.0, 5e-6), st.floats(1.01, 3.0))
def test_more_gas_is_lower_ph_and_richer_effluent(chamber: Chamber, gas_mol_s: float, factor: float) -> None:
    """Gas and pH lead to each other, more gas always means lower pH, and never less alkalinity."""
    one, more = (steady_with_gas(g, chamber, K) for g in (gas_mol_s, gas_mol_s * factor + 1e-9))
    assert one.gas_mol_s == pytest.approx(gas_mol_s, abs=1e-12)
    assert more.ph < one.ph
    assert more.ta >= one.ta


def test_a_higher_rate_nears_the_ceiling() -> None:
    """Media that dissolve a thousand times faster give effluent at the ceiling, slower ones far less."""
    ph = 6.563
    ceiling = ceiling_ta(ph, TANK.ta_in, TANK.calcium_in, K)
    fast = steady_at_ph(ph, replace(TANK, rate_mol_s=1000.0 * TANK.rate_mol_s), K)
    slow = steady_at_ph(ph, replace(TANK, rate_mol_s=0.1 * TANK.rate_mol_s), K)
    assert 0.995 < fast.ta / ceiling < 1.0
    assert slow.ta < 0.4 * ceiling


@pytest.mark.parametrize("order", [0.5, 1.0, 3.0])
def test_saturated_water_dissolves_nothing(order: float) -> None:
    """From a saturation of one on, dissolution is nothing at all, and just below it nearly nothing."""
    assert (
        dissolution(1.0, 1.0, order) == dissolution(1.001, 1.0, order) == dissolution(5.0, 1.0, order) == 0.0
    )
    assert dissolution(0.75, 2.0, order) == pytest.approx(2.0 * 0.25**order)


def test_tank_water_passes_untouched_without_gas() -> None:
    """Without gas, seawater is supersaturated: nothing dissolves, and it leaves as it came."""
    state = steady_with_gas(0.0, TANK, K)
    assert state.dissolved_mol_s == 0.0
    assert state.ph == pytest.approx(8.06, abs=1e-6)


@settings(max_examples=60)
@given(chambers, st.floats(6.0, 6.9))
def test_one_effluent_test_gives_the_rate_back(chamber: Chamber, ph: float) -> None:
    """The rate reckoned from a steady effluent is the rate that made it."""
    state = steady_at_ph(ph, chamber, K)
    # an effluent at the ceiling to six digits says nothing of the rate any more
    if state.omega < 0.999:
        assert rate_from_effluent(ph, state.ta, chamber, K) == pytest.approx(chamber.rate_mol_s, rel=1e-6)


def test_an_effluent_test_above_the_ceiling_is_refused() -> None:
    """Effluent richer than saturated water, or no richer than the tank, is called a wrong test or probe."""
    for ta_out in (ceiling_ta(6.563, TANK.ta_in, TANK.calcium_in, K), TANK.ta_in, float("nan")):
        with pytest.raises(OutOfRange, match=r"saturated at pH 6\.563\): test again, and check the probe"):
            rate_from_effluent(6.563, ta_out, TANK, K)


@pytest.mark.parametrize(
    ("field", "bad"),
    [
        ("ta_in", 0.0), ("dic_in", -1.0), ("calcium_in", math.nan),
        ("flow_kg_s", 0.0), ("rate_mol_s", math.inf), ("order", 5.0),
    ],
)  # fmt: skip
def test_no_chamber_of_nothing(field: str, bad: float) -> None:
    """Water, flow and media outside their ranges are refused."""
    with pytest.raises(OutOfRange, match="is not"):
        replace(TANK, **{field: bad})


@pytest.mark.parametrize("gas", [-1e-9, 1.0, math.nan])
def test_no_steady_state_for_impossible_gas(gas: float) -> None:
    """Negative gas, gas that would take pH below 4, and a NaN are refused."""
    with pytest.raises(OutOfRange, match=r"gas .* is not"):
        steady_with_gas(gas, TANK, K)
