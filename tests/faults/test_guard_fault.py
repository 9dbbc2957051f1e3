"""A fault inside the running guard ends with closed gas and a failure that systemd acts on."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.broker import running_broker
from tests.support.devices import MqttDevice
from tests.support.pty_port import PtyPort
from tests.support.service import Speaker, command, environment, one_chamber

RAISES = """
import sys
from pathlib import Path
from nightheron.runtime import loop
step = loop.Loop.step
def broken(self):
    if Path(sys.argv[1]).exists():
        raise RuntimeError("a fault put in by the test")
    step(self)
loop.Loop.step = broken
"""
DIES = """
import sys
from pathlib import Path
from nightheron.journal import writer
attempt = writer.DirectWriter._attempt
def broken(self):
    if Path(sys.argv[1]).exists():
        raise SystemError("a fault put in by the test")
    return attempt(self)
writer.DirectWriter._attempt = broken
"""


@pytest.mark.parametrize("fault", [RAISES, DIES], ids=["loop raises", "journal thread dies"])
def test_a_fault_closes_and_exits_with_failure(tmp_path: Path, fault: str) -> None:
    """When the loop raises or an essential thread dies, gas closes and the service exits 70."""
    marker, config = tmp_path / "now", tmp_path / "nightheron.toml"
    code = f"{fault}\nfrom nightheron.cli.main import main\nsys.exit(main(sys.argv[2:]))"
    words = [sys.executable, "-c", code, str(marker), "run", "--config", str(config)]
    with (
        running_broker() as broker,
        PtyPort(tmp_path) as port,
        MqttDevice(broker, "house/west/gas/order") as valve,
        Speaker(port, 6.90) as probe,
    ):
        config.write_text(one_chamber(broker, str(port.path)))
        with (tmp_path / "log").open("wb") as log:
            process = subprocess.Popen(words, stdout=log, stderr=log, env=environment())  # noqa: S603 - our own program
        try:
            opened = valve.wait_order("OPEN", within_s=60)
            marker.touch()
            probe.says(6.5)
            valve.wait_order("CLOSE", after=opened.at)
            assert process.wait(30) == 70
            assert not valve.gas
        finally:
            process.kill()
            process.wait(30)
    text = (tmp_path / "log").read_text()
    assert "the guard met a fault and ends" in text
    assert command(config, "verify").returncode == 0


def test_publish_false_says_nothing_under_the_prefix(tmp_path: Path) -> None:
    """With publish = false the service guards and publishes nothing."""
    from tests.support.broker import Client
    from tests.support.service import Service

    with (
        running_broker() as broker,
        PtyPort(tmp_path) as port,
        Client(broker, "nightheron/#") as listener,
        MqttDevice(broker, "house/west/gas/order") as valve,
        Speaker(port, 6.90),
    ):
        config = tmp_path / "nightheron.toml"
        config.write_text(one_chamber(broker, str(port.path)).replace("[mqtt]", "[mqtt]\npublish = false"))
        with Service(config):
            valve.wait_order("OPEN", within_s=60)
        assert listener.messages == []
