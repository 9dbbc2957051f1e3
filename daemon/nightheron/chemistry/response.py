"""How fast an electrode answers when it is moved from one water to another, and whether it has settled."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from nightheron.chemistry.bounds import OutOfRange, above_zero, within

Sample = tuple[float, float]
"""Seconds and reading, in mV or pH."""


def settled(samples: Sequence[Sample], window_s: float, within_reading: float) -> bool:
    """Whether the readings of the last ``window_s`` seconds lie within ``within_reading`` of each other.

    False while the samples do not span the window yet. Times must rise; both limits above 0; OutOfRange
    otherwise. What is steady enough is for the caller to say: 0.3 mV in 30 s is 0.005 pH.
    """
    above_zero("window", window_s, "s")
    above_zero("steadiness", within_reading)
    _check(samples)
    end_s = samples[-1][0]
    if end_s - samples[0][0] < window_s:
        return False
    last = [reading for at_s, reading in samples if at_s >= end_s - window_s]
    return max(last) - min(last) <= within_reading


def response_s(samples: Sequence[Sample], end_reading: float, share: float = 0.9) -> float:
    """Seconds from the first sample until the reading has gone ``share`` of its way to ``end_reading``.

    For good: the last crossing counts. ``samples`` start as the electrode is moved; ``end_reading`` is where
    it settled, which only later samples or ``settled`` can tell. ``share`` 0.1 to 0.99: 0.9 is the usual
    time to 90 %, 2.3 times the lag of an electrode of the first order. Straight between samples, so no finer
    than they are. OutOfRange when times do not rise, when the reading had no way to go, and when it never
    came that far.
    """
    within("share of the way", share, 0.1, 0.99)
    _check(samples)
    start_s, start = samples[0]
    way = end_reading - start
    if not (math.isfinite(way) and way != 0.0):
        raise OutOfRange(f"from {start:g} to {end_reading:g} there is no way to go")
    gone = [(reading - start) / way for _, reading in samples]
    if not gone[-1] >= share:
        raise OutOfRange(f"the reading went {gone[-1]:.0%} of its way, not {share:.0%}: wait longer")
    last = max(i for i, part in enumerate(gone) if part < share)
    (before_s, _), (after_s, _) = samples[last], samples[last + 1]
    into = (share - gone[last]) / (gone[last + 1] - gone[last])
    return before_s + into * (after_s - before_s) - start_s


def _check(samples: Sequence[Sample]) -> None:
    if len(samples) < 2:
        raise OutOfRange(f"{len(samples)} samples are not two or more")
    for (before_s, _), (after_s, reading) in pairwise(samples):
        if not before_s < after_s < math.inf:
            raise OutOfRange(f"sample times do not rise at {after_s:g} s")
        if not math.isfinite(reading):
            raise OutOfRange(f"the reading at {after_s:g} s is not a number")
    if not math.isfinite(samples[0][1]):
        raise OutOfRange(f"the reading at {samples[0][0]:g} s is not a number")
