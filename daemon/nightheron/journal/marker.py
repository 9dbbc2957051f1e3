"""The note of whose journal a data directory has: the hash of its first entry, kept beside it."""

from __future__ import annotations

import os
from pathlib import Path

MARKER = "journal.known"


def read(data_dir: Path) -> str:
    """The noted hash, empty when no journal was ever begun here. Raises OSError."""
    try:
        return (data_dir / MARKER).read_text(errors="replace").strip()
    except FileNotFoundError:
        return ""


def write(data_dir: Path, genesis: str) -> None:
    """Note it durably: a whole new file, then its name. Raises OSError."""
    fresh = data_dir / f"{MARKER}.new"
    with fresh.open("w") as file:
        file.write(genesis + "\n")
        file.flush()
        os.fsync(file.fileno())
    fresh.replace(data_dir / MARKER)
    sync_directory(data_dir)


def sync_directory(data_dir: Path) -> None:
    """Make names created in a directory durable. Raises OSError."""
    handle = os.open(data_dir, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
