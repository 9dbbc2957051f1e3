"""Where a guard must answer and ioos_qc does not, side by side: what it says, and what ours says.

The tests are those of U.S. IOOS QARTOD (Manual for Real-Time Quality Control of pH Data Observations, version
1.0, 2019). ioos_qc is made for archives at an even rate of seconds and more; that it answers as shown
here was measured with the version the lock names, and is no reproach.
"""

from __future__ import annotations

import math

import pytest
from ioos_qc import qartod
from nightheron.guard.quality import JUMP_PH_PER_S, UNCHANGED_LEAST_S
from nightheron.guard.spike import LEAST_PH
from nightheron.model import Flag

from tests.reference.test_qartod import NEVER_S, quiet, times
from tests.support.streamed import probe, streamed, where

HALF_HOUR_S = int(UNCHANGED_LEAST_S)


def test_a_frozen_reading_needs_no_tolerance() -> None:
    """Frozen: its default tolerance of 0 marks nothing ever; ours marks it after half an hour."""
    values = [*quiet(1, 100), *[6.9] * 5000]
    theirs = qartod.flat_line_test(values, times(range(5100)), HALF_HOUR_S, 2 * HALF_HOUR_S)
    assert set(theirs) == {1}
    assert where(streamed(range(5100), values), "unchanged") == list(range(100 + HALF_HOUR_S + 1, 5100))


def test_a_coarse_probe_may_stand() -> None:
    """Resolution: slow water on a digit of 0.1 is marked by it, not by ours, which marks it once frozen."""
    at_s = range(0, 40000, 4)
    steps = [7.0 + 0.1 * (n % 2) for n in range(6) for _ in range(150)]  # ten minutes each
    steps += [7.0 + 0.1 * (n % 2) for n in range(6) for _ in range(675)]  # by night 45 minutes each
    values = steps + [7.2] * (len(at_s) - len(steps))
    theirs = qartod.flat_line_test(values, times(at_s), HALF_HOUR_S, NEVER_S, 0.05)
    assert list(theirs[: len(steps)]).count(3) == 6 * 225
    ours = where(streamed(at_s, values), "unchanged")
    assert ours[0] == len(steps) + 18000 // 4 + 1, "frozen for five hours, its limit at most"
    assert ours == list(range(ours[0], len(at_s)))


def test_fewer_readings_than_the_window() -> None:
    """Too few: of 110 frozen minutes in 700 readings it marks none, as it wants 1800; ours counts seconds."""
    at_s = [*range(600), *range(600, 6600, 60)]
    values = [6.9] * len(at_s)
    theirs = qartod.flat_line_test(values, times(at_s), HALF_HOUR_S, 2 * HALF_HOUR_S, 0.001)
    assert set(theirs) == {1}
    found = streamed(at_s, values, probe(stale_s=200.0))
    assert [at_s[i] for i in where(found, "unchanged")] == list(range(1860, 6600, 60))


def test_readings_too_few_to_tell_are_not_called_good() -> None:
    """Too few: two readings pass its flat line; ours says 2, not evaluated, and so after every silence."""
    assert list(qartod.flat_line_test([6.9, 6.9], times([0, 1]), HALF_HOUR_S, NEVER_S, 0.001)) == [1, 1]
    at_s = [0, 1, 2, 3, 20, 21, 22, 23]
    flags = [flag for flag, _ in streamed(at_s, [6.9] * 8)]
    unknown, good = Flag.NOT_EVALUATED, Flag.PASS
    assert flags == [unknown, unknown, good, good] * 2


def test_irregular_times_make_no_frozen_probe() -> None:
    """Irregular: it counts readings of the median interval, and marks four minutes that were read often."""
    at_s = [*range(0, 20000, 10), *range(20000, 20240), *range(20240, 40000, 10)]
    values = [7.0 + 0.01 * (n % 3) for n in range(len(at_s))]
    values[2000:2240] = [7.05] * 240
    theirs = qartod.flat_line_test(values, times(at_s), HALF_HOUR_S, NEVER_S, 0.001)
    assert list(theirs).count(3) == 60
    assert where(streamed(at_s, values, probe(stale_s=30.0)), "unchanged") == []


