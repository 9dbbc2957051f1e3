"""A simulated valve: takes orders as text, and closes by itself when its lease runs out."""

from __future__ import annotations

import math
from collections.abc import Callable

from nightheron.model import Gas
from nightheron.rig import wrong

MOST_LEASE_S = 3600.0
STRANGER_S = 60.0


class SimulatedValve:
    """Counts its lease down in its own time, as a device timer does: no order, no gas."""

    def __init__(self, left_s: float = 0.0) -> None:
        self.bad = wrong.Valve()
        self.powered = True
        self.left_s = left_s
        """What is left of the present opening; it does not run on a device whose timer is broken."""
        self._place = 1.0 if left_s > 0.0 else 0.0
        self.stranger: Callable[[], None] = self._opened_by_a_stranger
        """Called when somebody else orders it open; a bus may send that order over the wire instead."""
        self._stranger_s = 0.0

    @property
    def ordered(self) -> Gas:
        """What it was told, its lease counted."""
        return Gas.OPEN if self.left_s > 0.0 else Gas.CLOSED

    @property
    def share(self) -> float:
        """Share of the gas that it lets pass, whatever was ordered."""
        if self.bad.stuck:
            place = 1.0 if self.bad.stuck == "open" else 0.0
        elif self.bad.travel_s > 0.0:
            place = self._place
        else:
            place = 1.0 if self.left_s > 0.0 and self.powered else 0.0
        return max(place, self.bad.leaks)

    @property
    def passes_gas(self) -> bool:
        """Whether gas flows, whatever was ordered."""
        return self.share > 0.0

    @property
    def feedback(self) -> Gas | None:
        """What its own contact reports; None when it has none, or no power to say it."""
        says = self.bad.feedback
        if says == "none" or self.bad.deaf or not self.powered:
            return None
        if says in ("open", "closed"):
            return Gas(says)
        if says == "order":
            return self.ordered
        return Gas.OPEN if self.share > 0.5 else Gas.CLOSED

    def step(self, dt_s: float) -> None:
        """Let time pass."""
        if self.bad.timer:
            self.left_s = max(0.0, self.left_s - dt_s)
        if self.bad.foreign_every_s:
            self._stranger_s += dt_s
            if self._stranger_s >= self.bad.foreign_every_s:
                self._stranger_s = 0.0
                self.stranger()
        goal = 1.0 if self.left_s > 0.0 and self.powered else 0.0
        moved = dt_s / self.bad.travel_s if self.bad.travel_s > 0.0 else 1.0
        self._place += min(moved, max(-moved, goal - self._place))

    def order(self, line: str) -> str | None:
        """Carry out ``OPEN <lease_s>`` or ``CLOSE``; the answer, None when it gives none.

        Anything else closes, and is answered with what was wrong.
        """
        words = line.split()
        if self.bad.deaf or not self.powered:
            return None
        if words == ["CLOSE"]:
            self.left_s = 0.0
            return Gas.CLOSED.value
        if len(words) == 2 and words[0] == "OPEN" and (lease_s := _lease_s(words[1])) is not None:
            self.left_s = lease_s
            return Gas.OPEN.value
        self.left_s = 0.0
        return "error: orders are OPEN <lease_s> and CLOSE; closed"

    def _opened_by_a_stranger(self) -> None:
        self.left_s = max(self.left_s, STRANGER_S)

    def mend(self) -> None:
        """As new; what was ordered stands."""
        self.bad = wrong.Valve()


def _lease_s(text: str) -> float | None:
    try:
        lease_s = float(text)
    except ValueError:
        return None
    return lease_s if math.isfinite(lease_s) and 0.0 < lease_s <= MOST_LEASE_S else None
