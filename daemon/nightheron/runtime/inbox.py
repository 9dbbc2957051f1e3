"""What the threads leave for the loop: bounded, never blocking, and a low reading is never lost.

When the loop does not keep up, each probe keeps its newest message and the two extremes of its
value (which of them is the low one depends on the probe's unit); the rest is counted.
"""

from __future__ import annotations

import os
import threading
from collections import deque
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

from nightheron_drivers.protocols import Heard

from nightheron.model import Acted, JsonValue

PROBE_MOST = 64
OTHERS_MOST = 20_000


@dataclass(frozen=True, slots=True)
class RowsCommitted:
    """The writer has these rows on disk."""

    tokens: Sequence[int]


@dataclass(frozen=True, slots=True)
class JournalNews:
    """The writer cannot commit, can again, or had to begin a new journal."""

    well: bool
    replaced: bool


class Reply:
    """Where the loop leaves its answer to a person's act; nobody waits longer than ``wait`` says."""

    def __init__(self) -> None:
        self._done = threading.Event()
        self._refused: str | None = None

    def give(self, refused: str | None) -> None:
        """``refused`` is None when the act was carried out, else why not."""
        self._refused = refused
        self._done.set()

    def wait(self, seconds: float) -> tuple[bool, str | None]:
        """(answered, refusal)."""
        return self._done.wait(seconds), self._refused


@dataclass(frozen=True, slots=True)
class ActFor:
    """A person's act for one chamber. ``at_ns`` in the act is set by the loop."""

    chamber: str
    act: Acted
    reply: Reply


@dataclass(frozen=True, slots=True)
class AlarmAct:
    """A person has seen alarms (``ack``), or sets one aside (``shelve``, ``out_of_service``) for a time."""

    act: str
    names: tuple[str, ...] | None
    """Ids; None for every alarm that stands."""
    who: str
    reply: Reply
    why: str = ""
    for_s: float | None = None


@dataclass(frozen=True, slots=True)
class CourierDone:
    """The courier of a channel is gone; ``why_not`` is empty when the service accepted its batch."""

    label: str
    why_not: str


@dataclass(frozen=True, slots=True)
class DigestDue:
    """The calendar asks for the digest of this date of the site's."""

    day: str


@dataclass(frozen=True, slots=True)
class DigestReady:
    """The digest was composed; ``answer`` is what its child said, nothing when it failed."""

    day: str
    answer: bytes


@dataclass(frozen=True, slots=True)
class SnapshotDue:
    """The calendar asks for a snapshot of every chamber."""

    why: str


@dataclass(frozen=True, slots=True)
class Note:
    """A row that is not a decision, e.g. the log's or the telemetry's own losses."""

    kind: str
    body: dict[str, JsonValue]


Item = (
    Heard
    | RowsCommitted
    | JournalNews
    | ActFor
    | AlarmAct
    | CourierDone
    | DigestDue
    | DigestReady
    | SnapshotDue
    | Note
)


class Inbox:
    """Many threads post; the loop takes. ``fileno`` is readable while something waits."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._heard: dict[str, list[Heard]] = {}
        self._others: deque[Item] = deque()
        self._fd = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self.dropped = 0
        """Probe messages that were folded away since the start."""

    def fileno(self) -> int:
        return self._fd

    def post(self, item: Item) -> bool:
        """Leave one item; False when it had to be refused (never for a probe's message)."""
        with self._lock:
            if isinstance(item, Heard):
                self._keep(item)
            elif len(self._others) >= OTHERS_MOST:
                return False
            else:
                self._others.append(item)
        self.wake()
        return True

    def wake(self) -> None:
        """Make ``fileno`` readable."""
        try:
            os.eventfd_write(self._fd, 1)
        except OSError:
            return  # already readable as often as can be counted, or closed at the end

    def take(self) -> tuple[list[Heard], list[Item]]:
        """All there is: probe messages in order of arrival, and the rest."""
        with suppress(BlockingIOError):
            os.eventfd_read(self._fd)
        with self._lock:
            heard, self._heard = self._heard, {}
            others, self._others = self._others, deque()
        messages = [message for per_probe in heard.values() for message in per_probe]
        messages.sort(key=lambda message: message.at_ns)
        return messages, list(others)

    def close(self) -> None:
        """Give the descriptor back; posting afterwards is harmless."""
        os.close(self._fd)

    def _keep(self, message: Heard) -> None:
        waiting = self._heard.setdefault(message.probe, [])
        waiting.append(message)
        if len(waiting) <= PROBE_MOST:
            return
        values = [m for m in waiting if m.value is not None and m.value == m.value]
        kept = {id(message)}
        if values:
            kept |= {id(min(values, key=_value)), id(max(values, key=_value))}
        for place, old in enumerate(waiting):
            if id(old) not in kept:
                del waiting[place]
                self.dropped += 1
                return


def _value(message: Heard) -> float:
    return message.value if message.value is not None else 0.0
