"""``nightheron listen --find --valve`` with real keepers, on a real broker and a pseudo-terminal's line."""

from __future__ import annotations

import json
import os
import pty
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from nightheron.cli.main import main
from nightheron.runtime import valve_trial
from nightheron.runtime.keeper_client import Keepers
from nightheron.runtime.lock import take_lock

from tests.support.broker import RunningBroker, running_broker
from tests.support.devices import MqttDevice, SerialDevice
from tests.support.service import NIGHTHERON, command, environment

TRY = ("listen", "--find", "--valve", "west")
TOPIC, REPORT = "house/west/gas/order", "house/west/gas"
SHORT = "lease_s = 2.0\ntravel_s = 0.2"


def configured(directory: Path, valve: str, port: int | None = None) -> Path:
    """A site with one chamber and this valve."""
    mqtt = "" if port is None else f'[mqtt]\nhost = "127.0.0.1"\nport = {port}\n'
    path = directory / "nightheron.toml"
    path.write_text(
        f'[site]\nname = "house"\ndata_dir = "data"\n{mqtt}'
        '[[chamber]]\nname = "west"\nfloor_ph = 6.60\nresume_ph = 6.70\n'
        '[chamber.probe]\ndriver = "serial"\nport = "/dev/made-up"\npattern = \'(?P<value>-?\\d+\\.\\d+)\'\n'
        f"[chamber.valve]\n{valve}\n{SHORT}\n"
    )
    return path


def on_broker(directory: Path, broker: RunningBroker, more: str = "") -> Path:
    """The valve takes orders on a topic."""
    valve = f'driver = "mqtt"\norder_topic = "{TOPIC}"\n{more}'
    return configured(directory, valve, broker.port)


def on_line(directory: Path, device: SerialDevice) -> Path:
    """The valve takes lines on a port."""
    return configured(directory, f'driver = "serial"\nport = "{device.path}"')


@contextmanager
def at_a_terminal(config: Path) -> Iterator[tuple[subprocess.Popen[bytes], int]]:
    """The command with a terminal for its questions; the process, and the keyboard's descriptor."""
    keyboard, stdin = pty.openpty()
    process = subprocess.Popen(  # noqa: S603 - our own program
        [*NIGHTHERON, *TRY, "--config", str(config)],
        stdin=stdin,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=environment(),
    )
    os.close(stdin)
    try:
        yield process, keyboard
    finally:
        os.close(keyboard)
        process.kill()
        process.communicate(timeout=30)


def told(process: subprocess.Popen[bytes], until: str) -> str:
    """What it says on its error stream up to these words."""
    said = b""
    if process.stderr is None:
        raise RuntimeError("no error stream")
    while until.encode() not in said:
        part = os.read(process.stderr.fileno(), 1000)
        if not part:
            raise RuntimeError(f"it ended without {until!r}: {said!r}")
        said += part
    return said.decode()


def row(done: subprocess.CompletedProcess[str]) -> dict[str, Any]:
    """The one object printed."""
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def test_a_valve_that_reports_what_it_does(tmp_path: Path) -> None:
    """Close is the first and last order, open lasts two seconds, is never kept, and the report proves it."""
    with running_broker() as broker, MqttDevice(broker, TOPIC, feedback=REPORT) as valve:
        config = on_broker(tmp_path, broker, f'feedback_topic = "{REPORT}"')
        done = command(config, *TRY, "--yes", "--json")
        orders = valve.orders
        kept = [message.payload for message in valve.messages if message.retain]
    assert done.returncode == 0, done.stderr
    found = row(done)
    assert (found["verdict"], found["shut"], found["valve"]) == ("right", True, "west/0")
    texts = [order.text for order in orders]
    assert texts[0] == texts[-1] == "CLOSE"
    opened = texts.index("OPEN")
    closed = texts.index("CLOSE", opened)
    assert 1.5 < orders[closed].at - orders[opened].at < 2.7
    assert "OPEN" not in texts[closed:]
    assert b"OPEN" not in kept


def test_a_valve_that_reports_the_other_way_round(tmp_path: Path) -> None:
    """Reports that say shut while open and open while shut are called backwards, with what to look at."""
    with running_broker() as broker, MqttDevice(broker, TOPIC, feedback=REPORT) as valve:
        answers = 'open_answer = "CLOSE"\nclosed_answer = "OPEN"'
        config = on_broker(tmp_path, broker, f'feedback_topic = "{REPORT}"\n{answers}')
        done = command(config, *TRY, "--yes")
        assert valve.texts()[-1] == "CLOSE"
    assert done.returncode == 1
    assert "west/0: BACKWARDS." in done.stdout
    assert "Leave the cylinder shut" in done.stdout


