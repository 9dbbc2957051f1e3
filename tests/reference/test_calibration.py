"""Electrode mathematics against worked examples and an electrode that is known."""

from __future__ import annotations

import pytest
from hypothesis import given, strategies as st
from nightheron.chemistry.bounds import OutOfRange
from nightheron.chemistry.buffers import BufferSet, buffer, buffer_ph
from nightheron.chemistry.calibration import (
    IDEAL,
    BufferReading,
    Calibration,
    calibrate,
    compensated_ph,
    mv_from_ph,
    ph_from_mv,
)

PHTHALATE, PHOSPHATE = buffer(BufferSet.NIST, "4.005"), buffer(BufferSet.NIST, "6.865")
electrodes = st.builds(Calibration, st.floats(60.0, 110.0), st.floats(-60.0, 60.0), st.just(()))


def test_two_buffers_worked_by_hand() -> None:
    """+171.0 mV in 4.005 and +4.0 in 6.865 at 25 degC are -58.392 mV/pH, 98.70 %, and -3.883 mV in pH 7."""
    # (4.0 - 171.0) / 2.860 = -58.3916; over 59.15935 it is 98.70 %; 4.0 - 58.3916 x 0.135 = -3.883
    found = calibrate([BufferReading(171.0, 4.005, 25.0), BufferReading(4.0, 6.865, 25.0)])
    assert found.mv_per_ph(25.0) == pytest.approx(-58.392, abs=5e-4)
    assert found.slope_percent == pytest.approx(98.70, abs=5e-3)
    assert found.offset_mv == pytest.approx(-3.883, abs=5e-4)
    assert found.residuals_ph == pytest.approx((0.0, 0.0), abs=1e-12)
    assert ph_from_mv(20.0, 25.0, found) == pytest.approx(6.5910, abs=5e-5)
    assert found.within_usp()


def test_the_wrong_table_of_buffers_costs_a_tenth() -> None:
    """The same millivolts taken for 4.00 and 7.00 read 0.12 too high in the chamber."""
    wrong = calibrate([BufferReading(171.0, 4.00, 25.0), BufferReading(4.0, 7.00, 25.0)])
    assert wrong.mv_per_ph(25.0) == pytest.approx(-55.667, abs=5e-4)
    assert wrong.slope_percent == pytest.approx(94.1, abs=0.05)
    assert ph_from_mv(20.0, 25.0, wrong) == pytest.approx(6.7126, abs=5e-5)


# A maker's sheet on judging electrodes (shop practice 85-105 %, +-30 mV): its two examples, in 7 and 4.
@pytest.mark.parametrize(
    ("in_seven", "percent", "good"), [(-15.0, 98.6, True), (15.0, 81.7, False)], ids=["good", "worn"]
)
def test_examples_of_a_makers_sheet(in_seven: float, percent: float, good: bool) -> None:
    """Spans of 175 and 145 mV over three pH are 98.6 % and 81.7 %: one passes USP <791>, one does not."""
    found = calibrate([BufferReading(in_seven, 7.0, 25.0), BufferReading(160.0, 4.0, 25.0)])
    assert found.slope_percent == pytest.approx(percent, abs=0.05)
    assert found.within_usp() is good


@pytest.mark.parametrize(
    ("slope", "offset", "good"),
    [
        (90.0, 30.0, True),
        (105.0, -30.0, True),
        (89.99, 0.0, False),
        (105.01, 0.0, False),
        (100.0, 30.01, False),
        (100.0, -30.01, False),
    ],
)
def test_acceptance_is_the_pharmacopoeias(slope: float, offset: float, good: bool) -> None:
    """USP <791> takes slopes of 90.0 to 105.0 % and offsets within 30 mV, ends included."""
    assert Calibration(slope, offset, ()).within_usp() is good


@given(electrodes, st.floats(5.0, 35.0), st.floats(5.0, 35.0))
def test_two_buffers_find_the_electrode(true: Calibration, first_t_c: float, second_t_c: float) -> None:
    """Whatever the electrode, and though the cups are at different temperatures, calibration finds it."""
    readings = [
        BufferReading(mv_from_ph(buffer_ph(cup, t_c), t_c, true), buffer_ph(cup, t_c), t_c)
        for cup, t_c in ((PHTHALATE, first_t_c), (PHOSPHATE, second_t_c))
    ]
    found = calibrate(readings)
    assert found.slope_percent == pytest.approx(true.slope_percent, rel=1e-9)
    assert found.offset_mv == pytest.approx(true.offset_mv, abs=1e-9)


@given(electrodes, st.floats(3.0, 11.0), st.floats(0.0, 60.0))
def test_millivolts_and_ph_give_each_other_back(true: Calibration, ph: float, t_c: float) -> None:
    """From pH to millivolts and back at the same temperature is the same pH."""
    assert ph_from_mv(mv_from_ph(ph, t_c, true), t_c, true) == pytest.approx(ph, abs=1e-9)


