"""The guard's side of the keepers: one process a bus, and one spare that takes over from any of them.

Nothing here blocks but ``end``. Use it from the main thread only: a keeper is told of the death of the
thread that started it. The guard asks every keeper something at least every quarter of its shortest
lease; one that does not answer in time is killed and the spare takes over, which closes first.
"""

from __future__ import annotations

import select
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Protocol

from nightheron_drivers.protocols import Said

from nightheron.model import NS, Gas, KeeperSaid
from nightheron.runtime.keeper_link import ENDED, KeeperProcess
from nightheron.runtime.keeper_plans import BusPlan

TAKE_S = 2.0
"""How long a new keeper may take to close everything and say so."""
SPARE_S = 20.0
"""How long a spare may take to import what it needs."""
LEAST_WAIT_S, MOST_WAIT_S, CALM_S = 0.1, 5.0, 30.0

News = tuple[str, Said | KeeperSaid]
"""A valve's id, and what was said by it or of the process that holds it."""


class HasNow(Protocol):
    """A clock as far as it is needed here."""

    def now_ns(self) -> int:
        """CLOCK_BOOTTIME, ns."""
        ...


@dataclass(slots=True)
class _Bus:
    plan: BusPlan
    ids: tuple[str, ...]
    lease_s: float
    until_ns: list[int | None]
    """The order that stands on each valve: open until then, or closed."""
    keeper: KeeperProcess | None = None
    alive: bool = False
    address: str | None = None
    asked_ns: int = 0
    linked: set[int] = field(default_factory=set)
    shut: set[int] = field(default_factory=set)
    expired: set[int] = field(default_factory=set)
    """Valves that the keeper shut by itself, when the last lease we gave had run out."""

    @property
    def patience_ns(self) -> int:
        return int((max(0.5, self.lease_s / 4) if self.alive else TAKE_S) * NS)


