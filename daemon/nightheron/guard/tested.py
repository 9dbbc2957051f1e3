"""What a person's own tests of the effluent say of it: whether it moved, from a plain list."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import median

from nightheron.guard.causes import Moved
from nightheron.guard.streams import KINDS, Stream

NEWEST = 2
"""A drop kit is good to some percent: one test alone is not believed. Common practice, no source."""
LEAST_BEFORE = 2


def effluent(tests: Sequence[tuple[float, float]]) -> Moved | None:
    """How the newest two tests stand off those before: (Unix seconds, alkalinity in any one unit).

    None where there are too few, four at least; a value that is not above 0 is none.
    """
    values = [math.log(value) for _, value in sorted(tests) if math.isfinite(value) and value > 0.0]
    if len(values) < NEWEST + LEAST_BEFORE:
        return None
    off = median(values[-NEWEST:]) - median(values[:-NEWEST])
    worth = KINDS[Stream.EFFLUENT].worth
    return Moved(0 if abs(off) < worth else int(math.copysign(1, off)), off)
