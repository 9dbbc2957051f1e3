"""Somebody else orders our valve open."""

from __future__ import annotations

import time
from pathlib import Path

from tests.support.house_under_siege import TOPIC, house_under_siege
from tests.support.rules import live
from tests.support.service import command
from tests.support.siege import HELD_PH, HIGH_PH


@live("foreign_order")
def test_a_foreign_open_is_closed_at_once_and_stays_shut_until_released(tmp_path: Path) -> None:
    """An OPEN that is not ours is answered with CLOSE, latched until a person releases it, and written down.

    The budget has no row for it. The answer leaves without waiting for anything, so it is held against the
    quickest row there is, that of a reading below the floor.
    """
    with house_under_siege(tmp_path) as house:
        siege, valve = house.siege, house.valve
        house.probe.ph = HELD_PH
        siege.wait_why(lambda one: one["ph"] == HELD_PH and "starting" not in one["reasons"])
        before = siege.service.rows()
        for retain in (False, True):
            at = time.monotonic()
            house.broker.publish(TOPIC, "OPEN", retain=retain)
            valve.wait_order("OPEN", after=at)
            siege.closes(valve, "reading_below_floor", at)
        said = siege.wait_why(lambda one: "foreign_order" in one["reasons"])
        assert (said["gas"], said["state"], said["reason"]) == ("closed", "latched", "starting")
        house.probe.ph = HIGH_PH
        siege.wait_why(lambda one: one["reasons"] == ["foreign_order"])
        opened = time.monotonic()
        time.sleep(3)
        assert not valve.gas
        assert command(siege.config, "release", "west").returncode == 0
        siege.opens(valve, after=opened)
        rows = siege.nothing_is_lost(before, "starting")
        assert any(row["kind"] == "alarm" and row["reason"] == "foreign_order" for row in rows)


def test_a_foreign_open_while_the_service_is_killed_is_closed_by_the_next_start(tmp_path: Path) -> None:
    """An OPEN left on the topic while nobody guarded is overwritten by the first order of the next start."""
    with house_under_siege(tmp_path) as house:
        siege, valve = house.siege, house.valve
        siege.opens(valve)
        before = siege.service.rows()
        house.probe.ph = HELD_PH
        killed = siege.kill_guard()
        siege.closes(valve, "guard_killed", killed)
        siege.no_process_is_left(killed)
        house.broker.publish(TOPIC, "OPEN", retain=True)
        valve.wait_order("OPEN", after=killed)
        started = time.monotonic()
        siege.service.start()
        valve.wait_order("CLOSE", after=started)
        siege.wait_first_reason("starting")
        siege.nothing_is_lost(before, "starting")
        assert not valve.gas
