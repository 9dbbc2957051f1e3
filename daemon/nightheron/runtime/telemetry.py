"""What goes out on the broker for whoever listens: reports, events, alarms, and that we are here.

It has a client and a thread of its own and is fed through a bounded queue: reports are replaced by
newer ones, the rest drops its oldest, counted. Nothing on the way to a close knows about it.
"""

from __future__ import annotations

import json
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import paho.mqtt.client as paho
from nightheron_drivers.protocols import Broker
from paho.mqtt.enums import CallbackAPIVersion

from nightheron.guard.limits import ChamberLimits
from nightheron.model import Decision, JsonValue
from nightheron.runtime.status import chamber_status

QUEUE_MOST = 500
KEEPALIVE_S = 10
ANSWER_MOST = 200


class Telemetry:
    """Publishes under ``<prefix>/<site>`` until ``stop``."""

    def __init__(
        self,
        broker: Broker,
        prefix: str,
        site: str,
        limits: Sequence[ChamberLimits],
        since: Callable[[], Sequence[str]],
        say: Callable[..., Any],
        when: Callable[[int], str] | None = None,
        answered: Callable[[str], object] | None = None,
    ) -> None:
        self._answered = answered
        self._broker, self._limits, self._since, self._say = broker, limits, since, say
        self._when = when
        self._base = f"{prefix}/{site}"
        self._reports: dict[int, Decision] = {}
        self._queue: deque[tuple[str, bytes, bool]] = deque()
        self._changed = threading.Condition()
        self._ending = False
        self._up = False
        self._announce = False
        """``present`` must be said: the broker may have said 0 for us."""
        self.dropped = 0
        """Events and alarms that were dropped since the start."""
        self._client = self._make_client(f"nightheron-{site}-telemetry")
        self._thread = threading.Thread(target=self._run, name="telemetry", daemon=True)

    def start(self) -> None:
        """Begin to connect and to publish."""
        self._thread.start()

    def stop(self, deadline_s: float) -> None:
        """Say that we are gone, no longer than this."""
        with self._changed:
            self._ending = True
            self._changed.notify()
        self._thread.join(deadline_s)

    # -- NewsPort --

    def report(self, decision: Decision, place: int) -> None:
        with self._changed:
            self._reports[place] = decision
            self._changed.notify()

    def row(self, chamber: str, body: Mapping[str, JsonValue]) -> None:
        self._queue_up(
            f"{self._base}/{chamber}/events", {k: v for k, v in body.items() if k != "left"}, keep=False
        )

    def alarm(self, chamber: str, body: Mapping[str, JsonValue]) -> None:
        self._queue_up(f"{self._base}/{chamber}/alarms/{body['id']}", body, keep=False)

    # -- the thread --

    def _queue_up(self, topic: str, body: Mapping[str, JsonValue], *, keep: bool) -> None:
        payload = json.dumps(body, ensure_ascii=False).encode()
        with self._changed:
            if len(self._queue) >= QUEUE_MOST:
                self._queue.popleft()
                self.dropped += 1
            self._queue.append((topic, payload, keep))
            self._changed.notify()

    def _make_client(self, name: str) -> paho.Client:
        client = paho.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=paho.MQTTv5)
        client.max_queued_messages_set(QUEUE_MOST)
        client.reconnect_delay_set(1, 10)
        client.will_set(f"{self._base}/present", b"0", qos=1, retain=True)
        broker = self._broker
        if broker.username is not None:
            client.username_pw_set(broker.username, broker.password)
        if broker.tls:
            client.tls_set(ca_certs=broker.ca_file, certfile=broker.cert_file, keyfile=broker.key_file)
        client.on_connect = self._connected
        client.on_disconnect = self._disconnected
        client.on_message = self._heard
        return client

    def _connected(self, _c: object, _u: object, _f: object, code: Any, _p: object) -> None:
        if not code.is_failure:
            if self._answered is not None:
                self._client.subscribe(f"{self._base}/ack", qos=1)
            with self._changed:
                self._up = self._announce = True
                self._changed.notify()

    def _heard(self, _c: object, _u: object, message: paho.MQTTMessage) -> None:
        """An alarm's id on ``<prefix>/<site>/ack`` says that somebody has seen it; a retained one is old."""
        if message.retain or len(message.payload) > ANSWER_MOST or self._answered is None:
            return
        self._answered(message.payload.decode("utf-8", "replace").strip())

    def _disconnected(self, *_: object) -> None:
        self._up = False

    def _run(self) -> None:
        try:
            # In this thread, which nobody waits for: a name server may keep it as long as it likes.
            self._client.connect_async(self._broker.host, self._broker.port, KEEPALIVE_S, clean_start=True)
            self._client.loop_start()
            self._publish_until_the_end()
        except Exception as fault:  # news is not worth a guard
            self._say("telemetry_ended", why=f"{type(fault).__name__}: {fault}"[:300])

    def _publish_until_the_end(self) -> None:
        while not self._ending:
            with self._changed:
                self._changed.wait_for(self._has_work, 5.0)
                if not self._up or self._ending:
                    continue
                reports, self._reports = self._reports, {}
                events, self._queue = self._queue, deque()
                announce, self._announce = self._announce, False
            if announce:
                self._client.publish(f"{self._base}/present", b"1", qos=1, retain=True)
            self._send(reports, events)
        self._finish()

    def _has_work(self) -> bool:
        return self._ending or (self._up and bool(self._announce or self._reports or self._queue))

    def _send(self, reports: Mapping[int, Decision], events: deque[tuple[str, bytes, bool]]) -> None:
        since = self._since()
        for place, decision in reports.items():
            one = self._limits[place]
            said = chamber_status(decision, one, since[place], self._when)
            body = json.dumps(said, ensure_ascii=False).encode()
            self._client.publish(f"{self._base}/{one.name}/report", body, qos=0, retain=True)
        for topic, payload, keep in events:
            self._client.publish(topic, payload, qos=1, retain=keep)

    def _finish(self) -> None:
        if self._up:
            with self._changed:
                reports, events = self._reports, self._queue
            self._send(reports, events)
            gone = self._client.publish(f"{self._base}/present", b"0", qos=1, retain=True)
            gone.wait_for_publish(1.0)
        self._client.disconnect()
        self._client.loop_stop()
