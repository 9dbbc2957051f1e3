"""The service's own loop, recorder and journal on a virtual clock, with a simulated site.

One ``VirtualRun`` is one run of the service, from its start to its stop or its death; the site and the
clock live on between runs, as they do when a process is killed.
"""

from __future__ import annotations

import hashlib
import json
import re

from nightheron_drivers.protocols import Heard

from nightheron.guard.alarm_desk import Desk
from nightheron.journal.store import Store
from nightheron.journal.writer import DirectWriter
from nightheron.model import NS, Act, Acted, JsonValue, Signal
from nightheron.rig.plant import Plant
from nightheron.rig.standing import Faults
from nightheron.runtime.alarms import carried
from nightheron.runtime.clock import VirtualClock, rfc3339
from nightheron.runtime.inbox import ActFor, Inbox, Reply
from nightheron.runtime.journal_link import JournalLink
from nightheron.runtime.loop import TICK_S, Beginning, Loop
from nightheron.runtime.opening_rows import config_row, gap_row, start_row, stop_row
from nightheron.runtime.startup import look_back
from nightheron.runtime.virtual_valves import VirtualKeeper
from nightheron.runtime.wiring import routes
from nightheron.settings.site import ProbePlan, Site

TICK_NS = round(TICK_S * NS)
READING = re.compile(r"-?\d{1,6}(\.\d{1,6})?")


class VirtualSite:
    """A plant with the faults in it. It lives on between runs of the guard, and its leases with it."""

    def __init__(self, plant: Plant) -> None:
        self.plant, self.faults = plant, Faults(plant)

    def step(self) -> None:
        """One tick of valves and water."""
        for bay in self.plant.bays.values():
            bay.valve.step(TICK_S)
        self.plant.step(TICK_S)
        if self.faults.standing:
            self.faults.step()


class VirtualRun:
    """One run of the service over ``site``, whose chambers and probes are those of the plant."""

    def __init__(self, site: Site, clock: VirtualClock, water: VirtualSite) -> None:
        self._clock, self._water = clock, water
        self._probes = [(plan, round(plan.period_s * NS)) for plan in site.probes()]
        limits = site.limits()
        before = look_back(site.data_dir / "journal.db", limits, clock)
        self._inbox = Inbox()
        link = JournalLink(clock, self._inbox)
        self._store = Store(site.data_dir, rfc3339(clock.utc()))
        self._writer = DirectWriter(self._store, link.committed, link.state)
        link.connect(self._writer)
        self._keeper = VirtualKeeper(water.plant, clock.now_ns())
        desk = Desk(before.alarm_number)
        desk.carry(carried(before.alarms, clock))
        self.loop = Loop(
            limits,
            clock,
            self._keeper,
            link,
            routes(site),
            desk=desk,
            inbox=self._inbox,
        )
        effective = _without_place(site.effective())
        digest = hashlib.sha256(json.dumps(effective, sort_keys=True).encode()).hexdigest()
        gap = gap_row(before)
        if gap is not None:
            self.loop.recorder.note("gap", gap)
        self.loop.recorder.note("start", start_row(before, digest, 0, synced=clock.synced()))
        self.loop.recorder.note("config", config_row(effective, digest))
        self.loop.begin(
            Beginning(
                before.left,
                before.since,
                len(before.start_ages_s),
                self._store.journal_new,
                commissioned=False,
                learned=before.learned,
                usual=before.usual,
            )
        )

    def live(self, seconds: float) -> None:
        """Let time pass, tick by tick: water, probes, loop."""
        for _ in range(round(seconds * NS / TICK_NS)):
            now_ns = pass_unwatched(self._clock, self._water)
            for plan, period_ns in self._probes:
                if now_ns % period_ns < TICK_NS:
                    self._hear(plan, now_ns)
            self.loop.step()

    def act(self, chamber: str, act: Act, who: str, why: str = "", for_s: float | None = None) -> None:
        """A person acts at the board; taken at the next step."""
        self._inbox.post(ActFor(chamber, Acted(self._clock.now_ns(), act, who, why, for_s), Reply()))

    def foreign(self, chamber: str, raw: str) -> None:
        """Somebody else orders this chamber's valve open; the keeper answers with a close."""
        self._keeper.foreign(chamber, raw)

    def stop(self, why: str) -> str:
        """End in good order; the journal's head."""
        self.loop.end()
        self.loop.recorder.note("stop", stop_row(why))
        self.loop.recorder.flush(self._clock.now_ns())
        return self.die()

    def die(self) -> str:
        """End as a killed process does: nothing is said and nothing closed but the files."""
        head = self._store.head.hash
        self._store.close()
        self._inbox.close()
        return head

    def _hear(self, plan: ProbePlan, now_ns: int) -> None:
        plant, chamber = self._water.plant, plan.chambers[0]
        if plan.signal is Signal.CHAMBER_PH:
            line = plant.says(chamber, int(plan.id.rsplit("/", 1)[-1]))
        elif plan.signal is Signal.TANK_PH:
            line = plant.tank_says()
        else:
            line = plant.instrument_says(chamber, plan.signal)
        if line is not None and READING.fullmatch(line):
            self._inbox.post(Heard(plan.id, now_ns, float(line), line))
        elif line is not None:
            self._inbox.post(Heard(plan.id, now_ns, None, line, "not_a_number"))


def pass_unwatched(clock: VirtualClock, water: VirtualSite) -> int:
    """One tick in which nobody need be watching; the new time."""
    now_ns = clock.advance(TICK_NS)
    water.step()
    return now_ns


def _without_place(effective: dict[str, JsonValue]) -> dict[str, JsonValue]:
    """The same configuration wherever it lies, so that equal nights have equal journals."""
    site = effective["site"]
    if not isinstance(site, dict):
        raise TypeError("the site's settings are an object")
    return effective | {"site": {key: value for key, value in site.items() if key != "data_dir"}}
