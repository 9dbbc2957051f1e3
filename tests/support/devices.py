"""Valve devices for tests: one on a broker, one on a pseudo-terminal. They log orders with their times."""

from __future__ import annotations

import re
import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tests.support.broker import PATIENCE_S, Client, Message, RunningBroker
from tests.support.pty_port import PtyPort


@dataclass(frozen=True, slots=True)
class Order:
    """One order as the device got it; ``at`` is time.monotonic()."""

    at: float
    text: str


def wait_until(true: Callable[[], bool], within_s: float = PATIENCE_S, what: str = "it") -> float:
    """Wait until a condition holds; the time (monotonic) at which it did. TimeoutError otherwise."""
    end = time.monotonic() + within_s
    while not true():
        if time.monotonic() > end:
            raise TimeoutError(f"{what} did not happen within {within_s} s")
        time.sleep(0.002)
    return time.monotonic()


class _Log(ABC):
    """What both devices share: the orders, and whether gas flows."""

    open_order = "OPEN"
    timer_s: float | None = None

    @property
    @abstractmethod
    def orders(self) -> list[Order]:
        """Every order so far, oldest first; each device keeps its own log."""

    def texts(self) -> list[str]:
        """The orders without their times."""
        return [order.text for order in self.orders]

    @property
    def gas(self) -> bool:
        """True while gas flows: the last order opened, and the device's own timer, if any, still runs."""
        orders = self.orders
        if not orders or not orders[-1].text.startswith(self.open_order):
            return False
        seconds = re.search(r"\d+(\.\d+)?$", orders[-1].text)
        timer_s = float(seconds[0]) if seconds else self.timer_s
        return timer_s is None or time.monotonic() < orders[-1].at + timer_s

    def count(self, text: str) -> int:
        """How often this order came."""
        return self.texts().count(text)

    def wait_order(self, text: str, after: float = 0.0, within_s: float = PATIENCE_S) -> Order:
        """The first such order after a time (monotonic)."""
        found: list[Order] = []

        def there() -> bool:
            found[:] = [order for order in self.orders if order.text == text and order.at >= after]
            return bool(found)

        wait_until(there, within_s, f"the order {text!r}")
        return found[0]


class MqttDevice(_Log):
    """A valve that obeys one topic, and, if told so, reports on another."""

    def __init__(
        self,
        broker: RunningBroker,
        topic: str,
        *,
        feedback: str | None = None,
        timer_s: float | None = None,
    ) -> None:
        self.topic, self.feedback, self.timer_s = topic, feedback, timer_s
        self._client = Client(broker, topic)
        self._stop = threading.Event()
        self._reporter = threading.Thread(target=self._report, daemon=True)

    def __enter__(self) -> MqttDevice:
        self._client.__enter__()
        self._reporter.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._reporter.join(PATIENCE_S)
        self._client.__exit__()

    @property
    def messages(self) -> list[Message]:
        """The messages behind the orders."""
        return list(self._client.messages)

    @property
    def orders(self) -> list[Order]:
        return [Order(m.at, m.payload.decode("utf-8", "replace")) for m in self._client.messages]

    def _report(self) -> None:
        told = 0
        while self.feedback is not None and not self._stop.wait(0.005):
            orders = self.orders
            for order in orders[told:]:
                self._client.publish(self.feedback, order.text)
            told = len(orders)


class HeardDevice(_Log):
    """A valve on a broker that one client hears together with others."""

    def __init__(self, client: Client, topic: str) -> None:
        self._client, self.topic = client, topic

    @property
    def orders(self) -> list[Order]:
        return [
            Order(m.at, m.payload.decode("utf-8", "replace"))
            for m in list(self._client.messages)
            if m.topic == self.topic
        ]


class SerialDevice(_Log):
    """A valve at the far end of a serial line; ``replies`` maps an order to the line it answers."""

    def __init__(self, directory: Path, name: str = "valve", replies: dict[str, str] | None = None) -> None:
        self.port = PtyPort(directory, name)
        self.replies = replies or {}
        self._orders: list[Order] = []
        self._lock = threading.Lock()
        self._plugged = True
        self._stop = threading.Event()
        self._half = b""
        self._reader = threading.Thread(target=self._read, daemon=True)

    def __enter__(self) -> SerialDevice:
        self._reader.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._reader.join(PATIENCE_S)
        self.port.unplug()

    @property
    def path(self) -> str:
        """What to write as ``port``."""
        return str(self.port.path)

    @property
    def orders(self) -> list[Order]:
        return list(self._orders)

    def unplug(self) -> None:
        """The cable is pulled."""
        with self._lock:
            self._plugged = False
            self.port.unplug()

    def plug(self) -> None:
        """A device appears under the same name again."""
        with self._lock:
            self._half = b""
            self.port.plug()
            self._plugged = True

    def _read(self) -> None:
        while not self._stop.is_set():
            with self._lock:
                data = self.port.read(0.005) if self._plugged else b""
            if not data:
                time.sleep(0.005)
                continue
            *lines, self._half = (self._half + data).split(b"\n")
            for line in lines:
                text = line.decode("ascii", "backslashreplace")
                self._orders.append(Order(time.monotonic(), text))
                if text in self.replies and self._plugged:
                    self.port.write(self.replies[text].encode() + b"\n")
