"""CO2 that gathers in a room: how much, how fast, and how long until it harms.

The air is taken to be well mixed, which is kind: CO2 is heavier than air and lies low, so a cellar, a cabinet
or a child on the floor meets more. Nothing here replaces a CO2 alarm with a sensor in the room, an
outside vent, or the local rules for gas cylinders.
"""

from __future__ import annotations

import math

from nightheron.chemistry.bounds import above_zero, not_negative, within
from nightheron.chemistry.gas import CO2_G_MOL, PA_PER_ATM, moles_per_ml
from nightheron.chemistry.nernst import GAS_CONSTANT_J_MOL_K, KELVIN_AT_0_C

OUTDOOR_PPM = 420.0
"""Air outside, near 2023 (from memory); in towns 50 more."""
WORKDAY_PPM = 5_000.0
"""Eight-hour average: OSHA 29 CFR 1910.1000 table Z-1, NIOSH REL, EU indicative limit."""
SHORT_PPM = 30_000.0
"""Fifteen minutes: NIOSH short-term limit. The United Kingdom's is 15,000."""
DANGER_PPM = 40_000.0
"""NIOSH: immediately dangerous to life or health."""


def ppm_after(
    seconds: float,
    co2_mol_s: float,
    room_m3: float,
    changes_per_h: float,
    *,
    start_ppm: float = OUTDOOR_PPM,
    outdoor_ppm: float = OUTDOOR_PPM,
    t_c: float = 25.0,
) -> float:
    """CO2 in a well mixed room after ``seconds``, ppm of the air, with ``co2_mol_s`` flowing in.

    The exact solution for a room at one atmosphere whose air is changed ``changes_per_h`` times an hour
    (a tight room 0.1 to 0.3, an ordinary one 0.5, from memory) and that vents what the gas displaces.
    ``seconds``, gas and changes 0 or more (changes at most 100), room above 0 m3, both ppm 0 to
    1,000,000, ``t_c`` 0 to 40; OutOfRange outside.
    """
    not_negative("time", seconds, "s")
    within("CO2 to start with", start_ppm, 0.0, 1e6, "ppm")
    steady_ppm, per_s = _room(co2_mol_s, room_m3, changes_per_h, outdoor_ppm, t_c)
    return start_ppm - (steady_ppm - start_ppm) * math.expm1(-per_s * seconds)


def ppm_at_last(
    co2_mol_s: float,
    room_m3: float,
    changes_per_h: float,
    *,
    outdoor_ppm: float = OUTDOOR_PPM,
    t_c: float = 25.0,
) -> float:
    """Where CO2 in that room settles, ppm. Gas without any new air: 1,000,000.

    Ranges as in ``ppm_after``; OutOfRange outside.
    """
    return _room(co2_mol_s, room_m3, changes_per_h, outdoor_ppm, t_c)[0]


def seconds_until(
    ppm: float,
    co2_mol_s: float,
    room_m3: float,
    changes_per_h: float,
    *,
    start_ppm: float = OUTDOOR_PPM,
    outdoor_ppm: float = OUTDOOR_PPM,
    t_c: float = 25.0,
) -> float | None:
    """Seconds until the room holds ``ppm`` (0 to 1,000,000); None when it never does; 0 when it has already.

    Ranges as in ``ppm_after``; OutOfRange outside.
    """
    within("CO2 to wait for", ppm, 0.0, 1e6, "ppm")
    within("CO2 to start with", start_ppm, 0.0, 1e6, "ppm")
    if start_ppm >= ppm:
        return 0.0
    steady_ppm, per_s = _room(co2_mol_s, room_m3, changes_per_h, outdoor_ppm, t_c)
    if steady_ppm <= ppm or per_s == 0.0:
        return None
    return -math.log((steady_ppm - ppm) / (steady_ppm - start_ppm)) / per_s


def ppm_of_whole_cylinder(
    co2_mol: float, room_m3: float, *, start_ppm: float = OUTDOOR_PPM, t_c: float = 25.0
) -> float:
    """CO2 after ``co2_mol`` went into the room at once, mixed and before any air is changed, ppm.

    The worst that a burst hose makes. Moles 0 or more, room above 0 m3, ``start_ppm`` 0 to 1,000,000, ``t_c``
    0 to 40; OutOfRange outside. A 5 lb cylinder (51.5 mol) in 30 m3 passes 40,000 ppm.
    """
    not_negative("CO2 let out", co2_mol, "mol")
    above_zero("room", room_m3, "m3")
    within("CO2 to start with", start_ppm, 0.0, 1e6, "ppm")
    displaced = co2_mol * 1e-6 / moles_per_ml(t_c, PA_PER_ATM * 1e-5) / room_m3
    return 1e6 - (1e6 - start_ppm) * math.exp(-displaced)


def mg_m3_from_ppm(ppm: float, t_c: float = 25.0) -> float:
    """CO2 in mg/m3 at one atmosphere, by the ideal gas: 9,000 for 5,000 ppm at 25 degC.

    ``ppm`` 0 to 1,000,000, ``t_c`` 0 to 40; OutOfRange outside.
    """
    within("CO2", ppm, 0.0, 1e6, "ppm")
    within("air temperature", t_c, 0.0, 40.0, "degC")
    return ppm * CO2_G_MOL * 1e-3 * PA_PER_ATM / (GAS_CONSTANT_J_MOL_K * (t_c + KELVIN_AT_0_C))


def _room(
    co2_mol_s: float, room_m3: float, changes_per_h: float, outdoor_ppm: float, t_c: float
) -> tuple[float, float]:
    """Where the room settles, ppm, and how fast, 1/s: V dC/dt = g + Q Co - (g + Q) C."""
    not_negative("CO2", co2_mol_s, "mol/s")
    above_zero("room", room_m3, "m3")
    within("air changes", changes_per_h, 0.0, 100.0, "an hour")
    within("CO2 outside", outdoor_ppm, 0.0, 1e6, "ppm")
    gas_per_s = co2_mol_s * 1e-6 / moles_per_ml(t_c, PA_PER_ATM * 1e-5) / room_m3
    air_per_s = changes_per_h / 3600.0
    per_s = gas_per_s + air_per_s
    if per_s == 0.0:
        return outdoor_ppm, 0.0
    return (1e6 * gas_per_s + outdoor_ppm * air_per_s) / per_s, per_s
