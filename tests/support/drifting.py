"""A chamber of the rig held by a thermostat over weeks, its hours fed to the guard's own search for drift.

The thermostat makes the gas cycles that the guard makes, without its tests, so that a year takes half a
minute. Healthy sites are not still: needle, feed, demand, room and temperature wander by amounts that are
assumed. What hands do (buffers, media) is told to the search as a person would tell it.
"""

from __future__ import annotations

import copy
import math
import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from nightheron.guard.causes import Moved
from nightheron.guard.drift import Drift
from nightheron.guard.streams import Stream
from nightheron.model import NS, Reason
from nightheron.rig.nights import CHAMBER, site
from nightheron.rig.plant import Bay, Plant
from nightheron.rig.supply import G_PER_MOL

FLOOR_PH, RESUME_PH = 6.60, 6.70
ANSWERED_PH = 0.015
"""A rise over the lowest that counts as the water's answer."""
HALF_LEAST_S = 180.0
"""Shorter halves of a cycle say nothing."""
KEPT_PER_HOUR = 1.0 / 24.0
"""Share of what the tank lacks or has too much that its owner makes good."""
WANDERS = (
    ("needle", 0.02, 72.0),
    ("feed", 0.02, 72.0),
    ("demand", 0.10, 48.0),
    ("air", 0.15, 12.0),
    ("warmer", 0.3, 24.0),
    ("twin", 0.003, 48.0),
)
"""What wanders in a healthy site: standard deviation (shares; degC; pH) and hours of its memory; assumed."""
Change = Callable[[Plant, Bay, float], None]
"""Breaks something: the plant, the chamber, and days since it began."""


@dataclass
class Wander:
    """Values that go to and fro (Ornstein and Uhlenbeck), an hour a step."""

    dice: random.Random
    at: dict[str, float] = field(default_factory=lambda: {name: 0.0 for name, _, _ in WANDERS})

    def step(self) -> None:
        """An hour later."""
        gauss = self.dice.gauss
        for name, sd, hours in WANDERS:
            keeps = math.exp(-1.0 / hours)
            self.at[name] = keeps * self.at[name] + sd * math.sqrt(1.0 - keeps * keeps) * gauss(0, 1)


@dataclass
class Half:
    """One half of a gas cycle: open or shut."""

    opens: bool
    begun_s: float
    times: list[float] = field(default_factory=list)
    readings: list[float] = field(default_factory=list)


