"""Valves as devices differ: with a timer of their own of some length, without one, or two in series."""

from __future__ import annotations

import math

from nightheron.model import Gas
from nightheron.rig.valve import SimulatedValve


class Device(SimulatedValve):
    """A valve that shuts ``timer_s`` after the last order to open, whatever its lease; None: never."""

    def __init__(self, timer_s: float | None) -> None:
        super().__init__()
        self.timer_s = math.inf if timer_s is None else timer_s

    def order(self, line: str) -> str | None:
        """As of any valve."""
        answer = super().order(line)
        if answer == Gas.OPEN.value:
            self.left_s = self.timer_s
        return answer


class InSeries(Device):
    """Two valves, one behind the other: faults break the first, and orders go to both."""

    def __init__(self, timer_s: float | None) -> None:
        super().__init__(timer_s)
        self.second = Device(timer_s)

    @property
    def share(self) -> float:
        """Gas flows as far as both let it pass."""
        return min(super().share, self.second.share)

    def step(self, dt_s: float) -> None:
        """Let time pass."""
        self.second.powered = self.powered
        super().step(dt_s)
        self.second.step(dt_s)

    def order(self, line: str) -> str | None:
        """To both; the first answers."""
        self.second.order(line)
        return super().order(line)
