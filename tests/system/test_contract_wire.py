"""What goes over the wire, as the broker itself writes it down."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from statistics import median

import pytest

from tests.support.broker import Client, running_broker
from tests.support.devices import MqttDevice, wait_until
from tests.support.rules import live
from tests.support.service import NIGHTHERON, Service, command
from tests.support.talker import Talker, chamber, site

ORDERS = "orders/west"
PUBLISHED = r"Received PUBLISH from (\S+) \(d\d, q(\d), r(\d), m\d+, 'orders/west', \.\.\. \((\d) bytes\)\)"


def written(folder: Path, text: str) -> Path:
    config = folder / "nightheron.toml"
    config.write_text(text)
    return config


def test_orders_as_the_broker_sees_them(tmp_path: Path) -> None:
    """CLOSE comes first, is retained and the will; OPEN is repeated and never retained; QoS 1."""
    with running_broker("log_type all", "connection_messages true") as broker, Talker(broker, west="6.91"):
        config = written(tmp_path, site(broker, [chamber("west")]))
        with Client(broker, ORDERS) as ear, Service(config) as service:
            service.wait_gas("open")
            time.sleep(3)
            opens = [m.at for m in ear.messages if m.payload == b"OPEN"]
            gaps = [b - a for a, b in pairwise(opens)]
            assert median(gaps) <= 1.0, "half a lease"
            assert max(gaps) < 2.0, "a lease"
            assert ear.messages[0].payload == b"CLOSE"
            assert not any(m.retain for m in ear.messages if m.payload == b"OPEN")
        with Client(broker, ORDERS) as late:
            assert late.wait_for(lambda m: m.topic == ORDERS).payload == b"CLOSE"
            assert late.messages[0].retain
        log = broker.log
        assert re.search(r"Will message specified \(5 bytes\) \(r1, q1\)\.\s+\d+: \torders/west", log)
        sent = re.findall(PUBLISHED, log)
        assert {(qos, retain, size) for _, qos, retain, size in sent} == {("1", "1", "5"), ("1", "0", "4")}
        firsts = {who: size for who, _, _, size in reversed(sent)}
        assert set(firsts.values()) == {"5"}


def test_the_will_closes(tmp_path: Path) -> None:
    """When guard and keeper die together with gas open, the broker says CLOSE for them and presence 0."""
    with running_broker() as broker, Talker(broker, west="6.91"):
        config = written(tmp_path, site(broker, [chamber("west")]))
        ear = Client(broker, "nightheron/#")
        with MqttDevice(broker, ORDERS) as valve, ear, Service(config) as service:
            service.wait_gas("open")
            ear.wait_for(lambda m: m.topic == "nightheron/house/present" and m.payload == b"1")
            keepers = children_of(service.pid)
            assert keepers
            service.signal(signal.SIGKILL)
            killed = time.monotonic()
            valve.wait_order("CLOSE", after=killed)
            ear.wait_for(lambda m: m.topic == "nightheron/house/present" and m.payload == b"0")
            wait_until(lambda: not any(alive(one) for one in keepers), what="the end of the keepers")
            assert time.monotonic() - killed < 5


def children_of(pid: int) -> list[int]:
    """The processes whose parent this is."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rsplit(")", 1)[1].split()
        except OSError:
            continue
        if int(fields[1]) == pid:
            found.append(int(stat.parent.name))
    return found


