"""Every driver that is shipped keeps the promises that a third party's must keep."""

from __future__ import annotations

import os
import socket
from pathlib import Path
from typing import Any

import pytest
from nightheron_drivers import valve_gpio, valve_mqtt, valve_rig, valve_serial
from nightheron_drivers.conformance import check_probe
from nightheron_drivers.conformance_valve import check_valve_without_link
from nightheron_drivers.probe_mqtt import MqttProbe
from nightheron_drivers.probe_rig import RigProbe
from nightheron_drivers.probe_serial import SerialProbe
from nightheron_drivers.protocols import Broker
from nightheron_drivers.skeleton import SkeletonProbe
from nightheron_drivers.valve_gpio_options import GpioValve
from nightheron_drivers.valve_mqtt_options import MqttValve
from nightheron_drivers.valve_rig_options import RigValve
from nightheron_drivers.valve_serial_options import SerialValve

from tests.support.broker import Client, free_port, running_broker
from tests.support.pty_port import PtyPort


def test_the_serial_probe_conforms(tmp_path: Path) -> None:
    """The serial probe keeps every promise of a probe."""
    with PtyPort(tmp_path) as port:
        check_probe(
            SerialProbe,
            {"port": str(port.path), "pattern": r"(?P<value>-?\d+\.\d+)"},
            speak=lambda data: port.write(data + b"\r\n"),
            good=lambda value: f"{value:.2f}".encode(),
        )


def test_the_mqtt_probe_conforms() -> None:
    """The MQTT probe keeps every promise of a probe."""
    with running_broker() as broker, Client(broker) as device:
        check_probe(
            MqttProbe,
            {"topic": "greenhouse/ph"},
            speak=lambda data: device.publish("greenhouse/ph", data),
            good=lambda value: f"{value:.2f}".encode(),
            broker=Broker(broker.host, broker.port),
        )


def test_the_rig_probe_conforms(tmp_path: Path) -> None:
    """The rig's probe keeps every promise of a probe, and says first which chamber it is in."""
    path = tmp_path / "rig.sock"
    with socket.socket(socket.AF_UNIX) as rig:
        rig.bind(str(path))
        rig.listen()
        links: list[socket.socket] = []

        def speak(data: bytes) -> None:
            if not links:
                links.append(rig.accept()[0])
                assert links[0].recv(100) == b"probe west\n"
            links[0].sendall(data + b"\n")

        check_probe(
            RigProbe,
            {"path": str(path), "chamber": "west"},
            speak=speak,
            good=lambda value: f"{value:.2f}".encode(),
        )
        for link in links:
            link.close()


def test_the_template_conforms(tmp_path: Path) -> None:
    """The template to copy is itself a probe that keeps every promise, old contents unread."""
    path = tmp_path / "number"
    path.write_text("6.91")
    new = tmp_path / "number.new"

    def speak(data: bytes) -> None:
        new.write_bytes(data)
        os.replace(new, path)  # noqa: PTH105 - what the writing program does, in one step

    check_probe(SkeletonProbe, {"path": str(path)}, speak=speak, good=lambda value: f"{value:.2f}\n".encode())


def plan_of(driver: Any, keys: dict[str, Any]) -> dict[str, Any]:
    """What the keeper is given for one valve."""
    options = driver.Options.model_validate(keys).model_dump(mode="json")
    return {**options, "id": "west/0", "lease_s": 5.0, "travel_s": 2.0, "site": "site"}


@pytest.mark.parametrize("there", ["nobody", "mute"])
def test_the_mqtt_valve_conforms_without_a_broker(there: str) -> None:
    """No call of an MQTT valve waits or raises while its broker is away, or accepts and says nothing."""
    with socket.create_server(("127.0.0.1", 0)) as mute:
        port = mute.getsockname()[1] if there == "mute" else free_port()
        plan = plan_of(MqttValve, {"order_topic": "greenhouse/gas/order"})
        broker = {"host": "127.0.0.1", "port": port, "username": None, "password": None, "tls": False}
        broker |= {"ca_file": None, "cert_file": None, "key_file": None}
        (valve,) = valve_mqtt.hold([plan], broker, "own")
        check_valve_without_link(valve)


def test_the_serial_valve_conforms_without_a_port(tmp_path: Path) -> None:
    """No call of a serial valve waits or raises while its port is not there."""
    plan = plan_of(SerialValve, {"port": str(tmp_path / "none")})
    (valve,) = valve_serial.hold([plan], None, "own")
    check_valve_without_link(valve)


def test_the_rig_valve_conforms_without_a_rig(tmp_path: Path) -> None:
    """No call of the rig's valve waits or raises while the rig is not there."""
    plan = plan_of(RigValve, {"path": str(tmp_path / "none.sock")})
    (valve,) = valve_rig.hold([plan], None, "own")
    check_valve_without_link(valve)


def test_the_gpio_valve_conforms_without_a_chip(tmp_path: Path) -> None:
    """No call of a valve on a pin waits or raises while its chip is not there, or is something else."""
    file = tmp_path / "file"
    file.touch()
    for chip in (str(tmp_path / "none"), "no-such-label", str(file)):
        plan = plan_of(GpioValve, {"chip": chip, "line": 17, "active_low": False})
        (valve,) = valve_gpio.hold([plan], None, "own")
        check_valve_without_link(valve, for_s=1.0)
