"""The time an electrode takes, against one whose lag is known."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given, strategies as st
from nightheron.chemistry.bounds import OutOfRange
from nightheron.chemistry.response import response_s, settled


def lagging(
    lag_s: float, start: float, end: float, until_s: int, every_s: float = 1.0
) -> list[tuple[float, float]]:
    """An electrode of the first order, moved at 0 s."""
    times = [i * every_s for i in range(int(until_s / every_s) + 1)]
    return [(t, end + (start - end) * math.exp(-t / lag_s)) for t in times]


@given(st.floats(5.0, 300.0), st.floats(-200.0, 200.0), st.floats(1.0, 300.0))
def test_a_lag_of_the_first_order_takes_ln_ten(lag_s: float, start: float, way: float) -> None:
    """To 90 % an electrode of the first order takes ln 10 of its lag, wherever it starts and goes."""
    # straight lines between samples a second apart miss a curve by (1 s)^2 / (8 lag) at most
    for end in (start + way, start - way):
        samples = lagging(lag_s, start, end, int(4 * lag_s) + 2)
        assert response_s(samples, end) == pytest.approx(math.log(10.0) * lag_s, abs=0.13 / lag_s + 1e-6)


def test_half_the_way_takes_ln_two() -> None:
    """To 50 % it takes ln 2 of the lag, and samples need not be even."""
    samples = [one for i, one in enumerate(lagging(20.0, 0.0, 177.0, 100, 0.1)) if i % 7 or i == 0]
    assert response_s(samples, 177.0, 0.5) == pytest.approx(math.log(2.0) * 20.0, abs=0.01)


def test_a_reading_that_turns_back_has_not_arrived() -> None:
    """The time runs to the last crossing, so that a splash to the end value and back is not an answer."""
    samples = [(0.0, 0.0), (1.0, 100.0), (2.0, 20.0), (10.0, 100.0), (20.0, 100.0)]
    assert response_s(samples, 100.0) == pytest.approx(2.0 + 8.0 * 0.7 / 0.8)


def test_settled_means_the_whole_window() -> None:
    """A decaying reading is settled once what is left of it in the window is small, and not before."""
    samples = lagging(20.0, 0.0, 177.0, 300)
    # left at t - 30 s is 177 exp(-(t - 30)/20), of which 78 % go in the window: 0.3 mV at 152.6 s
    marks = [at_s for at_s, _ in samples if at_s > 1 and settled(samples[: int(at_s) + 1], 30.0, 0.3)]
    assert marks[0] == pytest.approx(30.0 + 20.0 * math.log(177.0 * (1.0 - math.exp(-1.5)) / 0.3), abs=1.0)
    assert all(b - a == 1.0 for a, b in pairwise(marks))
    assert not settled([(0.0, 7.0), (29.9, 7.0)], 30.0, 0.3)
    assert settled([(0.0, 7.0), (30.0, 7.3)], 30.0, 0.3)


@pytest.mark.parametrize(
    ("samples", "end", "why"),
    [
        ([(0.0, 1.0)], 2.0, "1 samples are not two or more"),
        ([(0.0, 1.0), (0.0, 2.0)], 2.0, "do not rise at 0 s"),
        ([(0.0, 1.0), (math.nan, 2.0)], 2.0, "do not rise at nan s"),
        ([(0.0, 1.0), (1.0, math.nan)], 2.0, "reading at 1 s is not a number"),
        ([(0.0, math.inf), (1.0, 1.0)], 2.0, "reading at 0 s is not a number"),
        ([(0.0, 1.0), (1.0, 2.0)], 1.0, "no way to go"),
        ([(0.0, 1.0), (1.0, 2.0)], math.nan, "no way to go"),
        ([(0.0, 0.0), (1.0, 80.0)], 100.0, "went 80% of its way, not 90%: wait longer"),
    ],
)
def test_no_time_from_samples_that_tell_none(
    samples: list[tuple[float, float]], end: float, why: str
) -> None:
    """Too few samples, times that do not rise, no numbers, no way, or not far enough: each is said."""
    with pytest.raises(OutOfRange, match=why):
        response_s(samples, end)


def test_limits_of_the_question_are_checked() -> None:
    """A share of the way out of range, and a window or steadiness of nothing, are refused."""
    samples = lagging(5.0, 0.0, 1.0, 60)
    for share in (0.09, 0.991, math.nan):
        with pytest.raises(OutOfRange, match=r"share of the way .* is not between 0\.1 and 0\.99"):
            response_s(samples, 1.0, share)
    for window_s, near in ((0.0, 0.3), (30.0, 0.0), (math.nan, 0.3), (30.0, math.inf)):
        with pytest.raises(OutOfRange, match="is not a number above 0"):
            settled(samples, window_s, near)
