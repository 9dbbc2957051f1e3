"""The simulated site's physics: balances, steady states, and the ways water is known to behave."""

from __future__ import annotations

import math

import pytest
from nightheron.chemistry.carbonate import constants, dic_from_ta_ph, omega_aragonite, total_from_nbs
from nightheron.chemistry.needle import CHOKED, orifice
from nightheron.model import Signal
from nightheron.rig import wrong
from nightheron.rig.plant import Build, Plant
from nightheron.rig.supply import Supply, SupplyBuild
from nightheron.rig.tank import Tank, TankBuild
from nightheron.rig.vessel import AIR_BAR, HEAD_BAR, Vessel, VesselBuild, fitted_rate

OPEN, SHUT = {"west": 1.0}, {"west": 0.0}
TANK = Tank(TankBuild())


def _plant(vessel: VesselBuild | None = None, supply: SupplyBuild | None = None, seed: int = 1) -> Plant:
    return Plant(Build({"west": (vessel or VesselBuild(), supply or SupplyBuild())}), seed)


def _steady(plant: Plant, hours: float = 16.0) -> Plant:
    plant.step(hours * 3600, OPEN)
    return plant


def test_a_closed_chamber_keeps_every_mole() -> None:
    """Without feed, carbon, calcium and alkalinity in water, media and gas add up to rounding for a day."""
    vessel = Vessel(VesselBuild(), TANK.water, TANK.k)
    zone, bad = vessel.zone, wrong.Water(feed=0.0)
    gas_mol_s, arrived = 2e-6, 0.0
    carbon = zone.dic * zone.kg + vessel.media_mol
    lime = zone.ca * zone.kg + vessel.media_mol
    charge = zone.ta * zone.kg + 2.0 * vessel.media_mol
    for second in range(86400):
        gas_mol_s = 2e-6 if second % 3600 < 1200 else 0.0
        vessel.step(1.0, gas_mol_s, TANK.water, bad)
        arrived += gas_mol_s
    assert zone.dic * zone.kg + vessel.media_mol + vessel.gas_mol == pytest.approx(
        carbon + arrived, rel=1e-12
    )
    assert zone.ca * zone.kg + vessel.media_mol == pytest.approx(lime, rel=1e-12)
    assert zone.ta * zone.kg + 2.0 * vessel.media_mol == pytest.approx(charge, rel=1e-12)
    assert vessel.media_mol < VesselBuild().media_kg / 0.100087


def test_standing_water_and_mixing_keep_every_mole() -> None:
    """Parting the water, hours of standing, and mixing it again lose no carbon."""
    vessel = Vessel(VesselBuild(), TANK.water, TANK.k)
    before = vessel.zone.dic * vessel.zone.kg + vessel.media_mol
    for _ in range(7200):
        vessel.step(1.0, 1e-6, TANK.water, wrong.Water(feed=0.0, circulation=0.0))
    vessel.step(1.0, 0.0, TANK.water, wrong.Water(feed=0.0))
    after = vessel.zone.dic * vessel.zone.kg + vessel.media_mol + vessel.gas_mol
    assert after == pytest.approx(before + 7200 * 1e-6, rel=1e-12)


@pytest.mark.parametrize("bubbles_per_s", [0.4, 0.8, 1.5])
def test_the_integration_ends_where_the_algebra_says(bubbles_per_s: float) -> None:
    """In the steady state alkalinity gained is twice what dissolves, and the gas is what the carbon takes.

    G = F [(DIC - DIC0) - (TA - TA0) / 2], and R = kA (1 - omega), from the balances alone.
    """
    vessel = Vessel(VesselBuild(), TANK.water, TANK.k)
    gas_mol_s = bubbles_per_s * 2.1e-6
    for _ in range(60_000):
        vessel.step(1.0, gas_mol_s, TANK.water, wrong.Water())
    vessel.media_mol = vessel._media_at_first
    zone, feed, flow = vessel.zone, TANK.water, vessel.flow_kg_s
    ph = -math.log10(zone.h)
    assert flow * ((zone.dic - feed.dic) - (zone.ta - feed.ta) / 2) == pytest.approx(gas_mol_s, rel=1e-3)
    left = 1.0 - omega_aragonite(zone.dic, ph, zone.ca, vessel.k)
    assert flow * (zone.ta - feed.ta) == pytest.approx(2.0 * vessel.rate_mol_s * left, rel=5e-3)
    assert zone.dic == pytest.approx(dic_from_ta_ph(zone.ta, ph, vessel.k), rel=1e-9)


