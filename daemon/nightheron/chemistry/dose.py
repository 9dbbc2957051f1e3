"""How much CO2 it takes to gain alkalinity in a chamber.

CaCO3 + CO2 + H2O = Ca + 2 HCO3: half a mole of gas for each equivalent gained, and what leaves with the
effluent as free CO2 besides.
"""

from __future__ import annotations

from nightheron.chemistry.bounds import OutOfRange, above_zero, not_negative, within
from nightheron.chemistry.carbonate import dic_from_ta_ph
from nightheron.chemistry.constants import Constants


def co2_per_equivalent(ta_in: float, dic_in: float, ta_out: float, dic_out: float) -> float:
    """Moles of CO2 that the chamber took from gas for each equivalent of alkalinity it gained.

    Balance over a steady chamber, mol/kg in and out: the carbon gained that did not come from the mineral
    over the alkalinity gained. At least 0.5 unless the water in was rich in CO2 itself; 0.75 to 1.1 in
    ordinary chambers. OutOfRange when no alkalinity was gained.
    """
    for what, value in (("carbon in", dic_in), ("carbon out", dic_out), ("alkalinity in", ta_in)):
        not_negative(what, value, "mol/kg")
    if not ta_in < ta_out < float("inf"):
        raise OutOfRange(f"alkalinity out {ta_out:g} mol/kg is not above the {ta_in:g} that went in")
    return (dic_out - dic_in) / (ta_out - ta_in) - 0.5


def co2_per_equivalent_at(ph_out: float, ta_in: float, ph_in: float, ta_out: float, k: Constants) -> float:
    """The same from total-scale pH and alkalinity (mol/kg) of both waters, at one temperature.

    pH 4 to 10; OutOfRange outside, and as above.
    """
    return co2_per_equivalent(
        ta_in, dic_from_ta_ph(ta_in, ph_in, k), ta_out, dic_from_ta_ph(ta_out, ph_out, k)
    )


def gas_mol_per_day(gain_meq_l: float, flow_ml_min: float, per_equivalent: float) -> float:
    """Moles of CO2 a day for effluent ``gain_meq_l`` richer than the tank at ``flow_ml_min``.

    ``per_equivalent`` 0.4 to 5 mol, from the functions above; the others above 0; OutOfRange outside.
    """
    above_zero("alkalinity gained", gain_meq_l, "meq/L")
    above_zero("effluent flow", flow_ml_min, "mL/min")
    within("CO2 per equivalent", per_equivalent, 0.4, 5.0, "mol")
    return gain_meq_l * 1e-3 * flow_ml_min * 1e-3 * 1440.0 * per_equivalent
