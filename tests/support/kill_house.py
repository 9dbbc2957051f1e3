"""One service whose tank is far too low, killed at one point on the way from the reading to "accepted".

    python -m tests.support.kill_house [guard|courier|both]...     every point, one after the other

Both probes and the valve are played on a Unix socket, the push service on a local port. A push service that
is handed a message looks at once, before it answers, whether the journal on disk knows of it. When a killed
guard left the alarm's row, the tank is well again before the next one starts: only what is on disk can tell.
"""

from __future__ import annotations

import json
import re
import signal
import socketserver
import sqlite3
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler
from pathlib import Path
from typing import Any

from nightheron.journal.verify import verify

from tests.support.devices import Order, wait_until
from tests.support.endpoint import Endpoint
from tests.support.kill_points import Kill, KillPoints, built
from tests.support.service import Service

PH, EVERY_S, LEASE_S = 6.9, 0.2, 2.0
SETTLE_S = 1.0
TANK_WELL_PH, TANK_FAR_LOW_PH = 8.1, 7.3
CLOSES_S = 3.0
"""From the low reading to CLOSE, killed or not, on a machine that is busy."""
WHOM = ("guard", "courier", "both")
ALARM = "west-tank_low-1"
PUSH = f"{ALARM}.wake"
QUIET_S = 0.6
TOLD_WITHIN_S = 60.0
SITE = """
[site]
name = "test-house"
data_dir = "data"

[[chamber]]
name = "west"
floor_ph = 6.60
resume_ph = 6.70
min_rest_s = 1
settle_s = {settle_s}
[chamber.probe]
driver = "rig"
path = "{path}"
chamber = "west"
period_s = 0.2
stale_s = 3.0
[chamber.valve]
driver = "rig"
path = "{path}"
lease_s = 2.0

[[tank]]
name = "display"
chambers = ["west"]
low_ph = 7.70
clear_ph = 7.80
[tank.probe]
driver = "rig"
path = "{path}"
chamber = "display"
period_s = 0.2
stale_s = 3.0

[alerts]
urls = ["{url}"]
"""


class House:
    """The probes of chamber and tank and the valve on one Unix socket, as the ``rig`` drivers want them."""

    def __init__(self, path: Path) -> None:
        self.tank_ph, self.orders = TANK_WELL_PH, list[Order]()
        self._ending = threading.Event()
        outer = self

        class Line(socketserver.StreamRequestHandler):
            def handle(self) -> None:
                outer._meet(self)

        class Server(socketserver.ThreadingUnixStreamServer):
            daemon_threads = True

        self._server = Server(str(path), Line)

    def __enter__(self) -> House:
        threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        self._server.shutdown()
        self._server.server_close()

    @property
    def open(self) -> bool:
        """The valve was last told to open, and its lease runs."""
        orders = self.orders
        return bool(orders) and orders[-1].text != "CLOSE" and time.monotonic() < orders[-1].at + LEASE_S

    def _meet(self, line: socketserver.StreamRequestHandler) -> None:
        try:
            what, *names = line.rfile.readline().decode().split()
            while what == "probe" and not self._ending.wait(EVERY_S):
                line.wfile.write(f"{PH if names == ['west'] else self.tank_ph}\n".encode())
            while what == "valve" and (order := line.rfile.readline().decode().strip()):
                self.orders.append(Order(time.monotonic(), order.partition(" ")[0]))
                line.wfile.write(b"closed\n" if order == "CLOSE" else b"open\n")
        except (OSError, ValueError):
            return  # the service hung up


