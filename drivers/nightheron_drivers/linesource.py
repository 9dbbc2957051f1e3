"""The reading loop of every probe that speaks in lines: open, read, cut, name, open again.

The link is opened, read and closed in the thread that runs ``readings`` and in no other.
"""

from __future__ import annotations

import termios
import threading
from collections.abc import Callable, Iterator, Mapping
from typing import Protocol

from nightheron_drivers.arrival import boottime_ns
from nightheron_drivers.burst import thinned
from nightheron_drivers.linebus import Line, LineBus, escaped
from nightheron_drivers.numbers import Number
from nightheron_drivers.protocols import Heard

WAIT_S = 0.25
"""The longest wait for bytes, so that ``close`` ends a source soon."""

BACKOFF_S = (0.1, 0.2, 0.5, 1.0, 2.0)
HALF_LINE_MOST_S = 2.0
"""A line begun and then silent for so long is not continued by what comes next."""

OVERFLOW = 4095
"""What a Linux terminal holds: a read that brings so much at once may have lost what came after."""

TROUBLE = (OSError, termios.error, TypeError, ValueError)
"""All that a vanishing device was seen to raise; SerialException is an OSError."""

LineReader = Callable[[str], Number | None]
"""A stripped line to a value or a refusal, or None when it says nothing to this probe."""


class Link(Protocol):
    """An open line. Every call may raise one of TROUBLE when the device is gone."""

    def read(self, wait_s: float) -> bytes:
        """What is there, waiting at most ``wait_s`` for the first byte; b'' when nothing came."""
        ...

    def close(self) -> None:
        """Give the line up."""
        ...


class LineSource:
    """One line with one or more probes on it. ``trouble`` says why there is no link, for people."""

    def __init__(
        self,
        readers: Mapping[str, LineReader],
        open_link: Callable[[], Link],
        *,
        mid_line: bool,
    ) -> None:
        self.trouble = ""
        self._readers = dict(readers)
        self._open_link = open_link
        self._mid_line = mid_line
        self._closed = threading.Event()

    def close(self) -> None:
        """Ask ``readings`` to end within WAIT_S and a little."""
        self._closed.set()

    def readings(self) -> Iterator[Heard | None]:
        """Yield what is heard, None when nothing is; ends after ``close``."""
        failures = 0
        while not self._closed.is_set():
            link: Link | None = None
            try:
                link = self._open_link()
                self.trouble = ""
                for heard in self._listen(link):
                    failures = 0 if heard is not None else failures
                    yield heard
            except TROUBLE as why:
                self.trouble = str(why) or type(why).__name__
                failures += 1
            finally:
                _shut(link)
            if not self._closed.is_set():
                yield from self._pause(BACKOFF_S[min(failures, len(BACKOFF_S)) - 1])

    def _pause(self, pause_s: float) -> Iterator[None]:
        yield None
        while pause_s > 0 and not self._closed.wait(min(pause_s, WAIT_S)):
            yield None
            pause_s -= WAIT_S

    def _listen(self, link: Link) -> Iterator[Heard | None]:
        bus = LineBus(mid_line=self._mid_line)
        silent_s = 0.0
        while not self._closed.is_set():
            data = link.read(WAIT_S)
            if not data:
                # Counted in our own waits, not by a clock: when this thread stalls the line is not silent.
                silent_s += WAIT_S
                if silent_s >= HALF_LINE_MOST_S and bus.holds_half:
                    bus.lose()
                yield None
                continue
            silent_s = 0.0
            at_ns = boottime_ns()
            lines = bus.feed(data)
            if len(data) >= OVERFLOW:
                bus.lose()
            heard = thinned([one for line in lines for one in self._named(line, at_ns)])
            if heard:
                yield from heard
            else:
                yield None

    def _named(self, line: Line, at_ns: int) -> list[Heard]:
        raw = escaped(line.data)
        if line.refused is not None:
            return [Heard(probe, at_ns, None, raw, line.refused) for probe in self._readers]
        text = line.data.decode("utf-8", "backslashreplace")
        numbers = {probe: reader(text) for probe, reader in self._readers.items()}
        heard = [
            Heard(probe, at_ns, number.value, raw, number.refused)
            for probe, number in numbers.items()
            if number is not None
        ]
        # A line that is another probe's on the same port is no fault of this one.
        return heard or [Heard(probe, at_ns, None, raw, "no_match") for probe in self._readers]


def _shut(link: Link | None) -> None:
    if link is not None:
        try:
            link.close()
        except TROUBLE:
            return
