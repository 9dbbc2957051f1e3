"""Rules on what a chamber has shown of itself, in a running service with an older journal."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from nightheron.cycles import Learned
from nightheron.guard.learned import learned_under
from nightheron.guard.snapshot import to_json
from nightheron.journal.draft import Draft
from nightheron.journal.store import Store
from nightheron.model import NS
from nightheron.settings import load

from tests.support.broker import RunningBroker, running_broker
from tests.support.devices import MqttDevice, wait_until
from tests.support.rules import live
from tests.support.service import Service
from tests.support.talker import Talker, chamber, site

QUICK = """
import sys
from nightheron.guard import rate
rate.EVERY_NS, rate.SPAN_LEAST_NS = 5 * 10**8, 2 * 10**9
from nightheron.cli.main import main
sys.exit(main(sys.argv[1:]))
"""
"""A rate is taken over two seconds instead of twenty; the rest is as it is."""
UTC = "2026-03-01T22:00:00.000Z"


@pytest.fixture(scope="module")
def broker() -> Iterator[RunningBroker]:
    with running_broker() as one:
        yield one


def known(config: Path) -> None:
    """A journal of an earlier run, in which the chamber learned that it falls by 0.01 a minute."""
    found = load(config, {})
    (limits,) = found.limits()
    learned = Learned(
        40, 2 * 86_400.0, learned_under(limits), fall_ph_per_min=(0.01,) * 31, tail_s=(20.0,) * 31
    )
    body = {"cycle": None, "learned": to_json(learned), "text": "an earlier run"}
    found.data_dir.mkdir()
    store = Store(found.data_dir, UTC)
    store.append([Draft("cycle", UTC, "b1", 1000 * NS, body, chamber="west")])
    store.close()


@live("surge", "stalled")
def test_a_surge_shuts_the_gas_and_still_water_is_told(tmp_path: Path, broker: RunningBroker) -> None:
    """A fall far faster than the journal's cycles shuts the gas; water that does not rise then is told."""
    config = tmp_path / "nightheron.toml"
    config.write_text(site(broker, [chamber("west", values={"stalled_s": 3.0})]))
    known(config)
    with (
        MqttDevice(broker, "orders/west") as valve,
        Talker(broker, west="6.90") as talker,
        Service(config, words=(sys.executable, "-c", QUICK, "run", "--config")) as service,
    ):
        opened = valve.wait_order("OPEN", within_s=60)
        ph = 6.90
        while service.chamber()["gas"] == "open" and ph > 6.72:
            ph -= 0.01
            talker.said["west"] = f"{ph:.2f}"
            time.sleep(0.3)
        shut = valve.wait_order("CLOSE", opened.at)
        assert service.chamber()["reason"] == "surge"
        talker.said["west"] = "6.65"
        wait_until(lambda: {"surge", "stalled"} <= _told(service), 20, "both notices")
        assert valve.orders[-1].text == "CLOSE"
        talker.said["west"] = "6.85"
        valve.wait_order("OPEN", shut.at, within_s=30)
        assert service.chamber()["reasons"] == []


def _told(service: Service) -> set[str]:
    return {alarm["reason"] for alarm in service.status()["alarms"]}
