"""The campaign's judge: silent about the guard as it is, and red about a guard that breaks one law."""

from __future__ import annotations

import copy
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from nightheron.guard.chamber import Chamber
from nightheron.guard.limits import ChamberLimits
from nightheron.model import (
    NS,
    Act,
    Acted,
    Committed,
    Effect,
    Event,
    Gas,
    JournalSaid,
    Late,
    Observed,
    OtherOrder,
    Signal,
)
from nightheron.rig.faults import library
from nightheron.rig.nights import CHAMBER, site
from nightheron.rig.played import Played
from nightheron.rig.trace import Trace
from nightheron.rig.watcher import Watcher

from tests.support.night import PROBE, TANK, limits

FAULTS = library()
ORDINARY = limits(longest_opening_s=1800.0, tank=replace(TANK, low_ph=7.8, clear_ph=7.9))
LIVED_S = 700
Happens = Callable[[Played], None]


def put(name: str) -> Happens:
    """Break something, and let four thousand seconds pass."""

    def happens(one: Played) -> None:
        one.faults.put(FAULTS[name], CHAMBER)
        one.lives(4000)

    return happens


def nothing(one: Played) -> None:
    one.lives(4000)


def a_person_holds(one: Played) -> None:
    one.acts(Act.SERVICE_ON, for_s=60.0)
    one.lives(1200)


def it_freezes(one: Played) -> None:
    one.freezes(3.5)
    one.lives(60)


def a_stranger_opens(one: Played) -> None:
    one.acts(Act.TEST)
    one.lives(5)
    one.faults.put(FAULTS["valve_foreign_orders"], CHAMBER)
    one.lives(1200)


def it_comes_back_to_a_stuck_probe(one: Played) -> None:
    one.dies(5.0)
    one.faults.put(FAULTS["probe_stuck"], CHAMBER)
    one.lives(2000)


def the_card_dies(one: Played) -> None:
    one.faults.put(FAULTS["journal_stalls"], CHAMBER)
    one.lives(600)


def watched(core: type[Chamber], given: ChamberLimits, happens: Happens) -> Watcher:
    """What the judge of ORDINARY limits says of a guard of ``given`` ones, flowing when it happens."""
    judge = Watcher(ORDINARY)
    one = Played(given, site(0), watchers=[judge], core_of=core).begin().lives(LIVED_S)
    assert judge.until_ns > one.now_ns, "gas is open when it happens"
    happens(one)
    return judge


class DeafTo(Chamber):
    """A guard that does not hear some events."""

    never: tuple[type[Event], ...] = ()

    def feed(self, event: Event) -> tuple[Effect, ...]:
        if isinstance(event, self.never):
            return ()
        return super().feed(event)


class DeafToLate(DeafTo):
    never = (Late,)


class DeafToStrangers(DeafTo):
    never = (OtherOrder,)


class DeafToJournal(DeafTo):
    never = (JournalSaid,)


class DeafToHands(DeafTo):
    never = (Acted,)


class Rosy(Chamber):
    """A guard to whom no reading is below 6.75."""

    def feed(self, event: Event) -> tuple[Effect, ...]:
        if isinstance(event, Observed) and event.signal is Signal.CHAMBER_PH and event.value is not None:
            event = replace(event, value=max(6.75, event.value))
        return super().feed(event)


class Hasty(Chamber):
    """A guard that does not wait for the word that its row is on disk."""

    def feed(self, event: Event) -> tuple[Effect, ...]:
        effects = super().feed(event)
        token = self._s.awaited_token
        if token is None:
            return effects
        return (*effects, *super().feed(Committed(event.at_ns, token)))


BROKEN: list[tuple[str, type[Chamber], dict[str, Any], Happens]] = [
    ("floor", Rosy, {}, nothing),
    ("settle", Chamber, {"settle_s": 1.0, "resume_ph": 6.61}, nothing),
    ("rest", Chamber, {"min_rest_s": 1.0, "resume_ph": 6.61, "settle_s": 1.0}, nothing),
    ("lease", Chamber, {"valve": replace(ORDINARY.valve, lease_s=60.0)}, nothing),
    ("stale", Chamber, {"probes": (replace(PROBE, stale_s=600.0),)}, put("probe_silent")),
    ("unanswered", Chamber, {"trial_opening_s": 1800.0}, it_comes_back_to_a_stuck_probe),
    ("opening", Chamber, {"longest_opening_s": 86400.0}, put("gas_line_slips_off")),
    ("unwritten", Hasty, {}, nothing),
    ("tank", Chamber, {"tank": replace(TANK, low_ph=5.0, clear_ph=5.1)}, put("tank_probe_reads_low")),
    ("late", DeafToLate, {}, it_freezes),
    ("person", DeafToHands, {}, a_person_holds),
    ("person", DeafToStrangers, {}, a_stranger_opens),
    ("journal", DeafToJournal, {}, the_card_dies),
]


@pytest.mark.parametrize(
    ("why", "core", "changes", "happens"), BROKEN, ids=[f"{one[0]}-{one[1].__name__}" for one in BROKEN]
)
def test_a_guard_that_breaks_a_law_is_caught_by_that_law(
    why: str, core: type[Chamber], changes: dict[str, Any], happens: Happens
) -> None:
    """Each law broken by a changed guard shows as seconds in hazard under its own name."""
    judge = watched(core, replace(ORDINARY, **changes), happens)
    assert judge.hazards.by_why.get(why, 0.0) > 0.0, judge.hazards
    assert judge.hazards.seconds > 0.0


@pytest.mark.parametrize("happens", [one[3] for one in BROKEN if one[3] is not nothing])
def test_the_guard_as_it_is_has_no_hazard_there(happens: Happens) -> None:
    """What catches the changed guards says nothing of the real one."""
    judge = watched(Chamber, ORDINARY, happens)
    assert judge.hazards.spans == []
    assert judge.openings > 0


def test_time_in_hazard_begins_with_the_reading_that_should_have_shut() -> None:
    """Gas left open over low readings is in hazard from the first of them, never longer than it flowed."""
    judge, other = Watcher(ORDINARY), Trace()
    Played(ORDINARY, site(0), watchers=[other]).begin().lives(4000)
    Played(ORDINARY, site(0), watchers=[judge], core_of=Rosy).begin().lives(4000)
    shut_s = next(at_s for at_s, gas in other.orders if gas is Gas.CLOSED)
    assert judge.hazards.spans[0].from_s == shut_s
    assert 60.0 < judge.hazards.by_why["floor"] <= judge.opened_s


def test_a_copy_of_a_judged_night_is_judged_on() -> None:
    """A played chamber that is copied takes its judge along, with what it knows."""
    judge = Watcher(ORDINARY)
    one = Played(ORDINARY, site(0), watchers=[judge]).begin().lives(1200)
    again = copy.deepcopy(one).lives(1800)
    other = again.watchers[0]
    assert isinstance(other, Watcher)
    assert other is not judge
    assert other.opened_s > judge.opened_s > 0.0
    assert other.now_ns == judge.now_ns + 1800 * NS
    assert other.hazards.seconds == 0.0
