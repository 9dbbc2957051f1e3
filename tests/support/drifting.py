"""A chamber of the rig held by a thermostat over weeks, its cycles and hours fed to the guard's own search.

The thermostat makes the gas cycles that the guard makes, without its tests, so that a year takes a minute;
the cycles are watched by the guard's own ``Watch``. Healthy sites are not still: needle, feed, demand, room
and temperature wander by amounts that are assumed; their owner keeps tank, media and cylinder as they are.
"""

from __future__ import annotations

import copy
import math
import random
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import pairwise

from nightheron.guard.cycle import Watch
from nightheron.guard.drift import Drift, midmean
from nightheron.guard.streams import Stream
from nightheron.model import NS, Reason, Verdict
from nightheron.rig.nights import CHAMBER, site
from nightheron.rig.plant import Bay, Plant
from nightheron.rig.supply import G_PER_MOL

FLOOR_PH, RESUME_PH = 6.60, 6.70
MOVES_PH = 0.006
"""What counts as a movement of the level, a third of an answer; as the guard reckons for a digit of 0.01."""
WANDERS = (
    ("needle", 0.02, 72.0),
    ("feed", 0.02, 72.0),
    ("demand", 0.10, 48.0),
    ("air", 0.15, 12.0),
    ("warmer", 0.3, 24.0),
    ("twin", 0.003, 48.0),
)
"""What wanders in a healthy site: standard deviation (shares; degC; pH) and hours of its memory; assumed."""
KEPT_PER_HOUR = 1.0 / 24.0
"""Share of what the tank lacks or has too much that its owner makes good."""
STEP_S = 10.0
Change = Callable[[Plant, Bay, float], None]
"""Breaks something: the plant, the chamber, and days since it began."""


@dataclass
class Wander:
    """Values that go to and fro (Ornstein and Uhlenbeck), an hour a step."""

    dice: random.Random
    at: dict[str, float] = field(default_factory=lambda: {name: 0.0 for name, _, _ in WANDERS})

    def step(self) -> None:
        """An hour later."""
        for name, sd, hours in WANDERS:
            keeps = math.exp(-1.0 / hours)
            fresh = sd * math.sqrt(1.0 - keeps * keeps) * self.dice.gauss(0.0, 1.0)
            self.at[name] = keeps * self.at[name] + fresh


class Lived:
    """One chamber and what was found; a deep copy goes on by itself."""

    def __init__(self, number: int, *, probes: int = 2, step_s: float = STEP_S) -> None:
        plain = site(number)
        self.plant = Plant(replace(plain.build, step_s=step_s, probes=probes), seed=number)
        self.bay = self.plant.bays[CHAMBER]
        for probe in self.bay.probes:
            probe.bad = copy.copy(plain.bays[CHAMBER].probe.bad)
        water = self.plant.tank.water
        self.tested_ta, self.tested_ca = water.ta, water.ca
        self.drift, self.probes, self.step_s = Drift(), probes, step_s
        self.wander = Wander(random.Random(f"{number}/wander"))  # noqa: S311 - a made-up site, no secret
        self.gas, self.watch = True, Watch()
        self.five: deque[float] = deque(maxlen=5)
        self.readings: list[float] = []
        self.hours = 0
        self.first: dict[Reason, tuple[float, str]] = {}
        """When each reason was first told, in days, and the words."""
        self.standing: set[Reason] = set()
        self.told: list[tuple[float, Reason, str]] = []
        """All that was told, each once while it stood."""
        self.hourly: list[tuple[int, dict[Stream, float]]] = []
        """Hour of the day and what its streams were, as the search takes them."""

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
        bay.vessel.media_mol = bay.vessel.build.media_kg / 0.100087
        bay.supply.left_mol = bay.supply.build.cylinder_g / G_PER_MOL
        water = plant.tank.water
        water.ta += KEPT_PER_HOUR * (self.tested_ta - water.ta)
        water.ca += KEPT_PER_HOUR * (self.tested_ca - water.ca)

    def _hour(self) -> None:
        plant, drift, step_s = self.plant, self.drift, self.step_s
        step_ns, leaks = round(step_s * NS), self.bay.valve.bad.leaks
        for _ in range(round(3600 / step_s)):
            plant.step(step_s, {CHAMBER: 1.0 if self.gas else leaks})
            said = plant.says(CHAMBER)
            reading = float(said) if said is not None else None
            if drift.pass_time(step_ns, flows=self.gas, undisturbed=True):
                self._minute(reading)
            if reading is None:
                continue
            self.five.append(reading)
            self.readings.append(reading)
            level = sorted(self.five)[len(self.five) // 2]
            self.watch.see(round(plant.age_s * NS), level, MOVES_PH, MOVES_PH)
            if (reading < FLOOR_PH) if self.gas else (reading > RESUME_PH):
                self._switch()
        now = drift.now
        values = {stream: midmean(found) for stream, found in now.values.items() if found}
        self.hourly.append((now.hour or 0, values | {Stream.SHARE: now.open_ns / now.ran_ns}))
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
        self.gas, now_ns = not self.gas, round(self.plant.age_s * NS)
        if not self.gas:
            self.watch.close_now(now_ns)
            return
        verdict = Verdict.PROVED if self.watch.proved_s is not None else Verdict.COULD_NOT_TELL
        self.watch = self.watch.opened_anew(now_ns, verdict, 0.01)
        over, self.watch.ended = self.watch.ended, None
        if over is not None:
            self.drift.hear(Stream.FALL, over.fall_ph_per_min)
            self.drift.hear(Stream.RISE, over.rise_ph_per_min)
            self.drift.hear(Stream.ANSWER, over.proved_s)
            self.drift.hear(Stream.NOISE, noise(self.readings))
        self.readings = []

    def _keep(self) -> None:
        for reason, text in self.drift.told.items():
            if reason not in self.standing:
                self.told.append((self.days, reason, text))
            self.first.setdefault(reason, (self.days, text))
        self.standing = set(self.drift.told)


def noise(values: list[float]) -> float:
    """Scatter of a reading about its trend, from second differences; 0 with fewer than ten."""
    steps = [b - a for a, b in pairwise(values)]
    bends = [(b - a) ** 2 for a, b in pairwise(steps)]
    return math.sqrt(sum(bends) / len(bends) / 6.0) if len(bends) >= 8 else 0.0
