"""What a person writes for a time: RFC 3339, a date, or a span before now such as 8h."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta, tzinfo

SPAN = re.compile(r"(\d{1,6}(?:\.\d{1,3})?)([smhdw])", re.ASCII)
UNIT_S = {"s": 1, "m": 60, "h": 3600, "d": 86400, "w": 604800}


def utc_text(moment: datetime) -> str:
    """A time in the journal's form: UTC, milliseconds, Z."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def parse_when(text: str, now: datetime, zone: tzinfo, *, end: bool = False) -> str:
    """The UTC text of ``text``. A date is its midnight in ``zone``, or the midnight after it when ``end``.

    Raises ValueError with one sentence when it is none of the three.
    """
    given = text.strip()
    try:
        if found := SPAN.fullmatch(given):
            return utc_text(now - timedelta(seconds=float(found[1]) * UNIT_S[found[2]]))
        if re.fullmatch(r"\d{4}-\d{2}-\d{2}", given, re.ASCII):
            day = date.fromisoformat(given) + timedelta(days=1 if end else 0)
            return utc_text(datetime.combine(day, time(), zone))
        moment = datetime.fromisoformat(given)
        return utc_text(moment if moment.tzinfo else moment.replace(tzinfo=zone))
    except (ValueError, OverflowError):
        raise ValueError(
            f"{text!r} is not a time: give 2026-03-01T22:00:00Z, 2026-03-01, or a span such as 8h, 90m or 2d"
        ) from None
