"""Faults in force: puts the entries of a library on a plant, keeps their times, and mends them again."""

from __future__ import annotations

from dataclasses import dataclass

from nightheron.rig.faults import Change, Fault, Step, Value
from nightheron.rig.plant import Plant


@dataclass(frozen=True, slots=True)
class _Standing:
    fault: Fault
    chamber: str
    since_s: float


class Faults:
    """What is wrong with one plant now. Call ``step`` after each step of the plant."""

    def __init__(self, plant: Plant) -> None:
        self._plant = plant
        self._standing: dict[tuple[str, str], _Standing] = {}

    @property
    def standing(self) -> list[tuple[str, str]]:
        """Name and chamber of each, in the order they were put in."""
        return list(self._standing)

    def put(self, fault: Fault, chamber: str) -> None:
        """Put a fault in at ``chamber``; a shared part breaks for all. KeyError for an unknown chamber."""
        self._plant.bays[chamber]
        self._standing[fault.name, chamber] = _Standing(fault, chamber, self._plant.age_s)
        self.step()

    def mend(self, name: str | None = None, chamber: str | None = None) -> int:
        """Take out the faults of that name, or all, at that chamber, or everywhere; how many there were."""
        gone = [key for key in self._standing if name in (None, key[0]) and chamber in (None, key[1])]
        for key in gone:
            one = self._standing.pop(key)
            for step in one.fault.steps:
                for change in step.changes:
                    self._set(one.chamber, change, change.healthy)
        self.step()
        return len(gone)

    def step(self) -> None:
        """Bring every field to what the standing faults make of it at the plant's age."""
        for one in self._standing.values():
            into_s = self._plant.age_s - one.since_s
            for step in one.fault.steps:
                for change in step.changes:
                    self._set(one.chamber, change, _value(change, step, into_s))

    def _set(self, chamber: str, change: Change, value: Value) -> None:
        setattr(_part(self._plant, chamber, change.part), change.field, value)


def _value(change: Change, step: Step, into_s: float) -> Value:
    into_s -= step.after_s
    if step.every_s and into_s >= 0.0:
        into_s %= step.every_s
    if into_s < 0.0 or (step.for_s and into_s >= step.for_s):
        return change.healthy
    if isinstance(change.value, float) and isinstance(change.healthy, float) and into_s < step.over_s:
        return change.healthy + (change.value - change.healthy) * into_s / step.over_s
    return change.value


def _part(plant: Plant, chamber: str, part: str) -> object:
    bay = plant.bays[chamber]
    parts: dict[str, object] = {
        "supply": bay.gas,
        "valve": bay.valve.bad,
        "probe": bay.probe.bad,
        "water": bay.water,
        "tank": plant.tank_bad,
        "tank_probe": plant.tank_probe.bad,
        "room": plant.room_bad,
        "power": plant.power,
        "guard": plant.guard,
    }
    return parts[part]
