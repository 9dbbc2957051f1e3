"""nightheron listen: show what a probe says, whether it is read, and how often it comes."""

from __future__ import annotations

import argparse
import json
import queue
import sys
import threading
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from nightheron_drivers.protocols import Heard, ProbeSource

    from nightheron.cli.listen_tally import Tally
    from nightheron.cli.times import Times
    from nightheron.runtime.clock import Clock

HELP = "show what a probe says, and whether the pattern reads it"
WAITING_MOST = 1000
LOOK_S = 0.2
IN_USE = "exclusively lock"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What this command takes beside --config."""
    parser.add_argument("chamber", nargs="?", help="a chamber or tank of the configuration; default: all")
    parser.add_argument(
        "--find",
        action="store_true",
        help="look for probes: serial ports, their rate and pattern, topics that look like pH; prints the "
        "block to paste. Listens only, two minutes at most",
    )
    parser.add_argument(
        "--valve",
        metavar="CHAMBER",
        help="with --find: try this chamber's valve instead, cylinder shut by hand and service stopped: it "
        "is ordered open for two seconds and shut again, and you are asked what you saw",
    )
    parser.add_argument("--yes", action="store_true", help="with --valve: the cylinder is shut, do not ask")
    parser.add_argument(
        "--port",
        action="append",
        metavar="PORT",
        help="a serial port, without a configuration; with --find look at this one alone (may be repeated)",
    )
    parser.add_argument("--baud", type=int, default=9600, help="its rate (9600)")
    parser.add_argument(
        "--pattern",
        metavar="RE",
        default=r"(?P<value>-?\d+\.\d+)",
        help="must match the whole line; default %(default)s",
    )
    parser.add_argument("--topic", help="an MQTT topic, on the configuration's broker or the one here")
    parser.add_argument(
        "--host", "--broker", metavar="HOST[:PORT]", help="another broker for --topic or --find"
    )
    parser.add_argument("--value-pointer", metavar="POINTER", default="", help="where in JSON, e.g. /ph")
    parser.add_argument("--time-pointer", metavar="POINTER", default="", help="the message's own time")
    parser.add_argument("--seconds", type=float, metavar="N", help="end after so long; default: Ctrl-C")
    parser.add_argument("--json", action="store_true", help="one JSON object a line, the last a summary")


def run(args: argparse.Namespace) -> int:
    """0 when a reading was seen or a probe found, 1 when none was, 2 for a request that makes no sense."""
    from nightheron.cli.listen_wanted import CannotListen, sources_wanted

    try:
        if args.seconds is not None and not 0 < args.seconds <= 1e6:
            raise CannotListen("--seconds takes a number above 0, at most 1000000.")
        if args.find or args.valve is not None or args.yes:
            return _find(args)
        sources = sources_wanted(args)
    except CannotListen as why:
        print(why, file=sys.stderr)
        return 2
    from nightheron.cli.times import times_of
    from nightheron.runtime.clock import Clock

    zone = times_of(args.config, Clock().utc())
    if not args.json:
        print(f"Times are {zone.name}.", flush=True)
    session = _Session(sources, zone, as_json=args.json)
    try:
        session.listen(args.seconds)
    except KeyboardInterrupt:
        print(file=sys.stderr)  # so that the ^C of the terminal keeps a line of its own
    finally:
        for source in sources:
            source.close()
    return session.sum_up()


def _find(args: argparse.Namespace) -> int:
    from nightheron.cli.listen_find import find
    from nightheron.cli.listen_valve import try_valve
    from nightheron.cli.listen_wanted import CannotListen

    if not args.find or (args.yes and args.valve is None):
        raise CannotListen("--valve belongs to --find, and --yes to --find --valve CHAMBER.")
    if args.valve is not None:
        return try_valve(args)
    if args.chamber is not None or args.topic is not None:
        raise CannotListen("--find looks at everything; leave the chamber and --topic out.")
    return find(args)


class _Session:
    """One thread a source, one queue, and this thread prints."""

    def __init__(self, sources: list[ProbeSource], times: Times, *, as_json: bool) -> None:
        from nightheron.runtime.clock import Clock

        self._sources = sources
        self._times, self._as_json = times, as_json
        self._clock: Clock = Clock()
        self._heard: queue.Queue[Heard] = queue.Queue(WAITING_MOST)
        self._tallies: dict[str, Tally] = {}
        self._told: dict[int, str] = {}

    def listen(self, seconds: float | None) -> None:
        for source in self._sources:
            threading.Thread(target=self._follow, args=(source,), daemon=True).start()
        begun_ns = self._clock.now_ns()
        while seconds is None or self._clock.now_ns() - begun_ns < seconds * 1e9:
            try:
                self._show(self._heard.get(timeout=LOOK_S))
            except queue.Empty:
                if self._all_taken():
                    return

    def _follow(self, source: ProbeSource) -> None:
        for heard in source.readings():
            if heard is not None:
                self._heard.put(heard)

    def _show(self, heard: Heard) -> None:
        from nightheron.cli.listen_tally import Tally

        interval_s = self._tallies.setdefault(heard.probe, Tally()).take(heard)
        utc = self._clock.utc()
        if self._as_json:
            row = {
                "utc": utc.isoformat(timespec="milliseconds"),
                "probe": heard.probe,
                "raw": heard.raw,
                "value": heard.value,
                "refused": heard.refused,
                "interval_s": interval_s,
            }
            print(json.dumps(row), flush=True)
            return
        verdict = f"reads {heard.value:g}" if heard.value is not None else f"refused: {heard.refused}"
        after = f"  after {interval_s:.2f} s" if interval_s is not None else ""
        at = utc.astimezone(self._times.zone).strftime("%H:%M:%S.%f")[:-3]
        print(f"{at}  {heard.probe}  {heard.raw!r}  {verdict}{after}", flush=True)

    def _all_taken(self) -> bool:
        """Tell each new trouble once; True when every port is in another program's hands."""
        taken = 0
        for place, source in enumerate(self._sources):
            trouble: str = getattr(source, "trouble", "")
            taken += IN_USE in trouble
            if trouble and trouble != self._told.get(place):
                self._told[place] = trouble
                print(_sentence(trouble), file=sys.stderr)
        return taken == len(self._sources)

    def sum_up(self) -> int:
        from nightheron.cli.listen_tally import none_read

        readings = sum(tally.readings for tally in self._tallies.values())
        if self._as_json:
            print(json.dumps({"summary": {probe: t.as_json() for probe, t in self._tallies.items()}}))
        for probe, tally in [] if self._as_json else self._tallies.items():
            print(f"\n{probe}\n{tally.as_text()}")
        if not readings and not self._as_json:
            print(f"\n{none_read(list(self._tallies.values()))}")
        return 0 if readings else 1


def _sentence(trouble: str) -> str:
    if IN_USE in trouble:
        return (
            "The port is in use by another program, most likely the running service; "
            "stop the service first, or see nightheron status."
        )
    return f"No link yet: {trouble.rstrip('.')}."
