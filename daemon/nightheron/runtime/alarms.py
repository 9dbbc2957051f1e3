"""Standing alarms: what the core raised and has not cleared, by a stable id, also across restarts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from nightheron.model import Clear, JsonValue, Raise, Reason

UNACKNOWLEDGED = "unacknowledged"
NORMAL = "normal"


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm; ``state`` in the words of ISA-18.2."""

    id: str
    number: int
    chamber: str
    reason: str
    kind: str
    state: str
    since: str
    text: str

    def body(self) -> dict[str, JsonValue]:
        """As it stands in a row, on the broker and in ``status``."""
        return {
            "id": self.id,
            "chamber": self.chamber,
            "reason": self.reason,
            "class": self.kind,
            "state": self.state,
            "since": self.since,
            "text": self.text,
        }


class Alarms:
    """The list that ``status`` shows. Every change gives the row to be written."""

    def __init__(self, number: int = 0) -> None:
        self._number = number
        self._standing: dict[tuple[str, str], Alarm] = {}
        self._from_before: set[tuple[str, str]] = set()

    def carry(self, rows: Iterable[Mapping[str, JsonValue]]) -> None:
        """Take over alarms that stood when the service last ran (their rows' bodies)."""
        for row in rows:
            alarm = _from_body(row)
            key = (alarm.chamber, alarm.reason)
            self._standing[key] = alarm
            self._from_before.add(key)
            self._number = max(self._number, alarm.number)

    def standing(self) -> tuple[Alarm, ...]:
        """Oldest first."""
        return tuple(sorted(self._standing.values(), key=lambda alarm: alarm.number))

    def raised(self, chamber: str, effect: Raise, utc: str) -> Alarm:
        """An alarm begins, or a standing one has news; its id and ``since`` stay."""
        key = (chamber, effect.reason.value)
        before = self._standing.get(key)
        self._from_before.discard(key)
        if before is not None:
            alarm = replace(before, kind=effect.kind.value, state=UNACKNOWLEDGED, text=effect.text)
        else:
            self._number += 1
            name = f"{chamber}-{effect.reason.value}-{self._number}"
            alarm = Alarm(
                name,
                self._number,
                chamber,
                effect.reason.value,
                effect.kind.value,
                UNACKNOWLEDGED,
                utc,
                effect.text,
            )
        self._standing[key] = alarm
        return alarm

    def cleared(self, chamber: str, effect: Clear) -> Alarm | None:
        """Its condition is over; None when it did not stand."""
        return self._end(chamber, effect.reason.value)

    def settle(self, chamber: str, reasons: Iterable[Reason]) -> list[Alarm]:
        """End what was carried over and no longer stands; call once the chamber is past its start."""
        now = {reason.value for reason in reasons}
        over = [r for c, r in self._from_before if c == chamber and r not in now]
        return [alarm for reason in over if (alarm := self._end(chamber, reason)) is not None]

    def _end(self, chamber: str, reason: str) -> Alarm | None:
        self._from_before.discard((chamber, reason))
        alarm = self._standing.pop((chamber, reason), None)
        return None if alarm is None else replace(alarm, state=NORMAL)


def _from_body(row: Mapping[str, JsonValue]) -> Alarm:
    said = {key: str(row[key]) for key in ("id", "chamber", "reason", "class", "state", "since", "text")}
    return Alarm(
        id=said["id"],
        number=number_of(said["id"]),
        chamber=said["chamber"],
        reason=said["reason"],
        kind=said["class"],
        state=said["state"],
        since=said["since"],
        text=said["text"],
    )


def number_of(name: str) -> int:
    """The running number at the end of an alarm's id; 0 when there is none."""
    tail = name.rsplit("-", 1)[-1]
    return int(tail) if tail.isascii() and tail.isdigit() else 0
