"""The heartbeat beats while the guard sees and acts, and is silent when it does not."""

from __future__ import annotations

from nightheron.model import Act, Gas
from nightheron.runtime.heartbeat import LABEL, PERIOD_S, Heartbeat
from nightheron.runtime.inbox import CourierDone, Inbox

from tests.support.loops import Bench


class Beats:
    """Counts, and answers unless it hangs."""

    def __init__(self) -> None:
        self.count, self.hangs = 0, False
        self.inbox: Inbox | None = None

    def beat(self, label: str, url: str) -> None:
        assert (label, url) == (LABEL, "https://127.0.0.1/alive")
        self.count += 1
        if self.inbox is not None and not self.hangs:
            self.inbox.post(CourierDone(LABEL, "no route"))


class BeatingBench(Bench):
    """A site that has a heartbeat and no push address."""

    def heartbeat(self) -> Heartbeat:
        self.beats = Beats()
        self.keepers.acks = True
        self.beats.inbox = self.inbox
        return Heartbeat(self.beats, "https://127.0.0.1/alive")

    def beats_in(self, seconds: float) -> int:
        before = self.beats.count
        self.wait(seconds)
        return self.beats.count - before


def test_it_beats_once_a_minute_whatever_is_answered() -> None:
    """With gas open, and with gas shut for a good reason, all is well."""
    bench = BeatingBench().open_gas()
    assert bench.beats_in(10 * PERIOD_S) == 10
    bench.ph["west"] = 6.5
    bench.wait(30)
    assert bench.beats_in(PERIOD_S) == 1
    assert bench.gas("west") is Gas.CLOSED


def test_a_lost_probe_silences_it_unless_a_person_is_there() -> None:
    """A guard that is blind does not say that all is well; one that is held by a person does."""
    bench = BeatingBench().open_gas()
    bench.ph["west"] = None
    bench.wait(10)
    assert bench.beats_in(5 * PERIOD_S) == 0
    bench.act(Act.SERVICE_ON)
    assert bench.beats_in(2 * PERIOD_S) >= 1


def test_a_dead_journal_silences_it() -> None:
    """What cannot be recorded is not well."""
    bench = BeatingBench().open_gas()
    bench.journal.commits = False
    bench.wait(90)
    assert bench.beats_in(3 * PERIOD_S) == 0


def test_one_that_does_not_come_back_is_not_asked_again() -> None:
    """A service that hangs holds one courier."""
    bench = BeatingBench().open_gas()
    bench.beats.hangs = True
    assert bench.beats_in(5 * PERIOD_S) <= 1
