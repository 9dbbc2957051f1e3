"""Signals that are not pH: the newest number of each, and whether it stands against gas.

One number beyond a limit is enough. The signal stands until it has been back within its clearing
limits for its hold without a break; a silence keeps it standing. A required one that was silent is
held like one that was beyond: what stopped its sensor may have stopped what it watches. So is the first
number of a circulation after a start: a power cut that stopped the pump has stopped the guard as well.
"""

from __future__ import annotations

from dataclasses import dataclass

from nightheron.guard.limits import SenseLimits
from nightheron.guard.signals import KINDS
from nightheron.model import NS, Observed

HELD = "well, held for"
"""In the evidence of a signal that is back."""


@dataclass(slots=True)
class Sense:
    """The memory of one signal."""

    value: float | None = None
    at_ns: int = 0
    stands: bool = False
    """It was beyond a limit, and is not yet back for its hold."""
    back_ns: int | None = None
    """Since when it has been back."""
    unwatched: bool = False
    """Nobody knows what happened before its next number, so that one is held as a return is."""

    def hear(self, message: Observed, limits: SenseLimits) -> None:
        """Take one message; one that is no plausible number changes nothing."""
        value = number(message, limits)
        if value is None:
            return
        self.settle(message.at_ns, limits)
        self.stands, self.unwatched = self.stands or self.unwatched, False
        self.value, self.at_ns = value, message.at_ns
        if not within(value, limits.low, limits.high):
            self.stands, self.back_ns = True, None
        elif not within(value, limits.clear_low, limits.clear_high):
            self.back_ns = None
        elif self.stands and self.back_ns is None:
            self.back_ns = message.at_ns

    def fresh(self, now_ns: int, limits: SenseLimits) -> bool:
        """A number has come within ``stale_s``."""
        return self.value is not None and now_ns - self.at_ns <= limits.stale_s * NS

    def settle(self, now_ns: int, limits: SenseLimits) -> None:
        """Let go of what has been back for its hold, with a fresh number at hand."""
        if not self.fresh(now_ns, limits):
            self.back_ns = None
            held = limits.required and not KINDS[limits.signal].latches and limits.hold_s > 0
            if self.value is not None:
                self.unwatched = held
        elif self.back_ns is not None and now_ns - self.back_ns >= limits.hold_s * NS:
            self.stands, self.back_ns = False, None


def number(message: Observed, limits: SenseLimits) -> float | None:
    """The message's value, when it is a plausible number of its signal."""
    value, (least, most) = message.value, KINDS[limits.signal].plausible
    if message.refused is not None or isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if least <= value <= most else None


def within(value: float, low: float | None, high: float | None) -> bool:
    """Not below ``low`` and not above ``high``."""
    return (low is None or value >= low) and (high is None or value <= high)


def describe(sense: Sense, now_ns: int, limits: SenseLimits) -> str:
    """The evidence of a signal: its number, its limit, and how long it is still held."""
    kind = KINDS[limits.signal]
    if not sense.fresh(now_ns, limits) or sense.value is None:
        return f"{kind.noun}: no reading for {limits.stale_s:g} s"
    shown = f"{kind.noun} {sense.value:g}{kind.unit}"
    bounds = [f"at least {limits.low:g}"] if limits.low is not None else []
    bounds += [f"at most {limits.high:g}"] if limits.high is not None else []
    text = f"{shown}, must be {' and '.join(bounds)}{kind.unit}"
    if sense.stands and sense.back_ns is not None:
        text += f"; {HELD} {limits.hold_s - (now_ns - sense.back_ns) / NS:.0f} s more"
    return text
