"""A loop on a virtual clock with fakes at its rims: valves that obey leases, a journal in memory."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import replace
from typing import Self

from nightheron.guard.limits import ChamberLimits
from nightheron.journal.draft import Queue
from nightheron.journal.pack import unpack
from nightheron.model import NS, Act, Acted, Event, Gas, JsonValue, KeeperSaid, Left, Signal, ValveSaid
from nightheron.runtime.clock import VirtualClock
from nightheron.runtime.heartbeat import Heartbeat
from nightheron.runtime.inbox import ActFor, Inbox, JournalNews, Reply, RowsCommitted
from nightheron.runtime.loop import TICK_S, Beginning, Loop
from nightheron.runtime.ports import JournalPort, ProbeRoute, ValveEvent
from nightheron.runtime.pushing import Pushing
from nightheron_drivers.protocols import Heard

from tests.support.night import limits

TICK_NS = round(TICK_S * NS)


class FakeKeepers:
    """Remembers orders in order; a valve is open while its lease runs."""

    def __init__(self, clock: VirtualClock, names: Sequence[str]) -> None:
        self._clock = clock
        self.orders: list[tuple[str, str]] = []
        self.until_ns = dict.fromkeys(names, 0)
        self.said: list[tuple[str, ValveEvent]] = []
        for name in names:
            self.said += [
                (name, KeeperSaid(0, alive=True)),
                (name, ValveSaid(0, 0, link=True, acked=Gas.CLOSED)),
            ]

    acks = False
    """Whether the valve says of every order that it took it."""

    def _ack(self, chamber: str, gas: Gas) -> None:
        if self.acks:
            self.said.append((chamber, ValveSaid(0, 0, link=True, acked=gas)))

    def close(self, chamber: str) -> None:
        self._ack(chamber, Gas.CLOSED)
        self.orders.append((chamber, "close"))
        self.until_ns[chamber] = 0

    def open_until(self, chamber: str, until_ns: int, *, only: int | None = None) -> None:
        self._ack(chamber, Gas.OPEN)
        self.orders.append((chamber, "open"))
        self.until_ns[chamber] = until_ns

    def poll(self, now_ns: int) -> list[tuple[str, ValveEvent]]:
        del now_ns
        said, self.said = self.said, []
        return said

    def filenos(self) -> list[int]:
        return []

    def gas(self, chamber: str) -> Gas:
        return Gas.OPEN if self._clock.now_ns() < self.until_ns[chamber] else Gas.CLOSED


class FakeJournal:
    """Rows in memory, committed at once, or held back, or refused."""

    def __init__(self, inbox: Inbox) -> None:
        self._inbox = inbox
        self.rows: list[tuple[str, dict[str, JsonValue], list[Event]]] = []
        self.commits = True
        self.takes = True
        self.held: list[int] = []
        self.outbox: dict[str, str] = {}

    def together(self) -> AbstractContextManager[None]:
        return nullcontext()

    def put(
        self,
        kind: str,
        body: dict[str, JsonValue],
        inputs: bytes | None,
        token: int,
        *,
        urgent: bool,
        queue: Queue = (),
    ) -> bool:
        del urgent
        if not self.takes:
            return False
        for name, text in queue:
            self.outbox.pop(name, None)
            if text is not None:
                self.outbox[name] = text
        self.rows.append((kind, body, unpack(inputs) if inputs else []))
        if self.commits:
            self._inbox.post(RowsCommitted((token,)))
        else:
            self.held.append(token)
        return True

    def recover(self) -> None:
        """What was held back is on disk now."""
        self.commits, self.takes = True, True
        held, self.held = self.held, []
        self._inbox.post(RowsCommitted(tuple(held)))

    def of(self, *kinds: str) -> list[dict[str, JsonValue]]:
        return [body for kind, body, _ in self.rows if kind in kinds]


class Bench:
    """One site of chambers west, east, ...; each with a probe read once a second."""

    def __init__(self, *names: str, lefts: Sequence[Left | None] = (), **changes: object) -> None:
        self.names = names or ("west",)
        plain = limits(**({"min_rest_s": 5.0} | changes))
        self.limits: list[ChamberLimits] = [replace(plain, name=name) for name in self.names]
        self.clock = VirtualClock()
        self.inbox = Inbox()
        self.keepers = FakeKeepers(self.clock, self.names)
        self.journal = FakeJournal(self.inbox)
        routes = {
            f"chamber/{name}/0": ProbeRoute((place,), Signal.CHAMBER_PH, 0)
            for place, name in enumerate(self.names)
        }
        routes["tank/display/0"] = ProbeRoute(tuple(range(len(self.names))), Signal.TANK_PH, 0)
        self.loop = Loop(
            self.limits,
            self.clock,
            self.keepers,
            self.port(),
            routes,
            pushing=self.pushing(),
            heartbeat=self.heartbeat(),
            inbox=self.inbox,
        )
        self.ph: dict[str, float | None] = dict.fromkeys(self.names, 6.9)
        none: list[Left | None] = [None for _ in self.names]
        left = tuple(lefts or none)
        since = tuple("2025-12-31T23:00:00.000Z" if one and one.gas is Gas.CLOSED else None for one in left)
        self.loop.begin(Beginning(left, since, 0, journal_new=False, commissioned=False))

    def pushing(self) -> Pushing | None:
        """How this bench tells people; nobody is told."""
        return None

    def heartbeat(self) -> Heartbeat | None:
        """This bench has none."""
        return None

    def port(self) -> JournalPort:
        """Where this bench's rows go."""
        return self.journal

    def hear(
        self, name: str, ph: float | None, *, at_ns: int | None = None, refused: str | None = None
    ) -> None:
        stamp = self.clock.now_ns() if at_ns is None else at_ns
        self.inbox.post(Heard(f"chamber/{name}/0", stamp, ph, str(ph), refused))

    def step(self) -> None:
        self.loop.step()

    def wait(self, seconds: float) -> Self:
        """Time goes by, four steps a second, with a reading of each chamber in the last."""
        for turn in range(1, round(seconds * NS / TICK_NS) + 1):
            self.clock.advance(TICK_NS)
            if turn % 4 == 0:
                for name, ph in self.ph.items():
                    if ph is not None:
                        self.hear(name, ph)
            self.step()
        return self

    def open_gas(self) -> Self:
        """Wait until the first opening is ordered."""
        self.wait(40)
        assert self.gas("west") is Gas.OPEN
        return self

    def gas(self, name: str) -> Gas:
        return self.keepers.gas(name)

    def reasons(self, name: str = "west") -> tuple[str, ...]:
        return tuple(self.loop.view.decisions[self.names.index(name)].reasons)

    def act(self, act: Act, name: str = "west", *, for_s: float | None = None) -> str | None:
        reply = Reply()
        self.inbox.post(ActFor(name, Acted(0, act, "ana", "cleaning", for_s), reply))
        self.step()
        answered, refused = reply.wait(0)
        assert answered
        return refused

    def journal_says(self, *, well: bool, replaced: bool = False) -> None:
        self.inbox.post(JournalNews(well, replaced))
        self.step()
