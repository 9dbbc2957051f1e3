"""The ideal electrode: how many millivolts one pH unit is worth."""

from __future__ import annotations

import math

from nightheron.chemistry.bounds import within

KELVIN_AT_0_C = 273.15
GAS_CONSTANT_J_MOL_K = 8.31446261815324
"""Molar gas constant, exact since the 2019 SI (CODATA 2018 and 2022)."""
FARADAY_C_MOL = 96485.33212331
"""Faraday constant to the digits used here, exact in itself since the 2019 SI."""


def slope_mv_per_ph(t_c: float) -> float:
    """Nernst factor ``ln(10) R T / F`` in mV per pH unit at ``t_c`` degC (59.159 at 25 degC).

    A glass electrode's potential falls by this much as pH rises by one. Liquid water only:
    OutOfRange outside 0 to 100 degC, and for anything that is not a finite number.
    """
    within("electrode temperature", t_c, 0.0, 100.0, "degC")
    return 1000.0 * math.log(10.0) * GAS_CONSTANT_J_MOL_K * (t_c + KELVIN_AT_0_C) / FARADAY_C_MOL
