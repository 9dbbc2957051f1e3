"""Where a chamber settles, by algebra alone: no time is stepped.

Well mixed, all gas dissolves, one lumped rate. At a given pH the balance of alkalinity is one equation
that rises with alkalinity, and the gas it takes follows:

    F (TA - TA_in) = 2 rate (1 - omega)^order        G = F ((DIC - DIC_in) - (TA - TA_in) / 2)

``rate`` is good for nothing until one effluent test has set it: rates per area differ a thousandfold.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from nightheron.chemistry.bounds import OutOfRange, above_zero, not_negative, within
from nightheron.chemistry.carbonate import dic_from_ta_ph, h_of
from nightheron.chemistry.ceiling import ceiling_ta
from nightheron.chemistry.constants import Constants
from nightheron.chemistry.saturation import dissolution, omega
from nightheron.chemistry.scales import LEAST_PH, MOST_PH
from nightheron.chemistry.solve import other_alkalinity

HALVINGS = 60


@dataclass(frozen=True, slots=True)
class Chamber:
    """What a steady chamber is made of; amounts mol/kg of the water that goes in, all above 0."""

    ta_in: float
    dic_in: float
    calcium_in: float
    flow_kg_s: float
    rate_mol_s: float
    """Dissolution far from saturation: rate constant times area of the media."""
    order: float = 1.0
    """Power of (1 - omega), 0.5 to 4."""

    def __post_init__(self) -> None:
        """OutOfRange outside the ranges above."""
        above_zero("alkalinity in", self.ta_in, "mol/kg")
        above_zero("carbon in", self.dic_in, "mol/kg")
        above_zero("calcium in", self.calcium_in, "mol/kg")
        above_zero("flow", self.flow_kg_s, "kg/s")
        above_zero("rate", self.rate_mol_s, "mol/s")
        within("order", self.order, 0.5, 4.0)


@dataclass(frozen=True, slots=True)
class Steady:
    """A steady state: effluent in mol/kg, total-scale pH, mol/s of mineral dissolved and of gas taken up."""

    ph: float
    ta: float
    dic: float
    calcium: float
    omega: float
    dissolved_mol_s: float
    gas_mol_s: float
    """Below 0 where CO2 would have to be driven out to hold this pH."""


def steady_at_ph(ph: float, chamber: Chamber, k: Constants) -> Steady:
    """The state of ``chamber`` held at total-scale ``ph``, 4 to 10; OutOfRange outside."""
    top = ceiling_ta(ph, chamber.ta_in, chamber.calcium_in, k)
    ta = chamber.ta_in
    if top > chamber.ta_in:
        ta = _root(lambda x: -_lacking(x, ph, chamber, k), chamber.ta_in, top)
    return _state(ta, ph, chamber, k)


def steady_with_gas(gas_mol_s: float, chamber: Chamber, k: Constants) -> Steady:
    """The state of ``chamber`` that takes up ``gas_mol_s`` (0 or more) for good.

    OutOfRange when pH would leave 4 to 10.
    """
    not_negative("gas", gas_mol_s, "mol/s")
    most = _gas(LEAST_PH, chamber, k)
    if not gas_mol_s <= most:
        raise OutOfRange(f"gas {gas_mol_s:g} mol/s is not between 0 and {most:g}, where pH is {LEAST_PH:g}")
    return steady_at_ph(
        _root(lambda ph: gas_mol_s - _gas(ph, chamber, k), LEAST_PH, _most_ph(chamber, k)), chamber, k
    )


def rate_from_effluent(ph: float, ta_out: float, chamber: Chamber, k: Constants) -> float:
    """The ``rate_mol_s`` with which ``chamber`` gives effluent ``ta_out`` (mol/kg) at total-scale ``ph``.

    One effluent test sets the one free number. Its own ``rate_mol_s`` is not looked at. OutOfRange when the
    test lies at or above the ceiling, which no media can do, or not above the water that goes in.
    """
    top = ceiling_ta(ph, chamber.ta_in, chamber.calcium_in, k)
    if not chamber.ta_in < ta_out < top:
        raise OutOfRange(
            f"effluent alkalinity {ta_out:g} mol/kg is not between {chamber.ta_in:g} (what goes in) and "
            f"{top:g} (saturated at pH {ph:g}): test again, and check the probe in a buffer"
        )
    undersaturation = 1.0 - _omega(ta_out, ph, chamber, k)
    gained = chamber.flow_kg_s * (ta_out - chamber.ta_in)
    return float(gained / 2.0 / undersaturation**chamber.order)


def _omega(ta: float, ph: float, chamber: Chamber, k: Constants) -> float:
    h = h_of(ph)
    carbonate = (ta - other_alkalinity(h, k)) * k.k2 / (h + 2.0 * k.k2)
    return omega(chamber.calcium_in + (ta - chamber.ta_in) / 2.0, carbonate, k.ksp_aragonite)


def _lacking(ta: float, ph: float, chamber: Chamber, k: Constants) -> float:
    """Alkalinity that dissolves a second less what flows out, mol/s: falls as ``ta`` rises."""
    made = 2.0 * dissolution(_omega(ta, ph, chamber, k), chamber.rate_mol_s, chamber.order)
    return made - chamber.flow_kg_s * (ta - chamber.ta_in)


def _state(ta: float, ph: float, chamber: Chamber, k: Constants) -> Steady:
    dic, gained = dic_from_ta_ph(ta, ph, k), ta - chamber.ta_in
    return Steady(
        ph=ph,
        ta=ta,
        dic=dic,
        calcium=chamber.calcium_in + gained / 2.0,
        omega=_omega(ta, ph, chamber, k),
        dissolved_mol_s=chamber.flow_kg_s * gained / 2.0,
        gas_mol_s=chamber.flow_kg_s * (dic - chamber.dic_in - gained / 2.0),
    )


def _gas(ph: float, chamber: Chamber, k: Constants) -> float:
    return steady_at_ph(ph, chamber, k).gas_mol_s


def _most_ph(chamber: Chamber, k: Constants) -> float:
    """A pH at which water with the incoming alkalinity still has carbon: above it there is no state."""
    return min(MOST_PH, _root(lambda ph: other_alkalinity(h_of(ph), k) - chamber.ta_in, LEAST_PH, MOST_PH))


def _root(rising: Callable[[float], float], low: float, high: float) -> float:
    """Where ``rising`` passes zero, or the end of the bracket that is nearer to it, from below."""
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        if rising(middle) < 0.0:
            low = middle
        else:
            high = middle
    return low
