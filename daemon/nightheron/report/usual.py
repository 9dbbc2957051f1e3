"""What is usual of a chamber: how much of the time its gas was open in earlier nights."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from statistics import median

from nightheron.model import JsonValue

NIGHTS_MOST = 30
NIGHTS_LEAST = 3
"""Of fewer nobody can say what is usual."""
WATCHED_LEAST = 0.5
"""Share of a night that must have been watched for it to count."""
DAY = timedelta(days=1)


def earlier(since: str, until: str) -> list[tuple[str, str]]:
    """The same hours of the thirty days before, oldest first, as UTC texts; whole days before a long span."""
    begin, end = datetime.fromisoformat(since), datetime.fromisoformat(until)
    width = min(end - begin, DAY)
    days = range(NIGHTS_MOST, 0, -1)
    return [(_text(begin - day * DAY), _text(begin - day * DAY + width)) for day in days]


def usual(nights: Sequence[Sequence[float]], width_s: float) -> dict[str, JsonValue] | None:
    """Median, least and most share of open time, 0 to 1, over nights of (open, watched) seconds.

    None while there are too few.
    """
    shares = [
        open_s / watched_s
        for open_s, watched_s in nights
        if watched_s > 0.0 and watched_s >= WATCHED_LEAST * width_s
    ]
    if len(shares) < NIGHTS_LEAST:
        return None
    return {
        "nights": len(shares),
        "median": round(median(shares), 4),
        "least": round(min(shares), 4),
        "most": round(max(shares), 4),
    }


def all_usual(
    times: Mapping[str, Sequence[Sequence[float]]], since: str, until: str
) -> dict[str, dict[str, JsonValue]]:
    """``usual`` of each chamber that has one."""
    span = datetime.fromisoformat(until) - datetime.fromisoformat(since)
    width_s = min(span, DAY).total_seconds()
    found = {name: usual(nights, width_s) for name, nights in times.items()}
    return {name: one for name, one in found.items() if one is not None}


def percents(one: Mapping[str, JsonValue]) -> str:
    """Such as ``usual 38 %, 35 to 42 in 12 nights``."""
    middle, least, most = (f"{100 * float(str(one[name])):.0f}" for name in ("median", "least", "most"))
    return f"usual {middle} %, {least} to {most} in {one['nights']} nights"


def span_of_usual(one: Mapping[str, JsonValue] | None) -> str:
    """Such as ``35-42 %``; empty while nothing is usual."""
    if one is None:
        return ""
    least, most = (f"{100 * float(str(one[name])):.0f}" for name in ("least", "most"))
    return f"{least}-{most} %"


def _text(when: datetime) -> str:
    return when.isoformat(timespec="milliseconds").replace("+00:00", "Z")
