"""Telemetry on a real broker."""

from __future__ import annotations

import json
from collections.abc import Mapping

from nightheron.guard.chamber import Chamber
from nightheron.model import JsonValue
from nightheron.runtime.telemetry import QUEUE_MOST, Telemetry
from nightheron_drivers.protocols import Broker

from tests.support.broker import Client, RunningBroker, running_broker
from tests.support.devices import wait_until
from tests.support.night import limits

ALARM: Mapping[str, JsonValue] = {"id": "west-valve_lost-1", "class": "notice"}


def telemetry(port: int) -> Telemetry:
    broker = Broker("127.0.0.1", port)
    return Telemetry(broker, "nightheron", "house", [limits()], lambda: ["since"], lambda *_a, **_k: None)


def presence(listener: Client, value: bytes) -> None:
    listener.wait_for(lambda m: m.topic == "nightheron/house/present" and m.payload == value)


def test_it_reports_and_says_when_it_goes() -> None:
    """Reports and presence are retained, alarms have topics of their own, and stop says 0."""
    with running_broker() as broker, Client(broker, "nightheron/#") as listener:
        news = telemetry(broker.port)
        news.start()
        presence(listener, b"1")
        news.report(Chamber(limits()).decision, 0)
        news.alarm("west", ALARM)
        report = listener.wait_for(lambda m: m.topic == "nightheron/house/west/report")
        assert json.loads(report.payload)["gas"] == "closed"
        listener.wait_for(lambda m: m.topic == "nightheron/house/west/alarms/west-valve_lost-1")
        news.stop(20)
        presence(listener, b"0")
        with Client(broker, "nightheron/#") as late:
            late.wait_for(lambda m: m.topic.endswith("/report"))
            late.wait_for(lambda m: m.topic.endswith("/present") and m.payload == b"0")


def test_presence_returns_with_the_broker() -> None:
    """After the broker was away, presence is said again."""
    with running_broker() as broker:
        news = telemetry(broker.port)
        news.start()
        with Client(broker, "nightheron/#") as listener:
            presence(listener, b"1")
        restart(broker)
        with Client(broker, "nightheron/#") as listener:
            presence(listener, b"1")
        news.stop(20)


def test_an_answer_names_an_alarm_and_an_old_one_names_none() -> None:
    """What comes on the topic for answers is passed on; what is retained or endless is not."""
    heard: list[str] = []
    with running_broker() as broker, Client(broker, "nightheron/#") as listener:
        listener.publish("nightheron/house/ack", b"west-old-1", retain=True)
        listener.wait_for(lambda m: m.payload == b"west-old-1")
        news = Telemetry(
            Broker("127.0.0.1", broker.port),
            "nightheron",
            "house",
            [limits()],
            lambda: ["since"],
            lambda *_a, **_k: None,
            answered=heard.append,
        )
        news.start()
        presence(listener, b"1")
        for topic, payload in (("ack", b"x" * 201), ("west/ack", b"west-no-2"), ("ack", b"west-leak-3\n")):
            listener.publish(f"nightheron/house/{topic}", payload)
        wait_until(lambda: heard == ["west-leak-3"], 20, f"the answer alone ({heard})")
        news.stop(20)


def restart(broker: RunningBroker) -> None:
    broker.kill()
    broker.start()


def test_without_a_broker_it_holds_nobody_up_and_is_bounded() -> None:
    """Without a broker, news is taken at once, the oldest is dropped and counted, and stop ends."""
    news = telemetry(1)
    news.start()
    for _ in range(QUEUE_MOST + 50):
        news.alarm("west", ALARM)
    assert news.dropped == 50
    news.stop(20)
