"""One valve moved once, with the cylinder shut by hand: shut, open for a moment under its lease, shut.

For whoever wires a valve. A keeper of its own holds it, as in the service: closing is the first and the
last thing it is told, open is good until a deadline, and whatever ends this process, the keeper closes.
Signals only raise a flag here, so that nothing can come between an order to open and the close after it.
"""

from __future__ import annotations

import contextlib
import secrets
import select
import signal
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field

from nightheron_drivers.protocols import Broker, Said

from nightheron.model import NS, Gas
from nightheron.runtime.clock import ClockPort
from nightheron.runtime.keeper_client import Keepers
from nightheron.runtime.keeper_plans import BusPlan, ValvePlanLike, plans_by_bus
from nightheron.runtime.resolver import Resolver

OPEN_S = 2.0
"""How long it is ordered open: no lease is shorter."""
TAKE_MOST_S = 30.0
"""A slow board takes its time to start a keeper, and a broker's name to be found."""
SHUT_MOST_S = 15.0
"""How long the last close is tried, over new connections and new keepers."""
END_S = 1.5
TURN_S = 0.05
ENDING_SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


@dataclass(slots=True)
class Moved:
    """What a valve said while it was moved; ``shown`` is what its device reported in each of two phases."""

    took_close: bool = False
    took_open: bool = False
    shut_again: bool = False
    """The last close is acknowledged."""
    shown_open: list[Gas | None] = field(default_factory=list)
    """Reports between the order to open and the one to close; None for a report of neither."""
    shown_shut: list[Gas | None] = field(default_factory=list)
    """Reports after the last close."""
    others: list[str] = field(default_factory=list)
    """Orders that were not ours."""
    trouble: str = ""
    """Why it could not be reached."""
    interrupted: bool = False


def move(
    valve: str,
    chamber: Sequence[ValvePlanLike],
    broker: Broker | None,
    site: str,
    clock: ClockPort,
    tell: Callable[[str], None],
) -> Moved:
    """Move one valve of a chamber, holding all of them.

    Takes OPEN_S and its travel times, and at most TAKE_MOST_S and SHUT_MOST_S more.
    """
    with _signals_noted() as asked:
        trial = _Trial(valve, plans_by_bus(chamber, broker, site), clock, asked)
        lease_s, travel_s = next((plan.lease_s, plan.travel_s) for plan in chamber if plan.id == valve)
        try:
            trial.open_once(min(OPEN_S, lease_s), travel_s, tell)
        finally:
            trial.shut(travel_s, tell)
        trial.moved.interrupted = bool(asked)
        return trial.moved


class _Trial:
    def __init__(self, valve: str, plans: dict[str, BusPlan], clock: ClockPort, asked: list[int]) -> None:
        self.moved = Moved()
        self._id, self._clock, self._asked = valve, clock, asked
        self._acked: Gas | None = None
        self._shown: list[Gas | None] = []
        self._names = Resolver()
        self._keepers = Keepers(plans, self._names.address, secrets.token_hex(8), clock)

    def open_once(self, open_s: float, travel_s: float, tell: Callable[[str], None]) -> None:
        """Shut, open, and back before the deadline; less when it cannot be reached or somebody says stop."""
        tell("taking hold of it: shut")
        if not self._wait(lambda: self._acked is Gas.CLOSED, TAKE_MOST_S):
            self.moved.trouble = self.moved.trouble or "it does not answer"
            return
        self.moved.took_close = True
        self._wait(lambda: False, travel_s)  # what moved on that order is still now
        if self._asked or self._acked is not Gas.CLOSED:
            return
        self._acked = None
        self._shown = self.moved.shown_open
        tell("OPEN")
        now_ns = self._clock.now_ns()
        self._keepers.open_until(self._id, now_ns + round(open_s * NS), now_ns)
        self._wait(lambda: False, open_s)

    def shut(self, travel_s: float, tell: Callable[[str], None]) -> None:
        """Close, and stay until that is acknowledged or SHUT_MOST_S are over; then let the keeper go."""
        self._keepers.close(self._id, self._clock.now_ns())
        opened = self._shown is self.moved.shown_open
        self._shown = self.moved.shown_shut
        if self.moved.took_close:
            self._wait(lambda: self._acked is Gas.CLOSED, SHUT_MOST_S, whatever=True)
        if opened:
            with contextlib.suppress(OSError):  # whoever was told may have hung up
                tell("shut")
            self._wait(lambda: self._shown[-1:] == [Gas.CLOSED], travel_s + 1.0)
        self.moved.shut_again = self._id not in self._keepers.end(END_S) and self._acked is Gas.CLOSED
        self._names.stop()

    def _wait(self, done: Callable[[], bool], most_s: float, *, whatever: bool = False) -> bool:
        """Until ``done``, at most so long; ``whatever`` signals say, or until one came."""
        end_ns = self._clock.now_ns() + round(most_s * NS)
        while not done() and (whatever or not self._asked):
            now_ns = self._clock.now_ns()
            if now_ns >= end_ns:
                return False
            select.select(self._keepers.filenos(), [], [], min(TURN_S, (end_ns - now_ns) / NS))
            for valve, said in self._keepers.poll(self._clock.now_ns()):
                if valve != self._id:
                    continue
                if isinstance(said, Said):
                    self._hear(said)
                elif not said.alive:
                    self._acked = None
                    self.moved.trouble = said.why
        return done()

    def _hear(self, said: Said) -> None:
        match said.what:
            case "acked":
                self._acked = said.gas
                self.moved.took_open = self.moved.took_open or said.gas is Gas.OPEN
            case "link_down":
                self._acked = None
                self.moved.trouble = said.text
            case "feedback":
                self._shown.append(said.gas)
            case "foreign":
                self.moved.others = [*self.moved.others, said.text][-10:]


@contextmanager
def _signals_noted() -> Iterator[list[int]]:
    """Ctrl-C, a stop and a hang-up are noted in the list instead of ending anything."""
    asked: list[int] = []
    before = {number: signal.signal(number, lambda n, _: asked.append(n)) for number in ENDING_SIGNALS}
    try:
        yield asked
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
