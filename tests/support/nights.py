"""Ready nights on the physical plant: thirty healthy sites, and one night of each fault of the library.

``healthy`` and ``broken`` are held by a plain thermostat and kept once played, so that tests share them;
``Guarded`` puts the guard's own core in charge of a plant instead.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from nightheron.model import NS, Gas, Observed, Reason, Refused, Signal, Ticked, ValveSaid
from nightheron.rig.faults import Fault, library
from nightheron.rig.nights import CHAMBER, site
from nightheron.rig.plant import Plant
from nightheron.rig.standing import Faults
from nightheron.rig.thermostat import READING, Second, Thermostat, play

from tests.support.night import Night

HEALTHY = range(1, 31)
NIGHT_S = 9 * 3600
BREAKS_AFTER_S = 3600
LIBRARY = library()


@cache
def healthy(number: int, seconds: int = NIGHT_S) -> tuple[Second, ...]:
    """A night of the healthy site of that number, second by second."""
    return _played(site(number), None, seconds)


@cache
def broken(name: str, number: int = 0, seconds: int = NIGHT_S) -> tuple[Second, ...]:
    """A night in which the fault of that name is put in after the first hour."""
    return _played(site(number), LIBRARY[name], seconds)


def _played(plant: Plant, fault: Fault | None, seconds: int) -> tuple[Second, ...]:
    thermostats, faults = {CHAMBER: Thermostat()}, Faults(plant)
    first = min(BREAKS_AFTER_S, seconds)
    night = [seen[CHAMBER] for seen in play(plant, first, thermostats)]
    if fault is not None:
        faults.put(fault, CHAMBER)
    night += [seen[CHAMBER] for seen in play(plant, seconds - first, thermostats, faults)]
    return tuple(night)


@dataclass(slots=True)
class Watched:
    """What became of the water while the guard was in charge."""

    lowest_ph: float = 14.0
    highest_ph: float = 0.0
    open_s: float = 0.0
    """How long the valve passed more than half of the gas."""


class Guarded:
    """The guard's core over one chamber of a plant, a reading and a tick a second; a tank reading in ten.

    ``pace_s`` is a coarser pace, in whole seconds, shorter than the valve's lease.
    """

    def __init__(self, plant: Plant, *, pace_s: int = 1, **limits: object) -> None:
        self.plant, self.faults, self.pace_s = plant, Faults(plant), pace_s
        self.night = Night(**limits)  # type: ignore[arg-type]  # fields of ChamberLimits by name
        self.watched = Watched()
        self.reasons: set[Reason] = set()
        self._linked = True

    def put(self, name: str) -> Guarded:
        """Break something now."""
        self.faults.put(LIBRARY[name], CHAMBER)
        return self

    def mend(self) -> Guarded:
        """Make all well again."""
        self.faults.mend()
        return self

    def lives(self, seconds: int) -> Guarded:
        """Let time pass."""
        bay, night, watched = self.plant.bays[CHAMBER], self.night, self.watched
        for _ in range(0, seconds, self.pace_s):
            night.now_ns += self.pace_s * NS
            self._order()
            bay.valve.step(float(self.pace_s))
            self.plant.step(float(self.pace_s))
            self.faults.step()
            self._reads()
            night.feed(Ticked(night.now_ns))
            self.reasons.update(night.reasons)
            watched.lowest_ph, watched.highest_ph = (
                min(watched.lowest_ph, bay.ph),
                max(watched.highest_ph, bay.ph),
            )
            watched.open_s += self.pace_s * (bay.valve.share > 0.5)
        return self

    def alarms(self) -> set[Reason]:
        """Every reason an alarm was raised for so far."""
        return set(self.night.raised())

    def _order(self) -> None:
        """The order that stands, to the valve; a valve that does not answer has lost its link."""
        night, valve = self.night, self.plant.bays[CHAMBER].valve
        gas = night.gas if self._linked else Gas.CLOSED
        answer = valve.order("OPEN 5" if gas is Gas.OPEN else "CLOSE")
        if (answer is not None) is not self._linked:
            self._linked = answer is not None
            acked = gas if self._linked else None
            night.feed(ValveSaid(night.now_ns, 0, link=self._linked, acked=acked))

    def _reads(self) -> None:
        line = self.plant.says(CHAMBER)
        if line is not None and READING.fullmatch(line):
            self.night.reads(float(line), raw=line)
        elif line is not None:
            self.night.reads(None, raw=line, refused="not_a_number")
        if self.night.chamber.limits.tank is not None and self.plant.age_s % 10 < 1:
            tank = self.plant.tank_says()
            if tank is not None:
                self.night.feed(Observed(self.night.now_ns, Signal.TANK_PH, 0, float(tank), tank))

    def refusals(self) -> list[str]:
        """What the core refused so far."""
        return [effect.why for _, effect in self.night.effects if isinstance(effect, Refused)]
