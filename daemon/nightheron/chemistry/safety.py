"""How long the water gives before harm: the process safety time of a chamber."""

from __future__ import annotations

from nightheron.chemistry.bounds import above_zero, within
from nightheron.chemistry.carbonate import constants, dic_from_ta_ph, seawater_kg_per_l, total_from_nbs
from nightheron.chemistry.gas import moles_per_ml
from nightheron.chemistry.units import meq_l_from_dkh, mol_kg_from_meq_l

HARM_BELOW_FLOOR_PH = 0.6
"""How far below the floor the span reckoned here ends."""

T_C = 25.0
NORMAL_GAS_ML_MIN = 1.0
BUBBLER_BAR = 1.08
"""Normal gas: one 0.05 mL bubble in three seconds at 1.08 bar absolute. Common practice, no source; a
chamber that is held at its floor on 25 mL/min of feed takes two to four times as much by the balance of
its carbon, so whoever counted the bubbles reckons with those."""

LEAN_EFFLUENT_DKH = 15.0
"""Low end of the effluent alkalinity seen in practice (15-40 dKH; no source). Less alkalinity is less
buffer, so the low end gives the short time; new tank water in a chamber just filled has half of it."""


def gas_mol_per_s(gas_ml_min: float = NORMAL_GAS_ML_MIN) -> float:
    """CO2 in mol/s of so many mL of bubbles a minute, at 25 degC and 1.08 bar absolute."""
    return gas_ml_min / 60.0 * moles_per_ml(T_C, BUBBLER_BAR)


def process_safety_s(
    water_l: float,
    floor_ph: float,
    gas_factor: float,
    *,
    gas_ml_min: float = NORMAL_GAS_ML_MIN,
    effluent_dkh: float = LEAN_EFFLUENT_DKH,
) -> float:
    """Seconds for pH (NBS) to go from ``floor_ph`` to 0.6 below it at ``gas_factor`` times the normal gas.

    A closed, well mixed vessel of ``water_l`` litres (above 0) at 25 degC and salinity 35: all gas
    dissolves, alkalinity stays at ``effluent_dkh``, and no help is counted from media that dissolve or
    feed that dilutes. ``floor_ph`` 5 to 9, ``gas_factor`` and ``gas_ml_min``, which is what flows
    normally, above 0. OutOfRange outside these.
    """
    above_zero("water volume", water_l, "L")
    within("floor pH", floor_ph, 5.0, 9.0)
    above_zero("gas factor", gas_factor)
    above_zero("normal gas", gas_ml_min, "mL/min")
    k = constants(T_C)
    kg_per_l = seawater_kg_per_l(T_C)
    ta = mol_kg_from_meq_l(meq_l_from_dkh(effluent_dkh), kg_per_l)
    before = dic_from_ta_ph(ta, total_from_nbs(floor_ph, k), k)
    after = dic_from_ta_ph(ta, total_from_nbs(floor_ph - HARM_BELOW_FLOOR_PH, k), k)
    return (after - before) * water_l * kg_per_l / (gas_factor * gas_mol_per_s(gas_ml_min))
