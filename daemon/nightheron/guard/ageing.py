"""When a probe's slope or offset will leave its band: a straight line through its calibrations, and doubt.

Ordinary least squares with the prediction interval of one further calibration (any text on regression; for
instance Montgomery and Runger, Applied Statistics and Probability for Engineers, chapter 11). The answer is
an interval of days, not a day: where even the hopeful end of the interval is outside, it is late; where only
the fearful end is, it may be soon. Two calibrations are a line without doubt, and so say nothing.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import NormalDist

from nightheron.chemistry.calibration import USP_OFFSET_MV, USP_SLOPE_PERCENT

DAY_S = 86_400.0
LEAST_RECORDS = 3
T_95 = (
    *(6.3138, 2.9200, 2.3534, 2.1318, 2.0150, 1.9432, 1.8946, 1.8595, 1.8331, 1.8125),
    *(1.7959, 1.7823, 1.7709, 1.7613, 1.7531, 1.7459, 1.7396, 1.7341, 1.7291, 1.7247),
)
"""Student's t, 95 %, for 1 to 20 degrees of freedom (any table): a 90 % interval, one end in twenty wrong."""
HORIZON_D = 365
SOON_D = 60
"""Nearer than this it is told; time enough to buy a probe. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Record:
    """One calibration: when (Unix seconds), and what the electrode was worth."""

    utc_s: float
    slope_percent: float
    offset_mv: float


@dataclass(frozen=True, slots=True)
class Leaves:
    """When a number leaves its band, in days after the newest record."""

    limit: float
    soonest_d: int
    likely_d: int
    latest_d: int | None
    """None where the doubt is too large to say within ``HORIZON_D``."""


@dataclass(frozen=True, slots=True)
class Trend:
    """A straight line through points and what is needed for the doubt about it."""

    n: int
    mean_x: float
    mean_y: float
    slope: float
    sd: float
    """Of the points about the line, n - 2 degrees of freedom."""
    across: float
    """Sum of squares of x about its mean."""

    def at(self, x: float) -> float:
        """The line."""
        return self.mean_y + self.slope * (x - self.mean_x)

    def doubt(self, x: float, t: float) -> float:
        """Half the width of the prediction interval of one further point at ``x``."""
        return t * self.sd * math.sqrt(1.0 + 1.0 / self.n + (x - self.mean_x) ** 2 / self.across)

    def surely(self, t: float) -> bool:
        """The slope is further from 0 than its doubt."""
        return abs(self.slope) > t * self.sd / math.sqrt(self.across)


def trend(points: Sequence[tuple[float, float]]) -> Trend | None:
    """Least squares through (x, y); None with fewer than three points, or all at one x."""
    n = len(points)
    if n < LEAST_RECORDS or not all(math.isfinite(v) for point in points for v in point):
        return None
    mean_x, mean_y = sum(x for x, _ in points) / n, sum(y for _, y in points) / n
    across = sum((x - mean_x) ** 2 for x, _ in points)
    if across <= 0.0:
        return None
    slope = sum((x - mean_x) * (y - mean_y) for x, y in points) / across
    left = sum((y - mean_y - slope * (x - mean_x)) ** 2 for x, y in points)
    return Trend(n, mean_x, mean_y, slope, math.sqrt(left / (n - 2)), across)


def t_95(freedom: int) -> float:
    """Student's t that 5 % exceed, for 1 degree of freedom or more."""
    if freedom <= len(T_95):
        return T_95[freedom - 1]
    z = NormalDist().inv_cdf(0.95)
    first, second = (z**3 + z) / 4.0, (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / 96.0
    return z + first / freedom + second / freedom**2  # Fisher and Cornish 1960, from memory; see the test


def leaves_band(
    points: Sequence[tuple[float, float]], band: tuple[float, float], horizon_d: int = HORIZON_D
) -> Leaves | None:
    """When y of (day, y) leaves ``band``, days after the newest point.

    None where nothing can be said: too few points, no trend beyond its doubt, or not within the horizon.
    """
    line = trend(points)
    if line is None:
        return None
    t = t_95(line.n - 2)
    if not line.surely(t):
        return None
    low, high = band
    limit, sign = (low, -1.0) if line.slope < 0.0 else (high, 1.0)
    last = max(x for x, _ in points)
    beyond = [sign * (line.at(last + d) - limit) for d in range(horizon_d + 1)]
    doubts = [line.doubt(last + d, t) for d in range(horizon_d + 1)]
    likely = _first(one >= 0.0 for one in beyond)
    if likely is None:
        return None
    soonest = _first(one + doubt >= 0.0 for one, doubt in zip(beyond, doubts, strict=True))
    latest = _first(one - doubt >= 0.0 for one, doubt in zip(beyond, doubts, strict=True))
    return Leaves(limit, likely if soonest is None else soonest, likely, latest)


def ageing(records: Sequence[Record]) -> list[str]:
    """What a person is told of one probe's calibrations, a sentence each; nothing while all is far off."""
    newest = sorted(records, key=lambda one: one.utc_s)
    told = []
    for name, unit, band, values in (
        ("slope", " %", USP_SLOPE_PERCENT, [one.slope_percent for one in newest]),
        ("offset", " mV", USP_OFFSET_MV, [one.offset_mv for one in newest]),
    ):
        points = [(one.utc_s / DAY_S, value) for one, value in zip(newest, values, strict=True)]
        leaves = leaves_band(points, band)
        if leaves is None or leaves.likely_d > SOON_D:
            continue
        until = f"{leaves.latest_d} days" if leaves.latest_d is not None else "an unknown number of days"
        told.append(
            f"the probe's {name} went from {values[0]:.1f} to {values[-1]:.1f}{unit} over "
            f"{points[-1][0] - points[0][0]:.0f} days; it passes {leaves.limit:g}{unit} within "
            f"{leaves.soonest_d} to {until} of its last calibration, likely {leaves.likely_d}. "
            "Likely: the probe grows old. To tell: clean it and calibrate again; if it stays so, have a new "
            "one at hand"
        )
    return told


def _first(held: Iterable[bool]) -> int | None:
    return next((day for day, one in enumerate(held) if one), None)
