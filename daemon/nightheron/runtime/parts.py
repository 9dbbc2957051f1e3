"""Everything the guard consists of beside its keepers: made, started, watched, and taken down."""

from __future__ import annotations

import os
import sys
from datetime import timedelta
from pathlib import Path
from typing import Any

from nightheron.guard.alarm_desk import Desk
from nightheron.guard.alarm_states import UNSEEN
from nightheron.journal.connect import FILE
from nightheron.journal.keeping import Keeping
from nightheron.journal.store import Store, Unavailable
from nightheron.journal.writer import Writer
from nightheron.model import Gas, JsonValue
from nightheron.runtime import opening_rows, push_wiring
from nightheron.runtime.alarms import carried
from nightheron.runtime.calendar import Calendar
from nightheron.runtime.clock import ClockPort, rfc3339
from nightheron.runtime.control import Control
from nightheron.runtime.couriers import Couriers
from nightheron.runtime.errors import CannotStart
from nightheron.runtime.housekeeping import Housekeeping, stamp
from nightheron.runtime.inbox import AlarmAct, CourierDone, Inbox, Reply
from nightheron.runtime.journal_link import JournalLink
from nightheron.runtime.logs import LineWriter, Log, make_log
from nightheron.runtime.loop import Beginning, Loop
from nightheron.runtime.news import News
from nightheron.runtime.ports import NoNews
from nightheron.runtime.startup import look_back
from nightheron.runtime.status import site_status
from nightheron.runtime.valve_port import ValvePort
from nightheron.runtime.wiring import routes, runners
from nightheron.settings import warnings
from nightheron.settings.site import Site

JOURNAL_END_S = 3.0
OPENING_END_S = 1.0
TELEMETRY_END_S = 1.0
LOG_END_S = 1.0
CLOSES_END_S = 1.5


