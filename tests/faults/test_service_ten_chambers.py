"""Ten chambers on one broker, probes and valves mixed of both kinds."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.support.broker import RunningBroker, running_broker
from tests.support.devices import MqttDevice, SerialDevice, wait_until
from tests.support.pty_port import PtyPort
from tests.support.service import Speaker
from tests.support.siege import (
    HIGH_PH,
    Part,
    Siege,
    besieged,
    mqtt_probe,
    mqtt_valve,
    serial_probe,
    serial_valve,
    write_site,
)
from tests.support.talker import Talker

NAMES = [f"c{number}" for number in range(10)]
LOW_PH = 6.55


@dataclass
class Ten:
    """The service, and each chamber's valve and the way to let its probe say another value."""

    siege: Siege
    valves: list[MqttDevice | SerialDevice]
    say: list[Callable[[float], None]]


class _Stand:
    """Makes the devices of one chamber after another."""

    def __init__(self, stack: ExitStack, folder: Path, broker: RunningBroker) -> None:
        self.stack, self.folder, self.broker = stack, folder, broker
        self.talker = stack.enter_context(Talker(broker))

    def probe(self, name: str, *, serial: bool) -> tuple[str, Callable[[float], None]]:
        if serial:
            port = self.stack.enter_context(PtyPort(self.folder, f"{name}-probe"))
            speaker = self.stack.enter_context(Speaker(port, HIGH_PH))
            return serial_probe(port.path), lambda ph: setattr(speaker, "ph", ph)
        topic = f"{name}/ph"
        self.talker.said[topic] = f"{HIGH_PH}"
        return mqtt_probe(topic), lambda ph: self.talker.said.update({topic: f"{ph}"})

    def valve(self, name: str, *, serial: bool) -> tuple[str, MqttDevice | SerialDevice]:
        if serial:
            line = self.stack.enter_context(SerialDevice(self.folder, f"{name}-valve"))
            return serial_valve(line.path), line
        topic = f"{name}/gas/order"
        return mqtt_valve(topic), self.stack.enter_context(MqttDevice(self.broker, topic))


@pytest.fixture
def ten(tmp_path: Path) -> Iterator[Ten]:
    """Serial probes at even numbers; serial valves at 0, 1, 4, 5, 8 and 9: every pairing occurs."""
    with ExitStack() as stack:
        broker = stack.enter_context(running_broker())
        stand = _Stand(stack, tmp_path, broker)
        parts, valves, say = [], [], []
        for number, name in enumerate(NAMES):
            probe, says = stand.probe(name, serial=number % 2 == 0)
            table, valve = stand.valve(name, serial=number % 4 < 2)
            parts.append(Part(name, probe, table))
            valves.append(valve)
            say.append(says)
        siege = stack.enter_context(besieged(write_site(tmp_path, broker.port, parts)))
        for valve in valves:
            siege.opens(valve)
        yield Ten(siege, valves, say)


def test_one_falls_and_then_all(ten: Ten) -> None:
    """One chamber below its floor closes alone; then all fall, and all close, each within its own budget."""
    siege = ten.siege
    for number in (3, 4):
        before, at = siege.service.rows(), time.monotonic()
        ten.say[number](LOW_PH)
        siege.closes(ten.valves[number], "reading_below_floor", at, NAMES[number])
        siege.wait_first_reason("floor", NAMES[number])
        time.sleep(1)
        assert [valve.gas for valve in ten.valves] == [other != number for other in range(10)]
        for valve in (one for other, one in enumerate(ten.valves) if other != number):
            assert "CLOSE" not in [order.text for order in valve.orders if order.at > at]
        siege.nothing_is_lost(before, "floor", NAMES[number])
        raised = time.monotonic()
        ten.say[number](HIGH_PH)
        siege.opens(ten.valves[number], after=raised)
    before, at = siege.service.rows(), time.monotonic()
    for say in ten.say:
        say(LOW_PH)
    for name, valve in zip(NAMES, ten.valves, strict=True):
        siege.closes(valve, "reading_below_floor", at, name)
    for name in NAMES:
        siege.wait_first_reason("floor", name)
        siege.nothing_is_lost(before, "floor", name)


def test_a_killed_guard_closes_all_ten(ten: Ten) -> None:
    """SIGKILL of the guard closes every valve on every bus, and every keeper ends."""
    wait_until(lambda: len(ten.siege.keepers()) >= 3, what="the keepers and a spare")
    killed = ten.siege.kill_guard()
    for name, valve in zip(NAMES, ten.valves, strict=True):
        ten.siege.closes(valve, "guard_killed", killed, name)
    ten.siege.no_process_is_left(killed)