def alive(pid: int) -> bool:
    """Neither gone nor only waiting to be reaped."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


def test_nothing_is_published_when_told_so(tmp_path: Path) -> None:
    """With publish = false nothing at all appears under the prefix, and gas is guarded all the same."""
    with running_broker() as broker, Talker(broker, west="6.91"):
        config = written(tmp_path, site(broker, [chamber("west")], mqtt="publish = false"))
        with Client(broker, "#") as ear, Service(config) as service:
            service.wait_gas("open")
            service.signal(signal.SIGTERM)
            assert service.ends() == 0
            assert {m.topic for m in ear.messages} == {"west", ORDERS}


def test_another_prefix(tmp_path: Path) -> None:
    """Reports, events, alarms and presence lie under <prefix>/<site>; reports and presence are retained."""
    with running_broker() as broker, Talker(broker, west="6.91") as talker:
        config = written(
            tmp_path, site(broker, [chamber("west")], mqtt='prefix = "farm/co2"') + "[alerts]\ndelay_s = 0\n"
        )
        with Client(broker, "farm/#", "nightheron/#") as ear, Service(config) as service:
            service.wait_gas("open")
            talker.said["west"] = None
            alarm = ear.wait_for(lambda m: m.topic.startswith("farm/co2/house/west/alarms/"), 30)
            body = json.loads(alarm.payload)
            assert set(body) >= {"id", "chamber", "reason", "class", "state", "since", "text"}
            assert alarm.topic.endswith(f"/alarms/{body['id']}")
            assert (body["reason"], body["class"]) == ("chamber_ph_lost", "notice")
            ear.wait_for(lambda m: m.topic == "farm/co2/house/west/events")
            with Client(broker, "farm/#") as late:
                late.wait_for(lambda m: m.topic == "farm/co2/house/west/report" and m.retain)
                present = late.wait_for(lambda m: m.topic == "farm/co2/house/present")
                assert (present.payload, present.retain) == (b"1", True)
            service.signal(signal.SIGTERM)
            assert service.ends() == 0
            ear.wait_for(lambda m: m.topic == "farm/co2/house/present" and m.payload == b"0")
            assert not [m for m in ear.messages if m.topic.startswith("nightheron/")]


def test_a_lease_in_the_order(tmp_path: Path) -> None:
    """{lease_s} in open_order is the lease in seconds."""
    with running_broker() as broker, Talker(broker, west="6.91"):
        config = written(tmp_path, site(broker, [chamber("west", valve='open_order = "on {lease_s}"')]))
        with MqttDevice(broker, ORDERS) as valve, Service(config):
            valve.wait_order("on 2", within_s=60)
            assert set(valve.texts()) == {"CLOSE", "on 2"}


FEEDBACK = 'feedback_topic = "seen"\ntravel_s = 1.0'


def test_what_the_broker_kept_is_no_feedback(tmp_path: Path) -> None:
    """Retained feedback says nothing about the valve now: it neither permits nor disagrees."""
    with running_broker() as broker, Talker(broker, west="6.91"):
        broker.publish("seen", "CLOSE", retain=True)
        config = written(tmp_path, site(broker, [chamber("west", valve=FEEDBACK)]))
        with Service(config) as service:
            service.wait_gas("open")
            time.sleep(2.5)
            assert (service.chamber()["gas"], service.chamber()["reasons"]) == ("open", [])


@live("valve_disagrees")
def test_a_valve_seen_in_the_other_position(tmp_path: Path) -> None:
    """Other feedback closes as valve_disagrees; it latches only when seen open while ordered shut."""
    with running_broker() as broker, Talker(broker, west="6.91") as talker:
        config = written(tmp_path, site(broker, [chamber("west", valve=FEEDBACK)]))
        with MqttDevice(broker, ORDERS) as valve, Service(config) as service:
            service.wait_gas("open")
            talker.said["seen"] = "CLOSE"
            service.wait_gas("closed")
            assert service.chamber()["reason"] == "valve_disagrees"
            rows = [r for r in service.rows("--kind", "decision") if "valve_disagrees" in r["reasons"]]
            assert {row["state"] for row in rows} == {"tripped"}
            talker.said["west"] = "6.5"
            service.wait_gas("closed")
            time.sleep(0.5)
            talker.said["seen"] = "OPEN"
            wait_until(lambda: service.chamber()["state"] == "latched", 60, "the latch")
            assert "valve_disagrees" in service.chamber()["reasons"]
            talker.said.update(west="6.91", seen="CLOSE")
            wait_until(lambda: command(config, "release", "west").returncode == 0, 30, "the release")
            valve.wait_order("OPEN", time.monotonic() - 1)


def test_somebody_else_s_order(tmp_path: Path) -> None:
    """Somebody else's OPEN while we hold closed is answered with CLOSE and latched; else it is noted."""
    with running_broker() as broker, Talker(broker, west="6.91") as talker:
        config = written(tmp_path, site(broker, [chamber("west")]))
        with MqttDevice(broker, ORDERS) as valve, Service(config) as service:
            service.wait_gas("open")
            broker.publish(ORDERS, "OPEN")
            time.sleep(1)
            assert service.chamber()["gas"] == "open"
            talker.said["west"] = "6.5"
            service.wait_gas("closed")
            sent = time.monotonic()
            broker.publish(ORDERS, "OPEN")
            valve.wait_order("CLOSE", after=sent)
            wait_until(lambda: service.chamber()["state"] == "latched", 30, "the latch")
            seen = service.chamber()
            assert (seen["reason"], seen["reasons"][0]) == ("floor", "floor")
            assert "foreign_order" in seen["reasons"]
            assert [a["class"] for a in service.status()["alarms"]] == ["wake"]


@pytest.mark.parametrize("by", ["file", "environment"])
def test_the_broker_s_password(tmp_path: Path, by: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A password by file or variable opens the broker to probe, valve and telemetry, and is not logged."""
    secret, accounts = "s3cret pass", tmp_path / "accounts"
    make = ["mosquitto_passwd", "-b", "-c", str(accounts), "heron", secret]
    subprocess.run(make, check=True, capture_output=True)  # noqa: S603 - the broker's own tool
    keys = 'username = "heron"'
    if by == "file":
        (tmp_path / "broker.password").write_text(secret + "\n")
        keys += '\npassword_file = "broker.password"'
    else:
        monkeypatch.setenv("NIGHTHERON_MQTT_PASSWORD", secret)
    with running_broker(f"password_file {accounts}", "allow_anonymous false") as broker:
        config = written(tmp_path, site(broker, [chamber("west")], mqtt=keys))
        with Client(broker, ORDERS, "nightheron/#", username="heron", password=secret) as ear:
            with run_with_own_environment(config) as log:
                ear.wait_for(lambda m: m.topic == ORDERS and m.payload == b"CLOSE", 60)
                ear.publish("west", "6.91")
                while not any(b'"ph": 6.91' in m.payload for m in ear.messages):
                    ear.publish("west", "6.91")
                    ear.wait_for(lambda m: m.topic.endswith("/report"), 60)
            assert secret not in log.read_text()


@contextmanager
def run_with_own_environment(config: Path) -> Iterator[Path]:
    """The service with the variables as they are; its log."""
    path = config.parent / "service.log"
    with path.open("wb") as log:
        process = subprocess.Popen([*NIGHTHERON, "run", "--config", str(config)], stdout=log, stderr=log)  # noqa: S603 - our own program
    try:
        yield path
    finally:
        process.terminate()
        assert process.wait(60) == 0