def test_the_person_beside_it_finds_it_backwards(tmp_path: Path) -> None:
    """Asked at the terminal, "the other way round" is a finding; every question comes after the close."""
    with SerialDevice(tmp_path) as valve, at_a_terminal(on_line(tmp_path, valve)) as (process, keyboard):
        said = told(process, "Type yes: ")
        assert "Shut the cylinder by hand first" in said
        assert valve.orders == []
        os.write(keyboard, b"yes\n")
        told(process, "move twice")
        assert "OPEN" in valve.texts()
        assert valve.texts()[-1] == "CLOSE"
        os.write(keyboard, b"y\n")
        told(process, "other way round")
        os.write(keyboard, b"n\n")
        out, _ = process.communicate(timeout=30)
    assert process.returncode == 1
    assert b"BACKWARDS. It has power while it is ordered shut" in out


def test_without_a_yes_nothing_moves(tmp_path: Path) -> None:
    """Any other answer ends with 1; without a terminal it is refused with 2; the valve hears nothing."""
    with SerialDevice(tmp_path) as valve:
        config = on_line(tmp_path, valve)
        with at_a_terminal(config) as (process, keyboard):
            told(process, "Type yes: ")
            os.write(keyboard, b"no\n")
            assert process.wait(30) == 1
        refused = command(config, *TRY)
        assert valve.orders == []
    assert refused.returncode == 2
    assert "--yes" in refused.stderr


def test_the_service_has_the_valve(tmp_path: Path) -> None:
    """While a service holds the data directory nothing is moved, and who holds it is said."""
    with SerialDevice(tmp_path) as valve:
        config = on_line(tmp_path, valve)
        with take_lock(tmp_path / "data"):
            done = command(config, *TRY, "--yes")
        assert valve.orders == []
    assert done.returncode == 1
    assert f"(pid {os.getpid()})" in done.stderr
    assert "stop the service first" in done.stderr


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGKILL])
def test_whatever_ends_it_the_valve_is_shut(tmp_path: Path, number: signal.Signals) -> None:
    """Ctrl-C, a stop, a hang-up or a kill while it is open: a close follows at once, and is the last."""
    with SerialDevice(tmp_path) as valve, at_a_terminal(on_line(tmp_path, valve)) as (process, keyboard):
        told(process, "Type yes: ")
        os.write(keyboard, b"yes\n")
        opened = valve.wait_order("OPEN")
        process.send_signal(number)
        closed = valve.wait_order("CLOSE", after=opened.at)
        _, said = process.communicate(timeout=30)
        code = process.returncode
        time.sleep(0.3)
        assert valve.texts()[-1] == "CLOSE"
    assert closed.at - opened.at < 1.8  # not by the lease of two seconds
    assert (b"it is ordered shut, and it took that" in said) is (number is not signal.SIGKILL)
    assert code == (-9 if number is signal.SIGKILL else 130)


def test_a_last_close_that_nobody_takes_is_said_loudly(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """When the broker is gone while the valve is open, it ends in bounded time as not known to be shut."""
    monkeypatch.setattr(valve_trial, "SHUT_MOST_S", 1.0)
    with running_broker() as broker:
        config = on_broker(tmp_path, broker)
        before = Keepers.open_until

        def open_and_die(self: Any, valve: str, until_ns: int, now_ns: int) -> None:
            before(self, valve, until_ns, now_ns)
            broker.freeze()

        monkeypatch.setattr(Keepers, "open_until", open_and_die)
        begun = time.monotonic()
        code = main([*TRY, "--yes", "--config", str(config)])
    assert code == 1
    assert "NOT KNOWN TO BE SHUT" in capsys.readouterr().out
    assert time.monotonic() - begun < 20


def test_a_valve_that_is_not_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A valve out of reach is a finding; an unknown chamber, or half a request, is usage."""
    monkeypatch.setattr(valve_trial, "TAKE_MOST_S", 1.5)
    config = configured(tmp_path, 'driver = "serial"\nport = "/dev/nonexistent"')
    assert main([*TRY, "--yes", "--config", str(config)]) == 1
    assert main(["listen", "--find", "--valve", "north", "--yes", "--config", str(config)]) == 2
    assert main(["listen", "--valve", "west", "--config", str(config)]) == 2
    assert main(["listen", "--find", "--yes", "--config", str(config)]) == 2
