"""Where the journal of a configuration is, for commands that only read it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path


class NoJournal(Exception):  # noqa: N818 - its text is the whole answer
    """There is none, or the configuration does not say where; the text is one sentence for people."""


def journal_path(config: Path, environ: Mapping[str, str]) -> Path:
    """The journal's file, which exists. Raises NoJournal."""
    from nightheron.journal.connect import FILE
    from nightheron.settings.faults import BadConfiguration
    from nightheron.settings.source import data_dir_of

    try:
        path = data_dir_of(config, environ) / FILE
    except BadConfiguration as fault:
        raise NoJournal("\n".join(f"{one.key}: {one.why}" for one in fault.faults)) from None
    if not path.exists():
        raise NoJournal(f"There is no journal at {path}; it begins with the first start of the service.")
    return path