class Keepers:
    """``broker_resolver(host)`` gives an address or None, at once; ``own`` marks this run's orders."""

    def __init__(
        self,
        plans: Mapping[str, BusPlan],
        broker_resolver: Callable[[str], str | None],
        own: str,
        clock: HasNow,
    ) -> None:
        self._resolve, self._own, self._clock = broker_resolver, own, clock
        self._buses = {
            name: _Bus(
                plan,
                tuple(p["id"] for p in plan.plans),
                min(float(p["lease_s"]) for p in plan.plans),
                [None] * len(plan.plans),
            )
            for name, plan in plans.items()
        }
        self._where = {id_: (bus, i) for bus in self._buses.values() for i, id_ in enumerate(bus.ids)}
        self._modules = sorted({plan.holder.partition(":")[0] for plan in plans.values()})
        self._spare: KeeperProcess | None = None
        self._dying: list[KeeperProcess] = []
        self._wait_s = LEAST_WAIT_S
        self._spawn_ns = 0
        self._lost_ns = 0
        self._known: list[News] = []
        self._ending = False
        self.tick(clock.now_ns())

    # ---- what the loop calls ----

    def filenos(self) -> list[int]:
        """Descriptors that are readable when ``on_ready`` has something to do."""
        processes = [bus.keeper for bus in self._buses.values()] + [self._spare]
        return [fd for p in processes if p is not None and (fd := p.fileno()) is not None]

    @property
    def all_hold(self) -> bool:
        """Every bus has a keeper that has ordered its valves shut."""
        return all(bus.alive for bus in self._buses.values())

    def open_until(self, valve_id: str, until_ns: int, now_ns: int) -> None:
        """Let a valve be open until then; ignored while nobody holds it."""
        bus, valve = self._where[valve_id]
        if bus.keeper is not None and bus.alive:
            bus.until_ns[valve] = until_ns
            bus.expired.discard(valve)
            bus.keeper.open_until(valve, until_ns, now_ns)

    def close(self, valve_id: str, now_ns: int) -> None:
        """Close a valve; while nobody holds it, its next keeper does so first."""
        bus, valve = self._where[valve_id]
        bus.until_ns[valve] = None
        if valve in bus.expired & bus.shut:
            # It was shut at the end of its lease and has said so: nothing more will be acknowledged.
            bus.expired.discard(valve)
            self._known.append((valve_id, Said("acked", Gas.CLOSED)))
        if bus.keeper is not None:
            bus.keeper.close(valve, now_ns)

    def on_ready(self, fd: int, now_ns: int) -> list[News]:
        """Read what the keeper behind this descriptor said."""
        if self._spare is not None and self._spare.fileno() == fd:
            self._hear_spare(now_ns)
            return []
        for bus in self._buses.values():
            if bus.keeper is not None and bus.keeper.fileno() == fd:
                return self._hear(bus, now_ns)
        return []

    def tick(self, now_ns: int) -> list[News]:
        """Ask, judge silence, replace. Call every 0.25 s or oftener."""
        news: list[News] = []
        self._dying = [process for process in self._dying if not process.gone()]
        if self._ending:
            return news
        for bus in self._buses.values():
            if bus.keeper is not None:
                news += self._judge(bus, now_ns)
            if bus.keeper is None:
                self._hand_over(bus, now_ns)
            elif bus.alive and now_ns - bus.asked_ns >= int(bus.lease_s / 4 * NS):
                self._ask(bus, now_ns)
        self._keep_a_spare(now_ns)
        return news

    def poll(self, now_ns: int) -> list[News]:
        """``on_ready`` for every descriptor, then ``tick``."""
        news, self._known = self._known, []
        for fd in self.filenos():
            news += self.on_ready(fd, now_ns)
        return news + self.tick(now_ns)

    def end(self, deadline_s: float) -> list[str]:
        """Close all, end every keeper, block at most this long; the valves not known to be closed."""
        now_ns = self._clock.now_ns()
        until_ns = now_ns + int(deadline_s * NS)
        self._ending = True
        if self._spare is not None:
            self._spare.kill()
            self._dying.append(self._spare)
            self._spare = None
        for bus in self._buses.values():
            if bus.keeper is not None:
                bus.keeper.end(now_ns)
        while (fds := self.filenos()) and now_ns < until_ns:
            ready = select.select(fds, [], [], min(0.1, (until_ns - now_ns) / NS))[0]
            now_ns = self._clock.now_ns()
            for fd in ready:
                self.on_ready(fd, now_ns)
        for bus in self._buses.values():
            if bus.keeper is not None:
                bus.keeper.kill()
        return [id_ for bus in self._buses.values() for i, id_ in enumerate(bus.ids) if i not in bus.shut]

    # ---- one keeper ----

    def _hear(self, bus: _Bus, now_ns: int) -> list[News]:
        news: list[News] = []
        if bus.keeper is None:
            return news
        for frame in bus.keeper.hear(now_ns):
            match frame:
                case [0, "said", int(valve), str(what), gas, str(text)] if 0 <= valve < len(bus.ids):
                    said = Said(what, Gas(gas) if gas is not None else None, text)
                    self._note(bus, valve, said)
                    news.append((bus.ids[valve], said))
                case [0, "expired", int(valve)] if 0 <= valve < len(bus.ids):
                    until_ns = bus.until_ns[valve]
                    if until_ns is not None and until_ns <= now_ns:
                        bus.expired.add(valve)
                case [0, "broken", str(text)]:
                    bus.keeper.lost = bus.keeper.lost or text
                case [1, "ok", _] if not bus.alive:
                    bus.alive = True
                    news += [(id_, KeeperSaid(now_ns, True)) for id_ in bus.ids]
        if bus.keeper.lost:
            news += self._lose(bus, bus.keeper.lost, now_ns)
            if not self._ending:
                self._hand_over(bus, now_ns)
        return news

    @staticmethod
    def _note(bus: _Bus, valve: int, said: Said) -> None:
        if said.what == "link_up":
            bus.linked.add(valve)
        elif said.what == "link_down":
            bus.linked.discard(valve)
            bus.until_ns[valve] = None
            bus.shut.discard(valve)
            bus.expired.discard(valve)
        elif said.what == "acked":
            (bus.shut.add if said.gas is Gas.CLOSED else bus.shut.discard)(valve)

    def _judge(self, bus: _Bus, now_ns: int) -> list[News]:
        keeper = bus.keeper
        if keeper is None:
            return []
        # What has arrived already is an answer, however late we come to read it.
        since_ns = keeper.unanswered_since()
        if since_ns is not None and now_ns - since_ns >= bus.patience_ns:
            news = self._hear(bus, now_ns)
            if bus.keeper is not keeper:
                return news
            since_ns = keeper.unanswered_since()
            if since_ns is not None and now_ns - since_ns >= bus.patience_ns:
                news += self._lose(bus, f"no answer for {(now_ns - since_ns) / NS:.1f} s", now_ns)
            return news
        if keeper.lost:
            return self._lose(bus, keeper.lost, now_ns)
        if bus.address and not bus.linked and bus.plan.broker is not None:
            moved = self._resolve(bus.plan.broker["host"])
            if moved and moved != bus.address:
                return self._lose(bus, f"the broker moved from {bus.address} to {moved}", now_ns)
        return []

    def _ask(self, bus: _Bus, now_ns: int) -> None:
        """A question that changes nothing: the order that stands, again."""
        bus.asked_ns = now_ns
        if bus.keeper is None or bus.keeper.unanswered_since() is not None:
            return
        for valve, until_ns in enumerate(bus.until_ns):
            if until_ns is None or until_ns <= now_ns:
                bus.keeper.close(valve, now_ns)
                return
        bus.keeper.open_until(0, bus.until_ns[0] or 0, now_ns)

    def _lose(self, bus: _Bus, why: str, now_ns: int) -> list[News]:
        if bus.keeper is not None:
            bus.keeper.kill()
            self._dying.append(bus.keeper)
        was_alive, bus.alive, bus.keeper = bus.alive, False, None
        bus.until_ns = [None] * len(bus.ids)
        bus.linked.clear()
        bus.expired.clear()
        if not self._ending:
            bus.shut.clear()
        self._lost_ns = now_ns
        return [(id_, KeeperSaid(now_ns, False, why)) for id_ in bus.ids] if was_alive else []

    # ---- spares ----

    def _hand_over(self, bus: _Bus, now_ns: int) -> None:
        """Let the spare hold this bus, if it is ready and the broker's address is known."""
        spare = self._spare
        if spare is None or not spare.here or spare.lost:
            return
        broker = bus.plan.broker
        if broker is not None:
            bus.address = self._resolve(broker["host"])
            if bus.address is None:
                return
            broker = {**broker, "host": bus.address, "name": broker["host"]}
        bus.keeper, self._spare = spare, None
        bus.asked_ns = now_ns
        spare.take(bus.plan.holder, broker, self._own, bus.plan.plans, now_ns)

    def _hear_spare(self, now_ns: int) -> None:
        if self._spare is not None and ENDED in self._spare.hear(now_ns):
            self._drop_spare(now_ns)

    def _drop_spare(self, now_ns: int) -> None:
        if self._spare is not None:
            self._spare.kill()
            self._dying.append(self._spare)
            self._spare = None
            self._lost_ns = now_ns

    def _keep_a_spare(self, now_ns: int) -> None:
        spare = self._spare
        if spare is not None and not spare.here and now_ns - spare.born_ns >= int(SPARE_S * NS):
            self._drop_spare(now_ns)
        if now_ns - self._lost_ns >= int(CALM_S * NS):
            self._wait_s = LEAST_WAIT_S
        if self._spare is None and now_ns >= self._spawn_ns:
            try:
                self._spare = KeeperProcess(self._modules, now_ns)
            except OSError:  # no memory or no process to be had: keepers that live go on without a spare
                self._lost_ns = now_ns
            self._spawn_ns = now_ns
            if self._lost_ns:
                self._spawn_ns += int(self._wait_s * NS)
                self._wait_s = min(MOST_WAIT_S, self._wait_s * 2)
