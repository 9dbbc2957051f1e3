"""Which rate a serial device speaks at, found by listening at one rate after the other.

At a wrong rate a receiver makes other bytes of what comes, and hardly ever two whole lines of text with
digits. So a burst of bytes that are no text sends the search on at once, and silence after a while; the
search goes round until two such lines came. Pure: the caller reads the port and says what time it is.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from nightheron_drivers.linebus import Line, LineBus

RATES = (9600, 115200, 57600, 38400, 19200, 4800, 2400, 1200)
"""The usual ones, the likeliest first. Common practice, no source."""

SILENT_S = 2.5
"""So long at a rate while nothing was heard at any."""
SPOKEN_S = 12.5
"""So long once the device is known to speak: its next message may be far off."""
GAP_S = 0.3
"""A burst of bytes has ended after such a pause,"""
BURST_MOST_S = 1.0
"""or is judged after so long."""
BURSTS_MOST = 3
"""After so many bursts of text without a good line another rate is tried."""
LINES_LEAST = 2
TAIL_BYTES = 1024

_DIGIT = re.compile(rb"[0-9]")


@dataclass(slots=True)
class _Visit:
    """What came since the search turned to a rate."""

    last_s: float
    burst_s: float
    bus: LineBus = field(default_factory=lambda: LineBus(mid_line=True))
    burst: bytes = b""
    tail: bytes = b""
    good: int = 0
    """Whole lines of text with a digit,"""
    gained: bool = False
    """one of them since the bursts were last counted,"""
    ended: bool = False
    """or any line at all."""
    bursts: int = 0


class RateSearch:
    """Feed it with ``take``, call ``turn`` often, and set the port to ``rate`` when that says so."""

    def __init__(self, now_s: float) -> None:
        self.spoke = False
        """Bytes came, at whatever rate."""
        self.endless: int | None = None
        """A rate at which text came without line ends."""
        self.found = False
        self._place = 0
        self._here = _Visit(now_s, now_s)

    @property
    def rate(self) -> int:
        """The rate to listen at, bits a second."""
        return RATES[self._place]

    @property
    def line_end(self) -> str:
        """``CR LF``, ``LF`` or ``CR``, whichever ends the lines at this rate; empty before one ended."""
        tail = self._here.tail
        both = tail.count(b"\r\n")
        ends = {"CR LF": both, "LF": tail.count(b"\n") - both, "CR": tail.count(b"\r") - both}
        most = max(ends, key=lambda name: ends[name])
        return most if ends[most] else ""

    def take(self, data: bytes, now_s: float) -> list[Line]:
        """What came at ``rate``; the whole lines that ended in it."""
        here = self._here
        if not data:
            return []
        self.spoke = True
        if not here.burst:
            here.burst_s = now_s
        here.last_s = now_s
        here.tail = (here.tail + data)[-TAIL_BYTES:]
        here.burst = b"" if self.found else here.burst + data
        lines = [line for line in here.bus.feed(data) if line.refused is None]
        here.ended = here.ended or bool(lines)
        good = sum(is_text(line.data) and bool(_DIGIT.search(line.data)) for line in lines)
        here.good += good
        here.gained = here.gained or good > 0
        self.found = self.found or here.good >= LINES_LEAST
        return lines

    def turn(self, now_s: float) -> bool:
        """Judge what came; True when the search went on to another rate."""
        here = self._here
        if self.found:
            return False
        if not here.burst:
            waits_s = SPOKEN_S if self.spoke else SILENT_S
            return now_s - here.last_s >= waits_s and self._next(now_s)
        if now_s - here.last_s < GAP_S and now_s - here.burst_s < BURST_MOST_S:
            return False
        text, here.burst = is_text(here.burst), b""
        if not text:
            return self._next(now_s)
        here.bursts += 1
        if here.bursts < BURSTS_MOST:
            return False
        if here.gained:
            here.bursts, here.gained = 0, False
            return False
        if self.endless is None and not here.ended and _DIGIT.search(here.tail):
            self.endless = self.rate
        return self._next(now_s)

    def _next(self, now_s: float) -> bool:
        self._place = (self._place + 1) % len(RATES)
        self._here = _Visit(now_s, now_s)
        return True


def is_text(data: bytes) -> bool:
    """Whether at least three quarters are printable, blanks or line ends, as a person's device would send."""
    plain = sum(0x20 <= byte < 0x7F or byte in b"\t\r\n" for byte in data)
    return 4 * plain >= 3 * len(data)
