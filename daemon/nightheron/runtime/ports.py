"""What the loop needs from the world, in as few words as possible; fakes and the real ones fit alike."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Protocol

from nightheron.journal.draft import Queue
from nightheron.model import Decision, FeedbackSaid, JsonValue, KeeperSaid, OtherOrder, Signal, ValveSaid

ValveEvent = KeeperSaid | ValveSaid | FeedbackSaid | OtherOrder


class KeeperPort(Protocol):
    """All valves of all chambers. Nothing here may block."""

    def close(self, chamber: str) -> None:
        """Order every valve of the chamber shut, now."""
        ...

    def open_until(self, chamber: str, until_ns: int, *, only: int | None = None) -> None:
        """Let every valve of the chamber, or ``only`` this one, be open until then (CLOCK_BOOTTIME ns)."""
        ...

    def poll(self, now_ns: int) -> Sequence[tuple[str, ValveEvent]]:
        """What the keepers said since the last call, as (chamber, event)."""
        ...

    def filenos(self) -> Sequence[int]:
        """Descriptors that are readable when ``poll`` has something to find."""
        ...


class JournalPort(Protocol):
    """Where rows go."""

    def put(
        self,
        kind: str,
        body: dict[str, JsonValue],
        inputs: bytes | None,
        token: int,
        *,
        urgent: bool,
        queue: Queue = (),
    ) -> bool:
        """Take one row without blocking; False when it cannot be taken. Its commit comes by the inbox."""
        ...

    def together(self) -> AbstractContextManager[None]:
        """Rows put within are committed in one transaction."""
        ...


class NewsPort(Protocol):
    """Who listens: telemetry. Never blocks, never raises."""

    def report(self, decision: Decision, place: int) -> None:
        """The latest decision of the chamber at ``place`` in the configuration."""
        ...

    def row(self, chamber: str, body: dict[str, JsonValue]) -> None:
        """A decision row was written."""
        ...

    def alarm(self, chamber: str, body: dict[str, JsonValue]) -> None:
        """An alarm began, changed or ended."""
        ...


class NoNews:
    """Nobody listens."""

    def report(self, decision: Decision, place: int) -> None:
        del decision, place

    def row(self, chamber: str, body: dict[str, JsonValue]) -> None:
        del chamber, body

    def alarm(self, chamber: str, body: dict[str, JsonValue]) -> None:
        del chamber, body


@dataclass(frozen=True, slots=True)
class ProbeRoute:
    """Where one probe's messages go: its signal, its number in it, and the chambers concerned."""

    places: tuple[int, ...]
    signal: Signal
    number: int
