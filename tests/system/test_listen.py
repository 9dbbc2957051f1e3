"""``nightheron listen`` as a person runs it, on a real line and a real broker."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import serial

from tests.support.broker import RunningBroker, running_broker
from tests.support.pty_port import PtyPort

START = "import sys; from nightheron.cli.main import main; sys.exit(main())"


def listen(*words: str, within_s: float = 60) -> subprocess.CompletedProcess[str]:
    """Run the command to its end."""
    return subprocess.run(  # noqa: S603 - our own program
        [sys.executable, "-c", START, "listen", *words],
        capture_output=True,
        text=True,
        timeout=within_s,
        check=False,
    )


@contextmanager
def talking(say: Any, *messages: bytes) -> Iterator[None]:
    """A device that says these messages over and over, one each 0.1 s."""
    stop = threading.Event()

    def talk() -> None:
        while not stop.is_set():
            for message in messages:
                say(message)
                stop.wait(0.1)

    thread = threading.Thread(target=talk, daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(20)


def test_a_port_by_flags(tmp_path: Path) -> None:
    """Without a configuration each line is shown with its value or why not, and a summary ends it."""
    with PtyPort(tmp_path) as port, talking(port.write, b"7.01\r\n", b"7.03\r\n", b"warming up\r\n"):
        done = listen("--port", str(port.path), "--seconds", "3")
    assert done.returncode == 0, done.stderr
    assert "'7.01'  reads 7.01" in done.stdout
    assert "'warming up'  refused: no_match" in done.stdout
    assert "smallest step between two values  0.02" in done.stdout
    assert "no_match" in done.stdout.splitlines()[-3]


def test_json_lines(tmp_path: Path) -> None:
    """With --json every line of output is one object, and the last is the summary."""
    with PtyPort(tmp_path) as port, talking(port.write, b"pH 7.01\r"):
        pattern = r"pH (?P<value>\d\.\d+)"
        done = listen("--port", str(port.path), "--pattern", pattern, "--seconds", "3", "--json")
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    good = [row for row in rows[:-1] if row["value"] is not None]
    assert {row["value"] for row in good} == {7.01}
    summary = rows[-1]["summary"][str(port.path)]
    assert summary["readings"] == len(good)
    assert summary["lines"] == len(rows) - 1
    assert summary["refused"] in ({"partial": 1}, {})


def test_ctrl_c_ends_with_the_summary(tmp_path: Path) -> None:
    """Ctrl-C ends the listening in good order: the summary, and 0 because readings were seen."""
    # A shell without job control has its background commands ignore SIGINT; a terminal does not.
    heeds = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)"
    with PtyPort(tmp_path) as port, talking(port.write, b"7.01\r\n"):
        process = subprocess.Popen(  # noqa: S603 - our own program
            [sys.executable, "-c", f"{heeds}; {START}", "listen", "--port", str(port.path)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        if process.stdout is None:
            raise RuntimeError("no output to read")
        while "reads" not in process.stdout.readline():
            continue
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=30)
    assert process.returncode == 0
    assert "readings  " in out
    assert "Traceback" not in err


def test_nothing_heard_is_a_finding(tmp_path: Path) -> None:
    """A silent probe ends with a sentence and 1."""
    with PtyPort(tmp_path) as port:
        done = listen("--port", str(port.path), "--seconds", "1")
    assert done.returncode == 1
    assert "No reading was seen" in done.stdout


def test_a_port_in_use_is_said(tmp_path: Path) -> None:
    """When another program holds the port, one sentence says so at once, and it ends with 1."""
    with PtyPort(tmp_path) as port, serial.Serial(str(port.path), exclusive=True):
        begin = time.monotonic()
        done = listen("--port", str(port.path), "--seconds", "50")
    assert done.returncode == 1
    assert "in use by another program" in done.stderr
    assert time.monotonic() - begin < 40


def configured(directory: Path, port: PtyPort, broker: RunningBroker) -> Path:
    """A configuration with a serial chamber and an mqtt chamber."""
    path = directory / "nightheron.toml"
    path.write_text(
        f"""
[site]
name = "house"
data_dir = "{directory}/data"
[mqtt]
host = "127.0.0.1"
port = {broker.port}
[[chamber]]
name = "west"
water_l = 1.9
floor_ph = 6.60
resume_ph = 6.70
[chamber.probe]
driver = "serial"
port = "{port.path}"
pattern = '(?P<value>-?\\d+\\.\\d+)'
[chamber.valve]
driver = "mqtt"
order_topic = "house/west/gas/order"
[[chamber]]
name = "east"
water_l = 1.9
floor_ph = 6.60
resume_ph = 6.70
[chamber.probe]
driver = "mqtt"
topic = "house/east/ph"
[chamber.valve]
driver = "mqtt"
order_topic = "house/east/gas/order"
"""
    )
    return path


def test_chambers_of_the_configuration(tmp_path: Path) -> None:
    """By a chamber's name its probe is heard, without a name all are, and an unknown name is explained."""
    with running_broker() as broker, PtyPort(tmp_path) as port:
        path = str(configured(tmp_path, port, broker))

        def publish(payload: bytes) -> None:
            broker.publish("house/east/ph", payload)

        with talking(port.write, b"7.01\r\n"), talking(publish, b"6.91"):
            one = listen("--config", path, "east", "--seconds", "3")
            both = listen("--config", path, "--seconds", "3")
            topic = listen("--config", path, "--topic", "house/east/ph", "--seconds", "3")
        none = listen("--config", path, "north")
    assert one.returncode == both.returncode == topic.returncode == 0
    assert "chamber/east/0" in one.stdout
    assert "chamber/west/0" not in one.stdout
    assert "chamber/east/0" in both.stdout
    assert "chamber/west/0" in both.stdout
    assert "reads 6.91" in topic.stdout
    assert none.returncode == 2
    assert "west, east" in none.stderr


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--port", "/dev/x", "--pattern", "("], "--pattern: is not a regular expression"),
        (["--port", "/dev/x", "--pattern", r"(?P<value>(\d+)*x)"], "avoid a repeat inside a repeat"),
        (["--port", "/dev/x", "--baud", "9601"], "the nearest is 9600"),
        (["--topic", "a/#"], "--topic: names one topic exactly"),
        (["--topic", "a", "--host", "h:x"], "--host:"),
        (["--topic", "a", "--port", "/dev/x"], "Name one of"),
        (["--port", "/dev/x", "--seconds", "nan"], "--seconds"),
        (["--config", "/nonexistent.toml"], "--port PORT or --topic TOPIC"),
    ],
)
def test_a_bad_request_is_explained(words: list[str], said: str) -> None:
    """A request that cannot be understood ends with 2 and a sentence, never a traceback."""
    done = listen(*words)
    assert done.returncode == 2
    assert said in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""
