"""What outlives the service: the reason, the hold, the latch, the trial, the counts."""

from __future__ import annotations

import signal
import sqlite3
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.support.broker import RunningBroker, running_broker
from tests.support.devices import MqttDevice, wait_until
from tests.support.rules import live
from tests.support.service import Service, command
from tests.support.talker import NO_VALUES, Talker, chamber, site

ORDERS = "orders/west"


@dataclass
class Place:
    """A site whose service may come and go."""

    folder: Path
    broker: RunningBroker
    talker: Talker
    valve: MqttDevice

    def service(self, *, keys: str = "", values: Mapping[str, object] = NO_VALUES) -> Service:
        config = self.folder / "nightheron.toml"
        config.write_text(site(self.broker, [chamber("west", values=values)], keys=keys))
        return Service(config)


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    with (
        running_broker() as broker,
        Talker(broker, west="6.91") as talker,
        MqttDevice(broker, ORDERS) as valve,
    ):
        yield Place(tmp_path, broker, talker, valve)


def stopped(service: Service) -> None:
    service.signal(signal.SIGTERM)
    assert service.ends() == 0


def killed(service: Service) -> None:
    service.signal(signal.SIGKILL)
    service.ends()


def heard(service: Service) -> None:
    wait_until(lambda: "starting" not in service.chamber()["reasons"], 60, "the end of the start")


def test_a_cut_goes_on_over_a_restart(place: Place) -> None:
    """A start while gas was shut by the floor keeps reason and since; the water has to come back."""
    with place.service() as service:
        service.wait_gas("open")
        place.talker.said["west"] = "6.55"
        service.wait_gas("closed")
        before = service.chamber()
        stopped(service)
        service.start()
        heard(service)
        after = service.chamber()
        assert (after["reason"], after["since"]) == ("floor", before["since"])
        assert (after["gas"], after["reasons"][0]) == ("closed", "floor")
        place.talker.said["west"] = "6.65"
        time.sleep(2)
        assert service.chamber()["gas"] == "closed"
        place.talker.said["west"] = "6.91"
        service.wait_gas("open")


@live("starting")
def test_a_kill_with_gas_open_begins_as_starting(place: Place) -> None:
    """After SIGKILL with gas open the reason is starting, the gap has a row, and the number chain goes on."""
    with place.service() as service:
        service.wait_gas("open")
        killed(service)
        service.start()
        seen = service.chamber()
        assert (seen["gas"], seen["reason"]) == ("closed", "starting")
        service.wait_gas("open")
        rows = service.rows()
        kinds = [row["kind"] for row in rows]
        assert kinds.count("gap") == 1
        assert kinds.index("gap") < len(kinds) - 1 - kinds[::-1].index("start")
        assert [row["seq"] for row in rows] == list(range(1, len(rows) + 1))
        times = [row["mono_ns"] for row in rows]
        assert times == sorted(times)
        assert command(service.config, "verify").returncode == 0


@live("service")
def test_a_hold_survives(place: Place) -> None:
    """A person's hold outlives a clean stop and a kill, and only service off ends it."""
    with place.service() as service:
        service.wait_gas("open")
        assert command(service.config, "service", "on", "west", "--for", "1s", "--why", "cup").returncode == 0
        for end in (stopped, killed):
            end(service)
            service.start()
            heard(service)
            time.sleep(2)
            seen = service.chamber()
            assert (seen["state"], seen["gas"], seen["reason"]) == ("service", "closed", "service")
            assert [alarm["reason"] for alarm in service.status()["alarms"]] == ["service"]
        assert "service off west" in seen["until"]
        assert command(service.config, "service", "off", "west").returncode == 0
        service.wait_gas("open")


