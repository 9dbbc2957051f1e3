"""The first-order chamber, in virtual time."""

from __future__ import annotations

import random

import pytest
from nightheron.rig.chamber import FirstOrderChamber, Water


def _after(chamber: FirstOrderChamber, seconds: int, *, gas_open: bool) -> float:
    for _ in range(seconds):
        chamber.step(1.0, gas_open)
    return chamber.ph


def test_water_goes_to_its_two_levels() -> None:
    """With gas the water ends at the low level, without at the high one."""
    water = Water(relax_s=600.0)
    chamber = FirstOrderChamber(6.9, water)
    assert _after(chamber, 9000, gas_open=True) == pytest.approx(water.low_ph, abs=1e-3)
    assert _after(chamber, 9000, gas_open=False) == pytest.approx(water.high_ph, abs=1e-3)


def test_gas_left_in_the_line_still_acts() -> None:
    """After a closing pH falls on for a while, then turns."""
    chamber = FirstOrderChamber(6.8)
    shut_at = _after(chamber, 1200, gas_open=True)
    assert _after(chamber, 10, gas_open=False) < shut_at
    assert _after(chamber, 1200, gas_open=False) > shut_at


def test_a_pause_answers_as_small_chambers_do() -> None:
    """Ten minutes shut after a long opening raise the probe by 0.05 to 0.2, two minutes by less than 0.02."""
    chamber = FirstOrderChamber(6.75)
    _after(chamber, 1500, gas_open=True)
    before = chamber.probe_ph
    _after(chamber, 120, gas_open=False)
    assert chamber.probe_ph - before < 0.02
    _after(chamber, 480, gas_open=False)
    assert 0.05 < chamber.probe_ph - before < 0.2


def test_step_length_does_not_matter_much() -> None:
    """Ten-second steps and one-second steps give the same water to a hundredth."""
    fine, coarse = FirstOrderChamber(6.9), FirstOrderChamber(6.9)
    _after(fine, 1800, gas_open=True)
    for _ in range(180):
        coarse.step(10.0, gas_open=True)
    assert coarse.ph == pytest.approx(fine.ph, abs=0.01)


def test_same_dice_same_readings() -> None:
    """Two chambers with the same dice say the same, line for line, and noise moves the last digit."""
    dice = [random.Random(5) for _ in range(2)]  # noqa: S311 - noise, no secret
    one, two = (FirstOrderChamber(6.9, dice=one) for one in dice)
    lines = [one.probe_reads() for _ in range(200)]
    assert lines == [two.probe_reads() for _ in range(200)]
    assert set(lines) == {"6.89", "6.90", "6.91"}


def test_probe_faults() -> None:
    """A silent probe says nothing, a stuck one repeats itself, and a mended one follows the water again."""
    chamber = FirstOrderChamber(6.9)
    chamber.set_fault("probe_silent")
    assert chamber.probe_reads() is None
    chamber.set_fault("probe_stuck")
    stuck = chamber.probe_reads()
    _after(chamber, 3600, gas_open=True)
    assert chamber.probe_reads() == stuck
    chamber.set_fault(None)
    assert float(chamber.probe_reads() or "nan") == pytest.approx(chamber.probe_ph, abs=0.03)


def test_unknown_fault_is_refused() -> None:
    """A fault that does not exist is an error that lists those that do."""
    with pytest.raises(ValueError, match="probe_silent, probe_stuck"):
        FirstOrderChamber(6.9).set_fault("probe_melted")


@pytest.mark.parametrize("dt_s", [0.0, -1.0, float("nan"), float("inf")])
def test_time_goes_forward(dt_s: float) -> None:
    """A step that is no positive time is refused."""
    with pytest.raises(ValueError, match="not above 0"):
        FirstOrderChamber(6.9).step(dt_s, gas_open=True)
