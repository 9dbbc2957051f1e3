"""The keeper's table of verbs, and every frame that no sound guard sends."""

from __future__ import annotations

import json
import os
import socket
import sys
import types
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest
from nightheron.model import NS, Gas
from nightheron.runtime import keeper as keeper_module
from nightheron.runtime.keeper import ENDING, HOLDING, VERBS, WAITING, Keeper
from nightheron.runtime.keeper_frames import FRAME_MOST, BadFrameError, drain
from nightheron_drivers.protocols import Said

NOW_NS = 1000 * NS
PLANS = [{"id": "west/0", "lease_s": 2.0}, {"id": "west/1", "lease_s": 5.0}]


class FakeValve:
    """Takes every order and acknowledges it at the next turn."""

    def __init__(self) -> None:
        self.orders: list[Gas] = []
        self.news: list[Said] = []
        self.takes = True
        self.finished = False

    def fileno(self) -> int | None:
        return None

    def wants_write(self) -> bool:
        return False

    def deadline(self) -> int | None:
        return 0 if self.news else None

    def ready(self, now_ns: int) -> Sequence[Said]:
        said, self.news = self.news, []
        return said

    def order(self, gas: Gas, now_ns: int) -> bool:
        self.orders.append(gas)
        if self.takes:
            self.news.append(Said("acked", gas))
        return self.takes

    def finish(self, now_ns: int) -> None:
        self.finished = True


class Bench:
    """A keeper in this process, the guard's end of its socket, and its two valves."""

    def __init__(self, phase: str) -> None:
        self.guard, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self.guard.setblocking(False)
        theirs.setblocking(False)
        self.theirs = theirs
        self.keeper = Keeper(theirs)
        self.valves = [FakeValve(), FakeValve()]
        if phase != WAITING:
            self.send([1, "take", "fake_holder:hold", "own"], plans=PLANS)
            self.keeper.hear(NOW_NS)
            self.settle()
            self.answers()
        if phase == ENDING:
            self.keeper.end(NOW_NS)

    def hold(self, plans: Sequence[Mapping[str, Any]], broker: object, own: str) -> Sequence[FakeValve]:
        return self.valves[: len(plans)]

    def send(self, frame: object, plans: object = None, broker: object = None) -> None:
        data = frame if isinstance(frame, bytes) else json.dumps(frame).encode()
        if plans is None:
            self.guard.send(data)
            return
        fd = os.memfd_create("plans")
        os.write(fd, json.dumps([broker, plans]).encode())
        socket.send_fds(self.guard, [data], [fd])
        os.close(fd)

    def settle(self) -> None:
        for index in range(len(self.keeper.valves)):
            self.keeper.serve(index, NOW_NS)

    def answers(self) -> list[list[Any]]:
        found = []
        while True:
            try:
                found.append(json.loads(self.guard.recv(4096)))
            except BlockingIOError:
                return found

    def run(self, *frames: object) -> None:
        """Let the keeper's own loop run over these frames, to its end if it ends."""
        for frame in frames:
            self.send(frame)
        wake, woken = os.pipe()
        turns = iter(range(10))
        try:
            keeper_module.run(self.keeper, wake, lambda: next(turns, None) is None)
        finally:
            os.close(wake)
            os.close(woken)


