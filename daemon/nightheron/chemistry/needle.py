"""How much gas a needle valve or an orifice passes, from the pressures before and behind it.

The needle is taken as an orifice: what passes goes with the pressure before it, and chokes when that is
about twice the pressure behind (isentropic flow, any text on compressible flow). So small creep at the
regulator doubles the gas, and the full pressure of a cylinder gives more than fifty times as much.
"""

from __future__ import annotations

import math

from nightheron.chemistry.bounds import above_zero

GAMMA = 1.3
"""Ratio of the heat capacities of CO2 at room temperature."""
CHOKED: float = (2.0 / (GAMMA + 1.0)) ** (GAMMA / (GAMMA - 1.0))
AIR_BAR = 1.013
OUTLET_BAR = 0.28
"""Where a regulator is set, above the air's: 4 psi. Common practice, no source."""
BEHIND_BAR = 0.03
"""What stands behind the needle, above the air's; assumed."""


def orifice(before_bar: float, behind_bar: float) -> float:
    """Flow through the needle, in a unit of its own; absolute pressures. 0 when nothing drives it."""
    if not before_bar > behind_bar:
        return 0.0
    ratio = max(behind_bar / before_bar, CHOKED)
    flow = math.pow(ratio, 2.0 / GAMMA) - math.pow(ratio, (GAMMA + 1.0) / GAMMA)
    return before_bar * math.sqrt(2.0 * GAMMA / (GAMMA - 1.0) * flow)


def outlet_bar_for(gas_factor: float) -> float:
    """The pressure at the regulator's outlet, bar above the air's, that gives so many times the usual gas.

    The usual is that of the same needle at ``OUTLET_BAR``; ``gas_factor`` above 0, OutOfRange else.
    """
    above_zero("gas factor", gas_factor)
    behind = AIR_BAR + BEHIND_BAR
    wanted = gas_factor * orifice(AIR_BAR + OUTLET_BAR, behind)
    low, high = behind, behind / CHOKED
    choked = orifice(high, behind)
    if wanted >= choked:  # from here on flow goes with the pressure
        return high * wanted / choked - AIR_BAR
    while high - low > 1e-6:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if orifice(middle, behind) < wanted else (low, middle)
    return high - AIR_BAR