def test_a_fitted_chamber_gives_the_effluent_it_was_fitted_to() -> None:
    """Held at the pH of its effluent test, a chamber ends at the alkalinity of that test."""
    plant, bay_ph = _plant(), VesselBuild().tested_ph
    bay = plant.bays["west"]
    tank = plant.tank.water
    feed = (tank.ta, tank.dic, tank.ca)
    for _ in range(50_000):
        plant.step(1.0, OPEN if bay.ph > bay_ph else SHUT)
        tank.ta, tank.dic, tank.ca = feed
    meq_l = bay.vessel.zone.ta * bay.vessel.kg_per_l * 1e3
    assert meq_l == pytest.approx(VesselBuild().effluent_meq_l, rel=0.02)


@pytest.mark.parametrize("build", [VesselBuild(effluent_meq_l=2.0), VesselBuild(effluent_meq_l=16.0)])
def test_an_effluent_test_that_cannot_be_is_refused(build: VesselBuild) -> None:
    """Effluent poorer than the feed, or richer than saturated water at its pH, fits no rate."""
    with pytest.raises(ValueError, match=r"no rate that fits|above what media can give"):
        fitted_rate(build, TANK.water, TANK.k)


@pytest.mark.parametrize("water_l", [1.5, 1.9, 6.0])
@pytest.mark.parametrize("bubble_ml", [0.015, 0.05, 0.09])
@pytest.mark.parametrize("rate", [0.1, 1.0, 10.0])
def test_the_usual_start_is_lean_but_plausible(water_l: float, bubble_ml: float, rate: float) -> None:
    """One bubble in three seconds and 25 mL/min (common practice, no source) suit every plausible chamber.

    Effluent ends richer than the feed and below saturation, and only large bubbles on dead media bring pH
    to a floor of 6.6: it is a start, not a setting.
    """
    build = Build(
        {"west": (VesselBuild(water_l), SupplyBuild(bubbles_per_s=1 / 3, bubble_ml=bubble_ml))}, step_s=5.0
    )
    plant = Plant(build)
    bay = plant.bays["west"]
    bay.vessel.rate_mol_s *= rate
    plant.step(36 * 3600.0, OPEN)
    zone = bay.vessel.zone
    assert zone.ta > plant.tank.water.ta
    assert omega_aragonite(zone.dic, -math.log10(zone.h), zone.ca, bay.vessel.k) < 1.0
    assert 6.1 < bay.ph < 7.9
    assert bay.ph > 6.6 or (bubble_ml > 0.04 and rate < 1.0)


def test_a_pause_answers_as_chambers_do() -> None:
    """After a long opening the probe rises about 0.01 in two minutes of closed gas, 0.02-0.1 in five,
    0.05-0.2 in ten: what such a chamber was worked out to do."""
    plant = _steady(_plant(supply=SupplyBuild(bubbles_per_s=0.8)))
    bay = plant.bays["west"]
    before, rises = bay.probe.ph, []
    for pause_s in (120, 180, 300):
        plant.step(pause_s, SHUT)
        rises.append(bay.probe.ph - before)
    assert -0.005 < rises[0] < 0.02
    assert 0.02 < rises[1] < 0.1
    assert 0.05 < rises[2] < 0.2


def test_gas_left_in_the_line_still_acts() -> None:
    """After a closing pH falls on for a while, then turns."""
    plant = _plant(supply=SupplyBuild(bubbles_per_s=3.0))
    plant.step(900, OPEN)
    at_close = plant.bays["west"].ph
    plant.step(30, SHUT)
    assert plant.bays["west"].ph < at_close - 0.005
    plant.step(3600, SHUT)
    assert plant.bays["west"].ph > at_close


def test_standing_water_goes_either_way() -> None:
    """With circulation stopped and gas on, pH at the probe rises when gas enters under the media, and falls
    when it enters where the probe is."""
    ends = []
    for gas_at_probe in (False, True):
        plant = _plant()
        plant.step(1800, OPEN)
        before = plant.bays["west"].ph
        plant.bays["west"].water = wrong.Water(circulation=0.0, gas_at_probe=gas_at_probe)
        plant.step(3 * 3600, OPEN)
        ends.append(plant.bays["west"].ph - before)
    assert ends[0] > 0.3
    assert ends[1] < -0.1


