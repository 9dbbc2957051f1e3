"""What a start makes of the run before."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from nightheron.guard.snapshot import to_json
from nightheron.journal.connect import FILE
from nightheron.journal.draft import Draft
from nightheron.journal.store import Store
from nightheron.model import NS, AlarmClass, Clear, Gas, JsonValue, Left, Raise, Reason
from nightheron.runtime.alarms import Alarms
from nightheron.runtime.clock import VirtualClock
from nightheron.runtime.startup import UNWATCHED_OPEN_MOST_S, Before, look_back

from tests.support.loops import Bench
from tests.support.night import limits

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


def test_alarms_that_stood_are_carried_with_their_ids(past: Past) -> None:
    """A standing alarm is found again, one that ended is not, and numbers go on."""
    alarms = Alarms()
    lost = alarms.raised("west", Raise(Reason.VALVE_LOST, AlarmClass.NOTICE, "no link"), SINCE)
    late = alarms.raised("west", Raise(Reason.GUARD_LATE, AlarmClass.NOTICE, "late"), SINCE)
    past.row("alarm", 10, lost.body()).row("alarm", 11, late.body())
    ended = alarms.cleared("west", Clear(Reason.GUARD_LATE))
    assert ended is not None
    past.row("alarm", 12, ended.body())
    before = past.back(20)
    assert [row["id"] for row in before.alarms] == [lost.id]
    again = Alarms(before.alarm_number)
    again.carry(before.alarms)
    assert again.standing() == (lost,)
    fresh = again.raised("west", Raise(Reason.KEEPER_LOST, AlarmClass.NOTICE, "gone"), SINCE)
    assert fresh.id == "west-keeper_lost-3"
    same = again.raised(
        "west", Raise(Reason.VALVE_LOST, AlarmClass.WAKE, "still"), "2026-01-01T09:00:00.000Z"
    )
    assert (same.id, same.since, same.kind) == (lost.id, SINCE, "wake")


def test_a_carried_alarm_whose_cause_is_gone_ends(past: Past) -> None:
    """After the start, what no longer stands returns to normal, and what stands stays."""
    alarms = Alarms()
    for reason in (Reason.VALVE_LOST, Reason.NO_EFFECT):
        past.row("alarm", 10, alarms.raised("west", Raise(reason, AlarmClass.NOTICE, ""), SINCE).body())
    again = Alarms()
    again.carry(past.back(20).alarms)
    ended = again.settle("west", [Reason.NO_EFFECT])
    assert [(one.reason, one.state) for one in ended] == [("valve_lost", "normal")]
    assert [one.reason for one in again.standing()] == ["no_effect"]


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
