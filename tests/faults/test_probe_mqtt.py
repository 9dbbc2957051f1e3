"""MQTT probes on a real broker that is killed, frozen and fed nonsense."""

from __future__ import annotations

import socket
import time
from typing import Any

import pytest
from nightheron_drivers.mqtt_source import MqttSource, Wanted
from nightheron_drivers.probe_mqtt import MqttOptions, MqttProbe
from nightheron_drivers.protocols import MOST_WAIT_S, RAW_MOST, Broker

from tests.support.broker import Client, RunningBroker, free_port, running_broker
from tests.support.probe_ear import ProbeEar

TOPIC = "greenhouse/west/ph"
PROBE = "chamber/west/0"


def source_on(broker: RunningBroker, **keys: str) -> MqttSource:
    """A source with one probe at TOPIC."""
    options = MqttOptions.model_validate({"topic": TOPIC, **keys})
    at = Broker(broker.host, broker.port)
    return MqttProbe.sources({PROBE: options}, {PROBE: 5.0}, at, "site")[0]


def synchronise(broker: RunningBroker, ear: ProbeEar, good: bytes = b"7.77") -> None:
    """Publish until a reading is heard."""
    before = len(ear.heard)
    end = time.monotonic() + 40
    while not any(one.value == 7.77 for one in ear.heard[before:]):
        if time.monotonic() > end:
            raise TimeoutError(f"nothing is read; trouble: {ear.source.trouble!r}")  # type: ignore[attr-defined] # the mqtt source has it
        broker.publish(TOPIC, good)
        time.sleep(0.1)
    time.sleep(0.5)
    ear.heard.clear()


def test_a_retained_old_value_is_no_reading() -> None:
    """What the broker kept from earlier is refused, and the next live message is a reading."""
    with running_broker() as broker:
        broker.publish(TOPIC, "7.00", retain=True)
        with ProbeEar(source_on(broker)) as ear:
            first = ear.wait_for(lambda one: True)
            assert (first.value, first.refused, first.raw) == (None, "retained", "7.00")
            broker.publish(TOPIC, "6.95", retain=True)
            ear.wait_for_value(6.95)


def test_the_payload_zoo() -> None:
    """Whatever is published, the source lives, refuses what is no number, and keeps it escaped and cut."""
    zoo: list[tuple[bytes, str]] = [
        (b"", "empty"),
        (b"nan", "not_a_number"),
        (b"inf", "not_a_number"),
        (b"1e999", "not_a_number"),
        (b"true", "not_a_number"),
        (b'{"ph": 7.0}', "not_a_number"),
        (b"letters", "not_a_number"),
        (bytes(range(256)), "not_a_number"),
        (b"9" * 1_000_000, "too_long"),
    ]
    with running_broker() as broker, ProbeEar(source_on(broker)) as ear, Client(broker) as device:
        synchronise(broker, ear)
        for payload, refused in zoo:
            ear.heard.clear()
            device.publish(TOPIC, payload)
            one = ear.wait_for(lambda one: True)
            assert (one.value, one.refused) == (None, refused)
            assert one.raw.isascii()
            assert len(one.raw) <= RAW_MOST
        device.publish(TOPIC, "14.2")
        ear.wait_for_value(14.2)


def test_json_with_pointers() -> None:
    """A number inside JSON is a reading while the message's own time is now, and refused when it is old."""
    with running_broker() as broker:
        source = source_on(broker, value_pointer="/ph", time_pointer="/t")
        with ProbeEar(source) as ear, Client(broker) as device:
            end = time.monotonic() + 30
            while not ear.heard and time.monotonic() < end:
                device.publish(TOPIC, f'{{"ph": 6.9, "t": {time.time():.3f}}}')
                time.sleep(0.1)
            ear.wait_for_value(6.9)
            device.publish(TOPIC, f'{{"ph": 6.8, "t": {time.time() - 100:.3f}}}')
            ear.wait_for(lambda one: one.refused == "old")
            device.publish(TOPIC, f'{{"ph": 6.8, "t": {time.time() + 1000:.3f}}}')
            ear.wait_for(lambda one: one.refused == "ahead")
            assert all(one.value in (6.9, None) for one in ear.heard)


def test_a_wall_clock_set_back_does_not_permit() -> None:
    """With the wall clock a day behind, a message that carries the right time is refused as ahead."""
    with running_broker() as broker:
        wanted = Wanted(PROBE, TOPIC, "/ph", "/t", 5.0)
        at = Broker(broker.host, broker.port)
        source = MqttSource([wanted], at, "site", wall_s=lambda: time.time() - 86_400)
        with ProbeEar(source) as ear, Client(broker) as device:
            end = time.monotonic() + 30
            while not ear.heard and time.monotonic() < end:
                device.publish(TOPIC, f'{{"ph": 7.5, "t": {time.time():.3f}}}')
                time.sleep(0.1)
            assert {(one.value, one.refused) for one in ear.heard} == {(None, "ahead")}