def test_a_trapped_pocket_dissolves_when_circulation_returns() -> None:
    """Gas let into standing water makes a pocket; set moving, it takes pH down with the valve shut."""
    plant = _plant()
    bay = plant.bays["west"]
    plant.step(1800, OPEN)
    bay.water = wrong.Water(circulation=0.0)
    plant.step(2 * 3600, OPEN)
    pocket_mol = bay.vessel.gas_mol
    plant.step(600, SHUT)
    bay.water = wrong.Water()
    plant.step(300, SHUT)
    assert pocket_mol > 5e-3
    assert bay.vessel.gas_mol < 0.02 * pocket_mol
    assert bay.ph < 6.4


def test_stopped_feed_falls_slowly_with_gas_and_stands_without() -> None:
    """Feed stopped, pH with gas on falls further, and with gas off its rise comes to an end."""
    fed, unfed = _plant(), _plant()
    unfed.bays["west"].water.feed = 0.0
    for plant in (fed, unfed):
        plant.step(2 * 3600, OPEN)
    assert unfed.bays["west"].ph < fed.bays["west"].ph - 0.02
    unfed.step(8 * 3600, SHUT)
    stands = unfed.bays["west"].ph
    unfed.step(2 * 3600, SHUT)
    assert unfed.bays["west"].ph - stands < 0.01
    fed.step(10 * 3600, SHUT)
    assert fed.bays["west"].ph > stands + 0.3


@pytest.mark.parametrize(
    ("outlet_bar", "least", "most"), [(1.0, 1.5, 2.5), (9.5, 9.0, 11.0), (57.0, 45.0, 60.0)]
)
def test_the_needle_is_an_orifice(outlet_bar: float, least: float, most: float) -> None:
    """Creep to 1 bar doubles the gas, 9.5 bar make ten times, and the full cylinder more than fifty times."""
    usual = orifice(AIR_BAR + 0.28, AIR_BAR + HEAD_BAR)
    assert least < orifice(AIR_BAR + outlet_bar, AIR_BAR + HEAD_BAR) / usual < most


def test_an_orifice_chokes_and_needs_pressure() -> None:
    """Below the critical ratio, 0.546 for a ratio of heats of 1.3, more suction passes no more."""
    assert pytest.approx(0.546, abs=5e-4) == CHOKED
    assert orifice(4.0, 1.0) == orifice(4.0, 2.0)
    assert orifice(1.0, 1.0) == orifice(1.0, 1.5) == 0.0


def test_a_cylinder_runs_out() -> None:
    """A cylinder gives the gas it holds and then none."""
    supply, bad = Supply(SupplyBuild(cylinder_g=0.1)), wrong.Supply()
    gave = sum(supply.step(1.0, 1.0, HEAD_BAR, bad) for _ in range(4000))
    assert gave == pytest.approx(0.1 / 44.0095, rel=1e-3)
    assert supply.arriving_mol_s < 1e-9


def test_the_tank_has_days() -> None:
    """The tank's pH is lowest near the end of the dark and highest late in the light."""
    plant = _plant()
    by_hour: dict[int, float] = {}
    for _ in range(48):
        plant.step(3600, {"west": 0.45})
        by_hour[round(plant.day_s / 3600) % 24] = plant.tank.ph
    assert 17 <= max(by_hour, key=by_hour.__getitem__) <= 20
    assert 6 <= min(by_hour, key=by_hour.__getitem__) <= 13
    assert 0.1 < max(by_hour.values()) - min(by_hour.values()) < 0.5
    assert min(by_hour.values()) > 7.7
    assert plant.tank.water.ta == pytest.approx(TANK.water.ta, rel=0.1)


def test_effluent_lowers_the_tank_and_air_takes_it_up() -> None:
    """Much effluent lowers the tank's pH, less so with more exchange with the air."""
    ends = []
    for share, exchange in ((0.0, 1.0), (1.0, 1.0), (1.0, 4.0)):
        plant = _plant()
        plant.tank_bad.exchange = exchange
        plant.step(8 * 3600, {"west": share})
        ends.append(plant.tank.ph)
    assert ends[1] < ends[0]
    assert ends[2] > ends[1] + 0.02


