"""Listen on serial ports, all at once, and say how each is to be read. Nothing is ever written to one.

Opening a port raises its ready lines, as with any program that reads it; some adapters restart their
device on that, so what comes in the first moment is thrown away.
"""

from __future__ import annotations

import errno
import os
import queue
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field

import serial
from nightheron.model import JsonValue
from pydantic import ValidationError

from nightheron_drivers.arrival import boottime_ns
from nightheron_drivers.find_pattern import Proposal, propose
from nightheron_drivers.find_ports import Port, given, holder, ports
from nightheron_drivers.find_rate import RateSearch
from nightheron_drivers.linebus import escaped
from nightheron_drivers.linesource import TROUBLE
from nightheron_drivers.probe_serial import SerialOptions, line_reader
from nightheron_drivers.protocols import Found, Heard, Search

MOST_S = 90.0
"""How long a port that speaks is listened to at most, unless a person says otherwise."""
SILENT_S = 25.0
"""How long a port that says nothing is: longer than one round of all rates."""
SLOW_S = 45.0
SETTLE_S, WAIT_S = 0.3, 0.1
LINES_ENOUGH, LINES_FEW, LINES_MOST = 12, 4, 1000
MEASURE_S = 4.0
SHOWN = 3
GRACE_S = 3.0
"""A port that hangs while it is opened or shut is given up after so long more."""

BUSY = "it is in use by {}; stop that first"
BY_ERRNO = {
    errno.EACCES: "you may not open it; join the group that owns it (on Debian dialout) and log in again",
    errno.ENOENT: "there is no such port",
    errno.EBUSY: BUSY.format("another program"),
    errno.EAGAIN: BUSY.format("another program"),
    errno.EIO: "there is nothing behind it",
    errno.ENOTTY: "it is no serial port",
}
VALVE = "the configuration has a valve on it, so it was not opened; name it with --port to do that"
SILENT = (
    "nothing was heard in {:.0f} s; look at the cable and the supply of the probe, and whether it speaks "
    "by itself: one that only answers when asked must be set to send all the time"
)


def find(search: Search) -> Sequence[Found]:
    """Listen on the ports named, or on every one there is."""
    here = given(search.ports) if search.ports else ports()
    valves = {os.path.realpath(name) for name in search.not_ports if name not in search.ports}
    left_alone = [port for port in here if port.device in valves]
    here = [port for port in here if port.device not in valves]
    done: queue.Queue[Found] = queue.Queue(len(here) or 1)
    for port in here:
        threading.Thread(
            target=lambda port=port: done.put(_Listener(port, search).found()), name="find-port", daemon=True
        ).start()
    left = {port.name: port for port in here}
    end_ns = boottime_ns() + round(((search.seconds or MOST_S) + GRACE_S) * 1e9)
    found = [_nothing(port, VALVE) for port in left_alone]
    while left and boottime_ns() < end_ns:
        search.tell(f"{len(left)} of {len(here)} serial ports")
        if search.stop.is_set():
            end_ns = min(end_ns, boottime_ns() + round(GRACE_S * 1e9))
        try:
            found.append(done.get(timeout=WAIT_S))
        except queue.Empty:
            continue
        left.pop(found[-1].where, None)
    found += [_nothing(port, "it hangs when it is opened") for port in left.values()]
    return sorted(found, key=lambda one: one.where)


def _about(port: Port) -> dict[str, JsonValue]:
    return {"device": port.device, "description": port.description, "name": port.why}


def _nothing(port: Port, note: str) -> Found:
    return Found(port.name, facts=_about(port), notes=(note,))


