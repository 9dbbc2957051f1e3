"""How fast the level falls or rises just now, in steady movement: a step is not a rate."""

from __future__ import annotations

from dataclasses import dataclass, field

from nightheron.guard.proof import ANSWER_NOISES
from nightheron.model import NS

EVERY_NS = 5 * NS
POINTS = 5
SPAN_LEAST_NS, SPAN_MOST_NS = 20 * NS, 180 * NS
HALF_LEAST = 0.25
"""Each half of the span holds at least this share of the movement; in a step, one holds none."""


@dataclass(slots=True)
class Rate:
    """[at_ns, level] of the newest readings, at least five seconds apart."""

    points: list[list[float]] = field(default_factory=list)

    def see(self, at_ns: int, level_ph: float, noise_ph: float) -> float | None:
        """pH a minute over the newest five, falling positive; None between points, in noise, in a step."""
        points = self.points
        if points and at_ns - points[-1][0] < EVERY_NS:
            return None
        points.append([at_ns, level_ph])
        del points[:-POINTS]
        (from_ns, from_ph), (_, half_ph) = points[0], points[len(points) // 2]
        span_ns, fallen_ph = at_ns - from_ns, from_ph - level_ph
        if len(points) < POINTS or not SPAN_LEAST_NS <= span_ns <= SPAN_MOST_NS:
            return None
        if abs(fallen_ph) < ANSWER_NOISES * noise_ph:
            return None
        first, second = (from_ph - half_ph) / fallen_ph, (half_ph - level_ph) / fallen_ph
        if first < HALF_LEAST or second < HALF_LEAST:
            return None
        return fallen_ph * 60.0 * NS / span_ns

    def set_out_anew(self) -> None:
        """What was before the gas was switched, or the reading jumped, makes no rate."""
        self.points.clear()
