"""From what a pH electrode gave in two or three buffers to what it is worth, and to pH.

An electrode with slope s gives E = E7 - s N(t) (pH - 7) millivolts, N the Nernst slope at the temperature t:
a straight line in N(t) (pH - 7), so that buffers at different temperatures may be fitted together and a
reading in warmer water is compensated by the same equation. It takes the offset E7 to be the same at every
temperature, as instruments do (an isopotential point at pH 7); real ones stray by some 0.01 pH in 10 K.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from nightheron.chemistry.bounds import OutOfRange, within
from nightheron.chemistry.nernst import slope_mv_per_ph

NEUTRAL_PH = 7.0
LEAST_APART_PH = 1.0
"""Two buffers nearer than this say more about themselves than about the slope."""
USP_SLOPE_PERCENT = (90.0, 105.0)
USP_OFFSET_MV = (-30.0, 30.0)
"""Acceptance of USP <791> (from USP 39, first supplement); offset is the potential in pH 7."""


@dataclass(frozen=True, slots=True)
class BufferReading:
    """What the electrode gave in one buffer: mV, the buffer's pH at the temperature, and that in degC."""

    mv: float
    buffer_ph: float
    t_c: float

    def __post_init__(self) -> None:
        """OutOfRange outside -1000 to 1000 mV, pH 1 to 13, 0 to 60 degC."""
        within("electrode potential", self.mv, -1000.0, 1000.0, "mV")
        within("buffer pH", self.buffer_ph, 1.0, 13.0)
        within("buffer temperature", self.t_c, 0.0, 60.0, "degC")


@dataclass(frozen=True, slots=True)
class Calibration:
    """An electrode as its buffers showed it."""

    slope_percent: float
    """100 is Nernst's; an electrode wears downwards."""
    offset_mv: float
    """Potential in pH 7."""
    residuals_ph: tuple[float, ...]
    """In each buffer, what this line reads less what the buffer is; zeros for two buffers."""

    def mv_per_ph(self, t_c: float) -> float:
        """Signed slope at ``t_c`` degC (0 to 100): near -59.16 at 25 degC; potential falls as pH rises."""
        return -self.slope_percent / 100.0 * slope_mv_per_ph(t_c)

    def within_usp(self) -> bool:
        """Whether slope and offset lie in the band of USP <791>."""
        slope, offset = USP_SLOPE_PERCENT, USP_OFFSET_MV
        return slope[0] <= self.slope_percent <= slope[1] and offset[0] <= self.offset_mv <= offset[1]


IDEAL = Calibration(100.0, 0.0, ())
"""The textbook electrode. What an instrument shows as pH at an assumed 25 degC is ``mv_from_ph(shown, 25,
IDEAL)`` millivolts, which may be calibrated like any other."""


def calibrate(readings: Sequence[BufferReading]) -> Calibration:
    """Slope and offset from two buffers exactly, from three (or more) by least squares.

    OutOfRange for fewer than two, for buffers less than 1 pH apart, and for readings that do not fall as
    pH rises (swapped cups, a dead electrode). Worked by hand: +171.0 mV in 4.005 and +4.0 mV in 6.865 at
    25 degC are 98.70 % and -3.883 mV.
    """
    if len(readings) < 2:
        raise OutOfRange(f"a calibration needs two buffers or more, not {len(readings)}")
    ph = [one.buffer_ph for one in readings]
    if not max(ph) - min(ph) >= LEAST_APART_PH:
        raise OutOfRange(
            f"the buffers are {max(ph) - min(ph):.2f} pH apart, at least {LEAST_APART_PH:g} is needed"
        )
    ideal = [slope_mv_per_ph(one.t_c) * (one.buffer_ph - NEUTRAL_PH) for one in readings]
    mean_x, mean_mv = math.fsum(ideal) / len(ideal), math.fsum(one.mv for one in readings) / len(readings)
    sxy = math.fsum((x - mean_x) * (one.mv - mean_mv) for x, one in zip(ideal, readings, strict=True))
    slope = -sxy / math.fsum((x - mean_x) ** 2 for x in ideal)
    if not slope > 0.0:
        raise OutOfRange("the potential does not fall as pH rises; look whether the buffers were swapped")
    found = Calibration(100.0 * slope, mean_mv + slope * mean_x, ())
    off = tuple(ph_from_mv(one.mv, one.t_c, found) - one.buffer_ph for one in readings)
    return Calibration(found.slope_percent, found.offset_mv, off)


def ph_from_mv(mv: float, t_c: float, electrode: Calibration) -> float:
    """pH (NBS) of water at ``t_c`` degC (0 to 60) in which ``electrode`` gives ``mv`` (-1000 to 1000).

    OutOfRange outside.
    """
    within("electrode potential", mv, -1000.0, 1000.0, "mV")
    within("water temperature", t_c, 0.0, 60.0, "degC")
    return NEUTRAL_PH + (mv - electrode.offset_mv) / electrode.mv_per_ph(t_c)


def mv_from_ph(ph: float, t_c: float, electrode: Calibration) -> float:
    """Millivolts that ``electrode`` gives at ``ph`` (NBS, 0 to 14) in water of ``t_c`` degC (0 to 60).

    OutOfRange outside.
    """
    within("pH", ph, 0.0, 14.0)
    within("water temperature", t_c, 0.0, 60.0, "degC")
    return electrode.offset_mv + electrode.mv_per_ph(t_c) * (ph - NEUTRAL_PH)


def compensated_ph(ph: float, taken_at_t_c: float, t_c: float) -> float:
    """What an instrument that took the water to be ``taken_at_t_c`` should have shown at ``t_c`` degC.

    pH (NBS) 0 to 14, both temperatures 0 to 60; OutOfRange outside. 0.003 pH for each degree and
    each pH unit from 7: nothing to speak of in a chamber at 6.7, and this is the electrode's part only, for
    the water's own pH moves too.
    """
    within("pH", ph, 0.0, 14.0)
    for each in (taken_at_t_c, t_c):
        within("water temperature", each, 0.0, 60.0, "degC")
    return NEUTRAL_PH + (ph - NEUTRAL_PH) * slope_mv_per_ph(taken_at_t_c) / slope_mv_per_ph(t_c)
