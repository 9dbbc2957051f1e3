"""CO2 in a room, against the limits that authorities print and a room reckoned step by step."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, strategies as st
from nightheron.chemistry.bounds import OutOfRange
from nightheron.chemistry.room import (
    DANGER_PPM,
    OUTDOOR_PPM,
    SHORT_PPM,
    WORKDAY_PPM,
    mg_m3_from_ppm,
    ppm_after,
    ppm_at_last,
    ppm_of_whole_cylinder,
    seconds_until,
)

FIVE_POUNDS_MOL = 51.533


def test_limits_are_the_printed_ones() -> None:
    """OSHA and NIOSH: 5,000 ppm in a working day, 30,000 for a short time, 40,000 dangerous at once."""
    # OSHA 29 CFR 1910.1000 table Z-1 (5,000); NIOSH pocket guide (5,000, ST 30,000, IDLH 40,000)
    assert (WORKDAY_PPM, SHORT_PPM, DANGER_PPM) == (5_000.0, 30_000.0, 40_000.0)


@pytest.mark.parametrize(("ppm", "mg_m3"), [(5_000, 9_000), (30_000, 54_000)])
def test_ppm_in_mass_is_the_printed_limit(ppm: float, mg_m3: float) -> None:
    """5,000 ppm are the 9,000 mg/m3 that the limits print, not ten times that."""
    # they are rounded to two digits, from 24.45 L a mole where the ideal gas has 24.465
    assert mg_m3_from_ppm(ppm) == pytest.approx(mg_m3, rel=1e-3)


def test_one_small_cylinder_endangers_a_room() -> None:
    """A 5 lb cylinder is 1254 L of gas at 25 degC: in a closed room of 30 m3 it passes 40,000 ppm."""
    # 51.533 mol x 24.342 mL/mmol = 1254.4 L (Span and Wagner 1996), 4.1814 % of 30,000 L; what it pushes out
    # is as rich as the room is by then, so that exp(-0.041814) of the old air stays
    got = ppm_of_whole_cylinder(FIVE_POUNDS_MOL, 30.0)
    assert got > DANGER_PPM
    assert got == pytest.approx(1e6 - (1e6 - 420.0) * math.exp(-0.041814), rel=1e-4)


def test_an_ordinary_dose_stays_far_below_the_limit() -> None:
    """A bubble in three seconds into 30 m3 with a change of air in ten hours settles 21 ppm over the air."""
    # 0.731 umol/s x 24.342 mL/mmol = 0.0178 mL/s over 30 m3/10 h = 833 mL/s
    assert ppm_at_last(0.731e-6, 30.0, 0.1) - OUTDOOR_PPM == pytest.approx(21.3, abs=0.1)


def euler(co2_mol_s: float, room_m3: float, changes_per_h: float, seconds: float) -> float:
    """The room stepped in ten thousand steps, with nothing of the closed form."""
    gas_m3_s = co2_mol_s * 24.342e-3
    ppm, dt_s = OUTDOOR_PPM, seconds / 10_000
    for _ in range(10_000):
        air_m3_s = changes_per_h * room_m3 / 3600.0
        ppm += dt_s * (1e6 * gas_m3_s + OUTDOOR_PPM * air_m3_s - ppm * (gas_m3_s + air_m3_s)) / room_m3
    return ppm


@pytest.mark.parametrize(
    ("gas", "room_m3", "changes"), [(1e-3, 20.0, 0.3), (0.02, 12.0, 0.0), (0.05, 40.0, 1.0), (0.0, 20.0, 0.5)]
)
def test_the_closed_form_is_what_the_steps_give(gas: float, room_m3: float, changes: float) -> None:
    """Two hours of gas by the formula equal ten thousand small steps, to 0.02 % for their size."""
    assert ppm_after(7200.0, gas, room_m3, changes) == pytest.approx(
        euler(gas, room_m3, changes, 7200.0), rel=2e-4
    )


@given(st.floats(1e-6, 0.5), st.floats(2.0, 500.0), st.floats(0.0, 10.0), st.floats(500.0, 100_000.0))
def test_time_and_level_agree(gas: float, room_m3: float, changes: float, ppm: float) -> None:
    """After the time that a level is said to take, the room holds that level; or it never gets there."""
    seconds = seconds_until(ppm, gas, room_m3, changes)
    if seconds is None:
        assert ppm_at_last(gas, room_m3, changes) <= ppm
    else:
        assert ppm_after(seconds, gas, room_m3, changes) == pytest.approx(ppm, rel=1e-6)


@given(st.floats(0.0, 1e7), st.floats(0.0, 1.0), st.floats(1.0, 500.0), st.floats(0.0, 10.0))
def test_a_room_never_holds_more_than_all_gas(
    seconds: float, gas: float, room_m3: float, changes: float
) -> None:
    """The level stays between the air's own and pure CO2."""
    assert OUTDOOR_PPM - 1e-6 <= ppm_after(seconds, gas, room_m3, changes) <= 1e6 + 1e-3


def test_a_tight_room_fills_for_good() -> None:
    """Without any change of air the room ends as pure CO2, and without gas nothing ever changes."""
    assert ppm_at_last(1e-3, 30.0, 0.0) == pytest.approx(1e6)
    assert ppm_after(3600.0, 0.0, 30.0, 0.0, start_ppm=900.0) == 900.0
    assert seconds_until(800.0, 0.0, 30.0, 0.0, start_ppm=600.0, outdoor_ppm=900.0) is None
    assert seconds_until(800.0, 1e-3, 30.0, 0.5, start_ppm=900.0) == 0.0


@pytest.mark.parametrize(
    ("seconds", "gas", "room_m3", "changes"),
    [
        (-1.0, 1e-3, 30.0, 0.5),
        (1.0, -1e-3, 30.0, 0.5),
        (1.0, 1e-3, 0.0, 0.5),
        (1.0, 1e-3, 30.0, 101.0),
        (float("nan"), 1e-3, 30.0, 0.5),
        (1.0, 1e-3, float("inf"), 0.5),
    ],
)
def test_no_room_like_that(seconds: float, gas: float, room_m3: float, changes: float) -> None:
    """Negative times and gas, no room, a gale and a NaN are refused."""
    with pytest.raises(OutOfRange, match="is not"):
        ppm_after(seconds, gas, room_m3, changes)


def test_levels_out_of_range_are_refused() -> None:
    """More than a million ppm is nothing, and neither is a room at 41 degC."""
    with pytest.raises(OutOfRange, match=r"CO2 to wait for 1\.1e\+06 ppm"):
        seconds_until(1.1e6, 1e-3, 30.0, 0.5)
    with pytest.raises(OutOfRange, match="CO2 to start with -1 ppm"):
        ppm_of_whole_cylinder(1.0, 30.0, start_ppm=-1.0)
    with pytest.raises(OutOfRange, match="air temperature 41 degC is not between 0 and 40"):
        mg_m3_from_ppm(5000.0, 41.0)
    with pytest.raises(OutOfRange, match="gas temperature 41 degC is not between 0 and 40"):
        ppm_after(1.0, 1e-3, 30.0, 0.5, t_c=41.0)
