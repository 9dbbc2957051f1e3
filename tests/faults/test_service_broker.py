"""The broker between guard and valve dies or freezes: the device's own timer closes, the link heals.

Without a timer of its own a valve behind a lost broker keeps its last order, and ``check`` says that
nothing bounds it; so the valve here has one, as a valve on a broker should.
"""

from __future__ import annotations

import time
from pathlib import Path

from tests.support.devices import MqttDevice
from tests.support.house_under_siege import TOPIC, house_under_siege
from tests.support.rules import live
from tests.support.siege import HELD_PH, HIGH_PH

TIMER_S = 4.0


def test_without_a_timer_the_loss_of_the_broker_is_not_bounded(tmp_path: Path) -> None:
    """Where the valve has no timer of its own the budget promises nothing for a lost broker or valve."""
    with house_under_siege(tmp_path) as house:
        assert house.siege.budget_s("broker_lost") is None
        assert house.siege.budget_s("valve_unreachable") is None
        assert house.siege.budget_s("guard_killed") is not None


def test_a_killed_and_restarted_broker(tmp_path: Path) -> None:
    """A killed broker means closed gas by the device's timer; a restarted one hears CLOSE first."""
    with house_under_siege(tmp_path, timer_s=TIMER_S) as house:
        siege = house.siege
        siege.opens(house.valve)
        before, guard = siege.service.rows(), siege.service.pid
        house.probe.ph = HELD_PH
        killed = time.monotonic()
        house.broker.kill()
        siege.closes(house.valve, "broker_lost", killed)
        assert siege.wait_first_reason("valve_lost")["state"] == "tripped"
        time.sleep(2)
        house.broker.start()
        with MqttDevice(house.broker, TOPIC, timer_s=TIMER_S) as late:
            late.wait_order("CLOSE", within_s=60)
            assert late.texts()[0] == "CLOSE"
            siege.nothing_is_lost(before, "valve_lost")
            siege.wait_why(lambda one: "valve_lost" not in one["reasons"])
            assert "OPEN" not in late.texts()
            house.probe.ph = HIGH_PH
            siege.opens(late)
        assert siege.service.pid == guard


@live("valve_lost")
def test_a_broker_restarted_at_once(tmp_path: Path) -> None:
    """A broker that restarts in a moment costs one closing, for a lost valve, and heals by itself."""
    with house_under_siege(tmp_path, timer_s=TIMER_S) as house:
        siege = house.siege
        siege.opens(house.valve)
        before = siege.service.rows()
        house.probe.ph = HELD_PH
        at = time.monotonic()
        house.broker.restart()
        siege.closes(house.valve, "broker_lost", at)
        siege.wait_first_reason("valve_lost")
        siege.nothing_is_lost(before, "valve_lost")
        house.probe.ph = HIGH_PH
        siege.opens(house.valve, after=time.monotonic())


def test_a_broker_frozen_for_20_s(tmp_path: Path) -> None:
    """A frozen broker means closed gas by the device's timer; stuck orders do not reopen it when it thaws."""
    with house_under_siege(tmp_path, timer_s=TIMER_S) as house:
        siege = house.siege
        siege.opens(house.valve)
        before, guard = siege.service.rows(), siege.service.pid
        house.probe.ph = HELD_PH
        frozen = time.monotonic()
        house.broker.freeze()
        try:
            siege.closes(house.valve, "broker_lost", frozen)
            siege.wait_first_reason("valve_lost")
            time.sleep(max(0.0, frozen + 20 - time.monotonic()))
            assert not house.valve.gas
        finally:
            thawed = time.monotonic()
            house.broker.thaw()
        house.valve.wait_order("CLOSE", after=thawed, within_s=60)
        siege.closes(house.valve, "broker_lost", thawed)
        siege.nothing_is_lost(before, "valve_lost")
        siege.wait_why(lambda one: "valve_lost" not in one["reasons"])
        assert siege.why()["reason"] == "valve_lost"
        assert house.valve.orders[-1].text == "CLOSE"
        house.probe.ph = HIGH_PH
        siege.opens(house.valve, after=time.monotonic())
        assert siege.service.pid == guard
