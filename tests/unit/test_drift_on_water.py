"""Drift on simulated water: a slice of ``tests/bench/drift.py`` that fits an ordinary run of the tests."""

from __future__ import annotations

import copy

from nightheron.guard.causes import Cause
from nightheron.model import Reason

from tests.bench.drift import CASES, LEARN_D, judge
from tests.support.drifting import Lived


def test_a_needle_that_creeps_is_found_and_named_and_a_healthy_chamber_is_not() -> None:
    """From the same two weeks: +20 % in a week is told within six days; without it nothing is."""
    healthy = Lived(1)
    healthy.live(LEARN_D)
    crept = copy.deepcopy(healthy)
    (needle,) = [case for case in CASES if case.cause is Cause.NEEDLE_OPEN]
    crept.live(6, needle.change)
    healthy.live(6)
    assert healthy.told == []
    found = judge(crept, LEARN_D)
    _, reason, text = found.told[0]
    assert found.at_d["guard"] <= 6.0
    assert reason is Reason.DRIFT
    assert Cause.NEEDLE_OPEN.value in text
