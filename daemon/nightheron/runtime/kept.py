"""A watcher that keeps a played chamber's events in a real journal, as the service keeps its own."""

from __future__ import annotations

import hashlib
import json
from datetime import UTC, datetime

from nightheron.guard.alarm_desk import Desk
from nightheron.guard.chamber import Chamber
from nightheron.journal.pack import pack
from nightheron.journal.store import Store
from nightheron.journal.writer import DirectWriter
from nightheron.model import (
    Acted,
    Clear,
    CycleOver,
    Effect,
    Event,
    Observed,
    Raise,
    Reason,
    Record,
    Refused,
    Started,
    Ticked,
    UsualNow,
)
from nightheron.rig.plant import Bay
from nightheron.rig.played import Played
from nightheron.runtime.alarms import carried
from nightheron.runtime.clock import VirtualClock, rfc3339
from nightheron.runtime.inbox import Inbox, RowsCommitted
from nightheron.runtime.journal_link import JournalLink
from nightheron.runtime.opening_rows import config_row, gap_row, start_row
from nightheron.runtime.ports import NoNews
from nightheron.runtime.recorder import Recorder, act_text
from nightheron.runtime.startup import look_back
from nightheron.runtime.telling import Telling
from nightheron.settings.site import Site

BEGINS = datetime(2026, 3, 14, 21, 0, tzinfo=UTC)
BOOT = "played-boot"


class Kept:
    """Let it ``follow`` a player before that lives, give it to it as a watcher, and ``end`` it after."""

    def __init__(self, site: Site) -> None:
        self._site, self._limits = site, site.limits()
        self._clock = VirtualClock(0, BEGINS, BOOT)
        self._inbox = Inbox()
        self._link = JournalLink(self._clock, self._inbox)
        self._store: Store | None = None
        self._chambers: list[Chamber] = []
        self._recorder: Recorder | None = None
        self._telling: Telling | None = None
        self._starting = True
        self.played: Played | None = None

    def follow(self, played: Played) -> Kept:
        """The night is this player's; one that lives already goes on from a snapshot."""
        self.played = played
        self._clock = VirtualClock(played.now_ns, BEGINS, BOOT)
        self._link = JournalLink(self._clock, self._inbox)
        self._store = Store(self._site.data_dir, rfc3339(self._clock.utc()))
        self._link.connect(DirectWriter(self._store, self._link.committed, self._link.state))
        if played.core is not None:
            self._begin(played.core, "the night begins")
        return self

    def see(self, event: Event, effects: tuple[Effect, ...]) -> None:
        """One evaluation, and its rows."""
        self._clock.advance(max(0, event.at_ns - self._clock.now_ns()))
        if isinstance(event, Started):
            self._begin(Chamber(self._limits[0]), "start")
        recorder, telling, played = self._recorder, self._telling, self.played
        if recorder is None or telling is None or played is None or played.core is None:
            return
        self._chambers[0] = played.core
        recorder.fed(0, event)
        now_ns, name = self._clock.now_ns(), self._limits[0].name
        if isinstance(event, Acted):
            self._act(event, effects)
        for effect in effects:
            if isinstance(effect, Record):
                recorder.decided(0, effect)
            elif isinstance(effect, Raise | Clear):
                telling.effect(name, effect, now_ns)
            elif isinstance(effect, CycleOver | UsualNow):
                recorder.learned(0, effect)
        reasons = played.core.decision.reasons
        if self._starting and Reason.STARTING not in reasons:
            self._starting = False
            telling.settle(name, reasons, now_ns)
        if isinstance(event, Ticked | Observed):
            recorder.witness_due(now_ns)
            telling.ticked(now_ns, [played.core.decision], journal_well=True)
        self._flush()

    def water(self, now_ns: int, bay: Bay) -> None:
        """A journal knows nothing of the water."""

    def died(self, now_ns: int) -> None:
        """What was not on disk is lost with the process."""

    def end(self) -> None:
        """The night is over; every count gets its row."""
        if self._recorder is not None:
            self._recorder.last()
            self._flush()
        if self._store is not None:
            self._store.close()
        self._inbox.close()

    def _begin(self, chamber: Chamber, why: str) -> None:
        before = look_back(self._site.data_dir / "journal.db", self._limits, self._clock)
        self._chambers = [chamber]
        self._recorder = recorder = Recorder(self._chambers, self._clock, self._link, NoNews(), pack)
        desk = Desk(before.alarm_number)
        desk.carry(carried(before.alarms, self._clock))
        self._telling = Telling(self._clock, recorder, NoNews(), desk)
        effective = self._site.effective()
        digest = hashlib.sha256(json.dumps(effective, sort_keys=True).encode()).hexdigest()
        gap = gap_row(before)
        if gap is not None:
            recorder.note("gap", gap)
        recorder.note("start", start_row(before, digest, 0, synced=self._clock.synced()))
        recorder.note("config", config_row(effective, digest))
        recorder.begin(self._clock.now_ns(), before.since)
        recorder.snapshot(0, why)
        self._telling.begin([self._limits[0].name], self._clock.now_ns())
        self._starting = True
        self._flush()

    def _act(self, event: Acted, effects: tuple[Effect, ...]) -> None:
        refused = next((effect.why for effect in effects if isinstance(effect, Refused)), None)
        if self._recorder is not None:
            self._recorder.note(
                "act",
                {
                    "chamber": self._limits[0].name,
                    "act": event.act.value,
                    "who": event.who,
                    "why": event.why,
                    "for_s": event.for_s,
                    "work": event.work.value if event.work else None,
                    "refused": refused,
                    "text": act_text(event, refused),
                },
            )

    def _flush(self) -> None:
        if self._recorder is None:
            return
        self._recorder.flush(self._clock.now_ns())
        for item in self._inbox.take()[1]:
            if isinstance(item, RowsCommitted):
                self._recorder.committed(item.tokens)
