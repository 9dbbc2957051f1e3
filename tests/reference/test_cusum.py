"""Run lengths of the CUSUM against the published tables, by the Markov chain and by simulation.

Montgomery: Introduction to Statistical Quality Control, 7th ed., chapter 9 (k = 1/2; h = 4 and 5).
Hawkins and Olwell: Cumulative Sum Charts and Charting for Quality Improvement (1998), and Hawkins 1993,
J. Qual. Technol. 25:248: pairs of k and h with 370 values between false alarms.
Lucas and Crosier 1982, Technometrics 24:199: head start of h/2.
Cells that were remembered and not read are marked "from memory"; all agree with the chain to their digits.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from nightheron.guard.cusum import Chart, Cusum, chart_for, run_length, shared
from numpy.typing import NDArray

SHIFTS = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0)
MONTGOMERY_4 = (168.0, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71)  # from memory
MONTGOMERY_5 = (465.0, 139.0, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01)
"""465, 10.4, 5.75 and 4.01 read; the others from memory."""
HEAD_START_5 = (430.0, 122.0, 28.7, 11.2, 6.35, 3.37, 2.36, 1.86, 1.54, 1.16)  # from memory
HAWKINS_370 = ((0.25, 8.01), (0.5, 4.77), (0.75, 3.34), (1.0, 2.52), (1.25, 1.99), (1.5, 1.61))
CORRELATED = ((0.0, 466.0, 7.0), (0.25, 119.0, 2.0), (0.5, 52.2, 0.8), (0.75, 31.8, 0.4))
"""Lag-1 correlation, mean run length of an uncorrected chart (k 1/2, h 5, standard deviation 1) and its
standard error. No published cell was readable; from an independent simulation of 4,000 runs."""


def _phi(x: float) -> float:
    return 0.5 * math.erfc(-x / math.sqrt(2.0))


def _one_sided(k: float, h: float, shift: float, states: int = 400) -> NDArray[np.float64]:
    """Mean run length from 0 and from h/2 (Brook and Evans 1972, Biometrika 59:539).

    The sum lives in ``states`` cells of equal width, the first half as wide, about their middles.
    """
    width = 2.0 * h / (2 * states - 1)
    middles = width * np.arange(states)
    edges = middles[None, :] + 0.5 * width - middles[:, None] + k - shift
    below = np.vectorize(_phi)(edges)
    move = np.diff(below, axis=1, prepend=0.0)
    lengths = np.linalg.solve(np.eye(states) - move, np.ones(states))
    return np.interp([0.0, h / 2.0], middles, lengths)


def by_chain(k: float, h: float, shift: float, *, ahead: bool = False) -> float:
    """Two-sided, from the two one-sided charts (Kemp 1961; with a head start Lucas and Crosier's formula)."""
    (up_0, up_s), (down_0, down_s) = _one_sided(k, h, shift), _one_sided(k, h, -shift)
    if not ahead:
        return float(1.0 / (1.0 / up_0 + 1.0 / down_0))
    return float((up_s * down_0 + up_0 * down_s - up_0 * down_0) / (up_0 + down_0))


def test_chain_gives_the_published_run_lengths() -> None:
    """For h of 4 and 5, with and without the head start, each to the digits that were printed."""
    for shift, at_4, at_5, ahead_5 in zip(SHIFTS, MONTGOMERY_4, MONTGOMERY_5, HEAD_START_5, strict=True):
        assert by_chain(0.5, 4.0, shift) == pytest.approx(at_4, rel=5e-3)
        assert by_chain(0.5, 5.0, shift) == pytest.approx(at_5, rel=5e-3)
        assert by_chain(0.5, 5.0, shift, ahead=True) == pytest.approx(ahead_5, rel=5e-3)


def test_pairs_of_hawkins_have_370_values_between_false_alarms() -> None:
    """For k from 1/4 to 3/2, within the two digits of h."""
    for k, h in HAWKINS_370:
        assert by_chain(k, h, 0.0) == pytest.approx(370.0, rel=0.02)


def test_run_length_of_the_core_is_that_of_the_chain() -> None:
    """Siegmund's formula stands within 3 % of the chain where limits are taken from it."""
    for k in (0.15, 0.25, 0.5, 0.75):
        for h in (5.0, 8.0, 11.0):
            assert run_length(h, k) == pytest.approx(by_chain(k, h, 0.0), rel=0.03)


def test_limit_of_a_chart_gives_the_rate_that_was_asked_for() -> None:
    """The chain finds the asked number of values between false alarms for every k, within 3 %."""
    for between in (100.0, 465.0, 10_000.0):
        for shift in (0.5, 1.0, 1.5):
            chart = chart_for(between, shift)
            assert chart.k == 0.5 * shift
            assert by_chain(chart.k, chart.h, 0.0) == pytest.approx(between, rel=0.03)


def test_limit_for_465_values_is_the_classical_five() -> None:
    """k of 1/2 and 465 values between false alarms is Montgomery's h of 5."""
    assert chart_for(465.0, 1.0).h == pytest.approx(5.0, abs=0.02)


# ---- the core's own chart, value by value ----


def simulate(
    chart: Chart, lag1: float, seed: int, runs: int = 300, shift: float = 0.0, *, ahead: bool = False
) -> tuple[float, float]:
    """Mean run length and its standard error of the core's code on AR(1) values of standard deviation 1."""
    dice = np.random.default_rng(seed)
    lengths = [_one_run(chart, lag1, dice.standard_normal, shift, ahead=ahead) for _ in range(runs)]
    return float(np.mean(lengths)), float(np.std(lengths) / math.sqrt(runs))


def _one_run(
    chart: Chart,
    lag1: float,
    draw: Callable[[int], NDArray[np.float64]],
    shift: float,
    *,
    ahead: bool,
) -> int:
    sums = Cusum.ahead(chart) if ahead else Cusum()
    x, n, before = float(draw(1)[0]), 0, None
    fresh = math.sqrt(1.0 - lag1 * lag1)
    while True:
        for step in draw(256):
            n += 1
            z = x + shift
            if sums.add(chart.freed(z, before), chart):
                return n
            before = z
            x = lag1 * x + fresh * float(step)


def test_simulated_runs_of_the_core_agree_with_the_tables() -> None:
    """The chart itself, fed normal values, speaks as often and as soon as Montgomery and Lucas have it."""
    chart = Chart(0.5, 5.0)
    for shift, length in ((0.0, 465.44), (1.0, 10.376), (2.0, 4.009)):
        mean, error = simulate(chart, 0.0, 54, shift=shift)
        assert abs(mean - length) < 4.0 * error
    mean, error = simulate(chart, 0.0, 82, shift=1.0, ahead=True)
    assert abs(mean - 6.347) < 4.0 * error


def test_correlation_of_a_half_turns_465_values_into_52() -> None:
    """An uncorrected chart on values that hang together cries wolf as often as the simulations say."""
    for lag1, length, known_error in CORRELATED[1:]:
        mean, error = simulate(Chart(0.5, 5.0), lag1, 74)
        assert abs(mean - length) < 4.0 * math.hypot(error, known_error)


@pytest.mark.parametrize("lag1", [0.25, 0.5, 0.75])
def test_corrected_chart_keeps_the_rate_that_was_asked_for(lag1: float) -> None:
    """At 465 values between false alarms, within four standard errors and Siegmund's 3 %."""
    mean, error = simulate(chart_for(465.0, 1.0, lag1), lag1, 88)
    assert abs(mean - 465.0) < 4.0 * error + 0.03 * 465.0


def test_a_chart_that_cannot_be_is_refused() -> None:
    """No number, no chart; values that alternate count as independent; at a shift of k there is a length."""
    for between, shift, lag1 in (
        (1.0, 1.0, 0.0),
        (math.inf, 1.0, 0.0),
        (465.0, 0.0, 0.0),
        (465.0, 1.0, math.nan),
    ):
        with pytest.raises(ValueError, match="no chart"):
            chart_for(between, shift, lag1)
    assert chart_for(465.0, 1.0, -0.4) == chart_for(465.0, 1.0)
    assert run_length(5.0, 0.5, 0.5) == pytest.approx(by_chain(0.5, 5.0, 0.5), rel=0.01)
    assert Cusum(6.0, 7.0).says(Chart(0.5, 5.0)) == -1


def test_corrected_chart_finds_the_shift_all_the_same() -> None:
    """A shift of two standard deviations at a lag-1 of 0.5 is found within 20 values on the average."""
    mean, _ = simulate(chart_for(465.0, 1.0, 0.5), 0.5, 19, shift=2.0)
    assert 3.0 < mean < 20.0


def test_estimated_correlation_does_not_flatter() -> None:
    """Of 200 short stretches of 100 values at 0.5, nine in ten are taken for 0.45 or more."""
    dice = np.random.default_rng(7)
    found = []
    for _ in range(200):
        steps, values = dice.standard_normal(100), [float(dice.standard_normal())]
        for step in steps[1:]:
            values.append(0.5 * values[-1] + math.sqrt(0.75) * float(step))
        found.append(shared(list(values)))
    assert np.quantile(found, 0.1) > 0.45
    assert float(np.mean(found)) < 0.7
