"""``nightheron listen --find``: what speaks here, how it is to be read, and the block to paste."""

from __future__ import annotations

import argparse
import json
import os
import queue
import sys
import threading
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from nightheron.cli.listen_wanted import broker_named

if TYPE_CHECKING:
    from nightheron_drivers.protocols import Found, Search

    from nightheron.settings.site import Site

LOOK_S = 0.2
MOST_S, END_S = 120.0, 10.0
"""A driver that has not ended by itself is given up after MOST_S, or END_S after it was told to end."""
DRIVERS_MOST = 50
OURS = "nightheron"
NOTHING_HERE = (
    "There is no serial port on this machine and no broker was named: plug the probe's adapter in, "
    "or name a port with --port PATH or a broker with --broker HOST."
)


def find(args: argparse.Namespace) -> int:
    """0 when a block to paste was found, else 1. Raises CannotListen."""
    from nightheron.cli.find_block import block, pace_of
    from nightheron.cli.find_text import as_json, as_text

    found = _Hunt(_search(args)).run()
    if args.json:
        print(json.dumps(as_json(found)))
    elif not found:
        print(NOTHING_HERE)
    else:
        print(as_text(found))
    return 0 if any(block(one, pace_of(one)) for one in found) else 1


def _search(args: argparse.Namespace) -> Search:
    """The broker named or configured, not our own reports on it, and no port that has a valve."""
    from nightheron_drivers.protocols import Search

    site = _site(args)
    broker, ours = None, OURS
    if site is not None and site.mqtt is not None:
        broker, ours = site.mqtt.broker, f"{site.mqtt.prefix}/{site.name}"
    if args.host is not None:
        broker = broker_named(args.host)
    valves = [] if site is None else [getattr(plan.options, "port", None) for plan in site.valves()]
    held = tuple(port for port in valves if isinstance(port, str))
    return Search(args.seconds, tuple(args.port or ()), held, broker, (ours,))


def _site(args: argparse.Namespace) -> Site | None:
    """The configuration, as far as there is a sound one."""
    if not args.config.exists():
        return None
    from nightheron.settings import BadConfiguration, load

    try:
        return load(args.config, os.environ)
    except BadConfiguration:
        print(
            f"{args.config} is not complete yet (nightheron check says where), so its broker is not listened "
            "to (name it with --broker), and a port of a valve in it is not known as one.",
            file=sys.stderr,
        )
        return None


class _Hunt:
    """One thread a driver; this one shows how far they are and takes Ctrl-C."""

    def __init__(self, search: Search) -> None:
        self._search = search
        self._done: queue.Queue[tuple[str, Sequence[Found]]] = queue.Queue(DRIVERS_MOST)
        self._said: dict[str, str] = {}

    def run(self) -> list[Found]:
        """Everything that was found; after Ctrl-C, what was found until then."""
        from nightheron.runtime.clock import Clock

        now_ns = Clock().now_ns
        left, found = self._start(), []
        begun_ns = now_ns()
        end_ns = begun_ns + round(((self._search.seconds or MOST_S) + END_S) * 1e9)
        while left and now_ns() < end_ns:
            try:
                self._show((now_ns() - begun_ns) / 1e9)
                name, ones = self._done.get(timeout=LOOK_S)
                left.discard(name)
                found += [_with_driver(one, name) for one in ones]
            except queue.Empty:
                continue
            except KeyboardInterrupt:
                self._search.stop.set()
                end_ns = min(end_ns, now_ns() + round(END_S * 1e9))
        self._search.stop.set()
        self._wipe()
        return found

    def _start(self) -> set[str]:
        """A thread for each installed driver that can look."""
        from nightheron.settings.drivers import PROBES, NoDriverError, installed, probe_driver

        started = set()
        for name in installed(PROBES)[:DRIVERS_MOST]:
            try:
                look = getattr(probe_driver(name), "find", None)
            except NoDriverError as why:
                print(f"{why}.", file=sys.stderr)
                continue
            if look is not None:
                started.add(name)
                threading.Thread(
                    target=self._look, args=(name, look), name=f"find-{name}", daemon=True
                ).start()
        return started

    def _look(self, name: str, look: Callable[[Search], Sequence[Found]]) -> None:
        import dataclasses

        search = dataclasses.replace(self._search, tell=lambda text: self._said.__setitem__(name, text))
        found: Sequence[Found] = ()
        try:
            found = look(search)
        except Exception as why:  # a third party's driver may fail in any way; the others go on
            print(f"The driver {name} could not look ({type(why).__name__}: {why}).", file=sys.stderr)
        self._done.put((name, found))

    def _show(self, seconds: float) -> None:
        if sys.stderr.isatty():
            said = ", ".join(self._said.values()) or "looking"
            print(f"\r\x1b[Klistening for {seconds:.0f} s: {said}", end="", file=sys.stderr, flush=True)

    def _wipe(self) -> None:
        if sys.stderr.isatty():
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)


def _with_driver(found: Found, name: str) -> Found:
    import dataclasses

    if found.options is None:
        return found
    return dataclasses.replace(found, options={"driver": name, **found.options})
