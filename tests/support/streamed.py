"""A series of readings through one probe's memory: the flag each ends with, and the test that set it."""

from __future__ import annotations

import math
from collections.abc import Sequence

from nightheron.guard.limits import Conversion, ProbeLimits
from nightheron.guard.quality import Track, assess
from nightheron.model import NS, Flag, Observed, Signal

START_NS = 1000 * NS
Found = tuple[Flag, str]


def probe(stale_s: float = 5.0, period_s: float = 1.0) -> ProbeLimits:
    """A probe that gives pH; the stale time also says what is a silence."""
    return ProbeLimits(period_s=period_s, stale_s=stale_s, conversion=Conversion(at_ph7=7.0, per_ph=1.0))


def streamed(
    at_s: Sequence[float], values: Sequence[float], limits: ProbeLimits | None = None
) -> list[Found]:
    """Flag and test of each reading, as they stand when all have been heard; NaN is a missing one.

    A message that is no reading gets what the probe's memory says at that moment: 9 once it is stale.
    """
    limits, track = limits or probe(), Track()
    found: dict[int, Found] = {}
    for seconds, value in zip(at_s, values, strict=True):
        at_ns = START_NS + round(seconds * NS)
        number = None if math.isnan(value) else float(value)
        track.hear(Observed(at_ns, Signal.CHAMBER_PH, 0, number, str(value), None), limits, 6.7, 6.3)
        _, flag, test = assess(track, at_ns, limits)
        found[at_ns] = (flag, test)
        for off_ns in track.spiked_ns:
            found[off_ns] = (Flag.FAIL, "spike")
    return list(found.values())


def where(found: Sequence[Found], test: str) -> list[int]:
    """Which readings this test marked."""
    return [i for i, (_, by) in enumerate(found) if by == test]
