"""How long a reading takes to become a CLOSE, with a push service that never answers and without one."""

from __future__ import annotations

import json
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from statistics import median

from tests.support.broker import Client, Message, RunningBroker, running_broker
from tests.support.devices import wait_until
from tests.support.service import Service
from tests.support.talker import Talker, chamber, site

CLOSES = 10
ADDRESSES = 3
NOISE_S = 0.02
"""Both medians are a few milliseconds, of which a busy kernel may add as many again."""
STALL_S = 0.3
"""No single CLOSE may be slower than the slowest of the other site by this much."""
MOST_TIMES = 1.5
HIGH, LOW = "6.90", "6.55"


class BlackHole:
    """Accepts on 127.0.0.1, reads nothing, answers nothing, and never hangs up."""

    def __init__(self) -> None:
        self.taken: list[socket.socket] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.url = f"json://127.0.0.1:{self._listener.getsockname()[1]}"

    def __enter__(self) -> BlackHole:
        threading.Thread(target=self._accept, daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self._listener.close()
        for one in self.taken:
            one.close()

    def _accept(self) -> None:
        while True:
            try:
                self.taken.append(self._listener.accept()[0])
            except OSError:
                return


class House:
    """One running service: the first chamber is measured, the second has no probe, so its alarm stands."""

    def __init__(self, folder: Path, broker: RunningBroker, name: str, alerts: str = "") -> None:
        self.topic, self.orders = f"{name}-west", f"orders/{name}-west"
        limits = {"floor_ph": 6.6, "resume_ph": 6.7}
        plans = [chamber(self.topic, values=limits), chamber(f"{name}-east", values=limits)]
        home = folder / name
        home.mkdir()
        config = home / "nightheron.toml"
        config.write_text(f"{site(broker, plans)}\n[alerts]\ndelay_s = 1\n{alerts}\n")
        self.service = Service(config)

    def close_s(self, client: Client, talker: Talker) -> float:
        """Seconds from a low reading's departure to the arrival of the CLOSE, once gas is open."""
        began_at = time.monotonic()
        client.wait_for(lambda one: self._order(one, b"OPEN") and one.at > began_at)
        left_at = time.monotonic()
        client.publish(self.topic, LOW, qos=0)
        talker.said[self.topic] = LOW
        closed = client.wait_for(lambda one: self._order(one, b"CLOSE") and one.at > left_at)
        return closed.at - left_at

    def _order(self, message: Message, order: bytes) -> bool:
        return message.topic == self.orders and message.payload == order


@contextmanager
def two_houses(folder: Path) -> Iterator[tuple[list[House], Client, Talker, BlackHole]]:
    """A house whose push service is a black hole, and one that pushes to nobody, at one broker."""
    with ExitStack() as stack:
        broker, hole = stack.enter_context(running_broker()), stack.enter_context(BlackHole())
        talker = stack.enter_context(Talker(broker))
        urls = json.dumps([f"{hole.url}/{number}" for number in range(ADDRESSES)])
        houses = [House(folder, broker, "dead", f"urls = {urls}"), House(folder, broker, "plain")]
        client = stack.enter_context(Client(broker, *(house.orders for house in houses)))
        for house in houses:
            talker.said[house.topic] = HIGH
            stack.enter_context(house.service)
        yield houses, client, talker, hole


def test_a_push_service_that_never_answers_slows_no_close(tmp_path: Path) -> None:
    """While pushes hang the median from reading to CLOSE is at most 1.5 times that without, and 20 ms."""
    took: list[list[float]] = [[], []]
    with two_houses(tmp_path) as (houses, client, talker, hole):
        wait_until(lambda: len(hole.taken) >= 1, 30, "a push that hangs")
        tried = len(hole.taken)
        for turn in range(CLOSES):
            talker.said |= {house.topic: HIGH for house in houses}
            for place in (0, 1) if turn % 2 else (1, 0):
                took[place].append(houses[place].close_s(client, talker))
        tried_meanwhile = len(hole.taken) - tried
        standing = [house.service.status()["chambers"][1]["reasons"] for house in houses]
        decisions = houses[0].service.rows("--kind", "decision")
        refused = houses[0].service.rows("--kind", "delivery")
    dead_s, plain_s = (median(some) for some in took)
    print(
        f"reading to CLOSE, medians of {CLOSES}: {dead_s * 1e3:.1f} ms with a dead push service and "
        f"{plain_s * 1e3:.1f} ms without; slowest {max(took[0]) * 1e3:.0f} and {max(took[1]) * 1e3:.0f} ms; "
        f"{tried_meanwhile} pushes tried meanwhile"
    )
    assert all("chamber_ph_lost" in reasons for reasons in standing)
    assert tried_meanwhile >= 1
    assert not [row for row in refused if row["state"] == "accepted"]
    assert dead_s <= MOST_TIMES * plain_s + NOISE_S
    assert max(took[0]) <= max(took[1]) + STALL_S
    assert decisions
    assert not [row for row in decisions if "guard_late" in row["reasons"]]