def test_parts_of_a_second_count_in_a_rate() -> None:
    """Irregular: 0.6 pH over 1.9 s is 0.32 pH/s; it cuts to 1 s and marks it, ours does not."""
    at_s, values = [0, 1, 2, 3.9, 5, 6], [7.6, 7.6, 7.6, 7.0, 7.0, 7.0]
    assert list(qartod.rate_of_change_test(values, times(at_s), JUMP_PH_PER_S)) == [1, 1, 1, 3, 1, 1]
    assert where(streamed(at_s, values), "jump") == []


@pytest.mark.filterwarnings("ignore::RuntimeWarning")
def test_two_readings_a_second_are_judged() -> None:
    """Half a second: it cuts that to 0 s, sees no rate too fast and breaks off in flat line; ours answers."""
    at_s = [n / 2 for n in range(30)]
    values = [8.0] * 10 + [8.0 - 0.4 * n for n in range(1, 6)] + [6.0] * 15  # 0.8 pH/s
    assert set(qartod.rate_of_change_test(values, times(at_s), JUMP_PH_PER_S)) == {1}
    assert where(streamed(at_s, values), "jump")[0] == 11
    at_s = [n / 2 for n in range(4000)]
    with pytest.raises(ValueError, match="negative dimensions"):
        qartod.flat_line_test([6.9] * 4000, times(at_s), HALF_HOUR_S, NEVER_S, 0.001)
    assert where(streamed(at_s, [6.9] * 4000), "unchanged") == list(range(3601, 4000))


def spikes(values: list[float]) -> tuple[list[int], list[int], list[int]]:
    """Which readings are marked by its two methods, and by ours."""
    average = qartod.spike_test(values, fail_threshold=LEAST_PH)
    differential = qartod.spike_test(values, fail_threshold=LEAST_PH, method="differential")
    theirs = [[i for i, flag in enumerate(flags) if flag == 4] for flags in (average, differential)]
    return theirs[0], theirs[1], where(streamed(range(len(values)), values), "spike")


def test_one_reading_off_leaves_its_neighbours_good() -> None:
    """One-sample spike: its midpoint marks both good neighbours with it; ours marks the one."""
    assert spikes([6.9] * 6 + [6.5] + [6.9] * 6) == ([5, 6, 7], [6], [6])


def test_two_readings_off_are_both_found() -> None:
    """Two-sample spike: one method marks the neighbours too, the other sees nothing; ours marks the two."""
    assert spikes([6.9] * 6 + [6.5, 6.5] + [6.9] * 6) == ([5, 6, 7, 8], [], [6, 7])


def test_a_good_reading_between_two_spikes_stays_good() -> None:
    """Spikes with one good reading between: both its methods mark that one; ours does not."""
    values = [6.9] * 6 + [6.5, 6.9, 6.5] + [6.9] * 6
    assert spikes(values) == ([5, 6, 7, 8, 9], [6, 7, 8], [6, 8])


def test_a_step_is_no_spike() -> None:
    """A step that stays: its midpoint marks both sides of it; ours marks nothing."""
    assert spikes([6.9] * 6 + [6.5] * 6) == ([5, 6], [], [])


@pytest.mark.parametrize("silent", ["nothing is heard", "what is heard is no reading"])
def test_a_step_across_a_gap_is_a_jump(silent: str) -> None:
    """A step across a gap: of 2.4 pH in 4 s it sees nothing if values are missing; ours takes it across."""
    at_s, values = [*range(10), 10, 11, 12, *range(13, 20)], [6.9] * 10 + [math.nan] * 3 + [4.5] * 7
    theirs = qartod.rate_of_change_test(values, times(at_s), JUMP_PH_PER_S)
    assert [int(flag) for flag in theirs] == [1] * 10 + [9] * 3 + [1] * 7
    if silent == "nothing is heard":
        at_s, values = at_s[:10] + at_s[13:], values[:10] + values[13:]
    found = streamed(at_s, values)
    assert [at_s[i] for i in where(found, "jump")] == [13, 14, 15]
