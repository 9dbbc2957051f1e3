"""Sites as they differ from house to house, each by its number, and a year of one of them, minute by minute.

    python -m nightheron.rig.year --out year.csv

writes that year.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from dataclasses import dataclass, replace

from nightheron.rig.plant import Bay, Build, Plant
from nightheron.rig.supply import G_PER_MOL, SupplyBuild
from nightheron.rig.tank import DAY_S, TankBuild
from nightheron.rig.thermostat import Thermostat
from nightheron.rig.vessel import VesselBuild

CHAMBER = "west"
CALIBRATED_EVERY_D = 30
MEDIA_LEFT = 0.6
"""Share of the media at which it is filled up again."""
DRIFT_PH_PER_DAY = 0.001
MINUTE_S = 60.0


def site(number: int) -> Plant:
    """A healthy site of the plausible ranges: number 0 is the plain one, every other differs from it.

    The same number is the same site with the same noise, on every machine.
    """
    plain = Build()
    if number == 0:
        return Plant(plain, seed=0)
    dice = random.Random(number)  # noqa: S311 - a made-up site, no secret
    water_l = dice.uniform(1.5, 4.0)
    flow_ml_min = dice.uniform(18.0, 32.0) * water_l / 1.9
    vessel = VesselBuild(
        water_l=water_l,
        flow_ml_min=flow_ml_min,
        effluent_meq_l=dice.uniform(5.8, 7.8),
        dissolve_s=dice.uniform(20.0, 40.0),
        bed_share=dice.uniform(0.6, 0.8),
        start_ph=dice.uniform(6.72, 6.9),
    )
    supply = SupplyBuild(line_lag_s=dice.uniform(30.0, 90.0), tail_s=dice.uniform(50.0, 110.0))
    # the needle is set by its owner so that gas is open for about half to three quarters of the time
    holds_mol_s = holding_gas_mol_s(vessel, plain.tank)
    usual_mol_s = Plant(Build({CHAMBER: (vessel, supply)})).bays[CHAMBER].supply.usual_mol_s
    wanted = holds_mol_s / dice.uniform(0.5, 0.75)
    supply = replace(supply, bubbles_per_s=supply.bubbles_per_s * wanted / usual_mol_s)
    tank = replace(plain.tank, water_l=dice.uniform(150.0, 600.0), exchange_s=dice.uniform(1800.0, 5400.0))
    tank = replace(tank, demand_meq_l_day=demand_meq_l_day(vessel, tank))
    plant = Plant(Build({CHAMBER: (vessel, supply)}, tank, begins_s=dice.uniform(0.0, DAY_S)), seed=number)
    probe = plant.bays[CHAMBER].probe
    probe.bad.lag_s, probe.bad.noise_ph = dice.uniform(12.0, 35.0), dice.uniform(0.002, 0.006)
    return plant


def holding_gas_mol_s(vessel: VesselBuild, tank: TankBuild) -> float:
    """The gas that holds the chamber at the pH of its test: G = F [(DIC - DIC0) - (TA - TA0) / 2]."""
    at_test = replace(vessel, start_ph=vessel.tested_ph)
    plant = Plant(Build({CHAMBER: (at_test, SupplyBuild())}, tank))
    bay, feed = plant.bays[CHAMBER], plant.tank.water
    flow_kg_s = vessel.flow_ml_min / 6e4 * bay.vessel.kg_per_l
    zone = bay.vessel.zone
    return flow_kg_s * ((zone.dic - feed.dic) - 0.5 * (zone.ta - feed.ta))


def demand_meq_l_day(vessel: VesselBuild, tank: TankBuild) -> float:
    """What the corals of a tank in balance take: what its chamber gives, meq/L a day."""
    gained = vessel.effluent_meq_l - tank.alkalinity_meq_l
    return gained * vessel.flow_ml_min * 1.44 / tank.water_l


@dataclass(frozen=True, slots=True)
class Minute:
    """The end of one minute of a year."""

    minute: int
    ph: float
    """The water's own, NBS scale."""
    reading: str
    """What the probe said last; empty when nothing."""
    gas_share: float
    """Share of the minute in which the valve passed gas."""
    tank_ph: float
    effluent_dkh: float
    cylinder_g: float
    room_co2_ppm: float


def year_site(number: int = 0, step_s: float = 5.0) -> Plant:
    """The healthy site of that number, its water in longer steps."""
    return Plant(replace(site(number).build, step_s=step_s), seed=number)


def minutes(days: int, plant: Plant) -> Iterator[Minute]:
    """A site over ``days``, held by a plain thermostat, with its chores done: buffers, cylinder, media."""
    step_s = plant.build.step_s
    bay, thermostat = plant.bays[CHAMBER], Thermostat()
    bay.probe.bad.drift_ph_per_day = DRIFT_PH_PER_DAY
    steps = round(MINUTE_S / step_s)
    for minute in range(days * 1440):
        open_s, reading = 0.0, ""
        for _ in range(steps):
            bay.valve.step(step_s)
            plant.step(step_s)
            reading = plant.says(CHAMBER) or ""
            thermostat.step(bay, reading or None, renew_s=2.0 * step_s)
            open_s += step_s * bay.valve.share
        _chores(bay, minute)
        yield Minute(
            minute,
            bay.ph,
            reading,
            open_s / MINUTE_S,
            plant.tank.ph,
            bay.vessel.zone.ta * bay.vessel.kg_per_l * 1e3 / 0.356652,
            bay.supply.left_mol * G_PER_MOL,
            plant.tank.room_ppm,
        )


def _chores(bay: Bay, minute: int) -> None:
    """What an owner does: a full cylinder, new media, the probe in its buffers."""
    supply, vessel = bay.supply, bay.vessel
    if supply.left_mol * G_PER_MOL < 0.02 * supply.build.cylinder_g:
        supply.left_mol = supply.build.cylinder_g / G_PER_MOL
    if vessel.media_mol < MEDIA_LEFT * vessel.build.media_kg / 0.100087:
        vessel.media_mol = vessel.build.media_kg / 0.100087
    if minute % (CALIBRATED_EVERY_D * 1440) == 0 and minute:
        drift = bay.probe.bad.drift_ph_per_day
        bay.probe.mend()
        bay.probe.bad.drift_ph_per_day = drift


def row(one: Minute) -> str:
    """One line of the year's table, without its end."""
    if not math.isfinite(one.ph):
        raise ValueError(f"minute {one.minute} has no pH")
    return (
        f"{one.minute},{one.ph:.4f},{one.reading},{one.gas_share:.3f},{one.tank_ph:.4f},"
        f"{one.effluent_dkh:.2f},{one.cylinder_g:.0f},{one.room_co2_ppm:.0f}"
    )


HEAD = "minute,water_ph,reading_ph,gas_share,tank_ph,effluent_dkh,cylinder_g,room_co2_ppm"
