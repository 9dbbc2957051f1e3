"""Each signal that is not pH, from a real broker to the valve and back: all played at once in one service."""

from __future__ import annotations

import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any

import pytest

from tests.support.broker import Client, running_broker
from tests.support.devices import HeardDevice, wait_until
from tests.support.rules import live
from tests.support.service import Service, command
from tests.support.talker import Talker, chamber, site

HOLD_S = 1.5
CLOSES_S = 3.0
"""From the signal to CLOSE at the valve, on a machine that is busy; readings come every 0.2 s."""


@dataclass(frozen=True)
class Row:
    """One chamber with one signal: what it says when well and when not; None is silence."""

    reason: str
    table: str
    keys: str
    well: str
    bad: str | None
    latches: bool = False

    @property
    def topic(self) -> str:
        return f"{self.reason}/{self.table}"

    @property
    def text(self) -> str:
        """The chamber's part of the configuration."""
        probe = f'[chamber.{self.table}.probe]\ndriver = "mqtt"\ntopic = "{self.topic}"'
        tables = f"[chamber.{self.table}]\n{self.keys}\n{probe}\nperiod_s = 0.3\nstale_s = 1.5\n"
        return chamber(self.reason) + tables


@dataclass
class Story:
    """What was seen of one chamber; times are monotonic."""

    valve: HeardDevice
    spoiled: float = 0.0
    shut: float | None = None
    said: dict[str, Any] = field(default_factory=dict)
    alarms: list[dict[str, Any]] = field(default_factory=list)
    refused: int | None = None
    healed: float = 0.0
    waited: float = 0.0
    """Until then nobody had released anything."""
    opened: float = 0.0


ROWS = (
    Row("circulation_stopped", "circulation", f"hold_s = {HOLD_S}", "1", "0"),
    Row("feed_stopped", "feed", f"hold_s = {HOLD_S}", "1", "0"),
    Row("flow_low", "flow", f"low_ml_min = 10.0\nhold_s = {HOLD_S}", "25", "9.5"),
    Row("temperature", "temperature", "high_c = 30.0", "25.0", "30.5"),
    Row("outlet_pressure_high", "outlet_pressure", "high_kpa = 60.0", "25", "61", latches=True),
    Row("vessel_pressure_high", "vessel_pressure", "high_kpa = 30.0", "5", "31", latches=True),
    Row("leak", "leak", "wet_at = 0.5", "0", "1", latches=True),
    Row("room_co2", "room_co2", "high_ppm = 5000.0", "600", "5200", latches=True),
    Row("signal_lost", "feed", "required = true\nhold_s = 0.0", "1", None),
    Row("signal_silent", "feed", "required = false", "1", None),
)
SHUTTING = [row for row in ROWS if row.reason != "signal_silent"]
LATCHING = [row for row in ROWS if row.latches]


@pytest.fixture(scope="module")
def stories(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Story]]:
    """Ten chambers: every signal goes bad at once, then all are well again, then the latched are released."""
    folder = tmp_path_factory.mktemp("signals")
    said = {row.reason: "6.91" for row in ROWS} | {row.topic: row.well for row in ROWS}
    with (
        running_broker() as broker,
        Client(broker, "orders/#") as ear,
        Talker(broker, **said) as talker,
    ):
        config = folder / "nightheron.toml"
        config.write_text(site(broker, [row.text for row in ROWS]) + "[alerts]\ndelay_s = 0\n")
        told = {row.reason: Story(HeardDevice(ear, f"orders/{row.reason}")) for row in ROWS}
        with Service(config) as service:
            _play(service, talker, told)
            yield told


