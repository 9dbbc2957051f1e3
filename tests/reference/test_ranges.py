"""Every range that a docstring of the chemistry gives: its ends are in, the next number beyond is not."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import pytest
from nightheron.chemistry import (
    buffers,
    calibration,
    carbonate,
    ceiling,
    co2_fluid,
    cylinder,
    density,
    dose,
    gas,
    nernst,
    room,
    safety,
    scales,
    solubility,
    steady,
    units,
)
from nightheron.chemistry.bounds import OutOfRange
from nightheron.chemistry.constants import constants

K = constants(25.0)
IDEAL, PHOSPHATE = calibration.IDEAL, buffers.buffer(buffers.BufferSet.NIST, "6.865")


class Range(NamedTuple):
    """A function of the one input that is tried, and the two ends that are in."""

    of: Callable[[float], object]
    least: float
    most: float


def chamber(**changed: float) -> steady.Chamber:
    """A steady chamber with one thing changed."""
    usual = {"ta_in": 2.8e-3, "dic_in": 2.4e-3, "calcium_in": 0.0105, "flow_kg_s": 4e-4, "rate_mol_s": 5e-6}
    return steady.Chamber(**(usual | changed))


RANGES = {
    "electrode temperature": Range(nernst.slope_mv_per_ph, 0.0, 100.0),
    "constants, temperature": Range(constants, 2.0, 35.0),
    "constants, salinity": Range(lambda x: constants(25.0, x), 19.0, 43.0),
    "density, temperature": Range(density.seawater_kg_per_l, 0.0, 40.0),
    "density, salinity": Range(lambda x: density.seawater_kg_per_l(25.0, x), 0.0, 43.0),
    "carbon at a pH": Range(lambda x: carbonate.ta_from_dic_ph(2e-3, x, K), 4.0, 10.0),
    "scales": Range(lambda x: scales.convert(x, scales.Scale.NBS, scales.Scale.TOTAL, K), 3.0, 11.0),
    "gas, temperature": Range(lambda x: gas.moles_per_ml(x, 1.0), 0.0, 40.0),
    "gas, pressure": Range(lambda x: gas.moles_per_ml(25.0, x), 5e-324, 3.0),
    "bubble": Range(lambda x: gas.moles_per_bubble(x, 25.0, 1.0), 5e-324, 1.0),
    "nozzle": Range(lambda x: gas.tate_bubble_ml(x, 25.0), 0.5, 6.0),
    "nozzle, temperature": Range(lambda x: gas.tate_bubble_ml(2.0, x), 0.0, 40.0),
    "vapour, temperature": Range(lambda x: solubility.vapour_atm(x, 35.0), 0.0, 40.0),
    "vapour, salinity": Range(lambda x: solubility.vapour_atm(25.0, x), 0.0, 43.0),
    "fugacity, temperature": Range(lambda x: solubility.fugacity_coefficient(x, 1.0, 0.5), 0.0, 40.0),
    "fugacity, pressure": Range(lambda x: solubility.fugacity_coefficient(25.0, x, 0.5), 5e-324, 3.0),
    "fugacity, share": Range(lambda x: solubility.fugacity_coefficient(25.0, 1.0, x), 0.0, 1.0),
    "buffer": Range(lambda x: buffers.buffer_ph(PHOSPHATE, x), 0.0, 40.0),
    "bottle, temperature": Range(lambda x: buffers.bottle("b", {50.0: 7.0, x: 7.1}), 0.0, 100.0),
    "bottle, pH": Range(lambda x: buffers.bottle("b", {20.0: x, 25.0: 7.0}), 1.0, 13.0),
    "cup, potential": Range(lambda x: calibration.BufferReading(x, 7.0, 25.0), -1000.0, 1000.0),
    "cup, pH": Range(lambda x: calibration.BufferReading(0.0, x, 25.0), 1.0, 13.0),
    "cup, temperature": Range(lambda x: calibration.BufferReading(0.0, 7.0, x), 0.0, 60.0),
    "reading, potential": Range(lambda x: calibration.ph_from_mv(x, 25.0, IDEAL), -1000.0, 1000.0),
    "reading, temperature": Range(lambda x: calibration.ph_from_mv(0.0, x, IDEAL), 0.0, 60.0),
    "potential, pH": Range(lambda x: calibration.mv_from_ph(x, 25.0, IDEAL), 0.0, 14.0),
    "potential, temperature": Range(lambda x: calibration.mv_from_ph(7.0, x, IDEAL), 0.0, 60.0),
    "compensation, pH": Range(lambda x: calibration.compensated_ph(x, 25.0, 20.0), 0.0, 14.0),
    "compensation, assumed": Range(lambda x: calibration.compensated_ph(6.0, x, 20.0), 0.0, 60.0),
    "compensation, true": Range(lambda x: calibration.compensated_ph(6.0, 25.0, x), 0.0, 60.0),
    "ceiling, pH": Range(ceiling.effluent_ceiling_dkh, 4.5, 9.0),
    "ceiling, temperature": Range(lambda x: ceiling.effluent_ceiling_dkh(6.6, x), 2.0, 35.0),
    "dose": Range(lambda x: dose.gas_mol_per_day(7.0, 25.0, x), 0.4, 5.0),
    "saturation, temperature": Range(co2_fluid.saturation_bar, -20.0, 30.9),
    "liquid, temperature": Range(co2_fluid.liquid_kg_l, -20.0, 30.9),
    "cylinder, gauge": Range(lambda x: cylinder.content(x, 20.0, 2.0), 0.0, 110.0),
    "cylinder, temperature": Range(lambda x: cylinder.content(40.0, x, 2.0), -18.0, 28.9),
    "cylinder, charge": Range(lambda x: cylinder.content(40.0, 20.0, x), 0.01, 50.0),
    "cylinder, fill": Range(lambda x: cylinder.content(40.0, 20.0, 2.0, x), 0.5, 0.75),
    "without liquid, fill": Range(lambda x: cylinder.share_left_without_liquid(20.0, x), 0.5, 0.75),
    "days, content": Range(lambda x: cylinder.days_left(0.0, x, 0.1, 0.2), 0.0, 50.0),
    "days, least": Range(lambda x: cylinder.days_left(x, 2.0, 0.1, 0.2), 0.0, 2.0),
    "room, changes": Range(lambda x: room.ppm_at_last(1e-3, 30.0, x), 0.0, 100.0),
    "room, start": Range(lambda x: room.ppm_after(60.0, 1e-3, 30.0, 0.5, start_ppm=x), 0.0, 1e6),
    "room, outdoors": Range(lambda x: room.ppm_at_last(1e-3, 30.0, 0.5, outdoor_ppm=x), 0.0, 1e6),
    "room, level": Range(lambda x: room.seconds_until(x, 1e-3, 30.0, 0.5), 0.0, 1e6),
    "room, level's start": Range(lambda x: room.seconds_until(1e5, 1e-3, 30.0, 0.5, start_ppm=x), 0.0, 1e6),
    "whole cylinder": Range(lambda x: room.ppm_of_whole_cylinder(5.0, 30.0, start_ppm=x), 0.0, 1e6),
    "mass in air": Range(room.mg_m3_from_ppm, 0.0, 1e6),
    "mass in air, temperature": Range(lambda x: room.mg_m3_from_ppm(5e3, x), 0.0, 40.0),
    "floor": Range(lambda x: safety.process_safety_s(1.9, x, 10.0), 5.0, 9.0),
    "steady, order": Range(lambda x: chamber(order=x), 0.5, 4.0),
    "ambient": Range(lambda x: units.absolute_bar(0.2, x), 0.5, 1.1),
    "density, meq/L to mol/kg": Range(lambda x: units.mol_kg_from_meq_l(1.0, x), 0.99, 1.04),
    "density, mol/kg to meq/L": Range(lambda x: units.meq_l_from_mol_kg(1.0, x), 0.99, 1.04),
    "density, calcium to mol/kg": Range(lambda x: units.calcium_mol_kg_from_mg_l(1.0, x), 0.99, 1.04),
    "density, calcium to mg/L": Range(lambda x: units.calcium_mg_l_from_mol_kg(1.0, x), 0.99, 1.04),
    "density, flow": Range(lambda x: units.kg_s_from_ml_min(1.0, x), 0.99, 1.04),
}

ABOVE_ZERO: dict[str, Callable[[float], object]] = {
    "safety, water": lambda x: safety.process_safety_s(x, 6.6, 10.0),
    "safety, gas": lambda x: safety.process_safety_s(1.9, 6.6, x),
    "dose, gain": lambda x: dose.gas_mol_per_day(x, 25.0, 0.8),
    "dose, flow": lambda x: dose.gas_mol_per_day(7.0, x, 0.8),
    "room": lambda x: room.ppm_at_last(1e-3, x, 0.5),
    "room for a cylinder": lambda x: room.ppm_of_whole_cylinder(5.0, x),
    "steady, alkalinity": lambda x: chamber(ta_in=x),
    "steady, carbon": lambda x: chamber(dic_in=x),
    "steady, calcium": lambda x: chamber(calcium_in=x),
    "steady, flow": lambda x: chamber(flow_kg_s=x),
    "steady, rate": lambda x: chamber(rate_mol_s=x),
    "days, use": lambda x: cylinder.days_left(1.0, 2.0, x, 2e300),
}

NOT_NEGATIVE: dict[str, Callable[[float], object]] = {
    "carbon": lambda x: carbonate.ta_from_dic_ph(x, 7.0, K),
    "carbon, for CO2": lambda x: carbonate.co2_from_dic_ph(x, 7.0, K),
    "carbon, for saturation": lambda x: carbonate.omega_aragonite(x, 7.0, 0.01, K),
    "calcium, for saturation": lambda x: carbonate.omega_aragonite(2e-3, 7.0, x, K),
    "ceiling, alkalinity": lambda x: ceiling.ceiling_ta(7.0, x, 0.01, K),
    "ceiling, calcium": lambda x: ceiling.ceiling_ta(7.0, 2e-3, x, K),
    "dose, carbon in": lambda x: dose.co2_per_equivalent(2e-3, x, 5e-3, 6e-3),
    "dose, carbon out": lambda x: dose.co2_per_equivalent(2e-3, 2e-3, 5e-3, x),
    "dose, alkalinity in": lambda x: dose.co2_per_equivalent(x, 2e-3, 1e300, 6e-3),
    "fugacity": lambda x: solubility.fugacity_atm(x, K),
    "room, time": lambda x: room.ppm_after(x, 1e-3, 30.0, 0.5),
    "room, gas": lambda x: room.ppm_at_last(x, 30.0, 0.5),
    "room, cylinder": lambda x: room.ppm_of_whole_cylinder(x, 30.0),
}


@pytest.mark.parametrize("name", RANGES)
def test_a_range_holds_its_ends_and_no_more(name: str) -> None:
    """Both ends of each range are taken; the next number outside, NaN and infinity are refused."""
    of, least, most = RANGES[name]
    of(least)
    of(most)
    for beyond in (math.nextafter(least, -math.inf), math.nextafter(most, math.inf), math.nan, math.inf):
        with pytest.raises(OutOfRange):
            of(beyond)


@pytest.mark.parametrize("name", ABOVE_ZERO)
def test_nothing_is_not_enough_where_something_must_be(name: str) -> None:
    """The least positive number is taken, and 0, NaN and infinity are refused."""
    ABOVE_ZERO[name](1e-300)
    for bad in (0.0, -1.0, math.nan, math.inf):
        with pytest.raises(OutOfRange, match="is not"):
            ABOVE_ZERO[name](bad)


@pytest.mark.parametrize("name", NOT_NEGATIVE)
def test_nothing_is_enough_where_it_may_be(name: str) -> None:
    """Zero is taken, and the next number below it, NaN and infinity are refused."""
    NOT_NEGATIVE[name](0.0)
    for bad in (-5e-324, math.nan, math.inf):
        with pytest.raises(OutOfRange, match="is not"):
            NOT_NEGATIVE[name](bad)
