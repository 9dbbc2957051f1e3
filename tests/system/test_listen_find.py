"""``nightheron listen --find`` as a person runs it, on real lines and a real broker."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pytest
import serial
from nightheron.cli.main import main
from nightheron_drivers import find_serial
from nightheron_drivers.find_ports import given

from tests.support.broker import Client, running_broker
from tests.support.pty_port import PtyPort
from tests.support.service import command
from tests.support.uart import received
from tests.system.test_listen import listen, talking

SITE = """
[site]
name = "house"
data_dir = "data"
[mqtt]
host = "127.0.0.1"
port = {port}
[[chamber]]
name = "west"
floor_ph = 6.60
resume_ph = 6.70
{probe}
[chamber.valve]
driver = "mqtt"
order_topic = "house/west/gas/order"
"""


def test_a_probe_on_a_port_and_one_on_the_broker(tmp_path: Path) -> None:
    """Both are found with their interval, their blocks pass `check`, and nothing is sent to anybody."""
    config = tmp_path / "nightheron.toml"
    with running_broker() as broker, PtyPort(tmp_path) as port, Client(broker, "#") as ear:
        config.write_text(
            SITE.format(port=broker.port, probe='[chamber.probe]\ndriver = "mqtt"\ntopic = "a"')
        )
        broker.publish("house/old/ph", "7.01", retain=True)

        def publish(payload: bytes) -> None:
            broker.publish("house/tank", payload)
            broker.publish("nightheron/house/west/report", b'{"ph": 6.7}')
            broker.publish("house/lamp", b"ON")

        lines = b"pH 7.01 T 25.3\r\n", b"pH 7.10 T 25.4\r\n"
        with talking(port.write, *lines), talking(publish, b'{"ph": 8.05}', b'{"ph": 8.06}'):
            words = ["--find", "--port", str(port.path), "--config", str(config)]
            done = listen(*words, "--seconds", "7", "--json")
        heard = {message.topic for message in ear.messages}
        sent = port.read()
        assert done.returncode == 0, done.stderr
        assert done.stderr == ""
        found = json.loads(done.stdout)
        (on_port,), (retained, tank) = found["ports"], found["topics"]
        assert on_port["options"]["pattern"] == r"pH +(?P<value>-?\d+\.\d{2}) +T +[+-]?\d+(?:\.\d+)?"
        assert (on_port["baud"], on_port["line_end"], on_port["sure"]) == (9600, "CR LF", True)
        assert on_port["resolution"] == 0.09
        assert 0.05 < on_port["interval_s"] < 0.5
        assert (tank["topic"], tank["options"]["value_pointer"]) == ("house/tank", "/ph")
        assert (retained["topic"], retained["retained_only"], retained["toml"]) == (
            "house/old/ph",
            True,
            None,
        )
        for one in (on_port, tank):
            config.write_text(SITE.format(port=broker.port, probe=one["toml"]))
            checked = command(config, "check")
            assert checked.returncode == 0, checked.stdout + checked.stderr
    assert sent == b""
    assert heard == {"house/old/ph", "house/tank", "house/lamp", "nightheron/house/west/report"}


def test_the_result_for_people_is_all_there_is_in_a_pipe(tmp_path: Path) -> None:
    """In a pipe there is the text with one block to paste, and no word of progress."""
    with PtyPort(tmp_path) as port, talking(port.write, b"-12.5 mV\r", b"-12.7 mV\r"):
        done = listen("--find", "--port", str(port.path), "--seconds", "6", "--config", "/nonexistent")
    assert done.returncode == 0
    assert done.stderr == ""
    block = done.stdout[done.stdout.index("[chamber.probe]") :].partition("\n\n")[0]
    probe = tomllib.loads(block)["chamber"]["probe"]
    assert (probe["driver"], probe["port"], probe["unit"]) == ("serial", str(port.path), "mv")
    assert probe["stale_s"] >= 3 * probe["period_s"]


def test_a_probe_at_another_rate(tmp_path: Path) -> None:
    """A device at 38400, garbled as a real receiver would at every other rate, is found at 38400."""
    message = b"pH 6.98 T 25.3\r\n"
    with PtyPort(tmp_path) as port:

        def say(_: bytes) -> None:
            heard = received([(0.0, message)], 38400, port.rate())[0][1]
            port.write(heard)

        with talking(say, message):
            done = listen("--find", "--port", str(port.path), "--config", "/nonexistent", "--json")
        sent = port.read()
    (found,) = json.loads(done.stdout)["ports"]
    assert (found["baud"], found["line_end"], found["unit"]) == (38400, "CR LF", "ph")
    assert sent == b""


def test_a_port_with_a_valve_is_not_opened(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """A port that the configuration gives to a valve is left alone: opening one can move a relay."""
    config = tmp_path / "nightheron.toml"
    with PtyPort(tmp_path) as port:
        probe = '[chamber.probe]\ndriver = "mqtt"\ntopic = "a"'
        valve = f'driver = "serial"\nport = "{port.path}"'
        text = SITE.format(port=9, probe=probe)
        config.write_text(text.replace('driver = "mqtt"\norder_topic = "house/west/gas/order"', valve))
        monkeypatch.setattr(find_serial, "ports", lambda: given([str(port.path)]))
        assert main(["listen", "--find", "--seconds", "1", "--config", str(config)]) == 1
    assert "has a valve on it, so it was not opened" in " ".join(capsys.readouterr().out.split())


def test_a_port_that_is_held_and_one_that_is_not_there(tmp_path: Path) -> None:
    """A port in other hands, and a name without a port, are one sentence each, at once, and 1."""
    with PtyPort(tmp_path) as port, serial.Serial(str(port.path), exclusive=True):
        ports = ["--port", str(port.path), "--port", "/dev/nonexistent"]
        done = listen("--find", *ports, "--config", "/nonexistent", within_s=20)
    assert done.returncode == 1
    said = " ".join(done.stdout.split())
    assert f"{port.path}: it is in use by another program; stop that first." in said
    assert "/dev/nonexistent: there is no such port." in said


def test_a_broker_that_is_not_there(tmp_path: Path) -> None:
    """A broker nobody can reach is one sentence and 1, and a port that says nothing another."""
    with PtyPort(tmp_path) as port:
        words = ["--find", "--port", str(port.path), "--broker", "127.0.0.1:9", "--seconds", "1"]
        done = listen(*words, "--config", "/nonexistent")
    assert done.returncode == 1
    assert "127.0.0.1:9: no connection: Connection refused." in done.stdout
    assert "nothing was heard in 1 s" in " ".join(done.stdout.split())


def test_a_machine_without_ports_and_without_a_broker(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Where there is nothing to listen to, one sentence says so and what to do, and it ends with 1."""
    monkeypatch.setattr(find_serial, "ports", list)
    assert main(["listen", "--find", "--config", str(tmp_path / "none.toml")]) == 1
    said = capsys.readouterr()
    assert said.out.startswith("There is no serial port on this machine and no broker was named:")
    assert said.out.count("\n") == 1
    assert said.err == ""


def test_a_configuration_that_is_not_complete_is_no_hindrance(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Before the configuration is sound one can look already; its broker is left out and that is said."""
    monkeypatch.setattr(find_serial, "ports", list)
    config = tmp_path / "nightheron.toml"
    config.write_text("[site]\n")
    assert main(["listen", "--find", "--config", str(config)]) == 1
    assert "not complete yet" in capsys.readouterr().err
    assert main(["listen", "--find", "west", "--config", str(config)]) == 2
    assert "leave the chamber and --topic out" in capsys.readouterr().err