def test_three_buffers_show_the_odd_one() -> None:
    """A third buffer that reads 0.06 too high leaves residuals; a straight electrode leaves none."""
    straight = [BufferReading(mv_from_ph(ph, 25.0, IDEAL), ph, 25.0) for ph in (4.0, 7.0, 10.0)]
    assert calibrate(straight).residuals_ph == pytest.approx((0.0, 0.0, 0.0), abs=1e-12)
    assert calibrate(straight).slope_percent == pytest.approx(100.0)
    odd = [*straight[:2], BufferReading(mv_from_ph(10.06, 25.0, IDEAL), 10.0, 25.0)]
    # by hand: errors 0, 0, 0.06 at -3, 0, 3 have the mean 0.02 and the slope 0.01, leaving 0.01, -0.02, 0.01,
    # read on a slope of 101 %
    assert calibrate(odd).slope_percent == pytest.approx(101.0)
    assert calibrate(odd).residuals_ph == pytest.approx((0.01 / 1.01, -0.02 / 1.01, 0.01 / 1.01), abs=1e-9)


def test_a_probe_that_speaks_in_ph_calibrates_alike() -> None:
    """An instrument at an assumed 25 degC that shows 4.10 and 6.90 in 4.005 and 6.865 has 97.9 % of slope."""
    shown = {4.005: 4.10, 6.865: 6.90}
    found = calibrate(
        [BufferReading(mv_from_ph(seen, 25.0, IDEAL), true, 25.0) for true, seen in shown.items()]
    )
    assert found.slope_percent == pytest.approx(100.0 * (6.90 - 4.10) / (6.865 - 4.005))
    assert ph_from_mv(mv_from_ph(6.90, 25.0, IDEAL), 25.0, found) == pytest.approx(6.865)


def test_the_ideal_electrode_has_no_offset() -> None:
    """The textbook electrode gives 0 mV at pH 7 whatever the temperature, and Nernst's slope."""
    assert mv_from_ph(7.0, 12.0, IDEAL) == 0.0
    assert IDEAL.mv_per_ph(25.0) == pytest.approx(-59.15935, abs=1e-6)


def test_buffers_one_apart_are_enough_and_any_slope_is_told() -> None:
    """Two buffers just 1 pH apart calibrate, and an electrode with a hundredth of a slope is told as such."""
    found = calibrate([BufferReading(0.0, 7.0, 25.0), BufferReading(0.59159350, 6.0, 25.0)])
    assert found.slope_percent == pytest.approx(1.0)
    assert not found.within_usp()


def test_temperature_moves_a_reading_by_three_thousandths() -> None:
    """Uncompensated, an electrode errs by 0.003 pH a degree and a pH from 7 (common practice, no source)."""
    assert 4.0 - compensated_ph(4.0, 25.0, 26.0) == pytest.approx(-3 * 0.00335, abs=2e-4)
    assert compensated_ph(7.0, 25.0, 15.0) == 7.0
    mv = mv_from_ph(6.5, 18.0, IDEAL)
    assert compensated_ph(ph_from_mv(mv, 25.0, IDEAL), 25.0, 18.0) == pytest.approx(6.5)


@pytest.mark.parametrize(
    ("readings", "why"),
    [
        ([BufferReading(0.0, 7.0, 25.0)], "two buffers or more, not 1"),
        ([BufferReading(0.0, 7.0, 25.0), BufferReading(8.0, 6.865, 25.0)], "0.13 pH apart, at least 1"),
        ([BufferReading(0.0, 7.0, 25.0), BufferReading(8.0, 6.001, 25.0)], "1.00 pH apart, at least 1"),
        (
            [BufferReading(177.0, 7.0, 25.0), BufferReading(0.0, 4.0, 25.0)],
            "whether the buffers were swapped",
        ),
        ([BufferReading(0.0, 7.0, 25.0), BufferReading(0.0, 4.0, 25.0)], "whether the buffers were swapped"),
    ],
    ids=["one", "near", "nearly", "swapped", "dead"],
)
def test_no_calibration_from_what_is_none(readings: list[BufferReading], why: str) -> None:
    """One buffer, two that are too near, swapped cups and a dead electrode are refused with the reason."""
    with pytest.raises(OutOfRange, match=why):
        calibrate(readings)


@pytest.mark.parametrize(
    ("mv", "ph", "t_c"),
    [
        (1001.0, 7.0, 25.0),
        (0.0, 0.9, 25.0),
        (0.0, 7.0, 61.0),
        (float("nan"), 7.0, 25.0),
        (0.0, 7.0, float("nan")),
    ],
)
def test_a_reading_out_of_range_is_refused(mv: float, ph: float, t_c: float) -> None:
    """Potentials, buffers and temperatures that no cup on a bench has are refused with the range."""
    with pytest.raises(OutOfRange, match="is not between"):
        BufferReading(mv, ph, t_c)
