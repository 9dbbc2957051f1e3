"""What a cylinder holds, against the equation of state of Span and Wagner and hand reckoning."""

from __future__ import annotations

import pytest
from hypothesis import given, strategies as st
from nightheron.chemistry.bounds import OutOfRange
from nightheron.chemistry.co2_fluid import gas_kg_l, liquid_kg_l, saturation_bar, vapour_kg_l
from nightheron.chemistry.cylinder import Gauge, content, days_left, share_left_without_liquid
from nightheron.chemistry.units import ATM_BAR, BAR_PER_PSI, KG_PER_LB

# CoolProp 8.0.0 (Span and Wagner 1996), degC: saturation bar, liquid and vapour kg/m3. The short equations
# under test are the paper's own fits: 4e-5 in pressure, 1e-4 in density, 3e-4 a degree from the critical.
SATURATION = {
    -20: (19.69628, 1031.6593, 51.69954),
    0: (34.85141, 927.43195, 97.64734),
    10: (45.02183, 861.12000, 135.15649),
    15: (50.87147, 821.20659, 160.72955),
    18: (54.65105, 793.75677, 179.57185),
    20: (57.29053, 773.38654, 194.20160),
    22: (60.03085, 750.76853, 211.08400),
    25: (64.34244, 710.50238, 242.73242),
    28: (68.91817, 655.28298, 289.10623),
    30: (72.13687, 593.31305, 345.10231),
}


@pytest.mark.parametrize(("t_c", "state"), SATURATION.items())
def test_liquid_and_gas_stand_together_where_span_and_wagner_say(
    t_c: int, state: tuple[float, float, float]
) -> None:
    """Pressure to 5e-5 and both densities to 1e-4 are those of the equation of state, to 28 degC."""
    bar, liquid, vapour = state
    near = 1e-4 if t_c <= 28 else 4e-4
    assert saturation_bar(t_c) == pytest.approx(bar, rel=5e-5)
    assert liquid_kg_l(t_c) * 1000.0 == pytest.approx(liquid, rel=near)
    assert vapour_kg_l(t_c) * 1000.0 == pytest.approx(vapour, rel=near)


def test_pressure_in_the_cold_is_the_tables() -> None:
    """At -10 degC the pressure is 2.6487 MPa, as a university's table of CO2 prints it."""
    # people.ohio.edu, CO2 saturation table; five digits printed
    assert saturation_bar(-10.0) == pytest.approx(26.487, rel=2e-4)


@pytest.mark.parametrize(("t_c", "psig"), [(15, 723.1), (20, 816.2), (25, 918.5), (30, 1031.6)])
def test_a_full_cylinder_reads_what_the_room_is_warm(t_c: int, psig: float) -> None:
    """With liquid inside, a gauge shows 816 psi at 20 degC and 918 at 25 (Span and Wagner 1996)."""
    assert (saturation_bar(t_c) - ATM_BAR) / BAR_PER_PSI == pytest.approx(psig, abs=0.1)


def test_a_cool_night_looks_like_a_loss() -> None:
    """Three degrees less at 25 degC take 7 % off the gauge, and no gas has gone."""
    assert 1.0 - saturation_bar(22.0) / saturation_bar(25.0) == pytest.approx(0.067, abs=0.002)


# CoolProp 8.0.0, gas alone: degC, share of the saturation pressure, kg/m3
GAS = [
    (0, 0.1, 6.92), (0, 0.5, 38.74), (0, 0.9, 82.58), (0, 0.999, 97.48),
    (10, 0.25, 22.62), (10, 0.75, 83.57), (15, 0.9, 128.52),
    (20, 0.1, 10.67), (20, 0.5, 62.44), (20, 0.9, 149.47), (20, 0.999, 193.57),
    (25, 0.1, 11.81), (25, 0.25, 31.20), (25, 0.5, 69.94), (25, 0.75, 123.73), (25, 0.97, 214.32),
    (30, 0.1, 13.05), (30, 0.5, 78.31), (30, 0.9, 205.79), (30, 0.999, 337.38),
]  # fmt: skip


