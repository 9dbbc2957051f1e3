"""How far a reading wanders by itself, whatever the gas does: a movement no larger than that is no answer.

One level a minute is kept. The bend of three (their second difference) is nothing where the water moves
steadily, but for a turn now and then; a probe in air walks at random, so its bends are large all the time,
and what it moves grows with the root of the time. The median of the bends tells the two apart. Bends that
the noise explains are no wandering.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from statistics import median

from nightheron.guard.quality import MAD_TO_SD
from nightheron.model import NS

EVERY_NS = 60 * NS
APART_MOST_NS = 90 * NS
"""Levels further apart than this do not make a bend."""
POINTS, BENDS_LEAST = 25, 15
NOISES = 4.0
"""Bends of so many noises are nothing; white noise of the level gives about one."""
WALKS = 4.0
"""So many times what a walk moves on average in a span is more than wandering."""


@dataclass(slots=True)
class Wander:
    """The newest levels, a minute apart, and what they say."""

    points: list[list[float]] = field(default_factory=list)
    """[at_ns, level], newest last."""
    per_root_min_ph: float = 0.0
    """What the reading wanders in a minute; in t minutes it is the root of t times as much."""

    def see(self, at_ns: int, level_ph: float, noise_ph: float) -> None:
        """A level; only one a minute counts."""
        points = self.points
        if points and at_ns - points[-1][0] < EVERY_NS:
            return
        points.append([at_ns, level_ph])
        del points[:-POINTS]
        bends = [
            abs(a[1] - 2 * b[1] + c[1])
            for a, b, c in zip(points, points[1:], points[2:], strict=False)
            if b[0] - a[0] <= APART_MOST_NS and c[0] - b[0] <= APART_MOST_NS
        ]
        if len(bends) < BENDS_LEAST:
            return
        beyond = (MAD_TO_SD * median(bends)) ** 2 - (NOISES * noise_ph) ** 2
        self.per_root_min_ph = math.sqrt(beyond / 2) if beyond > 0 else 0.0

    def reach_ph(self, over_s: float) -> float:
        """More than this, within ``over_s``, is no wandering; 0 where the reading does not wander."""
        return WALKS * self.per_root_min_ph * math.sqrt(max(over_s, 60.0) / 60.0)

    def set_out_anew(self) -> None:
        """The level leapt: what was before makes no bend with what follows. What was found stays."""
        self.points.clear()

    def forget(self) -> None:
        """Another probe has its own way."""
        self.points.clear()
        self.per_root_min_ph = 0.0
