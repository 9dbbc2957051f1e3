"""How well the alarms behave over some days, from their rows.

The figures and their limits are those that alarm management uses (EEMUA 191 and ISA-18.2, from memory):
a flood is ten alarms in ten minutes, a stale alarm stood for a day, a chattering one came three times in a
minute. A healthy site has a few alarms a month.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta

from nightheron.guard.alarm_list import purpose
from nightheron.guard.alarm_states import AlarmState
from nightheron.model import JsonValue

FLOOD_COUNT, FLOOD = 10, timedelta(minutes=10)
CHATTER_COUNT, CHATTER = 3, timedelta(minutes=1)
STALE = timedelta(days=1)


def figures(rows: Iterable[Mapping[str, JsonValue]], days: float, now: datetime) -> dict[str, JsonValue]:
    """From ``alarm`` rows, oldest first, of the last ``days``: what ``alarms --figures --json`` prints."""
    came: dict[str, list[datetime]] = {}
    first: dict[str, datetime] = {}
    ended: dict[str, datetime] = {}
    reasons: dict[str, str] = {}
    before: dict[str, str] = {}
    for row in rows:
        name, state, at = str(row["id"]), str(row["state"]), datetime.fromisoformat(str(row["utc"]))
        reasons[name] = str(row["reason"])
        first.setdefault(name, datetime.fromisoformat(str(row.get("since") or row["utc"])))
        if state == AlarmState.UNACKNOWLEDGED and before.get(name) != state:
            came.setdefault(name, []).append(at)
        if state == AlarmState.NORMAL:
            ended[name] = at
        before[name] = state
    times = sorted(at for each in came.values() for at in each)
    shares = Counter(purpose(reasons[name]).priority.value for name in came)
    stale = [name for name, begun in first.items() if ended.get(name, now) - begun > STALE]
    return {
        "days": days,
        "alarms": len(came),
        "per_day": round(len(came) / days, 2) if days > 0 else None,
        "most_in_10_min": _most(times, FLOOD),
        "flood": _most(times, FLOOD) >= FLOOD_COUNT,
        "chattering": [name for name, each in sorted(came.items()) if _most(each, CHATTER) >= CHATTER_COUNT],
        "stale": [*sorted(stale)],
        "by_priority": dict(sorted(shares.items())),
        "by_reason": dict(Counter(reasons[name] for name in came).most_common()),
    }


def _most(times: list[datetime], window: timedelta) -> int:
    """The most of these that lie within one window."""
    most, start = 0, 0
    for place, at in enumerate(times):
        while at - times[start] > window:
            start += 1
        most = max(most, place - start + 1)
    return most
