"""What the closings of the last day came to: how many were proved, not proved, or could not be told."""

from __future__ import annotations

from dataclasses import dataclass, field

from nightheron.model import NS, Verdict

FINAL = (Verdict.PROVED, Verdict.NOT_PROVED, Verdict.COULD_NOT_TELL)
HOURS = 25
"""The last 24 hours of running and the one under way."""
DAY_NS = 24 * 3600 * NS
UNTOLD_MOST = 3
"""So many closings in a row, over a day or more, without one that was proved: the next is to show it."""


@dataclass(slots=True)
class Tally:
    """Counts by hours of running, newest last, in the order of ``FINAL``."""

    hours: list[list[int]] = field(default_factory=lambda: [[0, 0, 0] for _ in range(HOURS)])
    last: Verdict | None = None
    proved_ns: int = 0
    """When a closing was last proved, or the first start."""
    untold: int = 0
    """Closings since then."""
    day: tuple[int, int, int] = (0, 0, 0)
    """Proved, not proved, could not tell, over all hours."""

    def note(self, verdict: Verdict | None, now_ns: int) -> None:
        """The verdict as it stands; one that changes within its closing is counted once."""
        if verdict is self.last:
            return
        if self.last in FINAL and verdict in FINAL:
            self.take_back()
        self.last = verdict
        if verdict in FINAL:
            self.hours[-1][FINAL.index(verdict)] += 1
            self.untold += 1
        if verdict is Verdict.PROVED:
            self.untold, self.proved_ns = 0, now_ns
        self.add_up()

    def take_back(self) -> None:
        """The verdict of this closing was no verdict after all."""
        if self.last in FINAL:
            place = FINAL.index(self.last)
            self.hours[-1][place] = max(0, self.hours[-1][place] - 1)
            self.add_up()

    def roll(self) -> None:
        """An hour of running is over."""
        self.hours = [*self.hours[1:], [0, 0, 0]]
        self.add_up()

    def told_hours(self) -> tuple[tuple[int, ...], ...]:
        """The hours, newest last, from the first that has a count."""
        first = next((place for place, hour in enumerate(self.hours) if any(hour)), HOURS)
        return tuple(tuple(hour) for hour in self.hours[first:])

    def add_up(self) -> None:
        """The counts of the day, after the hours changed."""
        proved, not_proved, untold = (sum(hour[place] for hour in self.hours) for place in range(3))
        self.day = proved, not_proved, untold

    def overdue(self, now_ns: int) -> bool:
        """A day and some closings have gone by without a proof."""
        return self.untold >= UNTOLD_MOST and now_ns - self.proved_ns >= DAY_NS
