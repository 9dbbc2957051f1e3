"""What the journal says about the run before, turned into what this start may rely on.

Durations only, and never in favour of opening: open gas is counted at least as long as it may have
flowed, and time between boots counts as zero toward anything that permits.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from nightheron.guard.alarm_desk import number_of
from nightheron.guard.alarm_states import AlarmState
from nightheron.guard.drift import Drift
from nightheron.guard.drift_kept import kept
from nightheron.guard.limits import ChamberLimits
from nightheron.guard.snapshot import from_json
from nightheron.journal import query
from nightheron.model import NS, Gas, JsonValue, Learned, Left, Plain, Reason
from nightheron.runtime.clock import ClockPort
from nightheron.runtime.loop import NOT_RECORDABLE_S, TICK_S
from nightheron.runtime.recorder import WITNESS_NS
from nightheron.runtime.unwatched import how_shut, shut_text, worst

HOUR_S = 3600.0
UNWATCHED_OPEN_MOST_S = WITNESS_NS / NS + NOT_RECORDABLE_S + 2 * TICK_S
"""The most that gas can have flowed beyond the last row on disk, but for its lease: the next row was due
within a minute, and the guard closes when that one is not on disk in time."""
STARTS_MOST = 200
Row = Mapping[str, JsonValue]
_UNREADABLE = (OSError, sqlite3.Error, ValueError)
"""What cannot be read is not there; the store decides what is damage."""


@dataclass(frozen=True, slots=True)
class Before:
    """What an earlier run left."""

    left: tuple[Left | None, ...]
    since: tuple[str | None, ...]
    learned: tuple[Learned | None, ...]
    usual: tuple[Plain, ...]
    start_ages_s: tuple[float, ...]
    """Ages, in running time, of unclean starts in the last hour; this one, if it is one, is 0."""
    gap: dict[str, JsonValue] | None
    alarms: tuple[Row, ...]
    alarm_number: int
    clean: bool
    """The run before ended in good order, or there was none."""


def look_back(path: Path, limits: Sequence[ChamberLimits], clock: ClockPort) -> Before:
    """Read the journal before this run writes to it; what cannot be read says nothing."""
    last = _last(path)
    rows = [_last_left(path, one.name) for one in limits]
    left = tuple(_left(row, one) if row else None for row, one in zip(rows, limits, strict=True))
    carried = tuple(_since(row, one) for row, one in zip(rows, left, strict=True))
    clean = last is None or last.get("kind") == "stop"
    return Before(
        left=left,
        since=carried,
        learned=tuple(_learned(path, one.name) for one in limits),
        usual=tuple(_usual(path, one.name) for one in limits),
        start_ages_s=_start_ages(path, last, clean, clock),
        gap=_gap(last, clock, _shut(last, rows, left, limits)) if last else None,
        alarms=tuple(_standing_alarms(path)),
        alarm_number=_alarm_number(path),
        clean=clean,
    )


def _left(row: Row, limits: ChamberLimits) -> Left | None:
    try:
        left = from_json(Left, row["left"])
    except (KeyError, ValueError, TypeError):
        return None
    if left.gas is Gas.OPEN:
        more_s = UNWATCHED_OPEN_MOST_S + limits.valve.lease_s
        left = replace(
            left,
            unanswered_s=left.unanswered_s + more_s,
            opening_s=left.opening_s + more_s,
            opened_day_s=left.opened_day_s + more_s,
        )
    return left


def _learned(path: Path, chamber: str) -> Learned | None:
    """What the chamber had learned, as its newest cycle says; None when there is none that can be read."""
    with suppress(*_UNREADABLE, KeyError, TypeError):
        row = next(query.entries(path, query.Wanted(kind="cycle", chamber=chamber, limit=1)), None)
        if row is not None:
            return from_json(Learned, row["learned"])
        state, _ = _state(path, chamber)
        return from_json(Learned, state["learned"])
    return None


def _usual(path: Path, chamber: str) -> Plain:
    """What was usual for the chamber, as its newest row of the kind says; None when there is none."""
    with suppress(*_UNREADABLE, KeyError, TypeError):
        row = next(query.entries(path, query.Wanted(kind="usual", chamber=chamber, limit=1)), None)
        if row is not None:
            return _plain(row["usual"])
        state, limits = _state(path, chamber)
        return kept(from_json(Drift, state["drift"]), limits)
    return None


def _state(path: Path, chamber: str) -> tuple[Any, ChamberLimits]:
    """The newest snapshot, for what stood in rows that were archived. Raises KeyError without one."""
    rows = query.entries(path, query.Wanted(kind="snapshot", chamber=chamber, limit=1))
    row: Any = next(rows, {})
    return row["snapshot"]["state"], from_json(ChamberLimits, row["limits"])


def _plain(value: JsonValue) -> Plain:
    if isinstance(value, dict):
        raise TypeError("what is usual holds no objects")
    return tuple(_plain(one) for one in value) if isinstance(value, list) else value


def _since(row: Row | None, left: Left | None) -> str | None:
    """A closing goes on with its own beginning."""
    if row is None or left is None or left.gas is not Gas.CLOSED:
        return None
    since = row.get("since")
    return since if isinstance(since, str) and since else None


def _start_ages(path: Path, last: Row | None, clean: bool, clock: ClockPort) -> tuple[float, ...]:
    """Unclean starts of the last hour of running time."""
    start = _last(path, "start")
    if last is None or start is None:
        return ()
    ages: list[float] = []
    if not _released_since(path, start):
        ran_s = _ran_s(start, last, clock)
        written = start.get("start_ages_s")
        ages = [
            age + ran_s
            for age in (written if isinstance(written, list) else [])
            if isinstance(age, int | float) and age + ran_s <= HOUR_S
        ]
    return tuple(([] if clean else [0.0]) + ages)[:STARTS_MOST]


def _ran_s(start: Row, last: Row, clock: ClockPort) -> float:
    """Running time since the last start: to now within one boot, else to its last row."""
    begun, ended = _ns(start), _ns(last)
    if start.get("boot") == clock.boot_id():
        return max(0.0, (clock.now_ns() - begun) / NS)
    return max(0.0, (ended - begun) / NS) if start.get("boot") == last.get("boot") else 0.0


def _released_since(path: Path, start: Row) -> bool:
    """A person has released ``restarts`` since that start."""
    act = _last(path, "act")
    if act is None or _seq(act) < _seq(start):
        return False
    acts = _newest(path, "act", 50)
    return any(
        _seq(row) > _seq(start) and Reason.RESTARTS.value in _list(row.get("released")) for row in acts
    )


def _gap(last: Row, clock: ClockPort, shut: tuple[str, str]) -> dict[str, JsonValue]:
    """The time nobody watched, as a row."""
    same_boot = last.get("boot") == clock.boot_id()
    if same_boot:
        seconds: float | None = max(0.0, (clock.now_ns() - _ns(last)) / NS)
    else:
        seconds = _wall_s(last, clock)
    how = "measured" if same_boot else "estimated from wall clocks"
    said = "an unknown time" if seconds is None else f"{seconds:.0f} s"
    return {
        "why": "unwatched",
        "seconds": seconds,
        "estimated": not same_boot,
        "from_utc": last.get("utc"),
        "shut": shut[0],
        "text": f"nobody watched for {said} ({how}); {shut[1]}",
    }


def _shut(
    last: Row, rows: Sequence[Row | None], left: Sequence[Left | None], limits: Sequence[ChamberLimits]
) -> tuple[str, str]:
    """What is known of the gas meanwhile, and never more than that."""
    how = [how_shut(last, *each) for each in zip(rows, left, limits, strict=True)]
    return worst(how).value, shut_text(how, limits)


def _wall_s(last: Row, clock: ClockPort) -> float | None:
    try:
        before = datetime.fromisoformat(str(last.get("utc")).replace("Z", "+00:00"))
        seconds = (clock.utc() - before).total_seconds()
    except (ValueError, TypeError):
        return None
    return seconds if seconds >= 0 else None


def _standing_alarms(path: Path) -> list[Row]:
    """The latest row of each alarm id that has not returned to normal, among the newest thousand."""
    rows = _alarm_rows(path)
    latest: dict[str, Row] = {}
    for row in rows:
        if isinstance(row.get("id"), str):
            latest[str(row["id"])] = row
    keys = ("id", "chamber", "reason", "class", "state", "since", "text")
    return [
        row
        for row in latest.values()
        if row.get("state") != AlarmState.NORMAL.value and all(isinstance(row.get(k), str) for k in keys)
    ]


def _alarm_rows(path: Path) -> list[Row]:
    """The newest alarms, oldest first; before them those that an archive took along, as its seal has them."""
    carried = [row.get("alarms") for row in _newest(path, "seal", 1)]
    archived = [one for rows in carried for one in _list(rows) if isinstance(one, dict)]
    return [*archived, *_newest(path, "alarm", 1000)]


def _alarm_number(path: Path) -> int:
    rows = _alarm_rows(path)
    return max((number_of(str(row.get("id", ""))) for row in rows), default=0)


def _last_left(path: Path, chamber: str) -> Row | None:
    with suppress(*_UNREADABLE):
        return query.last_left(path, chamber)
    return None


def _last(path: Path, kind: str | None = None) -> Row | None:
    with suppress(*_UNREADABLE):
        return query.last_entry(path, kind)
    return None


def _newest(path: Path, kind: str, most: int) -> list[Row]:
    with suppress(*_UNREADABLE):
        return list(query.entries(path, query.Wanted(kind=kind, limit=most)))
    return []


def _ns(row: Row) -> int:
    value: Any = row.get("mono_ns")
    return value if isinstance(value, int) else 0


def _seq(row: Row) -> int:
    value: Any = row.get("seq")
    return value if isinstance(value, int) else 0


def _list(value: JsonValue) -> list[JsonValue]:
    return value if isinstance(value, list) else []
