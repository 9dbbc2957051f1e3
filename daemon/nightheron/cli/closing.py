"""What the journal says of a chamber's present closing, and of the last one that was proved."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path
from typing import Any

from nightheron.cli.journal_path import NoJournal, journal_path
from nightheron.journal.query import Wanted, entries

ROWS_MOST = 2000
_UNREADABLE = (NoJournal, OSError, sqlite3.Error, ValueError)
"""Status says the most; what cannot be read adds nothing."""


def closing_rows(config: Path, chamber: dict[str, Any]) -> list[dict[str, Any]]:
    """The decisions of the present closing, oldest first; ``chamber`` as in ``status --json``."""
    wanted = Wanted(since=chamber["since"] or None, kind="decision", chamber=chamber["name"], limit=ROWS_MOST)
    try:
        path = journal_path(config, os.environ)
        return [row for row in entries(path, wanted) if row.get("gas") == "closed"]
    except _UNREADABLE:
        return []


def last_proved(config: Path, name: str) -> str | None:
    """When the water last proved that this chamber's gas was shut, among its newest decisions; UTC."""
    found: str | None = None
    before = None
    try:
        for row in entries(
            journal_path(config, os.environ), Wanted(kind="decision", chamber=name, limit=ROWS_MOST)
        ):
            if row.get("verdict") == "proved" and before != "proved":
                found = str(row["utc"])
            before = row.get("verdict")
    except _UNREADABLE:
        return None
    return found
