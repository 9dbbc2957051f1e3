"""The other way round: the probe speaks on the broker, the valve hangs on a serial line."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.support.broker import RunningBroker, running_broker
from tests.support.devices import SerialDevice
from tests.support.rules import live
from tests.support.siege import (
    HELD_PH,
    HIGH_PH,
    KEEPER_MODULE,
    Part,
    Siege,
    besieged,
    command_line,
    mqtt_probe,
    opens_file,
    serial_valve,
    write_site,
)
from tests.support.talker import Talker

TOPIC = "house/west/ph"


@dataclass
class Place:
    """Everything a fault can be laid at."""

    siege: Siege
    valve: SerialDevice
    talker: Talker
    broker: RunningBroker

    def says(self, ph: float) -> None:
        self.talker.said[TOPIC] = f"{ph}"

    def holder(self) -> int:
        """The keeper that has the valve's port open."""
        port = str(self.valve.port.path.readlink())
        (found,) = [pid for pid in self.siege.keepers() if opens_file(pid, port)]
        assert KEEPER_MODULE in command_line(found)
        return found


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    """Open gas, and then a reading that neither closes nor reopens."""
    with (
        running_broker() as broker,
        SerialDevice(tmp_path) as valve,
        Talker(broker, **{TOPIC: f"{HIGH_PH}"}) as talker,
    ):
        config = write_site(
            tmp_path, broker.port, [Part("west", mqtt_probe(TOPIC), serial_valve(valve.path))]
        )
        with besieged(config) as siege:
            siege.opens(valve)
            assert valve.orders[0].text == "CLOSE"
            place = Place(siege, valve, talker, broker)
            place.says(HELD_PH)
            siege.wait_why(lambda one: one["ph"] == HELD_PH and one["gas"] == "open")
            yield place


@live("floor")
def test_it_cuts_and_resumes(place: Place) -> None:
    """One low message closes for the floor, a value under resume holds, good ones reopen."""
    siege, valve = place.siege, place.valve
    before = siege.service.rows()
    low = time.monotonic()
    place.broker.publish(TOPIC, "6.55")
    siege.closes(valve, "reading_below_floor", low)
    siege.wait_first_reason("floor")
    time.sleep(3)
    assert not valve.gas
    raised = time.monotonic()
    place.says(HIGH_PH)
    siege.opens(valve, after=raised)
    siege.nothing_is_lost(before, "floor")


def test_a_silent_probe(place: Place) -> None:
    """A probe that says nothing more closes as a lost probe."""
    before = place.siege.service.rows()
    silent = time.monotonic()
    place.talker.said[TOPIC] = None
    place.siege.closes(place.valve, "probe_silent", silent)
    place.siege.wait_first_reason("chamber_ph_lost")
    place.siege.nothing_is_lost(before, "chamber_ph_lost")


def test_a_lost_broker(place: Place) -> None:
    """A killed broker is a silent probe to a serial valve, within the budget, and heals after its restart."""
    before = place.siege.service.rows()
    killed = time.monotonic()
    place.broker.kill()
    place.siege.closes(place.valve, "broker_lost", killed)
    place.siege.wait_first_reason("chamber_ph_lost")
    place.siege.nothing_is_lost(before, "chamber_ph_lost")
    place.broker.start()
    place.says(HIGH_PH)
    place.siege.opens(place.valve, after=time.monotonic())


def test_a_killed_guard(place: Place) -> None:
    """SIGKILL of the guard closes the serial valve within the budget and leaves no process."""
    before = place.siege.service.rows()
    killed = place.siege.kill_guard()
    place.siege.closes(place.valve, "guard_killed", killed)
    place.siege.no_process_is_left(killed)
    place.siege.service.start()
    place.siege.wait_first_reason("starting")
    place.siege.nothing_is_lost(before, "starting")


def test_a_frozen_guard(place: Place) -> None:
    """SIGSTOP of the guard closes within the budget; afterwards it names its own lateness."""
    before = place.siege.service.rows()
    place.siege.keepers()
    frozen = time.monotonic()
    place.siege.service.signal(signal.SIGSTOP)
    try:
        place.siege.closes(place.valve, "guard_frozen", frozen)
    finally:
        place.siege.service.signal(signal.SIGCONT)
    place.siege.wait_first_reason("guard_late")
    place.siege.nothing_is_lost(before, "guard_late")


@pytest.mark.parametrize("blow", [signal.SIGKILL, signal.SIGSTOP])
def test_a_lost_keeper(place: Place, blow: signal.Signals) -> None:
    """A killed or frozen keeper is replaced by the spare, whose first line is CLOSE."""
    before = place.siege.service.rows()
    keeper = place.holder()
    struck = time.monotonic()
    os.kill(keeper, blow)
    place.siege.closes(place.valve, "keeper_killed", struck)
    place.siege.wait_first_reason("keeper_lost")
    place.siege.nothing_is_lost(before, "keeper_lost")
    raised = time.monotonic()
    place.says(HIGH_PH)
    place.siege.opens(place.valve, after=raised)
    assert place.holder() != keeper


def test_a_pulled_valve(place: Place) -> None:
    """A pulled cable leaves its last order with the device, unbounded; the next line it hears is CLOSE."""
    siege, valve = place.siege, place.valve
    assert siege.budget_s("valve_unreachable") is None
    before = siege.service.rows()
    valve.unplug()
    siege.wait_first_reason("valve_lost")
    siege.nothing_is_lost(before, "valve_lost")
    plugged, heard = time.monotonic(), len(valve.orders)
    valve.plug()
    valve.wait_order("CLOSE", after=plugged, within_s=60)
    assert valve.orders[heard].text == "CLOSE"
    place.says(HIGH_PH)
    siege.opens(valve, after=plugged)
