"""Where an archive or a copy may be put: under no name that the service or SQLite would take for its own."""

from __future__ import annotations

from pathlib import Path

BESIDE = ("-wal", "-journal")
"""Endings under which SQLite looks for what belongs to a file, and plays it into that file."""


def why_no_place(journal: Path, target: Path) -> str | None:
    """One sentence on why no new file may have this name; None when it may. Raises OSError."""
    at_home = target.absolute().parent.resolve() == journal.absolute().parent.resolve()
    if at_home and (target.name.startswith("journal.") or target.suffix != ".db"):
        # journal.db-wal would be emptied by the very next row that the journal is given.
        return f"{target} is a name that belongs to the service; choose one elsewhere, on another disk."
    for end in BESIDE:
        if Path(f"{target}{end}").exists():
            return f"{target}{end} is there and would be taken for a part of it; choose another name."
    return None
