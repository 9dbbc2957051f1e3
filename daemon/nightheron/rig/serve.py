"""Play chambers in real time on a Unix stream socket, for the ``rig`` drivers.

A connection begins with one line that says what it is:

    probe west               the rig then sends one reading a line, once a second
    valve west               orders ``OPEN <lease_s>`` and ``CLOSE``, answered ``open`` and ``closed``
    fault west probe_silent  puts a fault in (``none`` takes all out); answered ``ok``
    show west                answered ``6.912 open``: the water's true pH, and whether gas flows

The valve's lease runs in the rig, so gas stops by itself when nobody renews, connection or not.
Time is asyncio's own; ``--speed`` hurries the water only, never a lease or the probe's interval.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import random
import signal
import sys
import zlib
from collections.abc import Sequence
from pathlib import Path

from nightheron.model import Gas
from nightheron.rig import wrong
from nightheron.rig.chamber import PROBE_FAULTS, FirstOrderChamber, SimulatedChamber
from nightheron.rig.valve import SimulatedValve

STEP_S = 0.1
PERIOD_S = 1.0
LINE_MOST = 256
VALVE_FAULTS = {"valve_silent": wrong.Valve(deaf=True), "valve_stuck_open": wrong.Valve(stuck="open")}
FAULTS = (*PROBE_FAULTS, *VALVE_FAULTS)


class Bench:
    """One chamber with its valve."""

    def __init__(self, chamber: SimulatedChamber) -> None:
        self.chamber, self.valve = chamber, SimulatedValve()

    def step(self, dt_s: float, speed: float) -> None:
        """The valve ages by real time, the water by ``speed`` times as much."""
        self.chamber.step(dt_s * speed, self.valve.passes_gas)
        self.valve.step(dt_s)

    def set_fault(self, fault: str | None) -> None:
        """One fault at a time, on probe or valve."""
        self.chamber.set_fault(fault if fault in PROBE_FAULTS else None)
        self.valve.bad = VALVE_FAULTS.get(fault or "", wrong.Valve())


class Rig:
    """The benches behind one socket."""

    def __init__(self, benches: dict[str, Bench], speed: float) -> None:
        self.benches, self.speed = benches, speed

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
        then = loop.time()
        while True:
            await asyncio.sleep(STEP_S)
            now = loop.time()
            for bench in self.benches.values():
                bench.step(now - then, self.speed)
            then = now

    async def _meet(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One connection; whatever goes wrong on it ends it and nothing else."""
        with contextlib.suppress(OSError, ValueError):
            words = (await reader.readline()).decode("ascii", "replace").split()
            bench = self.benches.get(words[1]) if len(words) > 1 else None
            if bench is None:
                await _say(
                    writer, f"error: say probe, valve, fault or show, and one of: {' '.join(self.benches)}"
                )
            elif words[0] == "probe":
                await self._probe(bench, reader, writer)
            elif words[0] == "valve":
                await self._valve(bench, reader, writer)
            else:
                await _say(writer, _answer(bench, words))
        writer.close()

    async def _probe(self, bench: Bench, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while not reader.at_eof():
            line = bench.chamber.probe_reads()
            if line is not None:
                await _say(writer, line)
            await asyncio.sleep(PERIOD_S)

    async def _valve(self, bench: Bench, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while line := await reader.readline():
            answer = bench.valve.order(line.decode("ascii", "replace"))
            if answer is not None:
                await _say(writer, answer)


async def _say(writer: asyncio.StreamWriter, line: str) -> None:
    writer.write(line.encode("ascii") + b"\n")
    await writer.drain()


def _answer(bench: Bench, words: Sequence[str]) -> str:
    if words[0] == "show" and len(words) == 2:
        gas = Gas.OPEN if bench.valve.passes_gas else Gas.CLOSED
        return f"{bench.chamber.ph:.3f} {gas}"
    if words[0] == "fault" and len(words) == 3 and words[2] in ("none", *FAULTS):
        bench.set_fault(None if words[2] == "none" else words[2])
        return "ok"
    return f"error: there are show CHAMBER and fault CHAMBER with none, {', '.join(FAULTS)}"


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
    if not 0.0 < args.speed <= 1000.0 or not 5.0 <= args.start_ph <= 8.5:
        parser.error("--speed must be above 0 and at most 1000, --start-ph between 5 and 8.5")
    if args.path.exists() and not args.path.is_socket():
        parser.error(f"{args.path} is there and is no socket; name another path")
    benches = {name: _bench(name, args.start_ph) for name in args.chamber}
    try:
        asyncio.run(_until_told(Rig(benches, args.speed), args.path))
    except OSError as fault:
        print(f"cannot serve on {args.path}: {fault.strerror}", file=sys.stderr)
        return 2
    return 0


def _bench(name: str, start_ph: float) -> Bench:
    dice = random.Random(zlib.crc32(name.encode()))  # noqa: S311 - noise, no secret
    return Bench(FirstOrderChamber(start_ph, dice=dice))


async def _until_told(rig: Rig, path: Path) -> None:
    task = asyncio.ensure_future(rig.run(path))
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, task.cancel)
    with contextlib.suppress(asyncio.CancelledError):
        await task


if __name__ == "__main__":
    sys.exit(main())
