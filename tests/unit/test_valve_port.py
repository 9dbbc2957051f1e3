"""Valves in series, seen by the loop as one."""

from __future__ import annotations

import socket

import pytest
from nightheron.model import FeedbackSaid, Gas, KeeperSaid, OtherOrder, ValveSaid
from nightheron.runtime.resolver import Resolver, look_up
from nightheron.runtime.valve_port import Series
from nightheron_drivers.protocols import Said


@pytest.fixture
def pair() -> Series:
    return Series("west", ("west/0", "west/1"))


def links(pair: Series, *said: tuple[int, str]) -> list[bool]:
    found = []
    for index, what in said:
        event = pair.valve(index, Said(what), 1)
        assert isinstance(event, ValveSaid)
        found.append(event.link)
    return found


def test_the_link_is_up_when_every_valve_s_is(pair: Series) -> None:
    """One link of two is no link, and losing one loses both."""
    assert links(pair, (0, "link_up"), (1, "link_up"), (0, "link_down"), (0, "link_up")) == [
        False,
        True,
        False,
        True,
    ]


def test_the_keeper_is_there_when_every_valve_s_is(pair: Series) -> None:
    """One keeper of two is none, and its loss takes the links of its valves."""
    assert [pair.keeper(i, KeeperSaid(1, alive=True)).alive for i in (0, 1)] == [False, True]
    links(pair, (0, "link_up"), (1, "link_up"))
    assert pair.keeper(1, KeeperSaid(2, alive=False, why="killed")) == KeeperSaid(
        2, alive=False, why="killed"
    )
    assert pair.keeper(1, KeeperSaid(3, alive=True)).alive
    assert links(pair, (0, "acked")) == [False]
    assert links(pair, (1, "link_up")) == [True]


def test_the_position_that_contradicts_the_order_counts(pair: Series) -> None:
    """While one valve is seen open though ordered shut, the other's agreement does not hide it."""
    assert pair.valve(0, Said("feedback", Gas.OPEN, "OPEN"), 1) == FeedbackSaid(1, 0, Gas.OPEN, "OPEN")
    assert pair.valve(1, Said("feedback", Gas.CLOSED, "CLOSE"), 2) == FeedbackSaid(2, 0, Gas.OPEN, "open")
    assert pair.valve(0, Said("feedback", Gas.CLOSED, "CLOSE"), 3) == FeedbackSaid(3, 0, Gas.CLOSED, "CLOSE")


def acked(pair: Series, index: int, gas: Gas) -> Gas | None:
    """What the valves together have taken once one of them answers."""
    event = pair.valve(index, Said("acked", gas), 1)
    assert isinstance(event, ValveSaid)
    return event.acked


def test_a_late_answer_of_a_valve_open_alone_is_no_open_gas(pair: Series) -> None:
    """Its answer that comes after both were ordered shut says nothing of gas; that it took the close does."""
    assert [acked(pair, i, Gas.CLOSED) for i in (0, 1)] == [None, Gas.CLOSED]
    assert pair.open(0) == ("west/0",)
    pair.close()
    assert acked(pair, 1, Gas.CLOSED) is None, "the one that was open has not answered"
    assert acked(pair, 0, Gas.OPEN) is None
    assert acked(pair, 0, Gas.CLOSED) is Gas.CLOSED
    pair.open()
    assert acked(pair, 0, Gas.OPEN) is Gas.OPEN


def test_others_orders_are_passed_on(pair: Series) -> None:
    """An order that is not ours reaches the core with what it said; unknown words do not."""
    assert pair.valve(1, Said("foreign", Gas.OPEN, "OPEN"), 1) == OtherOrder(1, 1, Gas.OPEN, "OPEN")
    assert pair.valve(1, Said("hums"), 1) is None


def test_an_address_is_its_own_answer() -> None:
    """Addresses need no look-up; a name that nobody knows is None at once."""
    resolver = Resolver()
    assert resolver.address("127.0.0.1") == "127.0.0.1"
    assert resolver.address("::1") == "::1"
    assert resolver.address("no-such-host.invalid") is None
    resolver.stop()


def test_a_name_with_both_kinds_of_address_gives_the_older(monkeypatch: pytest.MonkeyPatch) -> None:
    """A broker on 127.0.0.1 is reached by the name localhost where ::1 comes first."""
    both = [
        (socket.AF_INET6, socket.SOCK_STREAM, 6, "", ("::1", 0, 0, 0)),
        (socket.AF_INET, socket.SOCK_STREAM, 6, "", ("127.0.0.1", 0)),
    ]
    monkeypatch.setattr(socket, "getaddrinfo", lambda *_a, **_k: list(both))
    assert look_up("localhost") == "127.0.0.1"
    both.pop()
    assert look_up("localhost") == "::1"
