"""The chores of a person at the board, with the real service, a broker and a serial line."""

from __future__ import annotations

import signal
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.support.broker import RunningBroker, running_broker
from tests.support.devices import MqttDevice, wait_until
from tests.support.pty_port import PtyPort
from tests.support.rules import live
from tests.support.service import Service, Speaker, command, one_chamber

TOPIC = "house/west/gas/order"
BUTTON = """
[chamber.button]
driver = "mqtt"
topic = "house/west/hands"
rest_text = "released"
"""
LEASE_S = 2.0
SLACK_S = 3.0
"""For a machine that is busy; the figures are measured elsewhere."""


@dataclass
class House:
    """One chamber with a probe on a line and a valve on the broker."""

    service: Service
    probe: Speaker
    valve: MqttDevice
    config: Path
    broker: RunningBroker

    def open(self) -> House:
        """Whatever went before: no hold, good water, and gas flows."""
        self.probe.ph = 6.9
        command(self.config, "service", "off", "west")
        self.service.wait_gas("open")
        wait_until(lambda: self.valve.gas, what="gas at the valve")
        return self

    def says(self, *words: str) -> tuple[int, str]:
        """Exit code and words of one command."""
        done = command(self.config, *words)
        return done.returncode, done.stdout + done.stderr


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    folder = tmp_path_factory.mktemp("chores")
    with running_broker() as broker, PtyPort(folder) as port, MqttDevice(broker, TOPIC) as valve:
        config = folder / "nightheron.toml"
        config.write_text(one_chamber(broker, str(port.path)) + BUTTON)
        with Speaker(port, 6.9) as probe, Service(config) as service:
            yield House(service, probe, valve, config, broker)


@live("service")
def test_a_hold_reminds_at_its_end_and_stays(house: House) -> None:
    """At its end a hold is told of and still stands; its end by a person leads into a trial opening."""
    house.open()
    code, out = house.says("service", "on", "west", "--for", "1s", "--why", "cleaning")
    assert (code, "the end of that time opens nothing" in out) == (0, True)
    wait_until(lambda: not house.valve.gas, what="gas shut")
    wait_until(lambda: bool(house.service.status()["alarms"]), what="the reminder")
    [alarm] = house.service.status()["alarms"]
    assert (alarm["reason"], alarm["class"]) == ("service", "notice")
    assert "cleaning), past the time that was named" in alarm["text"]
    opens = house.valve.count("OPEN")
    time.sleep(5.5)  # longer than settle and rest together
    assert house.valve.count("OPEN") == opens
    assert house.says("service", "off", "west")[0] == 0
    house.service.wait_gas("open")
    assert house.service.chamber()["trial"]
    assert house.service.status()["alarms"] == []


def test_a_bleed_flows_for_its_seconds(house: House) -> None:
    """A bleed opens the valve for its seconds and no longer, is told, and leaves the hold."""
    house.open()
    assert "begin with a hold" in house.says("valve", "bleed", "west", "--seconds", "2")[1]
    house.says("service", "on", "west", "--why", "needle valve")
    refused = house.says("valve", "bleed", "west", "--seconds", "2")
    assert refused[0] == 1
    assert "least rest is not over" in refused[1]
    time.sleep(4)
    begun, shut = time.monotonic(), house.valve.count("CLOSE")
    code, out = house.says("valve", "bleed", "west", "--seconds", "3")
    assert code == 0, out
    assert "the bleed is over; gas is ordered shut and held" in out
    assert "NOT DELIVERED" not in out
    opened = house.valve.wait_order("OPEN", begun)
    closed = house.valve.wait_order("CLOSE", opened.at)
    assert 2.0 <= closed.at - opened.at <= 3.0 + SLACK_S
    assert house.valve.count("CLOSE") > shut
    now = house.service.chamber()
    assert (now["gas"], now["delivered"], now["reason"]) == ("closed", True, "service")
    assert [row["for_s"] for row in house.service.rows("--kind", "act") if row["act"] == "bleed"][-1] == 3