@pytest.fixture
def bench(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    phase = getattr(request, "param", HOLDING)
    made: list[Bench] = []
    module = types.ModuleType("fake_holder")
    module.hold = lambda plans, broker, own: made[0].hold(plans, broker, own)  # type: ignore[attr-defined] # made up here
    monkeypatch.setitem(sys.modules, "fake_holder", module)
    new = Bench.__new__(Bench)
    made.append(new)
    new.__init__(phase)  # type: ignore[misc] # the holder needs the bench before it is whole
    yield new
    new.guard.close()
    new.theirs.close()


FRAMES = {
    "take": [7, "take", "fake_holder:hold", "own"],
    "open_until": [7, "open_until", 0, NOW_NS + NS],
    "close": [7, "close", 0],
    "end": [7, "end"],
}


def test_the_table_has_every_verb() -> None:
    """The frames tried here are the verbs of the table, no more and no fewer."""
    assert set(FRAMES) == set(VERBS)


@pytest.mark.parametrize("verb", sorted(FRAMES))
@pytest.mark.parametrize("bench", [WAITING, HOLDING, ENDING], indirect=True)
def test_every_verb_in_every_phase(bench: Bench, verb: str) -> None:
    """A verb is answered with its number in its phases, and is refused as a bad frame in all others."""
    phase = bench.keeper.phase
    bench.send(FRAMES[verb], plans=PLANS if verb == "take" else None)
    if phase in VERBS[verb][0]:
        bench.keeper.hear(NOW_NS)
        assert [7, "ok", ""] in bench.answers()
    else:
        with pytest.raises(BadFrameError):
            bench.keeper.hear(NOW_NS)
        assert any(answer[:2] == [7, "cannot"] for answer in bench.answers())


@pytest.mark.parametrize("verb", ["open", "", "TAKE", "open_until ", "exec"])
def test_an_unknown_verb_closes_everything(bench: Bench, verb: str) -> None:
    """A verb that is not in the table ends the keeper with CLOSE as the last order of every valve."""
    bench.keeper.act(2, "open_until", [0, NOW_NS + NS], NOW_NS)
    bench.run([3, verb])
    assert [valve.orders[-1] for valve in bench.valves] == [Gas.CLOSED, Gas.CLOSED]
    assert all(valve.finished for valve in bench.valves)
    assert any(frame[:2] == [3, "cannot"] for frame in bench.answers())


@pytest.mark.parametrize(
    "data",
    [
        b"x",
        b"{}",
        b"[]",
        b"[1]",
        b'["1", "close", 0]',
        b'[true, "close", 0]',
        b'[0, "close", 0]',
        b'[-1, "close", 0]',
        b'[3, "close"]',
        b'[3, "close", 2]',
        b'[3, "close", -1]',
        b'[3, "close", true]',
        b'[3, "close", 0, 1]',
        b'[3, "open_until", 0]',
        b'[3, "open_until", 0, 1e300]',
        b'[3, "open_until", 0, NaN]',
        b'[3, "open_until", 0, Infinity]',
        b'[3, "open_until", 0, "1"]',
        b'[3, "open_until", 0, null]',
        b'[3, "end", 1]',
        b"[3, 4]",
        b"\xff\xfe\x00",
        b"[" * 400,
        b'[3, "close", 0]' + b" " * FRAME_MOST,
    ],
)
def test_a_bad_frame_closes_everything(bench: Bench, data: bytes) -> None:
    """A frame that makes no sense ends the keeper with CLOSE as the last order of every valve."""
    bench.keeper.act(2, "open_until", [0, NOW_NS + NS], NOW_NS)
    bench.keeper.act(3, "open_until", [1, NOW_NS + NS], NOW_NS)
    bench.run(data)
    assert [valve.orders[-1] for valve in bench.valves] == [Gas.CLOSED, Gas.CLOSED]
    assert any(frame[1] == "broken" for frame in bench.answers())


@pytest.mark.parametrize("bench", [WAITING], indirect=True)
@pytest.mark.parametrize(
    "plans",
    [
        [],
        {},
        [1],
        [{"id": "a"}],
        [{"id": "a", "lease_s": 0}],
        [{"id": "a", "lease_s": "5"}],
        [{"lease_s": 5}],
    ],
)
def test_bad_plans_are_not_taken(bench: Bench, plans: object) -> None:
    """Plans without an id or a finite lease make no holder."""
    bench.send(FRAMES["take"], plans=plans)
    with pytest.raises(BadFrameError):
        bench.keeper.hear(NOW_NS)
    assert bench.keeper.phase == WAITING


def test_a_descriptor_that_no_verb_asks_for_is_a_bad_frame(bench: Bench) -> None:
    """A stray descriptor is refused and closed, so that none can be collected."""
    before = len(list(Path("/proc/self/fd").iterdir()))
    bench.send([3, "close", 0], plans=PLANS)
    with pytest.raises(BadFrameError):
        drain(bench.theirs, 2)
    assert len(list(Path("/proc/self/fd").iterdir())) == before


def test_taking_closes_first(bench: Bench) -> None:
    """The first order of a new holder is CLOSE, on every valve."""
    assert [valve.orders for valve in bench.valves] == [[Gas.CLOSED], [Gas.CLOSED]]


def test_a_deadline_beyond_the_lease_is_refused_and_closes(bench: Bench) -> None:
    """Nobody can open a valve for longer than its lease."""
    bench.keeper.act(3, "open_until", [0, NOW_NS + 2 * NS + 1], NOW_NS)
    assert bench.answers()[-1][:2] == [3, "cannot"]
    assert bench.valves[0].orders == [Gas.CLOSED, Gas.CLOSED]


def test_an_expired_deadline_opens_nothing(bench: Bench) -> None:
    """A renewal that waited too long in the socket is answered and ignored."""
    bench.keeper.act(3, "open_until", [0, NOW_NS], NOW_NS)
    assert bench.answers()[-1][:2] == [3, "expired"]
    assert Gas.OPEN not in bench.valves[0].orders


def test_only_the_newest_of_waiting_renewals_counts(bench: Bench) -> None:
    """Of several renewals that waited, the newest rules, even if it is the shorter one."""
    bench.send([3, "open_until", 0, NOW_NS + 2 * NS])
    bench.send([4, "open_until", 0, NOW_NS + NS])
    bench.keeper.hear(NOW_NS)
    assert bench.keeper.until_ns[0] == NOW_NS + NS
    assert [answer[0] for answer in bench.answers()] == [3, 4]


def test_a_close_behind_an_open_wins(bench: Bench) -> None:
    """An order to close that came last leaves the valve closed."""
    bench.send([3, "open_until", 0, NOW_NS + NS])
    bench.send([4, "close", 0])
    bench.keeper.hear(NOW_NS)
    assert bench.valves[0].orders[-1] is Gas.CLOSED
    assert bench.keeper.until_ns[0] is None


def test_the_lease_runs_out(bench: Bench) -> None:
    """A valve that nobody renews is closed at its deadline, not before."""
    bench.keeper.act(3, "open_until", [0, NOW_NS + NS], NOW_NS)
    bench.keeper.expire(NOW_NS + NS - 1)
    assert bench.valves[0].orders == [Gas.CLOSED, Gas.OPEN]
    bench.keeper.expire(NOW_NS + NS)
    assert bench.valves[0].orders == [Gas.CLOSED, Gas.OPEN, Gas.CLOSED]


def test_a_question_on_a_closed_valve_sends_nothing(bench: Bench) -> None:
    """Asking whether the keeper is there does not chatter on the bus once CLOSE is acknowledged."""
    for number in range(3, 9):
        bench.keeper.act(number, "close", [0], NOW_NS)
    assert bench.valves[0].orders == [Gas.CLOSED]


def test_a_close_without_a_link_is_answered_cannot_and_tried_again(bench: Bench) -> None:
    """What cannot be sent is said so, and every later question tries again."""
    bench.keeper.act(3, "open_until", [0, NOW_NS + NS], NOW_NS)
    bench.valves[0].takes = False
    bench.answers()
    bench.keeper.act(4, "close", [0], NOW_NS)
    bench.keeper.act(5, "close", [0], NOW_NS)
    assert [answer[:2] for answer in bench.answers()] == [[4, "cannot"], [5, "cannot"]]
    assert bench.valves[0].orders[-2:] == [Gas.CLOSED, Gas.CLOSED]


def test_a_guard_that_does_not_read_stops_nothing(bench: Bench) -> None:
    """With the guard's end full, answers are dropped and counted, and the lease still rules."""
    bench.keeper.act(1, "open_until", [0, NOW_NS + NS], NOW_NS)
    for number in range(2, 5000):
        bench.keeper.act(number, "close", [1], NOW_NS)
    assert bench.keeper.unsent > 0
    bench.keeper.expire(NOW_NS + NS)
    assert bench.valves[0].orders[-1] is Gas.CLOSED


def test_a_driver_that_fails_closes_its_neighbours(bench: Bench) -> None:
    """An exception in one valve's driver ends the keeper with CLOSE on the others."""
    bench.keeper.act(3, "open_until", [1, NOW_NS + NS], NOW_NS)

    def fail(gas: Gas, now_ns: int) -> bool:
        raise RuntimeError("broken driver")

    bench.valves[0].order = fail  # type: ignore[method-assign] # a driver gone wrong
    bench.run([4, "open_until", 0, keeper_module.boottime_ns() + NS])
    assert bench.valves[1].orders[-1] is Gas.CLOSED


@pytest.mark.parametrize("bench", [WAITING], indirect=True)
@pytest.mark.parametrize("lease_s", [2.01, 4.1, 8.2, 33.3])
def test_a_deadline_of_one_whole_lease_is_taken(bench: Bench, lease_s: float) -> None:
    """A renewal that arrives within its millisecond opens, whatever a float makes of the lease."""
    bench.send(FRAMES["take"], plans=[{"id": "west/0", "lease_s": lease_s}])
    bench.keeper.hear(NOW_NS)
    bench.answers()
    bench.keeper.act(8, "open_until", [0, NOW_NS + round(lease_s * NS)], NOW_NS)
    assert bench.answers() == [[8, "ok", ""]]
    assert bench.valves[0].orders[-1] is Gas.OPEN


@pytest.mark.parametrize("bench", [WAITING], indirect=True)
def test_nothing_but_a_broker_and_plans_is_taken(bench: Bench) -> None:
    """A memory file that holds something else makes no holder."""
    fd = os.memfd_create("plans")
    os.write(fd, json.dumps([*PLANS, None]).encode())
    socket.send_fds(bench.guard, [json.dumps(FRAMES["take"]).encode()], [fd])
    os.close(fd)
    with pytest.raises(BadFrameError):
        bench.keeper.hear(NOW_NS)
    assert bench.keeper.phase == WAITING
