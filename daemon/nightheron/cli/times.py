"""Times for people, in the site's zone; programs get RFC 3339."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Times:
    """A zone, its name, and now."""

    name: str
    zone: tzinfo
    now: datetime

    def clock(self, utc: str | None) -> str:
        """The time of day; the date too when it is another day's; dashes where there is none."""
        when = _moment(utc)
        if when is None:
            return "--:--:--"
        local = when.astimezone(self.zone)
        same_day = local.date() == self.now.astimezone(self.zone).date()
        return local.strftime("%H:%M:%S" if same_day else "%Y-%m-%d %H:%M:%S")

    def dated(self, utc: str | None) -> str:
        """Date and time of day, to the millisecond, always the same width."""
        when = _moment(utc)
        if when is None:
            return f"{'-':<23}"
        return when.astimezone(self.zone).strftime("%Y-%m-%d %H:%M:%S.%f")[:-3]

    def ago(self, utc: str | None) -> str:
        """How long ago that was."""
        when = _moment(utc)
        return "an unknown time" if when is None else span_text((self.now - when).total_seconds())


def times(name: str | None, now: datetime) -> Times:
    """The zone called ``name``; UTC where there is none by that name."""
    from zoneinfo import ZoneInfo

    try:
        return Times(str(name), ZoneInfo(str(name)), now) if name else Times("UTC", UTC, now)
    except (KeyError, OSError, ValueError):
        return Times("UTC", UTC, now)


def times_of(config: Path, now: datetime) -> Times:
    """The zone of a configuration, read without judging the rest of it; UTC where it names none."""
    return times(_site_word(config, "timezone"), now)


def site_name(config: Path) -> str:
    """What a configuration calls its site; ``site`` where it does not say."""
    return _site_word(config, "name") or "site"


def _site_word(config: Path, key: str) -> str | None:
    from nightheron.settings.faults import BadConfiguration
    from nightheron.settings.source import read_document

    try:
        site = read_document(config).get("site")
    except BadConfiguration:
        return None
    word = site.get(key) if isinstance(site, dict) else None
    return word if isinstance(word, str) else None


def chamber_names(config: Path) -> list[str]:
    """The chambers that a configuration names, in its order."""
    from nightheron.settings.faults import BadConfiguration
    from nightheron.settings.source import read_document

    try:
        chambers = read_document(config).get("chamber")
    except BadConfiguration:
        return []
    tables = chambers if isinstance(chambers, list) else []
    return [str(one["name"]) for one in tables if isinstance(one, dict) and "name" in one]


def span_text(seconds: float) -> str:
    """``14 s``, ``41 min`` or ``3.5 h``."""
    if seconds < 120:
        return f"{max(0.0, seconds):.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"


def _moment(utc: str | None) -> datetime | None:
    try:
        when = datetime.fromisoformat(utc.replace("Z", "+00:00")) if utc else None
    except ValueError:
        return None
    return when if when is None or when.tzinfo else when.replace(tzinfo=UTC)
