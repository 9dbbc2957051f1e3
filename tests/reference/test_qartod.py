"""Range, spike, rate of change and flat line held against ioos_qc, on series both can answer.

ioos_qc is the reference implementation, in whole arrays, of U.S. IOOS QARTOD; the manual meant is the Manual
for Real-Time Quality Control of pH Data Observations, version 1.0 (2019). Ours hears one reading at a time.
Where the two differ on these series, the test says on which readings and why.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from ioos_qc import qartod
from nightheron.guard.limits import Conversion
from nightheron.guard.quality import JUMP_PH_PER_S, PLAUSIBLE_PH, UNCHANGED_LEAST_S, to_ph
from nightheron.guard.spike import LEAST_PH

from tests.support.streamed import probe, streamed, where

NEVER_S = 10**6


def times(at_s: Sequence[float]) -> Any:
    """Seconds as ioos_qc takes them."""
    return (np.array(at_s) * 1e9).round().astype("int64").astype("datetime64[ns]")


def quiet(seed: int, count: int, sd_ph: float = 0.002) -> list[float]:
    """Quiet water near 7.2: a slow swing and a little noise."""
    dice = random.Random(seed)  # noqa: S311 - reproducible noise, no secret
    return [7.2 + 0.2 * math.sin(n / 200) + dice.gauss(0, sd_ph) for n in range(count)]


def test_a_reading_is_what_passes_the_range() -> None:
    """Gross range (test 4, required): what ioos_qc passes is a reading, what it fails or misses is none."""
    dice = random.Random(4)  # noqa: S311 - reproducible numbers, no secret
    values = [dice.uniform(3, 10) for _ in range(2000)] + [math.nan, math.inf, -math.inf, *PLAUSIBLE_PH]
    theirs = qartod.gross_range_test(values, PLAUSIBLE_PH)
    ours = [to_ph(v, Conversion(at_ph7=7.0, per_ph=1.0)) is not None for v in values]
    assert ours == [flag == 1 for flag in theirs]
    assert {int(flag) for flag in theirs} == {1, 4, 9}


def test_what_fails_the_range_is_missing_once_it_lasts() -> None:
    """A message out of range is none (9), not a bad reading (4): the last good one holds till it is stale."""
    values = [*quiet(1, 10), *[12.0] * 8]
    assert list(qartod.gross_range_test(values, PLAUSIBLE_PH)[10:]) == [4] * 8
    found = streamed(range(18), values)
    assert [int(flag) for flag, _ in found[10:]] == [1] * 5 + [9] * 3


@pytest.mark.parametrize("seed", range(5))
def test_low_single_spikes_are_the_same_readings(seed: int) -> None:
    """Spike: single ones below twice the limit, where ioos_qc's midpoint leaves the neighbours unmarked.

    All readings agree but the first two and the last, which neither can tell: ioos_qc gives 2 to the
    first and the last; ours 2 to the first two, and to the last what holds till a next one speaks.
    """
    dice = random.Random(seed)  # noqa: S311 - reproducible places, no secret
    values = quiet(seed, 600)
    for place in range(20, 590, 10):
        values[place + dice.randrange(4)] += dice.choice((-1, 1)) * dice.uniform(0.12, 0.18)
    theirs = qartod.spike_test(values, fail_threshold=LEAST_PH)
    found = streamed(range(600), values)
    assert [int(flag) for flag, _ in found[2:-1]] == [int(flag) for flag in theirs[2:-1]]
    assert len(where(found, "spike")) == 57


@pytest.mark.parametrize("seed", range(5))
def test_single_spikes_are_the_same_readings_for_its_other_method(seed: int) -> None:
    """Spike: single ones of any height that is no jump, against ioos_qc's differential method."""
    dice = random.Random(seed)  # noqa: S311 - reproducible places, no secret
    values = quiet(seed, 600)
    for place in range(20, 590, 10):
        values[place + dice.randrange(4)] += dice.choice((-1, 1)) * dice.uniform(0.12, 0.45)
    theirs = qartod.spike_test(values, fail_threshold=LEAST_PH, method="differential")
    found = streamed(range(600), values)
    assert [int(flag) for flag, _ in found[2:-1]] == [int(flag) for flag in theirs[2:-1]]
    assert len(where(found, "spike")) == 57


@pytest.mark.parametrize("every_s", [1, 2, 4])
@pytest.mark.parametrize("seed", range(3))
def test_what_moves_too_fast_is_the_same_readings(every_s: int, seed: int) -> None:
    """Rate of change: ours are theirs and the two after each, since a jump stands till 3 readings are steady.

    The rate is ioos_qc's own (pH/s between neighbours), not the manual's deviations of a day.
    """
    dice = random.Random(seed)  # noqa: S311 - reproducible steps, no secret
    at_s, values, level = [n * every_s for n in range(800)], quiet(seed, 800), 0.0
    for n in range(10, 800):
        if n % 10 == 0:
            level = dice.uniform(-1.4, 1.4)
        values[n] += level
    theirs = [int(f) for f in qartod.rate_of_change_test(values, times(at_s), JUMP_PH_PER_S)]
    found = streamed(at_s, values, probe(stale_s=15.0))
    expected = [i for i in range(800) if 3 in theirs[max(0, i - 2) : i + 1]]
    assert [i for i in where(found, "jump") if i >= 2] == expected
    assert 3 in theirs


@pytest.mark.parametrize("every_s", [1, 2, 5])
def test_what_stands_is_the_same_readings(every_s: int) -> None:
    """Flat line: both mark from half an hour on, but for the one reading at just half an hour.

    ioos_qc marks what has stood for its seconds, ours what has stood for longer. It is given a
    tolerance, without which it marks nothing, and ours a probe of fine digits that moved all the time before.
    """
    moves, stands = 600 // every_s, 2400 // every_s
    values = quiet(3, moves)
    values += [values[-1]] * stands + quiet(4, moves)
    at_s = [n * every_s for n in range(len(values))]
    theirs = qartod.flat_line_test(values, times(at_s), int(UNCHANGED_LEAST_S), NEVER_S, 1e-9)
    marked = [i for i, flag in enumerate(theirs) if flag == 3]
    assert len(marked) == 600 // every_s + 1
    assert where(streamed(at_s, values, probe(stale_s=15.0)), "unchanged") == marked[1:]
