"""How near water is to being saturated with the mineral of the media.

Unchecked and cheap, for use in each step of simulated time; amounts mol/kg.
"""

from __future__ import annotations


def omega(calcium: float, carbonate: float, ksp: float) -> float:
    """Saturation state: 1 at equilibrium, below it the mineral dissolves. ``ksp`` (mol/kg)^2."""
    return calcium * carbonate / ksp


def dissolution(omega_now: float, rate: float, order: float) -> float:
    """Dissolution in the unit of ``rate`` (one lumped rate times area): rate (1 - omega)^order, and 0 from
    saturation on. The usual form of the literature (Morse and Arvidson 2002, Earth-Sci. Rev. 58:51, from
    memory); rates per area in it differ by a thousand, so ``rate`` must come from an effluent test."""
    return rate * (1.0 - omega_now) ** order if omega_now < 1.0 else 0.0
