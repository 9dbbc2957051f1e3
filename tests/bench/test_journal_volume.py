"""What a quiet day writes to the disk, counted by the kernel."""

from __future__ import annotations

import math
import tempfile
from pathlib import Path

from nightheron.journal.pack import pack
from nightheron.journal.store import Store
from nightheron.model import Event, JsonValue, Observed, Signal, Ticked

from tests.support.journals import UTC, draft

MS = 1_000_000
MOST_BYTES = 16_000_000
LEFT: dict[str, JsonValue] = {
    "gas": "open",
    "reason": None,
    "latched": [],
    "service": False,
    "unanswered_s": 12.25,
    "opening_s": 1432.5,
}
BODY: dict[str, JsonValue] = {
    "state": "flowing",
    "gas": "open",
    "reason": None,
    "reasons": [],
    "ph": 6.71,
    "health": "good",
    "flag": 1,
    "test": "none",
    "verdict": "proved",
    "tank_ph": 8.05,
    "evidence": [],
    "evaluations": 301,
    "ph_min": 6.69,
    "ph_max": 6.73,
    "left": LEFT | {"rest_pending": False, "opened_day_s": 23412.5, "rest_lowest_ph": None, "trial": False},
}


def minute(number: int) -> bytes:
    """Packed inputs of one minute: 240 ticks and 60 readings with some jitter."""
    events: list[Event] = []
    for step in range(240):
        at_ns = (60_000 * number + 250 * step + (step * 7919 + number) % 3) * MS
        events.append(Ticked(at_ns))
        if step % 4 == 0:
            ph = 6.8 + 0.05 * math.sin((step + number) / 9) + 0.01 * ((step * 31 + number) % 5)
            events.append(Observed(at_ns + 13 * MS, Signal.CHAMBER_PH, 0, round(ph, 2), f"{ph:.2f}"))
    return pack(events)


def written_bytes() -> int:
    """What this process caused to be written to disks so far."""
    for line in Path("/proc/self/io").read_text().splitlines():
        if line.startswith("write_bytes:"):
            return int(line.split()[1])
    raise RuntimeError("the kernel does not count")


def test_a_quiet_day_of_witnesses_is_within_its_budget() -> None:
    """A durable witness a minute for a day, checkpoints included, causes at most 16 MB of writes."""
    with tempfile.TemporaryDirectory(dir="/var/tmp") as place:
        # On a disk, where tmp_path may be memory.
        store = Store(Path(place), UTC)
        before = written_bytes()
        for number in range(1440):
            store.append([draft(60 * number, "witness", body=BODY, inputs=minute(number))])
        store.close()
        written = written_bytes() - before
        print(f"written {written / 1e6:.1f} MB, journal {store.path.stat().st_size / 1e6:.2f} MB")
        assert store.path.stat().st_size < written <= MOST_BYTES