def test_a_leak_fills_the_room() -> None:
    """A loose fitting that loses 500 mL/min, in a room with its window shut, makes thousands of ppm."""
    plant = _plant()
    plant.bays["west"].gas.fitting_ml_min = 500.0
    plant.room_bad.air = 0.2
    plant.step(12 * 3600, SHUT)
    assert 3000 < plant.signals("west").room_co2_ppm < 10_000


def test_without_mains_gas_stops_and_nothing_speaks() -> None:
    """A power cut shuts the valve, stops both pumps and silences the probes; after it they go on."""
    plant = _plant()
    bay = plant.bays["west"]
    bay.valve.order("OPEN 3600")
    plant.step(600)
    plant.power.mains = False
    plant.step(900)
    seen = plant.signals("west")
    assert (seen.feed, seen.circulation, seen.flow_ml_min) == (False, False, 0.0)
    assert bay.supply.arriving_mol_s < 1e-9
    assert plant.instrument_says("west", Signal.FLOW) is None
    assert (plant.says("west"), plant.tank_says(), bay.valve.order("OPEN 5")) == (None, None, None)
    plant.power.mains = True
    plant.step(1)
    assert plant.signals("west").flow_ml_min == pytest.approx(25.0)
    assert plant.says("west") is not None


def test_blocked_effluent_presses_on_the_vessel() -> None:
    """With the effluent line blocked flow stops and the vessel goes to what its pump can push."""
    plant = _plant()
    plant.bays["west"].water.effluent = 0.0
    plant.step(60, OPEN)
    seen = plant.signals("west")
    assert seen.flow_ml_min == 0.0
    assert seen.vessel_bar > 0.2


def test_same_seed_same_site() -> None:
    """Equal seeds and steps give equal lines and bit-equal water; another seed gives other noise."""

    def played(seed: int) -> list[str]:
        plant = _plant(seed=seed)
        lines = []
        for second in range(600):
            plant.step(1.0, OPEN if second % 300 < 200 else SHUT)
            lines.append(f"{plant.says('west')} {plant.tank_says()} {plant.bays['west'].ph!r}")
        return lines

    assert played(3) == played(3)
    assert [line.split()[0] for line in played(3)] != [line.split()[0] for line in played(4)]


def test_how_time_is_cut_hardly_matters() -> None:
    """Quarter seconds give what seconds give, and steps of 5 s differ by less than a hundredth."""
    whole, quarters, coarse = _plant(), _plant(), Plant(Build(step_s=5.0))
    for cycle in range(12):
        gas = SHUT if cycle % 4 == 3 else OPEN
        whole.step(900, gas)
        coarse.step(900, gas)
        for _ in range(3600):
            quarters.step(0.25, gas)
    assert quarters.bays["west"].ph == pytest.approx(whole.bays["west"].ph, abs=1e-9)
    assert coarse.bays["west"].ph == pytest.approx(whole.bays["west"].ph, abs=0.01)


def test_probes_beside_each_other() -> None:
    """Each of three probes has noise of its own, and a fault of the first leaves the others alone."""
    plant = Plant(Build(probes=3))
    bay = plant.bays["west"]
    bay.probe.bad.offset_ph = 0.5
    plant.step(60, OPEN)
    lines = [[plant.says("west", number) for _ in range(50)] for number in range(3)]
    assert lines[1] != lines[2]
    assert [float(line[0] or "nan") - bay.ph for line in lines] == pytest.approx([0.5, 0.0, 0.0], abs=0.04)
    bay.mend()
    assert float(plant.says("west") or "nan") == pytest.approx(bay.ph, abs=0.04)


@pytest.mark.parametrize("dt_s", [0.0, -1.0, float("nan"), float("inf")])
def test_time_goes_forward(dt_s: float) -> None:
    """A step that is no positive time is refused."""
    with pytest.raises(ValueError, match="not above 0"):
        _plant().step(dt_s, OPEN)


def test_warm_water_changes_its_constants() -> None:
    """A heater that sticks warms the water over hours, and it is reckoned at that temperature."""
    plant = _plant()
    plant.tank_bad.warmer_c = 5.0
    plant.step(6 * 3600, OPEN)
    assert plant.signals("west").temperature_c == pytest.approx(29.75, abs=0.2)
    assert plant.bays["west"].vessel.k.k1 == pytest.approx(constants(plant.tank.temperature_c).k1, rel=2e-3)
    assert total_from_nbs(8.0, plant.tank.k) < total_from_nbs(8.0, TANK.k)
