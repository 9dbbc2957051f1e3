"""The guard itself is killed or frozen: its keepers close, and the record goes on without a hole."""

from __future__ import annotations

import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.house_under_siege import House, house_under_siege
from tests.support.rules import live
from tests.support.siege import HELD_PH, HIGH_PH


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    with house_under_siege(tmp_path) as made:
        yield made


def test_a_killed_guard_closes_and_the_next_start_goes_on(house: House) -> None:
    """SIGKILL closes within the budget, leaves no process after 5 s, and the next start goes on."""
    siege, valve, probe = house.siege, house.valve, house.probe
    siege.opens(valve)
    before = siege.service.rows()
    probe.ph = HELD_PH
    killed = siege.kill_guard()
    siege.closes(valve, "guard_killed", killed)
    siege.no_process_is_left(killed)
    assert valve.orders[-1].text == "CLOSE"
    siege.service.start()
    siege.wait_first_reason("starting")
    rows = siege.nothing_is_lost(before, "starting")
    assert "gap" in [row["kind"] for row in rows[len(before) :]]
    probe.ph = HIGH_PH
    siege.opens(valve, after=time.monotonic())


@live("guard_late")
def test_a_frozen_guard_closes_and_says_so_when_it_goes_on(house: House) -> None:
    """SIGSTOP closes within the budget; after SIGCONT the same guard names its own lateness and reopens."""
    siege, valve, probe = house.siege, house.valve, house.probe
    siege.opens(valve)
    before = siege.service.rows()
    probe.ph = HELD_PH
    siege.keepers()
    frozen = time.monotonic()
    siege.service.signal(signal.SIGSTOP)
    try:
        siege.closes(valve, "guard_frozen", frozen)
        time.sleep(3)
        assert not valve.gas
    finally:
        thawed = time.monotonic()
        siege.service.signal(signal.SIGCONT)
    siege.wait_first_reason("guard_late")
    siege.nothing_is_lost(before, "guard_late")
    assert "OPEN" not in [order.text for order in valve.orders if order.at > thawed]
    probe.ph = HIGH_PH
    siege.opens(valve, after=thawed)
