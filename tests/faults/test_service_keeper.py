"""The process that holds the valve is killed or frozen: a spare closes, and the guard says what happened."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import pytest

from tests.support.devices import wait_until
from tests.support.house_under_siege import house_under_siege
from tests.support.keeping import ended
from tests.support.rules import live
from tests.support.siege import HELD_PH, HIGH_PH


@live("keeper_lost")
@pytest.mark.parametrize("blow", [signal.SIGKILL, signal.SIGSTOP])
def test_a_lost_keeper_closes_and_a_spare_takes_over(tmp_path: Path, blow: signal.Signals) -> None:
    """A killed or frozen keeper means closed gas within the budget; the same guard reopens with a spare."""
    with house_under_siege(tmp_path) as house:
        siege, valve = house.siege, house.valve
        siege.opens(valve)
        before, guard = siege.service.rows(), siege.service.pid
        house.probe.ph = HELD_PH
        keeper = siege.holder()
        struck = time.monotonic()
        os.kill(keeper, blow)
        siege.closes(valve, "keeper_killed", struck)
        siege.wait_first_reason("keeper_lost")
        siege.nothing_is_lost(before, "keeper_lost")
        wait_until(lambda: ended(keeper), what="the old keeper's end")
        assert valve.orders[-1].text == "CLOSE"
        house.probe.ph = HIGH_PH
        siege.opens(valve, after=struck + 0.1)
        assert siege.holder() != keeper
        assert siege.service.pid == guard
        wait_until(lambda: len(siege.keepers()) == 2, what="a keeper and a new spare")


def test_a_keeper_and_its_spare_lost_together(tmp_path: Path) -> None:
    """With the spare killed in the same moment the last will closes, and new ones take over."""
    with house_under_siege(tmp_path) as house:
        siege, valve = house.siege, house.valve
        siege.opens(valve)
        before = siege.service.rows()
        house.probe.ph = HELD_PH
        wait_until(lambda: len(siege.keepers()) == 2, what="a keeper and its spare")
        struck = time.monotonic()
        for pid in siege.keepers():
            os.kill(pid, signal.SIGKILL)
        siege.closes(valve, "keeper_killed", struck)
        siege.wait_first_reason("keeper_lost")
        siege.nothing_is_lost(before, "keeper_lost")
        house.probe.ph = HIGH_PH
        siege.opens(valve, after=struck + 0.1)
