"""What a CO2 cylinder still holds: what its gauge can say, and what it cannot.

While liquid is left the gauge shows the temperature and nothing else: full and nearly empty look alike, and
a night 3 K cooler looks like a loss of 7 %. Only when the liquid is gone (29 % of the charge is then left at
20 degC, 36 % at 25) does the pressure fall with the content. Scales say it at any time.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from nightheron.chemistry.bounds import OutOfRange, above_zero, within
from nightheron.chemistry.co2_fluid import MOST_T_C, gas_kg_l, saturation_bar, vapour_kg_l
from nightheron.chemistry.gas import CO2_G_MOL
from nightheron.chemistry.units import ATM_BAR

FILL_KG_L = 0.68
"""Charge for each litre of cylinder: the most that the authorities of the USA and Canada allow (Kidde manual
81-CO2MAN-001, 2013, section 2-2.1.2); 0.66 to 0.75 elsewhere (from memory). Filling is for those who do it
for a living."""
GAUGE_ERROR = 0.03
"""Share of its reading by which a cylinder's gauge is taken to be off."""
TEMPERATURE_ERROR_K = 2.0
"""How far the cylinder's own temperature is taken to be from the room's."""


class Gauge(StrEnum):
    """What the reading means."""

    LIQUID = "liquid"
    """Liquid may be left: the reading says only how warm the cylinder is."""
    GAS = "gas"
    """No liquid left: the content falls with the pressure, and the end is near."""


@dataclass(frozen=True, slots=True)
class Content:
    """What a cylinder may hold after a look at its gauge, kg of CO2."""

    gauge: Gauge
    least_kg: float
    most_kg: float


def content(gauge_bar: float, t_c: float, charge_kg: float, fill_kg_l: float = FILL_KG_L) -> Content:
    """What the gauge (bar over ambient) of a cylinder of ``charge_kg`` CO2 when full says at ``t_c`` degC.

    The gauge may be 3 % off and the cylinder 2 K warmer or colder than said. Gauge 0 to 110 bar, ``t_c``
    -18 to 28.9 degC, charge 0.01 to 50 kg, fill 0.5 to 0.75 kg/L; OutOfRange outside. Above 31 degC there
    is no liquid and no plateau, and a full cylinder may open its burst disc: cool the room, not the gauge.
    """
    within("cylinder gauge", gauge_bar, 0.0, 110.0, "bar")
    within("cylinder temperature", t_c, -18.0, MOST_T_C - TEMPERATURE_ERROR_K, "degC")
    within("charge", charge_kg, 0.01, 50.0, "kg")
    within("fill", fill_kg_l, 0.5, 0.75, "kg/L")
    volume_l = charge_kg / fill_kg_l
    cold, warm = t_c - TEMPERATURE_ERROR_K, t_c + TEMPERATURE_ERROR_K
    lowest = gauge_bar * (1.0 - GAUGE_ERROR) + ATM_BAR
    highest = gauge_bar * (1.0 + GAUGE_ERROR) + ATM_BAR
    least_kg = volume_l * gas_kg_l(warm, min(lowest, saturation_bar(warm)))
    if highest >= saturation_bar(cold):
        return Content(Gauge.LIQUID, least_kg, charge_kg)
    return Content(Gauge.GAS, least_kg, volume_l * gas_kg_l(cold, highest))


def share_left_without_liquid(t_c: float, fill_kg_l: float = FILL_KG_L) -> float:
    """Share of the charge still inside when the last liquid goes, at ``t_c`` degC (-20 to 30.9).

    ``fill_kg_l`` 0.5 to 0.75; OutOfRange outside. Until then the gauge has not moved.
    """
    within("fill", fill_kg_l, 0.5, 0.75, "kg/L")
    return vapour_kg_l(t_c) / fill_kg_l


def days_left(
    least_kg: float, most_kg: float, least_mol_day: float, most_mol_day: float
) -> tuple[float, float]:
    """Least and most days that a content lasts at a use of CO2 in mol a day.

    Contents 0 to 50 kg, uses above 0, each pair in rising order; OutOfRange otherwise.
    """
    within("most content", most_kg, 0.0, 50.0, "kg")
    within("least content", least_kg, 0.0, most_kg, "kg")
    above_zero("least use", least_mol_day, "mol a day")
    if not least_mol_day <= most_mol_day < float("inf"):
        raise OutOfRange(f"most use {most_mol_day:g} mol a day is not {least_mol_day:g} or more")
    mol_per_kg = 1000.0 / CO2_G_MOL
    return least_kg * mol_per_kg / most_mol_day, most_kg * mol_per_kg / least_mol_day
