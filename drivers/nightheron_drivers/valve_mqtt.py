"""A valve that takes its orders from a topic. Keeper side: the standard library and paho only.

Each valve has a connection of its own, because one connection has one last will. The first order on
every connection is CLOSE. OPEN is never retained, expires at the broker, and waits for the
acknowledgement of the OPEN before; CLOSE is retained and never waits. The valve listens on its own
order topic: what is there without our mark was sent by somebody else.
Tried on mosquitto 2.0.11, with any device that takes two payloads on one topic.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping, Sequence
from typing import Any

from nightheron.model import NS, Gas
from paho.mqtt.client import MQTTMessage
from paho.mqtt.reasoncodes import ReasonCode

from nightheron_drivers.brokerlink import BrokerLink, LinkLostError, marked
from nightheron_drivers.dial import tls_context
from nightheron_drivers.protocols import RAW_MOST, Said
from nightheron_drivers.valve_words import client_id, meaning, order_pattern, order_text

LEAST_WAIT_S, MOST_WAIT_S = 0.1, 2.0
SAID_MOST = 64


def hold(
    plans: Sequence[Mapping[str, Any]], broker: Mapping[str, Any] | None, own: str
) -> Sequence[MqttValve]:
    """One valve per plan, each with its own connection; nothing is connected before ``ready``."""
    if broker is None:
        raise ValueError("an mqtt valve needs a broker; add [mqtt] to the configuration")
    tls = tls_context(broker)
    return [MqttValve(plan, broker, tls, own) for plan in plans]


class MqttValve:
    """One valve on a broker. See ``nightheron_drivers.protocols.Valve``."""

    def __init__(self, plan: Mapping[str, Any], broker: Mapping[str, Any], tls: Any, own: str) -> None:
        self._broker, self._tls, self._own = broker, tls, own
        self._client_id = client_id(plan)
        self._topic: str = plan["order_topic"]
        self._feedback: str | None = plan.get("feedback_topic")
        self._lease_s = float(plan["lease_s"])
        self._open = order_text(plan["open_order"], self._lease_s).encode()
        self._close = plan["close_order"].encode()
        self._is_open, self._is_close = order_pattern(plan["open_order"]), order_pattern(plan["close_order"])
        self._shows_open = order_pattern(plan.get("open_answer") or plan["open_order"])
        self._shows_closed = order_pattern(plan.get("closed_answer") or plan["close_order"])
        self._patience_ns = int(max(0.5, self._lease_s / 2) * NS)
        self._repeat_ns = int(self._lease_s / 3 * NS)
        self._spread = 0.5 + int(self._client_id[-4:], 16) / 0x20000
        self._said: deque[Said] = deque(maxlen=SAID_MOST)
        self._link: BrokerLink | None = None
        self._retry_ns = 0
        self._wait_s = LEAST_WAIT_S
        self._wanted = Gas.CLOSED
        self._unacked: dict[int, tuple[Gas, int]] = {}
        self._subscribed = self._up = self._close_again = False
        self._last_open_ns = self._now_ns = 0

    def fileno(self) -> int | None:
        return self._link.fileno() if self._link is not None else None

    def wants_write(self) -> bool:
        return self._link is not None and self._link.wants_write()

    def deadline(self) -> int | None:
        if self._said:
            return 0
        if self._link is None:
            return self._retry_ns
        times = [self._link.deadline(), *(sent + self._patience_ns for _, sent in self._unacked.values())]
        if self._wanted is Gas.OPEN and not self._awaits(Gas.OPEN):
            times.append(self._last_open_ns + self._repeat_ns)
        return min(times)

    def ready(self, now_ns: int) -> Sequence[Said]:
        self._now_ns = now_ns
        try:
            self._step(now_ns)
        except LinkLostError as error:
            self._lost(str(error))
        said = tuple(self._said)
        self._said.clear()
        return said

    def order(self, gas: Gas, now_ns: int) -> bool:
        self._now_ns = now_ns
        if gas is Gas.CLOSED:
            self._wanted = Gas.CLOSED
            return self._send_close()
        if not self._up or self._awaits(Gas.OPEN):
            return False
        if self._wanted is Gas.OPEN and now_ns < self._last_open_ns + self._repeat_ns:
            return True
        return self._send_open()

    def finish(self, now_ns: int) -> None:
        """Say goodbye if the CLOSE is acknowledged; otherwise let the last will say it again."""
        link, self._link = self._link, None
        if link is not None and self._up and self._wanted is Gas.CLOSED and not self._unacked:
            link.leave()
        elif link is not None:
            link.abort()

    def _step(self, now_ns: int) -> None:
        if self._link is None:
            if now_ns < self._retry_ns:
                return
            will = (self._topic, self._close, marked(will=True, by=self._own))
            # Wait before the next attempt even if this one fails before it has begun.
            self._retry_ns = now_ns + int(self._wait_s * self._spread * NS)
            self._link = BrokerLink(self._broker, self._tls, self._client_id, will, now_ns)
            self._link.on_ack, self._link.on_message = self._acked, self._heard
            return
        link = self._link
        link.step(now_ns)
        if link.greeted and not self._subscribed:
            self._subscribed = True
            self._send_close()
            for topic in filter(None, (self._topic, self._feedback)):
                link.subscribe(topic)
        if self._close_again and self._wanted is Gas.CLOSED and not self._awaits(Gas.CLOSED):
            self._send_close()
        if any(now_ns >= sent + self._patience_ns for _, sent in self._unacked.values()):
            raise LinkLostError("no acknowledgement")
        due = now_ns >= self._last_open_ns + self._repeat_ns
        if due and self._wanted is Gas.OPEN and not self._awaits(Gas.OPEN):
            self._send_open()

    def _lost(self, why: str) -> None:
        """Forget the connection and all it had to say; the next one begins with CLOSE."""
        if self._link is not None:
            self._link.abort()
            self._link = None
        self._unacked.clear()
        self._wanted = Gas.CLOSED
        self._up = self._subscribed = self._close_again = False
        self._retry_ns = self._now_ns + int(self._wait_s * self._spread * NS)
        self._wait_s = min(MOST_WAIT_S, self._wait_s * 2)
        self._say(Said("link_down", None, why[:RAW_MOST]))

    def _say(self, said: Said) -> None:
        if not self._said or self._said[-1] != said:
            self._said.append(said)

    def _awaits(self, gas: Gas) -> bool:
        return any(sent is gas for sent, _ in self._unacked.values())

    def _send_close(self) -> bool:
        self._close_again = False
        return self._send(Gas.CLOSED, self._close, retain=True, properties=marked(by=self._own))

    def _send_open(self) -> bool:
        self._wanted = Gas.OPEN
        self._last_open_ns = self._now_ns
        properties = marked(by=self._own, expiry_s=math.ceil(self._lease_s))
        return self._send(Gas.OPEN, self._open, retain=False, properties=properties)

    def _send(self, gas: Gas, payload: bytes, *, retain: bool, properties: Any) -> bool:
        mid = self._link.publish(self._topic, payload, retain, properties) if self._link is not None else None
        if mid is None:
            return False
        self._unacked[mid] = (gas, self._now_ns)
        return True

    def _acked(self, mid: int, code: ReasonCode) -> None:
        gas, _ = self._unacked.pop(mid, (None, 0))
        if gas is None or self._link is None:
            return
        if code.is_failure:
            self._link.lose(f"the broker refused the order on {self._topic}: {code}")
            return
        if not self._up:
            self._up = True
            self._wait_s = LEAST_WAIT_S
            self._say(Said("link_up"))
        self._say(Said("acked", gas))

    def _heard(self, message: MQTTMessage) -> None:
        text = bytes(message.payload[: 4 * RAW_MOST]).decode("utf-8", "backslashreplace").strip()
        raw = text.encode("unicode_escape").decode()[:RAW_MOST]
        if message.topic == self._feedback:
            if not message.retain:
                self._say(Said("feedback", meaning(text, self._shows_open, self._shows_closed), raw))
            return
        order = meaning(text, self._is_open, self._is_close)
        # Whoever sent it, even an earlier connection of ours: held closed, only CLOSE may come last.
        if order is not Gas.CLOSED and self._wanted is Gas.CLOSED:
            self._close_again = True
        ours = ("by", self._own) in getattr(message.properties, "UserProperty", ())
        if not ours and not (order is Gas.CLOSED and message.retain):
            self._say(Said("foreign", order, raw))
