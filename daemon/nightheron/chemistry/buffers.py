"""What pH a calibration buffer has at a temperature. Which set a bottle belongs to decides: 6.865 and 7.00
are both sold as "pH 7", and taking one for the other costs a tenth of a pH in the chamber.

Values between two temperatures of a table are interpolated straight, which is within 0.001 of the curve.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from enum import StrEnum

from nightheron.chemistry.bounds import OutOfRange, within

TABLE_T_C = (0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0)


class BufferSet(StrEnum):
    """Families of buffers; the bottle or its certificate says which."""

    NIST = "nist"
    """Primary standards, named by their pH at 25 degC: 4.005, 6.865, 9.180, 10.012."""
    TECHNICAL = "technical"
    """The commercial 4.00, 7.00, 10.01. 7.00 is no standard buffer, and makers differ by 0.02."""
    BOTTLE = "bottle"
    """The table printed on the bottle at hand, which is to be preferred."""


@dataclass(frozen=True, slots=True)
class Buffer:
    """One buffer: its set, its name (its pH at 25 degC), and pH against degC, rising in temperature."""

    set: BufferSet
    name: str
    t_c: tuple[float, ...]
    ph: tuple[float, ...]
    tolerance_ph: float
    """How far a good bottle of it may be off."""
    source: str

    def __post_init__(self) -> None:
        """OutOfRange for a table that is none: two or more points, temperatures rising, pH from 1 to 13."""
        if len(self.t_c) != len(self.ph) or len(self.t_c) < 2:
            raise OutOfRange(f"buffer {self.name!r} needs two or more points, each a temperature and a pH")
        if not all(low < high for low, high in zip(self.t_c, self.t_c[1:], strict=False)):
            raise OutOfRange(f"the temperatures of buffer {self.name!r} do not rise")
        for t_c, ph in zip(self.t_c, self.ph, strict=True):
            within(f"temperature of buffer {self.name!r}", t_c, 0.0, 100.0, "degC")
            within(f"pH of buffer {self.name!r}", ph, 1.0, 13.0)


_NIST = (
    "NBS primary standard: Bates (1962), J. Res. NBS 66A:179; Hetzer et al. (1977), J. Res. NBS 81A:21; "
    "Buck et al. (2002), Pure Appl. Chem. 74:2169"
)
_TECHNICAL = "Foxboro MI 611-211 (2005), table 7"
_TABLES = (
    (BufferSet.NIST, "4.005", (4.000, 3.998, 3.997, 3.998, 4.001, 4.005, 4.011, 4.018, 4.027), 0.01),
    (BufferSet.NIST, "6.865", (6.984, 6.951, 6.923, 6.900, 6.881, 6.865, 6.853, 6.844, 6.838), 0.01),
    (BufferSet.NIST, "9.180", (9.464, 9.395, 9.332, 9.276, 9.225, 9.180, 9.139, 9.102, 9.068), 0.01),
    (BufferSet.NIST, "10.012", (10.317, 10.245, 10.179, 10.118, 10.062, 10.012, 9.966, 9.925, 9.889), 0.01),
    (BufferSet.TECHNICAL, "4.00", (4.00, 4.00, 4.00, 4.00, 4.00, 4.00, 4.01, 4.02, 4.03), 0.02),
    (BufferSet.TECHNICAL, "7.00", (7.12, 7.09, 7.06, 7.04, 7.02, 7.00, 6.99, 6.99, 6.98), 0.02),
    (BufferSet.TECHNICAL, "10.01", (10.32, 10.25, 10.18, 10.12, 10.06, 10.01, 9.97, 9.93, 9.89), 0.02),
)
BUFFERS: dict[tuple[BufferSet, str], Buffer] = {
    (of, name): Buffer(of, name, TABLE_T_C, ph, off, _NIST if of is BufferSet.NIST else _TECHNICAL)
    for of, name, ph, off in _TABLES
}
"""Every buffer known here, by set and name."""


def buffer(of: BufferSet, name: str) -> Buffer:
    """The buffer called ``name`` in the set ``of``; OutOfRange names those there are."""
    if (of, name) not in BUFFERS:
        known = ", ".join(called for family, called in BUFFERS if family is of) or "none; give its own table"
        raise OutOfRange(f"there is no buffer {name!r} in the set {of.value!r}; there is {known}")
    return BUFFERS[of, name]


def bottle(name: str, points: dict[float, float], tolerance_ph: float = 0.02) -> Buffer:
    """A buffer from the table on its bottle: degC to pH, two points or more; OutOfRange as in Buffer."""
    t_c = tuple(sorted(points))
    return Buffer(BufferSet.BOTTLE, name, t_c, tuple(points[t] for t in t_c), tolerance_ph, "its bottle")


def buffer_ph(of: Buffer, t_c: float) -> float:
    """pH (NBS) of a buffer at ``t_c`` degC; OutOfRange outside its table."""
    within(f"temperature of buffer {of.name!r}", t_c, of.t_c[0], of.t_c[-1], "degC")
    right = min(bisect_right(of.t_c, t_c), len(of.t_c) - 1)
    low, high = of.t_c[right - 1], of.t_c[right]
    share = (t_c - low) / (high - low)
    return of.ph[right - 1] * (1.0 - share) + of.ph[right] * share
