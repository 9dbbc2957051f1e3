"""One MQTT 5 connection inside somebody else's selector loop: no thread, no blocking call.

Every connection gets a new paho client, so nothing that an earlier one had queued can ever be
delivered by a later one.
"""

from __future__ import annotations

import socket
import ssl
import struct
from collections.abc import Callable, Mapping
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from nightheron_drivers.dial import TCP_S, Dial

NS = 1_000_000_000
KEEPALIVE_S = 5
GREETING_S = 2.0
"""The longest the broker's welcome may take once there is a connection."""
MISC_S = 1.0


class LinkLostError(Exception):
    """The connection is gone or was refused; the text says why."""


class _Client(paho.Client):
    """A paho client on a socket that is connected already."""

    given: socket.socket

    def _create_socket(self) -> socket.socket:
        return self.given


class BrokerLink:
    """One attempt and, if it succeeds, one connection. Never used again once LinkLostError was raised."""

    def __init__(
        self,
        broker: Mapping[str, Any],
        tls: ssl.SSLContext | None,
        client_id: str,
        will: tuple[str, bytes, Properties],
        now_ns: int,
    ) -> None:
        self.greeted = False
        self.on_ack: Callable[[int, ReasonCode], None] = lambda _mid, _code: None
        self.on_message: Callable[[paho.MQTTMessage], None] = lambda _message: None
        self._broker = broker
        self._lost = ""
        self._client = self._new_client(client_id, will)
        self._sock: socket.socket | None = None
        self._misc_ns = now_ns
        try:
            self._dial: Dial | None = Dial(broker, tls, now_ns)
        except (OSError, ValueError) as error:
            raise LinkLostError(f"no connection: {error}") from None
        self._give_up_ns = now_ns + int((TCP_S + GREETING_S) * NS)

    def _new_client(self, client_id: str, will: tuple[str, bytes, Properties]) -> _Client:
        client = _Client(CallbackAPIVersion.VERSION2, client_id, protocol=MQTTProtocolVersion.MQTTv5)
        client.max_queued_messages_set(16)
        if self._broker.get("username") is not None:
            client.username_pw_set(self._broker["username"], self._broker.get("password"))
        topic, payload, properties = will
        client.will_set(topic, payload, qos=1, retain=True, properties=properties)
        client.on_connect = self._welcomed
        client.on_disconnect = self._dropped
        client.on_publish = lambda _client, _data, mid, code, _properties: self.on_ack(mid, code)
        client.on_message = lambda _client, _data, message: self.on_message(message)
        client.on_subscribe = self._subscribed
        return client

    # paho's callbacks only take notes: what they raise would be lost or thrown out of its middle.
    def _welcomed(self, _client: Any, _data: Any, _flags: Any, code: ReasonCode, _properties: Any) -> None:
        if code.is_failure:
            self._lost = f"the broker refused the connection: {code}"
        else:
            self.greeted = True

    def _dropped(self, _client: Any, _data: Any, flags: Any, code: ReasonCode, _properties: Any) -> None:
        by = "the broker hung up" if flags.is_disconnect_packet_from_server else "connection lost"
        self._lost = self._lost or f"{by}: {code}"

    def _subscribed(
        self, _client: Any, _data: Any, _mid: int, codes: list[ReasonCode], _properties: Any
    ) -> None:
        for code in codes:
            if code.is_failure:
                self._lost = f"the broker refused the subscription: {code}"

    def _fail(self, why: str) -> None:
        self.abort()
        raise LinkLostError(why)

    def fileno(self) -> int | None:
        """What to select on."""
        sock = self._dial.sock if self._dial is not None else self._sock
        return sock.fileno() if sock is not None else None

    def wants_write(self) -> bool:
        """True while connecting, or while bytes wait."""
        return self._dial.wants_write if self._dial is not None else self._client.want_write()

    def deadline(self) -> int:
        """When ``step`` must be called at the latest."""
        if self._dial is not None:
            return self._dial.give_up_ns
        return self._misc_ns if self.greeted else min(self._misc_ns, self._give_up_ns)

    def step(self, now_ns: int) -> None:
        """Do what can be done without waiting. Raises LinkLostError."""
        try:
            if self._dial is None:
                self._talk(now_ns)
            elif self._dial.step(now_ns):
                self._greet(self._dial.sock, now_ns)
        except (OSError, ValueError) as error:
            self._fail(f"no connection: {error}")
        if self._lost:
            self._fail(self._lost)
        if not self.greeted and now_ns >= self._give_up_ns:
            self._fail("no connection: the broker did not answer in time")

    def _greet(self, sock: socket.socket, now_ns: int) -> None:
        self._dial, self._sock, self._client.given = None, sock, sock
        self._give_up_ns = now_ns + int(GREETING_S * NS)
        self._misc_ns = now_ns + int(MISC_S * NS)
        self._client.connect(self._broker["host"], self._broker["port"], KEEPALIVE_S, clean_start=True)

    def _talk(self, now_ns: int) -> None:
        self._ask(self._client.loop_read())
        while isinstance(self._sock, ssl.SSLSocket) and not self._lost and self._sock.pending():
            self._ask(self._client.loop_read())
        if self._client.want_write():
            self._ask(self._client.loop_write())
        if now_ns >= self._misc_ns:
            self._misc_ns = now_ns + int(MISC_S * NS)
            self._ask(self._client.loop_misc())

    def _ask(self, code: MQTTErrorCode) -> None:
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS and not self._lost:
            self._lost = f"connection lost: {paho.error_string(code)}"

    def publish(self, topic: str, payload: bytes, retain: bool, properties: Properties) -> int | None:
        """Send at QoS 1, at once; the packet's id, or None when it cannot be sent."""
        if not self.greeted or self._lost or self._sock is None:
            return None
        info = self._client.publish(topic, payload, qos=1, retain=retain, properties=properties)
        return info.mid if info.rc == MQTTErrorCode.MQTT_ERR_SUCCESS else None

    def subscribe(self, topic: str) -> None:
        """Listen at QoS 1, without what this connection itself sends."""
        options = SubscribeOptions(qos=1, noLocal=True)
        self._ask(self._client.subscribe(topic, options=options)[0])

    def lose(self, why: str) -> None:
        """Give up this connection for a reason found in what it delivered; ``step`` raises it."""
        self._lost = self._lost or why

    def leave(self) -> None:
        """Say goodbye: the broker then keeps the last will to itself."""
        self._client.disconnect()
        self._close()

    def abort(self) -> None:
        """Reset the connection, so that the kernel delivers nothing later and the last will speaks."""
        if self._sock is not None and self._sock.fileno() >= 0:
            self._sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self._close()

    def _close(self) -> None:
        if self._dial is not None:
            self._dial.sock.close()
            self._dial = None
        if self._sock is not None:
            self._sock.close()
            self._sock = None


def marked(**more: Any) -> Properties:
    """Properties for a published order; ``by`` is kept as a user property."""
    kind = PacketTypes.WILLMESSAGE if more.get("will") else PacketTypes.PUBLISH
    properties = Properties(kind)  # type: ignore[no-untyped-call] # paho leaves it untyped
    properties.UserProperty = ("by", str(more["by"]))
    if "expiry_s" in more:
        properties.MessageExpiryInterval = int(more["expiry_s"])
    return properties
