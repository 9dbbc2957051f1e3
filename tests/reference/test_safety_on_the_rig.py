"""The process safety time against the simulated chamber, second by second, and the needle's pressures."""

from __future__ import annotations

import pytest
from nightheron.chemistry.gas import moles_per_ml
from nightheron.chemistry.needle import outlet_bar_for
from nightheron.chemistry.safety import (
    HARM_BELOW_FLOOR_PH,
    LEAN_EFFLUENT_DKH,
    gas_mol_per_s,
    process_safety_s,
)
from nightheron.chemistry.units import meq_l_from_dkh
from nightheron.rig.plant import Build, Plant
from nightheron.rig.supply import SupplyBuild
from nightheron.rig.vessel import AIR_BAR, HEAD_BAR, VesselBuild

FLOOR_PH = 6.60
DISSOLVE_S = 30.0
"""How long a bubble lives on the rig; the formula lets it dissolve at once."""


def falls_in_s(outlet_bar: float, *, helped: bool, water_l: float = 1.9, gas_ml_min: float = 1.0) -> float:
    """Seconds from the floor to harm on the rig, the gas on; ``helped`` by media and feed or not."""
    bubbles = gas_mol_per_s(gas_ml_min) / (0.05 * moles_per_ml(25.0, AIR_BAR + HEAD_BAR))
    vessel = VesselBuild(
        water_l=water_l,
        effluent_meq_l=meq_l_from_dkh(LEAN_EFFLUENT_DKH),
        start_ph=FLOOR_PH,
        dissolve_s=DISSOLVE_S,
    )
    plant = Plant(Build({"west": (vessel, SupplyBuild(bubbles_per_s=bubbles, line_lag_s=1e-3))}))
    bay = plant.bays["west"]
    bay.gas.outlet_bar = outlet_bar
    if not helped:
        bay.water.media = bay.water.feed = 0.0
    seconds = 0.0
    while bay.ph > FLOOR_PH - HARM_BELOW_FLOOR_PH and seconds < 20_000.0:
        plant.step(1.0, {"west": 1.0})
        seconds += 1.0
    return seconds


@pytest.mark.parametrize("factor", [2.0, 10.0, 50.0])
@pytest.mark.parametrize(("water_l", "gas_ml_min"), [(1.9, 1.0), (5.0, 4.0)])
def test_the_rig_without_help_takes_the_time_that_is_reckoned(
    factor: float, water_l: float, gas_ml_min: float
) -> None:
    """A surge through the needle takes the reckoned time on the rig, to 1 % and the life of a bubble.

    The rig lets bubbles live for half a minute, longer as the water fills with CO2, so it takes later than
    the formula by that, and never sooner.
    """
    reckoned_s = process_safety_s(water_l, FLOOR_PH, factor, gas_ml_min=gas_ml_min)
    played_s = falls_in_s(outlet_bar_for(factor), helped=False, water_l=water_l, gas_ml_min=gas_ml_min)

    assert 0.99 * reckoned_s <= played_s - DISSOLVE_S <= 1.01 * reckoned_s + 0.5 * DISSOLVE_S


@pytest.mark.parametrize("factor", [2.0, 10.0, 50.0])
def test_media_and_feed_only_give_time(factor: float) -> None:
    """A chamber that dissolves and is fed takes longer: a doubled lean gas does not harm it at all."""
    helped_s = falls_in_s(outlet_bar_for(factor), helped=True, gas_ml_min=1.0)

    assert helped_s > process_safety_s(1.9, FLOOR_PH, factor) + DISSOLVE_S
    assert (helped_s >= 20_000.0) is (factor == 2.0)


@pytest.mark.parametrize(("factor", "bar"), [(1.0, 0.28), (10.0, 9.6), (55.0, 57.5)])
def test_the_pressure_of_a_surge(factor: float, bar: float) -> None:
    """The set pressure gives the usual gas, and a full cylinder's some fifty-five times as much.

    By hand: choked flow is 0.6673 of the absolute pressure at a ratio of heat capacities of 1.3 (a
    textbook's critical flow function), the usual flow is 0.5492 of 1.293 bar, before 1.043 bar.
    """
    assert outlet_bar_for(factor) == pytest.approx(bar, rel=0.01)
