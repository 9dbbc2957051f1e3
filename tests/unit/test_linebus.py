"""The cutting of lines, case by case."""

from __future__ import annotations

import tracemalloc

import pytest
from nightheron_drivers.linebus import LINE_MOST, Line, LineBus, escaped


@pytest.mark.parametrize("end", [b"\r", b"\n", b"\r\n", b"\n\r"])
def test_every_line_end_ends_a_line_at_once(end: bytes) -> None:
    """A device may end its lines with CR, LF or both, and its line counts the moment it ends."""
    bus = LineBus(mid_line=False)
    assert bus.feed(b" 7.02\t" + end[:1]) == [Line(b"7.02")]
    assert bus.feed(end[1:] + b"7.01" + end) == [Line(b"7.01")]


def test_a_megabyte_without_end_is_one_refused_line() -> None:
    """An endless line is refused once and costs no memory, and the next line is read."""
    bus = LineBus(mid_line=False)
    tracemalloc.start()
    lines = [line for _ in range(250) for line in bus.feed(b"9" * 4096)]
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert lines == [Line(b"9" * LINE_MOST, "too_long")]
    assert peak < 65_536
    assert bus.feed(b"\n7.02\n") == [Line(b"7.02")]


def test_a_line_of_exactly_the_most_is_a_line() -> None:
    """The bound is on the bytes kept: one byte fewer than refused is whole."""
    assert LineBus(mid_line=False).feed(b"1" * LINE_MOST + b"\n") == [Line(b"1" * LINE_MOST)]


def test_two_halves_do_not_make_a_number() -> None:
    """Where bytes may be missing, the line across the hole is refused and the one after it is not."""
    bus = LineBus(mid_line=False)
    assert bus.feed(b"7.05\n6.") == [Line(b"7.05")]
    assert bus.holds_half
    bus.lose()
    assert bus.feed(b"98\n6.51\n") == [Line(b"6.98", "partial"), Line(b"6.51")]


def test_escapes_can_be_read_back() -> None:
    """A backslash that was received cannot be mistaken for one of ours."""
    assert escaped(b"pH\x00\\\xff 7") == "pH\\x00\\x5c\\xff 7"
