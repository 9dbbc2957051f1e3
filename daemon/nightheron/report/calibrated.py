"""When each chamber's probe was last held against buffers, as far as its calibration record says."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

RECORD_MOST_BYTES = 65_536


class Calibrated(NamedTuple):
    """A UTC text, and whether the record itself says so; else it is its file's date, which a copy changes."""

    utc: str
    by_record: bool


def calibrations(folder: Path) -> dict[str, Calibrated]:
    """By the names of the records in ``folder``. What cannot be read is left out."""
    found = {}
    try:
        for file in sorted(folder.glob("*.json")):
            found[file.stem] = _of(file)
    except OSError:
        return found
    return found


def _of(file: Path) -> Calibrated:
    try:
        with file.open("rb") as record:
            said = json.loads(record.read(RECORD_MOST_BYTES))["utc"]
        when = datetime.fromisoformat(said)
        if when.tzinfo is not None:
            return Calibrated(_text(when), by_record=True)
    except (ValueError, TypeError, KeyError, RecursionError):
        pass  # it says nothing of its date
    return Calibrated(_text(datetime.fromtimestamp(file.stat().st_mtime, UTC)), by_record=False)


def _text(when: datetime) -> str:
    return when.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