@pytest.mark.parametrize(("t_c", "share", "kg_m3"), GAS)
def test_gas_alone_is_near_the_equation_of_state(t_c: int, share: float, kg_m3: float) -> None:
    """The density of the gas lies within 3 % of Span and Wagner up to saturation (Peng-Robinson's error)."""
    assert gas_kg_l(t_c, share * saturation_bar(t_c)) * 1000.0 == pytest.approx(kg_m3, rel=0.03)


# The cubic of Peng and Robinson as CoolProp 8.0.0 has it, degC, bar absolute, kg/m3. It carries two more
# digits of their two numbers and a mole 2e-5 heavier; near saturation that is magnified.
PENG_ROBINSON = [
    (0, 10, 20.931301), (0, 30, 78.023749), (10, 20, 43.411738), (20, 5, 9.299516), (20, 30, 67.148379),
    (20, 50, 143.599808), (25, 30, 65.064024), (25, 60, 194.893309), (30, 40, 91.559145),
    (30, 70, 271.476451),
]  # fmt: skip


@pytest.mark.parametrize(("t_c", "bar", "kg_m3"), PENG_ROBINSON)
def test_gas_alone_is_peng_and_robinsons(t_c: int, bar: int, kg_m3: float) -> None:
    """The density of the gas is that of another program's Peng-Robinson to 2e-4."""
    assert gas_kg_l(t_c, bar) * 1000.0 == pytest.approx(kg_m3, rel=2e-4)


@pytest.mark.parametrize(
    ("t_c", "percent"), [(15, 23.6), (18, 26.4), (20, 28.6), (22, 31.0), (25, 35.7), (28, 42.5), (30, 50.8)]
)
def test_a_third_is_left_when_the_gauge_begins_to_fall(t_c: int, percent: float) -> None:
    """At a fill of 0.68 kg/L, 29 % of the charge is left at 20 degC and 36 % at 25 when the liquid ends."""
    assert share_left_without_liquid(t_c) * 100.0 == pytest.approx(percent, abs=0.1)


def test_a_gauge_on_the_plateau_knows_nearly_nothing() -> None:
    """At 25 degC and 63.3 bar a cylinder of 2.27 kg holds anything from a quarter to all of it."""
    found = content(saturation_bar(25.0) - ATM_BAR, 25.0, 5.0 * KG_PER_LB)
    assert found.gauge is Gauge.LIQUID
    assert found.most_kg == 5.0 * KG_PER_LB
    assert 0.2 < found.least_kg / found.most_kg < share_left_without_liquid(25.0)


def test_a_falling_gauge_knows_within_a_tenth() -> None:
    """At 30 bar over the air, 20 degC, 3.335 L of gas weigh 230 g by Span and Wagner: in the range."""
    # CoolProp 8.0.0: 69.0056 kg/m3 at 20 degC and 31.01325 bar absolute
    found = content(30.0, 20.0, 5.0 * KG_PER_LB)
    assert found.gauge is Gauge.GAS
    assert found.least_kg < 69.0056e-3 * 3.33524 < found.most_kg
    assert found.most_kg / found.least_kg < 1.12


def test_what_a_gauge_may_be_off_is_in_the_range() -> None:
    """The range of 40 bar at 20 degC is that of 38.8 bar at 22 to 41.2 bar at 18, over the air's 1.013."""
    found, volume_l = content(40.0, 20.0, 1.36), 2.0
    assert found.least_kg == pytest.approx(volume_l * gas_kg_l(22.0, 38.8 + ATM_BAR), rel=1e-9)
    assert found.most_kg == pytest.approx(volume_l * gas_kg_l(18.0, 41.2 + ATM_BAR), rel=1e-9)


