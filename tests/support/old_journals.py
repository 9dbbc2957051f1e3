"""Journals that reach back some days, for tests of what is done to old entries."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

from nightheron.journal.draft import Draft
from nightheron.journal.keeping import Keeping, Sealing
from nightheron.journal.pack import pack
from nightheron.journal.store import Store
from nightheron.journal.when import utc_text
from nightheron.model import NS, JsonValue, Observed, Signal, Ticked

BEGINS = datetime(2026, 1, 1, tzinfo=UTC)
PER_DAY = 12
"""Rows of a day: a snapshot of each of two chambers, then every two hours a minute of one of them."""


def values(number: int) -> list[float]:
    """The readings of row ``number``."""
    return [round(6.5 + (number * 7 + step) % 40 / 100, 2) for step in range(5)]


def day(number: int, *, synced: bool = True) -> Iterator[Draft]:
    """The rows of one day, midnight first."""
    for row in range(PER_DAY):
        count = number * PER_DAY + row
        at = BEGINS + timedelta(days=number, hours=2 * row)
        snapshot, at_ns = row < 2, count * NS
        events = [Ticked(at_ns)] + [
            Observed(at_ns + step, Signal.CHAMBER_PH, 0, ph, f"{ph:.2f}")
            for step, ph in enumerate(values(count))
        ]
        yield Draft(
            kind="snapshot" if snapshot else "witness",
            utc=utc_text(at),
            boot="b1",
            mono_ns=at_ns,
            chamber="west" if row % 2 else "east",
            body={"why": "midnight", "snapshot": {}} if snapshot else {"gas": "open", "ph": 6.7},
            inputs=None if snapshot else pack(events),
            clock_synced=synced,
        )


def days(data_dir: Path, count: int, *, synced: bool = True) -> Store:
    """An open journal of that many days."""
    store = Store(data_dir, utc_text(BEGINS))
    for number in range(count):
        store.append(list(day(number, synced=synced)))
    return store


def now(kind: str, body: dict[str, JsonValue]) -> Draft:
    """A row of long after."""
    return Draft(kind, "2027-01-01T00:00:00.000Z", "b2", NS, body, clock_synced=True)


def before(number: int) -> str:
    """Just after the midnight at which a day begins, so that its snapshots are old."""
    return utc_text(BEGINS + timedelta(days=number, seconds=1))


def all_work(keeping: Keeping) -> int:
    """Do it to its end; how many pieces it took."""
    pieces = 1
    while keeping.work() is not None:
        pieces += 1
    return pieces


def thinned(store: Store, until_day: int) -> None:
    """Thin the packs before a day."""
    keeping = Keeping(store, now)
    keeping.thin(before(until_day))
    all_work(keeping)


def sealed(store: Store, last_seq: int, file: str = "old.db") -> Sealing:
    """Seal and remove entries up to one of them; what came of it."""
    [(last_hash,)] = store.db.execute("SELECT hash FROM entries WHERE seq = ?", (last_seq,)).fetchall()
    asked, keeping = Sealing(last_seq, last_hash, file, "root"), Keeping(store, now, 7)
    assert keeping.seal(asked)
    all_work(keeping)
    return asked
