"""The broker dies while gas flows and the valve has no timer: nobody may read that gas is shut."""

from __future__ import annotations

import signal
import subprocess
from pathlib import Path

from tests.support.broker import running_broker
from tests.support.devices import MqttDevice, wait_until
from tests.support.house_under_siege import TOPIC
from tests.support.pty_port import PtyPort
from tests.support.service import Service, Speaker, command
from tests.support.siege import HIGH_PH, Part, mqtt_valve, serial_probe, write_site

HAND = "NOW: shut the hand valve at the cylinder, then look at broker, network and valve."
AS_A_FACT = ("gas CLOSED", "gas is closed", "gas is shut", "gas closed", "was shut", "closed by")


def people_read(config: Path, word: str) -> str:
    """What a command prints for people, in lines as long as they are."""
    done: subprocess.CompletedProcess[str] = command(config, word)
    assert done.returncode == 0, done.stderr
    assert not [words for words in AS_A_FACT if words in done.stdout], done.stdout
    return done.stdout


def test_a_dead_broker_with_gas_open_is_told_as_gas_that_may_flow(tmp_path: Path) -> None:
    """Why, status, the stop, its log and the gap after it all say that the close was not delivered."""
    with running_broker() as broker, PtyPort(tmp_path) as port, Speaker(port, HIGH_PH):
        config = write_site(tmp_path, broker.port, [Part("west", serial_probe(port.path), mqtt_valve(TOPIC))])
        with MqttDevice(broker, TOPIC) as valve, Service(config) as service:
            valve.wait_order("OPEN", within_s=60)
            wait_until(lambda: service.chamber()["delivered"] is True, 20, "the order taken")
            broker.kill()
            wait_until(lambda: service.status()["alarms"], 40, "an alarm long before a minute is over")
            assert valve.gas, "nothing ended gas at the device"
            one, (alarm,) = service.chamber(), service.status()["alarms"]
            assert (one["gas"], one["delivered"], one["taken"]) == ("closed", False, "open")
            assert (alarm["reason"], alarm["class"]) == ("valve_lost", "wake")
            assert "CLOSE NOT DELIVERED" in alarm["text"]

            why, status = people_read(config, "why"), people_read(config, "status")
            assert why.startswith("west: CLOSE NOT DELIVERED for ")
            assert "the valve does not answer; gas may still flow." in why
            assert HAND in why
            assert "its last known order is OPEN (since " in why
            assert "ordered shut" in status
            assert HAND in status

            service.signal(signal.SIGTERM)
            assert service.ends() == 0
            assert "close not acknowledged by: west" in service.log
            assert not [line for line in service.log.splitlines() if "gas is closed" in line]
            (stop,) = service.rows("--kind", "stop")
            assert stop["unacknowledged"] == ["west"]
            assert str(stop["text"]).endswith("close not acknowledged by: west")
            gone = command(config, "status")
            assert gone.returncode == 3
            assert "whether gas is shut cannot be known from here" in gone.stderr
        with Service(config) as again:
            gap = again.rows("--kind", "gap")[-1]
            assert str(gap["text"]).endswith("west: whether gas was shut is not known")
            wait_until(lambda: "valve_lost" in again.chamber()["reasons"], 40, "the valve missed")
            assert "west: CLOSE NOT DELIVERED for " in people_read(config, "why")
            assert again.chamber()["taken"] == "open"


def test_a_stop_that_the_valve_took_says_so(tmp_path: Path) -> None:
    """With valve and broker there, the stop and the gap after it say that the close was acknowledged."""
    with running_broker() as broker, PtyPort(tmp_path) as port, Speaker(port, HIGH_PH):
        config = write_site(tmp_path, broker.port, [Part("west", serial_probe(port.path), mqtt_valve(TOPIC))])
        with MqttDevice(broker, TOPIC) as valve:
            with Service(config) as service:
                valve.wait_order("OPEN", within_s=60)
                wait_until(lambda: service.chamber()["delivered"] is True, 20, "the order taken")
                service.signal(signal.SIGTERM)
                assert service.ends() == 0
                assert not valve.gas
                (stop,) = service.rows("--kind", "stop")
                assert stop["unacknowledged"] == []
                assert str(stop["text"]).endswith("every valve acknowledged the close")
                last = service.rows("--kind", "decision")[-1]
                assert str(last["text"]).endswith(": the service is stopping")
            with Service(config) as again:
                gap = again.rows("--kind", "gap")[-1]
                assert gap["shut"] == "acknowledged"
                assert str(gap["text"]).endswith("west: gas was shut, and the valve had acknowledged that")