@dataclass(slots=True)
class _Listener:
    """One port, listened to by one thread."""

    port: Port
    search: Search
    lines: list[tuple[int, bytes]] = field(default_factory=list)
    """When each whole line at the present rate came, and what it was."""
    took_s: float = 0.0

    def found(self) -> Found:
        who = holder(self.port.device)
        if who is not None:
            return _nothing(self.port, BUSY.format(who))
        try:
            return self._judged(self._listen())
        except TROUBLE as why:
            number = getattr(why, "errno", None)
            said = f"it cannot be listened to ({str(why).rstrip('.')})"
            return _nothing(self.port, BY_ERRNO.get(number or 0, said))

    def _listen(self) -> RateSearch:
        rates = RateSearch(0.0)
        with serial.Serial(self.port.name, rates.rate, timeout=WAIT_S, exclusive=True) as link:
            begun_ns = boottime_ns()
            self.search.stop.wait(SETTLE_S)
            link.reset_input_buffer()
            while True:
                data = link.read(1)
                data += link.read(link.in_waiting) if data else b""
                now_ns = boottime_ns()
                now_s = (now_ns - begun_ns) / 1e9
                self.lines += [(now_ns, line.data) for line in rates.take(data, now_s)]
                if self._enough(rates, now_s):
                    self.took_s = now_s
                    return rates
                if rates.turn(now_s):
                    self.lines.clear()
                    link.baudrate = rates.rate
                    link.reset_input_buffer()

    def _enough(self, rates: RateSearch, now_s: float) -> bool:
        most_s = self.search.seconds or MOST_S
        if self.search.stop.is_set() or now_s >= (most_s if rates.spoke else min(most_s, SILENT_S)):
            return True
        if not rates.found:
            return False
        span_s = (self.lines[-1][0] - self.lines[0][0]) / 1e9
        many = len(self.lines) >= LINES_ENOUGH and span_s >= MEASURE_S
        slow = len(self.lines) >= LINES_FEW and now_s >= SLOW_S
        return many or slow or len(self.lines) >= LINES_MOST

    def _judged(self, rates: RateSearch) -> Found:
        if not rates.spoke:
            return _nothing(self.port, SILENT.format(self.took_s))
        if not rates.found and rates.endless is not None:
            note = f"at {rates.endless} baud text comes without line ends, which no pattern can read"
            return _nothing(self.port, note)
        if not rates.found:
            note = "bytes come, but at no usual rate were they lines of text; try again with longer --seconds"
            return _nothing(self.port, note)
        facts = _about(self.port)
        facts |= {"baud": rates.rate, "line_end": rates.line_end, "lines": len(self.lines)}
        proposal = propose([_text(data) for _, data in self.lines])
        if proposal is None:
            shown = "; ".join(dict.fromkeys(escaped(data) for _, data in self.lines[:SHOWN]))
            note = f"text comes at {rates.rate} baud, but no number in it can be pH or mV: {shown}"
            return Found(self.port.name, facts=facts, notes=(note,))
        return self._proposed(rates.rate, proposal, facts)

    def _proposed(self, baud: int, proposal: Proposal, facts: dict[str, JsonValue]) -> Found:
        facts |= {"example": proposal.example, "decimals": proposal.decimals}
        facts |= {"unread": list(proposal.others[:SHOWN])}
        keys: dict[str, str | int | float] = {"port": self.port.name, "baud": baud}
        keys["pattern"] = proposal.pattern
        try:
            SerialOptions.model_validate(keys)
        except ValidationError as bad:
            said = bad.errors()[0]["msg"].removeprefix("Value error, ")
            note = f"the pattern that would read its lines {said}: {proposal.example}"
            return Found(self.port.name, facts=facts, notes=(note,))
        read = line_reader(proposal.pattern)
        numbers = [(at_ns, read(_text(data)), data) for at_ns, data in self.lines]
        heard = tuple(
            Heard(self.port.name, at_ns, number.value, escaped(data), number.refused)
            for at_ns, number, data in numbers
            if number is not None
        )
        return Found(self.port.name, keys, proposal.unit, proposal.sure, heard, facts, proposal.notes)


def _text(data: bytes) -> str:
    """As the serial probe itself sees a line."""
    return data.decode("utf-8", "backslashreplace")
