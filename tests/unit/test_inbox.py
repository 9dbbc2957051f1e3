"""The loop's inbox."""

from __future__ import annotations

import select

from nightheron.runtime import inbox as module
from nightheron.runtime.inbox import PROBE_MOST, Inbox, SnapshotDue
from nightheron_drivers.protocols import Heard


def test_a_low_reading_survives_any_flood() -> None:
    """Of more messages than are kept, newest, lowest and highest stay; the rest is counted."""
    inbox = Inbox()
    flood = PROBE_MOST * 10
    for number in range(flood):
        value = 6.1 if number == 3 else 8.2 if number == 5 else 6.9
        inbox.post(Heard("chamber/west/0", number, value, str(value)))
    heard, _ = inbox.take()
    values = [message.value for message in heard]
    assert len(heard) == PROBE_MOST
    assert 6.1 in values
    assert 8.2 in values
    assert heard[-1].at_ns == flood - 1
    assert inbox.dropped == flood - PROBE_MOST


def test_garbage_does_not_push_out_the_low_reading() -> None:
    """Messages without a number, or with one that is none, never displace the lowest."""
    inbox = Inbox()
    inbox.post(Heard("chamber/west/0", 0, 6.1, "6.1"))
    for number in range(1, 1000):
        value = float("nan") if number % 2 else None
        inbox.post(Heard("chamber/west/0", number, value, "?"))
    heard, _ = inbox.take()
    assert 6.1 in [message.value for message in heard]


def test_messages_come_out_in_order_of_arrival() -> None:
    """Messages of several probes are ordered by their stamps."""
    inbox = Inbox()
    for stamp in (5, 1, 4):
        inbox.post(Heard("chamber/west/0", stamp, 6.9, ""))
    for stamp in (3, 2):
        inbox.post(Heard("tank/display/0", stamp, 8.1, ""))
    assert [message.at_ns for message in inbox.take()[0]] == [1, 2, 3, 4, 5]


def test_it_wakes_whoever_selects_on_it() -> None:
    """Its descriptor is readable while something waits, and not afterwards."""
    inbox = Inbox()
    assert select.select([inbox.fileno()], [], [], 0)[0] == []
    inbox.post(SnapshotDue("midnight"))
    assert select.select([inbox.fileno()], [], [], 0)[0] == [inbox.fileno()]
    inbox.take()
    assert select.select([inbox.fileno()], [], [], 0)[0] == []


def test_the_rest_is_bounded_and_says_so(monkeypatch) -> None:  # type: ignore[no-untyped-def]  # pytest's fixture
    """A full inbox refuses everything but readings, and tells the caller."""
    monkeypatch.setattr(module, "OTHERS_MOST", 3)
    inbox = Inbox()
    assert [inbox.post(SnapshotDue("")) for _ in range(4)] == [True, True, True, False]
    assert inbox.post(Heard("chamber/west/0", 1, 6.9, ""))