class Journal:
    """Looked at from outside while the service writes it, by SQL alone."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def ask(self, sql: str, *values: object) -> list[tuple[Any, ...]]:
        db = sqlite3.connect(f"{self._path.absolute().as_uri()}?mode=ro", uri=True, timeout=10.0)
        try:
            return db.execute(sql, values).fetchall()
        finally:
            db.close()

    def bodies(self, kind: str) -> list[dict[str, Any]]:
        return [json.loads(body) for (body,) in self.ask("SELECT body FROM entries WHERE kind = ?", kind)]

    def accepted(self) -> bool:
        return any(row["push"] == PUSH and row["state"] == "accepted" for row in self.bodies("delivery"))

    def quiet(self) -> bool:
        """Nothing is to be told any more."""
        there = self.ask("SELECT 1 FROM sqlite_master WHERE name = 'outbox'")
        return not there or not self.ask("SELECT id FROM outbox WHERE id LIKE '%@%'")

    def newest(self) -> int:
        found = self.ask("SELECT max(seq) FROM entries")[0][0]
        return int(found or 0)


class Witness(Endpoint):
    """A push service that holds every message against the journal at the moment it gets it."""

    def __init__(self, journal: Journal) -> None:
        super().__init__()
        self._journal = journal
        self.ids: list[str] = []
        self.wrong: list[str] = []

    def _say(self, request: BaseHTTPRequestHandler, path: str, body: bytes) -> None:
        try:
            self._hold(json.loads(body)["message"])
        except (sqlite3.Error, ValueError, IndexError, KeyError) as fault:
            self.wrong.append(f"could not be held against the journal: {type(fault).__name__}: {fault}")
        super()._say(request, path, body)

    def _hold(self, message: str) -> None:
        found = re.search(r"^(\S+) No\. (\d+), ([0-9a-f]{8})$", message, re.MULTILINE)
        if found is None:
            self.wrong.append(f"no id and head in {message!r}")
            return
        name, number, head = found.groups()
        self.ids.append(name)
        rows = [key for row in self._journal.bodies("alarm") for key in row.get("pushes", ())]
        if not any(key.startswith(f"{name}@") for key in rows):
            self.wrong.append(f"{name} was sent before its row was on disk")
        if self._journal.accepted():
            self.wrong.append(f"{name} was sent again after its acceptance was on record")
        if [
            found[0][:8] for found in self._journal.ask("SELECT hash FROM entries WHERE seq = ?", number)
        ] != [head]:
            self.wrong.append(f"No. {number}, {head} is no head of the journal")


@dataclass
class Told:
    """What one trial showed."""

    kill: Kill
    points: list[str]
    killed: bool
    received: int = 0
    closed_s: float = 0.0
    wrong: list[str] = field(default_factory=list)

    @property
    def point(self) -> str:
        name = self.kill.name or "counted"
        return name if self.killed or not self.kill.name else f"{name}: met no more"

    def line(self) -> str:
        so = "; ".join(self.wrong) or "as it must be"
        return (
            f"{self.kill.whom:8}{self.kill.number:4} {self.point:38} received {self.received}, "
            f"shut in {self.closed_s:.2f} s: {so}"
        )


def trial(folder: Path, library: Path, kill: Kill) -> Told:
    """Play it once, from the first reading to a stop in good order; number 0 kills nobody."""
    folder.mkdir(parents=True)
    journal = Journal(folder / "data" / "journal.db")
    points = KillPoints(folder, library)
    with House(folder / "house") as house, Witness(journal) as phone:
        config = folder / "nightheron.toml"
        config.write_text(SITE.format(settle_s=SETTLE_S, path=folder / "house", url=phone.url()))
        with Service(config, more=points.environment) as service:
            _settle(house, journal)
            points.arm(kill)
            begun, well = time.monotonic(), float("inf")
            house.tank_ph = TANK_FAR_LOW_PH
            late = _waited(lambda: points.fired or journal.accepted(), "the point, or acceptance")
            killed = points.fired
            points.disarm()
            told = Told(kill, points.seen(), killed, wrong=late)
            if killed and kill.whom != "courier":
                if service.ends() != -signal.SIGKILL:
                    told.wrong.append("the guard was not killed")
                if journal.bodies("alarm"):
                    house.tank_ph, well = TANK_WELL_PH, time.monotonic() + SETTLE_S
                service.start()
            told.wrong += _waited(lambda: journal.accepted() and journal.quiet(), "acceptance")
            time.sleep(QUIET_S)
            service.signal(signal.SIGTERM)
            if service.ends() != 0:
                told.wrong.append("the service did not stop in good order")
    _judge(told, [one for one in house.orders if begun < one.at < well], begun, phone, journal)
    if not verify(folder / "data" / "journal.db").ok:
        told.wrong.append("the journal does not verify")
    return told


def _waited(true: Callable[[], bool], what: str) -> list[str]:
    """What went wrong: nothing, or that it did not come."""
    try:
        wait_until(true, TOLD_WITHIN_S, what)
    except TimeoutError as late:
        return [str(late)]
    return []


def _settle(house: House, journal: Journal) -> None:
    """Gas flows, and nothing is on its way to the disk."""
    wait_until(lambda: house.open, TOLD_WITHIN_S, "gas")
    before = -1
    while journal.newest() != before:
        before = journal.newest()
        time.sleep(QUIET_S)


def _judge(told: Told, after: Sequence[Order], begun: float, phone: Witness, journal: Journal) -> None:
    """``after`` are the orders while the tank was too low, and so long after that none may open."""
    told.received = len(phone.ids)
    told.wrong += phone.wrong
    alarms = {row["id"] for row in journal.bodies("alarm") if row["reason"] == "tank_low"}
    if alarms != {ALARM}:
        told.wrong.append(f"the journal has the alarms {sorted(alarms)}")
    if set(phone.ids) != {PUSH}:
        told.wrong.append(f"the push service got {sorted(set(phone.ids))}")
    if told.received > (2 if told.killed else 1):
        told.wrong.append(f"it came {told.received} times")
    closes = [order.at for order in after if order.text == "CLOSE"]
    told.closed_s = closes[0] - begun if closes else float("inf")
    if told.closed_s > CLOSES_S or any(o.text != "CLOSE" and o.at > closes[0] for o in after):
        told.wrong.append(f"gas was not shut and kept shut: {[order.text for order in after]}")


def every(folder: Path, library: Path, whom: str, at_once: int = 3) -> list[Told]:
    """Each call of each name, from the first until one is met no more.

    Counted by name: threads take turns as they please, and the N-th call of all is not the same each time.
    """
    seen: Counter[str] = Counter()
    tried: Counter[str] = Counter()
    over: set[str] = set()
    found: list[Told] = []

    def one(kill: Kill) -> Told:
        told = trial(folder / f"{whom}-{kill.number}-{kill.name.replace(' ', '-')}", library, kill)
        print(told.line(), flush=True)
        return told

    todo = [Kill(whom, 0)]
    with ThreadPoolExecutor(at_once) as pool:
        while todo:
            for told in pool.map(one, todo):
                found.append(told)
                seen |= Counter(told.points)
                if told.kill.number and not told.killed:
                    over.add(told.kill.name)
            more = {name: max(seen[name], tried[name]) + 1 for name in seen if name not in over}
            todo = [Kill(whom, n, name) for name in more for n in range(tried[name] + 1, more[name] + 1)]
            tried |= Counter(more)
    return found


def main(whom: Sequence[str]) -> int:
    """0 when nothing was wrong at any point."""
    with tempfile.TemporaryDirectory(prefix="kills-") as name:
        library = built(Path(name))
        found = [told for one in whom or WHOM for told in every(Path(name), library, one)]
    for one in whom or WHOM:
        met = Counter(told.point for told in found if told.kill.whom == one and told.killed)
        print(f"{one}: {met.total()} points: " + ", ".join(f"{n} {what}" for what, n in met.most_common()))
        twice = sum(told.received > 1 for told in found if told.kill.whom == one)
        print(f"{one}: received twice in {twice}")
    wrong = sum(bool(told.wrong) for told in found)
    print(f"{len(found)} runs, wrong in {wrong}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
