"""The two protocols a driver may speak. A third party adds one by an entry point:

    [project.entry-points."nightheron.probes"]      name = "package.module:Driver"
    [project.entry-points."nightheron.valves"]      name = "package.module:Driver"

A probe yields readings and may block, but never for longer than ``MOST_WAIT_S``; it runs in a
thread of its own. A valve never blocks; it lives in the keeper's selector loop, or alone on its
bus with bounded calls.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

from nightheron.model import Gas, JsonValue

if TYPE_CHECKING:
    from pydantic import BaseModel

MOST_WAIT_S = 1.0
"""The longest a probe source may wait before it yields, if only None."""

RAW_MOST = 120
"""The most characters of a received line that are kept."""


@dataclass(frozen=True, slots=True)
class Broker:
    """Where the broker is; host is a name or an address, resolved by whoever connects."""

    host: str
    port: int
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = False
    ca_file: str | None = None
    cert_file: str | None = None
    key_file: str | None = None


@dataclass(frozen=True, slots=True)
class Heard:
    """One message of one probe, stamped on arrival (CLOCK_BOOTTIME ns)."""

    probe: str
    """The id the probe was given, e.g. ``chamber/west/0`` or ``tank/display/0``."""
    at_ns: int
    value: float | None
    raw: str
    refused: str | None = None


class ProbeSource(Protocol):
    """One bus with one or more probes on it. ``readings`` ends when ``close`` was called."""

    def readings(self) -> Iterator[Heard | None]:
        """Yield what is heard, and None at least every MOST_WAIT_S when nothing is."""
        ...

    def close(self) -> None:
        """Ask ``readings`` to end soon; callable from another thread, more than once."""
        ...


class ProbeDriver(Protocol):
    """Named by an entry point in ``nightheron.probes``."""

    Options: type[BaseModel]
    """The keys it takes in TOML, beside driver, unit, period_s and stale_s. Unknown keys are errors."""

    @staticmethod
    def sources(
        probes: Mapping[str, Any], stale_s: Mapping[str, float], broker: Broker | None, site: str
    ) -> Sequence[ProbeSource]:
        """Group probes (id -> Options) into sources: one per port, one per broker."""
        ...


@dataclass(frozen=True, slots=True)
class Search:
    """What a driver is asked to look for, and for how long at most."""

    seconds: float | None
    """A person's own limit; None leaves it to the driver."""
    ports: tuple[str, ...] = ()
    """Look at these alone; empty: at all there are."""
    not_ports: tuple[str, ...] = ()
    """Ports that are no probe's, valves among them: not even opened, unless they stand in ``ports``."""
    broker: Broker | None = None
    not_under: tuple[str, ...] = ()
    """Topics below these are not looked at: the program's own reports."""
    stop: threading.Event = field(default_factory=threading.Event)
    """Set: end now, with what was found so far."""
    tell: Callable[[str], None] = field(default=lambda text: None)
    """Progress, for a terminal."""


@dataclass(frozen=True, slots=True)
class Found:
    """One port or topic that was listened to. ``options`` are TOML keys that read it, None when none do."""

    where: str
    options: Mapping[str, str | int | float] | None = None
    unit: str = "ph"
    sure: bool = False
    """What was heard says by itself that it is this."""
    heard: tuple[Heard, ...] = ()
    """What these options read, oldest first."""
    facts: Mapping[str, JsonValue] = field(default_factory=dict)
    """What else was learned, e.g. ``line_end``; for people and for JSON."""
    notes: tuple[str, ...] = ()
    """Sentences without their full stop."""
    kind: str = "port"
    """``port``, ``topic``, or ``broker`` for what is said of the broker itself."""


class Finder(Protocol):
    """What a probe driver may offer beside: ``find`` looks for its probes on this machine."""

    @staticmethod
    def find(search: Search) -> Sequence[Found]:
        """Listen, never send; returns in bounded time, and soon after ``search.stop`` is set."""
        ...


@dataclass(frozen=True, slots=True)
class Said:
    """What a valve has to say: link, acknowledgement, feedback, or somebody else's order.

    ``what`` is one of ``link_up``, ``link_down``, ``acked`` (gas = the acknowledged order),
    ``feedback`` (gas = what the device shows, None for neither answer), ``foreign`` (gas = the order).
    """

    what: str
    gas: Gas | None = None
    text: str = ""


class Valve(Protocol):
    """One valve in a keeper. No call may block; every time is CLOCK_BOOTTIME ns."""

    def fileno(self) -> int | None:
        """What to select on, or None while there is no link."""
        ...

    def wants_write(self) -> bool:
        """True while bytes wait to be sent."""
        ...

    def ready(self, now_ns: int) -> Sequence[Said]:
        """Called when readable, writable or when ``deadline`` has passed: do the little there is to do."""
        ...

    def order(self, gas: Gas, now_ns: int) -> bool:
        """Send this order; False when it cannot be sent (no link, or the OPEN before is unacknowledged)."""
        ...

    def deadline(self) -> int | None:
        """When ``ready`` must be called even if nothing is readable."""
        ...

    def finish(self, now_ns: int) -> None:
        """Leave in good order: a CLOSE was ordered before; give up the link."""
        ...


class ValveDriver(Protocol):
    """Named by an entry point in ``nightheron.valves``.

    May also have ``cautions(options)`` and ``refusals(options)``, static: pairs of a key and a sentence, from
    a look at the machine. ``check`` shows the first; the second keep the service from starting.
    """

    Options: type[BaseModel]
    """The keys it takes in TOML, beside driver, lease_s, travel_s and device_timer_s."""

    holder: str
    """``package.module:function`` for the keeper, which imports nothing else of the driver:
    ``function(plans, broker, own) -> Sequence[Valve]``, one per plan, in order. A plan is the dumped
    Options with ``id``, ``lease_s`` and ``travel_s``; broker is a dumped Broker whose host is an
    address; ``own`` marks orders as ours. The module must import the standard library and the bus's
    own library only."""

    @staticmethod
    def bus(options: Any, broker: Broker | None) -> str:
        """Name of the bus, e.g. ``mqtt:127.0.0.1:1883`` or ``serial:/dev/ttyUSB0``; one keeper each."""
        ...
