"""A simulated valve: takes orders as text, and closes by itself when its lease runs out."""

from __future__ import annotations

import math
from dataclasses import dataclass

from nightheron.model import Gas

VALVE_FAULTS = ("valve_silent", "valve_stuck_open")
MOST_LEASE_S = 3600.0


@dataclass(slots=True)
class SimulatedValve:
    """Counts its lease down in its own time, as a device timer does: no order, no gas."""

    left_s: float = 0.0
    fault: str | None = None

    @property
    def passes_gas(self) -> bool:
        """Whether gas flows, whatever was ordered."""
        return self.fault == "valve_stuck_open" or self.left_s > 0.0

    def step(self, dt_s: float) -> None:
        """Let time pass."""
        self.left_s = max(0.0, self.left_s - dt_s)

    def order(self, line: str) -> str | None:
        """Carry out ``OPEN <lease_s>`` or ``CLOSE``; the answer, None when it gives none.

        Anything else closes, and is answered with what was wrong.
        """
        words = line.split()
        if self.fault == "valve_silent":
            return None
        if words == ["CLOSE"]:
            self.left_s = 0.0
            return Gas.CLOSED.value
        if len(words) == 2 and words[0] == "OPEN" and (lease_s := _lease_s(words[1])) is not None:
            self.left_s = lease_s
            return Gas.OPEN.value
        self.left_s = 0.0
        return "error: orders are OPEN <lease_s> and CLOSE; closed"


def _lease_s(text: str) -> float | None:
    try:
        lease_s = float(text)
    except ValueError:
        return None
    return lease_s if math.isfinite(lease_s) and 0.0 < lease_s <= MOST_LEASE_S else None
