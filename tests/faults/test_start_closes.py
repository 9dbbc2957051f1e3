"""A start shuts the gas before anything that may be slow or fail: the valve may have been left open."""

from __future__ import annotations

from pathlib import Path

from nightheron.journal.connect import FILE

from tests.support.devices import SerialDevice, wait_until
from tests.support.pty_port import PtyPort
from tests.support.service import command
from tests.support.siege import Part, serial_probe, serial_valve, write_site


def test_a_start_that_fails_has_closed_the_valve(tmp_path: Path) -> None:
    """With a journal that cannot be used the service does not start, and the valve has its CLOSE."""
    (tmp_path / "data" / FILE).mkdir(parents=True)
    with SerialDevice(tmp_path) as valve, PtyPort(tmp_path) as probe:
        part = Part("west", serial_probe(probe.path), serial_valve(valve.path))
        done = command(write_site(tmp_path, None, [part]), "run")
        assert done.returncode == 1, done.stderr
        assert "journal cannot be used" in done.stderr
        wait_until(lambda: bool(valve.orders), 5.0, "an order")
        assert set(valve.texts()) == {"CLOSE"}
