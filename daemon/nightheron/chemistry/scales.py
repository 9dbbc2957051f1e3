"""The scales of pH in seawater, and how far apart they stand.

total: free hydrogen and bisulphate, the scale of the constants here. free: hydrogen alone. seawater:
hydrogen fluoride as well. NBS: what an electrode reads that was calibrated in NIST-type buffers, about
0.137 above total at 25 degC and salinity 35. Free and NBS readings differ from total by a constant at
one temperature and salinity, so each conversion is one addition.
"""

from __future__ import annotations

from enum import StrEnum

from nightheron.chemistry.bounds import within
from nightheron.chemistry.constants import Constants

LEAST_PH, MOST_PH = 4.0, 10.0
"""Range in which the alkalinity of the water is reckoned here."""


class Scale(StrEnum):
    """A pH scale in seawater."""

    TOTAL = "total"
    FREE = "free"
    SEAWATER = "seawater"
    NBS = "nbs"


def above_total(scale: Scale, k: Constants) -> float:
    """How far a pH on ``scale`` stands above the same water's pH on the total scale.

    NBS by fH of Takahashi et al. (1982), a convention: an electrode's liquid junction moves it by 0.02
    or more.
    """
    if scale is Scale.NBS:
        return k.nbs_above_total
    if scale is Scale.SEAWATER:
        return k.seawater_above_total
    return k.free_above_total if scale is Scale.FREE else 0.0


def convert(ph: float, given: Scale, wanted: Scale, k: Constants) -> float:
    """``ph`` on the scale ``given`` as the scale ``wanted`` has it; 3 to 11, OutOfRange outside."""
    within("pH", ph, LEAST_PH - 1.0, MOST_PH + 1.0)
    return ph - above_total(given, k) + above_total(wanted, k)


def total_from_nbs(ph_nbs: float, k: Constants) -> float:
    """pH on the total scale of what a buffer-calibrated electrode reads as ``ph_nbs``; unchecked."""
    return ph_nbs - k.nbs_above_total


def nbs_from_total(ph: float, k: Constants) -> float:
    """What a buffer-calibrated electrode reads in water of total-scale ``ph``; unchecked."""
    return ph + k.nbs_above_total
