"""Rules that end only with a start of the service, or that need a fault inside it, with a real broker."""

from __future__ import annotations

import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.broker import RunningBroker, running_broker
from tests.support.devices import MqttDevice, wait_until
from tests.support.rules import live
from tests.support.service import NIGHTHERON, Service, command
from tests.support.talker import Talker, chamber, site

BUDGET_S = 84.0
"""More than a kill counts as open: a witness's minute, the time a row may wait, and a lease."""
PLANTED = """
import sys
from nightheron.guard import facts
facts.FEEDBACK_SILENT_S = 2.0
given = facts.vote
def broken(state, limits, *, since_ns):
    if limits.name == "broken" and any(one.ph == 6.67 for one in state.probes):
        raise ArithmeticError("a fault put in by the test")
    return given(state, limits, since_ns=since_ns)
facts.vote = broken
from nightheron.cli.main import main
sys.exit(main(sys.argv[1:]))
"""
FEEDBACK = 'feedback_topic = "seen/{name}"'


@pytest.fixture
def broker() -> Iterator[RunningBroker]:
    with running_broker() as broker:
        yield broker


@live("gas_budget", "commissioning")
def test_a_spent_budget_and_missing_commissioning_end_by_a_new_configuration(
    tmp_path: Path, broker: RunningBroker
) -> None:
    """The day's open time, counted through a kill, latches; a greater budget and a release open again.

    Meanwhile a chamber whose commissioning is not finished never opens, until that is no longer demanded.
    """
    config = tmp_path / "nightheron.toml"

    def write(budget_s: float, commissioning: str) -> None:
        west = chamber("west", values={"gas_budget_s_per_day": budget_s})
        config.write_text(site(broker, [west, chamber("new", values={"commissioning": commissioning})]))

    write(BUDGET_S, "require")
    with (
        MqttDevice(broker, "orders/west") as valve,
        MqttDevice(broker, "orders/new") as other,
        Talker(broker, west="6.91", new="6.91"),
        Service(config) as service,
    ):
        valve.wait_order("OPEN", within_s=60)
        service.signal(signal.SIGKILL)
        service.ends()
        started = time.monotonic()
        service.start()
        opened = valve.wait_order("OPEN", started, within_s=60)
        shut = valve.wait_order("CLOSE", opened.at, within_s=30)
        assert shut.at - opened.at < BUDGET_S / 2, "what flowed unwatched was counted"
        west, new = service.status()["chambers"]
        assert (west["reason"], west["state"]) == ("gas_budget", "latched")
        assert (new["state"], new["reasons"]) == ("standby", ["commissioning"])
        refused = command(config, "release", "west")
        assert (refused.returncode, "gas_budget" in refused.stderr) == (1, True)
        assert other.count("OPEN") == 0
        service.signal(signal.SIGTERM)
        assert service.ends() == 0
        write(86400.0, "advise")
        started = time.monotonic()
        service.start()
        other.wait_order("OPEN", started, within_s=60)
        assert service.chamber()["reasons"] == ["gas_budget"], "a new budget alone releases nothing"
        released = time.monotonic()
        assert command(config, "release", "west").returncode == 0
        valve.wait_order("OPEN", released)


@live("core_fault", "feedback_silent")
def test_a_fault_in_the_core_stays_shut_until_the_next_start(tmp_path: Path, broker: RunningBroker) -> None:
    """A chamber whose own logic fails shuts and stays so, alone; a valve that never reports is told.

    Both need help from the test: a fault planted in the service, and the minute of silence made short there.
    """
    config = tmp_path / "nightheron.toml"
    names = ("broken", "well")
    parts = [chamber(name, valve=FEEDBACK.format(name=name)) for name in names]
    config.write_text(site(broker, parts) + "[alerts]\ndelay_s = 0\n")
    with (
        MqttDevice(broker, "orders/broken") as valve,
        MqttDevice(broker, "orders/well") as other,
        Talker(broker, broken="6.91", well="6.91") as talker,
        Service(config, words=(sys.executable, "-c", PLANTED, "run", "--config")) as service,
    ):
        opened = valve.wait_order("OPEN", within_s=60)
        at = other.wait_order("OPEN", within_s=60).at
        wait_until(lambda: _told(service, "feedback_silent"), what="the notice")
        talker.said["broken"] = "6.67"  # above the floor: nothing but the fault shuts
        valve.wait_order("CLOSE", opened.at)
        talker.said["broken"] = "6.91"
        broken, well = service.status()["chambers"]
        assert (broken["state"], broken["reasons"]) == ("latched", ["core_fault"])
        assert (well["gas"], well["reasons"]) == ("open", [])
        assert _told(service, "core_fault")
        assert command(config, "release", "broken").returncode == 1
        assert "CLOSE" not in [o.text for o in other.orders if o.at > at]
        service.signal(signal.SIGTERM)
        service.ends()
    with (
        MqttDevice(broker, "orders/broken") as valve,
        Talker(broker, broken="6.91", well="6.91"),
        Service(config, words=(*NIGHTHERON, "run", "--config")) as service,
    ):
        valve.wait_order("OPEN", time.monotonic(), within_s=60)
        assert service.chamber()["reasons"] == []


def _told(service: Service, reason: str) -> bool:
    return reason in [alarm["reason"] for alarm in service.status()["alarms"]]
