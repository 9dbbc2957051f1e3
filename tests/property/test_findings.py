"""The same water read twice a second, once, every other second or irregularly: the same findings."""

from __future__ import annotations

import random
from collections.abc import Callable

from hypothesis import given, settings, strategies as st
from nightheron.model import Flag

from tests.support.streamed import probe, streamed, where

PERIODS = st.one_of(
    st.sampled_from([(0.5,), (1.0,), (2.0,)]),
    st.lists(st.integers(5, 20).map(lambda tenths: tenths / 10), min_size=3, max_size=9).map(tuple),
)
"""Intervals in turn, each of half a second to two."""
FEW = settings(max_examples=40, deadline=None)
Water = Callable[[float], float]


def sampled(periods: tuple[float, ...], until_s: float, from_s: float = 0.0) -> list[float]:
    """The times at which a probe with these intervals speaks."""
    at_s, n = [from_s], 0
    while at_s[-1] < until_s:
        at_s.append(at_s[-1] + periods[n % len(periods)])
        n += 1
    return at_s


@FEW
@given(PERIODS, st.floats(0, 2), st.floats(0.55, 0.65), st.sampled_from([-1, 1]))
def test_a_jump_is_found_at_any_sampling(
    periods: tuple[float, ...], offset_s: float, ph_per_s: float, sign: int
) -> None:
    """Four seconds at more than half a pH a second are a jump, and three readings later it is over."""
    at_s = sampled(periods, 40, offset_s)
    values = [6.5 + sign * ph_per_s * (min(max(t - 20, 0), 4) - 2) for t in at_s]
    jumps = where(streamed(at_s, values), "jump")
    assert jumps
    assert at_s[jumps[0]] >= 20
    assert at_s[jumps[-1]] <= 24 + 5 * 2


@FEW
@given(PERIODS, st.floats(0, 2), st.floats(0.1, 0.45), st.sampled_from([-1, 1]))
def test_what_water_can_do_is_no_jump_at_any_sampling(
    periods: tuple[float, ...], offset_s: float, ph_per_s: float, sign: int
) -> None:
    """Four seconds at less than half a pH a second are none, however they are cut."""
    at_s = sampled(periods, 40, offset_s)
    values = [6.5 + sign * ph_per_s * (min(max(t - 20, 0), 4) - 2) for t in at_s]
    assert where(streamed(at_s, values), "jump") == []


@FEW
@given(PERIODS, st.floats(0, 2), st.floats(0.3, 0.99), st.floats(0.15, 0.45), st.sampled_from([-1, 1]))
def test_a_spike_is_the_readings_off_at_any_sampling(
    periods: tuple[float, ...], offset_s: float, lasts_s: float, off_ph: float, sign: int
) -> None:
    """A spike of less than a second marks the readings that fell into it, be they none, one or two."""
    at_s = sampled(periods, 40, offset_s)
    off = [i for i, t in enumerate(at_s) if 20 <= t < 20 + lasts_s]
    values = [7.0 + (sign * off_ph if i in off else 0.0) for i in range(len(at_s))]
    assert where(streamed(at_s, values), "spike") == off


@FEW
@given(PERIODS, st.floats(0, 2), st.floats(6.5, 15), st.floats(0.15, 0.45), st.sampled_from([-1, 1]))
def test_what_lasts_is_no_spike_at_any_sampling(
    periods: tuple[float, ...], offset_s: float, lasts_s: float, off_ph: float, sign: int
) -> None:
    """Water that was elsewhere for more than six seconds was there, at any sampling."""
    at_s = sampled(periods, 60, offset_s)
    values = [7.0 + (sign * off_ph if 20 <= t < 20 + lasts_s else 0.0) for t in at_s]
    assert where(streamed(at_s, values), "spike") == []


@given(st.integers(2, 5), st.floats(0.15, 0.45))
def test_a_second_off_is_a_spike_for_a_probe_that_speaks_fast(per_s: int, off_ph: float) -> None:
    """At two to five readings a second, all those of one second are the spike, however many they are."""
    at_s = [n / per_s for n in range(20 * per_s)]
    off = [i for i, t in enumerate(at_s) if 10 <= t < 11]
    values = [7.0 - (off_ph if i in off else 0.0) for i in range(len(at_s))]
    assert where(streamed(at_s, values), "spike") == off


@settings(max_examples=10, deadline=None)
@given(PERIODS, st.integers(0, 99))
def test_standing_counts_seconds_at_any_sampling(periods: tuple[float, ...], seed: int) -> None:
    """A fine probe that moved and then stands is marked from half an hour on, to the reading."""
    dice = random.Random(seed)  # noqa: S311 - reproducible noise, no secret
    at_s = sampled(periods, 2100)
    values = [7.0 + dice.gauss(0, 0.003) if t < 60 else 7.1 for t in at_s]
    stands_from_s = next(t for t in at_s if t >= 60)
    late = [i for i, t in enumerate(at_s) if t - stands_from_s > 1800 + 1e-6]
    assert where(streamed(at_s, values), "unchanged") == late


@FEW
@given(PERIODS, st.integers(0, 999), st.floats(-0.002, 0.002))
def test_noise_is_judged_alike_at_any_sampling(
    periods: tuple[float, ...], seed: int, drift_ph_per_s: float
) -> None:
    """A robust spread of 0.02 is quiet and one of 0.09 is noisy, on still and on moving water."""
    at_s = sampled(periods, 180)
    for sd_ph, noisy in ((0.02, False), (0.09, True)):
        dice = random.Random(seed)  # noqa: S311 - reproducible noise, no secret
        values = [7.0 + drift_ph_per_s * t + dice.gauss(0, sd_ph) for t in at_s]
        last = [test for t, (_, test) in zip(at_s, streamed(at_s, values), strict=True) if t > 150]
        assert ("noisy" in last) is noisy


@FEW
@given(PERIODS, st.floats(5.1, 60))
def test_a_silence_begins_the_history_anew_at_any_sampling(
    periods: tuple[float, ...], silent_s: float
) -> None:
    """The first two readings after a silence have too little history, and say 2."""
    first = sampled(periods, 30)
    at_s = first + sampled(periods, 60 + silent_s, first[-1] + silent_s)
    flags = [flag for flag, _ in streamed(at_s, [7.0] * len(at_s), probe())]
    unknown = [i for i, flag in enumerate(flags) if flag is Flag.NOT_EVALUATED]
    assert unknown == [0, 1, len(first), len(first) + 1]
