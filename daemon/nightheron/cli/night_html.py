"""The page of `nightheron night --html`, written whole or not at all."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping

    from nightheron.cli.times import Times
    from nightheron.report.series import Series

NEEDS = "matplotlib"
INSTALL = f'"{NEEDS}>=3.9"'


def write(
    target: Path, site: str, journal: Path, found: dict[str, Any], seen: Mapping[str, Series], times: Times
) -> str:
    """Where it went, for people. Raises ValueError with one sentence when it cannot be made or written."""
    text = html_of(site, journal, found, seen, times)
    fresh = target.with_name(f".{target.name}.new")
    try:
        fresh.write_text(text, encoding="utf-8")
        fresh.replace(target)
    except OSError as fault:
        raise ValueError(f"{target} cannot be written: {fault.strerror}; name another file.") from None
    return f"{found['answers']['headline']}\nThe page is in {target}."


def html_of(site: str, journal: Path, found: dict[str, Any], seen: Mapping[str, Series], times: Times) -> str:
    """The page. Raises ValueError when the library that draws is not there."""
    from nightheron.cli.night import reader
    from nightheron.report.page import page
    from nightheron.report.page_words import Made
    from nightheron.version import program_version

    made = Made(site, found, seen, times.zone, times.name, reader(journal), program_version())
    try:
        return page(made)
    except ImportError as fault:
        if fault.name is None or fault.name.partition(".")[0] != NEEDS:
            raise
        raise ValueError(
            f"--html needs {NEEDS}, not installed here: {sys.executable} -m pip install {INSTALL}"
        ) from None
