"""The whole service on the rig: real processes, no hardware."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

PATIENCE_S = 60.0
CLEAN = {name: value for name, value in os.environ.items() if not name.startswith("NIGHTHERON_")}
CONFIGURATION = """\
[site]
name = "bench"
data_dir = "."

[[chamber]]
name = "west"
min_rest_s = 1
settle_s = 2
[chamber.probe]
driver = "rig"
path = "{rig}"
chamber = "west"
[chamber.valve]
driver = "rig"
path = "{rig}"
lease_s = 3.0
"""


@contextmanager
def _process(*words: str) -> Iterator[None]:
    command = [sys.executable, "-m", *words]
    with subprocess.Popen(  # noqa: S603 - our own interpreter
        command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=CLEAN
    ) as process:
        try:
            yield
        finally:
            process.terminate()
            process.wait(PATIENCE_S)


class Bench:
    """A rig whose water lives 300 times as fast, and the service that guards it."""

    def __init__(self, folder: Path) -> None:
        self.rig, self.config = folder / "rig.sock", folder / "nightheron.toml"
        self.config.write_text(CONFIGURATION.format(rig=self.rig))

    def say(self, line: str) -> str:
        """One order to the rig, and its answer."""
        with socket.socket(socket.AF_UNIX) as link:
            link.settimeout(PATIENCE_S)
            link.connect(str(self.rig))
            link.sendall(line.encode() + b"\n")
            return link.recv(200).decode().strip()

    def decisions(self) -> list[dict[str, Any]]:
        """Every decision so far, from the journal."""
        command = [sys.executable, "-m", "nightheron.cli.main", "log", "--json", "--kind", "decision"]
        done = subprocess.run(  # noqa: S603 - our own interpreter
            [*command, "--config", str(self.config)], capture_output=True, text=True, check=False, env=CLEAN
        )
        return [json.loads(line) for line in done.stdout.splitlines()]

    def objects(self, reason: str) -> bool:
        """Wait for this reason to stand in the latest decision."""
        until = time.monotonic() + PATIENCE_S
        while time.monotonic() < until:
            if reason in self.decisions()[-1]["reasons"]:
                return True
            time.sleep(0.2)
        return False

    def gas_becomes(self, gas: str) -> bool:
        """Wait for gas to flow, or to stop, at the rig itself."""
        until = time.monotonic() + PATIENCE_S
        while time.monotonic() < until:
            if self.say("show west").endswith(gas):
                return True
            time.sleep(0.1)
        return False


@pytest.fixture
def bench() -> Iterator[Bench]:
    """Both processes up; a short path, since sockets have no long names."""
    with tempfile.TemporaryDirectory(prefix="nh") as folder:
        bench = Bench(Path(folder))
        rig = ["nightheron.rig.serve", "--path", str(bench.rig), "--chamber", "west", "--speed", "300"]
        with _process(*rig):
            until = time.monotonic() + PATIENCE_S
            while not bench.rig.exists() and time.monotonic() < until:
                time.sleep(0.05)
            with _process("nightheron.cli.main", "run", "--config", str(bench.config)):
                yield bench


def test_the_service_cuts_and_resumes_on_the_rig(bench: Bench) -> None:
    """Gas opens after settling, is cut at the floor, and opens again at resume."""
    for gas in ("open", "closed", "open"):
        assert bench.gas_becomes(gas)
    rows = bench.decisions()
    opened = [place for place, row in enumerate(rows) if row["gas"] == "open"]
    between = rows[opened[0] + 1 : opened[1]]
    assert len(opened) >= 2
    assert {(row["gas"], row["reason"]) for row in between} == {("closed", "floor")}


def test_a_silent_probe_shuts_the_gas_on_the_rig(bench: Bench) -> None:
    """A probe that falls silent ends in closed gas, for that reason, until it speaks again."""
    assert bench.gas_becomes("open")
    assert bench.say("fault west probe_silent").startswith("ok: ")
    assert bench.gas_becomes("closed")
    assert bench.objects("chamber_ph_lost")
    assert bench.say("fault west none") == "ok: 1 mended"
    assert bench.gas_becomes("open")
