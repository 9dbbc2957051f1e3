"""What is watched for drift: one row a stream of values, with the smallest change worth telling.

How much is worth telling is common practice, no source: less than this nobody would act on. Rates and times
are kept as logarithms, so that twice and half are equally far off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum


class Stream(StrEnum):
    """Everything that can drift; ``effluent`` comes from a person's tests, the rest from the guard."""

    FALL = "fall"
    RISE = "rise"
    SHARE = "share"
    ANSWER = "answer"
    NOISE = "noise"
    STEP = "step"
    TWINS = "twins"
    TANK = "tank"
    EFFLUENT = "effluent"


@dataclass(frozen=True, slots=True)
class Kind:
    """One stream. ``worth`` is in the unit of the value, or of its logarithm."""

    worth: float
    log: bool
    by_hour: bool
    """Its value has a daily course, so that one whose hour of the day is not known says nothing."""
    more: str
    """What a person reads when it stands above what is usual; ``{}`` is how far."""
    less: str


KINDS: dict[Stream, Kind] = {
    Stream.FALL: Kind(
        0.25,
        True,
        False,
        "with gas on, pH falls {} faster than usual",
        "with gas on, pH falls {} slower than usual",
    ),
    Stream.RISE: Kind(
        0.15,
        True,
        False,
        "with gas shut, it rises {} faster than usual",
        "with gas shut, it rises {} slower than usual",
    ),
    Stream.SHARE: Kind(
        0.08,
        False,
        True,
        "gas is open more than usual, by {} of the time",
        "gas is open less than usual, by {} of the time",
    ),
    Stream.ANSWER: Kind(
        0.25,
        True,
        False,
        "pH answers the valve {} later than usual",
        "pH answers the valve {} sooner than usual",
    ),
    Stream.NOISE: Kind(
        0.40, True, False, "the reading is {} noisier than usual", "the reading is {} quieter than usual"
    ),
    Stream.STEP: Kind(
        0.02,
        False,
        False,
        "the reading steps up by {} the moment gas is switched on",
        "the reading steps down by {} the moment gas is switched on",
    ),
    Stream.TWINS: Kind(
        0.015,
        False,
        False,
        "probe 2 reads {} higher against probe 1 than it used to",
        "probe 2 reads {} lower against probe 1 than it used to",
    ),
    Stream.TANK: Kind(
        0.08,
        False,
        True,
        "the tank's pH stands {} above what it usually is at this hour",
        "the tank's pH stands {} below what it usually is at this hour",
    ),
    Stream.EFFLUENT: Kind(
        0.10,
        True,
        False,
        "effluent alkalinity is {} higher than usual",
        "effluent alkalinity is {} lower than usual",
    ),
}
"""Every stream has its row."""


_AS = {"faster": "fast", "noisier": "noisy", "later": "late", "higher": "high"}


def to_line(stream: Stream, value: float) -> float | None:
    """The value as its line keeps it; None when it cannot be one."""
    if not math.isfinite(value):
        return None
    if not KINDS[stream].log:
        return value
    return math.log(value) if value > 0.0 else None


def in_words(stream: Stream, off: float) -> str:
    """How far ``off`` what is usual it stands, in a person's words."""
    kind = KINDS[stream]
    if kind.log:
        share = math.expm1(off)
        far = f"{abs(share) * 100:.0f} %"
        if share >= 1.0:
            return _times(kind.more, share + 1.0)
    elif stream is Stream.SHARE:
        far = f"{abs(off) * 100:.0f} %"
    else:
        far = f"{abs(off):.2f}" if abs(off) >= 0.02 else f"{abs(off):.3f}"
    return (kind.more if off > 0.0 else kind.less).format(far)


def _times(phrase: str, ratio: float) -> str:
    """ "{} faster than usual" as "2.3 times as fast as usual"."""
    before, _, after = phrase.partition("{} ")
    how, _, rest = after.partition(" ")
    return f"{before}{ratio:.1f} times as {_AS[how]} {rest.replace('than', 'as', 1)}"