def test_readings_resume_after_the_broker_was_killed() -> None:
    """A broker that is killed and comes back remembers no subscription, and readings resume all the same."""
    with running_broker() as broker, ProbeEar(source_on(broker)) as ear:
        for _ in range(2):
            synchronise(broker, ear)
            broker.kill()
            time.sleep(2)
            assert ear.heard == []
            broker.start()
        synchronise(broker, ear)
        assert ear.longest_silence_s < MOST_WAIT_S + 4


@pytest.mark.parametrize("frozen_s", [3, 12])
def test_readings_resume_after_the_broker_was_frozen(frozen_s: int) -> None:
    """A broker that freezes for a short or a long while is survived, and readings resume."""
    with running_broker() as broker, ProbeEar(source_on(broker)) as ear:
        synchronise(broker, ear)
        broker.freeze()
        time.sleep(frozen_s)
        assert ear.heard == []
        broker.thaw()
        synchronise(broker, ear)
        assert ear.longest_silence_s < MOST_WAIT_S + 4


def test_a_backlog_is_neither_many_readings_nor_a_low_value_lost() -> None:
    """Of 300 messages that waited during a stall few are readings, and the low one is among them."""
    with running_broker() as broker, ProbeEar(source_on(broker)) as ear, Client(broker) as device:
        synchronise(broker, ear)
        ear.hold.set()
        assert ear.stalled.wait(10)
        for place in range(300):
            device.publish(TOPIC, "6.10" if place == 150 else f"{7 + place / 1000:.3f}", qos=0)
        time.sleep(1)
        ear.hold.clear()
        ear.wait_for_value(7.299)
        values = [one.value for one in ear.heard if one.value is not None]
        assert 6.10 in values
        assert values[-1] == 7.299
        assert len(values) <= 10


def test_a_broker_that_is_not_there_or_never_answers() -> None:
    """Without a broker, or with one that says nothing, the source says None and tells its trouble."""
    with socket.create_server(("127.0.0.1", 0)) as mute:
        for port in (free_port(), mute.getsockname()[1]):
            options = {PROBE: MqttOptions(topic=TOPIC)}
            (source,) = MqttProbe.sources(options, {PROBE: 5.0}, Broker("127.0.0.1", port), "site")
            with ProbeEar(source) as ear:
                ear.wait_until(lambda source=source: bool(source.trouble))  # type: ignore[misc] # bound per turn
                assert ear.heard == []
                assert ear.longest_silence_s < MOST_WAIT_S + 4


def test_a_name_that_hangs_holds_nobody_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """While a host name takes ten seconds to resolve, the source yields and can be closed."""

    def hanging(*_: Any, **__: Any) -> Any:
        time.sleep(10)
        raise OSError("no such name")

    monkeypatch.setattr(socket, "create_connection", hanging)
    options = {PROBE: MqttOptions(topic=TOPIC)}
    (source,) = MqttProbe.sources(options, {PROBE: 5.0}, Broker("broker.invalid", 1883), "site")
    begin = time.monotonic()
    with ProbeEar(source) as ear:
        time.sleep(2)
    assert ear.longest_silence_s < MOST_WAIT_S + 4
    assert time.monotonic() - begin < 9


def test_two_probes_on_one_topic_share_one_connection() -> None:
    """Several probes are one source on one connection, also when one message speaks for two of them."""
    with running_broker() as broker:
        probes = {
            "a": MqttOptions(topic=TOPIC, value_pointer="/a"),
            "b": MqttOptions(topic=TOPIC, value_pointer="/b"),
        }
        at = Broker(broker.host, broker.port)
        (source,) = MqttProbe.sources(probes, {"a": 5.0, "b": 5.0}, at, "site")
        with ProbeEar(source) as ear, Client(broker) as device:
            end = time.monotonic() + 30
            while len(ear.heard) < 2 and time.monotonic() < end:
                device.publish(TOPIC, b'{"a": 7.1, "b": 7.2}')
                time.sleep(0.2)
            assert [(one.probe, one.value) for one in ear.heard[:2]] == [("a", 7.1), ("b", 7.2)]
            assert broker.log.count("nightheron-site-probes") == 1


def test_a_refused_login_is_told() -> None:
    """A broker that refuses the name and password is trouble in words, never a reading, never an end."""
    with running_broker("allow_anonymous false") as broker, ProbeEar(source_on(broker)) as ear:
        source = ear.source
        ear.wait_until(lambda: "refuses us" in source.trouble)  # type: ignore[attr-defined] # the mqtt source has it
        assert ear.heard == []
