"""Says which hour of the day begins (UTC), so that the core knows what is usual at this hour."""

from __future__ import annotations

from nightheron.model import Hour
from nightheron.runtime.clock import ClockPort


class HourHand:
    """Looks at the wall clock; ask at every tick."""

    def __init__(self, clock: ClockPort) -> None:
        self._clock = clock
        self._hour: int | None = None

    def due(self, now_ns: int) -> Hour | None:
        """The hour that began since the last look, and always one at the first."""
        hour = self._clock.utc().hour
        if hour == self._hour:
            return None
        self._hour = hour
        return Hour(now_ns, hour, self._clock.synced())