def test_a_latch_survives_and_is_released_by_a_person(place: Place) -> None:
    """A latched trip outlives stop and kill, keeps the first reason, and opens only by a release."""
    with place.service() as service:
        service.wait_gas("open")
        place.talker.said["west"] = "6.5"
        service.wait_gas("closed")
        place.broker.publish(ORDERS, "OPEN")
        wait_until(lambda: service.chamber()["state"] == "latched", 30, "the latch")
        for end in (killed, stopped):
            end(service)
            service.start()
            heard(service)
            seen = service.chamber()
            assert (seen["state"], seen["reason"]) == ("latched", "floor")
            assert "foreign_order" in seen["reasons"]
        place.talker.said["west"] = "6.91"
        time.sleep(2)
        assert service.chamber()["gas"] == "closed"
        assert command(service.config, "release", "west").returncode == 0
        service.wait_gas("open")


@live("deep_low")
def test_a_release_waits_for_the_cause(place: Place) -> None:
    """A deep reading latches behind floor; release is refused until resume, not remembered, then leads on."""
    with place.service() as service:
        service.wait_gas("open")
        place.talker.said["west"] = "6.2"
        service.wait_gas("closed")
        wait_until(lambda: service.chamber()["state"] == "latched", 30, "the latch")
        assert service.chamber()["reason"] == "floor"
        refused = command(service.config, "release", "west")
        assert (refused.returncode, "deep_low" in refused.stderr) == (1, True)
        place.talker.said["west"] = "6.91"
        time.sleep(2)
        seen = service.chamber()
        assert (seen["state"], seen["gas"]) == ("latched", "closed")
        assert command(service.config, "release", "west").returncode == 0
        service.wait_gas("open")


def test_no_effect_is_reached_over_restarts(place: Place) -> None:
    """A trial without an answer becomes a planned rest, then no_effect, whatever restarts on the way."""
    with place.service(values={"trial_opening_s": 4.0, "trial_pause_s": 3.0}) as service:
        service.wait_gas("open")
        time.sleep(2)
        stopped(service)
        service.start()
        service.wait_gas("open")
        service.wait_gas("closed")
        rows = service.rows("--kind", "decision")
        second = next(row for row in reversed(rows) if row["gas"] == "open")
        ended = next(row for row in rows if row["seq"] > second["seq"])
        assert ended["mono_ns"] - second["mono_ns"] < 3e9, "what flowed before the restart counts"
        assert service.chamber()["reason"] == "planned_rest"
        stopped(service)
        service.start()
        wait_until(lambda: service.chamber()["state"] == "latched", 30, "no_effect")
        seen = service.chamber()
        assert (seen["reason"], seen["flag"], seen["health"]) == ("planned_rest", 4, "failure")
        assert "no_effect" in seen["reasons"]
        assert command(service.config, "release", "west").returncode == 0


@live("restarts")
def test_starts_without_a_stop_are_counted(place: Place) -> None:
    """More starts without a clean stop than starts_per_hour latch; release works at any time."""
    with place.service(keys="starts_per_hour = 2") as service:
        for _ in range(2):
            killed(service)
            service.start()
            assert "restarts" not in service.chamber()["reasons"]
        stopped(service)
        service.start()
        assert "restarts" not in service.chamber()["reasons"]
        killed(service)
        service.start()
        seen = service.chamber()
        assert (seen["state"], seen["gas"]) == ("latched", "closed")
        assert "restarts" in seen["reasons"]
        place.talker.said["west"] = None
        assert command(service.config, "release", "west").returncode == 0
        assert "restarts" not in service.chamber()["reasons"]
        place.talker.said["west"] = "6.91"
        service.wait_gas("open")


@live("new_journal")
def test_a_lost_journal_starts_latched(place: Place) -> None:
    """A journal that is gone begins anew, latched as new_journal, which release ends at any time."""
    with place.service() as service:
        service.wait_gas("open")
        stopped(service)
        for file in service.config.parent.glob("data/journal.db*"):
            file.unlink()
        service.start()
        heard(service)
        seen = service.chamber()
        assert (seen["state"], seen["gas"]) == ("latched", "closed")
        assert "new_journal" in seen["reasons"]
        assert command(service.config, "release", "west").returncode == 0
        service.wait_gas("open")
        stopped(service)
        with sqlite3.connect(service.config.parent / "data" / "journal.db") as db:
            assert "hash" in [row[1] for row in db.execute("PRAGMA table_info(entries)")]
