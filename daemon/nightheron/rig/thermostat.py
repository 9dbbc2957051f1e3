"""A plain thermostat in charge of a plant: no guard, so that what water and probes do by themselves shows."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from nightheron.model import Gas
from nightheron.rig.plant import Bay, Plant
from nightheron.rig.standing import Faults

LEASE_S = 5.0
READING = re.compile(r"\d{1,2}\.\d+")


@dataclass(frozen=True, slots=True)
class Second:
    """One second at one chamber."""

    age_s: float
    """Of the plant."""
    ph: float
    """The water's own, NBS scale."""
    says: str | None
    ordered: Gas
    share: float
    """Of the gas, that the valve lets pass."""


class Thermostat:
    """Shuts gas below ``floor_ph``, opens it above ``resume_ph`` and renews it; deaf to everything else."""

    def __init__(self, floor_ph: float = 6.60, resume_ph: float = 6.70) -> None:
        self.floor_ph, self.resume_ph = floor_ph, resume_ph
        self.gas = Gas.OPEN

    def step(self, bay: Bay, says: str | None, renew_s: float = LEASE_S) -> None:
        """One reading a second, or none; a reading that is no number leaves all as it is."""
        before = self.gas
        if says is not None and READING.fullmatch(says):
            if float(says) < self.floor_ph:
                self.gas = Gas.CLOSED
            elif float(says) > self.resume_ph:
                self.gas = Gas.OPEN
        if self.gas is Gas.OPEN and (before is Gas.CLOSED or bay.valve.left_s < 0.6 * renew_s):
            bay.valve.order(f"OPEN {renew_s:g}")
        elif self.gas is Gas.CLOSED and before is Gas.OPEN:
            bay.valve.order("CLOSE")


def play(
    plant: Plant, seconds: int, thermostats: dict[str, Thermostat], faults: Faults | None = None
) -> Iterator[dict[str, Second]]:
    """Second after second of a plant held by a thermostat a chamber, each a Second a chamber."""
    for _ in range(seconds):
        seen = {}
        for bay in plant.bays.values():
            bay.valve.step(1.0)
        plant.step(1.0)
        if faults is not None:
            faults.step()
        for name, bay in plant.bays.items():
            says = plant.says(name)
            thermostats[name].step(bay, says)
            seen[name] = Second(plant.age_s, bay.ph, says, thermostats[name].gas, bay.valve.share)
        yield seen
