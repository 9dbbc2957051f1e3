"""Whatever a chamber has learned may only shorten a wait or shut gas sooner."""

from __future__ import annotations

from dataclasses import fields, replace

from hypothesis import HealthCheck, given, settings, strategies as st
from nightheron.cycles import Cycle, Learned
from nightheron.guard import learned as memory
from nightheron.model import Gas, Verdict

from tests.support import night as support
from tests.support.night import Night

quick = settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.too_slow])
numbers = st.floats(-1e6, 1e6) | st.sampled_from([0.0, 1e-9, 0.01, 20.0, 200.0, 7200.0])
maybe = st.none() | numbers
LIMITS = support.limits()


@st.composite
def memories(draw: st.DrawFn) -> Learned:
    """Any memory at all, also one that no water could have made."""
    lists = {name: tuple(draw(st.lists(numbers, max_size=31))) for name in memory.FEATURES}
    count, seconds = draw(st.integers(0, 10**6)), draw(st.floats(0, 1e9))
    return Learned(count, seconds, memory.learned_under(LIMITS), **lists)


@given(memories())
@settings(max_examples=200, deadline=None)
def test_no_wait_is_longer_than_configured(learned: Learned) -> None:
    """Lag and standstill are at most what is configured, and above zero; a surge has a positive rate."""
    known = memory.figures(learned)
    assert 0 < memory.lag_s(known, LIMITS) <= LIMITS.probe_lag_s + LIMITS.tail_s
    assert 0 < memory.stall_s(known, LIMITS) <= LIMITS.stalled_s
    assert known.fall_ph_per_min is None or known.fall_ph_per_min > 0


@given(memories(), st.lists(st.builds(Cycle, *[numbers, numbers], *[maybe] * 10), max_size=40))
@settings(max_examples=100, deadline=None)
def test_the_memory_stays_bounded_whatever_it_is_taught(learned: Learned, cycles: list[Cycle]) -> None:
    """No list grows beyond 31, and a doubtful cycle changes nothing."""
    for cycle in cycles:
        learned = memory.learn(learned, replace(cycle, verdict=Verdict.PROVED))
        assert memory.learn(learned, replace(cycle, doubtful="hands")) == learned
    values = [getattr(learned, one.name) for one in fields(Learned)]
    assert all(len(one) <= memory.KEPT for one in values if isinstance(one, tuple))


segments = st.lists(st.tuples(st.integers(20, 240), st.sampled_from([0.0, -0.006, -0.0008, 0.0008, 0.003])))


@given(memories(), segments)
@quick
def test_what_was_learned_never_opens_gas(learned: Learned, water: list[tuple[int, float]]) -> None:
    """Of two chambers in the same water the one that learned is the first to be shut, if they part."""
    wise, plain = (Night(LIMITS, begin=False).start(learned=one) for one in (learned, None))
    ph = 6.9
    for seconds, slope in [(125, 0.0), *water]:
        for _ in range(seconds):
            ph = min(7.4, max(6.2, ph + slope))
            wise.wait(1, ph)
            plain.wait(1, ph)
            if wise.gas is not plain.gas:
                assert wise.gas is Gas.CLOSED
                return
            assert set(plain.reasons) <= set(wise.reasons)


@given(memories(), st.integers(500, 850).map(lambda n: n / 100))
@settings(max_examples=8, deadline=None)
def test_a_stuck_probe_is_bounded_whatever_was_learned(learned: Learned, value: float) -> None:
    """Stuck at any value gas is open for one trial at most, and then stays shut."""
    probe = replace(support.PROBE, period_s=15.0, stale_s=45.0)
    limits = support.limits(probes=(probe,))
    night = Night(limits, begin=False).start(learned=replace(learned, under=memory.learned_under(limits)))
    night.ph = value
    night.long(4 * 3600, 15.0)
    assert night.chamber.left().opened_day_s <= limits.trial_opening_s + 20
    assert night.gas is Gas.CLOSED
