"""What a start makes of the run before."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from nightheron.cycles import Learned
from nightheron.guard.alarm_desk import Alarm, Desk
from nightheron.guard.chamber import Chamber
from nightheron.guard.snapshot import to_json
from nightheron.journal.connect import FILE
from nightheron.journal.draft import Draft
from nightheron.journal.query import entries
from nightheron.journal.store import Store
from nightheron.model import NS, AlarmClass, Gas, JsonValue, Left, Raise, Reason
from nightheron.runtime.alarms import carried
from nightheron.runtime.clock import VirtualClock
from nightheron.runtime.startup import UNWATCHED_OPEN_MOST_S, Before, look_back

from tests.support.loops import Bench
from tests.support.night import limits
from tests.support.old_journals import sealed

LEFT = Left(Gas.CLOSED, Reason.FLOOR, (), False, 10.0, 20.0, False, 30.0)
SINCE = "2026-01-01T01:00:00.000Z"


class Past:
    """A journal of earlier runs, row by row."""

    def __init__(self, directory: Path) -> None:
        self.directory = directory
        self.store = Store(directory, "2026-01-01T00:00:00.000Z")

    def row(self, kind: str, at_s: float, body: dict[str, JsonValue], *, boot: str = "virtual") -> Past:
        utc = f"2026-01-01T01:00:{at_s % 60:06.3f}Z"
        self.store.append([Draft(kind, utc, boot, round(at_s * NS), {"text": "", **body})])
        return self

    def left(self, at_s: float, left: Left) -> Past:
        return self.row("witness", at_s, {"chamber": "west", "left": to_json(left), "since": SINCE})

    def back(self, now_s: float, boot: str = "virtual") -> Before:
        clock = VirtualClock(round(now_s * NS), datetime(2026, 1, 1, 2, tzinfo=UTC), boot)
        return look_back(self.directory / FILE, [limits()], clock)


@pytest.fixture
def past(tmp_path: Path) -> Past:
    return Past(tmp_path)


def test_a_first_start_finds_nothing(past: Past) -> None:
    """Without rows nothing is left, no start counts as unclean, and there is no gap."""
    before = past.back(100)
    assert (before.left, before.since, before.start_ages_s, before.gap) == ((None,), (None,), (), None)


def test_a_closing_goes_on(past: Past) -> None:
    """What was shut keeps its reason and its beginning."""
    before = past.left(100, LEFT).back(200)
    assert before.left == (LEFT,)
    assert before.since == (SINCE,)


def test_open_gas_is_counted_at_least_as_long_as_it_may_have_flowed(past: Past) -> None:
    """After a death with gas open, open time grows by what the last row may not have seen, and one lease."""
    before = past.left(100, replace(LEFT, gas=Gas.OPEN, reason=None)).back(200)
    (left,) = before.left
    assert left is not None
    more_s = UNWATCHED_OPEN_MOST_S + limits().valve.lease_s
    assert (left.unanswered_s, left.opening_s, left.opened_day_s) == (10 + more_s, 20 + more_s, 30 + more_s)
    assert before.since == (None,)


def test_the_gap_is_measured_within_a_boot(past: Past) -> None:
    """Within one boot the unwatched time is exact; across boots it is an estimate and says so."""
    past.row("witness", 100, {})
    gap = past.back(160).gap
    assert gap is not None
    assert (gap["seconds"], gap["estimated"]) == (60.0, False)
    gap = past.back(5, boot="next").gap
    assert gap is not None
    assert gap["estimated"] is True


def test_unclean_starts_age_with_running_time_only(past: Past) -> None:
    """Starts without a stop count for an hour of running; time between boots is none."""
    past.row("start", 1000, {"start_ages_s": [0.0, 100.0]})
    past.row("witness", 1600, {})
    assert past.back(1700).start_ages_s == (0.0, 700.0, 800.0)
    assert past.back(5, boot="next").start_ages_s == (0.0, 600.0, 700.0)
    assert past.back(1000 + 3550).start_ages_s == (0.0, 3550.0)


def test_a_stop_in_good_order_adds_none(past: Past) -> None:
    """A start after a stop is not unclean, and older ones go on counting."""
    past.row("start", 1000, {"start_ages_s": [0.0]}).row("stop", 1100, {})
    before = past.back(1200)
    assert before.clean
    assert before.start_ages_s == (200.0,)


def test_a_release_of_restarts_clears_the_count(past: Past) -> None:
    """Once a person released them, earlier starts count no more."""
    past.row("start", 1000, {"start_ages_s": [0.0, 10.0, 20.0]})
    past.row("act", 1010, {"chamber": "west", "act": "release", "released": ["restarts"]})
    past.row("act", 1020, {"chamber": "west", "act": "close", "released": []})
    assert past.back(1100).start_ages_s == (0.0,)


def raised(desk: Desk, reason: Reason, kind: AlarmClass = AlarmClass.NOTICE) -> Alarm:
    return desk.raised("west", Raise(reason, kind, "no link"), 0, SINCE)[0]


def test_alarms_that_stood_are_carried_with_their_ids(past: Past) -> None:
    """A standing alarm is found again as it was, one that ended is not, and numbers go on."""
    desk = Desk()
    lost, late = raised(desk, Reason.VALVE_LOST), raised(desk, Reason.SERVICE)
    (seen,) = desk.ack(lost, "ana")
    (ended,) = desk.cleared("west", "service", 0)
    for place, alarm in enumerate((lost, late, seen, ended)):
        past.row("alarm", 10 + place, alarm.body())
    before = past.back(20)
    assert [row["id"] for row in before.alarms] == [lost.id]
    again = Desk(before.alarm_number)
    again.carry(carried(before.alarms, VirtualClock()))
    assert again.standing() == (seen,)
    fresh = raised(again, Reason.KEEPER_LOST)
    assert fresh.id == "west-keeper_lost-3"
    same = raised(again, Reason.VALVE_LOST, AlarmClass.WAKE)
    assert (same.id, same.since, same.kind, same.state) == (lost.id, SINCE, "wake", "unacknowledged")


def test_a_carried_alarm_whose_cause_is_gone_ends(past: Past) -> None:
    """After the start, what no longer stands returns, and what stands stays."""
    desk = Desk()
    for reason in (Reason.SERVICE, Reason.VALVE_LOST, Reason.NO_EFFECT):
        past.row("alarm", 10, raised(desk, reason).body())
    again = Desk()
    again.carry(carried(past.back(20).alarms, VirtualClock()))
    ended = again.settle("west", [Reason.NO_EFFECT], 5)
    assert {(one.reason, one.state.value) for one in ended} == {
        ("service", "normal"),
        ("valve_lost", "returned_unacknowledged"),
    }
    assert [one.reason for one in again.standing()] == ["valve_lost", "no_effect"]


def test_what_went_into_an_archive_is_still_known(past: Past) -> None:
    """Standing alarms, their numbers and what was learned outlive the rows that said so, twice over."""
    desk, learned = Desk(), Learned(cycles=3, learned_s=90.0, opened_s=(30.0, 31.0, 32.0))
    for reason in (Reason.NO_EFFECT, Reason.SERVICE):
        past.row("alarm", 10, raised(desk, reason).body())
    past.row("alarm", 11, desk.cleared("west", "service", 0)[0].body())
    past.row("cycle", 12, {"chamber": "west", "cycle": None, "learned": to_json(learned)})
    state = Chamber(limits()).snapshot()
    state["state"] = dict(state["state"]) | {"learned": to_json(learned)}  # type: ignore[arg-type]  # an object
    before = past.left(13, LEFT).back(20)
    for _ in range(2):
        last = past.store.head.seq
        past.row("snapshot", 14, {"chamber": "west", "snapshot": state, "limits": to_json(limits())})
        past.left(15, LEFT)
        assert sealed(past.store, last).refused is None
    after = past.back(20)
    assert [row["kind"] for row in entries(past.store.path)] == ["snapshot", "witness", "seal"]
    assert carried(after.alarms, VirtualClock()) == carried(before.alarms, VirtualClock())
    assert len(after.alarms) == 1
    assert (after.alarm_number, after.learned, after.left) == (2, (learned,), before.left)


@pytest.mark.parametrize(
    ("until", "left_s"),
    [("", 0), ("soon", 0), ("2000-01-01T00:00:00Z", 0), ("2999-01-01T00:00:00Z", 14 * 86400)],
)
def test_a_shelf_from_before_ends_whatever_the_clock_says(past: Past, until: str, left_s: int) -> None:
    """A shelf that is carried over ends at its time, at once when that is past, and in 14 days at most."""
    body = raised(Desk(), Reason.CHAMBER_PH_LOST).body() | {"state": "shelved", "until": until}
    past.row("alarm", 10, body)
    (alarm,) = carried(past.back(20).alarms, VirtualClock())
    assert alarm.until_ns == VirtualClock().now_ns() + left_s * NS


def test_a_journal_that_cannot_be_read_says_nothing(tmp_path: Path) -> None:
    """Garbage in place of the journal is the same as no journal, for what is left."""
    (tmp_path / FILE).write_bytes(b"not a database" * 100)
    before = look_back(tmp_path / FILE, [limits()], VirtualClock())
    assert before.left == (None,)


def test_no_stall_of_the_journal_hides_open_gas() -> None:
    """Gas never flows longer past its last row on disk than a later start counts it."""
    bench = Bench().open_gas()
    rows = len(bench.journal.rows)
    while len(bench.journal.rows) == rows:
        bench.wait(1)
    bench.journal.commits = False
    on_disk = bench.journal.of("witness")[-1]
    while bench.gas("west") is Gas.OPEN:
        bench.wait(1)
    closed = bench.journal.of("decision")[-1]
    assert closed["reason"] == "not_recordable"
    assert (int(str(closed["at_ns"])) - int(str(on_disk["at_ns"]))) / NS <= UNWATCHED_OPEN_MOST_S
