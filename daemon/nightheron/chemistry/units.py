"""Units of the trade to units of chemistry and back.

Alkalinity: meq/L (mmol of charge in a litre), dKH (German degrees: 10 mg/L of CaO each), mg/L of CaCO3
("ppm"), and umol/kg, which differs from meq/L by the density of the water (2.3 % in seawater). Atomic
weights are IUPAC's. Everything here is a finite number of 0 or more; OutOfRange otherwise.
"""

from __future__ import annotations

from nightheron.chemistry.bounds import not_negative, within

CA_G_MOL, CACO3_G_MOL, CAO_G_MOL = 40.078, 100.086, 56.077
"""IUPAC: Ca 40.078, C 12.011, O 15.999."""
MEQ_L_PER_DKH = 2.0 * 10.0 / CAO_G_MOL
"""One German degree is 10 mg/L of CaO, two equivalents a mole (DIN 38409-6, from memory): 0.356652."""
MG_L_CACO3_PER_MEQ_L = CACO3_G_MOL / 2.0
"""50.043."""
KG_PER_LB = 0.45359237
BAR_PER_PSI = 0.06894757293168
"""Both exact by definition."""
ATM_BAR = 1.01325


def meq_l_from_dkh(dkh: float) -> float:
    """Alkalinity in meq/L of ``dkh`` German degrees."""
    not_negative("alkalinity", dkh, "dKH")
    return dkh * MEQ_L_PER_DKH


def dkh_from_meq_l(meq_l: float) -> float:
    """Alkalinity in German degrees of ``meq_l``."""
    not_negative("alkalinity", meq_l, "meq/L")
    return meq_l / MEQ_L_PER_DKH


def meq_l_from_caco3(mg_l: float) -> float:
    """Alkalinity in meq/L of ``mg_l`` of CaCO3 (what many tests call ppm)."""
    not_negative("alkalinity", mg_l, "mg/L CaCO3")
    return mg_l / MG_L_CACO3_PER_MEQ_L


def caco3_from_meq_l(meq_l: float) -> float:
    """Alkalinity as mg/L of CaCO3 of ``meq_l``."""
    not_negative("alkalinity", meq_l, "meq/L")
    return meq_l * MG_L_CACO3_PER_MEQ_L


def mol_kg_from_meq_l(meq_l: float, kg_per_l: float) -> float:
    """Alkalinity in mol per kg of water, from ``meq_l`` and the density, 0.99 to 1.04 kg/L."""
    not_negative("alkalinity", meq_l, "meq/L")
    within("density", kg_per_l, 0.99, 1.04, "kg/L")
    return meq_l * 1e-3 / kg_per_l


def meq_l_from_mol_kg(mol_kg: float, kg_per_l: float) -> float:
    """Alkalinity in meq/L, from mol per kg and the density, 0.99 to 1.04 kg/L."""
    not_negative("alkalinity", mol_kg, "mol/kg")
    within("density", kg_per_l, 0.99, 1.04, "kg/L")
    return mol_kg * 1e3 * kg_per_l


def calcium_mol_kg_from_mg_l(mg_l: float, kg_per_l: float) -> float:
    """Calcium in mol per kg of water, from ``mg_l`` as tests give it and the density, 0.99 to 1.04 kg/L."""
    not_negative("calcium", mg_l, "mg/L")
    within("density", kg_per_l, 0.99, 1.04, "kg/L")
    return mg_l * 1e-3 / CA_G_MOL / kg_per_l


def calcium_mg_l_from_mol_kg(mol_kg: float, kg_per_l: float) -> float:
    """Calcium in mg/L, from mol per kg and the density, 0.99 to 1.04 kg/L."""
    not_negative("calcium", mol_kg, "mol/kg")
    within("density", kg_per_l, 0.99, 1.04, "kg/L")
    return mol_kg * 1e3 * CA_G_MOL * kg_per_l


def calcium_mg_l_gained(meq_l: float) -> float:
    """Calcium in mg/L that comes with ``meq_l`` of alkalinity from dissolved CaCO3: half a mole each."""
    not_negative("alkalinity", meq_l, "meq/L")
    return meq_l * CA_G_MOL / 2.0


def bar_from_psi(psi: float) -> float:
    """Pressure in bar of ``psi``, both gauge or both absolute."""
    not_negative("pressure", psi, "psi")
    return psi * BAR_PER_PSI


def absolute_bar(gauge_bar: float, ambient_bar: float = ATM_BAR) -> float:
    """Absolute pressure of a gauge's reading; ``ambient_bar`` 0.5 (5,500 m up) to 1.1."""
    not_negative("gauge pressure", gauge_bar, "bar")
    within("ambient pressure", ambient_bar, 0.5, 1.1, "bar")
    return gauge_bar + ambient_bar


def kg_s_from_ml_min(ml_min: float, kg_per_l: float) -> float:
    """Flow of water in kg/s, from mL/min and the density, 0.99 to 1.04 kg/L."""
    not_negative("flow", ml_min, "mL/min")
    within("density", kg_per_l, 0.99, 1.04, "kg/L")
    return ml_min * 1e-3 * kg_per_l / 60.0
