"""The morning's digest: once a date, whatever clocks do, and it comes even when it cannot be composed."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from nightheron.model import NS, JsonValue
from nightheron.runtime.calendar import Calendar
from nightheron.runtime.clock import VirtualClock
from nightheron.runtime.inbox import DigestDue, Inbox
from nightheron.runtime.push_wiring import last_digest

from tests.support.journals import filled
from tests.support.pushes import PHONE, TellingBench

LISBON = ZoneInfo("Europe/Lisbon")


def days_asked(zone: str, at: str, begin: datetime, days: int) -> list[datetime]:
    """The local times at which a digest was asked for, looking each quarter of an hour."""
    clock, inbox = VirtualClock(utc=begin), Inbox()
    made = Calendar(inbox, zone, lambda *_a, **_k: None, clock, at)
    found = []
    for _ in range(days * 96):
        clock.advance(900 * NS)
        made.look()
        if any(isinstance(one, DigestDue) for one in inbox.take()[1]):
            found.append(clock.utc().astimezone(ZoneInfo(zone)))
    return found


@pytest.mark.parametrize("zone", ["Europe/Lisbon", "America/St_Johns", "Australia/Lord_Howe"])
@pytest.mark.parametrize("at", ["07:30", "02:30", "01:30", "00:00"])
def test_there_is_one_digest_a_date_over_both_clock_changes(zone: str, at: str) -> None:
    """In a year of mornings each date has one, never before its time of day, an hour late at most."""
    asked = days_asked(zone, at, datetime(2026, 1, 1, 18, tzinfo=UTC), 365)
    assert len({one.date() for one in asked}) == len(asked) >= 364
    hour, minute = (int(part) for part in at.split(":"))
    late = [60 * one.hour + one.minute - 60 * hour - minute for one in asked]
    assert 0 <= min(late) <= max(late) <= 60


def test_a_start_in_the_afternoon_sends_none() -> None:
    """The first digest of a new site is the next morning's; a missed one of an old site comes late."""
    clock, inbox = VirtualClock(utc=datetime(2026, 5, 1, 15, tzinfo=UTC)), Inbox()
    fresh = Calendar(inbox, "Europe/Lisbon", lambda *_a, **_k: None, clock, "07:30")
    fresh.look()
    assert inbox.take()[1] == []
    old = Calendar(inbox, "Europe/Lisbon", lambda *_a, **_k: None, clock, "07:30", "2026-04-30")
    old.look()
    old.look()
    assert inbox.take()[1] == [DigestDue("2026-05-01")]


def test_a_digest_is_pushed_and_one_that_fails_says_so() -> None:
    """What the child composed goes out under the date's id; nothing from it is told as no digest."""
    bench = TellingBench().wait(1)
    bench.inbox.post(DigestDue("2026-05-01"))
    bench.wait(2)
    bench.service.digest_says = b""
    bench.inbox.post(DigestDue("2026-05-02"))
    bench.wait(2)
    assert bench.service.titles() == [
        "north: quiet night; nothing to do today.",
        "NO DIGEST of this night could be composed; look at it.",
    ]
    assert {to for to, _, _ in bench.service.got} == {PHONE.label}
    assert bench.states() == [
        (f"digest-2026-05-0{day}", state) for day in (1, 2) for state in ("queued", "accepted")
    ]


def test_a_digest_that_nobody_took_gives_way_to_the_next() -> None:
    """Two mornings of a dead service leave one digest waiting, the newest, and a row for the other."""
    bench = TellingBench().wait(1)
    bench.service.why_not = "no"
    for day in (1, 2):
        bench.inbox.post(DigestDue(f"2026-05-0{day}"))
        bench.wait(2)
    assert ("digest-2026-05-01", "given_up") in bench.states()
    assert list(bench.journal.outbox) == [f"digest-2026-05-02@{PHONE.label}"]


def of_site(bench: TellingBench) -> list[dict[str, JsonValue]]:
    """Alarms of the site as a whole; the bench's water never answers the gas, which is another alarm."""
    return [row for row in bench.journal.of("alarm") if row["chamber"] == "site"]


def test_a_digest_that_is_not_taken_for_an_hour_is_an_alarm() -> None:
    """The way to people is broken: that is an alarm itself, until the digest was taken."""
    bench = TellingBench().wait(1)
    bench.service.why_not = "no"
    bench.inbox.post(DigestDue("2026-05-01"))
    bench.wait(3500)
    assert of_site(bench) == []
    bench.wait(200)
    (alarm,) = of_site(bench)
    assert str(alarm["id"]).startswith("site-digest_not_taken-")
    assert (alarm["class"], alarm["state"]) == ("notice", "unacknowledged")
    bench.service.why_not = ""
    bench.wait(1500)
    assert [row["state"] for row in of_site(bench)] == ["unacknowledged", "normal"]
    assert "digest-2026-05-01" in {name for name, state in bench.states() if state == "accepted"}


def composed(path: Path, **asked: str) -> dict[str, str]:
    job = {"path": str(path), "zone": "Europe/Lisbon", "site": "north", **asked}
    done = subprocess.run(
        [sys.executable, "-m", "nightheron.runtime.digest"],
        input=json.dumps(job) + "\n",
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    found: dict[str, str] = json.loads(done.stdout)
    return found


DAY = {"since": "2026-03-01T12:00:00.000Z", "until": "2026-03-02T12:00:00.000Z"}


def test_the_digest_says_whether_the_journal_is_whole(tmp_path: Path) -> None:
    """Each morning the chain is looked over, and a damaged one is the first thing to do."""
    path = filled(tmp_path)
    assert "rows, whole." in composed(path, **DAY)["lines"]
    path.write_bytes(b"not a database" * 100)
    broken = composed(path, **DAY)
    assert "NO DIGEST" in broken["title"]
    assert "nightheron verify" in broken["lines"]


def test_the_last_digest_is_found_in_the_journal(tmp_path: Path) -> None:
    """A journal without one, or none at all, has no last digest."""
    assert last_digest(filled(tmp_path)) is None
    assert last_digest(tmp_path / "gone.db") is None
