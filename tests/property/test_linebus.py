"""The cutting of lines, over any bytes cut any way."""

from __future__ import annotations

import re
from itertools import pairwise

from hypothesis import given, strategies as st
from nightheron_drivers.linebus import LINE_MOST, Line, LineBus, escaped
from nightheron_drivers.protocols import RAW_MOST

PIECES = st.lists(
    st.one_of(
        st.binary(max_size=40),
        st.sampled_from([b"\r", b"\n", b"\r\n", b"7.02\r\n", b" 6.9 \n", b"x" * LINE_MOST, b"y" * 700]),
    ),
    max_size=20,
)


def all_lines(pieces: list[bytes], *, mid_line: bool = False) -> list[Line]:
    """The lines of these pieces, fed in this order."""
    bus = LineBus(mid_line=mid_line)
    return [line for piece in pieces for line in bus.feed(piece)]


@given(PIECES, st.lists(st.integers(min_value=0, max_value=4000), max_size=30), st.booleans())
def test_the_cut_does_not_matter(pieces: list[bytes], cuts: list[int], mid_line: bool) -> None:
    """Any split of the same bytes gives the same lines."""
    stream = b"".join(pieces)
    edges = sorted({0, len(stream), *(cut % (len(stream) + 1) for cut in cuts)})
    split = [stream[a:b] for a, b in pairwise(edges)]
    assert all_lines(split, mid_line=mid_line) == all_lines([stream], mid_line=mid_line)


@given(PIECES)
def test_lines_are_what_stands_between_ends(pieces: list[bytes]) -> None:
    """Every line short enough is exactly the text between two line ends, in order, and none is invented."""
    stream = b"".join(pieces)
    ended = re.split(rb"[\r\n]", stream)[:-1]
    expected = [text.strip(b" \t") for text in ended if len(text) <= LINE_MOST and text.strip(b" \t")]
    assert [line.data for line in all_lines(pieces) if line.refused is None] == expected


@given(PIECES)
def test_the_first_line_of_a_stream_begun_in_the_middle_is_refused(pieces: list[bytes]) -> None:
    """What comes before the first line end may be half a line and never counts as one."""
    stream = b"".join(pieces)
    first_end = re.search(rb"[\r\n]", stream)
    good = [line.data for line in all_lines(pieces, mid_line=True) if line.refused is None]
    rest = stream[first_end.end() :] if first_end else b""
    assert good == [line.data for line in all_lines([rest]) if line.refused is None]


@given(st.binary(max_size=400))
def test_raw_is_printable_and_short(data: bytes) -> None:
    """What is kept of a line is printable ASCII and at most RAW_MOST characters."""
    text = escaped(data)
    assert len(text) <= RAW_MOST
    assert all(" " <= char <= "~" for char in text)
