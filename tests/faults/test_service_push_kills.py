"""The real service, killed between a reading far too low and the push service's acceptance.

A point is the moment before a call that writes, syncs, sends, connects, begins a child or reads an answer;
one of the journal's hangs for 3 s first, as on a slow disk.
``python -m tests.support.kill_house`` tries every single one, 73 at the last count; here each kind of
call has its turn once in the guard and in a courier, and what a courier does with a message also in both at
once. Where the alarm's row was left, its cause is over before the next start.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from tests.support.kill_house import Told, trial
from tests.support.kill_points import Kill, built

COUNTED = (Kill("guard", 0), Kill("courier", 0))
"""Nobody is killed, the points are counted."""
GUARD = (
    Kill("guard", 1, "sendmsg unix socket"),  # CLOSE to the keeper
    Kill("guard", 1, "write service.log"),
    Kill("guard", 1, "pwrite64 journal.db-wal"),  # the alarm's row and its pushes, in one transaction
    Kill("guard", 1, "fdatasync journal.db-wal"),
    Kill("guard", 1, "execve a child"),  # the courier
    Kill("guard", 1, "write pipe"),  # its batch
    Kill("guard", 2, "read pipe"),  # its answer; the first is whether it could be started
    Kill("guard", 3, "read pipe"),  # the answer is known, and not written down
    Kill("guard", 2, "fdatasync journal.db-wal"),
)
COURIER = (
    Kill("courier", 1, "read pipe"),
    Kill("courier", 1, "connect internet socket"),
    Kill("courier", 1, "send internet socket"),
    Kill("courier", 1, "recv internet socket"),
    Kill("courier", 1, "write pipe"),
)
BOTH = (Kill("both", 1, "recv internet socket"), Kill("both", 1, "write pipe"))
AT_ONCE = 4


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[Kill, Told]]:
    """Every trial, several at a time: each is a service of its own, and mostly waits."""
    folder = tmp_path_factory.mktemp("k")
    library = built(folder)
    kills = (*COURIER, *COUNTED, *GUARD, *BOTH)

    def one(place: int) -> Told:
        return trial(Path(folder / f"{place}"), library, kills[place])

    with ThreadPoolExecutor(AT_ONCE) as pool:
        yield dict(zip(kills, pool.map(one, range(len(kills))), strict=True))


@pytest.mark.parametrize("kill", [*GUARD, *COURIER, *BOTH], ids=lambda kill: f"{kill.whom}: {kill.name}")
def test_a_kill_loses_no_alarm_and_sends_none_without_its_row(told: dict[Kill, Told], kill: Kill) -> None:
    """The alarm has its row and arrives under one id, known to the journal each time; gas stays shut."""
    assert told[kill].killed
    assert told[kill].wrong == []


@pytest.mark.parametrize("kill", COUNTED, ids=lambda kill: str(kill.whom))
def test_without_a_kill_it_arrives_once(told: dict[Kill, Told], kill: Kill) -> None:
    """The same story with nobody killed: one push, or the trials above would show little."""
    assert not told[kill].killed
    assert (told[kill].received, told[kill].wrong) == (1, [])


@pytest.mark.parametrize(("kill", "tried"), [(COUNTED[0], GUARD), (COUNTED[1], COURIER)])
def test_every_kind_of_point_has_its_turn(
    told: dict[Kill, Told], kill: Kill, tried: tuple[Kill, ...]
) -> None:
    """The guard and a courier make no other kind of call on the way than those tried above."""
    assert set(told[kill].points) == {one.name for one in tried}
