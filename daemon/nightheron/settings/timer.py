"""What shuts a valve when nobody orders it any more: the device's own timer, where one is known."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from nightheron.settings.site import Chamber, Valve


def device_timer_s(chamber: Chamber) -> float | None:
    """The longest gas passes without a fresh order: valves in series stop it when the first one does."""
    known = [one for one in map(_own_s, chamber.valves) if one is not None]
    return min(known, default=None)


def _own_s(valve: Valve) -> float | None:
    """The longest the device itself stays open without a fresh order, or None."""
    written = (getattr(valve.options, name, None) for name in ("open_order", "open_line"))
    armed = any(isinstance(text, str) and "{lease_s}" in text for text in written)
    timers = [float(math.ceil(valve.table.lease_s))] if armed or valve.driver == "rig" else []
    if valve.table.device_timer_s is not None:
        timers.append(valve.table.device_timer_s)
    return max(timers, default=None)
