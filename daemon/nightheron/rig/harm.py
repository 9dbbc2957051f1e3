"""What counts as harm in a rehearsal, in one place, and the watcher that counts its seconds.

It looks at the water, the vessel, the tank and the room as they are, never at what a probe says of them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from nightheron.chemistry.room import WORKDAY_PPM
from nightheron.chemistry.safety import HARM_BELOW_FLOOR_PH
from nightheron.guard.limits import ChamberLimits
from nightheron.rig.plant import Bay, Plant

TANK_LOW_PH = 7.70
"""Where no tank is configured. Common practice, no source."""
VESSEL_BAR = 0.5
"""Above the air's: more than any feed pump presses; a chamber is no pressure vessel. Assumed."""
SOUR_BELOW_FLOOR_PH = 0.10
SOUR_AFTER_S = 3600.0
WORDS = {
    "media": "the chamber's water is below pH {media:.2f}: media soften and pack, and acid water reaches the "
    "tank (0.6 below the floor, where the process safety time ends; common practice, no source)",
    "sour": "the water stands below pH {sour:.2f} for more than an hour at a stretch, from that hour on: "
    "media pack over hours and days, and a floor that is not held is none (common practice, no source)",
    "tank": "the tank is below pH {tank:.2f} (low_ph of its table, or 7.70; common practice, no source)",
    "vessel": "the vessel stands above {vessel:g} bar (assumed: it is no pressure vessel)",
    "room": "the room's air has more than {room:g} ppm CO2 (8-hour limit, OSHA 29 CFR 1910.1000 table Z-1)",
}
"""Each kind of harm, and what is meant by it."""


@dataclass(frozen=True, slots=True)
class HarmLimits:
    """Where harm begins. pH on the NBS scale, pressure in bar above the air's."""

    media_ph: float
    sour_ph: float
    tank_ph: float = TANK_LOW_PH
    vessel_bar: float = VESSEL_BAR
    room_ppm: float = WORKDAY_PPM

    def words(self) -> dict[str, str]:
        """What is meant by each kind, with these limits."""
        said = {
            "media": self.media_ph,
            "sour": self.sour_ph,
            "tank": self.tank_ph,
            "vessel": self.vessel_bar,
            "room": self.room_ppm,
        }
        return {kind: text.format(**said) for kind, text in WORDS.items()}


def harm_limits(limits: ChamberLimits) -> HarmLimits:
    """Those of a chamber as it is configured."""
    tank_ph = TANK_LOW_PH if limits.tank is None else limits.tank.low_ph
    floor_ph = limits.floor_ph
    return HarmLimits(floor_ph - HARM_BELOW_FLOOR_PH, floor_ph - SOUR_BELOW_FLOOR_PH, tank_ph)


@dataclass(slots=True)
class Harm:
    """Counts from when it is made. Call ``look`` after each step of the plant."""

    limits: HarmLimits
    seconds: dict[str, float] = field(default_factory=lambda: dict.fromkeys(WORDS, 0.0))
    """Of each kind."""
    any_s: float = 0.0
    """Of any kind, each second counted once."""
    open_s: float = 0.0
    """Seconds of open valve, whatever was ordered; half open counts half."""
    lowest_ph: float = 14.0
    tank_lowest_ph: float = 14.0
    vessel_most_bar: float = 0.0
    room_most_ppm: float = 0.0
    _sour_s: float = 0.0
    """How long the water has been sour without a break."""

    def look(self, dt_s: float, plant: Plant, bay: Bay) -> None:
        """The plant stands like this since ``dt_s`` seconds."""
        limits, tank = self.limits, plant.tank
        ph, tank_ph, bar, ppm = bay.ph, tank.ph, bay.vessel.pressure_bar, tank.room_ppm
        self.open_s += dt_s * bay.valve.share
        self.lowest_ph = min(self.lowest_ph, ph)
        self.tank_lowest_ph = min(self.tank_lowest_ph, tank_ph)
        self.vessel_most_bar = max(self.vessel_most_bar, bar)
        self.room_most_ppm = max(self.room_most_ppm, ppm)
        self._sour_s = self._sour_s + dt_s if ph < limits.sour_ph else 0.0
        sour = self._sour_s > SOUR_AFTER_S
        if (
            not sour
            and ph >= limits.media_ph
            and tank_ph >= limits.tank_ph
            and bar <= limits.vessel_bar
            and ppm <= limits.room_ppm
        ):
            return
        self.any_s += dt_s
        harmed: Mapping[str, bool] = {
            "media": not ph >= limits.media_ph,
            "sour": sour,
            "tank": not tank_ph >= limits.tank_ph,
            "vessel": not bar <= limits.vessel_bar,
            "room": not ppm <= limits.room_ppm,
        }
        for kind, stands in harmed.items():
            self.seconds[kind] += dt_s * stands
