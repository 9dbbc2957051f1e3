"""A hundred chambers in one service on one broker, each with a reading twice a second."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from statistics import median

import pytest

from tests.support.broker import Client, running_broker
from tests.support.devices import wait_until
from tests.support.service import Service
from tests.support.siege import HIGH_PH, Part, write_site

NAMES = [f"c{number:02d}" for number in range(100)]
EVERY_S = 0.5
LOW_PH = 6.55
CLOSES_S = 1.0


class Chorus:
    """A hundred probes that speak twice a second, one after another; ``fell``: when each first said low."""

    def __init__(self, client: Client) -> None:
        self.ph = dict.fromkeys(NAMES, HIGH_PH)
        self.fell: dict[str, float] = {}
        self._client = client
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Chorus:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        self._thread.join(20)

    def says(self, name: str) -> None:
        ph = self.ph[name]
        if ph == LOW_PH:
            self.fell.setdefault(name, time.monotonic())
        self._client.publish(f"{name}/ph", f"{ph}", qos=0)

    def _run(self) -> None:
        turn, begun = 0, time.monotonic()
        while not self._ending.wait(max(0.0, begun + turn * EVERY_S / len(NAMES) - time.monotonic())):
            self.says(NAMES[turn % len(NAMES)])
            turn += 1


@dataclass
class Hundred:
    """The service, its probes, and an ear at all valves."""

    service: Service
    chorus: Chorus
    ear: Client

    def orders(self, text: bytes, after: float) -> dict[str, float]:
        """When each chamber's valve first heard this order after a time (monotonic)."""
        found: dict[str, float] = {}
        for message in list(self.ear.messages):
            if message.payload == text and message.at >= after:
                found.setdefault(message.topic.removeprefix("orders/"), message.at)
        return found

    def all_open(self, within_s: float) -> None:
        """Wait until the last order at every valve is to open."""
        last: dict[str, bytes] = {}
        seen = 0

        def open_now() -> bool:
            nonlocal seen
            messages = self.ear.messages[seen:]
            seen += len(messages)
            last.update({message.topic: message.payload for message in messages})
            return list(last.values()).count(b"OPEN") == len(NAMES)

        wait_until(open_now, within_s, "gas open everywhere")

    def all_hear(self, text: bytes, after: float, within_s: float) -> dict[str, float]:
        """Wait until every valve has heard it."""
        try:
            wait_until(lambda: len(self.orders(text, after)) == len(NAMES), within_s, "an order")
        except TimeoutError:
            missing = sorted(set(NAMES) - set(self.orders(text, after)))
            told = {
                c["name"]: (c["gas"], c["reason"], c["evidence"]) for c in self.service.status()["chambers"]
            }
            said = "\n".join(f"{name}: {told[name]}" for name in missing)
            raise AssertionError(f"no {text!r} at {len(missing)} valves:\n{said}") from None
        return self.orders(text, after)


@pytest.fixture
def hundred(tmp_path: Path) -> Iterator[Hundred]:
    parts = [
        Part(
            name,
            f'driver = "mqtt"\ntopic = "{name}/ph"\nperiod_s = {EVERY_S}\n',
            f'driver = "mqtt"\norder_topic = "orders/{name}"\n',
        )
        for name in NAMES
    ]
    with (
        running_broker() as broker,
        Client(broker, "orders/#") as ear,
        Client(broker) as mouth,
        Chorus(mouth) as chorus,
        Service(write_site(tmp_path, broker.port, parts)) as service,
    ):
        place = Hundred(service, chorus, ear)
        place.all_open(60)
        yield place


@pytest.mark.alone
def test_every_one_of_a_hundred_closes_within_a_second_of_its_fall(hundred: Hundred) -> None:
    """Whether a hundred fall one after another or in one moment, each CLOSE comes within a second."""
    chorus = hundred.chorus
    now = time.monotonic()
    chorus.ph.update(dict.fromkeys(NAMES, LOW_PH))  # each falls with its own next reading
    in_turn = _took_s(hundred, now)
    chorus.ph.update(dict.fromkeys(NAMES, HIGH_PH))
    hundred.all_open(60)
    chorus.fell.clear()
    now = time.monotonic()
    chorus.ph.update(dict.fromkeys(NAMES, LOW_PH))
    for name in NAMES:
        chorus.says(name)
    at_once = _took_s(hundred, now)
    for how, took in (("in turn", in_turn), ("at once", at_once)):
        print(f"{how}: median {median(took):.3f} s, worst {max(took):.3f} s of {len(took)}")
        assert len(took) == len(NAMES)
        assert max(took) <= CLOSES_S, f"{how}: median {median(took):.3f} s, worst {max(took):.3f} s"
    rows = hundred.service.rows("--kind", "decision", "--limit", "2000")
    cut = {row["chamber"] for row in rows if row["gas"] == "closed" and row["reason"] == "floor"}
    assert cut == set(NAMES)


def _took_s(hundred: Hundred, after: float) -> list[float]:
    """From each fall to CLOSE at that chamber's valve."""
    closed = hundred.all_hear(b"CLOSE", after, 20)
    return [closed[name] - hundred.chorus.fell[name] for name in NAMES]
