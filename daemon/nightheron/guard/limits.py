"""The numbers one chamber is guarded by. Every one is finite; the settings layer refuses the rest."""

from __future__ import annotations

from dataclasses import dataclass

from nightheron.model import Signal


@dataclass(frozen=True, slots=True)
class Conversion:
    """Probe value to pH: ``ph = 7 + (value - at_ph7) / per_ph``.

    From a calibration record, or the ideal electrode at 25 degC for millivolts, or 1:1 for pH.
    """

    at_ph7: float
    per_ph: float


@dataclass(frozen=True, slots=True)
class ProbeLimits:
    """How one probe is believed: ``period_s`` is the expected interval, ``stale_s`` at least three."""

    period_s: float
    stale_s: float
    conversion: Conversion


@dataclass(frozen=True, slots=True)
class SenseLimits:
    """One signal that is not pH, in its own unit; None where there is no limit on that side.

    Beyond ``low`` or ``high`` it stands against gas until it has been within ``clear_low`` and
    ``clear_high`` for ``hold_s`` without a break.
    """

    signal: Signal
    period_s: float
    stale_s: float
    required: bool
    low: float | None = None
    clear_low: float | None = None
    high: float | None = None
    clear_high: float | None = None
    hold_s: float = 0.0


@dataclass(frozen=True, slots=True)
class TankLimits:
    """The tank this chamber feeds; pH on the NBS scale."""

    name: str
    low_ph: float
    clear_ph: float
    required: bool
    probe: ProbeLimits


@dataclass(frozen=True, slots=True)
class ValveLimits:
    """One valve: the lease its orders carry, its travel time, and whether it reports itself."""

    lease_s: float
    travel_s: float
    feedback: bool
    device_timer_s: float | None = None
    """The device shuts itself after so long without an order; None: nothing says that it does."""
    count: int = 1
    """Valves in series."""


@dataclass(frozen=True, slots=True)
class ChamberLimits:
    """One chamber; pH on the NBS scale, times in seconds of CLOCK_BOOTTIME."""

    name: str
    floor_ph: float
    resume_ph: float
    deep_low_margin_ph: float
    min_rest_s: float
    settle_s: float
    longest_opening_s: float
    trial_opening_s: float
    trial_pause_s: float
    probe_lag_s: float
    tail_s: float
    starts_per_hour: int
    commissioning_required: bool
    probes: tuple[ProbeLimits, ...]
    """One to three. The lower of two decides; of three the median, those far off set aside."""
    valve: ValveLimits
    """All valves of the chamber, in series, as one."""
    tank: TankLimits | None = None
    senses: tuple[SenseLimits, ...] = ()
    spread_ph: float = 0.20
    """Probes further apart do not agree."""
    surge_ph_per_min: float = 0.10
    """Falling slower than this is no surge, whatever was learned; rising faster is no water."""
    stalled_s: float = 7200.0
    """Shut for so long below resume without a rise: something other than gas is wrong."""
    gas_budget_s_per_day: float | None = None
    """The most open time in 24 hours of running."""
    alarm_delay_s: float = 60.0
    """How long a trip that resets by itself must stand before it is told."""
