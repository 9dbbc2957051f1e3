"""Keepers for tests: in this process, or in a guard process of their own that can be killed.

As a program, ``python -m tests.support.keeping PLANS_JSON [leak]`` keeps every valve open by renewing,
as a guard would, and prints a line of JSON with its keepers' process ids once gas is open.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from nightheron.model import NS, KeeperSaid
from nightheron.runtime.clock import Clock
from nightheron.runtime.keeper_client import Keepers, News
from nightheron.runtime.keeper_plans import BusPlan
from nightheron_drivers.protocols import Said

from tests.support.broker import PATIENCE_S, RunningBroker
from tests.support.devices import wait_until

LEASE_S = 2.0
OWN = "site/one-run"
Plans = Mapping[str, BusPlan]


def mqtt_plans(broker: RunningBroker, topics: Sequence[str], **more: Any) -> dict[str, BusPlan]:
    """One bus, one valve per topic; the valve's id is its topic."""
    plans = tuple(
        {
            "open_order": "OPEN",
            "close_order": "CLOSE",
            "lease_s": LEASE_S,
            "travel_s": 2.0,
            **more,
            "order_topic": topic,
            "id": topic,
            "site": "test",
        }
        for topic in topics
    )
    where = {"host": broker.host, "port": broker.port}
    return {"mqtt": BusPlan("nightheron_drivers.valve_mqtt:hold", plans, where)}


def serial_plans(path: str, lines: Mapping[str, tuple[str, str]], **more: Any) -> dict[str, BusPlan]:
    """One port; valve id to its open_line and close_line."""
    plans = tuple(
        {"port": path, "baud": 9600, "lease_s": LEASE_S, "travel_s": 2.0, **more}
        | {"id": id_, "open_line": opens, "close_line": closes}
        for id_, (opens, closes) in lines.items()
    )
    return {"serial": BusPlan("nightheron_drivers.valve_serial:hold", plans)}


class Keeping:
    """Keepers in this process, turned by hand."""

    def __init__(self, plans: Plans) -> None:
        self.clock = Clock()
        self.ids = [plan["id"] for bus in plans.values() for plan in bus.plans]
        self.news: list[News] = []
        self.opened: dict[str, float] = {}
        self.keepers = Keepers(plans, lambda host: host, OWN, self.clock)

    def turn(self) -> None:
        """One turn of a guard's loop; renews what was opened."""
        now_ns = self.clock.now_ns()
        self.news += self.keepers.poll(now_ns)
        for id_, renewed in self.opened.items():
            if time.monotonic() - renewed >= LEASE_S / 4:
                self.open(id_)
        time.sleep(0.004)

    def open(self, id_: str) -> None:
        """Open for one lease, and renew at every quarter of it from then on."""
        now_ns = self.clock.now_ns()
        self.keepers.open_until(id_, now_ns + int(LEASE_S * NS), now_ns)
        self.opened[id_] = time.monotonic()

    def close(self, id_: str) -> None:
        """Renew no more, and close."""
        self.opened.pop(id_, None)
        self.keepers.close(id_, self.clock.now_ns())

    def said(self, what: str, since: int = 0) -> list[Said]:
        """What valves said of this kind."""
        return [said for _, said in self.news[since:] if isinstance(said, Said) and said.what == what]

    def lives(self, since: int = 0) -> list[KeeperSaid]:
        """The keepers' comings and goings."""
        return [said for _, said in self.news[since:] if isinstance(said, KeeperSaid)]

    def wait(self, true: Any, within_s: float = PATIENCE_S, what: str = "it") -> float:
        """Turn until a condition holds."""

        def turned() -> bool:
            self.turn()
            return bool(true())

        return wait_until(turned, within_s, what)

    def rest(self, seconds: float) -> None:
        """Turn for a while."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            self.turn()

    def wait_linked(self) -> None:
        """Turn until every valve is linked."""
        self.wait(lambda: len(self.said("link_up")) >= len(self.ids), what="every link")

    def pids(self) -> list[int]:
        """The processes that hold a bus."""
        return [bus.keeper.pid for bus in self.keepers._buses.values() if bus.keeper is not None]


@contextmanager
def keeping(plans: Plans) -> Iterator[Keeping]:
    """Keepers for the length of a test, every valve linked."""
    made = Keeping(plans)
    try:
        made.wait_linked()
        yield made
    finally:
        made.keepers.end(3.0)


class GuardProcess:
    """A guard of its own that keeps every valve open until it is killed."""

    def __init__(self, plans: Plans, *more: str) -> None:
        dumped = {bus: [plan.holder, plan.plans, plan.broker] for bus, plan in plans.items()}
        root = Path(__file__).resolve().parents[2]
        self.process = subprocess.Popen(  # noqa: S603 - our own program
            [sys.executable, "-m", "tests.support.keeping", json.dumps(dumped), *more],
            cwd=root,
            stdout=subprocess.PIPE,
        )
        line = self.process.stdout.readline() if self.process.stdout is not None else b""
        self.keepers: list[int] = json.loads(line)["keepers"]
        self.leaked: int | None = json.loads(line)["leaked"]

    def __enter__(self) -> GuardProcess:
        return self

    def __exit__(self, *_: object) -> None:
        for pid in (*self.keepers, *filter(None, [self.leaked])):
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        self.process.kill()
        self.process.wait(PATIENCE_S)
        if self.process.stdout is not None:
            self.process.stdout.close()

    def kill(self) -> float:
        """SIGKILL; when (monotonic)."""
        self.process.kill()
        at = time.monotonic()
        self.process.wait(PATIENCE_S)
        return at


def ended(pid: int) -> bool:
    """True when a process is gone, or a corpse that nobody has buried."""
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return True
    return state in "ZX"


def main(arguments: Sequence[str]) -> None:
    """Keep everything open for ever."""
    plans = {
        bus: BusPlan(holder, tuple(p), broker)
        for bus, (holder, p, broker) in json.loads(arguments[0]).items()
    }
    made = Keeping(plans)
    made.wait_linked()
    leaked = None
    if "leak" in arguments:
        # A stray child that inherits every socket, so that the keepers never see an end of file.
        for fd in made.keepers.filenos():
            os.set_inheritable(fd, True)
        leaked = subprocess.Popen(["/bin/sleep", "60"], close_fds=False, stdout=subprocess.DEVNULL).pid
    for id_ in made.ids:
        made.open(id_)
    made.wait(lambda: len([s for s in made.said("acked") if s.gas == "open"]) >= len(made.ids))
    print(json.dumps({"keepers": made.pids(), "leaked": leaked}), flush=True)
    while True:
        made.turn()


if __name__ == "__main__":
    main(sys.argv[1:])
