"""Serial valves under a keeper: shared ports, pulled cables, mute devices; and the last closer."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
import time
from pathlib import Path

from nightheron.runtime.close_all import FILE_NAME, remember
from nightheron.runtime.keeper_plans import BusPlan

from tests.support.broker import running_broker
from tests.support.devices import MqttDevice, SerialDevice, wait_until
from tests.support.keeping import LEASE_S, GuardProcess, keeping, mqtt_plans, serial_plans

ONE = {"west/0": ("OPEN", "CLOSE")}
TWO = {"west/0": ("A1", "A0"), "east/0": ("B1", "B0")}
SLACK_S = 3.0


def test_close_is_the_first_line_for_every_valve_of_a_port(tmp_path: Path) -> None:
    """Two valves on one port are both closed before either is opened, and open one by one."""
    with SerialDevice(tmp_path) as device, keeping(serial_plans(device.path, TWO)) as guard:
        wait_until(lambda: {"A0", "B0"} <= set(device.texts()))
        guard.open("east/0")
        guard.wait(lambda: device.count("B1") >= 3, what="repeated B1")
        assert "A1" not in device.texts()
        guard.close("east/0")
        guard.wait(lambda: [text for text in device.texts() if text[0] == "B"][-1] == "B0")


def test_a_killed_guard_closes_both_valves_of_a_port(tmp_path: Path) -> None:
    """SIGKILL of the guard closes every valve of the port."""
    with SerialDevice(tmp_path) as device, GuardProcess(serial_plans(device.path, TWO)) as guard:
        killed = guard.kill()
        for text in ("A0", "B0"):
            assert device.wait_order(text, after=killed).at - killed < LEASE_S + SLACK_S


def test_after_re_plugging_close_is_the_first_line(tmp_path: Path) -> None:
    """A pulled cable is a lost valve; when it is back, CLOSE comes first and OPEN only by a new order."""
    with SerialDevice(tmp_path) as device, keeping(serial_plans(device.path, ONE)) as guard:
        guard.open("west/0")
        guard.wait(lambda: device.count("OPEN") >= 1)
        seen = len(guard.news)
        device.unplug()
        guard.wait(lambda: guard.said("link_down", seen), what="link_down")
        guard.opened.clear()
        guard.rest(0.5)
        before = len(device.orders)
        device.plug()
        guard.wait(lambda: guard.said("link_up", seen), what="link_up")
        guard.wait(lambda: len(device.orders) > before)
        assert device.texts()[before] == "CLOSE"
        guard.rest(1.0)
        assert "OPEN" not in device.texts()[before:]
        guard.open("west/0")
        guard.wait(lambda: "OPEN" in device.texts()[before:])


def test_a_reply_is_the_acknowledgement(tmp_path: Path) -> None:
    """With a reply pattern, an order counts only once the device has answered it."""
    replies = {"OPEN": "ok 1", "CLOSE": "ok 0"}
    with (
        SerialDevice(tmp_path, replies=dict(replies)) as device,
        keeping(serial_plans(device.path, ONE, reply_pattern=r"ok [01]")) as guard,
    ):
        guard.open("west/0")
        guard.wait(lambda: any(said.gas == "open" for said in guard.said("acked")))
        device.replies.clear()
        seen = len(guard.news)
        guard.wait(lambda: guard.said("link_down", seen), what="link_down")
        assert guard.said("link_down", seen)[0].text == "no acknowledgement"
        device.replies.update(replies)
        guard.opened.clear()
        guard.wait(lambda: guard.said("link_up", seen), what="link_up")
        assert device.texts()[-1] == "CLOSE"


def test_a_device_that_talks_without_end_stops_nothing(tmp_path: Path) -> None:
    """Garbage without a line end from the device neither fills memory nor delays the lease."""
    with SerialDevice(tmp_path) as device, keeping(serial_plans(device.path, ONE)) as guard:
        guard.open("west/0")
        guard.wait(lambda: device.count("OPEN") >= 1)
        opened = guard.opened.pop("west/0")
        for _ in range(50):
            device.port.write(b"\xffnoise" * 500)
        assert device.wait_order("CLOSE", after=opened + 0.5).at - opened < LEASE_S + SLACK_S


def _close_all(data_dir: Path) -> tuple[int, str, float]:
    began = time.monotonic()
    run = subprocess.run(  # noqa: S603 - our own module
        [sys.executable, "-m", "nightheron.runtime.close_all", str(data_dir)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    return run.returncode, run.stderr, time.monotonic() - began


def test_close_all_closes_what_was_remembered(tmp_path: Path) -> None:
    """The last closer shuts every valve of the last accepted configuration, on all buses."""
    with running_broker() as broker, MqttDevice(broker, "a/order") as west, SerialDevice(tmp_path) as east:
        remember({**mqtt_plans(broker, ["a/order"]), **serial_plans(east.path, ONE)}, tmp_path / FILE_NAME)
        assert _close_all(tmp_path)[:2] == (0, "")
        west.wait_order("CLOSE")
        east.wait_order("CLOSE")


def test_close_all_says_which_valve_it_could_not_close(tmp_path: Path) -> None:
    """A valve out of reach is named, the others are closed, and it ends in time with 1."""
    with running_broker() as broker, SerialDevice(tmp_path) as east:
        remember({**mqtt_plans(broker, ["a/order"]), **serial_plans(east.path, ONE)}, tmp_path / FILE_NAME)
        broker.freeze()
        code, said, took_s = _close_all(tmp_path)
        assert code == 1
        assert said.startswith("a/order: not known to be closed")
        assert said.count("\n") == 1
        assert took_s < 5.0 + SLACK_S
        east.wait_order("CLOSE")


def test_close_all_with_nothing_or_rubbish_to_read(tmp_path: Path) -> None:
    """No file means no valve was ever opened; a damaged one is a finding in one sentence."""
    assert _close_all(tmp_path)[0] == 0
    (tmp_path / FILE_NAME).write_text("{")
    code, said, _ = _close_all(tmp_path)
    assert code == 1
    assert "Traceback" not in said


def test_what_is_remembered_is_private_and_holds_no_password(tmp_path: Path) -> None:
    """The file is readable by its owner only, names the password's file, and not the password."""
    plans = {
        "mqtt": BusPlan(
            "m:f", ({"id": "a/0", "lease_s": 5},), {"host": "h", "port": 1, "password": "hunter2"}
        )
    }
    path = tmp_path / FILE_NAME
    remember(plans, path, "/etc/secret")
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert "hunter2" not in path.read_text()
    assert "/etc/secret" in path.read_text()
    assert os.listdir(tmp_path) == [FILE_NAME]  # noqa: PTH208 - names are what is compared


def test_an_order_that_carries_the_lease_arms_the_devices_timer(tmp_path: Path) -> None:
    """The lease stands in every line that opens, as a number the device can count down from."""
    lines = {"west/0": ("ON {lease_s}", "OFF")}
    with SerialDevice(tmp_path) as device, keeping(serial_plans(device.path, lines)) as guard:
        guard.open("west/0")
        guard.wait(lambda: device.count(f"ON {LEASE_S:g}") >= 2, what="a repeated order with its lease")
        assert set(device.texts()) == {"OFF", f"ON {LEASE_S:g}"}
