"""The calendar: it asks, and controls nothing."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from nightheron.model import NS
from nightheron.runtime.calendar import LATE_MOST_S, Calendar
from nightheron.runtime.clock import VirtualClock
from nightheron.runtime.inbox import Inbox, SnapshotDue


def calendar(clock: VirtualClock, zone: str = "Europe/Lisbon") -> tuple[Calendar, Inbox]:
    inbox = Inbox()
    return Calendar(inbox, zone, lambda *_a, **_k: None, clock), inbox


@pytest.mark.parametrize(
    "zone", ["Europe/Lisbon", "Asia/Kathmandu", "America/St_Johns", "Australia/Lord_Howe"]
)
def test_each_date_of_the_site_asks_once(zone: str) -> None:
    """Over a year there is one request a local date, at its midnight, over both clock changes."""
    clock = VirtualClock(utc=datetime(2026, 1, 1, 18, tzinfo=UTC))
    made, inbox = calendar(clock, zone)
    dates = []
    for _ in range(365 * 96):
        clock.advance(900 * NS)
        made.look()
        if inbox.take()[1] == [SnapshotDue("midnight")]:
            local = clock.utc().astimezone(ZoneInfo(zone))
            assert local.hour == 0
            dates.append(local.date())
    assert len(set(dates)) == len(dates) == 365
    assert (dates[-1] - dates[0]).days == 364


def test_a_clock_that_is_set_asks_once() -> None:
    """A clock that jumps over many midnights asks for one snapshot, not for each."""
    clock = VirtualClock()
    made, inbox = calendar(clock)
    clock.advance(40 * 86400 * NS)
    made.look()
    made.look()
    assert inbox.take()[1] == [SnapshotDue("midnight")]


def test_late_is_better_than_never() -> None:
    """A missed midnight comes once, hours late, and never piles up."""
    made, _ = calendar(VirtualClock())
    (job,) = made._scheduler.get_jobs()
    made.start()
    (job,) = made._scheduler.get_jobs()
    assert (job.misfire_grace_time, job.coalesce, job.max_instances) == (LATE_MOST_S, True, 1)
    made.stop()
    made.stop()
