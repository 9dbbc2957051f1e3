"""Two hundred copies of two hours of the rig: what it costs to verify them, to tell one, to replay one."""

from __future__ import annotations

import json
import sqlite3
from collections import deque
from collections.abc import Iterator
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
from nightheron.guard.chamber import Chamber
from nightheron.guard.limits import ChamberLimits
from nightheron.guard.snapshot import from_json
from nightheron.journal.pack import unpack
from nightheron.journal.verify import verify

from tests.bench.year import BEGINS, DAY, copies, play, seconds, told, verified
from tests.support.replays import replayed

HOURS, COPIES = 2.0, 200
VERIFY_MOST_TIMES = 5.0


@pytest.fixture(scope="module")
def long_journal(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A journal of two hundred days of two hours each."""
    folder = tmp_path_factory.mktemp("year")
    yield copies(play(folder / "day", HOURS), COPIES, folder)


def test_verifying_costs_at_most_five_times_hashing(long_journal: Path) -> None:
    """To verify a journal takes at most five times as long as to hash the same bytes, side by side."""
    figures = verified(long_journal)
    result = verify(long_journal)
    print(
        f"{result.entries} rows, {result.bytes_looked_at / 1e6:.0f} MB: hashing {figures.hashing_s:.2f} s, "
        f"verify {figures.verify_s:.2f} s, {figures.verify_times:.2f} times"
    )
    assert result.ok
    assert result.entries > 20_000
    assert figures.verify_times <= VERIFY_MOST_TIMES


def test_a_night_out_of_many_is_told_as_one_alone(long_journal: Path) -> None:
    """One night out of two hundred takes at most three times as long to tell as from a journal of its own."""
    alone = long_journal.parent / "day" / "journal.db"
    ends = BEGINS + timedelta(hours=HOURS)
    alone_s, own = seconds(lambda: told(alone, BEGINS, ends))
    among_s, one = seconds(lambda: told(long_journal, BEGINS + 150 * DAY, ends + 150 * DAY))
    print(f"a night alone {alone_s:.3f} s, among {COPIES} {among_s:.3f} s")
    assert own.count(" cut ") == one.count(" cut ") > 0
    assert among_s <= 3.0 * alone_s + 0.05


def test_a_replay_costs_little_beside_the_core(long_journal: Path) -> None:
    """A replay takes at most one and a half times as long as feeding its events to the core alone."""
    alone = long_journal.parent / "day" / "journal.db"
    with closing(sqlite3.connect(alone)) as db:
        [(start,)] = db.execute("SELECT body FROM entries WHERE kind = 'snapshot' LIMIT 1").fetchall()
        packed = db.execute("SELECT inputs FROM entries WHERE inputs IS NOT NULL ORDER BY seq").fetchall()
    written = json.loads(start)
    chamber = Chamber.restore(from_json(ChamberLimits, written["limits"]), written["snapshot"])
    events = [event for (inputs,) in packed for event in unpack(inputs)]
    core_s, _ = seconds(lambda: deque(map(chamber.feed, events), maxlen=0))
    replay_s, found = seconds(lambda: replayed(alone))
    print(f"{len(events)} events: the core {core_s:.2f} s, a replay {replay_s:.2f} s")
    assert found.identical
    assert found.evaluations == len(events) > 30_000
    assert replay_s <= 1.5 * core_s
