"""Devices of the simulated site on an MQTT broker: probes that publish, a valve that obeys and reports.

Every chamber's instruments are published too, as bare numbers under their signals' names (1 and 0 for on
and off). paho's own thread carries the messages; what arrives is handed to the thread the site lives in.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from nightheron.model import Gas
from nightheron.rig.live import LiveSite

TOPICS = "rig"
FEEDBACK_EVERY_S = 5
CONNECT_MOST_S = 3.0
TAKE_MOST = 256
STRANGER = "OPEN 60"


class BrokerDevices:
    """The devices of ``chambers``, every instrument, and the tank's probe."""

    def __init__(
        self,
        site: LiveSite,
        chambers: list[str],
        tank: str,
        wall_s: Callable[[], float],
        hand_over: Callable[[Callable[[], None]], object],
    ) -> None:
        self._site, self._chambers, self._tank = site, chambers, tank
        self._wall_s, self._hand_over = wall_s, hand_over
        self._seconds = 0
        self._told: dict[str, Gas | None] = {}
        self._client = paho.Client(
            CallbackAPIVersion.VERSION2, "nightheron-rig", protocol=MQTTProtocolVersion.MQTTv5
        )
        self._client.connect_timeout = CONNECT_MOST_S
        self._client.max_queued_messages_set(100)
        self._client.on_connect = self._connected
        self._client.on_message = self._heard
        for name in chambers:
            site.plant.bays[name].valve.stranger = self._stranger(name)

    def start(self, host: str, port: int) -> None:
        """Connect, and keep connected. OSError when the broker cannot be reached."""
        self._client.reconnect_delay_set(1, 5)
        self._client.connect(host, port, keepalive=10)
        self._client.loop_start()

    def stop(self) -> None:
        """Leave the broker."""
        self._client.disconnect()
        self._client.loop_stop()

    def second(self) -> None:
        """What the devices publish once a second."""
        self._seconds += 1
        plant = self._site.plant
        for name in self._chambers:
            said = plant.said(name)
            if said is not None:
                behind_s = (plant.bays[name].probe.age_s - said.taken_s) / self._site.speed
                stamp = self._wall_s() - behind_s
                self._publish(f"{name}/ph", f'{{"ph": {said.text}, "t": {stamp:.3f}}}')
            feedback = plant.bays[name].valve.feedback
            if feedback is not self._told.get(name) or self._seconds % FEEDBACK_EVERY_S == 0:
                self._report(name, feedback)
        for name in plant.bays:
            for signal in plant.signals(name).by_name():
                line = plant.instrument_says(name, signal)
                if line is not None:
                    self._publish(f"{name}/{signal}", line)
        said_tank = plant.tank_says()
        if said_tank is not None:
            self._publish(f"{self._tank}/ph", said_tank)

    def _report(self, name: str, feedback: Gas | None) -> None:
        self._told[name] = feedback
        if feedback is not None:
            self._publish(f"{name}/gas", feedback.value)

    def _stranger(self, name: str) -> Callable[[], None]:
        return lambda: self._publish(f"{name}/gas/order", STRANGER)

    def _publish(self, topic: str, text: str) -> None:
        self._client.publish(f"{TOPICS}/{topic}", text.encode("ascii", "replace"), qos=0)

    def _connected(self, client: paho.Client, data: Any, flags: Any, code: Any, properties: Any) -> None:
        for name in self._chambers:
            client.subscribe(f"{TOPICS}/{name}/gas/order", qos=1)

    def _heard(self, client: paho.Client, data: Any, message: paho.MQTTMessage) -> None:
        name = message.topic.split("/")[1]
        text = bytes(message.payload)[:TAKE_MOST].decode("ascii", "replace")

        def obey() -> None:
            self._site.order(name, text)

        self._hand_over(obey)
