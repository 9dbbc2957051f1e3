"""From [alerts] to the channels, the quiet hours and the outbox that the loop works with."""

from __future__ import annotations

import hashlib
import random
import sqlite3
from pathlib import Path
from zoneinfo import ZoneInfo

from pydantic import SecretStr

from nightheron.journal.connect import FILE
from nightheron.journal.query import Wanted, entries
from nightheron.model import JsonValue
from nightheron.notify.outbox import Outbox
from nightheron.notify.push import Channel, Kind
from nightheron.notify.quiet import quiet_s
from nightheron.runtime.clock import ClockPort
from nightheron.runtime.heartbeat import BeatPort, Heartbeat
from nightheron.runtime.pushing import CourierPort, Head, Pushing
from nightheron.settings.site import Site


def pushing(site: Site, couriers: CourierPort, clock: ClockPort, head: Head) -> Pushing | None:
    """None for a site that has no push address."""
    alerts, zone = site.alerts, ZoneInfo(site.timezone)
    first = [channel(url) for url in alerts.urls]
    ladder = [[channel(url, step.name) for url in step.urls] for step in alerts.ladder]
    if not first and not ladder:
        return None
    outbox = Outbox(
        first,
        ladder,
        quiet=lambda: quiet_s(alerts.quiet_hours, clock.utc(), zone),
        jitter=lambda: random.uniform(0.75, 1.25),  # noqa: S311 - spreads tries, keeps no secret
    )
    digest_of: dict[str, JsonValue] = {
        "path": str(site.data_dir / FILE),
        "zone": site.timezone,
        "site": site.name,
    }
    return Pushing(outbox, couriers, clock, head, zone, digest_of)


def heartbeat(site: Site, couriers: BeatPort) -> Heartbeat | None:
    """None for a site that gives no address for it."""
    url = site.alerts.heartbeat_url
    return None if url is None else Heartbeat(couriers, url.get_secret_value())


def last_digest(path: Path) -> str | None:
    """The date of the newest digest that was queued, from the journal; None when there never was one."""
    try:
        rows = list(entries(path, Wanted(kind="delivery", limit=500)))
    except (OSError, sqlite3.Error, ValueError):
        return None
    pushes = [str(row.get("push")) for row in rows if row.get("about") == Kind.DIGEST.value]
    return pushes[-1].removeprefix("digest-") if pushes else None


def channel(url: SecretStr, who: str = "") -> Channel:
    """An address with the label it may be shown by."""
    text = url.get_secret_value()
    scheme = text.partition("://")[0].lower()
    return Channel(f"{scheme}-{hashlib.sha256(text.encode()).hexdigest()[:6]}", text, who)
