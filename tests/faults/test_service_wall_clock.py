"""The wall clock is set back and forth by a year while the service runs.

Wall time has no namespace of its own and this machine's clock must not be touched, so the service is
started by ``tests/support/stepping_clock.py``: the same service in a real process of its own, whose
readings of wall time (``Clock.utc`` and ``time.time``) carry an offset that the test changes while it
runs. The clocks that decide, CLOCK_BOOTTIME and CLOCK_MONOTONIC, are the machine's own and go on.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

from tests.support.house_under_siege import House, house_under_siege
from tests.support.siege import HELD_PH, HIGH_PH
from tests.support.stepping_clock import set_clock

YEAR_S = 365 * 86400.0
WORDS = (sys.executable, "-m", "tests.support.stepping_clock")


def cut(house: House) -> None:
    """One reading below the floor closes within the budget, and good readings reopen."""
    siege = house.siege
    before = siege.service.rows()
    house.probe.ph = HELD_PH
    time.sleep(0.5)
    low = time.monotonic()
    house.probe.says(6.55)
    siege.closes(house.valve, "reading_below_floor", low)
    siege.wait_first_reason("floor")
    siege.nothing_is_lost(before, "floor")
    house.probe.ph = HIGH_PH
    siege.opens(house.valve, after=time.monotonic())
    siege.wait_why(lambda one: one["gas"] == "open")


def test_the_wall_clock_set_back_and_forth_changes_nothing(tmp_path: Path) -> None:
    """A year back, a year ahead: gas neither opens nor closes for it, cuts work, and the chain holds."""
    with house_under_siege(tmp_path, words=WORDS) as house:
        siege = house.siege
        siege.opens(house.valve)
        cut(house)
        orders = len(house.valve.orders)
        for offset_s in (-YEAR_S, YEAR_S, 0.0):
            set_clock(siege.config, offset_s)
            time.sleep(1)
            assert "CLOSE" not in [order.text for order in house.valve.orders[orders:]]
            cut(house)
            orders = len(house.valve.orders)
        rows = siege.service.rows()
        years = [int(row["utc"][:4]) for row in rows]
        now = years[0]
        assert {now - 1, now + 1} <= set(years)
        mono = [row["mono_ns"] for row in rows]
        assert mono == sorted(mono)


def test_a_start_after_the_wall_clock_went_back_begins_closed_and_goes_on(tmp_path: Path) -> None:
    """Killed, and started again a year earlier by the wall clock: the record goes on, gas begins closed."""
    with house_under_siege(tmp_path, words=WORDS) as house:
        siege = house.siege
        siege.opens(house.valve)
        before = siege.service.rows()
        house.probe.ph = HELD_PH
        killed = siege.kill_guard()
        siege.closes(house.valve, "guard_killed", killed)
        siege.no_process_is_left(killed)
        set_clock(siege.config, -YEAR_S)
        siege.service.start()
        siege.wait_first_reason("starting")
        rows = siege.nothing_is_lost(before, "starting")
        assert int(rows[-1]["utc"][:4]) == int(before[-1]["utc"][:4]) - 1
        assert [row["kind"] for row in rows].count("gap") == 1
        house.probe.ph = HIGH_PH
        siege.opens(house.valve, after=time.monotonic())
