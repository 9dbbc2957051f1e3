"""How soon gas had to be shut after a cause was there to be seen, from the limits in the journal itself.

The same sums as the response-time budget that ``nightheron check`` prints, without what lies before the
guard (the interval between two readings) and after the valve (the closing tail). Taken from the limits
that were in force that night, not from today's configuration.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from nightheron.model import Reason
from nightheron.settings.reckon import TICK_S, order_s

NOT_REACHED = frozenset(
    {
        Reason.KEEPER_LOST,
        Reason.VALVE_LOST,
        Reason.VALVE_DISAGREES,
        Reason.NOT_STOPPING,
        Reason.FOREIGN_ORDER,
        Reason.GUARD_LATE,
        Reason.CORE_FAULT,
        Reason.STARTING,
    }
)
"""The valve, or the way to it, is itself in doubt, or nobody was there to order: nothing is promised."""
SILENT = frozenset({Reason.CHAMBER_PH_LOST})


@dataclass(frozen=True, slots=True)
class Promises:
    """One chamber's; empty until its limits were read."""

    order_s: float | None = None
    stale_s: float | None = None

    def seconds(self, reason: str) -> float | None:
        """From the reading, or from the last one before silence, to the valve's acknowledgement."""
        if self.order_s is None or reason in NOT_REACHED:
            return None
        seconds = TICK_S + self.order_s
        if reason in SILENT:
            if self.stale_s is None:
                return None
            seconds += self.stale_s
        return round(seconds, 3)


def promises(limits: Mapping[str, Any] | None) -> Promises:
    """From the ``limits`` of a snapshot row; empty when it has none that can be read."""
    try:
        if limits is None:
            return Promises()
        valve, probes = limits["valve"], limits["probes"]
        stale_s = max(float(probe["stale_s"]) for probe in probes)
        return Promises(order_s(float(valve["lease_s"]), float(valve["travel_s"])), stale_s)
    except (KeyError, TypeError, ValueError):
        return Promises()
