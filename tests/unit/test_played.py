"""The core in charge of a plant on a virtual clock, as the campaign and the rehearsal play it."""

from __future__ import annotations

import copy
from dataclasses import replace
from itertools import pairwise

import pytest
from nightheron.model import NS, Act, Effect, Event, Gas, Observed, Reason, Signal, Started, Ticked
from nightheron.rig.faults import library
from nightheron.rig.nights import CHAMBER, site
from nightheron.rig.played import Played
from nightheron.rig.trace import Trace

from tests.support.night import PROBE, TANK, limits

FAULTS = library()
LIVED_S = 1200


class Ear(Trace):
    """A trace that keeps every event too."""

    __slots__ = ("events",)

    def __init__(self) -> None:
        super().__init__()
        self.events: list[Event] = []

    def see(self, event: Event, effects: tuple[Effect, ...]) -> None:
        self.events.append(event)
        super().see(event, effects)


def played(**changes: object) -> tuple[Played, Ear]:
    """The plain site, twenty minutes after its start, with gas open."""
    ear = Ear()
    one = Played(limits(**changes), site(0), watchers=[ear]).begin().lives(LIVED_S)
    assert one.gas is Gas.OPEN
    return one, ear


def broken(name: str, seconds: float, **changes: object) -> tuple[Played, Ear]:
    """The same with a fault put in, and so much later."""
    one, ear = played(**changes)
    one.faults.put(FAULTS[name], CHAMBER)
    return one.lives(seconds), ear


def test_a_copy_lives_the_same_night_and_leaves_the_first_alone() -> None:
    """Two copies of one played chamber decide alike, down to the water's last bit."""
    one, _ = played()
    before, again = one.now_ms, copy.deepcopy(one).lives(1800)
    assert one.now_ms == before
    one.lives(1800)
    assert again.core is not None and one.core is not None
    assert (again.core.decision, again.bay.ph) == (one.core.decision, one.bay.ph)


def test_readings_come_at_each_probes_own_period() -> None:
    """A chamber probe of half a second and a tank probe of five are heard so often, and no tick is needed."""
    fast = (replace(PROBE, period_s=0.5),)
    tank = replace(TANK, probe=replace(PROBE, period_s=5.0, stale_s=60.0))
    _, ear = played(probes=fast, tank=tank)
    heard = [event.signal for event in ear.events if isinstance(event, Observed)]
    assert heard.count(Signal.CHAMBER_PH) == 2 * LIVED_S
    assert heard.count(Signal.TANK_PH) == LIVED_S / 5
    assert not any(isinstance(event, Ticked) for event in ear.events)


def test_a_silence_is_found_at_the_loops_own_rate() -> None:
    """A probe that falls silent shuts gas within a quarter of a second of stale_s."""
    _, ear = broken("probe_silent", 10)
    last_ns = max(event.at_ns for event in ear.events if isinstance(event, Observed))
    at_s, gas = ear.orders[-1]
    assert gas is Gas.CLOSED
    assert 5.0 < at_s - last_ns / NS <= 5.25


def test_a_killed_guard_leaves_its_valve_shut_and_comes_back_knowing() -> None:
    """After a kill the valve is shut at once, and the start says how many came, and what was left open."""
    one, ear = broken("guard_killed", 100)
    starts = [event for event in ear.events if isinstance(event, Started)]
    assert [start.unclean_starts for start in starts] == [0, 1]
    assert starts[1].left is not None
    assert not one.bay.valve.passes_gas or one.gas is Gas.OPEN


def test_a_journal_that_stalls_shuts_gas_within_its_time() -> None:
    """Rows that are not on disk for 15 s shut gas; when they are, it may open again."""
    one, _ = broken("journal_stalls", 80)
    assert one.core is not None
    assert Reason.NOT_RECORDABLE in one.core.decision.reasons
    one.faults.mend()
    one.lives(600)
    assert Reason.NOT_RECORDABLE not in one.core.decision.reasons


def test_a_valve_that_does_not_answer_is_lost_and_found_again() -> None:
    """A deaf valve is a lost one within two seconds; healed, it is told to shut before anything else."""
    one, _ = broken("valve_silent", 8)
    assert one.core is not None
    assert Reason.VALVE_LOST in one.core.decision.reasons
    one.faults.mend()
    one.lives(2)
    assert Reason.VALVE_LOST not in one.core.decision.reasons
    assert one.gas is Gas.CLOSED


def test_what_was_learned_before_a_death_is_there_after_it() -> None:
    """A start after a kill is told what the gas cycles before it had taught."""
    ear = Ear()
    one = Played(limits(), site(0), watchers=[ear]).begin().lives(3 * 3600)
    one.dies(5.0)
    one.lives(10)
    first, again = (event for event in ear.events if isinstance(event, Started))
    assert first.learned is None
    assert again.learned is not None
    assert again.learned.cycles


@pytest.mark.parametrize(("hears", "expected"), [(True, True), (False, False)])
def test_a_strangers_order_is_heard_only_where_orders_can_be(hears: bool, expected: bool) -> None:
    """On a broker a foreign OPEN latches; on a bus that shows no orders nobody knows of it."""
    ear = Trace()
    one = Played(limits(), site(0), watchers=[ear], hears_strangers=hears).begin().lives(LIVED_S)
    one.acts(Act.CLOSE)
    one.faults.put(FAULTS["valve_foreign_orders"], CHAMBER)
    one.lives(300)
    assert (Reason.FOREIGN_ORDER in {told.reason for told in ear.told}) is expected


def test_old_stamps_are_no_readings_where_messages_are_stamped() -> None:
    """A probe whose clock is an hour behind is lost on a broker, and heard on a serial line."""
    for stamped in (True, False):
        one = Played(limits(), site(0), stamped=stamped).begin().lives(LIVED_S)
        one.faults.put(FAULTS["probe_clock_behind"], CHAMBER)
        one.lives(20)
        assert one.core is not None
        assert (Reason.CHAMBER_PH_LOST in one.core.decision.reasons) is stamped


def test_a_period_that_is_no_multiple_of_the_tick_is_refused() -> None:
    """A probe that speaks between the loop's ticks cannot be played."""
    with pytest.raises(ValueError, match=r"multiple of 0\.25 s"):
        Played(limits(probes=(replace(PROBE, period_s=0.3),)), site(0))


def test_the_trace_keeps_the_lowest_water_and_each_change_of_the_order() -> None:
    """Orders alternate, and no sampled water lies below the lowest."""
    _, ear = broken("regulator_fails_half", 1800)
    gases = [gas for _, gas in ear.orders]
    assert all(a is not b for a, b in pairwise(gases))
    assert ear.lowest is not None
    assert ear.lowest.ph <= min(wet.ph for wet in ear.waters) < 6.6
    assert ear.passed_s > 0
