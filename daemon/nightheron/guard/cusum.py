"""A change that lasts, found by adding up: the two-sided tabular CUSUM (Page 1954, Biometrika 41:100).

Each standardised value adds to a sum what it stands beyond the reference value ``k``; the sum never goes
below 0, and beyond ``h`` it says that the level has moved. A chart that begins anew after hands were at
work sets out at h/2 (fast initial response; Lucas and Crosier 1982, Technometrics 24:199), so that what was
wrong at once is found soon, at the price of few false alarms.

The published limits are for values that know nothing of each other. Values of one chamber do: with a lag-1
correlation of 0.5, 465 values between false alarms become 52. So each value is first freed of what the
one before it foretold (an autoregression of order 1), and the shift worth finding is scaled by what that
leaves of it; on what remains the published limits hold again.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

OVERSHOOT = 1.166
"""Siegmund 1985, Sequential Analysis, section II.4: what a sum overshoots its limit by, twice 0.583."""
SHARED_MOST = 0.9
"""Of values that hang together more than this nothing can be told; they are treated as if by this much."""
LEAST_FOR_SHARED = 8
"""Pairs of values below which no correlation is worked out."""


@dataclass(frozen=True, slots=True)
class Chart:
    """How values of one kind are judged; ``k`` and ``h`` in standard deviations of the freed values."""

    k: float
    h: float
    lag1: float = 0.0
    """Correlation of a value with the one before it, 0 to ``SHARED_MOST``; it is taken out first."""

    def freed(self, z: float, before: float | None) -> float:
        """``z`` without what ``before`` foretold, of standard deviation 1; as it is when there was none."""
        if before is None:
            return z
        return (z - self.lag1 * before) / math.sqrt(1.0 - self.lag1 * self.lag1)


@dataclass(slots=True)
class Cusum:
    """The two sums, each 0 or more: how far the level stands above and below what is usual."""

    above: float = 0.0
    below: float = 0.0

    @classmethod
    def ahead(cls, chart: Chart) -> Cusum:
        """A chart with its head start."""
        return cls(chart.h / 2.0, chart.h / 2.0)

    def add(self, freed: float, chart: Chart, most: float = math.inf) -> int:
        """One value: +1 when the level is found above, -1 below, 0 neither. The sums stay within ``most``."""
        self.above = min(most, max(0.0, self.above + freed - chart.k))
        self.below = min(most, max(0.0, self.below - freed - chart.k))
        return self.says(chart)

    def says(self, chart: Chart) -> int:
        """What the sums say now; the larger one where both are beyond."""
        if max(self.above, self.below) <= chart.h:
            return 0
        return 1 if self.above >= self.below else -1


def chart_for(between: float, shift: float, lag1: float = 0.0) -> Chart:
    """The chart that finds ``shift`` standard deviations soonest.

    At ``between`` values between false alarms on the average, 10 or more; ``shift`` above 0 and at most 4.
    ``lag1`` below 0 counts as 0, since values that alternate give fewer false alarms, not more.
    """
    if not 10.0 <= between < 1e9 or not 0.0 < shift <= 4.0 or math.isnan(lag1):
        raise ValueError(f"no chart for {between} values between false alarms and a shift of {shift}")
    lag1 = min(SHARED_MOST, max(0.0, lag1))
    k = 0.5 * shift * math.sqrt((1.0 - lag1) / (1.0 + lag1))
    low, high = 0.0, 200.0
    for _ in range(60):
        h = 0.5 * (low + high)
        low, high = (h, high) if run_length(h, k) < between else (low, h)
    return Chart(k, high, lag1)


def run_length(h: float, k: float, shift: float = 0.0) -> float:
    """Values on the average until the chart speaks, for independent normal values ``shift`` off.

    Siegmund's approximation, from 0; within 3 % for k up to 0.75 and a shift of up to 1, low beyond.
    """
    one, other = _one_sided(h, k, shift), _one_sided(h, k, -shift)
    return 1.0 / (1.0 / one + 1.0 / other)


def _one_sided(h: float, k: float, shift: float) -> float:
    drift, b = shift - k, h + OVERSHOOT
    if abs(drift) < 1e-6:
        return b * b
    return (math.exp(min(700.0, -2.0 * drift * b)) + 2.0 * drift * b - 1.0) / (2.0 * drift * drift)


def shared(values: list[float | None], centre: float = 0.0) -> float:
    """The lag-1 correlation to reckon with, from values in order of time, None where one is missing.

    The estimate is low in few values (Kendall 1954, Biometrika 41:403), so what it lacks is given back, and
    one standard error on top: too much costs some days, too little costs false alarms. 0 with too few.
    """
    present = [v - centre for v in values if v is not None]
    pairs = [
        (a - centre, b - centre) for a, b in itertools.pairwise(values) if a is not None and b is not None
    ]
    square = sum(v * v for v in present)
    if len(pairs) < LEAST_FOR_SHARED or square <= 0.0:
        return 0.0
    r = sum(a * b for a, b in pairs) / len(pairs) / (square / len(present))
    r += (1.0 + 3.0 * r) / len(pairs)
    error = math.sqrt(max(0.0, 1.0 - r * r) / len(pairs))
    return min(SHARED_MOST, max(0.0, r + error))
