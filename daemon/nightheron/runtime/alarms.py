"""Alarms between the core and the journal: a row's body to an alarm, and the times people gave."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta

from nightheron.guard.alarm_desk import SHELF_MOST_S, Alarm, number_of
from nightheron.guard.alarm_states import ENDING, AlarmState
from nightheron.model import NS, JsonValue
from nightheron.runtime.clock import ClockPort, rfc3339


def carried(rows: Iterable[Mapping[str, JsonValue]], clock: ClockPort) -> list[Alarm]:
    """Alarms that stood when the service last ran, from the bodies of their rows."""
    return [_from_body(row, clock) for row in rows]


def until(clock: ClockPort, for_s: float) -> tuple[int, str]:
    """The end of a time that begins now: on this boot's clock, and as people read it."""
    return clock.now_ns() + round(for_s * NS), rfc3339(clock.utc() + timedelta(seconds=for_s))


def _from_body(row: Mapping[str, JsonValue], clock: ClockPort) -> Alarm:
    said = {key: str(row[key]) for key in ("id", "chamber", "reason", "class", "state", "since", "text")}
    try:
        state = AlarmState(said["state"])
    except ValueError:  # a later version's word: told again rather than lost
        state = AlarmState.UNACKNOWLEDGED
    shelved_until = str(row.get("until") or "")
    return Alarm(
        id=said["id"],
        number=number_of(said["id"]),
        chamber=said["chamber"],
        reason=said["reason"],
        kind=said["class"],
        state=state,
        since=said["since"],
        text=said["text"],
        over_ns=clock.now_ns() if row.get("over") is True else None,
        until_ns=_left_ns(shelved_until, clock) if state in ENDING else None,
        until=shelved_until,
        by=str(row.get("by") or ""),
        why=str(row.get("why") or ""),
    )


def _left_ns(utc: str, clock: ClockPort) -> int:
    """When a time set aside in an earlier run ends; at once when that cannot be read, never later than
    the longest that may be asked for, whatever the wall clock says."""
    try:
        left_s = (datetime.fromisoformat(utc.replace("Z", "+00:00")) - clock.utc()).total_seconds()
    except (ValueError, TypeError):
        left_s = 0.0
    return clock.now_ns() + round(min(max(0.0, left_s), SHELF_MOST_S) * NS)
