"""What one chamber drifts by: the streams of ``guard/streams.py``, hour by hour, on running time.

The core has no wall time. Whoever runs it says each hour which hour of the day begins (UTC, since lamps have
timers that know no summer time); it decides only which hour's usual value a value is held against, and says
nothing about gas. Hours in which gas was not the chamber's own affair (held, tripped, latched) are left out.
Nothing found here closes gas or opens it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from statistics import median

from nightheron.guard.causes import GROUPS, Moved, explain, words
from nightheron.guard.streams import KINDS, Stream, to_line
from nightheron.guard.usual import BLOCK_HOURS, Line
from nightheron.model import NS, Reason

MINUTE_NS = 60 * NS
HOUR_NS = 3600 * NS
HOUR_LEAST_NS = HOUR_NS // 2
"""An hour that the service ran for less says nothing."""
HOUR_MOST_NS = HOUR_NS + HOUR_NS // 2
"""Nobody said for so long which hour it is: the hour ends all the same, of no known hour of the day."""
VALUES_MOST = 120


@dataclass(slots=True)
class Hour:
    """The hour that is under way."""

    hour: int | None = None
    """Of the day, UTC; None where nobody with a right clock said."""
    ran_ns: int = 0
    open_ns: int = 0
    disturbed: bool = False
    """Something other than the chamber's own round shut or held the gas."""
    values: dict[Stream, list[float]] = field(default_factory=dict)


@dataclass(slots=True)
class Drift:
    """All that is remembered for drift. Hours and blocks are of running time."""

    lines: dict[Stream, Line] = field(default_factory=dict)
    now: Hour = field(default_factory=Hour)
    hours: int = 0
    """Hours that counted, since the beginning."""
    minute_ns: int = 0
    """Running time since the last look."""
    told: dict[Reason, str] = field(default_factory=dict)
    """What is found now, in words, by the reason under which it is told."""
    tests: dict[Stream, Moved] = field(default_factory=dict)
    """What a person's own tests say; whoever keeps them sets it, it is not kept here."""
    aged: list[str] = field(default_factory=list)
    """What the probe's calibrations say, a sentence each; the same."""
    news: bool = False
    """A block ended since the state was last written down."""

    @property
    def block(self) -> int:
        """Six hours of running each."""
        return self.hours // BLOCK_HOURS

    def pass_time(self, dt_ns: int, *, flows: bool, undisturbed: bool) -> bool:
        """``dt_ns`` of running time have gone by; True when a minute is over and readings are wanted."""
        now = self.now
        now.ran_ns += dt_ns
        if flows:
            now.open_ns += dt_ns
        if not undisturbed:
            now.disturbed = True
        self.minute_ns += dt_ns
        if self.minute_ns < MINUTE_NS:
            return False
        self.minute_ns = 0
        return True

    def hear(self, stream: Stream, value: float | None) -> None:
        """One value of the present hour, in the unit of its stream."""
        kept = None if value is None else to_line(stream, value)
        if kept is not None:
            values = self.now.values.setdefault(stream, [])
            if len(values) < VALUES_MOST:
                values.append(kept)

    def overdue(self) -> bool:
        """True when the hour must end though nobody said so."""
        return self.now.ran_ns >= HOUR_MOST_NS

    def end_hour(self, next_hour: int | None, probes: int) -> None:
        """The hour is over; ``next_hour`` of the day begins, None when that is not known."""
        now, self.now = self.now, Hour(next_hour)
        if now.ran_ns < HOUR_LEAST_NS:
            return
        values = {stream: midmean(found) for stream, found in now.values.items() if found}
        if now.disturbed:
            values = {s: v for s, v in values.items() if s not in (Stream.SHARE, Stream.FALL, Stream.RISE)}
        else:
            values[Stream.SHARE] = now.open_ns / now.ran_ns
        for stream, value in values.items():
            line = self.lines.setdefault(stream, Line())
            line.hear(value, now.hour, self.block, by_hour=KINDS[stream].by_hour)
        self.hours += 1
        if self.hours % BLOCK_HOURS == 0:
            for stream, line in self.lines.items():
                line.end_block(self.block, KINDS[stream].worth)
            self.tell(probes)
            self.news = True

    def tell(self, probes: int) -> None:
        """Find the words for what stands."""
        moved = {stream: Moved(line.found, line.off) for stream, line in self.lines.items() if line.usual}
        moved |= self.tests
        texts: dict[Reason, list[str]] = {}
        for row in explain(moved):
            texts.setdefault(row.reason, []).append(words(row, moved, probes=probes))
        if self.aged:
            texts.setdefault(Reason.PROBE_DRIFT, []).extend(self.aged)
        self.told = {reason: ". And: ".join(texts[reason]) for reason in GROUPS if reason in texts}

    def text(self) -> str:
        """What stands with this memory, in one sentence."""
        learned = sum(line.usual is not None for line in self.lines.values())
        found = "; ".join(self.told.values()) or "nothing drifts that can be seen"
        return f"usual known of {learned} of {len(self.lines)} figures, {self.hours} h of running: {found}"

    def forget(self, probes: int, *streams: Stream) -> None:
        """Hands changed something: these streams are learned anew, and what was found in them is over."""
        for stream in streams or tuple(Stream):
            self.lines.pop(stream, None)
            self.now.values.pop(stream, None)
        self.now.disturbed = True
        self.tell(probes)
        self.news = True


def midmean(values: list[float]) -> float:
    """The mean of the middle half: as deaf to strays as a median, and finer than the probe's resolution."""
    ordered = sorted(values)
    cut = len(ordered) // 4
    middle = ordered[cut : len(ordered) - cut]
    return sum(middle) / len(middle) if middle else median(ordered)
