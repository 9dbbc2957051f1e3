"""A pin in a real keeper, on a played chip whose pins outlive their holder: killed, frozen, closed last."""

from __future__ import annotations

import dataclasses
import os
import signal
import time
from pathlib import Path

from nightheron.runtime.close_all import close_all
from nightheron.runtime.keeper_plans import BusPlan

from tests.support.devices import wait_until
from tests.support.fake_gpio import FakeKernel
from tests.support.keeping import LEASE_S, GuardProcess, keeping

SLACK_S = 3.0


def plans(board: Path) -> dict[str, BusPlan]:
    """One valve on line 17, opened by the high level."""
    plan = {"chip": "/dev/gpiochip0", "line": 17, "active_low": False, "bias": "shut", "watchdog_s": None}
    plan |= {"id": "west/0", "lease_s": LEASE_S, "travel_s": 2.0, "site": "test", "board": str(board)}
    return {"gpio:/dev/gpiochip0": BusPlan("tests.support.fake_gpio:hold", (plan,))}


def shut_after(pin: FakeKernel, began: float) -> float:
    """Wait until the pin is shut; seconds since ``began``."""
    return wait_until(lambda: pin.level(17) == 0, what="a shut pin") - began


def test_a_killed_guard_shuts_the_pin(tmp_path: Path) -> None:
    """SIGKILL of the guard shuts the pin within a lease."""
    pin = FakeKernel(tmp_path)
    with GuardProcess(plans(tmp_path)) as guard:
        assert pin.level(17) == 1
        assert shut_after(pin, guard.kill()) < LEASE_S + SLACK_S


def test_a_pin_that_outlives_its_keeper_is_shut_by_the_spare(tmp_path: Path) -> None:
    """A killed or frozen keeper leaves its pin driven; shutting it is the first thing the spare does."""
    pin = FakeKernel(tmp_path)
    with keeping(plans(tmp_path)) as guard:
        for number in (signal.SIGKILL, signal.SIGSTOP):
            guard.open("west/0")
            guard.wait(lambda: pin.level(17) == 1, what="an open pin")
            guard.opened.clear()
            before, seen, began = len(pin.changes()), len(guard.news), time.monotonic()
            os.kill(guard.pids()[0], number)
            guard.wait(lambda seen=seen: guard.said("link_up", seen), what="a new link")
            assert [level for _, _, level in pin.changes()[before:]][:1] == [0]
            assert time.monotonic() - began < LEASE_S + SLACK_S


def test_the_last_closer_shuts_a_pin_that_outlived_everybody(tmp_path: Path) -> None:
    """After guard and keeper are gone with the pin driven, the closer shuts it and sees that it is shut."""
    pin = FakeKernel(tmp_path)
    with GuardProcess(plans(tmp_path)) as guard:
        for pid in guard.keepers:
            os.kill(pid, signal.SIGSTOP)
        guard.kill()
        for pid in guard.keepers:
            os.kill(pid, signal.SIGKILL)
    assert pin.level(17) == 1

    buses = {bus: dataclasses.asdict(plan) for bus, plan in plans(tmp_path).items()}
    assert close_all(buses) == {}
    assert pin.level(17) == 0
