"""The service as it is started: a real broker, a probe on a pseudo-terminal, a valve on the broker."""

from __future__ import annotations

import json
import signal
import stat
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.support.broker import Client, running_broker
from tests.support.devices import MqttDevice, wait_until
from tests.support.pty_port import PtyPort
from tests.support.service import Service, Speaker, command, one_chamber


@dataclass
class House:
    """Everything one test needs."""

    service: Service
    probe: Speaker
    valve: MqttDevice
    listener: Client

    def open_gas(self) -> None:
        self.valve.wait_order("OPEN", within_s=60)


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    with (
        running_broker() as broker,
        PtyPort(tmp_path) as port,
        MqttDevice(broker, "house/west/gas/order", timer_s=None) as valve,
        Client(broker, "nightheron/#") as listener,
        Speaker(port, 6.90) as probe,
    ):
        config = tmp_path / "nightheron.toml"
        config.write_text(one_chamber(broker, str(port.path)))
        with Service(config) as service:
            yield House(service, probe, valve, listener)


def test_it_opens_after_settling_closes_on_one_low_reading_and_resumes(house: House) -> None:
    """Gas opens only after the settle window, one low reading closes, and resume, settle and rest reopen."""
    began = time.monotonic()
    house.open_gas()
    assert house.valve.orders[0].text == "CLOSE"
    assert time.monotonic() - began >= 2
    house.probe.ph = 6.65
    time.sleep(1)
    assert house.valve.gas
    house.probe.says(6.59)
    closed = house.valve.wait_order("CLOSE", after=time.monotonic() - 0.5)
    wait_until(lambda: house.service.chamber()["gas"] == "closed", what="closed in status")
    chamber = house.service.chamber()
    assert chamber["reason"] == "floor"
    time.sleep(4)
    assert not house.valve.gas  # 6.65 lies between floor and resume
    house.probe.ph = 6.80
    raised = time.monotonic()
    opened = house.valve.wait_order("OPEN", after=closed.at + 0.1, within_s=60)
    assert opened.at - raised >= 3
    house.service.signal(signal.SIGTERM)
    assert house.service.ends() == 0


def test_sigterm_closes_and_writes_it_down(house: House) -> None:
    """SIGTERM closes, exits 0, leaves a stop row and a chain that verifies, and says it is gone."""
    house.open_gas()
    house.service.signal(signal.SIGTERM)
    assert house.service.ends() == 0
    assert house.valve.texts()[-1] == "CLOSE"
    rows = house.service.rows()
    kinds = [row["kind"] for row in rows]
    assert kinds[-1] == "stop"
    assert {"start", "config", "snapshot", "decision"} <= set(kinds)
    assert command(house.service.config, "verify").returncode == 0
    wait_until(
        lambda: [m.payload for m in house.listener.messages if m.topic.endswith("/present")][-1:] == [b"0"],
        what="present 0",
    )
    assert not (house.service.config.parent / "data" / "control.sock").exists()


def test_a_second_service_moves_nothing(house: House) -> None:
    """A second run on the same data directory exits 1, and no order leaves."""
    house.open_gas()
    before = house.valve.count("CLOSE")
    second = command(house.service.config, "run")
    assert second.returncode == 1
    assert "already guards" in second.stderr
    assert house.valve.count("CLOSE") == before
    assert house.valve.gas


def test_commands_of_another_process(house: House) -> None:
    """status, why, service, valve close and release work from another process and say what they did."""
    house.open_gas()
    config = house.service.config
    shown = command(config, "status")
    assert shown.returncode == 0
    assert "west" in shown.stdout
    on = command(config, "service", "on", "west", "--for", "20m", "--why", "cleaning")
    assert on.returncode == 0
    house.valve.wait_order("CLOSE", after=0)
    assert "service off west" in on.stdout
    chamber = house.service.chamber()
    assert (chamber["state"], chamber["gas"], chamber["reason"]) == ("service", "closed", "service")
    why = command(config, "why", "west")
    assert why.returncode == 0
    assert "CLOSED" in why.stdout
    assert "first" in why.stdout
    assert "opens" in why.stdout
    assert json.loads(command(config, "why", "--json").stdout)[0]["name"] == "west"
    time.sleep(6)
    assert not house.valve.gas
    assert command(config, "service", "off", "west").returncode == 0
    assert command(config, "service", "off", "west").returncode == 0
    house.service.wait_gas("open")
    assert command(config, "valve", "close", "west").returncode == 0
    assert house.service.chamber()["state"] == "service"
    assert command(config, "service", "off", "west").returncode == 0
    assert command(config, "release", "west").returncode == 0
    assert command(config, "release", "north").returncode == 2
    acts = house.service.rows("--kind", "act")
    assert [row["act"] for row in acts][:2] == ["service_on", "service_off"]
    assert all(row["who"] for row in acts)


def test_status_is_quick_and_has_the_contract_s_shape(house: House) -> None:
    """status --json has every key of the contract, the socket is 0660, and the answer is not slow."""
    house.open_gas()
    house.service.wait_gas("open")
    status = house.service.status()
    assert set(status) >= {"site", "chambers", "alarms", "journal"}
    (chamber,) = status["chambers"]
    keys = set("name state gas since reason reasons ph health flag tank_ph verdict until".split())  # noqa: SIM905 - reads as the contract does
    assert keys <= set(chamber)
    assert (chamber["ph"], chamber["state"], chamber["reason"], chamber["flag"]) == (6.9, "flowing", None, 1)
    assert status["journal"]["seq"] > 0
    assert len(status["journal"]["head"]) == 64
    socket_path = house.service.config.parent / "data" / "control.sock"
    assert stat.S_IMODE(socket_path.stat().st_mode) == 0o660


def test_telemetry_reports_and_is_present(house: House) -> None:
    """A retained report, decision events and a retained presence appear under the prefix."""
    house.open_gas()
    base = "nightheron/test-house"
    house.listener.wait_for(lambda m: m.topic == f"{base}/present" and m.payload == b"1")
    report = house.listener.wait_for(
        lambda m: m.topic == f"{base}/west/report" and json.loads(m.payload)["gas"] == "open"
    )
    assert json.loads(report.payload)["name"] == "west"
    event = house.listener.wait_for(lambda m: m.topic == f"{base}/west/events")
    assert json.loads(event.payload)["chamber"] == "west"


def test_a_kill_is_noticed_by_the_next_start(house: House) -> None:
    """After SIGKILL the next start writes the gap, counts the unclean start, and begins closed."""
    house.open_gas()
    house.service.signal(signal.SIGKILL)
    house.service.ends()
    wait_until(lambda: house.valve.texts()[-1] == "CLOSE", what="the keeper's close")
    house.service.start()
    chamber = house.service.chamber()
    assert (chamber["gas"], chamber["reason"]) == ("closed", "starting")
    kinds = [row["kind"] for row in house.service.rows()]
    assert "gap" in kinds
    starts = house.service.rows("--kind", "start")
    assert [row["unclean_starts"] for row in starts] == [0, 1]


def test_without_a_service_commands_say_so(tmp_path: Path) -> None:
    """status, why and acts exit 3 with one sentence when nothing runs."""
    config = tmp_path / "nightheron.toml"
    config.write_text('[site]\nname = "x"\ndata_dir = "data"\n')
    for words in (
        ["status"],
        ["why"],
        ["valve", "close", "west"],
        ["release", "west"],
        ["service", "off", "west"],
    ):
        done = command(config, *words)
        assert done.returncode == 3
        assert "not running" in done.stderr
        assert "Traceback" not in done.stderr
