"""Where the journal of a configuration is, for commands that only read it."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path


class NoJournal(Exception):  # noqa: N818 - its text is the whole answer
    """None is there or may be read, or the configuration does not say where; the text is one sentence."""


def journal_path(config: Path, environ: Mapping[str, str]) -> Path:
    """The journal's file, which exists. Raises NoJournal."""
    from nightheron.journal.connect import FILE
    from nightheron.settings.faults import BadConfiguration
    from nightheron.settings.source import data_dir_of

    try:
        path = data_dir_of(config, environ) / FILE
    except BadConfiguration as fault:
        raise NoJournal("\n".join(f"{one.key}: {one.why}" for one in fault.faults)) from None
    try:
        path.stat()
    except (FileNotFoundError, NotADirectoryError):
        text = f"There is no journal at {path}; it begins with the first start of the service."
        raise NoJournal(text) from None
    except OSError:
        raise NoJournal(_not_yours(path)) from None
    if not os.access(path, os.R_OK):
        # Said here, or it would look like damage.
        raise NoJournal(_not_yours(path))
    return path


def closed_to_us(config: Path, environ: Mapping[str, str]) -> str:
    """Why this user cannot work in the data directory, in a sentence; empty when it can, or is not there."""
    from nightheron.settings.faults import BadConfiguration
    from nightheron.settings.source import data_dir_of

    try:
        data_dir = data_dir_of(config, environ)
        there = data_dir.is_dir()
        if there and os.statvfs(data_dir).f_flag & os.ST_RDONLY:
            return (
                f"site.data_dir: {data_dir} is on a disk that is mounted read-only, as the kernel leaves one "
                "after an error: look at dmesg and check the disk, then mount it writable"
            )
    except BadConfiguration:
        return ""  # told with whatever else is wrong with it
    except OSError:
        data_dir, there = data_dir_of(config, environ), True
    if not there or os.access(data_dir, os.R_OK | os.W_OK | os.X_OK):
        return ""
    return (
        f"site.data_dir: you (uid {os.geteuid()}) may not read and write in {data_dir}; "
        "run this as the service's user, or choose another directory"
    )


def _not_yours(path: Path) -> str:
    return f"You may not read {path}: it is for the service's user and group; run this as one of them."
