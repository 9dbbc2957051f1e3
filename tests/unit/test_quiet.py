"""Quiet hours end by the site's own clock, over midnight and over its changes."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from nightheron.notify.quiet import quiet_s

LISBON = ZoneInfo("Europe/Lisbon")


@pytest.mark.parametrize(
    ("hours", "at", "left_s"),
    [
        ("", "2026-01-10T03:00", 0),
        ("22:00-07:00", "2026-01-10T21:59", 0),
        ("22:00-07:00", "2026-01-10T22:00", 9 * 3600),
        ("22:00-07:00", "2026-01-10T06:59", 60),
        ("22:00-07:00", "2026-01-10T07:00", 0),
        ("13:00-15:00", "2026-01-10T14:00", 3600),
        ("13:00-15:00", "2026-01-10T15:00", 0),
        ("22:00-07:00", "2026-03-28T23:00", 7 * 3600),  # clocks go forward in this night
        ("22:00-07:00", "2026-10-24T23:00", 9 * 3600),  # and back in this one
    ],
)
def test_a_notice_waits_until_they_end(hours: str, at: str, left_s: int) -> None:
    """Within them it is so many seconds to their end, outside none; a change of clocks is counted."""
    now = datetime.fromisoformat(at).replace(tzinfo=LISBON).astimezone(UTC)
    assert quiet_s(hours, now, LISBON) == left_s
