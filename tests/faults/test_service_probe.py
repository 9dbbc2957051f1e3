"""A probe that is pulled, talks nonsense, or says old things: gas closes within the budget, and says why."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from tests.support.broker import Client, running_broker
from tests.support.devices import MqttDevice
from tests.support.house_under_siege import TOPIC, House, house_under_siege
from tests.support.rules import live
from tests.support.siege import HELD_PH, HIGH_PH, Part, besieged, mqtt_probe, mqtt_valve, write_site

NONSENSE = {
    "nan": b"nan\r\n",
    "inf": b"inf\r\n-inf\r\n",
    "empty lines": b"\r\n",
    "letters": b"abc\r\n",
    "no end of line": b"6.90" * 250_000,
    "binary": bytes(range(256)),
    "14.2": b"14.2\r\n",
}
"""The million bytes go out once; the rest is said as often as readings would be."""


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    """One service for the whole file: it must go on from one kind of nonsense to the next."""
    with house_under_siege(tmp_path_factory.mktemp("house")) as made:
        yield made


@contextmanager
def saying(house: House, words: bytes) -> Iterator[None]:
    """The probe says nothing but this."""
    house.probe.ph = None
    ending = threading.Event()

    def say() -> None:
        house.port.write(words, within_s=60)
        while len(words) < 10_000 and not ending.wait(0.2):
            house.port.write(words)

    speaker = threading.Thread(target=say)
    speaker.start()
    try:
        yield
    finally:
        ending.set()
        speaker.join(60)
        house.port.write(b"\r\n")


def open_gas(house: House) -> float:
    """Let the probe speak well and wait for gas; the time (monotonic)."""
    house.probe.ph = HIGH_PH
    house.siege.opens(house.valve, after=time.monotonic())
    house.siege.wait_why(lambda one: one["gas"] == "open")
    return time.monotonic()


@live("chamber_ph_lost")
@pytest.mark.parametrize("kind", NONSENSE)
def test_nonsense_is_no_reading(house: House, kind: str) -> None:
    """Whatever a probe says that is no pH closes as a lost probe, and the next good readings reopen."""
    siege = house.siege
    open_gas(house)
    before, guard = siege.service.rows(), siege.service.pid
    began = time.monotonic()
    with saying(house, NONSENSE[kind]):
        siege.closes(house.valve, "probe_silent", began)
        said = siege.wait_first_reason("chamber_ph_lost")
    assert said["reasons"][0] == "chamber_ph_lost"
    assert said["ph"] is None
    assert said["health"] == "failure"
    siege.nothing_is_lost(before, "chamber_ph_lost")
    open_gas(house)
    assert siege.service.pid == guard


@live("chamber_ph_lost")
def test_a_pulled_probe_is_lost_and_comes_back(house: House) -> None:
    """Unplugging closes as a lost probe; plugged in again under its name, it is read again by itself."""
    siege = house.siege
    open_gas(house)
    before, guard = siege.service.rows(), siege.service.pid
    pulled = time.monotonic()
    house.port.unplug()
    siege.closes(house.valve, "probe_silent", pulled)
    siege.wait_first_reason("chamber_ph_lost")
    siege.nothing_is_lost(before, "chamber_ph_lost")
    house.port.plug()
    open_gas(house)
    assert siege.service.pid == guard


def test_a_backlog_does_not_hide_a_low_value(house: House) -> None:
    """Three hundred lines at once, one of them below the floor: gas is cut for the floor."""
    siege = house.siege
    open_gas(house)
    before = siege.service.rows()
    house.probe.ph = HELD_PH
    time.sleep(1)
    lines = [b"6.65\r\n"] * 300
    lines[150] = b"6.55\r\n"
    sent = time.monotonic()
    house.port.write(b"".join(lines))
    siege.closes(house.valve, "reading_below_floor", sent)
    siege.wait_first_reason("floor")
    siege.nothing_is_lost(before, "floor")


def test_a_backlog_of_high_values_does_not_open(house: House) -> None:
    """After silence a burst of many good readings settles nothing: gas stays shut."""
    siege = house.siege
    open_gas(house)
    before = siege.service.rows()
    silent = time.monotonic()
    house.probe.ph = None
    siege.closes(house.valve, "probe_silent", silent)
    siege.wait_first_reason("chamber_ph_lost")
    burst = time.monotonic()
    house.port.write(b"6.90\r\n" * 500)
    time.sleep(4)
    assert "OPEN" not in [order.text for order in house.valve.orders if order.at > burst]
    assert siege.why()["reason"] == "chamber_ph_lost"
    siege.nothing_is_lost(before, "chamber_ph_lost")
    open_gas(house)


def test_an_old_retained_value_is_no_reading(tmp_path_factory: pytest.TempPathFactory) -> None:
    """A value left on a probe's topic opens nothing, at the start or after the link broke; live ones do."""
    topic = "house/west/ph"
    with running_broker() as broker, MqttDevice(broker, TOPIC, timer_s=4.0) as valve:
        broker.publish(topic, f"{HIGH_PH}", retain=True)
        part = Part("west", mqtt_probe(topic), mqtt_valve(TOPIC, 4.0))
        config = write_site(tmp_path_factory.mktemp("retained"), broker.port, [part])
        with besieged(config) as siege:
            time.sleep(4)
            assert valve.orders
            assert "OPEN" not in valve.texts()
            assert siege.wait_first_reason("starting")["ph"] is None
            with Client(broker) as probe:
                while not valve.gas:
                    probe.publish(topic, f"{HIGH_PH}")
                    time.sleep(0.2)
            silent = time.monotonic()
            before = siege.service.rows()
            siege.closes(valve, "probe_silent", silent)
            siege.wait_first_reason("chamber_ph_lost")
            broker.restart()
            broker.publish(topic, f"{HIGH_PH}", retain=True)
            again = time.monotonic()
            siege.wait_why(lambda one: "valve_lost" not in one["reasons"])
            time.sleep(4)
            assert "OPEN" not in [order.text for order in valve.orders if order.at > again]
            siege.nothing_is_lost(before, "chamber_ph_lost")
