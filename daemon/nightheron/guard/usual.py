"""What is usual for one stream of values, and when it no longer is.

Values come by the hour and are held against the median of their own hour of the day; the middle of six
hours of running is one sample of the chart. Median and MAD are learned over fourteen days of running, once,
and kept until hands change something: a baseline that crept along would swallow the creep. What is smaller
than half of what is worth telling never adds up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import median

from nightheron.guard.cusum import Chart, Cusum, chart_for, shared

HOURS = 24
BLOCK_HOURS = 6
LEARN_BLOCKS = 56
"""Fourteen days of running."""
LEAST_SAMPLES = 28
LEARN_MOST = LEARN_BLOCKS * BLOCK_HOURS
DIGITS = 5
"""Finer than anything that is watched."""
LEAST_AT_HOUR = 5
MAD_TO_SD = 1.4826
"""1 / (inverse normal of 0.75): the standard deviation of normal values from their MAD."""
BETWEEN = 100_000.0
"""Samples between false alarms of one stream: with eight streams, one in about eight years of a chamber."""
FARTHEST = 4.0
"""A value further off counts as this many standard deviations, so that a few strange ones say nothing."""
SHIFT_LEAST, SHIFT_MOST = 1.0, 2.0
RECENT = 8
"""Samples, two days of them, from which the size of a change is told."""
HELD_ABOVE = 1.25
"""A sum stays within this many limits, so that an end is seen within days."""


@dataclass(slots=True)
class Usual:
    """What was learned: the median at each hour of the day (UTC), and how samples scatter about it."""

    at_hour: list[float]
    sd: float
    chart: Chart

    def centre(self, hour: int | None) -> float:
        """What is usual at an hour; in the middle of the day's course where the hour is not known."""
        return median(self.at_hour) if hour is None else self.at_hour[hour]


@dataclass(slots=True)
class Line:
    """All that is remembered of one stream."""

    learning: list[list[float]] = field(default_factory=list)
    """[block, hour of the day or -1, value], oldest first, while nothing is usual yet."""
    began_block: int | None = None
    usual: Usual | None = None
    sums: Cusum = field(default_factory=Cusum)
    before: float | None = None
    """The sample before this one, standardised."""
    hours: list[float] = field(default_factory=list)
    """What the hours of the present block stand off what is usual."""
    recent: list[float] = field(default_factory=list)
    """The newest samples, in the stream's own unit, newest last."""
    found: int = 0
    """+1 found above what is usual, -1 below, 0 neither."""

    @property
    def off(self) -> float:
        """How far the stream stands off what is usual now, in its own unit; 0 while nothing is known."""
        return median(self.recent) if self.recent else 0.0

    def hear(self, value: float, hour: int | None, block: int, *, by_hour: bool) -> None:
        """The value of one hour; one whose hour of the day is not known says nothing where that matters."""
        if hour is None and by_hour:
            return
        if self.usual is not None:
            self.hours.append(value - self.usual.centre(hour))
            return
        if self.began_block is None:
            self.began_block = block
        row = [block, -1 if hour is None else hour, round(value, DIGITS)]
        self.learning = [*self.learning[-LEARN_MOST + 1 :], row]

    def end_block(self, block: int, worth: float) -> None:
        """Six hours of running are over; ``worth`` is the smallest change worth telling."""
        if self.usual is not None:
            self._sample(worth)
        elif self.began_block is not None and block - self.began_block >= LEARN_BLOCKS:
            blocks = {row[0] for row in self.learning}
            if len(blocks) >= LEAST_SAMPLES:
                self.usual = learn(self.learning, worth)
                self.sums = Cusum.ahead(self.usual.chart)
                self.learning = []

    def _sample(self, worth: float) -> None:
        usual, hours, self.hours = self.usual, self.hours, []
        if usual is None or not hours:
            self.before = None
            return
        off = median(hours)
        self.recent = [*self.recent[-RECENT + 1 :], off]
        z = min(FARTHEST, max(-FARTHEST, off / usual.sd))
        chart = usual.chart
        said = self.sums.add(chart.freed(z, self.before), chart, HELD_ABOVE * chart.h)
        self.before = z
        if said and said * self.off >= worth / 2.0:
            self.found = said
        elif self.found and max(self.sums.above, self.sums.below) < chart.h / 2.0:
            self.found = 0


def learn(rows: Sequence[Sequence[float]], worth: float) -> Usual:
    """What is usual, from [block, hour or -1, value] in order; at least one row."""
    every = median(row[2] for row in rows)
    at_hour = [_at(rows, hour, every) for hour in range(HOURS)]
    off: dict[int, list[float]] = {}
    for block, hour, value in rows:
        centre = every if hour < 0 else at_hour[int(hour)]
        off.setdefault(int(block), []).append(value - centre)
    first, last = min(off), max(off)
    samples = [median(off[block]) if block in off else None for block in range(first, last + 1)]
    present = [one for one in samples if one is not None]
    middle = median(present)
    spread = MAD_TO_SD * median(abs(one - middle) for one in present)
    sd = max(spread, worth / SHIFT_MOST)
    hang = _still_shared(shared(samples, middle), spread / sd)
    shift = min(SHIFT_MOST, max(SHIFT_LEAST, worth / sd))
    return Usual([centre + middle for centre in at_hour], sd, chart_for(BETWEEN, shift, hang))


def _at(rows: Sequence[Sequence[float]], hour: int, every: float) -> float:
    """The median at an hour of the day, its neighbours with it; the whole stream's where there are few."""
    near = {(hour - 1) % HOURS, hour, (hour + 1) % HOURS}
    values = [row[2] for row in rows if int(row[1]) in near]
    return median(values) if len(values) >= LEAST_AT_HOUR else every


def _still_shared(lag1: float, share: float) -> float:
    """The correlation to correct for when samples scatter by only ``share`` of what they are divided by.

    What makes false alarms is the scatter of long sums, (1 + r) / (1 - r) times that of one value; the
    correlation is the one that gives this much about a standard deviation of 1, and 0 where there is less.
    """
    long_run = share * share * (1.0 + lag1) / (1.0 - lag1)
    return max(0.0, (long_run - 1.0) / (long_run + 1.0)) if math.isfinite(long_run) else lag1