@given(st.floats(0.0, 110.0), st.floats(-18.0, 28.9), st.floats(0.1, 10.0))
def test_content_is_a_range_within_the_charge(gauge_bar: float, t_c: float, charge_kg: float) -> None:
    """Whatever the gauge and the room, the range is in order, above zero and never more than the charge."""
    found = content(gauge_bar, t_c, charge_kg)
    assert 0.0 < found.least_kg <= found.most_kg <= charge_kg


@given(st.floats(0.0, 60.0), st.floats(0.0, 60.0), st.floats(0.0, 28.0))
def test_more_pressure_never_means_less(one_bar: float, other_bar: float, t_c: float) -> None:
    """A higher gauge never gives a lower end of the range."""
    low, high = (content(bar, t_c, 2.0) for bar in sorted((one_bar, other_bar)))
    assert low.least_kg <= high.least_kg + 1e-12
    assert low.most_kg <= high.most_kg + 1e-12


def test_five_pounds_are_51_moles() -> None:
    """5 lb of CO2, 44.009 g/mol by IUPAC's weights, last 51.533 days at a mole a day."""
    least, most = days_left(5.0 * KG_PER_LB, 5.0 * KG_PER_LB, 1.0, 1.0)
    assert least == most == pytest.approx(2267.96185 / (12.011 + 2 * 15.999), rel=1e-12)


def test_a_five_pound_cylinder_lasts_months() -> None:
    """2.268 kg is 51.53 mol: 815 days at a bubble in three seconds, open all day, and more at less."""
    # 0.05 mL at 1.08 bar and 25 degC (43.8 umol/mL) every 3 s is 0.0632 mol a day
    full = 5.0 * KG_PER_LB
    least, most = days_left(full, full, 0.05, 0.0632)
    assert least == pytest.approx(51.533 / 0.0632, rel=1e-4)
    assert most == pytest.approx(51.533 / 0.05, rel=1e-4)


@pytest.mark.parametrize(
    ("gauge_bar", "t_c", "charge_kg", "fill", "why"),
    [
        (-1.0, 20.0, 2.0, 0.68, "cylinder gauge -1 bar is not between 0 and 110"),
        (50.0, 29.0, 2.0, 0.68, r"cylinder temperature 29 degC is not between -18 and 28\.9"),
        (50.0, float("nan"), 2.0, 0.68, "cylinder temperature nan"),
        (50.0, 20.0, 0.0, 0.68, r"charge 0 kg is not between 0\.01 and 50"),
        (50.0, 20.0, 2.0, 0.9, r"fill 0\.9 kg/L is not between 0\.5 and 0\.75"),
    ],
)
def test_a_cylinder_that_cannot_be_is_refused(
    gauge_bar: float, t_c: float, charge_kg: float, fill: float, why: str
) -> None:
    """Gauge, temperature, charge and fill outside their ranges are refused by name."""
    with pytest.raises(OutOfRange, match=why):
        content(gauge_bar, t_c, charge_kg, fill)


def test_there_is_no_liquid_above_the_critical_point() -> None:
    """At 31 degC there is no plateau to speak of, and gas above its saturation pressure is no gas."""
    with pytest.raises(OutOfRange, match=r"cylinder temperature 31 degC is not between -20 and 30\.9"):
        saturation_bar(31.0)
    with pytest.raises(
        OutOfRange, match=r"gas pressure at 20 degC 58 bar absolute is not between 0 and 57\.29"
    ):
        gas_kg_l(20.0, 58.0)


@pytest.mark.parametrize("given_wrong", [(3.0, 2.0, 0.1, 0.2), (1.0, 2.0, 0.2, 0.1), (1.0, 2.0, 0.0, 0.1)])
def test_days_need_their_ranges_in_order(given_wrong: tuple[float, float, float, float]) -> None:
    """Contents or uses in the wrong order, and a use of nothing, are refused."""
    with pytest.raises(OutOfRange, match="is not"):
        days_left(*given_wrong)
