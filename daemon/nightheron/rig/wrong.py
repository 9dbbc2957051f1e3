"""All that can be wrong with each part of a simulated site; every default is the healthy state.

A fault sets some of these, at once or bit by bit. Their names, as ``part.field``, are the vocabulary of
the fault library and of a fault file of one's own. A share is 0 to 1, of what is usual.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(slots=True)
class Supply:
    """Cylinder, regulator, needle valve and gas line of one chamber."""

    outlet_bar: float = 0.28
    """Pressure at the regulator's outlet, bar above the air's. 57 is the full cylinder on the needle."""
    needle: float = 1.0
    """How far the needle stands open, of where it was set."""
    line: float = 1.0
    """Share of the line, diffuser and check valve that is free."""
    cylinder: float = 1.0
    """Share of the gas that the cylinder can still give: 0 is empty."""
    fitting_ml_min: float = 0.0
    """Gas that leaves at a loose fitting, into the room, valve open or shut."""


@dataclass(slots=True)
class Valve:
    """The gas valve, its link and its feedback."""

    stuck: str = ""
    """"" moves as ordered, "open" or "shut" stays there."""
    leaks: float = 0.0
    """Share of the gas that passes while it is shut."""
    travel_s: float = 0.0
    """Seconds from one end to the other."""
    deaf: bool = False
    """Takes no orders and answers none."""
    timer: bool = True
    """Its own timer shuts it when nobody renews the opening."""
    feedback: str = "true"
    """What its feedback says: "true", "order" (what was ordered), "open", "closed", "none"."""
    foreign_every_s: float = 0.0
    """How often somebody else orders it open; 0 is never."""


@dataclass(slots=True)
class Probe:
    """A pH probe with its cable, amplifier and link."""

    offset_ph: float = 0.0
    slope: float = 1.0
    """Share of the ideal slope, about pH 7."""
    lag_s: float = 20.0
    noise_ph: float = 0.004
    hum_ph: float = 0.0
    """Amplitude of the mains' hum, seen as a slow beat."""
    gas_step_ph: float = 0.0
    """What the reading moves by while the valve's coil has current."""
    drift_ph_per_day: float = 0.0
    stands_in_ph: float = 0.0
    """pH of the cup it stands in; 0 is the water where it belongs."""
    in_air: bool = False
    frozen: bool = False
    """Repeats its last reading for ever."""
    silent: bool = False
    lost: float = 0.0
    """Share of the readings that never arrive."""
    garbled: float = 0.0
    """Share of the lines that arrive spoilt."""
    spikes: float = 0.0
    """Share of the readings that jump."""
    spike_ph: float = 1.0
    behind_s: float = 0.0
    """Readings arrive this much late, in order, as from a full buffer."""
    clock_s: float = 0.0
    """How far the device's own clock, which stamps its messages, is off."""


@dataclass(slots=True)
class Water:
    """The chamber's water, media and pumps."""

    feed: float = 1.0
    """Share of the flow that the feed pump gives."""
    effluent: float = 1.0
    """Share of the effluent line that is free."""
    circulation: float = 1.0
    """Share of the circulation; below 0.05 the water stands."""
    media: float = 1.0
    """Share of the media's surface that still dissolves."""
    gas_at_probe: bool = False
    """Gas enters where the probe is, not under the media: tells in standing water only."""
    warmer_c: float = 0.0


@dataclass(slots=True)
class Tank:
    """The tank that gives feed and takes effluent."""

    demand: float = 1.0
    """What its corals take, of what is usual."""
    exchange: float = 1.0
    """Exchange with the air: skimmer and surface movement."""
    warmer_c: float = 0.0


@dataclass(slots=True)
class Room:
    """The room around it."""

    air: float = 1.0
    """Change of air, of what is usual."""
    wet: bool = False
    """Water on the floor, where a leak sensor lies."""


@dataclass(slots=True)
class Power:
    """The mains of everything but the guard's own board."""

    mains: bool = True


@dataclass(slots=True)
class Guard:
    """What happens to the guard itself: not the plant's to do, but of whoever plays the fault."""

    killed_every_s: float = 0.0
    journal_stalls: bool = False
    pushes_fail: bool = False
    clock_steps_s: float = 0.0
    """One step of the board's wall clock."""
    host_lost: bool = False
    """The whole board hangs or is gone, without a word to any valve, and does not come back."""


OF_CHAMBER = {"supply": Supply, "valve": Valve, "probe": Probe, "water": Water}
OF_SITE = {"tank": Tank, "tank_probe": Probe, "room": Room, "power": Power, "guard": Guard}
