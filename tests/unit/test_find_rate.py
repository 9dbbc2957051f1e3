"""The search for a serial device's rate, on a line simulated bit by bit."""

from __future__ import annotations

from functools import cache

import pytest
from hypothesis import given, settings, strategies as st
from nightheron_drivers.find_rate import RATES, RateSearch, is_text

from tests.support.uart import received

MESSAGES = (b"7.01\r\n", b"pH 7.01\r", b'{"ph": 7.01, "t": 25.3}\n', b"06.98\n", b"7.012,25.31,OK\r\n")
TURN_S = 0.05


@cache
def at_every_rate(message: bytes, sent_at: int) -> dict[int, bytes]:
    """What one message becomes at each rate it may be read at."""
    return {rate: received([(0.0, message)], sent_at, rate)[0][1] for rate in RATES}


def searched(message: bytes, sent_at: int, every_s: float, most_s: float = 300.0) -> tuple[RateSearch, float]:
    """The search, run until it found a rate or the time was over; and how long it took."""
    heard, search, now_s, due_s = at_every_rate(message, sent_at), RateSearch(0.0), 0.0, TURN_S
    while not search.found and now_s < most_s:
        now_s += TURN_S
        if now_s >= due_s:
            due_s += every_s
            search.take(heard[search.rate], now_s)
        search.turn(now_s)
    return search, now_s


def test_the_simulated_line_is_true_to_itself() -> None:
    """Read at the rate it was sent at, every byte comes back; at half of it, other bytes do."""
    whole = bytes(range(256))
    assert received([(0.0, whole)], 9600, 9600) == [(0.0, whole)]
    assert received([(0.0, b"7.01\r\n")], 9600, 4800)[0][1] != b"7.01\r\n"


@pytest.mark.parametrize("sent_at", RATES)
@pytest.mark.parametrize("message", MESSAGES)
def test_the_rate_is_found(message: bytes, sent_at: int) -> None:
    """Whatever usual rate a device has, and whatever its line end, its rate is found, and no other."""
    for every_s, most_s in ((0.2, 15.0), (1.0, 20.0), (10.0, 100.0)):
        search, took_s = searched(message, sent_at, every_s)
        assert search.found, every_s
        assert search.rate == sent_at
        assert took_s <= most_s


@settings(max_examples=60, deadline=None)
@given(
    lead=st.sampled_from([b"", b"pH ", b"$", b"ch1:"]),
    hundredths=st.integers(400, 900),
    end=st.sampled_from([b"\r\n", b"\n", b"\r"]),
    sent_at=st.sampled_from(RATES),
    every_s=st.sampled_from([0.5, 1.0, 2.0]),
)
def test_any_reading_at_any_rate(
    lead: bytes, hundredths: int, end: bytes, sent_at: int, every_s: float
) -> None:
    """A steady reading is found at its own rate and never taken for text at another."""
    search, _ = searched(lead + b"%.2f" % (hundredths / 100) + end, sent_at, every_s)
    assert search.found
    assert search.rate == sent_at


@pytest.mark.parametrize(("end", "name"), [(b"\r\n", "CR LF"), (b"\n", "LF"), (b"\r", "CR")])
def test_the_line_end_is_told(end: bytes, name: str) -> None:
    """The line end heard is named."""
    search = RateSearch(0.0)
    assert search.line_end == ""
    search.take(b"01" + end + b"7.01" + end, 1.0)
    assert search.line_end == name


def test_one_line_may_be_chance_and_the_first_may_be_half() -> None:
    """The line under way when listening began is left out, and it takes two whole ones to find a rate."""
    search = RateSearch(0.0)
    assert [line.data for line in search.take(b"01\r\n7.02\r\n", 1.0)] == [b"7.02"]
    assert not search.found
    search.take(b"7.03\r\n", 2.0)
    assert search.found


def test_silence_goes_round_and_is_never_taken_for_speech() -> None:
    """A port without a sound is listened to at every rate within 25 s, and nothing is found."""
    search, seen, now_s = RateSearch(0.0), set(), 0.0
    while now_s < 25.0:
        seen.add(search.rate)
        now_s += TURN_S
        search.take(b"", now_s)
        search.turn(now_s)
    assert seen == set(RATES)
    assert not search.spoke
    assert not search.found


def test_text_without_line_ends_is_remembered() -> None:
    """A device that never ends a line is not found, and its rate is kept to be told."""
    search, _ = searched(b"7.01 ", 9600, 0.5, most_s=30.0)
    assert not search.found
    assert search.endless == 9600


def test_text_is_three_quarters_plain() -> None:
    """A degree sign in a line does not make it garbage; a burst of noise is."""
    assert is_text("7.01 pH 25.3 °C\r\n".encode())
    assert not is_text(b"\xe0\xe0\x00\x00\xe0")
