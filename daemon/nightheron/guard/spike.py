"""Which readings stick out from their neighbours, told when the water is back and not before.

As the spike test of U.S. IOOS QARTOD (Manual for Real-Time Quality Control of pH Data Observations, version
1.0, 2019) with two differences: two readings in a row are found as well as one, and what is held
against the limit is the distance from good neighbours only, so that these are never marked.
"""

from __future__ import annotations

from collections.abc import Callable

from nightheron.model import NS

LEAST_PH = 0.1
"""Off by less is no spike; common practice, no source."""
READINGS = 2
LASTS_S = 3.0
"""Between the good neighbours of a spike: what two readings take at one a second."""


def found(
    recent: list[list[float]], spiked_ns: list[int], noise_ph: Callable[[], float]
) -> list[list[float]]:
    """The readings now known to be off, between the two neighbours that say so; empty when there are none.

    ``recent`` holds [at_ns, ph], newest last. Off are one or two readings, or more of a fast probe
    within ``LASTS_S``. A reading of ``spiked_ns`` is nobody's neighbour: the good one between two
    spikes stays good.
    """
    at_ns, ph = recent[-1]
    if len(recent) < 3 or abs(ph - recent[-2][1]) <= 0.75 * LEAST_PH:
        return []  # nearly every reading; the noise is asked for only after this
    limit = max(6 * noise_ph(), LEAST_PH)
    for back in range(3, len(recent) + 1):
        then_ns, before = recent[-back]
        if back > READINGS + 2 and at_ns - then_ns > LASTS_S * NS:
            return []
        if then_ns in spiked_ns or abs(ph - before) > limit / 2:
            continue
        middle = (before + ph) / 2
        off = all(abs(v - middle) > limit for _, v in recent[1 - back : -1])
        return recent[-back:] if off else []
    return []
