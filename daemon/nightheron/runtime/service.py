"""The service: put together in the order that keeps gas shut, run, and taken down closes first.

The lock comes first, so that a second service moves nothing. Keepers are started next, from the main
thread and before anything heavy is imported; they close their valves before anything else is done.
Whatever goes wrong afterwards ends with closed gas, here or by the leases.
"""

from __future__ import annotations

import select
import signal
from collections.abc import MutableMapping
from importlib.util import find_spec
from typing import TYPE_CHECKING

from nightheron.runtime.clock import Clock
from nightheron.runtime.close_all import FILE_NAME, remember
from nightheron.runtime.errors import CannotStart, Fault
from nightheron.runtime.inbox import Inbox
from nightheron.runtime.lock import take_lock
from nightheron.runtime.resolver import Resolver
from nightheron.runtime.systemd import Notifier
from nightheron.runtime.valve_port import ValvePort
from nightheron.settings.source import read_document

if TYPE_CHECKING:
    from nightheron.runtime.parts import Parts
    from nightheron.settings.site import Site

FAULT = 70
CLOSES_FIRST_S = 3.0
"""How long a start waits for its keepers; one that is not ready by then takes its valves from the loop."""
CLOSES_END_S = 1.5


def serve(site: Site, environ: MutableMapping[str, str]) -> int:
    """Guard until SIGTERM or SIGINT; 0 after a stop in good order, 70 after a fault. Raises CannotStart."""
    notifier = Notifier(environ)
    clock = Clock()
    lock = take_lock(site.data_dir)
    try:
        return _serve_locked(site, clock, notifier)
    finally:
        lock.close()


def _serve_locked(site: Site, clock: Clock, notifier: Notifier) -> int:
    inbox = Inbox()
    ending = _Ending(inbox)
    keepers = ValvePort(site, clock, Resolver().address)
    try:
        # Before what may be slow or fail: a valve may have been left open, and a journal may take its time.
        keepers.shut_first(CLOSES_FIRST_S)
        _remember(site, keepers)
        from nightheron.runtime.parts import Parts

        parts = Parts(site, clock, inbox, keepers)
    except BaseException:
        keepers.end(CLOSES_END_S)
        raise
    try:
        parts.start()
        notifier.ready()
        parts.log.info("guarding", site=site.name, chambers=len(site.chambers), data_dir=str(site.data_dir))
        if site.alerts.urls and find_spec("matplotlib") is None:
            parts.log.info("the digest goes without its picture", why="the extra report is not installed")
        _guard(parts, keepers, clock, notifier, ending)
        notifier.stopping()
        parts.finish(ending.why)
    except Exception as fault:  # whatever it is, gas is shut and systemd starts us anew
        keepers.close_all()
        parts.log.error(
            "the guard met a fault and ends", fault=f"{type(fault).__name__}: {fault}", exc_info=True
        )
        parts.abandon()
        return FAULT
    return 0


def _remember(site: Site, keepers: ValvePort) -> None:
    """Keep what closes the valves when this process no longer can."""
    try:
        remember(keepers.plans, site.data_dir / FILE_NAME, _password_file(site))
    except OSError as fault:
        raise CannotStart(
            f"{site.data_dir / FILE_NAME} cannot be written ({fault.strerror}); gas stays shut until it can."
        ) from None


def _password_file(site: Site) -> str | None:
    """The path of the broker's password, never the password."""
    if site.mqtt is None or site.mqtt.broker.password is None:
        return None
    mqtt = read_document(site.path).get("mqtt")
    written = mqtt.get("password_file") if isinstance(mqtt, dict) else None
    return str(site.path.parent.absolute() / written) if isinstance(written, str) else None


def _guard(parts: Parts, keepers: ValvePort, clock: Clock, notifier: Notifier, ending: _Ending) -> None:
    loop, poll = parts.loop, select.poll()
    watched: tuple[int, ...] = ()
    while not ending.asked:
        now = (loop.inbox.fileno(), *keepers.filenos())
        if now != watched:
            watched, poll = now, select.poll()
            for fd in now:
                poll.register(fd, select.POLLIN)
        poll.poll(loop.wait_s() * 1000)
        if ending.asked:
            return  # the keepers may have got the same signal: that they end is no loss to journal
        loop.step()
        dead = parts.dead()
        if dead:
            raise Fault(f"{dead} has ended")
        if loop.on_time:
            notifier.alive(clock.now_ns())
        notifier.status(parts.summary())


class _Ending:
    """SIGTERM and SIGINT ask the loop to end."""

    def __init__(self, inbox: Inbox) -> None:
        self.asked, self.why = False, ""
        self._inbox = inbox
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, self._ask)

    def _ask(self, number: int, _frame: object) -> None:
        self.asked, self.why = True, signal.Signals(number).name
        self._inbox.wake()
