"""The calendar: it queues what is due by the wall clock, and controls nothing.

Runs that were missed (a clock that was set, a busy board) come once and late rather than never. A cron
trigger in a zone of its own skips a midnight in some zones when their clocks change, so the job looks
at the site's date each quarter of an hour and acts when it is a new one: once a date, whatever clocks do.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, time
from typing import Any
from zoneinfo import ZoneInfo

from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_MAX_INSTANCES, EVENT_JOB_MISSED  # type: ignore[import-untyped]  # ships no types
from apscheduler.schedulers.background import BackgroundScheduler  # type: ignore[import-untyped]  # ships no types
from apscheduler.triggers.cron import CronTrigger  # type: ignore[import-untyped]  # ships no types

from nightheron.runtime.clock import ClockPort
from nightheron.runtime.inbox import DigestDue, Inbox, SnapshotDue

LATE_MOST_S = 12 * 3600


class Calendar:
    """Asks for a snapshot of every chamber at midnight of the site's own zone, and for the digest.

    ``digest_at`` is a time of day of that zone, None for no digest; ``digested`` the date of the last one,
    None when there never was one: then the first is the next morning's. ``new_date`` is called on each.
    """

    def __init__(
        self,
        inbox: Inbox,
        timezone: str,
        say: Callable[..., Any],
        clock: ClockPort,
        digest_at: str | None = None,
        digested: str | None = None,
        new_date: Callable[[], None] = lambda: None,
    ) -> None:
        self._inbox, self._say, self._clock = inbox, say, clock
        self._zone, self._new_date = ZoneInfo(timezone), new_date
        self._date = self._today()
        self._digest_at = None if digest_at is None else time.fromisoformat(digest_at)
        self._digested = digested
        if digested is None and self._digest_is_due():
            self._digested = self._date.isoformat()
        minutes = sorted({0, 15, 30, 45} | ({self._digest_at.minute} if self._digest_at else set()))
        self._scheduler = BackgroundScheduler(
            timezone=UTC,
            daemon=True,
            job_defaults={"misfire_grace_time": LATE_MOST_S, "coalesce": True, "max_instances": 1},
        )
        self._scheduler.add_listener(
            self._trouble, EVENT_JOB_MISSED | EVENT_JOB_ERROR | EVENT_JOB_MAX_INSTANCES
        )
        self._scheduler.add_job(
            self.look,
            CronTrigger(minute=",".join(map(str, minutes)), timezone=UTC),
            id="midnight",
            replace_existing=True,
        )

    def start(self) -> None:
        """Begin to wait, in a thread of its own."""
        self._scheduler.start()

    def stop(self) -> None:
        """Stop without waiting for anything."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)

    def look(self) -> None:
        """Ask for snapshots when the site's date is another than at the last look."""
        today = self._today()
        if today != self._date:
            self._date = today
            self._inbox.post(SnapshotDue("midnight"))
            self._new_date()
        if self._digest_is_due():
            self._digested = today.isoformat()
            self._inbox.post(DigestDue(self._digested))

    def _digest_is_due(self) -> bool:
        """Its time of this date has come, and it was not asked for: once a date, whatever clocks do."""
        if self._digest_at is None or self._digested == self._today().isoformat():
            return False
        return self._clock.utc().astimezone(self._zone).time() >= self._digest_at

    def _today(self) -> date:
        return self._clock.utc().astimezone(self._zone).date()

    def _trouble(self, event: Any) -> None:
        self._say("calendar_trouble", job=getattr(event, "job_id", "?"), code=event.code)
