"""Listen to everything a broker lets us hear for a while, and say which topics look like pH."""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from typing import Any

import paho.mqtt.client as paho
from nightheron.model import JsonValue
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.subscribeoptions import SubscribeOptions
from pydantic import ValidationError

from nightheron_drivers.arrival import boottime_ns
from nightheron_drivers.find_payload import SAMPLES_MOST, Place, numbers_in, time_pointer
from nightheron_drivers.linebus import escaped
from nightheron_drivers.mqtt_client import new_client
from nightheron_drivers.probe_mqtt import MqttOptions
from nightheron_drivers.protocols import Broker, Found, Heard, Search

LISTEN_S = 30.0
CONNECT_S = 5.0
WAIT_S = 0.2
PLACES_MOST = 5000
"""Numbers kept apart; on a busier broker the rest are not looked at, and that is said."""
STAMPS_MOST = 20


def find(search: Search) -> Sequence[Found]:
    """Listen to the broker of the search, for LISTEN_S unless a person says otherwise; none without one."""
    if search.broker is None:
        return []
    return _Ear(search.broker, search).found()


class _Ear:
    """One connection, and what was heard on it."""

    def __init__(self, broker: Broker, search: Search) -> None:
        self._broker, self._search = broker, search
        self._where = f"{broker.host}:{broker.port}"
        self._places: dict[tuple[str, str], Place] = {}
        self._stamps: dict[str, list[tuple[float, bytes]]] = {}
        self._topics: set[str] = set()
        self._messages = 0
        self._full = False
        self._refused = ""
        self._greeted = False

    def found(self) -> list[Found]:
        trouble = self._listen()
        notes = [trouble] if trouble else []
        if self._full:
            notes.append(f"it carries more than {PLACES_MOST} numbers; the rest was not looked at")
        facts: dict[str, JsonValue] = {"topics": len(self._topics), "messages": self._messages}
        likely = [place for place in self._places.values() if place.looks_like_ph()]
        likely.sort(key=lambda place: (not place.named, place.topic, place.pointer))
        mine = [found for place in likely if (found := self._proposed(place)) is not None]
        return [Found(self._where, kind="broker", facts=facts, notes=tuple(notes)), *mine]

    def _proposed(self, place: Place) -> Found | None:
        keys: dict[str, str | int | float] = {"topic": place.topic}
        if place.pointer:
            keys["value_pointer"] = place.pointer
            stamp = time_pointer(self._stamps.get(place.topic, []))
            keys |= {"time_pointer": stamp} if stamp else {}
        try:
            MqttOptions.model_validate(keys)
        except ValidationError:
            return None  # a topic that nobody could write into the configuration
        heard = tuple(Heard(place.topic, at_ns, value, raw) for at_ns, value, raw in place.samples)
        only_retained = not heard
        facts: dict[str, JsonValue] = {"payload": place.kind, "retained_only": only_retained}
        facts["last"] = heard[-1].value if heard else place.retained
        return Found(place.topic, keys, "ph", place.named, heard, facts, kind="topic")

    def _listen(self) -> str:
        """Listen to the end; a sentence when that could not be done."""
        try:
            client = new_client(self._broker, "nightheron-find")
        except (OSError, ValueError) as why:
            return f"no connection can be made: {why}"
        client.on_connect, client.on_subscribe = self._connected, self._granted
        client.on_message = self._heard
        trouble = self._connect(client)
        if trouble:
            return trouble
        begun_ns = boottime_ns()
        end_ns = begun_ns + round((self._search.seconds or LISTEN_S) * 1e9)
        while not self._search.stop.is_set() and not self._refused and boottime_ns() < end_ns:
            self._search.tell(f"{len(self._topics)} topics")
            try:
                code = client.loop(WAIT_S)
            except Exception as why:  # whatever a broken peer sends
                return f"its answer cannot be read: {why}"
            if code is not MQTTErrorCode.MQTT_ERR_SUCCESS:
                return self._refused or f"the link was lost: {paho.error_string(code)}"
            if not self._greeted and boottime_ns() - begun_ns > CONNECT_S * 1e9:
                return "it takes connections and does not answer"
        client.disconnect()
        return self._refused

    def _connect(self, client: paho.Client) -> str:
        failed: list[str] = []

        def attempt() -> None:
            try:
                client.connect(self._broker.host, self._broker.port, keepalive=30, clean_start=True)
            except Exception as why:  # whatever it is, it is told
                failed.append(f"no connection: {getattr(why, 'strerror', None) or why}")

        thread = threading.Thread(target=attempt, name="find-connect", daemon=True)
        thread.start()
        thread.join(CONNECT_S)
        return "no connection within 5 s" if thread.is_alive() else "".join(failed)

    # Callbacks. Each catches everything, since one that raises would end paho's loop.

    def _connected(self, client: paho.Client, _data: Any, _flags: Any, code: Any, _more: Any) -> None:
        self._greeted = True
        if code.is_failure:
            self._refused = f"it refuses us: {code}; look at username and password"
            return
        client.subscribe([("#", SubscribeOptions(qos=0))])

    def _granted(self, _client: paho.Client, _data: Any, _mid: int, codes: Any, _more: Any) -> None:
        if any(code.is_failure for code in codes):
            self._refused = f"it does not let us hear all topics ({codes[0]}); name one with --topic"

    def _heard(self, _client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        try:
            self._take(message.topic, bytes(message.payload), retained=message.retain)
        except Exception as why:  # see above
            self._refused = f"a message cannot be read: {why}"

    def _take(self, topic: str, payload: bytes, *, retained: bool) -> None:
        if any(topic.startswith(f"{prefix}/") for prefix in self._search.not_under):
            return
        at_ns = boottime_ns()
        self._messages += 1
        kind, numbers = numbers_in(payload)
        if len(self._topics) < PLACES_MOST:
            self._topics.add(topic)
        for pointer, value in numbers.items():
            if (topic, pointer) not in self._places and len(self._places) >= PLACES_MOST:
                self._full = True
                continue
            place = self._places.setdefault((topic, pointer), Place(topic, pointer, kind))
            if retained:
                place.retained = value
            elif len(place.samples) < SAMPLES_MOST:
                place.samples.append((at_ns, value, escaped(payload)))
        stamps = self._stamps.setdefault(topic, []) if kind == "JSON" and not retained else []
        if len(stamps) < STAMPS_MOST:
            stamps.append((time.time(), payload))
