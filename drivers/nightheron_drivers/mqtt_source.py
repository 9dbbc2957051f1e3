"""One MQTT connection for all probes of a site, driven by its own loop.

Connecting (name resolution, TCP, TLS) may block for longer than a source may, so each attempt runs in
a short-lived thread, one at a time, while ``readings`` goes on saying None; nothing else touches the
client meanwhile. Everything else, callbacks included, runs in the thread of ``readings``. Callbacks only
append: paho ends its loop when one raises.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from nightheron_drivers.arrival import boottime_ns
from nightheron_drivers.burst import thinned
from nightheron_drivers.linebus import escaped
from nightheron_drivers.mqtt_client import new_client
from nightheron_drivers.numbers import read_payload
from nightheron_drivers.protocols import Broker, Heard

WAIT_S = 0.25
CONNACK_MOST_S = 2.0
KEEPALIVE_S = 5
AGAIN_S = 5.0
"""How long after a refused subscription it is asked for again."""
BACKOFF_S = (0.1, 0.2, 0.5, 1.0, 2.0)
DRAIN_MOST = 1000
"""So many messages are taken before they are handed on; the rest wait in the socket."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What one probe listens to."""

    probe: str
    topic: str
    value_pointer: str
    time_pointer: str
    stale_s: float


class MqttSource:
    """See the module. ``trouble`` says why there is no link, for people."""

    def __init__(
        self, wanted: Sequence[Wanted], broker: Broker, site: str, wall_s: Callable[[], float] = time.time
    ) -> None:
        self.trouble = ""
        self._topics = {one.topic: [w for w in wanted if w.topic == one.topic] for one in wanted}
        self._broker = broker
        self._site = site
        self._wall_s = wall_s
        self._closed = threading.Event()
        self._heard: deque[Heard] = deque()
        self._subscribing: dict[int, list[str]] = {}
        self._ask: list[str] = []
        self._ask_at_ns = 0
        self._connected = False

    def close(self) -> None:
        """Ask ``readings`` to end soon."""
        self._closed.set()

    def readings(self) -> Iterator[Heard | None]:
        """Yield what is heard, None when nothing is; ends after ``close``."""
        failures = 0
        while not self._closed.is_set():
            self._connected, self._subscribing = False, {}
            client: paho.Client | None = None
            try:
                client = new_client(self._broker, f"nightheron-{self._site}-probes")
                self._attach(client)
            except (OSError, ValueError) as why:
                # A certificate file that cannot be read; it may come back.
                self.trouble = str(why)
            if client is not None and (yield from self._connect(client)):
                for heard in self._listen(client):
                    failures = 0 if heard is not None else failures
                    yield heard
                client.disconnect()
            failures += 1
            yield from self._pause(BACKOFF_S[min(failures, len(BACKOFF_S)) - 1])

    def _pause(self, pause_s: float) -> Iterator[None]:
        yield None
        while pause_s > 0 and not self._closed.wait(min(pause_s, WAIT_S)):
            yield None
            pause_s -= WAIT_S

    def _connect(self, client: paho.Client) -> Generator[None, None, bool]:
        failed: list[BaseException] = []

        def attempt() -> None:
            try:
                client.connect(self._broker.host, self._broker.port, KEEPALIVE_S, clean_start=True)
                if self._closed.is_set():
                    client.disconnect()
            except Exception as why:  # whatever it is, it belongs to this attempt and is told as trouble
                failed.append(why)

        thread = threading.Thread(target=attempt, name="mqtt-probe-connect", daemon=True)
        thread.start()
        while thread.is_alive() and not self._closed.is_set():
            thread.join(WAIT_S)
            yield None
        if failed:
            self.trouble = f"no connection to {self._broker.host}:{self._broker.port}: {failed[0]}"
        return not failed and not thread.is_alive()

    def _attach(self, client: paho.Client) -> None:
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message

    def _listen(self, client: paho.Client) -> Iterator[Heard | None]:
        begun_ns = boottime_ns()
        while not self._closed.is_set():
            before = len(self._heard)
            ok = self._turn(client, WAIT_S)
            while ok and before < len(self._heard) < DRAIN_MOST:
                before = len(self._heard)
                ok = self._turn(client, 0.0)
            batch = [self._heard.popleft() for _ in range(len(self._heard))]
            if batch:
                yield from thinned(batch)
            else:
                yield None
            now_ns = boottime_ns()
            if not ok or (not self._connected and now_ns - begun_ns > CONNACK_MOST_S * 1e9):
                self.trouble = self.trouble or f"the broker {self._broker.host} does not answer"
                return
            if self._ask and self._connected and now_ns >= self._ask_at_ns:
                self._subscribe(client)

    def _turn(self, client: paho.Client, wait_s: float) -> bool:
        try:
            code = client.loop(wait_s)
        except Exception as why:  # what a broken peer sends must not end the source, only this connection
            self.trouble = f"the broker's answer cannot be read: {why}"
            return False
        if code is not MQTTErrorCode.MQTT_ERR_SUCCESS:
            self.trouble = self.trouble or f"the link to the broker was lost: {paho.error_string(code)}"
            return False
        return True

    def _subscribe(self, client: paho.Client) -> None:
        topics, self._ask = self._ask, []
        options = SubscribeOptions(qos=1)
        code, mid = client.subscribe([(topic, options) for topic in topics])
        if code is MQTTErrorCode.MQTT_ERR_SUCCESS and mid is not None:
            self._subscribing[mid] = topics

    # Callbacks. Each catches everything, since one that raises would end paho's loop.

    def _on_connect(self, client: paho.Client, _data: Any, _flags: Any, code: Any, _more: Any) -> None:
        try:
            self.trouble = f"the broker refuses us: {code}" if code.is_failure else ""
            self._connected = not code.is_failure
            if self._connected:
                self._ask = list(self._topics)
                self._subscribe(client)
        except Exception as why:  # see above
            self.trouble = f"cannot subscribe: {why}"

    def _on_subscribe(self, _client: paho.Client, _data: Any, mid: int, codes: Any, _more: Any) -> None:
        try:
            now_ns = boottime_ns()
            for topic, code in zip(self._subscribing.pop(mid, []), codes, strict=False):
                if code.is_failure:
                    self._ask.append(topic)
                    self._ask_at_ns = now_ns + round(AGAIN_S * 1e9)
                    self.trouble = f"the broker refuses the topic {topic}: {code}"
                    for one in self._topics[topic]:
                        self._heard.append(Heard(one.probe, now_ns, None, f"{code}", "not_allowed"))
        except Exception as why:  # see above
            self.trouble = f"cannot subscribe: {why}"

    def _on_message(self, _client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        try:
            now_ns = boottime_ns()
            payload = bytes(message.payload)
            raw = escaped(payload)
            for one in self._topics.get(message.topic, ()):
                if message.retain:
                    self._heard.append(Heard(one.probe, now_ns, None, raw, "retained"))
                    continue
                number = read_payload(
                    payload, one.value_pointer, one.time_pointer, one.stale_s, self._wall_s()
                )
                self._heard.append(Heard(one.probe, now_ns, number.value, raw, number.refused))
        except Exception as why:  # see above
            self.trouble = f"a message cannot be read: {why}"
