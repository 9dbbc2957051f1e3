"""The real service as a process, and its commands from other processes."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from tests.support.broker import RunningBroker
from tests.support.devices import wait_until
from tests.support.pty_port import PtyPort

START_S = 60.0
NIGHTHERON = [sys.executable, "-m", "nightheron.cli.main"]


def environment() -> dict[str, str]:
    """The environment without anything of ours or systemd's."""
    left_out = ("NIGHTHERON_", "NOTIFY_SOCKET")
    return {key: value for key, value in os.environ.items() if not key.startswith(left_out)}


def command(config: Path, *words: str, within_s: float = 60.0) -> subprocess.CompletedProcess[str]:
    """One nightheron command, to its end."""
    return subprocess.run(  # noqa: S603 - our own program
        [*NIGHTHERON, *words, "--config", str(config)],
        capture_output=True,
        text=True,
        timeout=within_s,
        check=False,
        env=environment(),
    )


def one_chamber(broker: RunningBroker, port: str, **keys: object) -> str:
    """A site with one chamber: probe on a serial line, valve on the broker; quick but lawful times."""
    chamber = {"min_rest_s": 2, "settle_s": 3} | keys
    lines = "\n".join(f"{key} = {json.dumps(value)}" for key, value in chamber.items())
    return f"""
[site]
name = "test-house"
data_dir = "data"

[mqtt]
host = "127.0.0.1"
port = {broker.port}

[[chamber]]
name = "west"
floor_ph = 6.60
resume_ph = 6.70
{lines}
[chamber.probe]
driver = "serial"
port = "{port}"
pattern = '(?P<value>-?\\d+\\.\\d+)'
period_s = 0.2
stale_s = 2.0
[chamber.valve]
driver = "mqtt"
order_topic = "house/west/gas/order"
lease_s = 2.0
"""


class Speaker:
    """A probe on a serial line that says its value five times a second until told otherwise."""

    def __init__(self, port: PtyPort, ph: float | None) -> None:
        self._port, self.ph = port, ph
        self._ending = threading.Event()
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Speaker:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        self._thread.join(20)

    def says(self, ph: float) -> None:
        """One reading now, besides the steady ones."""
        with self._lock:
            self._port.write(f"{ph:.2f}\r\n".encode())

    def _run(self) -> None:
        while not self._ending.wait(0.2):
            if self.ph is not None:
                try:
                    self.says(self.ph)
                except (OSError, TimeoutError, RuntimeError):
                    continue  # unplugged, or nobody reads yet


class Service:
    """``nightheron run`` as a process."""

    def __init__(
        self,
        config: Path,
        data_dir: Path | None = None,
        words: Sequence[str] = (*NIGHTHERON, "run", "--config"),
        more: Mapping[str, str] | None = None,
    ) -> None:
        """``more`` is added to its environment."""
        self.config = config
        self.log_path = config.parent / "service.log"
        self.control_path = (data_dir or config.parent / "data") / "control.sock"
        self._words, self._environment = tuple(words), environment() | dict(more or {})
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Service:
        return self.start()

    def __exit__(self, *_: object) -> None:
        if self._process is not None and self._process.poll() is None:
            self._process.kill()
            self._process.wait(30)

    def start(self) -> Service:
        """Start it and wait until it answers."""
        with self.log_path.open("ab") as log:
            self._process = subprocess.Popen(  # noqa: S603 - our own program
                [*self._words, str(self.config)], stdout=log, stderr=log, env=self._environment
            )
        wait_until(self._answers, START_S, f"an answer of the service ({self.log})")
        return self

    @property
    def pid(self) -> int:
        if self._process is None:
            raise RuntimeError("the service was not started")
        return self._process.pid

    @property
    def log(self) -> str:
        return self.log_path.read_text(errors="replace")

    def _answers(self) -> bool:
        if self._process is not None and self._process.poll() is not None:
            raise RuntimeError(f"the service ended with {self._process.returncode}:\n{self.log}")
        with socket.socket(socket.AF_UNIX) as link:
            link.settimeout(5.0)
            try:
                link.connect(str(self.control_path))
            except OSError:
                return False  # not there yet, or left by a run that was killed
        return True

    def signal(self, number: signal.Signals) -> None:
        os.kill(self.pid, number)

    def ends(self, within_s: float = 30.0) -> int:
        """Wait for its end; its exit code."""
        if self._process is None:
            raise RuntimeError("the service was not started")
        return self._process.wait(within_s)

    def status(self) -> dict[str, Any]:
        """``status --json`` from another process."""
        done = command(self.config, "status", "--json")
        if done.returncode != 0:
            raise RuntimeError(f"status: {done.returncode} {done.stderr}\n{self.log}")
        found = json.loads(done.stdout)
        if not isinstance(found, dict):
            raise TypeError("status is an object")
        return found

    def chamber(self, place: int = 0) -> dict[str, Any]:
        found: dict[str, Any] = self.status()["chambers"][place]
        return found

    def rows(self, *words: str) -> list[dict[str, Any]]:
        """``log --json`` from another process."""
        done = command(self.config, "log", "--json", *words)
        return [json.loads(line) for line in done.stdout.splitlines()]

    def wait_gas(self, gas: str, within_s: float = 60.0) -> float:
        """Wait until status says so; the time (monotonic)."""
        end = time.monotonic() + within_s
        while self.chamber()["gas"] != gas:
            if time.monotonic() > end:
                raise TimeoutError(f"gas is not {gas} within {within_s} s: {self.chamber()}\n{self.log}")
            time.sleep(0.1)
        return time.monotonic()