class Lived:
    """One chamber and what was found; a deep copy goes on by itself."""

    def __init__(self, number: int, *, probes: int = 2, step_s: float = 10.0) -> None:
        plain = site(number)
        self.plant = Plant(replace(plain.build, step_s=step_s, probes=probes), seed=number)
        for probe in self.plant.bays[CHAMBER].probes:
            probe.bad = copy.copy(plain.bays[CHAMBER].probe.bad)
        self.bay = self.plant.bays[CHAMBER]
        self.tested_ta, self.tested_ca = self.plant.tank.water.ta, self.plant.tank.water.ca
        self.drift, self.probes, self.step_s = Drift(), probes, step_s
        self.wander = Wander(random.Random(f"{number}/wander"))  # noqa: S311 - a made-up site, no secret
        self.gas = True
        self.half = Half(True, 0.0)
        self.hours = 0
        self.first: dict[Reason, tuple[float, str]] = {}
        """When each reason was first told, in days, and the words."""
        self.samples: dict[Stream, list[tuple[int, float]]] = {}
        """What each line took, in its own unit, with the hour at which it did."""
        self.effluent: Mapping[Stream, Moved] = {}

    @property
    def days(self) -> float:
        """Lived so far."""
        return self.hours / 24.0

    def live(self, days: float, change: Change | None = None) -> None:
        """Let days go by; ``change`` is called every hour."""
        begun = self.hours
        for _ in range(round(days * 24)):
            self.wander.step()
            self._blow()
            if change is not None:
                change(self.plant, self.bay, (self.hours - begun) / 24.0)
            self._hour()
            self._keep()

    def hands(self, *streams: Stream) -> None:
        """A person did something and said so."""
        self.drift.forget(self.probes, *streams)

    def _blow(self) -> None:
        """The healthy wander, before any change of this hour."""
        at, plant, bay = self.wander.at, self.plant, self.bay
        bay.gas.needle, bay.water.feed = 1.0 + at["needle"], 1.0 + at["feed"]
        plant.tank_bad.demand, plant.room_bad.air = 1.0 + at["demand"], max(0.2, 1.0 + at["air"])
        plant.tank_bad.warmer_c = at["warmer"]
        for number, probe in enumerate(bay.probes):
            probe.bad.offset_ph = number * at["twin"]
        # media and cylinder are kept full, and the tank's alkalinity where its owner wants it
        bay.vessel.media_mol = bay.vessel.build.media_kg / 0.100087
        bay.supply.left_mol = bay.supply.build.cylinder_g / G_PER_MOL
        water = plant.tank.water
        water.ta += KEPT_PER_HOUR * (self.tested_ta - water.ta)
        water.ca += KEPT_PER_HOUR * (self.tested_ca - water.ca)

    def _hour(self) -> None:
        plant, bay, drift, step_s = self.plant, self.bay, self.drift, self.step_s
        step_ns, leaks = round(step_s * NS), bay.valve.bad.leaks
        for _ in range(round(3600 / step_s)):
            plant.step(step_s, {CHAMBER: 1.0 if self.gas else leaks})
            said = plant.says(CHAMBER)
            reading = float(said) if said is not None else None
            if drift.pass_time(step_ns, flows=self.gas, undisturbed=True):
                self._minute(reading)
            if reading is None:
                continue
            self.half.times.append(plant.age_s)
            self.half.readings.append(reading)
            if (reading < FLOOR_PH) if self.gas else (reading > RESUME_PH):
                self._switch()
        self.hours += 1
        drift.end_hour(int((plant.day_s + 1.0) // 3600) % 24, self.probes)

    def _minute(self, reading: float | None) -> None:
        plant = self.plant
        tank = plant.tank_says()
        self.drift.hear(Stream.TANK, None if tank is None else float(tank))
        if self.probes > 1 and reading is not None:
            other = plant.says(CHAMBER, 1)
            self.drift.hear(Stream.TWINS, None if other is None else float(other) - reading)

    def _switch(self) -> None:
        done, self.gas = self.half, not self.gas
        self.half = Half(self.gas, self.plant.age_s)
        lasted_s = self.plant.age_s - done.begun_s
        if lasted_s < HALF_LEAST_S or len(done.readings) < 12:
            return
        times, readings = done.times, done.readings
        third = len(times) // 3
        per_min = 60.0 * abs(slope(times[third:], readings[third:]))
        self.drift.hear(Stream.FALL if done.opens else Stream.RISE, per_min)
        self.drift.hear(Stream.NOISE, noise(readings))
        if not done.opens:
            lowest = min(readings)
            place = readings.index(lowest)
            risen = (
                t for t, r in zip(times[place:], readings[place:], strict=True) if r >= lowest + ANSWERED_PH
            )
            answered_s = next(risen, None)
            self.drift.hear(Stream.ANSWER, None if answered_s is None else answered_s - done.begun_s)

    def _keep(self) -> None:
        if self.drift.hours % 6 == 0:
            for stream, line in self.drift.lines.items():
                if line.usual is not None and line.recent:
                    self.samples.setdefault(stream, []).append((self.hours, line.recent[-1]))
            if self.effluent:
                self.drift.tell(self.probes, self.effluent)
        for reason, text in self.drift.told.items():
            self.first.setdefault(reason, (self.days, text))


def slope(times: list[float], values: list[float]) -> float:
    """Least squares, per second."""
    n = len(times)
    t, v = sum(times) / n, sum(values) / n
    across = sum((one - t) ** 2 for one in times)
    return sum((a - t) * (b - v) for a, b in zip(times, values, strict=True)) / across if across else 0.0


def noise(values: list[float]) -> float:
    """Scatter of a reading about its trend, from second differences."""
    bends = [(a - 2.0 * b + c) ** 2 for a, b, c in zip(values, values[1:], values[2:], strict=False)]
    return math.sqrt(sum(bends) / len(bends) / 6.0)