class Parts:
    """Made in the main thread after the keepers were started. Raises CannotStart without a journal."""

    def __init__(self, site: Site, clock: ClockPort, inbox: Inbox, keepers: ValvePort) -> None:
        self._site, self._clock, self._keepers = site, clock, keepers
        self._lines = LineWriter(sys.stderr)
        self.log: Log = make_log(self._lines, terminal=sys.stderr.isatty(), secrets=_secrets(site))
        self._limits = site.limits()
        link = JournalLink(clock, inbox)
        self._store = _open_journal(site.data_dir, clock)
        keeping = Keeping(self._store, stamp(clock))
        self._writer = Writer(self._store, link.committed, link.state, chore=keeping.work)
        self._housekeeping = Housekeeping(keeping, site.keep_days, clock, self._writer.nudge)
        link.connect(self._writer)
        self._before = look_back(site.data_dir / FILE, self._limits, clock)
        self._telemetry = self._make_telemetry()
        self._couriers = Couriers(lambda label, why: inbox.post(CourierDone(label, why)))
        self._pushing = push_wiring.pushing(site, self._couriers, clock, self._head)
        desk = Desk(self._before.alarm_number)
        desk.carry(carried(self._before.alarms, clock))
        self.loop = Loop(
            self._limits,
            clock,
            keepers,
            link,
            routes(site),
            news=News(self.log, self._telemetry or NoNews()),
            desk=desk,
            pushing=self._pushing,
            heartbeat=push_wiring.heartbeat(site, self._couriers),
            inbox=inbox,
        )
        self._control = Control(site.data_dir, inbox, self.status, clock, self._housekeeping.seal)
        self._runners = runners(site, inbox, self.log.warning)
        self._calendar = Calendar(
            inbox,
            site.timezone,
            self.log.warning,
            clock,
            site.alerts.digest_at if self._pushing else None,
            push_wiring.last_digest(site.data_dir / FILE),
            self._housekeeping.day,
        )

    def start(self) -> None:
        """Write the first rows, start every thread, and let the chambers begin."""
        self._writer.start()
        self._write_opening()
        # A start that dies at once must count too. Gas is shut, so this may wait a little.
        self.loop.recorder.flush(self._clock.now_ns())
        self._writer.settle(OPENING_END_S)
        if self._pushing is not None:
            self._pushing.restore(self._store.outbox(), self._clock.now_ns())
        before = self._before
        self.loop.begin(
            Beginning(
                left=before.left,
                since=before.since,
                unclean_starts=len(before.start_ages_s),
                journal_new=self._store.journal_new,
                commissioned=False,
                learned=before.learned,
                usual=before.usual,
            )
        )
        self._control.start()
        if self._telemetry is not None:
            self._telemetry.start()
        for runner in self._runners:
            runner.start()
        self._calendar.start()
        self._housekeeping.day()
        for caution in warnings(self._site):
            self.log.warning("caution", key=caution.key, why=caution.why)

    def status(self) -> dict[str, JsonValue]:
        """``status --json``, from what the loop left to be seen; called by the control thread."""
        seen = self._head()
        return site_status(
            self._site.name, self._site.timezone, self.loop.view, self._limits, seen, self._when
        )

    def _head(self) -> tuple[int, str] | None:
        """Number and hash of the newest row on disk."""
        head = self._store.head
        return (head.seq, head.hash) if head.seq else None

    def _when(self, at_ns: int) -> str:
        """Wall time of a moment of this boot, to be shown."""
        away = timedelta(microseconds=(at_ns - self._clock.now_ns()) // 1000)
        return rfc3339(self._clock.utc() + away)

    def summary(self) -> str:
        """For ``systemctl status``."""
        decisions = self.loop.view.decisions
        opened = sum(1 for one in decisions if one.gas is Gas.OPEN)
        return f"{len(decisions)} chambers, gas open in {opened}, {len(self.loop.view.alarms)} alarms"

    def dead(self) -> str:
        """An essential thread that has ended; empty when all live."""
        if not self._writer.alive:
            return "the journal's thread"
        return "" if self._control.alive else "the control socket's thread"

    def finish(self, why: str) -> None:
        """A stop in good order: close, write it down, flush, each with a deadline."""
        self.loop.end()
        self._keepers.close_all()
        # The row of a stop says whether the valves took it, so it waits for them, with a deadline.
        unsure = self._let_keepers_go()
        self.loop.recorder.note("stop", opening_rows.stop_row(why, unsure))
        self.loop.recorder.flush(self._clock.now_ns())
        say = self.log.error if unsure else self.log.info
        say(f"stopped; {opening_rows.close_text(unsure)}", why=why)
        self._take_down()

    def abandon(self) -> None:
        """After a fault: gas was closed by the caller; save what can be saved."""
        self._let_keepers_go()
        self._take_down()

    def _let_keepers_go(self) -> list[str]:
        """End them; the chambers of which nobody knows that the valve took the close."""
        unsure = self._keepers.end(CLOSES_END_S)
        if unsure:
            self.log.warning("a valve did not acknowledge the close", valves=unsure)
        names = {valve.partition("/")[0] for valve in unsure}
        known = zip(self._limits, self.loop.view.decisions, strict=True)
        return [
            one.name
            for one, decision in known
            if one.name in names and not (decision.gas is Gas.CLOSED and decision.delivered)
        ]

    def _take_down(self) -> None:
        self._calendar.stop()
        self._couriers.stop()
        for runner in self._runners:
            runner.stop()
        self._control.stop()
        if not self._writer.stop(JOURNAL_END_S):
            self.log.error("rows were left unwritten", rows=self._writer.waiting)
        if self._telemetry is not None:
            self._telemetry.stop(TELEMETRY_END_S)
        self._lines.stop(LOG_END_S)

    def _write_opening(self) -> None:
        note, sha = self.loop.recorder.note, self._site.fingerprint()
        gap = opening_rows.gap_row(self._before)
        if gap is not None:
            note("gap", gap)
        note("start", opening_rows.start_row(self._before, sha, os.getpid(), synced=self._clock.synced()))
        note("config", opening_rows.config_row(self._site.effective(), sha))

    def _make_telemetry(self) -> Any:
        mqtt = self._site.mqtt
        if mqtt is None or not mqtt.publish:
            return None
        from nightheron.runtime.telemetry import Telemetry

        return Telemetry(
            mqtt.broker,
            mqtt.prefix,
            self._site.name,
            self._limits,
            lambda: self.loop.view.since,
            self.log.warning,
            self._when,
            self._seen_by_answer,
        )

    def _seen_by_answer(self, name: str) -> None:
        """Somebody on the broker has seen an alarm. What is no unseen alarm's id costs nothing."""
        alarm = next((one for one in self.loop.view.alarms if one.id == name), None)
        if alarm is not None and alarm.state in UNSEEN:
            self.loop.inbox.post(AlarmAct("ack", (name,), "an answer over MQTT", Reply()))


def _open_journal(data_dir: Path, clock: ClockPort) -> Store:
    try:
        return Store(data_dir, rfc3339(clock.utc()))
    except Unavailable as fault:
        raise CannotStart(f"The journal cannot be used: {fault}. Gas stays shut.") from None


def _secrets(site: Site) -> list[str]:
    found = [site.mqtt.broker.password or ""] if site.mqtt else []
    return [one for one in [*found, *site.alerts.secrets()] if one]
