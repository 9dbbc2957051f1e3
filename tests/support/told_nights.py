"""Nights on the plant from evening to morning, with the people of the site at the other end of the line.

The guard's core holds the water, and what it finds goes the whole way that the service has for it: desk,
outbox, rows, courier. Only the push service and the journal are in memory, and time is moved by hand.

    python -m tests.support.told_nights [PACE_S]      thirty sites at that pace, and what each was told
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from datetime import UTC, datetime

from nightheron.guard.limits import TankLimits
from nightheron.journal.pack import pack
from nightheron.model import NS, Clear, Raise
from nightheron.notify.outbox import Outbox
from nightheron.rig.nights import CHAMBER, site
from nightheron.rig.plant import Plant
from nightheron.runtime.clock import VirtualClock
from nightheron.runtime.inbox import CourierDone, DigestDue, DigestReady, Inbox, RowsCommitted
from nightheron.runtime.ports import NoNews
from nightheron.runtime.pushing import Pushing
from nightheron.runtime.recorder import Recorder
from nightheron.runtime.telling import Telling

from tests.support.loops import FakeJournal
from tests.support.night import PROBE, TANK
from tests.support.nights import HEALTHY, Guarded
from tests.support.pushes import ANA, PHONE, RUI, Service

EVENING = datetime(2026, 3, 14, 22, 0, tzinfo=UTC)
HOURS = 9
"""From ten in the evening to seven in the morning, when the digest is due."""
DELAY_S = 60.0


class ToldNight:
    """A healthy site of that number at ten in the evening; ``pace_s`` seconds a step, reading and tick."""

    def __init__(self, number: int, pace_s: int = 1, tank: TankLimits | None = TANK) -> None:
        self.pace_s = pace_s
        probes = (replace(PROBE, period_s=float(pace_s)),)
        self.guarded = Guarded(
            evening(number, pace_s), pace_s=pace_s, alarm_delay_s=DELAY_S, tank=tank, probes=probes
        )
        night = self.guarded.night
        self.clock = VirtualClock(night.now_ns, EVENING)
        self.inbox = Inbox()
        self.service, self.journal = Service(self.inbox), FakeJournal(self.inbox)
        self.recorder = Recorder([], self.clock, self.journal, NoNews(), pack)
        pushing = Pushing(Outbox([PHONE], [[RUI], [ANA]]), self.service, self.clock, lambda: None)
        self.telling = Telling(self.clock, self.recorder, NoNews(), pushing=pushing)
        self._seen = 0

    def lives(self, seconds: int) -> ToldNight:
        """Let time pass; every alarm of the core is told as the service tells it."""
        night = self.guarded.night
        for _ in range(0, seconds, self.pace_s):
            self.guarded.lives(self.pace_s)
            self.clock.advance(self.pace_s * NS)
            for _, effect in night.effects[self._seen :]:
                if isinstance(effect, Raise | Clear):
                    self.telling.effect(night.limits.name, effect, night.now_ns)
            self._seen = len(night.effects)
            self._turn()
        return self

    def until_morning(self) -> ToldNight:
        """Live to the end of the night, then the digest is due."""
        left_s = HOURS * 3600 - (self.clock.utc() - EVENING).total_seconds()
        self.lives(round(left_s))
        self.telling.digest_due(DigestDue("2026-03-15"), self.inbox)
        return self.lives(30)

    def about(self) -> list[str]:
        """What each push that the service took was about."""
        return [str(row["about"]) for row in self.journal.of("delivery") if row["state"] == "accepted"]

    def _turn(self) -> None:
        """One turn of the service's loop, as far as telling goes."""
        now_ns = self.guarded.night.now_ns
        self.recorder.flush(now_ns)
        _, others = self.inbox.take()
        for item in others:
            if isinstance(item, RowsCommitted):
                self.recorder.committed(item.tokens)
            elif isinstance(item, CourierDone):
                self.telling.courier_done(item, now_ns)
            elif isinstance(item, DigestReady):
                self.telling.digest_ready(item, now_ns)
        self.telling.ticked(now_ns, (self.guarded.night.chamber.decision,), journal_well=True)
        self.recorder.flush(now_ns)


def evening(number: int, step_s: float) -> Plant:
    """The healthy site of that number, its own probe in it, at ten in the evening."""
    plain = site(number)
    build = replace(plain.build, begins_s=EVENING.hour * 3600.0, step_s=float(step_s))
    plant = Plant(build, seed=number)
    plant.bays[CHAMBER].probe.bad = plain.bays[CHAMBER].probe.bad
    return plant


def main(words: list[str]) -> int:
    """Print a line for each site; 1 when anything but a digest was pushed."""
    pace_s = int(words[0]) if words else 1
    loud = 0
    for number in HEALTHY:
        began_s = time.process_time()
        night = ToldNight(number, pace_s).until_morning()
        spent_s = time.process_time() - began_s
        loud += night.about() != ["digest"] or night.service.tries != 1
        watched, core = night.guarded.watched, night.guarded
        reasons, alarms = (sorted(one.value for one in some) for some in (core.reasons, core.alarms()))
        print(
            f"site {number}: told {night.about()}, alarms {alarms}, open {watched.open_s / 3600:.2f} h, "
            f"pH {watched.lowest_ph:.2f} to {watched.highest_ph:.2f}, {reasons}, {spent_s:.1f} s of CPU",
            flush=True,
        )
    return 1 if loud else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
