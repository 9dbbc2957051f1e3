"""The service's own loop, recorder and journal on a virtual clock, with simulated water.

One ``VirtualRun`` is one run of the service, from its start to its stop or its death; the water, the
valves and the clock live on between runs, as they do when a process is killed.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from nightheron_drivers.protocols import Heard

from nightheron.guard.limits import ChamberLimits
from nightheron.journal.store import Store
from nightheron.journal.writer import DirectWriter
from nightheron.model import NS, Gas, JsonValue, KeeperSaid, Signal, ValveSaid
from nightheron.rig.chamber import SimulatedChamber
from nightheron.runtime.alarms import Alarms
from nightheron.runtime.clock import VirtualClock, rfc3339
from nightheron.runtime.inbox import Inbox
from nightheron.runtime.journal_link import JournalLink
from nightheron.runtime.loop import TICK_S, Beginning, Loop
from nightheron.runtime.opening_rows import config_row, gap_row, start_row, stop_row
from nightheron.runtime.ports import ProbeRoute, ValveEvent
from nightheron.runtime.startup import look_back
from nightheron.settings.site import Site

TICK_NS = round(TICK_S * NS)


@dataclass(slots=True)
class VirtualWater:
    """Each chamber's water and the lease on its valve."""

    chambers: Mapping[str, SimulatedChamber]
    until_ns: dict[str, int] = field(default_factory=dict)

    def gas_open(self, chamber: str, now_ns: int) -> bool:
        """Gas flows only while a lease runs, whoever is there to watch."""
        return now_ns < self.until_ns.get(chamber, 0)

    def step(self, now_ns: int) -> None:
        """One tick of water."""
        for name, chamber in self.chambers.items():
            chamber.step(TICK_S, self.gas_open(name, now_ns))


class VirtualKeeper:
    """The valves of one run: every order is acknowledged at the next step."""

    def __init__(self, water: VirtualWater, names: Sequence[str]) -> None:
        self._water = water
        self._acked: dict[str, Gas] = {}
        self._said: list[tuple[str, ValveEvent]] = [(name, KeeperSaid(0, alive=True)) for name in names]
        for name in names:
            self.close(name)

    def close(self, chamber: str) -> None:
        self._water.until_ns.pop(chamber, None)
        self._acknowledge(chamber, Gas.CLOSED)

    def open_until(self, chamber: str, until_ns: int) -> None:
        self._water.until_ns[chamber] = until_ns
        self._acknowledge(chamber, Gas.OPEN)

    def poll(self, now_ns: int) -> Sequence[tuple[str, ValveEvent]]:
        del now_ns
        said, self._said = self._said, []
        return said

    def filenos(self) -> Sequence[int]:
        return ()

    def _acknowledge(self, chamber: str, gas: Gas) -> None:
        if self._acked.get(chamber) is not gas:
            self._acked[chamber] = gas
            self._said.append((chamber, ValveSaid(0, 0, link=True, acked=gas)))


class VirtualRun:
    """One run of the service over ``site``. One probe a chamber; tanks are not simulated."""

    def __init__(self, site: Site, clock: VirtualClock, water: VirtualWater) -> None:
        self._clock, self._water = clock, water
        self._periods_ns = {plan.id: round(plan.period_s * NS) for plan in site.probes()}
        limits = site.limits()
        before = look_back(site.data_dir / "journal.db", limits, clock)
        self._inbox = Inbox()
        link = JournalLink(clock, self._inbox)
        self._store = Store(site.data_dir, rfc3339(clock.utc()))
        self._writer = DirectWriter(self._store, link.committed, link.state)
        link.connect(self._writer)
        alarms = Alarms(before.alarm_number)
        alarms.carry(before.alarms)
        self.loop = Loop(
            limits,
            clock,
            VirtualKeeper(water, [one.name for one in limits]),
            link,
            _routes(limits),
            alarms=alarms,
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
            Beginning(before.left, before.since, len(before.start_ages_s), self._store.journal_new, False)
        )

    def live(self, seconds: float) -> None:
        """Let time pass, tick by tick: water, probes, loop."""
        for _ in range(round(seconds * NS / TICK_NS)):
            now_ns = pass_unwatched(self._clock, self._water)
            for probe, period_ns in self._periods_ns.items():
                if now_ns % period_ns < TICK_NS:
                    self._hear(probe, now_ns)
            self.loop.step()

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

    def _hear(self, probe: str, now_ns: int) -> None:
        line = self._water.chambers[probe.split("/")[1]].probe_reads()
        if line is not None:
            self._inbox.post(Heard(probe, now_ns, float(line), line))


def pass_unwatched(clock: VirtualClock, water: VirtualWater) -> int:
    """One tick in which nobody need be watching; the new time."""
    now_ns = clock.advance(TICK_NS)
    water.step(now_ns)
    return now_ns


def _routes(limits: Sequence[ChamberLimits]) -> dict[str, ProbeRoute]:
    return {
        f"chamber/{one.name}/0": ProbeRoute((place,), Signal.CHAMBER_PH, 0)
        for place, one in enumerate(limits)
    }


def _without_place(effective: dict[str, JsonValue]) -> dict[str, JsonValue]:
    """The same configuration wherever it lies, so that equal nights have equal journals."""
    site = effective["site"]
    if not isinstance(site, dict):
        raise TypeError("the site's settings are an object")
    return effective | {"site": {key: value for key, value in site.items() if key != "data_dir"}}
