"""What a reading is, held against the running service."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from tests.support.broker import RunningBroker, running_broker
from tests.support.devices import wait_until
from tests.support.pty_port import PtyPort
from tests.support.rules import live
from tests.support.service import Service, Speaker
from tests.support.talker import Talker, chamber, site


@contextmanager
def serving(folder: Path, broker: RunningBroker, chambers: list[str]) -> Iterator[Service]:
    config = folder / "nightheron.toml"
    config.write_text(site(broker, chambers))
    with Service(config) as service:
        yield service


def by_name(service: Service) -> dict[str, dict[str, Any]]:
    return {one["name"]: one for one in service.status()["chambers"]}


JSON_PH = 'value_pointer = "/ph"'


def test_payloads_of_a_broker(tmp_path: Path) -> None:
    """A bare or pointed-to number is pH, through escaped names too; truth, lists, text, NaN are not."""
    good = {
        "bare": ("", "6.91"),
        "blank": ("", "  6.91\n"),
        "json": (JSON_PH, '{"ph": 6.91}'),
        "deep": ('value_pointer = "/a~1b/m~0n/1"', '{"a/b": {"m~n": [0, 6.91]}}'),
        "empty": ('value_pointer = "/"', '{"": 6.91}'),
    }
    bad = {
        "true": (JSON_PH, '{"ph": true}'),
        "list": (JSON_PH, '{"ph": [6.91]}'),
        "text": (JSON_PH, '{"ph": "6.91"}'),
        "nan": (JSON_PH, '{"ph": NaN}'),
        "null": (JSON_PH, '{"ph": null}'),
        "object": ("", '{"ph": 6.91}'),
        "bare-nan": ("", "nan"),
        "high": ("", "14.2"),
        "odd": ("", "9.1"),
    }
    told = {name: said for name, (_, said) in (good | bad).items()}
    plans = [chamber(name, keys) for name, (keys, _) in (good | bad).items()]
    with running_broker() as broker, Talker(broker, **told), serving(tmp_path, broker, plans) as service:
        wait_until(lambda: all(by_name(service)[n]["gas"] == "open" for n in good), 60, "gas where pH is")
        seen = by_name(service)
        assert [one["name"] for one in service.status()["chambers"]] == [*good, *bad]
    assert {seen[name]["ph"] for name in good} == {6.91}
    assert {seen[name]["ph"] for name in bad} == {None}
    assert {seen[name]["gas"] for name in bad} == {"closed"}
    assert {(seen[name]["health"], seen[name]["flag"]) for name in bad} == {("failure", 9)}


def test_a_message_s_own_time_may_only_refuse(tmp_path: Path) -> None:
    """A time in the message refuses what is older than stale_s or over a minute ahead."""

    def at(seconds: float) -> str:
        when = datetime.now(UTC) + timedelta(seconds=seconds)
        return json.dumps({"ph": 6.91, "t": when.isoformat()})

    def unix(seconds: float) -> str:
        return json.dumps({"ph": 6.91, "t": time.time() + seconds})

    keys = f'{JSON_PH}\ntime_pointer = "/t"'
    ages = {"fresh": at(20), "unix": unix(20), "old": at(-60), "unix-old": unix(-60), "ahead": at(600)}
    ages |= {"unix-ahead": unix(600), "missing": '{"ph": 6.91}', "words": '{"ph": 6.91, "t": "noon"}'}
    plans = [chamber(name, keys) for name in ages]
    with running_broker() as broker, Talker(broker, **ages), serving(tmp_path, broker, plans) as service:
        wait_until(lambda: by_name(service)["fresh"]["gas"] == "open", 60, "gas on fresh readings")
        seen = by_name(service)
    assert [name for name in ages if seen[name]["ph"] is not None] == ["fresh", "unix"]
    assert seen["old"]["gas"] == seen["ahead"]["gas"] == "closed"


def test_lines_that_end_in_any_way(tmp_path: Path) -> None:
    """CR alone, LF alone, both, outer blanks and empty lines are all the same to a serial probe."""
    serial = 'driver = "serial"'
    pattern = "pattern = '(?P<value>-?\\d+\\.\\d+)'"
    ends = {"cr": b"6.91\r", "lf": b"6.91\n", "crlf": b" \t6.91 \r\n\r\n"}
    ports = {name: PtyPort(tmp_path, name) for name in ends}
    plans = [chamber(n, f'port = "{p.path}"\n{pattern}', driver=serial) for n, p in ports.items()]
    with running_broker() as broker, serving(tmp_path, broker, plans) as service:
        until = time.monotonic() + 60
        while time.monotonic() < until and any(c["gas"] == "closed" for c in by_name(service).values()):
            for name, port in ports.items():
                port.write(ends[name])
            time.sleep(0.1)
        assert {one["ph"] for one in by_name(service).values()} == {6.91}
    for port in ports.values():
        port.unplug()


def test_a_millivolt_probe_without_a_record(tmp_path: Path) -> None:
    """With unit mv an ideal electrode is assumed until there is a calibration record: 0 mV is pH 7."""
    with (
        running_broker() as broker,
        Talker(broker, west="0.0"),
        serving(tmp_path, broker, [chamber("west", 'unit = "mv"')]) as service,
    ):
        service.wait_gas("open")
        assert service.chamber()["ph"] == 7.0


def test_a_retained_reading_is_not_fresh(tmp_path: Path) -> None:
    """What the broker kept from before is no reading, however good it looks."""
    with running_broker() as broker:
        broker.publish("west", "6.91", retain=True)
        with serving(tmp_path, broker, [chamber("west")]) as service:
            time.sleep(3)
            assert (service.chamber()["ph"], service.chamber()["gas"]) == (None, "closed")


TANK = """
[[tank]]
name = "display"
chambers = ["west"]
required = {required}
[tank.probe]
driver = "mqtt"
topic = "tank"
stale_s = 3.0
"""


@live("tank_low")
def test_a_tank_that_is_not_required(tmp_path: Path) -> None:
    """A silent tank that is not required permits; one heard low closes until clear_ph."""
    with (
        running_broker() as broker,
        Talker(broker, west="6.91") as talker,
        serving(tmp_path, broker, [chamber("west"), TANK.format(required="false")]) as service,
    ):
        service.wait_gas("open")
        assert service.chamber()["tank_ph"] is None
        talker.said["tank"] = "7.69"
        service.wait_gas("closed")
        seen = service.chamber()
        assert (seen["reason"], seen["tank_ph"], seen["state"]) == ("tank_low", 7.69, "tripped")
        talker.said["tank"] = "7.75"
        time.sleep(2.5)
        assert service.chamber()["gas"] == "closed"
        talker.said["tank"] = "7.80"
        service.wait_gas("open")


@live("tank_ph_lost")
def test_a_required_tank(tmp_path: Path) -> None:
    """A required tank never heard keeps gas shut, and one that falls silent shuts it as tank_ph_lost."""
    with (
        running_broker() as broker,
        Talker(broker, west="6.91") as talker,
        serving(tmp_path, broker, [chamber("west"), TANK.format(required="true")]) as service,
    ):
        wait_until(lambda: service.chamber()["ph"] is not None, 30, "a reading")
        time.sleep(2)
        assert service.chamber()["gas"] == "closed"
        talker.said["tank"] = "8.05"
        service.wait_gas("open")
        talker.said["tank"] = None
        service.wait_gas("closed")
        assert service.chamber()["reason"] == "tank_ph_lost"
        talker.said["tank"] = "8.05"
        service.wait_gas("open")


def test_a_jump_through_the_floor(tmp_path: Path) -> None:
    """A jump down through the floor closes at once as floor, and reopens after settle and rest, no later."""
    with (
        running_broker() as broker,
        PtyPort(tmp_path) as port,
        Speaker(port, 6.95) as probe,
    ):
        serial = f"port = \"{port.path}\"\npattern = '(?P<value>-?\\d+\\.\\d+)'"
        plans = [chamber("west", serial, driver='driver = "serial"', values={"settle_s": 2, "min_rest_s": 2})]
        with serving(tmp_path, broker, plans) as service:
            service.wait_gas("open")
            probe.says(6.20)
            service.wait_gas("closed")
            assert service.chamber()["reason"] == "floor"
            service.wait_gas("open")
            assert service.chamber()["state"] == "flowing"
        closings = [r for r in service.rows("--kind", "decision") if r["reason"] == "floor"]
        assert closings
        assert {r["gas"] for r in closings} == {"closed"}
