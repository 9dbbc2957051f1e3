"""Play chambers in real time on a Unix stream socket, for the ``rig`` drivers and whoever puts faults in.

A connection begins with one line that says what it is:

    probe west               the rig then sends one reading a line, once a second
    probe display            the same of the tank's probe
    probe west flow          or of another instrument, by its signal's name; 1 and 0 for on and off
    valve west               orders ``OPEN <lease_s>`` and ``CLOSE``, answered ``open`` and ``closed``
    fault west probe_silent  puts a fault of the library in (``none`` takes all out); answered ``ok: ...``
    mend west probe_silent   takes it out again; ``all`` for either means every one
    show west                answered ``6.912 open``: the water's true pH, and whether gas flows
    look                     one line on everything

The valve's lease runs in the rig, so gas stops by itself when nobody renews, connection or not.
Time is asyncio's own; ``--speed`` hurries the water only, never a lease or the probe's interval.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import signal
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from nightheron.rig.faults import library
from nightheron.rig.live import SPEED_MOST, LiveSite
from nightheron.rig.plant import Build, Plant
from nightheron.rig.supply import SupplyBuild
from nightheron.rig.vessel import VesselBuild

STEP_S = 0.1
PERIOD_S = 1.0
LINE_MOST = 256
CATCH_UP_MOST_S = 5.0
"""A machine that slept does not make up for more than this at once."""


class Server:
    """One site behind one socket."""

    def __init__(self, site: LiveSite) -> None:
        self.site = site
        self.each_second: list[Callable[[], None]] = []
        """Called once a second, for devices on other wires."""

    async def run(self, path: Path) -> None:
        """Serve until cancelled. OSError when the socket cannot be made."""
        server = await asyncio.start_unix_server(self._meet, path=path, limit=LINE_MOST)
        try:
            await self._live()
        finally:
            server.close()
            path.unlink(missing_ok=True)

    async def _live(self) -> None:
        loop = asyncio.get_running_loop()
        then = second = loop.time()
        while True:
            await asyncio.sleep(STEP_S)
            now = loop.time()
            if now > then:
                self.site.step(min(now - then, CATCH_UP_MOST_S))
            then = now
            if now >= second + PERIOD_S:
                second = max(second + PERIOD_S, now - PERIOD_S)
                for call in self.each_second:
                    call()

    async def _meet(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One connection; whatever goes wrong on it, or the rig's own end, ends it and nothing else."""
        with contextlib.suppress(OSError, ValueError, asyncio.CancelledError):
            words = (await reader.readline()).decode("ascii", "replace").split()
            speaks = self.site.speaker(words[1:]) if words[:1] == ["probe"] else None
            if speaks is not None:
                await self._probe(speaks, reader, writer)
            elif words[:1] == ["valve"] and len(words) == 2 and words[1] in self.site.plant.bays:
                await self._valve(words[1], reader, writer)
            else:
                await _say(writer, answer(self.site, words))
        writer.close()

    async def _probe(
        self, speaks: Callable[[], str | None], reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        while not reader.at_eof():
            line = speaks()
            if line is not None:
                await _say(writer, line)
            await asyncio.sleep(PERIOD_S)

    async def _valve(self, name: str, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while line := await reader.readline():
            said = self.site.order(name, line.decode("ascii", "replace"))
            if said is not None:
                await _say(writer, said)


async def _say(writer: asyncio.StreamWriter, line: str) -> None:
    writer.write(line.encode("ascii", "replace") + b"\n")
    await writer.drain()


def answer(site: LiveSite, words: Sequence[str]) -> str:
    """What the rig says to a first line that is neither a probe nor a valve."""
    match list(words):
        case ["look"]:
            return site.look()
        case ["mend", chamber, name] if chamber in ("all", *site.plant.bays):
            return site.mend(None if name == "all" else name, None if chamber == "all" else chamber)
        case ["fault", "first", name]:
            return site.put(name, next(iter(site.plant.bays)))
        case [("show" | "fault" | "mend"), chamber, *_] if chamber not in site.plant.bays:
            return f"error: there is no chamber {chamber!r} here; there are {' '.join(site.plant.bays)}"
        case ["show", chamber]:
            return site.show(chamber)
        case ["fault", chamber, "none"]:
            return site.mend(None, chamber)
        case ["fault", chamber, name]:
            return site.put(name, chamber)
    return (
        "error: say probe, valve or show and a chamber, fault or mend and a chamber and a fault, or look; "
        f"chambers are {' '.join(site.plant.bays)}"
    )


def arguments() -> argparse.ArgumentParser:
    """What the rig is told on its command line."""
    parser = argparse.ArgumentParser(prog="python -m nightheron.rig.serve", description=__doc__)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("--path", type=Path, required=True, help="Unix socket to make; the rig drivers' path")
    parser.add_argument(
        "--chamber", action="append", required=True, help="name of a chamber; may be repeated"
    )
    parser.add_argument(
        "--speed", type=float, default=1.0, help="how much faster the water lives (default 1)"
    )
    parser.add_argument(
        "--start-ph", type=float, default=6.9, help="pH of the water at the start (default 6.9)"
    )
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Serve until SIGINT or SIGTERM; 2 for arguments or a path that cannot be used."""
    parser = arguments()
    args = parser.parse_args(argv)
    if not 0.0 < args.speed <= SPEED_MOST or not 6.0 <= args.start_ph <= 8.0:
        parser.error("--speed must be above 0 and at most 1000, --start-ph between 6 and 8")
    if args.path.exists() and not args.path.is_socket():
        parser.error(f"{args.path} is there and is no socket; name another path")
    build = Build({name: (VesselBuild(start_ph=args.start_ph), SupplyBuild()) for name in args.chamber})
    try:
        asyncio.run(until_told(Server(LiveSite(Plant(build), args.speed, library())), args.path))
    except OSError as fault:
        print(f"cannot serve on {args.path}: {fault.strerror}", file=sys.stderr)
        return 2
    return 0


async def until_told(server: Server, path: Path) -> None:
    """Serve until SIGINT or SIGTERM."""
    task = asyncio.ensure_future(server.run(path))
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, task.cancel)
    with contextlib.suppress(asyncio.CancelledError):
        await task


if __name__ == "__main__":
    sys.exit(main())
