"""Quiet hours: how long a notice waits for their end, by the site's own clock."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta, tzinfo


def quiet_s(hours: str, now: datetime, zone: tzinfo) -> float:
    """Seconds until ``hours`` (such as ``22:00-07:00``) end; 0 outside of them, or when there are none.

    At most a day, whatever the clocks do.
    """
    if not hours:
        return 0.0
    first, last = (time.fromisoformat(part) for part in hours.split("-"))
    local = now.astimezone(zone)
    at = local.time().replace(tzinfo=None)
    within = first <= at < last if first < last else at >= first or at < last
    if not within:
        return 0.0
    day = local.date() + timedelta(days=1 if last <= at else 0)
    end = datetime.combine(day, last, tzinfo=zone).astimezone(UTC)
    return min(max(0.0, (end - now).total_seconds()), 86_400.0)
