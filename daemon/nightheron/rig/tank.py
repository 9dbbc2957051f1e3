"""The tank that feeds the chambers and takes their effluent, and the air of the room.

Corals take alkalinity and calcium, more of it in the light; algae take carbon in the light and give it
back in the dark; the surface exchanges CO2 with the room. All amounts are of the whole tank, well mixed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

from nightheron.chemistry.carbonate import (
    Constants,
    constants,
    dic_from_ta_ph,
    seawater_kg_per_l,
    total_from_nbs,
)
from nightheron.chemistry.saturation import omega
from nightheron.chemistry.solve import carbonate_share, co2_share, next_h
from nightheron.rig import wrong
from nightheron.rig.vessel import Composition, Vessel

DAY_S = 86400.0
LIGHT_FROM_S, LIGHT_TO_S = 10 * 3600.0, 20 * 3600.0
OUTDOORS_PPM = 425.0
MOL_PER_M3 = 41.0
"""Of air, near 25 degC."""
LIGHT_DEMAND = 2.0
"""Corals take this much more in the light than in the dark; assumed."""


@dataclass(frozen=True, slots=True)
class TankBuild:
    """A tank of ordinary figures."""

    water_l: float = 300.0
    alkalinity_meq_l: float = 2.86
    """8 dKH."""
    ph: float = 8.15
    """NBS scale."""
    calcium_mg_l: float = 430.0
    demand_meq_l_day: float = 0.5
    """What its corals take, about what one chamber gives; 0.5 is 1.4 dKH."""
    algae_mmol_l_day: float = 0.30
    """Carbon taken in the light and given back over the day; assumed."""
    exchange_s: float = 2400.0
    """Time constant of dissolved CO2 toward that of the air, skimmer running."""
    degassed: float = 0.5
    """Share of the effluent's free CO2 that goes off on its way into the tank; assumed."""
    temperature_c: float = 25.0
    room_m3: float = 40.0
    air_changes_per_h: float = 0.5
    people_ml_min: float = 60.0
    """CO2 of whoever lives there, on the average of a day; a person at rest gives two to three times this."""


@lru_cache(maxsize=256)
def constants_at(tenths_c: int) -> Constants:
    """Constants at a temperature in tenths of a degree, so that they are worked out once."""
    return constants(tenths_c / 10.0)


class Tank:
    """The tank and its room."""

    def __init__(self, build: TankBuild) -> None:
        self.build = build
        self.kg = build.water_l * seawater_kg_per_l(25.0)
        self.temperature_c = build.temperature_c
        self.k = constants_at(round(build.temperature_c * 10))
        per_kg = 1e-3 * build.water_l / self.kg
        ta = build.alkalinity_meq_l * per_kg
        ph = total_from_nbs(build.ph, self.k)
        self.water = Composition(ta, dic_from_ta_ph(ta, ph, self.k), build.calcium_mg_l / 40.078 * per_kg)
        self.h = math.pow(10.0, -ph)
        self._usual_omega = self._omega()
        self.room_ppm = OUTDOORS_PPM
        self._given = [0.0, 0.0, 0.0]
        self._gas_mol = 0.0

    @property
    def ph(self) -> float:
        """NBS scale."""
        return -math.log10(self.h) + self.k.nbs_above_total

    def take(self, vessel: Vessel, dt_s: float) -> None:
        """The effluent of one chamber over ``dt_s``, in place of the feed it took."""
        kg, zone, water = vessel.flow_kg_s * dt_s, vessel.zone, self.water
        gone = self.build.degassed * zone.dic * co2_share(zone.h, vessel.k)
        given = self._given
        given[0] += kg * (zone.ta - water.ta)
        given[1] += kg * (zone.dic - gone - water.dic)
        given[2] += kg * (zone.ca - water.ca)
        self._gas_mol += kg * gone

    def gas_into_room(self, mol: float) -> None:
        """CO2 that leaked or went off undissolved."""
        self._gas_mol += mol

    def step(self, dt_s: float, day_s: float, bad: wrong.Tank, room: wrong.Room) -> None:
        """``dt_s`` seconds, a minute at most, at ``day_s`` seconds after midnight."""
        build, water, k = self.build, self.water, self.k
        bright = daylight(day_s)
        lit = 1.0 if bright > 0.0 else 0.0
        # so that demand and algae come out as built over a whole day
        lit_share = (LIGHT_TO_S - LIGHT_FROM_S) / DAY_S
        eats = (1.0 + (LIGHT_DEMAND - 1.0) * lit) / (1.0 + (LIGHT_DEMAND - 1.0) * lit_share)
        per_kg = 1e-3 * build.water_l / self.kg * dt_s / DAY_S
        taken = 0.5 * build.demand_meq_l_day * per_kg * bad.demand * eats * self._appetite()
        algae = build.algae_mmol_l_day * per_kg * (bright * math.pi / 2.0 / lit_share - 1.0)
        off = water.dic * co2_share(self.h, k) - k.k0 * self.room_ppm * 1e-6
        aired = off * -math.expm1(-dt_s * bad.exchange / build.exchange_s)
        ta, dic, ca = self._given
        self._given = [0.0, 0.0, 0.0]
        water.ta += ta / self.kg - 2.0 * taken
        water.dic += dic / self.kg - taken - algae - aired
        water.ca += ca / self.kg - taken
        self.h = next_h(water.ta, water.dic, self.h, k)
        self._breathe(dt_s, aired * self.kg, room)
        self._warm(dt_s, bad.warmer_c)

    def _appetite(self) -> float:
        """Corals calcify with the saturation of their water; 1 at the start's."""
        return max(0.0, (self._omega() - 1.0) / (self._usual_omega - 1.0))

    def _omega(self) -> float:
        return omega(self.water.ca, self.water.dic * carbonate_share(self.h, self.k), self.k.ksp_aragonite)

    def _breathe(self, dt_s: float, aired_mol: float, room: wrong.Room) -> None:
        build = self.build
        people_mol = build.people_ml_min * 1e-6 / 60.0 * MOL_PER_M3 * dt_s
        self.room_ppm += (self._gas_mol + aired_mol + people_mol) / (build.room_m3 * MOL_PER_M3) * 1e6
        fresh = -math.expm1(-dt_s * build.air_changes_per_h * room.air / 3600.0)
        self.room_ppm += (OUTDOORS_PPM - self.room_ppm) * fresh
        self._gas_mol = 0.0

    def _warm(self, dt_s: float, warmer_c: float) -> None:
        """Toward what the heater holds, over hours; tanks have much water."""
        goal = self.build.temperature_c + warmer_c
        if goal != self.temperature_c:
            self.temperature_c += (goal - self.temperature_c) * -math.expm1(-dt_s / 7200.0)
            self.k = constants_at(round(self.temperature_c * 10))


def daylight(day_s: float) -> float:
    """0 in the dark to 1 at noon of the lamps."""
    into = day_s % DAY_S - LIGHT_FROM_S
    if not 0.0 < into < LIGHT_TO_S - LIGHT_FROM_S:
        return 0.0
    return math.sin(math.pi * into / (LIGHT_TO_S - LIGHT_FROM_S))
