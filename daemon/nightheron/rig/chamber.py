"""A simulated chamber of the first order, stepped in virtual time.

Good enough to show the guard at work: pH relaxes towards one level with gas and another without,
through the lag of the gas line, its closing tail and the probe. It knows no alkalinity, no flow and
no media; a physical model may take its place behind ``SimulatedChamber``.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field
from typing import Protocol

PROBE_FAULTS = ("probe_silent", "probe_stuck")


class SimulatedChamber(Protocol):
    """What whoever plays a chamber must offer. Nothing here knows a clock."""

    ph: float
    """The water's own pH, NBS scale, as no probe sees it."""

    def step(self, dt_s: float, gas_open: bool) -> None:
        """Let ``dt_s`` seconds (above 0) pass with the valve as given."""
        ...

    def probe_reads(self) -> str | None:
        """The line the probe would send now, without its end; None when it says nothing."""
        ...

    def set_fault(self, fault: str | None) -> None:
        """Put one of PROBE_FAULTS in, or with None take it out. ValueError for another name."""
        ...


@dataclass(frozen=True, slots=True)
class Water:
    """How a first-order chamber behaves; pH on the NBS scale, times in seconds. All assumed."""

    high_ph: float = 7.40
    """Where pH goes without gas."""
    low_ph: float = 6.30
    """Where it goes with gas."""
    relax_s: float = 5400.0
    line_lag_s: float = 60.0
    tail_s: float = 90.0
    """How slowly the gas left in the line runs out after a closing."""
    probe_lag_s: float = 20.0
    noise_ph: float = 0.004
    decimals: int = 2


@dataclass(slots=True)
class FirstOrderChamber:
    """See the module. The same ``dice`` and steps give the same readings; ``water`` may be replaced."""

    ph: float
    water: Water = field(default_factory=Water)
    dice: random.Random = field(default_factory=lambda: random.Random(1))  # noqa: S311 - noise, no secret
    gas: float = 0.0
    """Share of the full gas that arrives at the water, 0 to 1."""
    probe_ph: float = 0.0
    fault: str | None = None
    stuck_at: str | None = None

    def __post_init__(self) -> None:
        self.probe_ph = self.ph

    def step(self, dt_s: float, gas_open: bool) -> None:
        """Exact for each lag over the step, so that long steps are as stable as short ones."""
        if not 0.0 < dt_s < math.inf:
            raise ValueError(f"a step of {dt_s} s is not above 0")
        w = self.water
        arriving, lag_s = (1.0, w.line_lag_s) if gas_open else (0.0, w.tail_s)
        self.gas += (arriving - self.gas) * -math.expm1(-dt_s / lag_s)
        goal = w.high_ph + (w.low_ph - w.high_ph) * self.gas
        self.ph += (goal - self.ph) * -math.expm1(-dt_s / w.relax_s)
        self.probe_ph += (self.ph - self.probe_ph) * -math.expm1(-dt_s / w.probe_lag_s)

    def probe_reads(self) -> str | None:
        """The probe's line; a stuck one repeats its first, a silent one says nothing."""
        if self.fault == "probe_silent":
            return None
        if self.fault == "probe_stuck" and self.stuck_at is not None:
            return self.stuck_at
        line = f"{self.probe_ph + self.dice.gauss(0.0, self.water.noise_ph):.{self.water.decimals}f}"
        self.stuck_at = line if self.fault == "probe_stuck" else None
        return line

    def set_fault(self, fault: str | None) -> None:
        """Put a fault of the probe in, or take it out."""
        if fault is not None and fault not in PROBE_FAULTS:
            raise ValueError(f"no fault {fault!r} here; there are {', '.join(PROBE_FAULTS)}")
        self.fault = fault
