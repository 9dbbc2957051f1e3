"""Drift in a running service with a real broker: told, with gas going on as if nothing were."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.broker import RunningBroker, running_broker
from tests.support.devices import MqttDevice, wait_until
from tests.support.rules import live
from tests.support.service import Service
from tests.support.talker import Talker

QUICK = """
import dataclasses, sys
from nightheron.guard import drift, streams, usual
drift.MINUTE_NS, drift.HOUR_LEAST_NS, drift.HOUR_MOST_NS = 10**8, 1, 5 * 10**8
drift.BLOCK_HOURS, usual.LEARN_BLOCKS, usual.LEAST_SAMPLES = 1, 8, 5
for stream, kind in streams.KINDS.items():
    streams.KINDS[stream] = dataclasses.replace(kind, by_hour=False)
from nightheron.cli.main import main
sys.exit(main(sys.argv[1:]))
"""
"""Hours of half a second, learned from in four seconds, and no course of the day; the rest is as it is."""
LEARNS_S = 8.0
CONFIG = """
[site]
name = "house"
data_dir = "data"
[mqtt]
host = "127.0.0.1"
port = {port}
[[chamber]]
name = "west"
min_rest_s = 1
settle_s = 1
[[chamber.probes]]
driver = "mqtt"
topic = "one"
period_s = 0.3
stale_s = 2.0
[[chamber.probes]]
driver = "mqtt"
topic = "two"
period_s = 0.3
stale_s = 2.0
[chamber.valve]
driver = "mqtt"
order_topic = "orders/west"
lease_s = 2.0
[[tank]]
name = "display"
chambers = ["west"]
low_ph = 7.7
clear_ph = 7.8
[tank.probe]
driver = "mqtt"
topic = "display"
period_s = 0.3
stale_s = 2.0
"""


@pytest.fixture(scope="module")
def broker() -> Iterator[RunningBroker]:
    with running_broker() as one:
        yield one


@live("drift", "probe_drift", "tank_drift")
def test_what_drifts_is_told_and_gas_goes_on(tmp_path: Path, broker: RunningBroker) -> None:
    """Probes that part, a tank off its usual pH and less open gas are each told once; no order changes.

    The service has hours of half a second, or the test would take weeks.
    """
    config = tmp_path / "nightheron.toml"
    config.write_text(CONFIG.format(port=broker.port))
    with (
        MqttDevice(broker, "orders/west") as valve,
        Talker(broker, one="6.90", two="6.90", display="8.10") as talker,
        Service(config, words=(sys.executable, "-c", QUICK, "run", "--config")) as service,
    ):
        opened = valve.wait_order("OPEN", within_s=60)
        wait_until(lambda: service.chamber()["gas"] == "open", 20, "open gas")
        time.sleep(LEARNS_S)
        talker.said["two"], talker.said["display"] = "6.99", "7.95"
        wait_until(lambda: _told(service) == {"probe_drift", "tank_drift"}, 30, "both notices")
        assert (service.chamber()["gas"], service.chamber()["reasons"]) == ("open", [])
        assert "CLOSE" not in [order.text for order in valve.orders if order.at > opened.at]
        talker.said["one"] = talker.said["two"] = "6.55"
        valve.wait_order("CLOSE", opened.at)
        wait_until(lambda: "drift" in _told(service), 30, "the notice about the gas")
        assert service.chamber()["reason"] == "floor"
        talker.said["one"] = talker.said["two"] = "6.90"
        valve.wait_order("OPEN", valve.orders[-1].at, within_s=60)
        texts = {one["reason"]: one["text"] for one in service.status()["alarms"]}
        assert {alarm["class"] for alarm in service.status()["alarms"]} == {"notice"}
    assert "higher against probe 1 than it used to" in texts["probe_drift"]
    assert "below what it usually is at this hour" in texts["tank_drift"]
    assert "gas is open less than usual" in texts["drift"]


def _told(service: Service) -> set[str]:
    return {alarm["reason"] for alarm in service.status()["alarms"]}
