"""A paho client set up for a link that decides something: MQTT 5, nothing queued, no delay on the wire."""

from __future__ import annotations

import secrets
import socket
import ssl
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from nightheron_drivers.protocols import Broker

CONNECT_MOST_S = 1.0


def new_client(broker: Broker, name: str) -> paho.Client:
    """An unconnected client, its id ``name`` and a random end; OSError when a certificate is unreadable."""
    client = paho.Client(
        CallbackAPIVersion.VERSION2, f"{name}-{secrets.token_hex(4)}", protocol=MQTTProtocolVersion.MQTTv5
    )
    client.connect_timeout = CONNECT_MOST_S
    client.max_queued_messages_set(100)
    client.on_socket_open = _no_delay
    if broker.username is not None:
        client.username_pw_set(broker.username, broker.password)
    if broker.tls:
        context = ssl.create_default_context(cafile=broker.ca_file)
        if broker.cert_file is not None:
            context.load_cert_chain(broker.cert_file, broker.key_file)
        client.tls_set_context(context)
    return client


def _no_delay(_client: paho.Client, _data: Any, link: Any) -> None:
    """With Nagle's algorithm an acknowledged exchange waits 40 ms for a delayed acknowledgement."""
    try:
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    except OSError:
        return