def test_a_button_on_a_topic_shuts_and_cannot_let_go(house: House) -> None:
    """A message on the button's topic shuts the gas and is on record; a flood of its rest opens nothing."""
    house.open()
    house.broker.publish("house/west/hands", "released")
    time.sleep(0.5)
    assert house.valve.gas, "at rest it asks for nothing"
    house.broker.publish("house/west/hands", "pressed")
    wait_until(lambda: not house.valve.gas, what="gas shut")
    opens = house.valve.count("OPEN")
    for _ in range(30):
        house.broker.publish("house/west/hands", "released")
        time.sleep(0.2)
    assert house.valve.count("OPEN") == opens
    now = house.service.chamber()
    assert (now["gas"], now["reason"]) == ("closed", "service")
    assert now["evidence"]["service"] == "button house/west/hands: it said 'pressed'"
    acts = [row for row in house.service.rows("--kind", "act") if row["act"] == "hold"]
    assert [act["who"] for act in acts] == ["button house/west/hands"]


def test_a_service_killed_during_a_bleed_comes_back_held(house: House) -> None:
    """Killed in the middle of a bleed, the valve shuts by its lease, and the next start holds."""
    house.open()
    house.says("service", "on", "west", "--why", "needle valve")
    time.sleep(5)
    assert house.says("valve", "bleed", "west", "--seconds", "60", "--no-wait")[0] == 0
    wait_until(lambda: house.valve.gas, what="the bleed")
    house.service.signal(signal.SIGKILL)
    house.service.ends()
    wait_until(lambda: not house.valve.gas, LEASE_S + SLACK_S, "gas shut")
    opens = house.valve.count("OPEN")
    house.service.start()
    time.sleep(5.5)  # longer than settle and rest together
    now = house.service.chamber()
    assert (now["gas"], now["bleed"], now["state"]) == ("closed", False, "service")
    assert now["evidence"]["service"].endswith("needle valve"), "the hold's words outlive the start"
    assert house.valve.count("OPEN") == opens


def test_a_proof_test_is_watched_to_its_verdict(house: House) -> None:
    """The command shuts the gas, waits until the water has turned, and says proved."""
    house.open()
    with ThreadPoolExecutor(1) as other:
        running = other.submit(house.says, "valve", "test", "west", "--for", "60s", "--why", "monthly")
        wait_until(lambda: not house.valve.gas, what="gas shut")
        time.sleep(1)
        for step in range(1, 6):
            house.probe.ph = 6.9 + step / 50
            time.sleep(0.4)
        code, out = running.result()
    assert (code, "PROVED shut after" in out) == (0, True), out
    rows = house.service.rows("--kind", "decision")
    tested = [row for row in rows if "proof test by" in str(row["evidence"])]
    assert [row["reason"] for row in tested][:1] == ["planned_rest"]


@live("work_done")
def test_changed_closes_first_and_demands_a_trial(house: House) -> None:
    """What hands changed with gas open shuts it, is on record, and is followed by a trial."""
    house.open()
    begun = time.monotonic()
    code, out = house.says("changed", "west", "cylinder", "--why", "empty")
    assert (code, "Before the gas comes back" in out) == (0, True)
    house.valve.wait_order("CLOSE", begun)
    [act] = [row for row in house.service.rows("--kind", "act") if row["act"] == "changed"]
    assert (act["work"], act["why"]) == ("cylinder", "empty")
    decisions = house.service.rows("--kind", "decision")
    assert [row["gas"] for row in decisions if row["reason"] == "work_done"][:1] == ["closed"]
    house.service.wait_gas("open")
    assert house.service.chamber()["trial"]
    assert house.says("changed", "west", "lay-up", "--yes")[0] == 0
    assert house.service.chamber()["state"] == "service"
