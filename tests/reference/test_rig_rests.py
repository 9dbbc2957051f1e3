"""The simulated vessel comes to rest where the algebra of the steady state says: two ways, one answer."""

from __future__ import annotations

import math

import pytest
from nightheron.chemistry.carbonate import total_from_nbs
from nightheron.chemistry.ceiling import ceiling_ta
from nightheron.chemistry.steady import Chamber, rate_from_effluent, steady_with_gas
from nightheron.rig import wrong
from nightheron.rig.tank import Tank, TankBuild
from nightheron.rig.vessel import Vessel, VesselBuild, fitted_rate

FEED = Tank(TankBuild()).water
K = Tank(TankBuild()).k


def chamber_of(vessel: Vessel) -> Chamber:
    """The steady chamber that a simulated vessel is, from how it was built."""
    flow = vessel.build.flow_ml_min / 6e4 * vessel.kg_per_l
    return Chamber(FEED.ta, FEED.dic, FEED.ca, flow, vessel.rate_mol_s)


@pytest.mark.parametrize("gas_mol_s", [0.0, 0.4e-6, 0.8e-6, 2e-6, 5e-6])
@pytest.mark.parametrize("flow_ml_min", [15.0, 40.0])
def test_the_vessel_rests_where_the_algebra_says(gas_mol_s: float, flow_ml_min: float) -> None:
    """After two days of steady gas the simulated vessel has the pH, alkalinity and carbon reckoned."""
    # Each balance is stepped by itself, so a rest has no step in it; left are 23 turnovers of the start at
    # 15 mL/min (1e-10), the solver's tolerance and the reckoning's halvings.
    vessel = Vessel(VesselBuild(flow_ml_min=flow_ml_min), FEED, K)
    media_mol, healthy = vessel.media_mol, wrong.Water()
    for _ in range(2 * 86_400 // 10):
        vessel.media_mol = media_mol  # else the media shrink by a few tenths of a percent
        vessel.step(10.0, gas_mol_s, FEED, healthy)
    wanted = steady_with_gas(gas_mol_s, chamber_of(vessel), K)
    zone = vessel.zone
    assert -math.log10(zone.h) == pytest.approx(wanted.ph, abs=1e-6)
    assert (zone.ta, zone.dic, zone.ca) == pytest.approx((wanted.ta, wanted.dic, wanted.calcium), rel=1e-6)


@pytest.mark.parametrize(("effluent_meq_l", "tested_ph"), [(5.0, 6.9), (7.1, 6.65), (10.0, 6.5)])
def test_a_rate_is_the_same_whoever_fits_it(effluent_meq_l: float, tested_ph: float) -> None:
    """The rate that the simulated vessel takes from an effluent test is the one the algebra takes from it."""
    build = VesselBuild(effluent_meq_l=effluent_meq_l, tested_ph=tested_ph)
    vessel = Vessel(build, FEED, K)
    ta = effluent_meq_l * 1e-3 / vessel.kg_per_l
    got = rate_from_effluent(total_from_nbs(tested_ph, K), ta, chamber_of(vessel), K)
    assert fitted_rate(build, FEED, K) == pytest.approx(got, rel=1e-9)


def test_no_vessel_passes_the_ceiling() -> None:
    """Even media a hundred times as quick leave the simulated effluent below saturation at its pH."""
    vessel = Vessel(VesselBuild(), FEED, K)
    vessel.rate_mol_s *= 100.0
    for _ in range(86_400):
        vessel.step(1.0, 3e-6, FEED, wrong.Water())
    ph = -math.log10(vessel.zone.h)
    assert 0.98 < vessel.zone.ta / ceiling_ta(ph, FEED.ta, FEED.ca, K) < 1.0
    assert steady_with_gas(3e-6, chamber_of(vessel), K).ph == pytest.approx(ph, abs=2e-3)