def _play(service: Service, talker: Talker, told: dict[str, Story]) -> None:
    for story in told.values():
        story.valve.wait_order("OPEN", within_s=60)
    now = time.monotonic()
    talker.said.update({row.topic: row.bad for row in ROWS})
    for row in SHUTTING:
        story = told[row.reason]
        story.spoiled, story.shut = now, story.valve.wait_order("CLOSE", now).at
    wait_until(
        lambda: any(a["reason"] == "signal_silent" for a in service.status()["alarms"]), 20, "the word"
    )
    status = service.status()
    for one in status["chambers"]:
        told[one["name"]].said = one
        told[one["name"]].alarms = [a for a in status["alarms"] if a["chamber"] == one["name"]]
    _release(service, told, "refused")
    now = time.monotonic()
    talker.said.update({row.topic: row.well for row in ROWS})
    for row in SHUTTING:
        told[row.reason].healed = now
        if not row.latches:
            told[row.reason].opened = told[row.reason].valve.wait_order("OPEN", now).at
    time.sleep(max(0.0, now + 4.0 - time.monotonic()))  # twice as long as settle and rest of the latched
    for row in LATCHING:
        told[row.reason].waited = time.monotonic()
    _release(service, told, "released")
    for row in LATCHING:
        told[row.reason].opened = told[row.reason].valve.wait_order("OPEN", now).at
    wait_until(lambda: not standing(service), 20, "the end of every cause")


OVER = ("returned_unacknowledged", "latched")
"""States of an alarm whose cause has ended while nobody has seen it."""


def standing(service: Service) -> list[dict[str, Any]]:
    """The alarms whose cause has not ended, seen by a person or not."""
    return [a for a in service.status()["alarms"] if a["state"] not in OVER]


def _release(service: Service, told: dict[str, Story], wanted: str) -> None:
    with ThreadPoolExecutor(2) as hands:
        done = hands.map(lambda row: command(service.config, "release", row.reason), LATCHING)
        for row, one in zip(LATCHING, done, strict=True):
            assert (one.returncode == 0) == (wanted == "released"), (row, one.stderr)
            if wanted == "refused":
                told[row.reason].refused = one.returncode


@live("circulation_stopped", "feed_stopped", "flow_low", "temperature", "signal_lost")
@pytest.mark.parametrize("row", [row for row in SHUTTING if not row.latches], ids=lambda row: row.reason)
def test_a_signal_beyond_its_limit_closes_until_it_is_back(stories: dict[str, Story], row: Row) -> None:
    """A signal beyond its limit, or required and silent, shuts the valve; back for its hold, it reopens."""
    story = stories[row.reason]
    assert story.shut is not None
    patience_s = 1.5 if row.bad is None else 0.0
    assert story.shut - story.spoiled <= CLOSES_S + patience_s
    assert (story.said["reason"], story.said["state"]) == (row.reason, "tripped")
    assert [(a["reason"], a["class"]) for a in story.alarms] == [(row.reason, "notice")]
    if "hold_s = 1.5" in row.keys:
        assert story.opened - story.healed >= HOLD_S


@live("outlet_pressure_high", "vessel_pressure_high", "leak", "room_co2")
@pytest.mark.parametrize("row", LATCHING, ids=lambda row: row.reason)
def test_a_dangerous_signal_latches_and_wakes(stories: dict[str, Story], row: Row) -> None:
    """Pressure, water or CO2 shuts, latches and wakes; only a release after it is back within opens."""
    story = stories[row.reason]
    assert story.shut is not None
    assert story.shut - story.spoiled <= CLOSES_S
    assert (story.said["reason"], story.said["state"]) == (row.reason, "latched")
    assert [(a["reason"], a["class"]) for a in story.alarms] == [(row.reason, "wake")]
    assert story.refused == 1, "not while it stands"
    between = [o for o in story.valve.orders if story.shut < o.at < story.waited]
    assert "OPEN" not in [o.text for o in between], "opened by nobody's release"
    assert story.opened > story.waited


@live("signal_silent")
def test_an_optional_signal_that_falls_silent_is_told_and_closes_nothing(stories: dict[str, Story]) -> None:
    """A silent signal that is not required raises one notice, and gas flows on."""
    story = stories["signal_silent"]
    assert [(a["reason"], a["class"]) for a in story.alarms] == [("signal_silent", "notice")]
    assert (story.said["gas"], story.said["reasons"]) == ("open", [])
    opened = story.valve.wait_order("OPEN").at
    assert "CLOSE" not in [o.text for o in story.valve.orders if o.at > opened]
